"""How ln(pressure) goes while the pump runs: its slope, and whether it has come to a floor.

A floor is told from a hose that only lets the gas through slowly by the pull's own pace a little above the level.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.bins import running_median
from analysis.evacuation.rise import correlation_length
from analysis.evacuation.ticks import GAP_S, Ticks

WINDOWS_S = (300.0, 420.0, 720.0, 1_080.0, 1_620.0, 2_400.0, 3_600.0, 5_400.0)
"""A trend is taken over the shortest of these that tells it well enough."""
FLAT_PER_MIN = 0.008
"""A stall's ln(pressure) falls by less than this. The hand rule of the trade, 5 % in 15 min, is 0.0034."""
FLAT_SHARE = 0.25
"""And by less than this share of its pace somewhat above the level: a hose alone keeps a third of the pace (viscous
flow, pace in proportion to pressure) or all of it (molecular), a floor takes it all."""
FLAT_ALONE_PER_MIN = 0.0018
"""Where nothing was seen of the pull above the level: slower than this it would take most of a day to halve."""
PACE_FROM, PACE_TO, PACE_LEAST = 4.0, 1.3, 0.25
"""The pace is taken between these multiples of the level, over a fall of ln(pressure) of at least the last."""
SURE, ALONE_SURE = (0.55, 1.3), (0.45, 2.0)
"""How well the slope must be known, as a share of the limit, and how many errors under the limit it must be."""
SMOOTHED = 1.4
"""Running medians of three cost this much of the information of a mean (normal noise, asymptotic efficiency 0.74)."""
CALM_TICKS = 5
SMOOTHED_TICKS = 3


class Trend:
    """Slopes of ln(pressure) over windows that end at a tick. `stretch` and `pull` are the first ticks of the present
    pumping and of the present pull."""

    def __init__(self, ticks: Ticks) -> None:
        self.t = ticks
        self.calm = running_median(ticks.vacuum, CALM_TICKS)
        t, x = ticks.end_s, np.log(ticks.vacuum)
        self.sums = np.cumsum(np.vstack([np.ones_like(x), t, t * t, x, t * x]), axis=1)

    def flat(self, k: int, stretch: int, pull: int) -> bool:
        """Return whether ln(pressure) no longer falls, against its own pace a little above this level."""
        if not -self._slope(k, stretch) < FLAT_PER_MIN:
            return False
        pace = self._pace(k, stretch, pull)
        limit = FLAT_ALONE_PER_MIN if pace is None else min(FLAT_PER_MIN, FLAT_SHARE * pace)
        share, errors = ALONE_SURE if pace is None else SURE
        for window in WINDOWS_S:
            slope, error, first = self._line(k, stretch, window)
            if error <= share * limit and -slope < limit:
                error *= math.sqrt(correlation_length(self._residuals(first, k)))
                if error <= share * limit:
                    return -slope + errors * error < limit
        return False

    def _residuals(self, first: int, k: int) -> np.ndarray:
        """Return what is left of ln(pressure), as read, about its straight line."""
        t, x = self.t.end_s[first : k + 1], np.log(self.t.raw[first : k + 1])
        away = t - t.mean()
        left = x - x.mean() - away * float(away @ x / (away @ away))
        spread = 4.0 * 1.4826 * float(np.median(np.abs(left)))
        clipped: np.ndarray = np.clip(left, -spread, spread)
        return clipped

    def _pace(self, k: int, stretch: int, pull: int) -> float | None:
        """Return how fast ln(pressure) fell a little above this level [1/min], None where that was not seen."""
        at, p = self.t.end_s, self.calm
        level = float(p[k])
        paces = []
        for begin in {max(pull, stretch - 1), pull}:
            lowest = np.minimum.accumulate(p[begin : k + 1])
            from_ = max(0, int(np.searchsorted(-lowest, -PACE_FROM * level)) - 1)
            to = int(np.searchsorted(-lowest, -PACE_TO * level))
            if to > from_:
                fall = math.log(lowest[from_] / (PACE_TO * level))
                if fall >= PACE_LEAST:
                    paces.append(60.0 * fall / float(at[begin + to] - at[begin + from_]))
        return max(paces) if paces else None

    def _slope(self, k: int, stretch: int) -> float:
        """Return the slope of ln(pressure) per minute over the shortest window that tells it, NaN where none does."""
        slope = math.nan
        for window in WINDOWS_S:
            found, error, _ = self._line(k, stretch, window)
            slope = found if math.isfinite(error) else slope
            if error <= 0.5 * FLAT_PER_MIN:
                break
        return slope

    def _line(self, k: int, stretch: int, window_s: float) -> tuple[float, float, int]:
        """Return slope of ln(pressure) per minute, its standard error for independent noise, and the first tick.

        The error is infinite where this stretch of pumping is shorter than the window.
        """
        at = self.t.end_s
        first = max(stretch, int(np.searchsorted(at, at[k] - window_s)))
        span = float(at[k] - at[first])
        n, st, stt, sx, stx = self.sums[:, k] - (self.sums[:, first - 1] if first else 0.0)
        if span < 0.9 * window_s or n < 5:
            return math.nan, math.inf, first
        spread = stt - st * st / n
        slope = 60.0 * float((stx - st * sx / n) / spread)
        noise = 60.0 * float(self.t.scatter[k]) * math.sqrt(SMOOTHED / spread)
        # stairs hide half a step at either end
        return slope, math.hypot(noise, 30.0 * float(self.t.quantum[k] / self.t.vacuum[k]) / span), first


def crossing(t: Ticks, k: int, level_pa: float, first: int) -> float:
    """Return when the readings, under a level at tick `k`, went under it [s]: between two ticks by ln(pressure).

    Smoothed readings are late by a tick or two, so it is looked for as far back in those not smoothed.
    """
    p, at = t.raw, t.end_s
    under = next((j for j in range(max(first, k - SMOOTHED_TICKS), k + 1) if (p[j : k + 1] <= level_pa).all()), k)
    above = under - 1
    if above < first or p[above] <= level_pa or at[under] - at[above] > GAP_S:
        return float(at[under])
    share = math.log(p[above] / level_pa) / math.log(p[above] / p[under])
    return float(at[above] + share * (at[under] - at[above]))
