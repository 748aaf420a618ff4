"""What an instrument shows in each bin: a mean without spikes, how it flickers, and the step in which it moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.bins import Bins, Runs
from analysis.stretch import Stretch

SMALLEST_STEP = {"temperature": 1e-3, "pressure": 10.0, "fraction": 1e-5}
"""Less than this [K, Pa, part] between two readings is arithmetic, no step of an instrument."""


@dataclass(frozen=True)
class Shown:
    """One channel by bins, SI; arrays of shape (n,), NaN where nothing was read or seen yet.

    Attributes
    ----------
    mean : of the readings, spikes clipped: between two steps of an instrument a median knows only one of them.
    flicker : variance of one reading, by what three that follow each other differ from a straight line.
    step : the least step between two readings up to this bin; what went farther without one is shown as finely as any.
    count : how many readings the bin has.
    """

    mean: np.ndarray
    flicker: np.ndarray
    step: np.ndarray
    count: np.ndarray


def shown(stretch: Stretch, bins: Bins, channel: str) -> Shown:
    """Return what a channel shows in each bin; no bin uses a later row than its own."""
    column, runs = stretch.columns.get(channel), bins.runs
    readings = stretch.frame[channel].to_numpy(dtype=float)[: runs.rows]
    least = SMALLEST_STEP.get(column.unit.dimension, 0.0) if column is not None else 0.0
    mean = _mean(runs, readings, bins.medians[channel].to_numpy(dtype=float))
    own = stretch.counted(channel)[: runs.rows]  # steps are the instrument's
    flicker = runs.mean(_differences(own, 2) ** 2) / 6.0
    went = np.fmax.accumulate(-runs.least(-own)) - np.fmin.accumulate(runs.least(own))
    moved = _differences(own, 1)
    moved[moved <= least] = np.nan
    step = np.fmin.accumulate(runs.least(moved))
    return Shown(mean, flicker, np.where(np.isnan(step) & (went > least), least, step), runs.shown(readings))


def _mean(runs: Runs, readings: np.ndarray, medians: np.ndarray) -> np.ndarray:
    """Return the mean of each run, its readings no further from its median than four times their mean distance."""
    middle = runs.each(medians)
    apart = readings - middle
    most = runs.each(4.0 * runs.mean(np.abs(apart)))
    return runs.mean(middle + np.clip(apart, -most, most, out=apart))


def _differences(readings: np.ndarray, order: int) -> np.ndarray:
    """Return the size of each reading's difference from those before it; an instrument may be slower than the rows."""
    fresh = np.flatnonzero(~np.isnan(readings))
    found = np.full(len(readings), np.nan)
    found[fresh[order:]] = np.abs(np.diff(readings[fresh], order))
    return found
