"""How still the figures of a running circuit stand: scatter and drift against what the instruments themselves do.

Rows are gathered into bins of ten seconds; the last five minutes of each figure are fitted with a line. What the
line leaves, less the noise that neighbouring rows show and the step in which the instruments move, is movement of the
circuit.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.bins import Bins, frame_medians
from analysis.fluids import Refrigerant
from analysis.shown import shown
from analysis.startup.figures import running_figures
from analysis.stretch import Stretch

BIN_S = 10.0
WINDOW_S = 300.0
"""Five minutes without movement make a window (common practice)."""
WINDOWS_S = (WINDOW_S, 2.0 * WINDOW_S)
"""Where noise hides the drift over five minutes, twice as long is looked back upon."""
NEVER_DONE = 0.9
"""What moves by this part of what it moved five minutes before, or more, drifts; it does not approach a level."""
SLOWS_S = 1_200.0
"""What slows down by no shorter time constant than this creeps, where it went farther than it may scatter (common
practice)."""
LEAST_PARTS = 4
"""Bins with readings that a window needs."""


@dataclass(frozen=True)
class Tolerance:
    """How much a quantity may do while steady: `scatter` about its trend, `drift` over a window, `departure`."""

    scatter: float
    drift: float
    departure: float


# Common practice of the trade, no published source: half a kelvin is what a field probe can tell, half a psi what two
# gauges can that are read side by side. The drop over a filter halves as its oil warms. A discharge pipe follows the
# metal of its compressor, minutes behind the rest, and is judged by many kelvins: held to half a kelvin as well it
# would keep back what has long stood.
TOLERANCES: Mapping[str, Tolerance] = {
    "suction_superheat": Tolerance(0.6, 0.45, 1.2),
    "discharge_superheat": Tolerance(0.9, 0.8, 2.4),
    "subcooling": Tolerance(0.6, 0.45, 1.2),
    "evaporator_approach": Tolerance(0.5, 0.4, 1.0),
    "condenser_approach": Tolerance(0.5, 0.4, 1.0),
    "oil_filter_drop": Tolerance(3.5e3, 3.5e3, 10e3),
    "compressor_load": Tolerance(0.015, 0.02, 0.03),
}
RUNNING_LOAD = 0.03
RUNNING_PRESSURE_RATIO = 1.25
"""Where no load is read: a stopped circuit equalises towards 1, a running one stands well above."""
NO_HEAT_K, NO_HEAT_S = 0.3, "60s"
"""Where no load is read: what is this near to saturation, by the median of so long, gives or takes no heat (common
practice: an exchanger that works needs half a kelvin and more). Closed valves keep the pressures of a stopped circuit
apart; where both are read two such are asked, since one may be good or its probe off."""

FLICKER = {"temperature": 0.3, "pressure": 3e3, "fraction": 0.01}
"""More noise than this [K, Pa, part] is not put down to an instrument but to the circuit (common practice)."""

NOISE_BINS, QUIET_BINS = 12, 90
"""Noise is a mean over so many bins with readings, the least of those of so many: where rows are slow a circuit that
swings moves as much from one to the next."""

STEP_LAG_S, STEP_LEVEL_S = 240.0, 60.0
"""Another stage shows in the pressures within four minutes; each level is a mean of one minute."""


@dataclass(frozen=True)
class Course:
    """Figures of a running circuit, bin by bin; every array has one number a bin that holds rows.

    Attributes
    ----------
    end_s, known : end of each bin in seconds since the stage began, and the first row after it.
    values : the judged figures and the load, SI.
    judged : names of the figures among them.
    noises : standard error of each in one bin, from the instruments alone.
    scatter, drift : about and along the line through the five minutes before [SI, SI per five minutes].
    stood_s : for how long all have stood still, 0 where one of them does not, shape (n,).
    swinging : whether one of them scatters too much, shape (n,).
    running : whether the compressor runs, shape (n,).
    levels : logarithms of suction and discharge pressure and their standard errors, where no load is logged.
    """

    end_s: np.ndarray
    known: pd.DatetimeIndex
    values: dict[str, np.ndarray]
    judged: list[str]
    noises: dict[str, np.ndarray]
    scatter: dict[str, np.ndarray]
    drift: dict[str, np.ndarray]
    stood_s: np.ndarray
    swinging: np.ndarray
    running: np.ndarray
    levels: tuple[tuple[np.ndarray, np.ndarray], ...] = ()

    @cached_property
    def totals(self) -> Totals:
        """Sums over any bins of each of `values`, in their order."""
        return Totals(np.array(list(self.values.values())))

    @cached_property
    def minutes(self) -> list[np.ndarray]:
        """For each of `levels` its mean over the last minute, and over those one and two `STEP_LAG_S` ago; (3, n)."""
        at = self.end_s - STEP_LAG_S * np.arange(3.0)[:, None]
        first, end = (np.searchsorted(self.end_s, edge, side="right") for edge in (at - STEP_LEVEL_S, at))
        totals = [Totals(level) for level, _ in self.levels]
        return [np.where(one.count(first, end) == end - first, one.mean(first, end), np.nan) for one in totals]

    def bins(self, since_s: float, until_s: float) -> tuple[int, int]:
        """Return the first bin that ends after `since_s`, and the first after `until_s`."""
        first, end = self.end_s.searchsorted((since_s, until_s), side="right").tolist()
        return first, end


class Totals:
    """Sums of some values that may be NaN, along the last axis, asked from any of them up to another.

    Both indices may be arrays, and give as many answers; `values` of more than one axis give one for each row.
    """

    def __init__(self, values: np.ndarray) -> None:
        there = np.isfinite(values)
        row = np.where(there, values, 0.0)
        near = np.zeros((*row.shape[:-1], 1))
        if row.shape[-1]:
            near = np.take_along_axis(row, there.argmax(axis=-1)[..., None], axis=-1)
        apart = np.where(there, row - near, 0.0)  # from the first: squares of large numbers lose small ones
        self.near = near[..., 0]
        self.counts, self.sums, self.squares = (_summed(one) for one in (there, apart, apart**2))

    def count(self, first: np.ndarray | int, end: np.ndarray | int) -> np.ndarray:
        """Return how many there are between bins, shape (…, *shape of the bins), as `mean` and `variance` do."""
        return np.asarray(self.counts[..., end] - self.counts[..., first])

    def mean(self, first: np.ndarray | int, end: np.ndarray | int) -> np.ndarray:
        """Return the mean of those that are there, NaN where none is."""
        near = self.near[(..., *(None,) * np.ndim(end))]
        return np.asarray(near + _part(self.sums[..., end] - self.sums[..., first], self.count(first, end)))

    def variance(self, first: np.ndarray | int, end: np.ndarray | int) -> np.ndarray:
        """Return the variance of those that are there."""
        count = self.count(first, end)
        mean = _part(self.sums[..., end] - self.sums[..., first], count)
        power = _part(self.squares[..., end] - self.squares[..., first], count)
        return np.asarray(np.maximum(power - mean**2, 0.0))


def _summed(values: np.ndarray) -> np.ndarray:
    first = np.zeros((*values.shape[:-1], 1))
    return np.concatenate([first, np.cumsum(values, axis=-1, dtype=float)], axis=-1)


def _part(total: np.ndarray, count: np.ndarray) -> np.ndarray:
    return np.asarray(total / np.where(count > 0.0, count, np.nan))


def course_of(stretch: Stretch) -> Course:
    """Return the figures of a stage by bins, and how still they stand; no bin uses a later row than its own."""
    channels = [str(c) for c in stretch.frame]
    bins = frame_medians(stretch.frame, stretch.begin, channels, BIN_S)
    means, error = _levels(stretch, bins)
    figures = running_figures(means, stretch.fluid)
    noise = _propagated(means, error, figures, stretch.fluid)
    judged = [str(name) for name in figures]
    if "compressor_load" in means and judged:
        figures["compressor_load"] = means["compressor_load"]
        noise["compressor_load"] = error["compressor_load"]
    finite = figures.where(figures.abs() < np.inf)
    values = {str(name): finite[name].to_numpy(dtype=float) for name in finite}
    noises = {name: np.nan_to_num(noise[name].to_numpy(dtype=float), posinf=0.0) for name in values}
    scatter, drift, stood_s, swinging = _trend(values, noises, bins.end_s)
    levels = []
    for name in () if "compressor_load" in means else ("suction_pressure", "discharge_pressure"):
        if name in means and (means[name] > 0.0).any():
            pressure = means[name].where(means[name] > 0.0).to_numpy(dtype=float)
            levels.append((np.log(pressure), error[name].to_numpy(dtype=float) / pressure))
    running = _running(bins.medians, figures)
    return Course(
        bins.end_s, bins.known, values, judged, noises, scatter, drift, stood_s, swinging, running, tuple(levels)
    )


def _levels(stretch: Stretch, bins: Bins) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the mean of each channel in each bin, spikes clipped, and its standard error by noise and step."""
    means, errors = {}, {}
    for name in bins.medians:
        channel = str(name)
        dimension = stretch.columns[channel].unit.dimension if channel in stretch.columns else ""
        seen = shown(stretch, bins, channel)
        means[channel] = seen.mean
        cap = FLICKER.get(dimension, np.inf)
        lately = pd.Series(seen.flicker).rolling(NOISE_BINS, min_periods=1).mean()
        squares = lately.rolling(QUIET_BINS, min_periods=1).min().to_numpy()
        noise = np.minimum(np.nan_to_num(squares), cap**2) / np.maximum(seen.count, 1)
        quantum = np.minimum(np.nan_to_num(seen.step), 2.5 * cap)
        errors[channel] = np.sqrt(noise + quantum**2 / 8.0)
    return pd.DataFrame(means, index=bins.medians.index), pd.DataFrame(errors, index=bins.medians.index)


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
    """Lines through the last bins before each: scatter about them, drift in five minutes and its standard error.

    `filled` tells where they reach far enough.
    """

    scatter: np.ndarray
    drift: np.ndarray
    error: np.ndarray
    filled: np.ndarray


