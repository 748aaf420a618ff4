"""The bench's wires, read by clients that know nothing of the bench: pymodbus, a bare pseudo-terminal, sockets."""

from __future__ import annotations

import asyncio
import os
import struct
import sys
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient

from collector.bench.play import Bench
from collector.bench.sensors import SENSORS
from collector.bench.wires import (
    GAUGE_CHANNELS,
    GAUGES_UNIT,
    PANEL_CHANNELS,
    PANEL_UNIT,
    STOOD_STILL_S,
    ModbusInstruments,
    Shown,
    TextInstrument,
    TextWire,
    Wires,
    gauge_line,
    scale_line,
    vacuum_line,
)
from collector.instruments.links import build_links
from collector.instruments.profiles import SerialProfile
from collector.instruments.reading import Event, Reading
from collector.instruments.settings import channels_of, load_instruments
from collector.tasks import end_tasks
from tests.patience import PATIENCE_S

SHOWN: dict[str, float | None] = {
    **dict.fromkeys(SENSORS),
    "circuit_pressure": -3.4,
    "vacuum": 512.0,
    "pump_vacuum": None,
    "cylinder_weight": 152.35,
    "entering_water_temperature": 54.2,
    "compressor_load": 37.5,
    "cylinder_pressure": 71.9,
    "ambient_temperature": -4.6,
    "barometer": 974.8,
}


async def test_modbus_registers_over_tcp() -> None:
    server = ModbusInstruments(lambda: SHOWN)
    await server.start()
    client = AsyncModbusTcpClient("127.0.0.1", port=int(server.url.rpartition(":")[2]), retries=0, timeout=PATIENCE_S)
    try:
        assert await client.connect()
        panel = await client.read_input_registers(0, count=2 * len(PANEL_CHANNELS), device_id=PANEL_UNIT)
        floats = struct.unpack(f">{len(PANEL_CHANNELS)}f", struct.pack(f">{len(panel.registers)}H", *panel.registers))
        by_name = dict(zip(PANEL_CHANNELS, floats, strict=True))
        assert by_name["entering_water_temperature"] == pytest.approx(54.2, abs=1e-5)
        assert by_name["compressor_load"] == 37.5
        assert by_name["oil_temperature"] != by_name["oil_temperature"]
        gauges = await client.read_holding_registers(0, count=len(GAUGE_CHANNELS), device_id=GAUGES_UNIT)
        assert gauges.registers == [719, 0x8000, 0x10000 - 46, 0x8000, 9748]
        one = await client.read_holding_registers(4, count=1, device_id=GAUGES_UNIT)
        assert one.registers == [9748]
        outside = await client.read_holding_registers(len(GAUGE_CHANNELS), count=1, device_id=GAUGES_UNIT)
        assert outside.isError()
    finally:
        client.close()
        await server.close()


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (scale_line, b"ST,GS,  +152.35 lb\r\n"),
        (vacuum_line("vacuum"), b"00512 micron\r"),
        (vacuum_line("pump_vacuum"), b"ATM\r"),
    ],
)
async def test_text_instrument_talks_on_a_pseudo_terminal(line: object, expected: bytes) -> None:
    wire = TextWire(TextInstrument("it", line, every_s=0.01), lambda: SHOWN, sockets=False)  # type: ignore[arg-type]
    await wire.start()
    client = os.open(wire.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        heard = b""
        async with asyncio.timeout(PATIENCE_S):
            while heard.count(expected) < 3:
                await asyncio.sleep(0.01)
                try:
                    heard += os.read(client, 1000)
                except BlockingIOError:
                    continue
        assert heard.startswith(3 * expected)
    finally:
        os.close(client)
        await wire.close()


@pytest.mark.parametrize("sockets", [False, True])
async def test_text_instrument_answers_only_when_asked(sockets: bool) -> None:
    if sys.platform == "win32" and not sockets:
        pytest.skip("no pseudo-terminals")
    wire = TextWire(TextInstrument("gauge", gauge_line, query=b"P\r"), lambda: SHOWN, sockets=sockets)
    await wire.start()
    try:
        if sockets:
            host, _, port = wire.port.removeprefix("socket://").partition(":")
            reader, writer = await asyncio.open_connection(host, int(port))
            writer.write(b"xP")
            await writer.drain()
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(reader.read(100), 0.1)
            writer.write(b"\r")
            assert await asyncio.wait_for(reader.readline(), PATIENCE_S) == b"   -3.4 psig\r\n"
            writer.close()
            await writer.wait_closed()
        else:
            client = os.open(wire.port, os.O_RDWR | os.O_NOCTTY)
            try:
                os.write(client, b"P\r")
                answer = await asyncio.wait_for(asyncio.to_thread(os.read, client, 100), PATIENCE_S)
                assert answer == b"   -3.4 psig\r\n"
            finally:
                os.close(client)
    finally:
        await wire.close()


async def test_a_line_that_nobody_reads_does_not_stop_the_bench() -> None:
    wire = TextWire(TextInstrument("scale", scale_line, every_s=0.0), lambda: SHOWN)
    await wire.start()
    try:
        await asyncio.sleep(0.3)
        for _ in range(2_000):
            wire._send(b"x" * 100)
    finally:
        await wire.close()


class Kept:
    def __init__(self) -> None:
        self.last: dict[str, float] = {}
        self.every_channel = asyncio.Event()
        self.events: list[Event] = []

    def reading(self, reading: Reading) -> None:
        self.last[reading.channel] = reading.value
        if len(self.last) == len(SENSORS):
            self.every_channel.set()

    def event(self, event: Event) -> None:
        self.events.append(event)


async def test_where_the_computer_stood_still_no_instrument_of_the_bench_is_silent() -> None:
    async with Wires(lambda: SHOWN, every_s=0.02) as wires:
        instruments = load_instruments(wires.instruments(0.02), Path())
    talking = [
        each.profile for each in instruments if isinstance(each.profile, SerialProfile) and not each.profile.line.query
    ]
    assert [profile.timeout_s for profile in talking] == [STOOD_STILL_S] * 3


@pytest.mark.parametrize("sockets", [False, True])
async def test_every_channel_comes_through_the_instruments(sockets: bool) -> None:
    if sys.platform == "win32" and not sockets:
        pytest.skip("no pseudo-terminals")
    shown: Shown = {**Bench().shown, "vacuum": 431.0, "pump_vacuum": 95.0}
    kept = Kept()
    async with Wires(lambda: shown, every_s=0.02, sockets=sockets) as wires:
        instruments = load_instruments(wires.instruments(0.02), Path())
        links = build_links(instruments)
        tasks = [asyncio.create_task(link.run(kept), name=link.name) for link in links]
        try:
            async with asyncio.timeout(PATIENCE_S):
                await kept.every_channel.wait()
        finally:
            await end_tasks(tasks)
    assert [event for event in kept.events if event.value not in ("lost", "back")] == []  # a busy machine is silent
    assert dict(channels_of(instruments)) == {channel: sensor.unit for channel, sensor in SENSORS.items()}
    for channel, value in kept.last.items():
        assert value == pytest.approx(shown[channel], abs=1e-4)
