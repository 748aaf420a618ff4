"""The bench behind real wires: a Modbus TCP server, and text instruments on pseudo-terminals or TCP sockets.

What the wires carry is what `shown` holds at the moment of asking: channel to number in the log's unit, or None
where the instrument shows no number.
"""

from __future__ import annotations

import asyncio
import os
import struct
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from collector.tasks import end_tasks

HOST = "127.0.0.1"
STOOD_STILL_S = 60.0
"""Instruments that talk by themselves are not called silent where the computer, and with it the bench, stood still for
less than this: a port that is opened again costs minutes of the bench's clock."""
Shown = Mapping[str, float | None]

PANEL_UNIT, GAUGES_UNIT = 1, 2
PANEL_CHANNELS = (
    "entering_water_temperature",
    "leaving_water_temperature",
    "condenser_entering_temperature",
    "condenser_leaving_temperature",
    "suction_pressure",
    "suction_temperature",
    "discharge_pressure",
    "discharge_temperature",
    "liquid_pressure",
    "liquid_temperature",
    "oil_pressure_before_filter",
    "oil_pressure_after_filter",
    "oil_temperature",
    "compressor_load",
)
"""Floats in input registers 0, 2, 4, … of the panel; `config/instruments/bench-panel.toml` reads them."""
GAUGE_CHANNELS = (
    "cylinder_pressure",
    "cylinder_temperature",
    "ambient_temperature",
    "surface_temperature",
    "barometer",
)
"""Signed tenths in holding registers 0 to 4 of the gauges; `config/instruments/bench-gauges.toml` reads them."""


def panel_registers(shown: Shown) -> list[int]:
    """Return the panel's registers: one big-endian float for each channel, NaN for no number."""
    numbers = [shown.get(channel) for channel in PANEL_CHANNELS]
    packed = b"".join(struct.pack(">f", float("nan") if number is None else number) for number in numbers)
    return list(struct.unpack(f">{len(packed) // 2}H", packed))


def gauge_registers(shown: Shown) -> list[int]:
    """Return the gauges' registers: tenths as 16 bits, two's complement; 0x8000 for no number."""
    numbers = [shown.get(channel) for channel in GAUGE_CHANNELS]
    tenths = [-32768 if n is None else max(-32767, min(32767, round(10.0 * n))) for n in numbers]
    return [number & 0xFFFF for number in tenths]


class ModbusInstruments:
    """Panel and gauges on one Modbus TCP server."""

    def __init__(self, shown: Callable[[], Shown]) -> None:
        self._devices = [
            _device(PANEL_UNIT, lambda: panel_registers(shown()), 2 * len(PANEL_CHANNELS)),
            _device(GAUGES_UNIT, lambda: gauge_registers(shown()), len(GAUGE_CHANNELS)),
        ]
        self._server: ModbusTcpServer | None = None
        self.url = ""

    async def start(self) -> None:
        """Listen on a free port; `url` says which."""
        self._server = ModbusTcpServer(self._devices, address=(HOST, 0))
        await self._server.serve_forever(background=True)
        transport: Any = self._server.transport
        self.url = f"tcp://{HOST}:{transport.sockets[0].getsockname()[1]}"

    async def close(self) -> None:
        """Stop listening and drop who is connected."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]
            self._server = None


def _device(unit: int, registers: Callable[[], list[int]], count: int) -> SimDevice:
    async def refresh(
        _function: int, _start: int, _address: int, _count: int, current: list[int], _set: list[int] | list[bool] | None
    ) -> ExcCodes | None:
        current[:count] = registers()
        return None

    block = SimData(0, count=count, values=0, datatype=DataType.REGISTERS)
    return SimDevice(unit, simdata=[block], action=refresh)


@dataclass(frozen=True)
class TextInstrument:
    """How a text instrument talks: `line` makes what it sends when it hears `query`, or by itself when that is None."""

    name: str
    line: Callable[[Shown], bytes]
    query: bytes | None = None
    every_s: float = 0.1


def scale_line(shown: Shown) -> bytes:
    """Return what the scale says: ``ST,GS,+ 152.35 lb``."""
    weight = shown.get("cylinder_weight")
    return b"OL\r\n" if weight is None else f"ST,GS,{weight:+9.2f} lb\r\n".encode()


def vacuum_line(channel: str) -> Callable[[Shown], bytes]:
    """Return what a vacuum probe says of a channel: ``00512 micron``, ``ATM`` above its range."""

    def line(shown: Shown) -> bytes:
        micron = shown.get(channel)
        return b"ATM\r" if micron is None else f"{micron:05.0f} micron\r".encode()

    return line


def gauge_line(shown: Shown) -> bytes:
    """Return what the circuit's gauge answers: ``  123.4 psig``."""
    pressure = shown.get("circuit_pressure")
    return b"OL\r\n" if pressure is None else f"{pressure:7.1f} psig\r\n".encode()