def _lines(values: np.ndarray, length: int) -> _Line:
    """Return the lines through the last `length` of `values`, up to each of them."""
    end = np.arange(1, len(values) + 1)
    first = np.maximum(end - length, 0)
    there = ~np.isnan(values)
    number = np.arange(len(values), dtype=float)
    own, along = Totals(values), Totals(np.where(there, number, np.nan))
    both = _summed(np.where(there, number * (values - own.near), 0.0))
    count = own.count(first, end)
    enough = count >= LEAST_PARTS
    spread = np.where(enough, along.variance(first, end), np.nan)
    together = _part(both[end] - both[first], count) - along.mean(first, end) * (own.mean(first, end) - own.near)
    slope = together / spread
    left = np.maximum(own.variance(first, end) - slope**2 * spread, 0.0)
    scatter = np.sqrt(left * count / np.maximum(count - 2.0, 1.0))
    five = WINDOW_S / BIN_S
    error = scatter / np.sqrt(spread * np.maximum(count, 1.0)) * five
    latest = np.maximum.accumulate(np.where(there, number, -1.0))
    earliest = np.minimum.accumulate(np.where(there, number, np.inf)[::-1])[::-1][first]
    return _Line(scatter, slope * five, error, (latest - earliest >= 0.75 * (length - 1)) & enough)


