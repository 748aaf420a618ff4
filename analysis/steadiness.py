"""How still the figures of a running circuit stand: scatter and drift against what the instruments themselves do.

Rows are gathered into bins of ten seconds; the last five minutes of each figure are fitted with a line. What the
line leaves, less the noise that neighbouring rows show and the step in which the instruments move, is movement of the
circuit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.bins import Bins, frame_medians
from analysis.fluids import Refrigerant
from analysis.running_figures import running_figures
from analysis.stretch import Stretch
from analysis.vocabulary.job import STARTUP_FIGURES

BIN_S = 10.0
WINDOW_S = 300.0
"""Five minutes without movement make a window (common practice)."""
WINDOWS_S = (WINDOW_S, 2.0 * WINDOW_S, 4.0 * WINDOW_S)
"""Where noise hides the drift over five minutes, twice and four times as long is looked back upon."""
NEVER_DONE = 0.9
"""What moves by this part of what it moved five minutes before, or more, drifts; it does not approach a level."""
LEAST_PARTS = 4
"""Bins with readings that a window needs."""


@dataclass(frozen=True)
class Tolerance:
    """How much a quantity may do while steady: `scatter` about its trend, `drift` over a window, `departure`."""

    scatter: float
    drift: float
    departure: float


# Common practice of the trade, no published source: half a kelvin is what a field probe can tell.
TOLERANCES: Mapping[str, Tolerance] = {
    "suction_superheat": Tolerance(0.6, 0.45, 1.2),
    "discharge_superheat": Tolerance(0.9, 0.8, 2.4),
    "subcooling": Tolerance(0.6, 0.45, 1.2),
    "evaporator_approach": Tolerance(0.5, 0.4, 1.0),
    "condenser_approach": Tolerance(0.5, 0.4, 1.0),
    "oil_filter_drop": Tolerance(7e3, 7e3, 20e3),
    "compressor_load": Tolerance(0.015, 0.02, 0.03),
}
RUNNING_LOAD = 0.03
RUNNING_PRESSURE_RATIO = 1.25
"""Where no load is logged: a stopped circuit equalises towards 1, a running one stands well above."""

FLICKER = {"temperature": 0.3, "pressure": 3e3, "fraction": 0.01}
"""More noise than this [K, Pa, part] is not put down to an instrument but to the circuit (common practice)."""
SMALLEST_STEP = {"temperature": 1e-3, "pressure": 10.0, "fraction": 1e-5}

STEP_LAG_S, STEP_LEVEL_S = 240.0, 60.0
"""Another stage shows in the pressures within four minutes; each level is a mean of one minute."""
STEP_APART, STEP_ALONE = 0.01, 0.05
"""Another stage of a compressor moves suction and discharge pressure apart, or together, by such a part (some 0.3 K);
where one of them alone is read it must move by more, since water and weather move one as well (common practice)."""
STEP_NOISES, STEP_DRIFTS = 4.0, 3.0


@dataclass(frozen=True)
class Course:
    """Figures of a running circuit, bin by bin; every array and frame has one row a bin that holds rows.

    Attributes
    ----------
    end_s, known : end of each bin in seconds since the stage began, and the first row after it.
    figures : the judged figures and the load, SI.
    judged : names of the figures among them.
    noise : standard error of each in one bin, from the instruments alone.
    scatter, drift : about and along the line through the five minutes before [SI, SI per five minutes].
    stood_s : for how long all have stood still, 0 where one of them does not, shape (n,).
    swinging : whether one of them scatters too much, shape (n,).
    running : whether the compressor runs, shape (n,).
    levels : logarithms of suction and discharge pressure and their standard errors, where no load is logged.
    """

    end_s: np.ndarray
    known: pd.DatetimeIndex
    figures: pd.DataFrame
    judged: list[str]
    noise: pd.DataFrame
    scatter: pd.DataFrame
    drift: pd.DataFrame
    stood_s: np.ndarray
    swinging: np.ndarray
    running: np.ndarray
    levels: tuple[tuple[np.ndarray, np.ndarray], ...] = ()

    @cached_property
    def values(self) -> dict[str, np.ndarray]:
        """The figures as arrays."""
        return {str(name): self.figures[name].to_numpy(dtype=float) for name in self.figures}

    @cached_property
    def noises(self) -> dict[str, np.ndarray]:
        """Their noise as arrays."""
        return {str(name): self.noise[name].to_numpy(dtype=float) for name in self.noise}

    @cached_property
    def minutes(self) -> list[np.ndarray]:
        """For each of `levels` its mean over the last minute, and over those one and two `STEP_LAG_S` ago; (3, n)."""
        at = self.end_s - STEP_LAG_S * np.arange(3.0)[:, None]
        first, end = (np.searchsorted(self.end_s, edge, side="right") for edge in (at - STEP_LEVEL_S, at))
        return [_mean_between(level, first, end) for level, _ in self.levels]


def _mean_between(values: np.ndarray, first: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Return the mean of `values` from `first` up to `end`, NaN where there are none or one of them is NaN."""
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values))])
    blank = np.concatenate([[0], np.cumsum(np.isnan(values))])
    whole = (end > first) & (blank[end] == blank[first])
    return np.where(whole, (total[end] - total[first]) / np.maximum(end - first, 1), np.nan)


