"""The recorder's beat and its clocks, and the stamps that rows get from them.

Rows keep to a monotonic clock. Their stamps are the wall clock's at the start plus the monotonic time since:
a wall clock that is put back changes nothing but a journal row, one that is put forward (or a laptop that slept)
moves the stamps forward with it, and a log that is gone on with goes on behind its last stamp: stamps always rise.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable
from dataclasses import dataclass

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job import Job
from analysis.vocabulary.units import parse_quantity

STEP_S = 1.0
"""The wall clock was set when it differs from the monotonic one by more than this."""
READ_AGAIN = 5


def interval_of(job: Job) -> float:
    """Return the sampling interval of `[recorder] interval` [s], 1 s when absent.

    Raises
    ------
    InputError
        Unknown keys, or an interval outside 0.1 s to 60 s.
    """
    unknown = set(job.recorder) - {"interval"}
    if unknown:
        raise InputError(f"recorder.{sorted(unknown)[0]}: unknown key; expected interval")
    said = job.recorder.get("interval", "1 s")
    interval = parse_quantity(said, "time", "recorder.interval")
    if not 0.1 <= interval <= 60.0:
        raise refused("recorder.interval", said, "from 0.1 s to 60 s")
    return interval


def _utc_now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


@dataclass(frozen=True)
class Clocks:
    """The recorder's two clocks: `monotonic` [s] never falls, `wall` is the time of day.

    `speed` is how many of their seconds pass in a real one; only a simulation has another than 1.
    """

    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], datetime.datetime] = _utc_now
    speed: float = 1.0

    def together(self) -> tuple[float, datetime.datetime]:
        """Return both as of one moment: where this process stood still between them they are read again.

        Else a pause just there would look like a clock that was set.
        """
        for _ in range(READ_AGAIN):
            monotonic, wall = self.monotonic(), self.wall()
            if self.monotonic() - monotonic <= STEP_S / 10 * max(1.0, self.speed):
                break
        return monotonic, wall


class Anchor:
    """Ties stamps to the monotonic clock; none is earlier than `after` or than one that was given before."""

    def __init__(self, clocks: Clocks, after: datetime.datetime | None = None) -> None:
        self._clocks = clocks
        (self._monotonic, self._wall), self._ahead_s = clocks.together(), 0.0
        if after is not None and after >= self._wall:
            after += datetime.timedelta(milliseconds=1)
            self._ahead_s = (self._wall - after).total_seconds()
            self._wall = after

    def now(self) -> datetime.datetime:
        """Return the time to stamp with."""
        return self.at(self._clocks.monotonic())

    def at(self, monotonic: float) -> datetime.datetime:
        """Return the stamp of a moment of the monotonic clock [s]."""
        return self._wall + datetime.timedelta(seconds=monotonic - self._monotonic)

    def stepped(self) -> str | None:
        """Return what to say of a wall clock that was set; None when it was not.

        Stamps follow a clock that is ahead of them. One that is behind is only told, once for each step.
        """
        monotonic, wall = self._clocks.together()
        ahead_s = (wall - self.at(monotonic)).total_seconds()
        limit_s = STEP_S * max(1.0, self._clocks.speed)
        step_s = ahead_s - self._ahead_s
        if abs(step_s) <= limit_s:
            return None
        self._ahead_s = ahead_s
        if ahead_s > limit_s:
            self._wall, self._monotonic, self._ahead_s = wall, monotonic, 0.0
            return f"the clock went forward by {step_s:.1f} s (set, or the machine slept); stamps follow it"
        where = "agrees with the stamps again" if abs(ahead_s) <= limit_s else f"is {-ahead_s:.1f} s behind the stamps"
        return f"the clock was set by {step_s:+.1f} s and {where}; stamps go on as they were"