def _trend(
    values: Mapping[str, np.ndarray], noises: Mapping[str, np.ndarray], end_s: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Return scatter and drift, for how long all have stood still by the end of each bin [s], and who swings.

    A figure stands still by the shortest window in which its drift is known well enough.
    """
    place = np.rint((end_s - end_s[:1]) / BIN_S).astype(np.int64)
    size = int(place[-1]) + 1 if len(place) else 0  # every bin of time, those without rows too
    number, end = np.arange(size), np.arange(1, size + 1)
    scatter, drift = {}, {}
    stood, known = np.full(size, np.inf), np.zeros(size, dtype=bool)
    swinging = np.zeros(size, dtype=bool)
    for name in values:
        tolerance = TOLERANCES[name]
        figure, noise = np.full((2, size), np.nan)
        figure[place], noise[place] = values[name], noises[name]
        noise_of = Totals(noise)
        still = np.zeros(size, dtype=bool)
        open_, there = np.ones(size, dtype=bool), np.zeros(size, dtype=bool)
        since = np.zeros(size)
        for window_s in WINDOWS_S:
            length = int(window_s / BIN_S)
            line = _lines(figure, length)
            own = noise_of.mean(np.maximum(end - length, 0), end)
            swing = np.sqrt(np.maximum(line.scatter**2 - 2.0 * own**2, 0.0))
            sure = (line.error <= 0.5 * tolerance.drift) | (window_s == WINDOWS_S[-1])
            stands = (swing <= tolerance.scatter) & (np.abs(line.drift) - line.error <= tolerance.drift) & line.filled
            if window_s == WINDOW_S:
                scatter[name], drift[name] = line.scatter[place], line.drift[place]
                swings = swing > tolerance.scatter
                swinging |= swings
                open_ &= ~swings  # a longer look would only thin it out
                there = ~np.isnan(line.scatter)
            now = open_ & sure & line.filled
            still |= now & stands
            since = np.where(now, window_s, since)
            open_ &= ~now
        moved = np.maximum.accumulate(np.where(still, -1, number))
        # one that is read no more stood since its last reading, or as long as it did then
        lost = np.maximum.accumulate(np.where(there & ~still & ~np.isnan(figure), number, -1))
        stood = np.minimum(
            stood,
            np.where(still, (number - moved - 1) * BIN_S + since, np.where(there, 0.0, (number - lost - 1) * BIN_S)),
        )
        known |= there & (name != "compressor_load")
    return scatter, drift, np.where(known, stood, 0.0)[place], swinging[place]


def says_running(channels: Container[str]) -> bool:
    """Return whether a load or both pressures are there; else it is taken to run while nothing denies it."""
    return "compressor_load" in channels or ("suction_pressure" in channels and "discharge_pressure" in channels)


def _running(medians: pd.DataFrame, figures: pd.DataFrame) -> np.ndarray:
    """Return for each bin whether the compressor runs, shape (n,)."""
    runs = np.ones(len(medians), dtype=bool)
    if "discharge_pressure" in medians and "suction_pressure" in medians:
        ratio = (medians["discharge_pressure"] / medians["suction_pressure"]).ffill(limit=3)
        runs = ratio.to_numpy(dtype=float) > RUNNING_PRESSURE_RATIO
    elif "compressor_load" in medians:
        runs[:] = False
    if "compressor_load" in medians:
        load = medians["compressor_load"].ffill(limit=3).to_numpy(dtype=float)
        runs = np.where(np.isnan(load), runs, load > RUNNING_LOAD)
    else:
        approaches = ["evaporator_approach", "condenser_approach"]
        asked = [*approaches, "subcooling"] if says_running(medians) else approaches
        near = figures[figures.columns.intersection(asked)]
        near.index = pd.to_timedelta(BIN_S * figures.index.to_numpy(dtype=float), unit="s")
        no_heat = (near.rolling(NO_HEAT_S).median() <= NO_HEAT_K).to_numpy()
        if no_heat.shape[1] >= (2 if says_running(medians) else 1):
            runs &= ~no_heat.all(axis=1)
    return runs


def approaching(course: Course, k: int, since_s: float) -> bool:
    """Return whether a figure surely has farther to go by bin `k` than it may scatter (an exponential approach)."""
    for name, part, doubt, now in _moves(course, k, min(WINDOW_S, (course.end_s[k] - since_s) / 3.0)):
        least = max(part - doubt, 0.0)
        if 0.0 < part + doubt < NEVER_DONE and now * least**1.5 / (1.0 - least) > TOLERANCES[name].scatter:
            return True
    return False


def creeping(course: Course, k: int, since_s: float) -> tuple[str, float] | None:
    """Return a figure that creeps by bin `k`, and over which third of a while; None where none surely does.

    It moves on and slows down little; one that quickens stood before. Asked again and again, so by three errors where
    `approaching` takes two.
    """
    whole_s = (course.end_s[k] - since_s) / 3.0
    for third_s in (min(WINDOWS_S[-1], whole_s), WINDOW_S):
        if min(third_s, whole_s) < WINDOW_S - BIN_S:
            continue
        slows = float(np.exp(-third_s / SLOWS_S))
        for name, part, doubt, now in _moves(course, k, third_s):
            creeps = slows <= part - 1.5 * doubt <= 1.0 / slows
            if creeps and 2.0 * now > TOLERANCES[name].scatter:
                return name, third_s
    return None


def _moves(course: Course, k: int, third_s: float) -> Iterator[tuple[str, float, float, float]]:
    """Yield what moved of means over three times of `third_s` that follow each other up to bin `k`.

    That is its name, the part that the later move is of the one before, how unsure that is, and the size of the later.
    How sure the means are comes from the scatter, of which four neighbouring bins err alike, and from the steps and
    noise of the instruments.
    """
    first = np.searchsorted(course.end_s, course.end_s[k] - third_s * np.array([3.0, 2.0, 1.0]), side="right")
    parts = first, np.append(first[1:], k + 1)
    counts, moves = course.totals.count(*parts), np.diff(course.totals.mean(*parts))
    for name, count, (before, now) in zip(course.values, counts.tolist(), moves.tolist(), strict=True):
        if name not in course.judged or min(count) < LEAST_PARTS:
            continue
        error = float(np.hypot(course.scatter[name][k] * (8.0 / count[-1]) ** 0.5, course.noises[name][k]))
        if abs(before) > error:
            yield name, now / before, 2.0 * error / abs(before), abs(now)


def minutes_left(course: Course, name: str, k: int) -> float | None:
    """Return in how many minutes the drift of one that drifts will be small enough at this trend, None where unknown.

    Two windows that follow each other give the ratio by which the drift shrinks (an exponential approach); what shrinks
    so slowly that it creeps has no time.
    """
    now = abs(float(course.drift[name][k])) / TOLERANCES[name].drift
    before_k = int(np.searchsorted(course.end_s, course.end_s[k] - WINDOW_S))
    before = abs(float(course.drift[name][before_k])) / TOLERANCES[name].drift
    if not now < np.exp(-WINDOW_S / SLOWS_S) * before:
        return None
    return float(WINDOW_S / 60.0 * np.log(now) / np.log(before / now))


def unsteady_figures(course: Course, k: int) -> list[str]:
    """Return the figures that do not stand still at bin `k`, the one that moves most first."""
    excess = {
        name: max(
            abs(float(course.drift[name][k])) / TOLERANCES[name].drift,
            float(course.scatter[name][k]) / TOLERANCES[name].scatter,
        )
        for name in course.judged
        if not np.isnan(course.drift[name][k])
    }
    return sorted((name for name, part in excess.items() if part > 1.0), key=lambda name: -excess[name])
