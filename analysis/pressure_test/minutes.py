"""The log of a standing test minute by minute: what the loss is judged from.

Minutes are counted from the beginning of the stage and only whole ones are given, so a minute never changes
when rows follow; of probes and barometer that holds for all but the last one. Spikes shorter than a tenth of a
minute's readings are trimmed away; averages, not medians, so that a noisy gauge still tells fractions of its last
digit.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analysis.bins import Runs, median_of
from analysis.stretch import Stretch, seconds
from analysis.vocabulary.channels import AIR, METAL, Column
from analysis.vocabulary.units import Unit

MINUTE_S = 60.0
TRIM = 0.1
"""Share of a minute's readings dropped at each end (common practice)."""
SPIKE_WINDOW = 3
"""Minutes of the running median over probes and barometer, as many before a minute as after it: a spike is shorter, and
what came late by a minute would be taken for a lag (common practice)."""
HOLD_MINUTES = 15
"""For this long a blank probe or barometer is taken to stand at its last reading (common practice)."""
FIRST_LOOK, LAST_LOOK = 15, 240
"""Minutes after which the step of a channel's numbers is looked at first and, doubling, last. Nothing is judged
before."""
DIGIT_MOST = 0.05
"""Two pressures further apart than this share of the highest are steps of filling, not digits of a gauge (common
practice: the coarsest gauges of the trade show 2 % of their range; of a temperature 5 % is 15 K)."""


@dataclass(frozen=True)
class Minutes:
    """Minute series, all of shape (n,), NaN where nothing was read.

    Attributes
    ----------
    known : time of the first row at or after the end of each minute.
    logged_pa : pressure as the gauge shows it: above the barometer, or absolute.
    scatter_pa : standard deviation of the readings about their neighbours, for each minute that has any.
    pressure_pa : absolute, with the smoothed barometer.
    probes : air and metal temperature [K], those that are logged; `probe_units` are theirs.
    barometer_pa : smoothed; `barometer_fresh` says where it was really read.
    quantum_pa : step of the gauge's numbers as seen up to each minute.
    probe_quantum_k, probe_scatter_k : the same for each probe.
    """

    known: pd.DatetimeIndex
    logged_pa: np.ndarray
    scatter_pa: np.ndarray
    pressure_pa: np.ndarray
    probes: dict[str, np.ndarray]
    barometer_pa: np.ndarray
    barometer_fresh: np.ndarray
    gauge: bool
    quantum_pa: np.ndarray
    probe_quantum_k: dict[str, np.ndarray]
    probe_scatter_k: dict[str, np.ndarray]
    probe_units: dict[str, Unit]
    _bridged: dict[tuple[str, tuple[float, ...]], np.ndarray] = field(default_factory=dict, init=False, repr=False)

    def __len__(self) -> int:
        return len(self.logged_pa)

    def lagged(self, probe: str, lags_min: tuple[float, ...]) -> np.ndarray:
        """Return a probe behind first-order lags, one after the other; blanks are bridged and stay blank."""
        return np.where(np.isfinite(self.probes[probe]), self._late(probe, lags_min), np.nan)

    def _late(self, probe: str, lags_min: tuple[float, ...]) -> np.ndarray:
        if (probe, lags_min) not in self._bridged:
            if lags_min:
                share = 1.0 - float(np.exp(-1.0 / lags_min[-1]))
                late = pd.Series(self._late(probe, lags_min[:-1])).ewm(alpha=share, adjust=False).mean().to_numpy()
            else:
                values = self.probes[probe]
                there = np.flatnonzero(np.isfinite(values))
                late = np.interp(np.arange(len(values)), there, values[there]) if len(there) else values
            self._bridged[probe, lags_min] = late
        return self._bridged[probe, lags_min]