def course_of(stretch: Stretch) -> Course:
    """Return the figures of a stage by bins, and how still they stand; no bin uses a later row than its own."""
    channels = [str(c) for c in stretch.frame]
    bins = frame_medians(stretch.frame, stretch.begin, channels, BIN_S)
    means, error = _levels(stretch, bins)
    figures = running_figures(means, stretch.fluid)
    figures = figures.where(figures.abs() < np.inf)
    judged = [str(name) for name in figures]
    noise = _propagated(means, error, figures, stretch.fluid)
    if "compressor_load" in means and judged:
        figures["compressor_load"] = means["compressor_load"]
        noise["compressor_load"] = error["compressor_load"]
    scatter, drift, stood_s, swinging = _trend(figures, noise, bins.end_s)
    levels = []
    for name in () if "compressor_load" in means else ("suction_pressure", "discharge_pressure"):
        if name in means and (means[name] > 0.0).any():
            pressure = means[name].where(means[name] > 0.0).to_numpy(dtype=float)
            levels.append((np.log(pressure), error[name].to_numpy(dtype=float) / pressure))
    running = _running(bins.medians)
    return Course(
        bins.end_s, bins.known, figures, judged, noise, scatter, drift, stood_s, swinging, running, tuple(levels)
    )


def _levels(stretch: Stretch, bins: Bins) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the mean of each channel in each bin, spikes clipped, and its standard error by noise and step.

    A mean, since between two steps of an instrument a median knows only one of them.
    """
    runs, medians = bins.runs, bins.medians
    length = int(WINDOW_S / BIN_S)
    means, errors = {}, {}
    for name in medians:
        channel = str(name)
        dimension = stretch.columns[channel].unit.dimension if channel in stretch.columns else ""
        raw = stretch.frame[channel].to_numpy(dtype=float)
        shown = raw - _datum(stretch, channel)
        steps, raw = np.abs(np.diff(shown, prepend=np.nan))[: runs.rows], raw[: runs.rows]
        middle = runs.each(medians[channel].to_numpy(dtype=float))
        most = 4.0 * runs.each(runs.mean(np.abs(raw - middle)))
        means[channel] = runs.mean(middle + np.clip(raw - middle, -most, most))
        cap = FLICKER.get(dimension, np.inf)
        squares = pd.Series(runs.mean(steps**2)).rolling(length, min_periods=1).mean().to_numpy() / 2.0
        noise = np.minimum(np.nan_to_num(squares), cap**2) / np.maximum(runs.shown(raw), 1)
        step = runs.least(np.where(steps > SMALLEST_STEP.get(dimension, 0.0), steps, np.nan))
        quantum = np.minimum(np.nan_to_num(np.fmin.accumulate(step)), 2.5 * cap)
        errors[channel] = np.sqrt(noise + quantum**2 / 8.0)
    return pd.DataFrame(means, index=medians.index), pd.DataFrame(errors, index=medians.index)


def _datum(stretch: Stretch, channel: str) -> np.ndarray | float:
    """Return what made a gauge's numbers absolute: an instrument's steps are in its own numbers."""
    column = stretch.columns.get(channel)
    if column is None or column.unit.datum != "gauge":
        return 0.0
    return stretch.barometer_pa.to_numpy(dtype=float)


def _propagated(
    means: pd.DataFrame, error: pd.DataFrame, figures: pd.DataFrame, fluid: Refrigerant | None
) -> pd.DataFrame:
    """Return the standard error of each figure: moved by each channel's own error in turn."""
    total = figures * 0.0
    for channel in error:
        if not len(figures.columns) or not str(channel).endswith(("pressure", "temperature", "_filter")):
            continue
        moved = running_figures(means.assign(**{str(channel): means[channel] + error[channel]}), fluid)
        total += (moved - figures) ** 2
    return total**0.5


