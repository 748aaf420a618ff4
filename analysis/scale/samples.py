"""The scale's readings made into samples: one every few seconds, without wild readings and stale repeats."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from analysis.vocabulary.units import UNITS

SAMPLE_S = 5.0
"""A sample is the median of the readings of this time: single wild readings vanish, flow does not. Where something was
put on or lifted off meanwhile, of those that show the same thing as most do."""
FASTEST_KG_PER_S = 0.3
"""No hose of a usual cylinder moves more, however long it goes on. Plain physics of the work; no published source."""
USUAL_STEPS = (200.0, 100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Steps of scales, in the unit that they show; none is coarser than a pound."""
CONVERTED = 3.0
"""A step of another unit is so many times that of the logged numbers; a finer one would fit by chance."""
_POUND_KG = UNITS["lb"].scale
UNSEEN_S, SILENT_S, SILENT = 25.0, 40.0, 3.0
"""Readings further apart than the first may hide a whole change of cylinder. Those as far apart as the second, and so
many times as far as the ones before them, were not taken or not written: as likely as not one was changed then."""
CONNECTED_S = 15.0
"""Between rows far apart a cylinder is put on and connected for so long at least before it is opened, and likely shut
for so long before it is off. Common practice of the trade; no published source."""
SHOWN_S = 0.5
"""So old is what a scale shows when it is read. Common practice; no published source."""
SLOWEST_UPDATE_S = 60.0
"""No scale takes longer for a new number."""


class Edge(NamedTuple):
    """What stands on the plate changed between two readings [s]; before it they came every `usual_s`."""

    before_s: float
    after_s: float
    usual_s: float = np.inf

    @property
    def left_s(self) -> float:
        """When what stood before it left, as likely as not, valve and all."""
        return self.before_s + self._half_s

    @property
    def came_s(self) -> float:
        """When what stands after it came, as likely as not, valve and all."""
        return self.after_s - self._half_s

    @property
    def off_s(self) -> float:
        """How far from either it may have been, by what the scale shows."""
        return SHOWN_S + self.after_s - self.before_s - self._half_s

    @property
    def _half_s(self) -> float:
        """How long mass flowed beyond the reading, as likely as not: half of the usual time, while it is connected."""
        usual_s = min(self.usual_s, self.after_s - self.before_s)
        return 0.5 * (usual_s - CONNECTED_S * (usual_s >= UNSEEN_S))


@dataclass(slots=True)
class Sample:
    """One sample: seconds, its number, what was shown, the least of it, the scale's step and the weight meant [kg].

    `leap` is the largest change lately [kg] that was quicker than any flow, and `edge` where that was, or a silence;
    `bends` how far the halves of its `covers` seconds are apart [kg], and `middle_s` the moment of which it tells;
    `silent_at` when readings last came again that had not come in their turn.
    """

    at: float
    row: int
    raw: float
    low: float
    leap: float
    step: float
    weight: float
    bends: float = 0.0
    covers: float = 0.0
    middle_s: float = -np.inf
    silent_at: float = -np.inf
    edge: Edge | None = None


def between(a: Sample, b: Sample) -> Edge:
    """Return where what one sample tells became what the next one does, which tells something else.

    A weight in between, of a display that averages or a cylinder that stands on its rim, makes several leaps of one.
    """
    if b.edge is not None and b.edge.before_s >= a.middle_s:
        return b.edge
    return Edge(a.middle_s, b.middle_s)


