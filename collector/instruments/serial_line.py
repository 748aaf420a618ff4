"""Instruments that send lines of text over a serial port or a socket, asked or by themselves."""

from __future__ import annotations

import asyncio
import errno
import time
from collections.abc import Sequence
from functools import partial

import serialx

from collector.backoff import Backoff
from collector.instruments.decode import Decoded, LineSplitter, decode_line
from collector.instruments.polling import LATE_S, NoAnswer, keep_trying, log_samples
from collector.instruments.ports import close_serial, open_serial
from collector.instruments.profiles import SerialProfile
from collector.instruments.reading import Fault, Reporter, Sink
from collector.instruments.settings import InstrumentSettings

INBOX_BYTES = 16_384
"""Bytes held that were not yet read; the oldest go first."""


class ByteWire(asyncio.Protocol):
    """The bytes of one serial port: bounded, and every failure an OSError."""

    def __init__(self) -> None:
        self._inbox = bytearray()
        self._wake = asyncio.Event()
        self._broken: OSError | None = None
        self._transport: serialx.BaseSerialTransport | None = None

    @classmethod
    async def open(cls, port: str, profile: SerialProfile) -> ByteWire:
        """Open a port; OSError with the reason when it cannot be."""
        transport, wire = await open_serial(port, profile.serial, cls)
        wire._transport = transport
        return wire

    def data_received(self, data: bytes) -> None:
        """Keep what came in."""
        self._inbox += data
        del self._inbox[:-INBOX_BYTES]
        self._wake.set()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wake the reader with the reason."""
        self._broken = exc if isinstance(exc, OSError) else OSError(errno.EIO, "disconnected")
        self._wake.set()

    async def read(self, timeout_s: float) -> bytes:
        """Return what came in since the last read; TimeoutError after `timeout_s` of silence.

        What comes as the time ends is no silence: so where the machine stood still, and the system kept it meanwhile.
        """
        try:
            async with asyncio.timeout(timeout_s):
                await self._wake.wait()
        except TimeoutError:
            if not self._inbox:
                raise
        if not self._inbox and self._broken is not None:
            raise self._broken
        return self.discard()

    def discard(self) -> bytes:
        """Return and forget what came in and was not read."""
        taken = bytes(self._inbox)
        self._inbox.clear()
        if self._broken is None:
            self._wake.clear()
        return taken

    def write(self, data: bytes) -> None:
        """Send bytes; OSError when the port is gone."""
        if self._broken is not None or self._transport is None:
            raise self._broken or OSError(errno.EIO, "disconnected")
        self._transport.write(data)

    async def close(self) -> None:
        """Close the port and wait until it is free again."""
        if self._transport is not None:
            transport, self._transport = self._transport, None
            await close_serial(transport)


def _serial_profile(instrument: InstrumentSettings) -> SerialProfile:
    assert isinstance(instrument.profile, SerialProfile)
    return instrument.profile


def _wanted(instrument: InstrumentSettings) -> set[str]:
    return {channel.value for channel in instrument.channels}


class StreamingLink:
    """An instrument that talks by itself."""

    def __init__(self, name: str, instrument: InstrumentSettings) -> None:
        self.name = name
        self._instrument = instrument

    async def run(self, sink: Sink) -> None:
        """Feed `sink` until cancelled."""
        reporter = Reporter(self._instrument.name, sink)
        await keep_trying(self.name, [reporter], partial(self._listen, reporter))

    async def _listen(self, reporter: Reporter, backoff: Backoff) -> None:
        """Read lines until the port breaks or falls silent (both OSError)."""
        profile = _serial_profile(self._instrument)
        wanted = _wanted(self._instrument)
        lines = LineSplitter(profile.line.ending.encode("latin-1"), profile.line.max_length, drop_first=True)
        wire = await ByteWire.open(self._instrument.port, profile)
        try:
            while True:
                try:
                    data = await wire.read(profile.timeout_s)
                except TimeoutError:
                    raise OSError(f"silent for {profile.timeout_s:g} s") from None
                for line in lines.feed(data):
                    backoff.reset()
                    log_samples(self._instrument, _decoded(line, profile, wanted), reporter)
        finally:
            await wire.close()


class QueryWire:
    """A serial port over which instruments are asked for a line."""

    def __init__(self, port: str, instruments: Sequence[InstrumentSettings]) -> None:
        self._port = port
        self._profile = _serial_profile(instruments[0])
        self._shared = len(instruments) > 1
        self._late_until = 0.0
        self._wire: ByteWire | None = None

    async def open(self) -> None:
        """Open the port; OSError with the reason when it cannot be."""
        self._wire = await ByteWire.open(self._port, self._profile)

    async def close(self) -> None:
        """Close the port."""
        if self._wire is not None:
            wire, self._wire = self._wire, None
            await wire.close()

    async def ask(self, instrument: InstrumentSettings) -> list[Decoded]:
        """Return what one instrument answers; its echo of the query and other lines before it are skipped."""
        if self._wire is None:
            raise OSError(errno.EIO, "disconnected")
        profile = _serial_profile(instrument)
        wanted = _wanted(instrument)
        query = (profile.line.query or "").replace("{unit}", str(instrument.unit))
        lines = LineSplitter(profile.line.ending.encode("latin-1"), profile.line.max_length)
        faults: list[Decoded] = []
        heard = b""
        await asyncio.sleep(max(0.0, self._late_until - time.monotonic()))
        self._wire.discard()
        self._wire.write(query.encode("latin-1"))
        try:
            async with asyncio.timeout(profile.timeout_s):
                while True:
                    data = await self._wire.read(profile.timeout_s)
                    heard = (heard + data)[-profile.line.max_length :]
                    for line in lines.feed(data):
                        decoded = _decoded(line, profile, wanted)
                        if decoded and not _all_bad(decoded):
                            return decoded
                        faults = faults or decoded
        except TimeoutError:
            if self._shared:
                self._late_until = time.monotonic() + LATE_S
            if faults:
                return faults[:1]
            if heard.strip():
                return [Fault("bad_frame", f"an answer without its ending: {heard[:40]!r}")]
            raise NoAnswer(f"no answer within {profile.timeout_s:g} s") from None


def _decoded(line: bytes | Fault, profile: SerialProfile, wanted: set[str]) -> list[Decoded]:
    return [line] if isinstance(line, Fault) else decode_line(line, profile, wanted)


def _all_bad(decoded: list[Decoded]) -> bool:
    return all(isinstance(item, Fault) and item.kind == "bad_frame" for item in decoded)
