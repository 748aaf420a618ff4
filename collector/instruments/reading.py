"""What instruments hand over: readings, events, and the sink that takes them.

Errors
------
InputError
└── PortError    a port of the job cannot be opened at the start
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, Protocol

from analysis.vocabulary.errors import InputError

EventValue = Literal["lost", "back", "bad_frame", "over_range"]
FaultValue = Literal["bad_frame", "over_range"]

REPEAT_AFTER_S = 60.0
LONGEST_REPEAT_S = 3_600.0
"""A fault that goes on is journalled after the first time, then less and less often: a vacuum probe in air says so for
days. Common practice for alarms."""

UNREADABLE_S = 30.0
"""An instrument that speaks for so long without a word that can be read is as good as lost. Common practice."""


class PortError(InputError):
    """A port named in the job does not exist, is in use, or cannot be set up."""


@dataclass(frozen=True)
class Reading:
    """One fresh reading: a finite `value` of `channel`, in the unit of its column."""

    channel: str
    value: float


@dataclass(frozen=True)
class Event:
    """One line for the journal: kind ``instrument``, subject `instrument`."""

    instrument: str
    value: EventValue
    text: str


@dataclass(frozen=True)
class Sample:
    """One number that an instrument reported under the name `value`, in `unit`, not yet corrected."""

    value: str
    number: float
    unit: str


@dataclass(frozen=True)
class Fault:
    """Why something that an instrument sent gives no reading."""

    kind: FaultValue
    text: str


class Sink(Protocol):
    """Takes what the links produce. Both calls return at once and never raise."""

    def reading(self, reading: Reading) -> None:
        """Take one reading."""

    def event(self, event: Event) -> None:
        """Take one event for the journal."""


class Link(Protocol):
    """One wire with the instruments on it."""

    @property
    def name(self) -> str:
        """The port, for task names and messages."""

    async def run(self, sink: Sink) -> None:
        """Feed `sink` until cancelled. A lost instrument is journalled and asked again, for ever."""


@dataclass
class _Told:
    """When a kind of fault was journalled and met last, how many were not, and how long to the next line."""

    at: float = -math.inf
    met_at: float = -math.inf
    unsaid: int = 0
    pause_s: float = 0.0


@dataclass
class Reporter:
    """One instrument's voice: lost and back are said once, repeated faults now and then.

    One that sends nothing but what cannot be read (noise, a wrong baud rate) is lost too, after `UNREADABLE_S`.
    """

    instrument: str
    sink: Sink
    clock: Callable[[], float] = time.monotonic
    is_lost: bool = False
    _told: dict[FaultValue, _Told] = field(default_factory=dict)
    _unreadable_since: float | None = None

    def good(self, readings: list[Reading]) -> None:
        """Pass on fresh readings; the first after a loss says that the instrument is back."""
        if readings:
            self.heard()
        for reading in readings:
            if math.isfinite(reading.value):
                self.sink.reading(reading)

    def heard(self) -> None:
        """Note that the instrument said something that can be read."""
        self._unreadable_since = None
        if self.is_lost:
            self.is_lost = False
            self.sink.event(Event(self.instrument, "back", "answers again"))

    def lost(self, text: str) -> None:
        """Say once that the instrument is lost."""
        if not self.is_lost:
            self.is_lost = True
            self.sink.event(Event(self.instrument, "lost", text))

    def fault(self, fault: Fault) -> None:
        """Say that a frame gave no reading, now and then and with a count; one that had ceased is said as at first."""
        now = self.clock()
        if fault.kind == "over_range":
            self.heard()
        elif self._unreadable_since is None:
            self._unreadable_since = now
        elif now - self._unreadable_since >= UNREADABLE_S:
            self.lost(f"nothing that can be read for {UNREADABLE_S:g} s: {fault.text}")
        told = self._told.setdefault(fault.kind, _Told())
        if now - told.met_at > REPEAT_AFTER_S:
            told.pause_s = 0.0
        told.met_at = now
        if now - told.at < told.pause_s:
            told.unsaid += 1
            return
        more = f" (and {told.unsaid} more since the last such line)" if told.unsaid else ""
        told.at, told.unsaid = now, 0
        told.pause_s = min(max(2.0 * told.pause_s, REPEAT_AFTER_S), LONGEST_REPEAT_S)
        self.sink.event(Event(self.instrument, fault.kind, fault.text + more))
