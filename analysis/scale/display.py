"""What a scale's display is still to show of a load that was put on or lifted off.

The display of many scales is smoothed: after a load came or went it approaches the new weight, slower and slower. That
is no flow: flow does not die away within seconds. So after each leap the numbers are compared with an exponential
approach; where they follow one, the part of the leap that is still to come is added to what is shown. What flows
meanwhile passes through. A number that is written again before the scale shows another tells nothing anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analysis.scale.samples import FASTEST_KG_PER_S

# What follows is common practice or plain physics of the work; no published source.
LEAP_S = 5.0
"""A leap is what moves quicker over this time than any hose gives; an approach is believed after this time."""
APPROACHES_S = 90.0
"""A display has come to rest by then."""
AGAIN = 0.15
"""It is looked at again once that share of the time since the leap has passed: later readings tell little more."""
LAGS_S = (0.5, 25.0)
"""Time constants of displays; the emptying and filling of cylinders slows down over minutes."""
LEAST_READINGS = 4
"""An approach has three unknowns; one more reading puts it to the test."""
CLEARER = 4.0
"""An approach fits so many times closer than a straight line does, which flow would be."""
NEAR_STEPS, NEAR_SHARE = 2.0, 0.01
"""It fits to so many steps of the scale, or to this share of what it approaches by."""


@dataclass(frozen=True, slots=True)
class _Approach:
    """An approach from `begin_s`, when `ahead_kg` was still missing, with its time constant."""

    begin_s: float
    ahead_kg: float
    lag_s: float

    def missing_kg(self, at: float) -> float:
        return self.ahead_kg * float(np.exp(-(at - self.begin_s) / self.lag_s))


def come_to_rest(at: np.ndarray, shown: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Return what a display shows without what it lags behind after leaps [kg], each by no later reading, shape (n,).

    `at` are seconds, `step` [kg] the scale's step by the readings so far.
    """
    rest = shown.copy()
    rows = np.arange(len(at))
    before = np.clip(np.searchsorted(at, at - LEAP_S + 1e-6, side="right") - 1, 0, np.maximum(rows - 1, 0))
    leaps = np.abs(shown - shown[before]) > FASTEST_KG_PER_S * (at - at[before]) + NEAR_STEPS * step
    last = np.maximum.accumulate(np.where(leaps, at, -np.inf))
    changed = np.diff(shown, prepend=np.nan) != 0.0
    kept_s = at - at[np.maximum.accumulate(np.where(changed, rows, 0))]
    new = changed | (np.diff(np.floor(kept_s / LEAP_S), prepend=0.0) > 0.0)
    told, count = np.flatnonzero(new), np.cumsum(new)
    begin, approach, fitted_s = -1, None, -np.inf
    for k in np.flatnonzero(at - last <= APPROACHES_S).tolist():
        if new[k] and leaps[k]:
            newest = told[max(count[k] - 3, 0) : count[k]]
            if not leaps[k - 1] or _quickens(at[newest], shown[newest], float(step[k])):
                begin, approach, fitted_s = count[k] - 1, None, -np.inf
        if begin < 0:
            continue
        seen_s = at[k] - at[told[begin]]
        enough = count[k] - begin >= LEAST_READINGS and seen_s >= LEAP_S
        if new[k] and enough and at[k] - fitted_s >= AGAIN * seen_s:
            fitted_s, some = at[k], told[begin : count[k]]
            approach = _approach(at[some], shown[some], float(step[k])) or approach
        if approach is not None:
            rest[k] += approach.missing_kg(at[told[count[k] - 1]])
    return rest


def _quickens(at: np.ndarray, shown: np.ndarray, step_kg: float) -> bool:
    """Return whether the display turned or went quicker at the last reading, as no approach does: the plate moved."""
    if len(at) < 3:
        return True
    change, before = shown[2] - shown[1], shown[1] - shown[0]
    slower = before * (at[2] - at[1]) / (at[1] - at[0])
    return bool(
        abs(change) > NEAR_STEPS * step_kg
        and (change * np.sign(before) > abs(slower) + NEAR_STEPS * step_kg or change * before <= 0.0)
    )


@lru_cache(maxsize=1024)
def _lags(low: float, high: float) -> np.ndarray:
    """Return time constants between two, each asked for again and again."""
    return np.geomspace(low, high, 24)


def _approach(at: np.ndarray, shown: np.ndarray, step_kg: float) -> _Approach | None:
    """Return the approach that readings follow, None where they follow none."""
    if shown.max() - shown.min() <= NEAR_STEPS * step_kg:
        return None
    count, after = len(at), at - at[0]
    moved, slope = shown - shown.sum() / count, after - after.sum() / count
    off = moved - slope * (slope @ moved) / (slope @ slope)
    line_kg = float(np.sqrt(off @ off / count))
    if line_kg < CLEARER * max(_goes_back_kg(shown), 0.3 * step_kg):
        return None
    low, high = LAGS_S
    for _ in range(3):
        lags = _lags(low, high)
        shape = np.exp(after / -lags[:, None])
        shape -= shape.mean(axis=1, keepdims=True)
        ahead = (shape @ moved) / np.square(shape).sum(axis=1)
        misses = np.square(moved - ahead[:, None] * shape).mean(axis=1)
        best = int(np.argmin(misses))
        if misses[best] > np.square(0.5 * line_kg):
            return None  # of a true one, which none of the first lags meets, these miss a twelfth of that at most
        low, high = float(lags[max(best - 1, 0)]), float(lags[min(best + 1, len(lags) - 1)])
    lag, ahead_kg, miss_kg = float(lags[best]), -float(ahead[best]), float(np.sqrt(misses[best]))
    near = miss_kg <= max(NEAR_STEPS * step_kg, NEAR_SHARE * abs(ahead_kg))
    return _Approach(float(at[0]), ahead_kg, lag) if near and line_kg >= CLEARER * miss_kg else None


def _goes_back_kg(shown: np.ndarray) -> float:
    """Return by how much whatever only rises, or only falls, misses readings at the least [kg].

    Two that go the other way miss it by half of what they are apart, each.
    """
    apart = shown[1::2] - shown[:-1:2]
    rises, falls = np.maximum(apart, 0.0), np.minimum(apart, 0.0)
    least = min(rises @ rises, falls @ falls)
    return 0.999 * float(np.sqrt(0.5 * least / len(shown)))  # a little less, whatever sums are rounded to