@dataclass(frozen=True)
class _Line:
    """Lines through the last `length` bins: scatter about them, drift in five minutes and its standard error."""

    scatter: pd.Series
    drift: pd.Series
    error: pd.Series
    filled: pd.Series


def _lines(values: pd.Series, length: int) -> _Line:
    number = pd.Series(np.arange(len(values), dtype=float), index=values.index)
    there = number.where(values.notna())
    rolled, along = (one.rolling(length, min_periods=LEAST_PARTS) for one in (values, there))
    spread = along.var(ddof=0)
    slope = rolled.cov(there, ddof=0) / spread
    left = (rolled.var(ddof=0) - slope**2 * spread).clip(lower=0.0)
    count = values.rolling(length, min_periods=1).count()
    scatter = (left * count / (count - 2.0).clip(lower=1.0)) ** 0.5
    five = WINDOW_S / BIN_S
    error = scatter / (spread * count.clip(lower=1.0)) ** 0.5 * five
    return _Line(
        scatter, slope * five, error, (along.max() - along.min() >= 0.75 * (length - 1)) & (count >= LEAST_PARTS)
    )


def _trend(
    figures: pd.DataFrame, noise: pd.DataFrame, end_s: np.ndarray
) -> tuple[pd.DataFrame, pd.DataFrame, np.ndarray, np.ndarray]:
    """Return scatter and drift, for how long all have stood still by the end of each bin [s], and who swings.

    A figure stands still by the shortest window in which its drift is known well enough.
    """
    place = np.rint(end_s / BIN_S).astype(np.int64)
    grid = range(int(place[0]), int(place[-1]) + 1) if len(place) else range(0)
    full, error = figures.set_axis(place).reindex(grid), noise.set_axis(place).reindex(grid)
    scatter, drift = pd.DataFrame(index=full.index), pd.DataFrame(index=full.index)
    stood, known = np.full(len(full), np.inf), np.zeros(len(full), dtype=bool)
    swinging = np.zeros(len(full), dtype=bool)
    for name in full:
        tolerance = TOLERANCES[str(name)]
        still = np.zeros(len(full), dtype=bool)
        open_, there = np.ones(len(full), dtype=bool), np.zeros(len(full), dtype=bool)
        since = np.zeros(len(full))
        for window_s in WINDOWS_S:
            line = _lines(full[name], int(window_s / BIN_S))
            own = error[name].rolling(int(window_s / BIN_S), min_periods=1).mean()
            swing = (line.scatter**2 - 2.0 * own**2).clip(lower=0.0) ** 0.5
            sure = (line.error <= 0.5 * tolerance.drift).to_numpy() | (window_s == WINDOWS_S[-1])
            stands = (swing <= tolerance.scatter) & (line.drift.abs() - line.error <= tolerance.drift) & line.filled
            if window_s == WINDOW_S:
                scatter[name], drift[name] = line.scatter, line.drift
                swings = (swing > tolerance.scatter).to_numpy(dtype=bool)
                swinging |= swings
                open_ &= ~swings  # a longer look would only thin it out
                there = line.scatter.notna().to_numpy()
            now = open_ & sure & line.filled.to_numpy()
            still |= now & stands.to_numpy()
            since = np.where(now, window_s, since)
            open_ &= ~now
        number = np.arange(len(full))
        moved = np.maximum.accumulate(np.where(still, -1, number))
        stood = np.where(there, np.minimum(stood, np.where(still, (number - moved - 1) * BIN_S + since, 0.0)), stood)
        known |= there & (name != "compressor_load")
    rows = np.searchsorted(full.index.to_numpy(), place)
    return scatter.iloc[rows], drift.iloc[rows], np.where(known, stood, 0.0)[rows], swinging[rows]


def _running(medians: pd.DataFrame) -> np.ndarray:
    """Return for each bin whether the compressor runs, shape (n,)."""
    if "compressor_load" in medians:
        return medians["compressor_load"].ffill(limit=3).to_numpy(dtype=float) > RUNNING_LOAD
    if "discharge_pressure" in medians and "suction_pressure" in medians:
        ratio = (medians["discharge_pressure"] / medians["suction_pressure"]).ffill(limit=3)
        return ratio.to_numpy(dtype=float) > RUNNING_PRESSURE_RATIO
    return np.ones(len(medians), dtype=bool)


