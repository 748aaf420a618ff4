"""The apparent volume: mass weighed over density lost while the pressure falls, and what follows from it.

While no liquid boils the mass weighed is a straight line over the density: its slope is the circuit's volume, and
carried on to no density it tells what was in the circuit in all. While liquid boils the slope is steeper. What boils
slowly in a pocket is heated by its surroundings, the more the colder it is: mass that goes with the time spent cold,
not with the density.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.recovery.ticks import Floats, Ticks

MEAN_S = 40.0
"""A fall is looked for in means of this time."""
WINDOWS = (0.08, 0.12, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0, 1.4)
"""Falls of ln(density) over which the apparent volume is taken."""
LEAST_UNLIKE = 1e-12
"""Series that are nearly each other's image are told apart down to this share: arithmetic's."""
FEWEST = 4
"""A line through fewer ticks than this says nothing."""
SURE = 2.5
"""Bounds stand this many standard errors apart from the middle."""
TIGHT, SAME = 0.35, 0.1
"""An apparent volume is known when its bounds are this close; it has grown when it grew by more than this share."""
LEAST_FALL, MIXED_S = 0.3, 60.0
"""A slow pocket shows over this fall of ln(density) or more, and so long after what boiled fast has ended."""
COLD, COLD_UNSURE = 0.5, 0.3
"""Gas left behind is colder than its surroundings by none to all of what expanding does to it (`Ticks.expanded`), each
share as likely: the middle one and the standard deviation."""
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

    @property
    def known(self) -> np.ndarray:
        """Where the bounds are close, shape (m,) of bool."""
        return np.asarray((self.low > 0.0) & (self.spread <= TIGHT))

    @property
    def spread(self) -> Floats:
        """Difference between the bounds as a share of the middle, shape (m,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((self.high - self.low) / self.middle)


def spans_of(ticks: Ticks, part: slice) -> list[Span]:
    """Return the apparent volume over each of `WINDOWS` at every tick of a part, arrays of shape (m,)."""
    at, density = ticks.at_s[part], ticks.density[part]
    smooth = pd.Series(density, index=pd.to_timedelta(at, unit="s")).rolling(f"{MEAN_S:.0f}s").mean().to_numpy()
    lowest = np.minimum.accumulate(np.where(np.isfinite(smooth), smooth, np.inf))
    sums = _Sums(ticks.moved_kg[part], density)
    mass_error, density_error = _errors(ticks, part)
    spans = []
    for window in WINDOWS:
        j = np.searchsorted(-lowest, -smooth * np.exp(window), side="right") - 1
        there = (j >= 0) & np.isfinite(density)
        j = np.maximum(j, 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(there, smooth[j] / smooth, np.nan)
            seconds = np.where(there, at - at[j], np.nan)
            line = sums.plane(j, (1,), mass_error, density_error)
            count, slope = line.count, -line.slopes[:, 0]
            weighed = there & (count >= FEWEST)
            middle = np.where(weighed, slope, np.nan)
            # a number that stands still between two steps of the scale has no scatter to show how unsure it is
            lost, resolution = smooth[j] - smooth, 2.0 * mass_error
            unseen = resolution / lost / np.sqrt(1.0 + np.abs(middle) * lost / resolution)
            error = line.sure * line.unsure(0) + unseen
            low = np.where(weighed, np.maximum(middle - error, 0.0), np.nan)
            high = np.where(weighed, middle + error, np.nan)
        earlier = np.where(weighed, middle[j], np.nan)
        broke = np.where(weighed, low[j], 0.0) > BREAK * high
        first, lost = part.start + j, np.where(there, lost, np.nan)
        spans.append(Span(low, middle, high, earlier, first, part.start + j[j], window, seconds, lost, ratio, broke))
    return spans


def slowly_boiling(ticks: Ticks, part: slice, cold_k: Floats, wet: np.ndarray) -> Floats:
    """Return the most that may boil in a slow pocket at every tick of a part [kg/(K s)], shape (m,).

    Since the last tick that was `wet`, mass is fitted with density and with the time spent cold: `cold_k` is how far
    saturation stands under the surroundings [K]. Less than nothing is a poor fit's, and counts as nothing. Infinite
    where too little is seen.
    """
    density = ticks.density[part]
    cold, j = _cold_since(ticks, part, cold_k, wet)
    plane = _Sums(ticks.moved_kg[part], density, cold).plane(j, (1, 2), *_errors(ticks, part))
    volume, by_cold = -plane.slopes[:, 0], plane.slopes[:, 1]
    most = np.maximum(by_cold, 0.0) + plane.sure * plane.unsure(1)
    seen = (plane.count >= 2 * FEWEST) & (density[j] > np.exp(LEAST_FALL) * density) & (volume > 0.0)
    return np.where(seen & np.isfinite(most), most, np.inf)


def in_all(ticks: Ticks, part: slice, cold_k: Floats, wet: np.ndarray) -> tuple[Floats, Floats]:
    """Return what will have been weighed once all vapour is drawn, if no liquid stands, and its error [kg]; (m,).

    Mass since the last tick that was `wet` is fitted with density, with how cold the gas may be and with the time spent
    cold as in `slowly_boiling`, and carried on to no density. What stands is missing from it, whether it boils or not.
    NaN where too little is seen, and where something boils for sure.
    """
    density = ticks.density[part]
    colder = density * ticks.expanded[part]
    cold, j = _cold_since(ticks, part, cold_k, wet)
    errors, none = _errors(ticks, part), np.zeros(len(density))
    sums = _Sums(ticks.moved_kg[part], density + COLD * colder, cold, colder)
    plain = sums.plane(j, (1, 2), *errors)
    with np.errstate(divide="ignore", invalid="ignore"):
        known = (plain.error / (COLD_UNSURE * plain.slopes[:, 0])) ** 2
    still, boiling = sums.plane(j, (1, 3), *errors, known), sums.plane(j, (1, 2, 3), *errors, known)
    by_cold, unsure = boiling.slopes[:, 1], boiling.sure * boiling.unsure(1)
    whole, error = np.where(by_cold > 0.0, boiling.at(none, cold, none), still.at(none, none))
    seen = (plain.count >= 2 * FEWEST) & (by_cold <= unsure)
    return np.where(seen, whole, np.nan), np.where(seen, plain.sure * error, np.nan)


def _cold_since(ticks: Ticks, part: slice, cold_k: Floats, wet: np.ndarray) -> tuple[Floats, np.ndarray]:
    """Return the time spent cold [K s], and from which tick on nothing was `wet` any more, at every tick of a part."""
    at, order = ticks.at_s[part], np.arange(len(wet))
    since = np.maximum.accumulate(np.where(wet, order, -1))
    cold = np.nan_to_num(np.maximum(cold_k[part], 0.0))
    j = np.minimum(np.searchsorted(at, at[np.maximum(since, 0)] + MIXED_S), order)
    return np.cumsum(cold * np.diff(at, prepend=at[:1])), j


def _errors(ticks: Ticks, part: slice) -> tuple[Floats, Floats]:
    """Return by how much a mass [kg] and a density [kg/m3] may be off."""
    of_pressure = 0.5 * ticks.resolution_pa[part] / ticks.pressure_pa[part]
    return 0.5 * ticks.mass_resolution_kg[part], of_pressure * ticks.density[part]


@dataclass(frozen=True)
class _Plane:
    """The first of some series fitted by k others: `slopes` of shape (m, k), `spread` their covariance for an `error`
    of one, `means` of shape (m, 1 + k) of all of them."""

    count: Floats
    slopes: Floats
    spread: Floats
    error: Floats
    means: Floats

    @property
    def sure(self) -> Floats:
        """How many errors make it sure, shape (m,): more where few ticks showed how large they are."""
        return np.asarray(SURE * (1.0 + 2.0 / np.maximum(self.count, 1.0)))

    def unsure(self, number: int) -> Floats:
        """Return the error of a slope, shape (m,)."""
        return np.asarray(self.error * np.sqrt(np.maximum(self.spread[:, number, number], 0.0)))

    def at(self, *point: Floats) -> tuple[Floats, Floats]:
        """Return the first series where the others are at a point, and its error, shapes (m,)."""
        away = np.stack(point, axis=1) - self.means[:, 1:]
        far = np.einsum("mi,mij,mj->m", away, self.spread, away)
        value = self.means[:, 0] + np.einsum("mi,mi->m", self.slopes, away)
        return value, self.error * np.sqrt(np.maximum(1.0 / np.maximum(self.count, 1.0) + far, 0.0))


class _Sums:
    """Running sums of products, so that a least-squares fit over any stretch of ticks costs nothing.

    Of mass moved, density and whatever else the mass goes with.
    """

    def __init__(self, *series: Floats) -> None:
        known = np.logical_and.reduce([np.isfinite(values) for values in series])
        self.begin = [values[known][:1].sum() for values in series]
        columns = [np.where(known, values - begin, 0.0) for values, begin in zip(series, self.begin, strict=True)]
        self.one = self._running(known.astype(float))
        self.single = [self._running(column) for column in columns]
        self.double = {
            (a, b): self._running(columns[a] * columns[b]) for b in range(len(columns)) for a in range(b + 1)
        }

    @staticmethod
    def _running(values: Floats) -> Floats:
        return np.concatenate([[0.0], np.cumsum(values)])

    def _spread(self, a: int, b: int, j: np.ndarray, count: Floats) -> Floats:
        ends = np.arange(1, len(self.one))
        product = self.double[min(a, b), max(a, b)][ends] - self.double[min(a, b), max(a, b)][j]
        first, second = (self.single[column][ends] - self.single[column][j] for column in (a, b))
        return np.asarray(product - first * second / count)

    def plane(
        self, j: np.ndarray, by: tuple[int, ...], mass_error: Floats, density_error: Floats, known: Floats | float = 0.0
    ) -> _Plane:
        """Return the first series fitted by the series `by`, from tick `j` to each; density is the first of them.

        The slope of the last one is `known` to be near none: error over standard deviation, squared.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            count = self.one[1:] - self.one[j]
            products = np.array([[self._spread(a, b, j, count) for b in by] for a in by])
            products[-1, -1] += known
            scale = np.sqrt(np.einsum("iim->im", products))
            alike = np.moveaxis(products / scale[:, None] / scale[None, :], 2, 0) + np.eye(len(by)) * LEAST_UNLIKE
            spread = np.linalg.inv(alike) / (scale[:, None] * scale[None, :]).transpose(2, 0, 1)
            with_first = np.array([self._spread(0, a, j, count) for a in by]).T
            slopes = np.einsum("mij,mj->mi", spread, with_first)
            left = np.maximum(self._spread(0, 0, j, count) - np.einsum("mi,mi->m", slopes, with_first), 0.0)
            scatter = np.sqrt(left / np.maximum(count - 1.0 - len(by), 1.0))
            error = np.maximum(scatter, np.hypot(mass_error, np.abs(slopes[:, 0]) * density_error))
            means = [self.begin[a] + (self.single[a][1:] - self.single[a][j]) / count for a in (0, *by)]
            return _Plane(count, slopes, spread, error, np.array(means).T)


def no_more(span: Span, before: float) -> tuple[np.ndarray, float]:
    """Return where the apparent volume has not grown, and the least so far, which was `before`.

    What boils slowly is a growing share as the pressure falls.
    """
    least = np.minimum(np.fmin.accumulate(np.where(span.known, span.middle, np.inf)), before)
    return np.asarray(span.known & (span.middle <= (1.0 + SAME) * least)), float(least[-1])


def steady_fall(near: Span, far: Span) -> np.ndarray:
    """Return where the pressure falls like vapour alone: quick enough, and not slower than a while ago."""
    pace, longer = near.seconds / np.log(near.ratio), far.seconds / np.log(far.ratio)
    return np.asarray((pace < SLOWEST_S) & (pace <= 1.25 * longer))
