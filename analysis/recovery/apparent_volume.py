"""The apparent volume: mass weighed over density lost while the pressure falls, and what follows from it.

While no liquid boils the mass weighed is a straight line over the density: its slope is the circuit's volume, and
carried on to no density it is all that the circuit held but what stands. While liquid boils the slope is steeper.
What boils slowly in a pocket is heated by its surroundings, the more the colder it is: mass that goes with the time
spent cold, not with the density.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.recovery.ticks import Floats, Ticks

MEAN_S = 40.0
"""A fall is looked for in means of this time."""
WINDOWS = (0.08, 0.12, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0, 1.4)
"""Falls of ln(density) over which the apparent volume is taken."""
FEWEST = 4
"""A line through fewer ticks than this says nothing."""
SURE = 2.5
"""Bounds stand this many standard errors apart from the middle."""
TIGHT, SAME = 0.35, 0.1
"""An apparent volume is known when its bounds are this close, and the same as one that differs by no more than that."""
LEAST_FALL, SHORT_FALL, MIXED_S = 0.3, 0.1, 60.0
"""A slow pocket shows over this fall of ln(density) or more, what is in the circuit over the shorter one, and both so
long after what boiled fast has ended."""
BREAK = 2.0
"""An apparent volume that falls to one so many times smaller, from one fall to the next, tells of a pool that ended."""
SLOWEST_S = 10_000.0
"""Without a scale: slower than this, in seconds for a fall by e, is no vapour-only fall worth the name."""


@dataclass(frozen=True)
class Span:
    """Apparent volume [m3] over a fall of density: bounds, middle, and that of the fall before.

    `begin` is its first tick and `before` that of the fall before, `lost` the density lost, `ratio` that of densities.
    `broke`: the volume of the fall before was surely several times larger, so that within it a pool boiled away.
    """

    low: Floats
    middle: Floats
    high: Floats
    earlier: Floats
    begin: np.ndarray
    before: np.ndarray
    window: float
    seconds: Floats
    lost: Floats
    ratio: Floats
    broke: np.ndarray

    @cached_property
    def known(self) -> np.ndarray:
        """Where the bounds are close, shape (m,) of bool."""
        return np.asarray((self.low > 0.0) & (self.spread <= TIGHT))

    @cached_property
    def spread(self) -> Floats:
        """Difference between the bounds as a share of the middle, shape (m,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((self.high - self.low) / self.middle)


def spans_of(sums: Sums) -> list[Span]:
    """Return the apparent volume over each of `WINDOWS` at every tick of a part, arrays of shape (m,)."""
    at, density = sums.at_s, sums.density
    smooth = pd.Series(density, index=pd.to_timedelta(at, unit="s")).rolling(f"{MEAN_S:.0f}s").mean().to_numpy()
    lowest = np.minimum.accumulate(np.where(np.isfinite(smooth), smooth, np.inf))
    spans = []
    for window in WINDOWS:
        j = np.searchsorted(-lowest, -smooth * np.exp(window), side="right") - 1
        there = (j >= 0) & np.isfinite(density)
        j = np.maximum(j, 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(there, smooth[j] / smooth, np.nan)
            seconds = np.where(there, at - at[j], np.nan)
            count, slope, slope_error = sums.line(j)
            weighed = there & (count >= FEWEST)
            middle = np.where(weighed, slope, np.nan)
            # a number that stands still between two steps of the scale has no scatter to show how unsure it is
            lost, resolution = smooth[j] - smooth, 2.0 * sums.mass_error
            unseen = resolution / lost / np.sqrt(1.0 + np.abs(middle) * lost / resolution)
            error = SURE * (1.0 + 2.0 / count) * slope_error + unseen
            low = np.where(weighed, np.maximum(middle - error, 0.0), np.nan)
            high = np.where(weighed, middle + error, np.nan)
        earlier = np.where(weighed, middle[j], np.nan)
        broke = np.where(weighed, low[j], 0.0) > BREAK * high
        first, before, lost = sums.first + j, sums.first + j[j], np.where(there, lost, np.nan)
        spans.append(Span(low, middle, high, earlier, first, before, window, seconds, lost, ratio, broke))
    return spans


@dataclass(frozen=True)
class Standing:
    """What a pull shows of what may stand; arrays of shape (m,).

    `slowly` is the most that may boil in a slow pocket [kg/(K s)], infinite where too little is seen. `whole` is what
    will have been weighed once all vapour is drawn, if no liquid stands, and `unsure` how much that may be off [kg],
    NaN where too little is seen, and where something boils for sure.
    """

    slowly: Floats
    whole: Floats
    unsure: Floats


def standing(sums: Sums, wet: np.ndarray) -> Standing:
    """Return what may stand at every tick of a part, slow pocket or pool.

    Since the last tick that was `wet`, mass is fitted with density and with the time spent cold. Less than nothing is
    a poor fit's, and counts as nothing. Carried on to no density it tells what was in the circuit but for what stands,
    boiling or not.
    """
    at, density = sums.at_s, sums.density
    order = np.arange(len(at))
    since = np.maximum.accumulate(np.where(wet, order, -1))
    j = np.minimum(np.searchsorted(at, at[np.maximum(since, 0)] + MIXED_S), order)
    with np.errstate(divide="ignore", invalid="ignore"):
        plane = sums.plane(j)
        sure = SURE * (1.0 + 2.0 / plane.count)
        most = np.maximum(plane.by_cold, 0.0) + sure * plane.by_cold_error
        seen = (plane.count >= 2 * FEWEST) & (plane.volume > 0.0)
        slow = seen & (density[j] > np.exp(LEAST_FALL) * density) & np.isfinite(most)
        fell = seen & (density[j] > np.exp(SHORT_FALL) * density) & (plane.by_cold <= sure * plane.by_cold_error)
    return Standing(
        np.where(slow, most, np.inf),
        np.where(fell, plane.whole, np.nan),
        np.where(fell, sure * plane.whole_error, np.nan),
    )


@dataclass(frozen=True)
class _Plane:
    """Mass over density [m3] and over time spent cold [kg/(K s)], what comes of it without density [kg], and errors."""

    count: Floats
    volume: Floats
    by_cold: Floats
    by_cold_error: Floats
    whole: Floats
    whole_error: Floats


class Sums:
    """Running sums of density, mass moved, time spent cold and their products over a part of the ticks.

    By them a least-squares line or plane over any stretch of it costs nothing. `cold_k` is how far saturation stands
    under the surroundings at every tick of all [K].
    """

    def __init__(self, ticks: Ticks, part: slice, cold_k: Floats) -> None:
        self.first, self.at_s, self.density = int(part.start), ticks.at_s[part], ticks.density[part]
        cold = np.nan_to_num(np.maximum(cold_k[part], 0.0))
        series = (self.density, ticks.moved_kg[part], np.cumsum(cold * np.diff(self.at_s, prepend=self.at_s[:1])))
        self.mass_error = 0.5 * ticks.mass_resolution_kg[part]
        self.density_error = 0.5 * ticks.resolution_pa[part] / ticks.pressure_pa[part] * self.density
        known = np.logical_and.reduce([np.isfinite(values) for values in series])
        self.begin = [values[known][:1].sum() for values in series]
        self.now = [values - begin for values, begin in zip(series, self.begin, strict=True)]
        columns = [np.where(known, values, 0.0) for values in self.now]
        self.one = self._running(known.astype(float))
        self.single = [self._running(column) for column in columns]
        self.double = {(a, b): self._running(columns[a] * columns[b]) for b in range(3) for a in range(b + 1)}

    @staticmethod
    def _running(values: Floats) -> Floats:
        return np.concatenate([[0.0], np.cumsum(values)])

    def _since(self, j: np.ndarray) -> list[Floats]:
        return [column[1:] - column[j] for column in self.single]

    def _spread(self, a: int, b: int, j: np.ndarray, since: list[Floats], count: Floats) -> Floats:
        product = self.double[a, b][1:] - self.double[a, b][j]
        return np.asarray(product - since[a] * since[b] / count)

    def _error(self, slope: Floats, left: Floats, free: Floats) -> Floats:
        """Return by how much a mass may be off a fit: as much as the squares `left` say, or as readings may be."""
        scatter = np.sqrt(np.maximum(left, 0.0) / np.maximum(free, 1.0))
        return np.asarray(np.maximum(scatter, np.hypot(self.mass_error, np.abs(slope) * self.density_error)))

    def line(self, j: np.ndarray) -> tuple[Floats, Floats, Floats]:
        """Return the ticks from `j` to each, their mass lost over density [m3], and how unsure that is."""
        count, since = self.one[1:] - self.one[j], self._since(j)
        dd, dm, mm = (self._spread(*pair, j, since, count) for pair in ((0, 0), (0, 1), (1, 1)))
        slope = -dm / dd
        return count, slope, self._error(slope, mm - dm * dm / dd, count - 2.0) / np.sqrt(dd)

    def plane(self, j: np.ndarray) -> _Plane:
        """Return the same with mass over time spent cold beside it, and both carried on to no density."""
        count, since = self.one[1:] - self.one[j], self._since(j)
        dd, dm, mm = (self._spread(*pair, j, since, count) for pair in ((0, 0), (0, 1), (1, 1)))
        dc, mc, cc = (self._spread(*pair, j, since, count) for pair in ((0, 2), (1, 2), (2, 2)))
        beside = dd * cc - dc * dc
        slope, by_cold = -(dm * cc - mc * dc) / beside, (mc * dd - dm * dc) / beside
        error = self._error(slope, mm + slope * dm - by_cold * mc, count - 3.0)
        density, mass, cold = (column / count for column in since)
        down, on = self.begin[0] + density, self.now[2] - cold
        whole = self.begin[1] + mass + np.where(by_cold > 0.0, slope * down + by_cold * on, -dm / dd * down)
        far = (cc * down * down + 2.0 * dc * down * on + dd * on * on) / beside
        return _Plane(
            count,
            slope,
            by_cold,
            error * np.sqrt(np.maximum(dd / beside, 0.0)),
            whole,
            error * np.sqrt(1.0 / count + np.maximum(far, 0.0)),
        )


def steady_fall(near: Span, far: Span) -> np.ndarray:
    """Return where the pressure falls like vapour alone: quick enough, and not slower than a while ago."""
    pace, longer = near.seconds / np.log(near.ratio), far.seconds / np.log(far.ratio)
    return np.asarray((pace < SLOWEST_S) & (pace <= 1.25 * longer))
