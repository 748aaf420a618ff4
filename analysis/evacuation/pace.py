"""How fast a pull goes at this moment, and how that pace fades as the pressure falls.

A pump alone keeps its pace, d ln(p)/dt = -s; a hose in viscous flow lets it fade in proportion to the pressure; towards
a floor it fades faster still. All are d ln(p)/dt = -s (p/p_now)^g, so 1 - (p/p_now)^-g over g is straight in time. The
mean pace of the last minutes would be that of where the pressure was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.evacuation.rise import correlation_length
from analysis.evacuation.ticks import Ticks

FADES = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0])
"""The exponents tried: 0 a pump alone or molecular flow, 1 viscous flow, more near a floor."""
HOSE_FADES = 1.0
"""No hose makes the pace fade by more."""
ABOVE, ABOVE_STALLED, LONGEST_S, LEAST_TICKS = 3.0, 1.05, 5_400.0, 4
"""The pace is taken from readings up to so many times the present one (the pull down to a stall says nothing of how it
goes on), of so many seconds at most."""
LEAST_NOISE = 0.003
LAW = 0.1
"""A hose between two regimes of flow, a gauge's scale and a day's warming follow no such law closer (our judgement)."""


@dataclass(frozen=True)
class Pace:
    """At a moment: `level_pa`, `per_s` the fall of ln(pressure) per second, its standard error, and `fade`, g above."""

    level_pa: float
    per_s: float
    error: float
    fade: float

    def seconds_to(self, target_pa: float) -> tuple[float, float, float] | None:
        """Return the time to a lower level [s], low, middle, high; None where it does not surely fall.

        At a pace that stays; that fades as seen, but as a hose's at most; as a hose's, or as seen where that is slower.
        """
        ratio = self.level_pa / target_pa
        slow, fast = self.per_s - 2.0 * self.error, self.per_s + 2.0 * self.error
        if ratio <= 1.0 or slow <= 0.0:
            return None
        middle, most = min(HOSE_FADES, self.fade), max(HOSE_FADES, self.fade)
        return math.log(ratio) / fast, _stretched(ratio, middle) / self.per_s, _stretched(ratio, most) / slow


def _stretched(ratio: float, fade: float) -> float:
    """Return ln(ratio) as it is made longer by a pace that fades."""
    return math.log(ratio) if fade < 0.01 else (ratio**fade - 1.0) / fade


def pace_now(t: Ticks, k: int, stretch: int, *, stalled: bool = False) -> Pace | None:
    """Return the pace at tick `k` of a pumping that began with tick `stretch`, None where too little was seen of it."""
    first = max(stretch, int(np.searchsorted(t.end_s, t.end_s[k] - LONGEST_S)))
    above = np.flatnonzero(t.vacuum[first : k + 1] > (ABOVE_STALLED if stalled else ABOVE) * t.vacuum[k])
    first += int(above[-1]) + 1 if len(above) else 0
    n = k + 1 - first
    if n < LEAST_TICKS:
        return None
    at, x = t.end_s[first : k + 1] - t.end_s[k], np.log(t.raw[first : k + 1] / t.vacuum[k])
    floor = max(LEAST_NOISE, float(t.scatter[k]))
    left, levels, paces, errors = np.array([_fit(at, x, float(fade)) for fade in FADES]).T
    noise = max(floor**2, float(left.min()) / (n - LEAST_TICKS + 1))
    weights = np.exp(-0.5 * (left - left.min()) / noise)
    weights /= weights.sum()
    pace, level = float(weights @ paces), float(weights @ levels)
    error = noise * float(weights @ errors**2) + float(weights @ (paces - pace) ** 2) + (LAW * pace) ** 2
    return Pace(float(t.vacuum[k]) * math.exp(level), pace, math.sqrt(error), float(weights @ FADES))


def _fit(at: np.ndarray, x: np.ndarray, fade: float) -> tuple[float, float, float, float]:
    """Return for one exponent: the sum of squares left in ln(p), ln(p) and its pace now, and the error of the pace."""
    z = x if fade == 0.0 else -np.expm1(-fade * x) / fade
    worth = np.exp(fade * x)  # dx = worth dz
    weights = worth**2
    middle = float(weights @ at / weights.sum())
    away = at - middle
    power = float(weights @ away**2)
    slope = float((weights * away) @ z) / power
    end = float(weights @ z / weights.sum()) - slope * middle
    rest = worth * (z - end - slope * at)
    shrunk = max(0.1, 1.0 - fade * end)  # exp(-fade x) now
    now = -math.log(shrunk) / fade if fade else end
    error = math.sqrt(correlation_length(rest) / power) / shrunk
    return float(rest @ rest), now, -slope / shrunk, error
