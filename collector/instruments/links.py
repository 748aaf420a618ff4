"""One link for each port, whatever it speaks."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterable
from contextlib import suppress

from collector.instruments.modbus import ModbusWire
from collector.instruments.mqtt import MqttLink
from collector.instruments.polling import PolledLink
from collector.instruments.ports import check_port
from collector.instruments.profiles import MqttProfile, SerialProfile
from collector.instruments.reading import Event, Link, Reading, Sink
from collector.instruments.serial_line import QueryWire, StreamingLink
from collector.instruments.settings import InstrumentSettings
from collector.tasks import end_tasks

STOP_TIMEOUT_S = 5.0


def build_links(instruments: Iterable[InstrumentSettings]) -> list[Link]:
    """Return one link for each port; instruments on one port are asked in turn.

    Raises
    ------
    InputError
        An environment variable with a broker's user or password is not set.
    """
    by_port: dict[str, list[InstrumentSettings]] = {}
    for instrument in instruments:
        by_port.setdefault(instrument.port, []).append(instrument)
    return [_link(port, sharing) for port, sharing in by_port.items()]


class OwnLoopLink:
    """Runs a link in a thread with a selector event loop of its own.

    On Windows serial ports need the proactor loop and the broker's client the selector loop.
    """

    def __init__(self, link: Link) -> None:
        self.name = link.name
        self._link = link

    async def run(self, sink: Sink) -> None:
        """Feed `sink`, on the caller's loop, until cancelled."""
        own = asyncio.SelectorEventLoop()
        task = own.create_task(self._link.run(_Relay(asyncio.get_running_loop(), sink)), name=self.name)

        def in_thread() -> None:
            try:
                with suppress(asyncio.CancelledError):
                    own.run_until_complete(task)
                own.run_until_complete(own.shutdown_default_executor())
            finally:
                own.close()

        thread = asyncio.create_task(asyncio.to_thread(in_thread), name=f"{self.name} thread")
        try:
            await asyncio.shield(thread)
        finally:
            if not thread.done():
                asyncio.run_coroutine_threadsafe(end_tasks([task]), own)
                await asyncio.wait([thread], timeout=STOP_TIMEOUT_S)


class _Relay:
    """A sink that hands everything over to the loop of another sink."""

    def __init__(self, loop: asyncio.AbstractEventLoop, sink: Sink) -> None:
        self._loop = loop
        self._sink = sink

    def reading(self, reading: Reading) -> None:
        self._loop.call_soon_threadsafe(self._sink.reading, reading)

    def event(self, event: Event) -> None:
        self._loop.call_soon_threadsafe(self._sink.event, event)


def _link(port: str, sharing: list[InstrumentSettings]) -> Link:
    profile = sharing[0].profile
    if isinstance(profile, MqttProfile):
        link = MqttLink(port, sharing)
        return OwnLoopLink(link) if sys.platform == "win32" else link
    if not isinstance(profile, SerialProfile):
        return PolledLink(port, sharing, ModbusWire(port, sharing))
    if profile.line.query is None:
        return StreamingLink(port, sharing[0])
    return PolledLink(port, sharing, QueryWire(port, sharing))


async def check_ports(instruments: Iterable[InstrumentSettings]) -> None:
    """Open and close every serial port of this machine once, before recording starts.

    Raises
    ------
    PortError
        The first port that is not there, in use, or cannot be set up as its profile asks.
    """
    checked: set[str] = set()
    for instrument in instruments:
        if instrument.port not in checked and not isinstance(instrument.profile, MqttProfile):
            checked.add(instrument.port)
            await check_port(instrument.port, instrument.profile.serial, f"[[instrument]] {instrument.name!r} port")
