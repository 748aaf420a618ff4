"""Rows gathered into bins of equal time, for judgements that must not depend on what comes later.

Bins are fixed to the beginning of the stage and only whole ones are given: a bin is whole once a row at or
after its end exists. The time of that row is when the bin could first be used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.stretch import Stretch

PIECE_ROWS = 500_000
"""So many rows are sorted at a time: a long log is not to be held twice."""


class Runs:
    """Rows that follow each other and share a number, such as that of their bin; each run as one.

    `number` is that of each run, `count` how many rows it has, both shape (runs,); `rows` how many all have. Blank
    readings (NaN) count nowhere, and a run that has no other gives NaN. What is asked of `values`, shape (rows,), comes
    back as one number a run, shape (runs,).
    """

    def __init__(self, of_row: np.ndarray) -> None:
        self.first = np.flatnonzero(np.diff(of_row, prepend=of_row[:1] - 1))
        self.count = np.diff(self.first, append=len(of_row))
        self.number = of_row[self.first]
        self.rows = len(of_row)

    def shown(self, values: np.ndarray) -> np.ndarray:
        """Return how many readings each run has."""
        found: np.ndarray = np.add.reduceat(~np.isnan(values), self.first, dtype=np.int64)
        return found

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Return the mean of each run."""
        there = np.isfinite(values)
        shown = np.add.reduceat(there, self.first, dtype=float)
        total = np.add.reduceat(np.where(there, values, 0.0), self.first)
        found: np.ndarray = np.divide(total, shown, out=np.full(len(total), np.nan), where=shown > 0.0)
        return found

    def least(self, values: np.ndarray) -> np.ndarray:
        """Return the least reading of each run."""
        found: np.ndarray = np.fmin.reduceat(values, self.first)
        return found

    def median(self, values: np.ndarray) -> np.ndarray:
        """Return the median of each run; runs of the same length are sorted together."""
        found = np.full(len(self.first), np.nan)
        for length in np.unique(self.count):
            some = np.flatnonzero(self.count == length)
            per_piece = max(1, PIECE_ROWS // int(length))
            for begin in range(0, len(some), per_piece):
                part = some[begin : begin + per_piece]
                found[part] = row_medians(values[self.first[part, None] + np.arange(length)])
        return found

    def each(self, of_run: np.ndarray) -> np.ndarray:
        """Return for each row the number that stands for its run, shape (rows,)."""
        return np.repeat(of_run, self.count)


def row_medians(values: np.ndarray) -> np.ndarray:
    """Return the median of each row without its blanks, NaN where there is nothing else; (n, m) gives (n,)."""
    ordered = np.sort(values, axis=1)  # blank ones come last
    shown = ordered.shape[1] - np.isnan(ordered).sum(axis=1)
    each = np.arange(len(ordered))
    return np.asarray(0.5 * (ordered[each, (shown - 1) // 2] + ordered[each, shown // 2]))


@dataclass(frozen=True)
class Bins:
    """Medians of whole bins.

    Attributes
    ----------
    medians : one row a bin that holds rows, one column a channel, NaN where no reading arrived.
    end_s : end of each bin in seconds since the stage began, shape (n,).
    known : time of the first row at or after the end of each bin, shape (n,).
    runs : the rows of each bin, to ask more of them; rows of the last one, which is not whole, are not among them.
    """

    medians: pd.DataFrame
    end_s: np.ndarray
    known: pd.DatetimeIndex
    runs: Runs


def bin_medians(stretch: Stretch, channels: Sequence[str], width_s: float) -> Bins:
    """Return the medians of `channels` in bins of `width_s` seconds, fixed to the stage's beginning."""
    return frame_medians(stretch.frame, stretch.begin, channels, width_s)


def frame_medians(frame: pd.DataFrame, begin: pd.Timestamp, channels: Sequence[str], width_s: float) -> Bins:
    """Return the medians of `channels` in bins of `width_s` seconds, fixed to `begin`."""
    index = pd.DatetimeIndex(frame.index)
    at_us = index.as_unit("us").asi8
    begin_us, width_us = begin.as_unit("us").to_datetime64().astype(np.int64), round(width_s * 1e6)
    number = (at_us - begin_us) // width_us
    runs = Runs(number[: np.searchsorted(number, number[-1])] if len(number) else number)
    end_us = begin_us + (runs.number + 1) * width_us
    medians = {channel: runs.median(frame[channel].to_numpy(dtype=float)[: runs.rows]) for channel in channels}
    return Bins(
        pd.DataFrame(medians, index=runs.number, columns=list(channels), dtype=float),
        (end_us - begin_us) / 1e6,
        index[np.searchsorted(at_us, end_us)],
        runs,
    )
