"""Rows gathered into bins of equal time, for judgements that must not depend on what comes later.

Bins are fixed to the beginning of the stage and only whole ones are given: a bin is whole once a row at or
after its end exists. The time of that row is when the bin could first be used.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.stretch import Stretch

PIECE_ROWS = 500_000
"""So many rows are sorted at a time: a long log is not to be held twice."""


class Runs:
    """Rows that follow each other and share a number, such as that of their bin; each run as one.

    `first` is the first row of each run, shape (runs,); `rows` how many rows all have. Blank readings (NaN) count
    nowhere, and a run that has no other gives NaN. What is asked of `values`, shape (rows,), comes back as one number
    a run, shape (runs,).
    """

    def __init__(self, of_row: np.ndarray) -> None:
        begins = np.ones(len(of_row), dtype=bool)
        np.not_equal(of_row[1:], of_row[:-1], out=begins[1:])
        self.first = np.flatnonzero(begins)
        self.rows = len(of_row)

    @property
    def count(self) -> np.ndarray:
        """How many rows each run has."""
        count = np.empty_like(self.first)
        np.subtract(self.first[1:], self.first[:-1], out=count[:-1])
        count[-1:] = self.rows - self.first[-1:]
        return count

    def end(self, run: int) -> int:
        """Return the row behind a run."""
        return int(self.first[run + 1]) if run + 1 < len(self.first) else self.rows

    def lasting(self, times: np.ndarray, least_s: float) -> np.ndarray:
        """Return which runs, of more than one row, lasted so long; `times` are those of the rows [s]."""
        count = self.count
        more = np.flatnonzero(count > 1)
        first = self.first[more]
        return np.asarray(more[times[first + count[more] - 1] - times[first] >= least_s])

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

    def medians(self, channels: Sequence[np.ndarray]) -> np.ndarray:
        """Return the median of each run of several `values`, shape (channels, runs)."""
        found = np.full((len(channels), len(self.first)), np.nan)
        for runs, rows in self._alike():
            for of_channel, values in zip(found, channels, strict=True):
                of_channel[runs] = row_medians(values[rows].reshape(len(runs), -1))
        return found

    def trimmed_mean(self, values: np.ndarray, part: float) -> np.ndarray:
        """Return the mean of each run without such a part of its readings at each end."""
        found = np.full(len(self.first), np.nan)
        for runs, rows in self._alike():
            ordered = np.sort(values[rows].reshape(len(runs), -1), axis=1)  # blank ones come last
            shown = np.count_nonzero(~np.isnan(ordered), axis=1)[:, None]
            place, cut = np.arange(ordered.shape[1]), np.floor(part * shown)
            kept = (place >= cut) & (place < shown - cut)
            total = np.cumsum(np.where(kept, ordered, 0.0), axis=1)[:, -1]  # one after the other, whatever the length
            with np.errstate(invalid="ignore"):
                found[runs] = total / kept.sum(axis=1)
        return found

    def _alike(self) -> Iterator[tuple[np.ndarray, slice | np.ndarray]]:
        """Yield runs of the same length, some at a time, and their rows one run after the other."""
        count = self.count
        for length in np.unique(count):
            some = np.flatnonzero(count == length)
            per_piece = max(1, PIECE_ROWS // int(length))
            for begin in range(0, len(some), per_piece):
                part = some[begin : begin + per_piece]
                first, whole = self.first[part], len(part) * int(length)
                together = first[-1] - first[0] + length == whole
                yield part, slice(first[0], first[0] + whole) if together else first[:, None] + np.arange(length)

    def each(self, of_run: np.ndarray) -> np.ndarray:
        """Return for each row the number that stands for its run, shape (rows,)."""
        return np.repeat(of_run, self.count)


def row_medians(values: np.ndarray) -> np.ndarray:
    """Return the median of each row without its blanks, NaN where there is nothing else; (n, m) gives (n,)."""
    ordered = np.sort(values, axis=1)  # blank ones come last
    shown = np.full(len(ordered), ordered.shape[1])
    some = np.flatnonzero(np.isnan(ordered[:, -1:]).any(axis=1))
    shown[some] -= np.count_nonzero(np.isnan(ordered[some]), axis=1)
    each = np.arange(len(ordered))
    return np.asarray(0.5 * (ordered[each, (shown - 1) // 2] + ordered[each, shown // 2]))


def median_of(values: np.ndarray) -> float:
    """Return the median of the readings among some, NaN where there are none."""
    ordered = np.sort(values)  # blank ones come last
    shown = len(ordered) - int(np.count_nonzero(np.isnan(ordered)))
    return 0.5 * float(ordered[(shown - 1) // 2] + ordered[shown // 2]) if shown else np.nan


def running_median(values: np.ndarray, window: int) -> np.ndarray:
    """Return the median of each value and the `window - 1` before it without blanks, shape of `values`."""
    if not len(values):
        return values
    padded = np.concatenate([np.full(window - 1, np.nan), values])
    rows = np.lib.stride_tricks.sliding_window_view(padded, window)
    return row_medians(rows)


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
    number = number[runs.first]
    end_us = begin_us + (number + 1) * width_us
    medians = runs.medians([frame[channel].to_numpy(dtype=float)[: runs.rows] for channel in channels])
    return Bins(
        pd.DataFrame(medians.T, index=number, columns=list(channels)),
        (end_us - begin_us) / 1e6,
        index[np.searchsorted(at_us, end_us)],
        runs,
    )
