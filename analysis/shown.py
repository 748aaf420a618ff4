"""What an instrument shows in each bin: a mean without spikes, how it flickers, and the step in which it moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.bins import Bins
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
    step : the least step between two readings up to this bin.
    count : how many readings the bin has.
    """

    mean: np.ndarray
    flicker: np.ndarray
    step: np.ndarray
    count: np.ndarray


def shown(stretch: Stretch, bins: Bins, channel: str) -> Shown:
    """Return what a channel shows in each bin; no bin uses a later row than its own."""
    column, runs = stretch.columns.get(channel), bins.runs
    readings = stretch.frame[channel].to_numpy(dtype=float)
    own, readings = stretch.counted(channel)[: runs.rows], readings[: runs.rows]  # steps are the instrument's
    fresh = np.flatnonzero(~np.isnan(own))  # an instrument may be slower than the rows
    moved, bent = np.full((2, runs.rows), np.nan)
    moved[fresh[1:]], bent[fresh[2:]] = np.abs(np.diff(own[fresh])), np.diff(own[fresh], 2)
    middle = runs.each(bins.medians[channel].to_numpy(dtype=float))
    most = 4.0 * runs.each(runs.mean(np.abs(readings - middle)))
    least = SMALLEST_STEP.get(column.unit.dimension, 0.0) if column is not None else 0.0
    return Shown(
        runs.mean(middle + np.clip(readings - middle, -most, most)),
        runs.mean(bent**2) / 6.0,
        np.fmin.accumulate(runs.least(np.where(moved > least, moved, np.nan))),
        runs.shown(readings),
    )