def load_step(course: Course, k: int, since_s: float) -> float | None:
    """Return when the compressor took another stage that no load shows, by its pressures; None where it did not [s].

    Looks four minutes back from bin `k`, and as much again for what drifts, never before `since_s`.
    """
    end_s = course.end_s
    then_s = end_s[k] - STEP_LAG_S
    if not course.levels or then_s - STEP_LEVEL_S < since_s - BIN_S / 2.0:
        return None
    least = STEP_APART if len(course.levels) > 1 else STEP_ALONE
    moved = []
    for (level, error), minutes in zip(course.levels, course.minutes, strict=True):
        now, was, before = minutes[:, k].tolist()
        step, noise = now - was, float(error[k])
        if then_s - STEP_LAG_S - STEP_LEVEL_S >= since_s - BIN_S / 2.0:
            if not abs(step) > STEP_DRIFTS * abs(was - before):
                return None
        elif len(course.levels) == 1:
            return None
        if not abs(step) > max(least, STEP_NOISES * noise):
            return None
        moved.append((step, noise, was, level))
    if len(moved) > 1 and moved[0][0] * moved[1][0] > 0.0:
        return None  # water and weather move both one way
    step, noise, was, level = max(moved, key=lambda one: abs(one[0]) / max(one[1], 1e-9))  # it shows it best
    then = int(np.searchsorted(end_s, then_s))
    near = np.flatnonzero(np.abs(level[then:k] - was) <= max(0.15 * abs(step), 2.0 * noise))
    return float(end_s[then + int(near[-1])]) if len(near) else then_s


def approaching(course: Course, k: int, since_s: float) -> bool:
    """Return whether a figure surely still has farther to go by bin `k` than it may scatter.

    Means of three equal times that follow each other, none before `since_s`, give the part by which each move is less
    than the one before (an exponential approach), and so what is left of it. How sure that is comes from the scatter,
    of which four neighbouring bins err alike.
    """
    end_s = course.end_s
    third_s = min(WINDOW_S, (end_s[k] - since_s) / 3.0)
    first, second, third = np.searchsorted(end_s, end_s[k] - third_s * np.array([3.0, 2.0, 1.0]), side="right").tolist()
    for name in course.judged:
        values = course.values[name]
        parts = [part[~np.isnan(part)] for part in (values[first:second], values[second:third], values[third : k + 1])]
        if min(map(len, parts)) < LEAST_PARTS:
            continue
        before, now = np.diff([float(np.mean(part)) for part in parts]).tolist()
        error = float(course.scatter[name].iloc[k]) * (8.0 / len(parts[-1])) ** 0.5
        if not abs(before) > error or not 0.0 < now / before + 2.0 * error / abs(before) < NEVER_DONE:
            continue
        least = max(now / before - 2.0 * error / abs(before), 0.0)
        if abs(now) * least**1.5 / (1.0 - least) > TOLERANCES[name].scatter:
            return True
    return False


def minutes_left(course: Course, name: str, k: int) -> float | None:
    """Return in how many minutes a figure's drift will be small enough at this trend, None where it cannot be told.

    Two windows that follow each other give the ratio by which the drift shrinks (an exponential approach).
    """
    now = abs(float(course.drift[name].iloc[k])) / TOLERANCES[name].drift
    before_k = int(np.searchsorted(course.end_s, course.end_s[k] - WINDOW_S))
    before = abs(float(course.drift[name].iloc[before_k])) / TOLERANCES[name].drift
    if now <= 1.0:
        return 0.0
    if not now < 0.9 * before:
        return None
    return float(WINDOW_S / 60.0 * np.log(now) / np.log(before / now))


def unsteady_figures(course: Course, k: int) -> list[str]:
    """Return the figures that do not stand still at bin `k`, the one that moves most first."""
    excess = {
        name: max(
            abs(float(course.drift[name].iloc[k])) / TOLERANCES[name].drift,
            float(course.scatter[name].iloc[k]) / TOLERANCES[name].scatter,
        )
        for name in course.figures
        if name in STARTUP_FIGURES and not np.isnan(course.drift[name].iloc[k])
    }
    return sorted((name for name, part in excess.items() if part > 1.0), key=lambda name: -excess[name])