def minutes_of(stretch: Stretch) -> Minutes:
    """Return the whole minutes of a stretch that has a `circuit_pressure` column."""
    frame = stretch.frame
    index = pd.DatetimeIndex(frame.index)
    at = seconds(index, stretch.begin)
    count = int(at[-1] // MINUTE_S) if len(at) else 0
    number = np.floor(at / MINUTE_S).astype(np.int64)
    known = index[np.searchsorted(at, (np.arange(count) + 1.0) * MINUTE_S)]
    column = stretch.columns["circuit_pressure"]
    logged_rows = stretch.counted("circuit_pressure")
    logged = _trimmed(logged_rows, number, count)
    barometer = _trimmed(stretch.barometer_pa.to_numpy(dtype=float), number, count)
    smooth = _smoothed(barometer)
    smooth = np.where(np.isnan(smooth), _held(smooth, len(smooth)), smooth)
    fresh = np.zeros(count, dtype=bool)
    if "barometer" in frame and stretch.barometer_source == "channel":
        read = frame["barometer"].to_numpy(dtype=float)
        fresh[number[np.isfinite(read) & (number < count)]] = True
    probes, steps, scatters = {}, {}, {}
    for name in (AIR, METAL):
        if name not in frame:
            continue
        rows = frame[name].to_numpy(dtype=float)
        if not np.isfinite(rows[number < count]).any():
            continue
        probes[name] = _held(_smoothed(_trimmed(rows, number, count)), HOLD_MINUTES)
        scatters[name] = _scatter(rows, number, count)
        steps[name] = _quantum(rows, number, count, stretch.columns[name])
    return Minutes(
        known=known,
        logged_pa=logged,
        scatter_pa=_scatter(logged_rows, number, count),
        pressure_pa=logged + (smooth if column.unit.from_barometer else 0.0),
        probes=probes,
        barometer_pa=smooth,
        barometer_fresh=fresh,
        gauge=column.unit.from_barometer,
        quantum_pa=_quantum(logged_rows, number, count, column),
        probe_quantum_k=steps,
        probe_scatter_k=scatters,
        probe_units={name: stretch.columns[name].unit for name in probes},
    )


def first_readings(values: np.ndarray, most: int = 10) -> float:
    """Return the median of the first `most` readings, NaN when there is none."""
    return median_of(values[np.isfinite(values)][:most])


def _trimmed(values: np.ndarray, number: np.ndarray, count: int) -> np.ndarray:
    """Return the trimmed mean of each of `count` minutes; `number`, that of each row, rises."""
    whole = slice(*np.searchsorted(number, (0, count)).tolist())
    runs, mean = Runs(number[whole]), np.full(count, np.nan)
    mean[number[whole][runs.first]] = runs.trimmed_mean(values[whole], TRIM)
    return mean


def _scatter(values: np.ndarray, number: np.ndarray, count: int) -> np.ndarray:
    """Return the standard deviation of readings about the line of their neighbours, of each of `count` minutes.

    The second difference of white readings has six times their variance.
    """
    there = np.isfinite(values) & (number < count) & (number >= 0)
    bent, number = np.diff(values[there], 2), number[there][2:]
    size = np.bincount(number, minlength=count)
    with np.errstate(invalid="ignore"):
        found: np.ndarray = np.sqrt(np.bincount(number, bent**2, minlength=count) / size / 6.0)
    return found


def _smoothed(values: np.ndarray) -> np.ndarray:
    """Return each value without spikes, NaN where the value itself is missing; the last one is known a minute later."""
    middle = pd.Series(values).rolling(SPIKE_WINDOW, min_periods=1, center=True).median()
    return np.where(np.isfinite(values), middle.to_numpy(dtype=float), np.nan)


def _held(values: np.ndarray, most: int) -> np.ndarray:
    """Return the series with blanks of up to `most` minutes filled with the last reading."""
    return values if not len(values) else pd.Series(values).ffill(limit=max(most, 1)).to_numpy(dtype=float)


def _quantum(values: np.ndarray, number: np.ndarray, count: int, column: Column) -> np.ndarray:
    """Return the step of a channel's numbers [SI] as it could be told by the end of each minute.

    The step is the smallest distance between two different numbers, looked at again at 15, 30, 60, 120, …
    minutes; where no two are as close as digits are, the decimal step that the numbers themselves show, at most 1.
    """
    shown = np.round(values / column.unit.scale - column.unit.offset / column.unit.scale, 6)
    there = np.isfinite(shown)
    shown, number = shown[there], number[there]
    step = np.full(count, np.nan)
    look = FIRST_LOOK
    while look <= count:
        seen = np.unique(shown[: np.searchsorted(number, min(look, LAST_LOOK))])
        apart = np.diff(seen)
        largest = float(np.abs(seen + column.unit.offset / column.unit.scale).max(initial=0.0))
        apart = apart[(apart > 2e-6) & (apart < DIGIT_MOST * largest)]
        if len(apart):
            found = float(apart.min())
        elif len(seen):
            found = next(
                (q for q in (1.0, 0.5, 0.1, 0.05, 0.01) if np.all(np.abs(seen / q - np.round(seen / q)) < 1e-4)), 0.001
            )
        else:
            found = np.nan
        step[0 if look == FIRST_LOOK else look :] = found * column.unit.scale
        look *= 2
    return step
