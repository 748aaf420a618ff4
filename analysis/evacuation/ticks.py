"""The vacuum on an even beat: one robust number every quarter of a minute, in the order it became known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import Runs, bin_medians, running_median
from analysis.stretch import Stretch, seconds
from analysis.vocabulary.channels import LEAST_TOP_PA, USUAL_TOP_PA

BIN_S = 15.0
OVER_RANGE = 0.98
"""A reading that stands at this share of the highest ever shown, without moving, is the end of the probe's range."""

GAP_S = 150.0
"""Longer than this without a reading the probe was out of its range, or off."""
QUANTUM_BINS = 60
SCATTER_BINS = 81
CIRCUIT_LEAST_PA = 6e3
"""A circuit gauge, good to 1 or 2 kPa, says something only above this."""


@dataclass(frozen=True)
class Ticks:
    """Arrays of shape (n,), NaN where there was no reading.

    `end_s` since the stage began, `vacuum` [Pa] and the same not smoothed as `raw`, `probe` whether the vacuum probe
    showed it (else the circuit gauge, while the probe was out of its range), `scatter` of ln(vacuum) from bin to bin
    about its trend, `quantum` the least step that the readings made lately [Pa], `moved_s` when one last differed from
    the one before (-inf before any did), `pump` [Pa at the pump inlet], `coldest` and `warmest` temperature known [K];
    `known` is when each bin could first be used, `known_s` in seconds since the stage began.
    """

    end_s: np.ndarray
    known: pd.DatetimeIndex
    known_s: np.ndarray
    vacuum: np.ndarray
    raw: np.ndarray
    probe: np.ndarray
    scatter: np.ndarray
    quantum: np.ndarray
    moved_s: np.ndarray
    pump: np.ndarray
    coldest: np.ndarray
    warmest: np.ndarray

    def __len__(self) -> int:
        return len(self.end_s)


def make_ticks(stretch: Stretch) -> Ticks:
    """Return the ticks of a stage: medians of 15 s, each the median of itself and the two before.

    Bins without a reading of the vacuum are left out, and the first after a gap: a probe that comes into its range, or
    is hit by a single disturbance while it is out of it, does not show the pressure yet.
    """
    wanted = ("vacuum", "pump_vacuum", "surface_temperature", "ambient_temperature", "circuit_pressure")
    channels = [c for c in wanted if c in stretch.frame]
    bins = bin_medians(stretch, channels, BIN_S)
    nothing = np.full(len(bins.end_s), np.nan)

    def values(channel: str) -> np.ndarray:
        return bins.medians[channel].to_numpy(dtype=float) if channel in bins.medians else nothing

    vacuum = stretch.frame["vacuum"].to_numpy(dtype=float)[: bins.runs.rows]
    probe = _in_range(values("vacuum"))
    circuit = values("circuit_pressure")
    raw = np.where(np.isnan(probe) & (circuit > CIRCUIT_LEAST_PA), circuit, probe)
    kept = np.isfinite(raw) & (raw > 0.0)
    gap = np.diff(bins.end_s[kept], prepend=-np.inf) > GAP_S
    kept[np.flatnonzero(kept)[gap]] = False
    log = pd.Series(np.log(np.where(kept, raw, 1.0)))[kept]
    piece = np.cumsum(np.diff(bins.end_s[kept], prepend=-np.inf) > GAP_S)
    smooth = log.groupby(piece).rolling(3, min_periods=1).median().to_numpy(dtype=float)
    bend = (log - 2.0 * log.shift(1) + log.shift(2)).abs()
    spread = bend.rolling(SCATTER_BINS, min_periods=3).median().to_numpy(dtype=float)
    pump = values("pump_vacuum")[kept]
    temperatures = np.vstack([values("surface_temperature"), values("ambient_temperature")])[:, kept]
    filled = pd.DataFrame(temperatures.T).ffill()
    return Ticks(
        end_s=bins.end_s[kept],
        known=pd.DatetimeIndex(bins.known[kept]),
        known_s=seconds(pd.DatetimeIndex(bins.known[kept]), stretch.begin),
        vacuum=np.exp(smooth),
        raw=raw[kept],
        probe=np.isfinite(probe[kept]),
        scatter=np.nan_to_num(1.4826 * spread / np.sqrt(6.0), nan=0.02),
        quantum=_quantum(bins.runs, vacuum)[kept],
        moved_s=_moved(bins.runs, vacuum, seconds(pd.DatetimeIndex(stretch.frame.index), stretch.begin))[kept],
        pump=running_median(pump, 3),
        coldest=filled.min(axis=1).to_numpy(dtype=float),
        warmest=filled.max(axis=1).to_numpy(dtype=float),
    )


def _quantum(bins: Runs, vacuum: np.ndarray) -> np.ndarray:
    """Return for each bin the least step between two readings of the last `QUANTUM_BINS`; 0 before any step."""
    there = ~np.isnan(vacuum)
    steps = np.full(len(vacuum), np.nan)
    steps[there] = np.abs(np.diff(vacuum[there], prepend=np.nan))
    least = pd.Series(bins.least(np.where(steps > 1e-9, steps, np.nan)))
    found: np.ndarray = least.rolling(QUANTUM_BINS, min_periods=1).min().ffill().fillna(0.0).to_numpy(dtype=float)
    return found


def _moved(bins: Runs, vacuum: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return for each bin when a reading last differed from the one before [s]; -inf before any did."""
    there = np.flatnonzero(~np.isnan(vacuum))
    when = np.full(len(vacuum), -np.inf)
    moved = there[1:][np.diff(vacuum[there]) != 0.0]
    when[moved] = at[moved]
    return np.asarray(np.maximum.accumulate(when)[bins.first + bins.count - 1])


def _in_range(vacuum: np.ndarray) -> np.ndarray:
    """Return the readings without those at which the probe stands at the end of its range.

    Such a bin shows the highest number seen so far, a high one, and the bin before showed it too. A number lower than
    where most probes end is an end until the probe first comes down from it: a rise in a hold may level off there.
    """
    highest = np.fmax.accumulate(np.where(np.isfinite(vacuum), vacuum, -np.inf))
    at_end = (vacuum >= OVER_RANGE * highest) & (vacuum > LEAST_TOP_PA) & (vacuum < 20e3)
    at_end &= (vacuum > USUAL_TOP_PA) | np.logical_and.accumulate(at_end)
    before = np.concatenate([[np.nan], vacuum[:-1]])
    return np.where(at_end & (np.abs(vacuum - before) < 1e-3 * vacuum), np.nan, vacuum)


def mark_seconds(stretch: Stretch, *subjects: str) -> list[tuple[float, str]]:
    """Return the marks with one of these subjects as (seconds since the stage began, subject)."""
    marks = stretch.marks(*subjects)
    at = seconds(pd.DatetimeIndex(marks["time"]), stretch.begin)
    return list(zip(at.tolist(), marks["subject"].tolist(), strict=True))