def samples(
    readings: pd.Series, at: np.ndarray, rest: np.ndarray, resolution: np.ndarray
) -> tuple[pd.DatetimeIndex, list[Sample]]:
    """Return stamps and samples of a scale's readings, each by nothing later than its stamp.

    `at` is when they were read [s], `rest` what they come to [kg], `resolution` their step [kg].
    """
    index = pd.DatetimeIndex(readings.index)
    if not len(index):
        return index, []
    shown = readings.to_numpy(dtype=float)
    number = np.floor(at / SAMPLE_S + 1e-6)
    taken = np.flatnonzero(np.diff(number, prepend=-np.inf) > 0)
    middle, low, middle_s = rest[taken], rest[taken], at[taken]
    leap, bends, covers = np.zeros((3, len(taken)))
    edge = np.full(len(taken), -1)
    for some, window in _windows(rest, at, taken, SAMPLE_S):
        count = window.shape[1]
        half = (count + 1) // 2
        covers[some] = at[taken[some]] - at[taken[some] - count + 1]
        bends[some] = np.abs(np.median(window[:, :half], axis=1) - np.median(window[:, -half:], axis=1))
        in_turn = np.sort(window, axis=1)
        low[some] = in_turn[:, 0]
        if count >= 3:  # the lower of two would lag behind a rise; a reading is never mixed of two
            middle[some] = in_turn[:, (count - 1) // 2]
            middle_s[some] -= 0.5 * covers[some]
            apart = np.maximum(middle[some] - in_turn[:, 0], in_turn[:, -1] - middle[some])
            mixed = np.flatnonzero(apart > FASTEST_KG_PER_S * SAMPLE_S)
            here = some[mixed]
            near = np.abs(window[mixed] - middle[here, None]) <= FASTEST_KG_PER_S * SAMPLE_S
            alike = np.where(near, 1.0, np.nan)
            middle[here] = np.nanmedian(alike * window[mixed], axis=1)
            middle_s[here] = np.nanmean(alike * at[taken[here, None] - np.arange(count)], axis=1)
    change = np.abs(np.diff(shown, prepend=shown[:1]))
    leaps = np.where(change > FASTEST_KG_PER_S * np.diff(at, prepend=-np.inf), change, 0.0)
    for some, window in _windows(leaps, at, taken, 2.0 * SAMPLE_S):
        leap[some] = window.max(axis=1)
        leapt = leap[some] > 0.0
        edge[some[leapt]] = taken[some[leapt]] - window[leapt].argmax(axis=1)
    apart = np.diff(at, prepend=at[:1])
    usual = np.concatenate([[np.inf, np.inf], apart[1:-1]])[: len(at)]
    silent = (apart >= SILENT_S) & (apart >= SILENT * usual)
    silence = np.maximum.accumulate(np.where(silent, np.arange(len(at)), -1))[taken]
    silent_at = np.where(silence >= 0, at[silence], -np.inf)
    edge = np.where(at[taken] - silent_at < 2.0 * SAMPLE_S - 1e-6, silence, edge)
    edges = {k: Edge(at[k - 1].item(), at[k].item(), usual[k].item()) for k in np.unique(edge).tolist() if k > 0}
    fresh = _fresh(at[taken], middle, _update_s(at, shown)[taken])
    told = (at[taken], middle, low, leap, resolution[taken], bends, covers, middle_s, silent_at, edge)
    return index[taken[fresh]], [
        Sample(second, row, raw, least, leap_kg, step, raw, bend, cover, tells_s, back_s, edges.get(leapt))
        for row, (second, raw, least, leap_kg, step, bend, cover, tells_s, back_s, leapt) in enumerate(
            zip(*(column[fresh].tolist() for column in told), strict=True)
        )
    ]


def newest(at: np.ndarray, rest: np.ndarray, resolution: np.ndarray, still_kg: float) -> Sample:
    """Return what the scale shows at its last reading: flow is followed up to there, what stands is a sample's median.

    A sample tells the middle of its time: while it flows, the last of them is some seconds behind.
    """
    some = at > at[-1] - SAMPLE_S + 1e-6
    at, shown = at[some], rest[some]
    half = (len(at) + 1) // 2
    (early_s, early), (late_s, late) = ((at[h].mean(), np.median(shown[h])) for h in (slice(half), slice(-half, None)))
    weight = float(np.median(shown))
    if abs(late - early) > still_kg:
        weight = float(late + (late - early) * (at[-1] - late_s) / (late_s - early_s))
    now_s = float(at[-1])
    return Sample(now_s, -1, weight, float(shown.min()), 0.0, float(resolution[-1]), weight, middle_s=now_s)


def _windows(
    values: np.ndarray, at: np.ndarray, taken: np.ndarray, long_s: float
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield the values of the last `long_s` before each of the rows `taken`, for all rows with as many at a time."""
    count = taken - np.searchsorted(at, at[taken] - long_s + 1e-6, side="right") + 1
    for many in np.unique(count).tolist():
        some = np.flatnonzero(count == many)
        yield some, values[taken[some, None] - np.arange(many)]


def _update_s(at: np.ndarray, shown: np.ndarray) -> np.ndarray:
    """Return how long the scale was seen to keep a number while it changes, so far [s], shape (n,).

    A scale slower than the recorder may have its old number written again. Two changes that follow each other
    show its pace; the quickest pair so far counts.
    """
    changed = np.flatnonzero(np.diff(shown, prepend=shown[:1]) != 0.0)
    update = np.full(len(at), SAMPLE_S)
    if len(changed) >= 4:
        apart = np.diff(at[changed])
        pace = np.minimum.accumulate(np.maximum(apart[1:], apart[:-1]))
        known = np.searchsorted(changed[2:], np.arange(len(at)), side="right") - 1
        update = np.where(known >= 1, np.minimum(pace[np.maximum(known, 0)], SLOWEST_UPDATE_S), SAMPLE_S)
    return update


def _fresh(at: np.ndarray, shown: np.ndarray, update_s: np.ndarray) -> np.ndarray:
    """Return which samples say something new: another number, or the old one after the scale's own time; (n,) bool.

    That time has passed at the sample nearest to it: rows come a little early or late.
    """
    fresh = np.ones(len(at), dtype=bool)
    slow = update_s > 1.5 * SAMPLE_S
    if not slow.any():
        return fresh
    last_at, last = -np.inf, np.nan
    due_s = update_s - 0.5 * np.diff(at, prepend=-np.inf)
    for i, (second, number, due, maybe) in enumerate(
        zip(at.tolist(), shown.tolist(), due_s.tolist(), slow.tolist(), strict=True)
    ):
        if maybe and number == last and second - last_at < due:
            fresh[i] = False
        else:
            last_at, last = second, number
    return fresh


def resolution_kg(readings: pd.Series, unit_kg: float) -> np.ndarray:
    """Return the step in which the scale's numbers move, by the readings so far [kg], shape (n,).

    The coarsest usual step of the unit that is logged (`unit_kg`) that nearly all numbers fit, or one of kg or lb where
    the log holds converted and rounded numbers; no change undercuts it. Until a number changed it is not known, and the
    finest is given.
    """
    shown = readings.to_numpy(dtype=float)
    change = np.abs(np.diff(shown, prepend=shown[:1]))
    change[change < 1e-6] = np.inf
    least = np.minimum.accumulate(change)
    logged = np.fmax(_coarsest(shown, unit_kg, 1e-6 * unit_kg), USUAL_STEPS[-1] * unit_kg)
    converted = np.fmax.reduce([_coarsest(shown, UNITS[unit].scale, 0.51 * logged) for unit in ("kg", "lb")])
    rounded = converted >= CONVERTED * logged
    step = np.minimum(np.where(rounded, converted, logged), least + np.where(rounded, logged, 0.0))
    step = np.where(np.isfinite(least), step, 0.0)
    return np.asarray(np.clip(step, 0.02 * _POUND_KG, _POUND_KG))


def _coarsest(shown: np.ndarray, unit_kg: float, near_kg: np.ndarray | float) -> np.ndarray:
    """Return the coarsest usual step [kg] that nearly all numbers so far lie near to, NaN where none is, shape (n,)."""
    count, step = np.arange(1, len(shown) + 1), np.full(len(shown), np.nan)
    for usual in reversed(USUAL_STEPS):
        if usual * unit_kg > 1.001 * max(_POUND_KG, unit_kg):
            continue
        parts = shown / (usual * unit_kg)
        fits = np.cumsum(np.abs(parts - np.round(parts)) * usual * unit_kg < near_kg)
        step = np.where(fits >= 0.95 * count, usual * unit_kg, step)
    return step
