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
"""Rows are gathered piece by piece: a long log is not to be held twice."""


@dataclass(frozen=True)
class Bins:
    """Medians of whole bins.

    Attributes
    ----------
    medians : one row a bin that holds rows, one column a channel, NaN where no reading arrived.
    end_s : end of each bin in seconds since the stage began, shape (n,).
    known : time of the first row at or after the end of each bin, shape (n,).
    """

    medians: pd.DataFrame
    end_s: np.ndarray
    known: pd.DatetimeIndex


def bin_medians(stretch: Stretch, channels: Sequence[str], width_s: float) -> Bins:
    """Return the medians of `channels` in bins of `width_s` seconds, fixed to the stage's beginning."""
    return frame_medians(stretch.frame, stretch.begin, channels, width_s)


def frame_medians(frame: pd.DataFrame, begin: pd.Timestamp, channels: Sequence[str], width_s: float) -> Bins:
    """Return the medians of `channels` in bins of `width_s` seconds, fixed to `begin`."""
    index = pd.DatetimeIndex(frame.index)
    at_us = index.as_unit("us").asi8
    begin_us, width_us = begin.as_unit("us").to_datetime64().astype(np.int64), round(width_s * 1e6)
    columns = frame[list(channels)]
    if not len(at_us):
        return Bins(columns, np.empty(0), index)
    first_bin, last_bin = ((int(at_us[row]) - begin_us) // width_us for row in (0, -1))
    per_piece = max(1, int((last_bin - first_bin + 1) * PIECE_ROWS / len(at_us)))
    parts = []
    for number in range(first_bin, last_bin + 1, per_piece):
        edges = begin_us + np.array((number, number + per_piece)) * width_us
        rows = slice(*np.searchsorted(at_us, edges).tolist())
        if rows.start < rows.stop:
            parts.append(columns.iloc[rows].groupby((at_us[rows] - begin_us) // width_us).median())
    medians = pd.concat(parts) if len(parts) > 1 else parts[0]
    end_us = begin_us + (medians.index.to_numpy() + 1) * width_us
    whole = end_us <= at_us[-1]
    first_after = np.searchsorted(at_us, end_us[whole])
    return Bins(medians[whole], (end_us[whole] - begin_us) / 1e6, index[first_after])
