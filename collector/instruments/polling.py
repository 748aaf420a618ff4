"""Asking instruments in turn over one wire, and coming back when the wire or an instrument fails."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

from analysis.vocabulary.errors import StandwatchError
from collector.backoff import Backoff
from collector.instruments.decode import Decoded
from collector.instruments.ports import reason
from collector.instruments.reading import Fault, Reading, Reporter, Sink
from collector.instruments.settings import InstrumentSettings

MISSES_TO_LOSE = 3
"""Unanswered requests in a row after which an instrument is called lost. Common practice."""

LATE_S = 1.0
"""How long after its time limit an answer is still expected. Where it could be taken for the answer to another
question, none is asked before. Common practice: instruments answer within a fraction of a second, or not at all."""


class NoAnswer(Exception):
    """An instrument on a sound wire did not answer in time."""


class Wire(Protocol):
    """What instruments are asked over. One request at a time."""

    async def open(self) -> None:
        """Open it within a bounded time; OSError with the reason when it cannot be."""

    async def close(self) -> None:
        """Close it; safe at any time."""

    async def ask(self, instrument: InstrumentSettings) -> list[Decoded]:
        """Ask one instrument. NoAnswer when it is silent, OSError when the wire broke."""


async def keep_trying(name: str, reporters: Sequence[Reporter], session: Callable[[Backoff], Awaitable[None]]) -> None:
    """Run one session on a wire after another, for ever; a session that ends in an error loses its instruments.

    This is the supervisor of a link: whatever goes wrong in it stays in it. What the sink raises on purpose
    (`StandwatchError`) is passed on.
    """
    backoff = Backoff()
    while True:
        try:
            await session(backoff)
        except StandwatchError:
            raise
        except Exception as error:  # noqa: BLE001
            for reporter in reporters:
                reporter.lost(f"{name}: {reason(error)}")
        await asyncio.sleep(backoff.next_s())


def log_samples(instrument: InstrumentSettings, decoded: Sequence[Decoded], reporter: Reporter) -> None:
    """Hand the samples of one instrument to its channels, and every fault to the journal."""
    readings: list[Reading] = []
    for item in decoded:
        if isinstance(item, Fault):
            reporter.fault(item)
            continue
        for channel in instrument.channels:
            if channel.value == item.value:
                made = channel.reading(item)
                if isinstance(made, Fault):
                    reporter.fault(made)
                else:
                    readings.append(made)
    reporter.good(readings)


@dataclass
class _Turn:
    """When one instrument is due, and how it has answered."""

    instrument: InstrumentSettings
    reporter: Reporter
    due: float
    misses: int = 0
    backoff: Backoff = field(default_factory=Backoff)

    def answered(self, now: float) -> None:
        self.misses = 0
        self.backoff.reset()
        # Beats that went by are left out rather than made up for.
        self.due = max(self.due + self.instrument.interval_s, now)

    def missed(self, now: float, text: str) -> None:
        self.misses += 1
        if self.misses < MISSES_TO_LOSE and not self.reporter.is_lost:
            self.due = max(self.due + self.instrument.interval_s, now)
        else:
            self.reporter.lost(text)
            self.due = now + self.backoff.next_s()


class PolledLink:
    """Instruments that share a wire and are asked in turn, each at its own interval, never two at once.

    A silent instrument is asked less and less often, so the others keep their beat. When all are silent the
    wire is opened afresh.
    """

    def __init__(self, name: str, instruments: Sequence[InstrumentSettings], wire: Wire) -> None:
        self.name = name
        self._instruments = tuple(instruments)
        self._wire = wire

    async def run(self, sink: Sink) -> None:
        """Feed `sink` until cancelled."""
        now = time.monotonic()
        turns = [_Turn(each, Reporter(each.name, sink), now) for each in self._instruments]
        await keep_trying(self.name, [turn.reporter for turn in turns], partial(self._session, turns))

    async def _session(self, turns: list[_Turn], backoff: Backoff) -> None:
        try:
            await self._wire.open()
            await self._take_turns(turns, backoff)
        finally:
            await self._wire.close()

    async def _take_turns(self, turns: list[_Turn], backoff: Backoff) -> None:
        """Ask in turn until the wire breaks (OSError) or every instrument on it is lost (return)."""
        now = time.monotonic()
        for turn in turns:
            turn.due = now
        untried = set(map(id, turns))
        while True:
            turn = min(turns, key=lambda each: each.due)
            await asyncio.sleep(max(0.0, turn.due - time.monotonic()))
            try:
                decoded = await self._wire.ask(turn.instrument)
            except NoAnswer as silence:
                turn.missed(time.monotonic(), str(silence))
                untried.discard(id(turn))
                if not untried and all(each.reporter.is_lost for each in turns):
                    return
            else:
                untried.discard(id(turn))
                backoff.reset()
                turn.answered(time.monotonic())
                log_samples(turn.instrument, decoded, turn.reporter)
