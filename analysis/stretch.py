"""What a stage's function is given: the rows of the stage, its journal, and the job."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from analysis.fluids import Refrigerant, refrigerant_of
from analysis.result import Figure
from analysis.vocabulary.channels import Column
from analysis.vocabulary.job import Job

BarometerSource = Literal["channel", "stated", "elevation", "assumed"]

LONGEST_INTERVAL_S = 60.0
"""Rows of a log are a minute apart at most."""


def _no_readings() -> pd.Series:
    return pd.Series(dtype=float)


@dataclass(frozen=True)
class Weighed:
    """What is known of the scale beside the rows of a stage that weighs.

    Attributes
    ----------
    left_kg : gross weight with which each cylinder left the scale in the stages before [kg].
    recovered_kg : what was taken out of the circuit before, None when that is not known.
    charged_kg : what a charging before put into the circuit, where nothing took it out since [kg].
    before, after : what the scale showed shortly before the stage's begin and after its end, outside other stages that
        weigh, without blanks [kg]: marks come late and early.
    stood : the rows shortly before, all channels, in which its cylinder may have rested on the scale.
    """

    left_kg: Mapping[str, float] = field(default_factory=dict)
    recovered_kg: float | None = None
    charged_kg: float = 0.0
    before: pd.Series = field(default_factory=_no_readings)
    after: pd.Series = field(default_factory=_no_readings)
    stood: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class Stretch:
    """The part of a log that one stage covers.

    Attributes
    ----------
    stage : one of `channels.STAGES`.
    begin, end : bounds of the stage; `end` is None while it runs (or when nothing says that it ended).
    known_from : the moment from which the stage could be known; no finding may be earlier.
    found_by : ``journal`` or ``signals``.
    marked : the begin that the journal gives to a stage that was known from the signals before.
    frame : rows from `begin` on, index `DatetimeIndex` UTC rising strictly, columns channel names in SI
        (pressure: pascal absolute, temperature: kelvin, mass: kilogram, fraction: 0..1); NaN where no
        fresh reading arrived.
    journal : rows of the same time, columns ``time kind subject value text``; before them what was marked since the
        stage before to make ready: the cylinder put on, water turned on or off.
    columns : how each channel was logged (unit, datum).
    barometer_pa : barometer used for each row, in pascal; `barometer_source` says where it is from.
    disagreed : by how much a channel disagreed with the others when the circuit was last at rest.
    """

    stage: str
    begin: pd.Timestamp
    end: pd.Timestamp | None
    known_from: pd.Timestamp
    found_by: Literal["journal", "signals"]
    frame: pd.DataFrame
    journal: pd.DataFrame
    columns: Mapping[str, Column]
    barometer_pa: pd.Series
    barometer_source: BarometerSource
    job: Job
    weighed: Weighed = field(default_factory=Weighed)
    disagreed: Mapping[str, Figure] = field(default_factory=dict)
    marked: pd.Timestamp | None = None

    @property
    def told(self) -> tuple[pd.Timestamp, Literal["journal", "signals"]]:
        """Return the begin that is told and by what it was found: the journal wins where it speaks."""
        return (self.begin, self.found_by) if self.marked is None else (self.marked, "journal")

    @property
    def fluid(self) -> Refrigerant | None:
        """The circuit's refrigerant, None when the job does not state it."""
        return refrigerant_of(self.job)

    def has(self, channel: str) -> bool:
        """Return whether the channel has at least one reading."""
        return channel in self.frame and bool(self.frame[channel].notna().any())

    def channel(self, name: str) -> pd.Series:
        """Return a channel's readings without the blanks; empty when the channel is absent."""
        if name not in self.frame:
            return pd.Series(np.empty(0), index=self.frame.index[:0], dtype=float)
        return self.frame[name].dropna()

    def counted(self, name: str) -> np.ndarray:
        """Return a channel's rows as its instrument counts: a gauge's above the barometer, SI, shape (n,)."""
        column, rows = self.columns.get(name), self.frame[name].to_numpy(dtype=float)
        from_barometer = column is not None and column.unit.from_barometer
        return rows - self.barometer_pa.to_numpy(dtype=float) if from_barometer else rows

    def marks(self, *subjects: str) -> pd.DataFrame:
        """Return the journal's marks with one of these subjects, in time order."""
        rows = self.journal
        said = zip(rows["kind"], rows["subject"], strict=True)
        return rows.loc[[kind == "mark" and subject in subjects for kind, subject in said]]


def seconds(index: pd.DatetimeIndex, since: pd.Timestamp | None = None) -> np.ndarray:
    """Return seconds since `since` (default: the first stamp) as float64, shape (n,)."""
    if len(index) == 0:
        return np.empty(0)
    start = index[0] if since is None else since
    return np.asarray((index - start) / pd.Timedelta(seconds=1), dtype=float)


def moments(stretch: Stretch) -> np.ndarray:
    """Return when something new was known: each row, and the end that the journal says; seconds, shape (n,).

    What only takes time, such as a hold, is over at the first of them that its time has passed by. The last row before
    that end stands for its interval, so that the end comes as much later.
    """
    rows = seconds(pd.DatetimeIndex(stretch.frame.index), stretch.begin)
    if stretch.end is None or stretch.told[1] != "journal" or len(rows) < 2:
        return rows
    interval = min(float(rows[-1] - rows[-2]), LONGEST_INTERVAL_S)
    return np.append(rows, max((stretch.end - stretch.begin).total_seconds(), float(rows[-1])) + interval)


def first_from(moments_s: np.ndarray, at_s: float) -> float:
    """Return the first of some moments that is not before a time [s], infinite when there is none."""
    i = int(np.searchsorted(moments_s, at_s))
    return float(moments_s[i]) if i < len(moments_s) else np.inf


def stayed(at_s: np.ndarray, ok: np.ndarray, long_s: float) -> np.ndarray:
    """Return where `ok` has been seen for `long_s` without a break, shape (n,) of bool.

    It counts from the first at which it was: what one row alone shows has stayed for no time, however rare rows are.
    """
    begins = ok & ~np.concatenate([[False], ok[:-1]])
    return np.asarray(ok & (at_s - np.maximum.accumulate(np.where(begins, at_s, -np.inf)) >= long_s))


def episodes(
    at_s: np.ndarray, so: np.ndarray, over: np.ndarray, stays_s: float | np.ndarray = 0.0, over_s: float = 0.0
) -> Iterator[tuple[int, float]]:
    """Yield where each episode of something is told, and since when it was so [s].

    Parameters
    ----------
    at_s : when each look was [s], shape (n,), rising.
    so, over : it is so, and surely no more, each shape (n,) of bool; between both nothing begins or ends.
    stays_s : how long it has to be so [s], by what is known at each look: a number, or of shape (n,).
    over_s : how long it has to be over before it is told again [s].
    """
    begun, ended, armed = -1.0, -1.0, True
    enough_s = np.broadcast_to(stays_s, at_s.shape)
    for k, at in enumerate(at_s.tolist()):
        if so[k]:
            begun, ended = (at if begun < 0.0 else begun), -1.0
            if armed and at - begun >= enough_s[k]:
                armed = False
                yield k, begun
        else:
            begun = -1.0
            if over[k]:
                ended = at if ended < 0.0 else ended
                armed = armed or at - ended >= over_s