class TextWire:
    """One text instrument on a pseudo-terminal, or on a TCP socket where there are none."""

    def __init__(self, instrument: TextInstrument, shown: Callable[[], Shown], *, sockets: bool | None = None) -> None:
        self._instrument = instrument
        self._shown = shown
        self._sockets = sys.platform == "win32" if sockets is None else sockets
        self._master = self._slave = -1
        self._server: asyncio.Server | None = None
        self._peers: set[asyncio.StreamWriter] = set()
        self._talking: asyncio.Task[None] | None = None
        self._heard = b""
        self.port = ""

    async def start(self) -> None:
        """Open the wire; `port` says what a serial client opens."""
        if self._sockets:
            self._server = await asyncio.start_server(self._serve, HOST, 0)
            self.port = f"socket://{HOST}:{self._server.sockets[0].getsockname()[1]}"
        else:
            import tty

            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self.port = os.ttyname(self._slave)
            if self._instrument.query is not None:
                asyncio.get_running_loop().add_reader(self._master, self._readable)
        if self._instrument.query is None:
            self._talking = asyncio.create_task(self._talk(), name=f"bench {self._instrument.name}")

    async def close(self) -> None:
        """Stop talking and take the wire away."""
        if self._talking is not None:
            await end_tasks([self._talking])
            self._talking = None
        if self._server is not None:
            self._server.close()
            for peer in list(self._peers):
                peer.close()
            await self._server.wait_closed()
            self._server = None
        if self._master >= 0:
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = -1

    async def _talk(self) -> None:
        while True:
            self._send(self._instrument.line(self._shown()))
            await asyncio.sleep(self._instrument.every_s)

    def _send(self, data: bytes) -> None:
        """Send to whoever listens; what nobody reads is lost, as on a real line."""
        if self._master >= 0:
            with suppress(BlockingIOError):
                os.write(self._master, data)
        for peer in self._peers:
            if peer.transport.get_write_buffer_size() < 4096:
                peer.write(data)

    def _readable(self) -> None:
        with suppress(BlockingIOError, OSError):
            self._take(os.read(self._master, 256))

    def _take(self, data: bytes) -> None:
        query = self._instrument.query
        assert query is not None
        self._heard = (self._heard + data)[-64:]
        while query in self._heard:
            self._heard = self._heard.split(query, 1)[1]
            self._send(self._instrument.line(self._shown()))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._peers.add(writer)
        try:
            while data := await reader.read(256):
                if self._instrument.query is not None:
                    self._take(data)
        except OSError:
            pass  # the client went away
        finally:
            self._peers.discard(writer)
            writer.close()


class Wires:
    """Every instrument of the bench on its wire."""

    def __init__(self, shown: Callable[[], Shown], *, every_s: float = 0.1, sockets: bool | None = None) -> None:
        self._modbus = ModbusInstruments(shown)
        self._text = {
            each.name: TextWire(each, shown, sockets=sockets)
            for each in (
                TextInstrument("scale", scale_line, every_s=every_s),
                TextInstrument("vacuum", vacuum_line("vacuum"), every_s=every_s),
                TextInstrument("pump_vacuum", vacuum_line("pump_vacuum"), every_s=every_s),
                TextInstrument("gauge", gauge_line, query=b"P\r"),
            )
        }

    async def __aenter__(self) -> Wires:
        await self._modbus.start()
        for wire in self._text.values():
            await wire.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        for wire in self._text.values():
            await wire.close()
        await self._modbus.close()

    def instruments(self, interval_s: float) -> list[dict[str, Any]]:
        """Return the `[[instrument]]` tables that read this bench, asked every `interval_s`."""
        polled, talking = {"interval": f"{interval_s:g} s"}, {"timeout": f"{STOOD_STILL_S:g} s"}
        return [
            {"name": "circuit gauge", "profile": "ascii-gauge", "port": self._text["gauge"].port, **polled},
            {"name": "vacuum probe", "profile": "micron-probe-ascii", "port": self._text["vacuum"].port, **talking},
            {
                "name": "pump probe",
                "profile": "micron-probe-ascii",
                "port": self._text["pump_vacuum"].port,
                "channels": {"vacuum": "pump_vacuum"},
                **talking,
            },
            {"name": "scale", "profile": "ascii-scale-streaming", "port": self._text["scale"].port, **talking},
            {"name": "gauges", "profile": "bench-gauges", "port": self._modbus.url, "unit": GAUGES_UNIT, **polled},
            {"name": "panel", "profile": "bench-panel", "port": self._modbus.url, "unit": PANEL_UNIT, **polled},
        ]
