"""Rows gathered into bins of equal time, for judgements that must not depend on what comes later.

Bins are fixed to the beginning of the stage and only whole ones are given: a bin is whole once a row at or
after its end exists. The time of that row is when the bin could first be used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.stretch import Stretch, seconds


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
    at = seconds(index, begin)
    number = np.floor(at / width_s).astype(np.int64)
    medians = frame[list(channels)].groupby(number).median()
    end = (medians.index.to_numpy(dtype=float) + 1.0) * width_s
    whole = end <= (at[-1] if len(at) else 0.0)
    first_after = np.searchsorted(at, end[whole])
    return Bins(medians[whole], end[whole], index[first_after])
