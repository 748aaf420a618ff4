"""Modbus devices over a real server on TCP, and over pseudo-terminals with an RTU responder."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import struct
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from pymodbus.framer import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from collector.instruments.frames import with_crc
from collector.instruments.links import build_links
from collector.instruments.modbus import plan, silence_s
from collector.instruments.profiles import ModbusProfile, SerialTable
from collector.instruments.settings import load_instruments

from .conftest import RtuBus, Terminal, running, serving

MakeTerminal = Callable[[], Terminal]


def thermometer(port: object, **more: Any) -> dict[str, Any]:
    channels = {"t1": "ambient_temperature", "t2": "surface_temperature"}
    return {
        "name": "thermometer",
        "profile": "thermometer-4ch-modbus",
        "port": str(port),
        "interval": "0.1 s",
        "channels": channels,
        **more,
    }


def transmitter(port: object, **more: Any) -> dict[str, Any]:
    return {
        "name": "transmitter",
        "profile": "modbus-transmitter",
        "port": str(port),
        "interval": "0.1 s",
        **more,
    }


def links_of(folder: Path, *tables: dict[str, Any]) -> list[Any]:
    return build_links(load_instruments(list(tables), folder))


@contextlib.asynccontextmanager
async def modbus_server(port: int, *devices: SimDevice, framer: FramerType = FramerType.SOCKET) -> AsyncIterator[None]:
    server = ModbusTcpServer(list(devices), framer=framer, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    try:
        yield
    finally:
        await server.shutdown()
        await asyncio.sleep(0.02)


def words(code: str, number: float) -> list[int]:
    return list(struct.unpack(f">{struct.calcsize(code) // 2}H", struct.pack(f">{code}", number)))


THERMOMETER = SimDevice(3, [SimData(0, values=[225, -50 & 0xFFFF, 32767, 0], datatype=DataType.REGISTERS)])
TRANSMITTER = SimDevice(4, [SimData(0, values=words("f", 148.25), datatype=DataType.REGISTERS)])


async def test_two_devices_behind_one_server_that_goes_and_comes_back(free_port: int, tmp_path: Path) -> None:
    port = f"tcp://127.0.0.1:{free_port}"
    links = links_of(tmp_path, thermometer(port, unit=3), transmitter(port, unit=4))
    assert len(links) == 1
    async with running(*links) as sink:
        async with modbus_server(free_port, THERMOMETER, TRANSMITTER):
            await sink.more("ambient_temperature")
            await sink.more("circuit_pressure")
            assert sink.values("ambient_temperature")[-1] == pytest.approx(22.5)
            assert sink.values("surface_temperature")[-1] == pytest.approx(-5.0)
            assert sink.values("circuit_pressure")[-1] == 148.25
        await sink.until(lambda: sink.told("thermometer")[-1:] == sink.told("transmitter")[-1:] == ["lost"])
        have = len(sink.readings)
        await asyncio.sleep(0.5)
        assert len(sink.readings) == have
        async with modbus_server(free_port, THERMOMETER, TRANSMITTER):
            await sink.until(lambda: sink.told("thermometer")[-2:] == sink.told("transmitter")[-2:] == ["lost", "back"])
            await sink.more("circuit_pressure")


async def test_sentinels_refused_registers_and_their_neighbours(free_port: int, tmp_path: Path) -> None:
    """A register that the device does not have is named; the others are read all the same."""
    profile = tmp_path / "odd.toml"
    profile.write_text(
        'link = "modbus"\n[modbus]\nfunction = 3\nmax_gap = 4\n'
        '[values.a]\naddress = 0\ntype = "i16"\nunit = "degC"\n'
        '[values.b]\naddress = 1\ntype = "i16"\nunit = "degC"\nsentinels = [-32768]\n'
        '[values.c]\naddress = 4\ntype = "f32"\nunit = "degC"\n'
        '[values.d]\naddress = 9\ntype = "u16"\nunit = "degC"\n'
    )
    device = SimDevice(
        1,
        [
            SimData(0, values=[21, 0x8000], datatype=DataType.REGISTERS),
            SimData(4, values=words("f", float("nan")), datatype=DataType.REGISTERS),
        ],
    )
    table = {"name": "odd", "profile": "odd.toml", "port": f"tcp://127.0.0.1:{free_port}", "interval": "0.1 s"}
    async with modbus_server(free_port, device), running(*links_of(tmp_path, table)) as sink:
        await sink.more("a", 4)
    assert set(sink.values("a")) == {21.0}
    assert {reading.channel for reading in sink.readings} == {"a"}
    texts = [event.text for event in sink.events]
    assert "register 9 (d) of device 1 refused: illegal data address (exception 2)" in texts
    assert sink.told("odd").count("over_range") == 1  # b and c, said once a minute
    assert sink.told("odd").count("bad_frame") == 1


async def test_rtu_over_a_socket(free_port: int, tmp_path: Path) -> None:
    table = transmitter(f"socket://127.0.0.1:{free_port}", unit=4)
    server = modbus_server(free_port, THERMOMETER, TRANSMITTER, framer=FramerType.RTU)
    async with server, running(*links_of(tmp_path, table)) as sink:
        await sink.more("circuit_pressure", 3)
    assert set(sink.values("circuit_pressure")) == {148.25}


def two_devices(terminal: MakeTerminal) -> tuple[Terminal, RtuBus]:
    wire = terminal()
    high, low = words("f", 148.25)
    bus = RtuBus({3: {0: 225, 1: 0xFFCE, 2: 0, 3: 0}, 4: {0: high, 1: low}})
    wire.answer(bus)
    return wire, bus


async def test_a_silent_device_does_not_starve_its_bus(terminal: MakeTerminal, tmp_path: Path) -> None:
    wire, bus = two_devices(terminal)
    bus.silent.add(4)
    links = links_of(tmp_path, thermometer(wire.path, unit=3), transmitter(wire.path, unit=4))
    async with running(*links) as sink:
        await sink.until(lambda: sink.told("transmitter") == ["lost"])
        bus.asked.clear()
        await sink.more("ambient_temperature", 20)
        devices = [device for device, _, _ in bus.asked]
        assert 4 in devices, "it is asked all the same"
        assert (4, 4) not in itertools.pairwise(devices), "but never before the other one had its turn"
        assert sink.told("thermometer") == []
        bus.silent.clear()
        await sink.until(lambda: sink.told("transmitter") == ["lost", "back"])
        await sink.more("circuit_pressure")
    assert sink.values("circuit_pressure")[-1] == 148.25


async def test_damaged_frames_give_no_value(terminal: MakeTerminal, tmp_path: Path) -> None:
    """Wrong CRC, another device's answer, a torn frame: none is taken, the next good frame is."""
    wire, bus = two_devices(terminal)
    good = bus(with_crc(struct.pack(">BBHH", 3, 3, 0, 2)))
    assert good is not None
    flipped = good[:4] + bytes((good[4] ^ 0x10,)) + good[5:]
    from_another = with_crc(b"\x05" + good[1:-2])
    bus.asked.clear()
    damaged = iter([from_another, good[:-3], b"\x55" * 7])
    bus.spoil = lambda _device, _frame: flipped
    async with running(*links_of(tmp_path, thermometer(wire.path, unit=3))) as sink:
        await sink.until(lambda: sink.told("thermometer") == ["bad_frame"])
        assert "CRC" in sink.events[0].text
        bus.spoil = lambda _device, frame: next(damaged, frame + b"\x00\xff")  # good in spite of bytes after it
        await sink.more("ambient_temperature", 3)
        bus.spoil = lambda _device, frame: frame
        await sink.more("ambient_temperature", 3)
    assert next(damaged, None) is None
    assert set(sink.values("ambient_temperature")) == {22.5}
    assert sink.told("thermometer") == ["bad_frame"]


async def test_tcp_answers_that_are_none(free_port: int, tmp_path: Path) -> None:
    """A server that answers for another unit, with another length, an odd one, with rubbish; then well."""
    another = True
    answers = iter(
        [
            lambda head, unit: head + b"\0\5" + bytes((unit,)) + b"\x03\x02\0\1",
            lambda head, unit: head + b"\0\6" + bytes((unit,)) + b"\x03\x03\0\1\0",
            lambda _head, _unit: b"HTTP/1.1 400 Bad Request\r\n\r\n",
        ]
    )

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            asked = await reader.readexactly(12)
            if another:
                writer.write(asked[:4] + b"\0\7" + bytes((asked[6] + 1,)) + b"\x03\x04\0\1\0\2")
                continue
            spoil = next(answers, None)
            if spoil is None:
                writer.write(asked[:4] + b"\0\7" + asked[6:7] + b"\x03\x04\x00\xe1\xff\xce")
            else:
                writer.write(spoil(asked[:4], asked[6]))

    table = thermometer(f"tcp://127.0.0.1:{free_port}", unit=3)
    async with serving(serve, free_port), running(*links_of(tmp_path, table)) as sink:
        await sink.until(lambda: sink.told("thermometer") == ["bad_frame"])
        another = False
        await sink.more("ambient_temperature", 3)
    assert next(answers, None) is None
    assert set(sink.values("ambient_temperature")) == {22.5}
    assert set(sink.values("surface_temperature")) == {-5.0}
    assert sink.told("thermometer") == ["bad_frame"]
    assert "device 4 answered instead of 3" in sink.events[0].text


async def test_an_adapter_unplugged_and_back(terminal: MakeTerminal, tmp_path: Path) -> None:
    wire, _ = two_devices(terminal)
    links = links_of(tmp_path, thermometer(wire.path, unit=3), transmitter(wire.path, unit=4))
    async with running(*links) as sink:
        await sink.more("circuit_pressure")
        wire.unplug()
        await sink.until(lambda: sink.told("transmitter") == sink.told("thermometer") == ["lost"])
        wire.plug()
        await sink.until(lambda: sink.told("transmitter") == sink.told("thermometer") == ["lost", "back"])


async def test_a_current_loop_is_scaled_and_a_broken_wire_is_not(free_port: int, tmp_path: Path) -> None:
    device = SimDevice(2, [SimData(0, values=[12_000, 3_500, 20_000, 4_000], datatype=DataType.REGISTERS)])
    loops = {
        "loop1": {"channel": "suction_pressure", "range": ["0 psig", "500 psig"]},
        "loop2": {"channel": "liquid_pressure", "range": ["0 psig", "500 psig"]},
        "loop3": {"channel": "discharge_pressure", "range": ["-1 barg", "34 barg"], "unit": "barg"},
        "loop4": {"channel": "oil_pressure_after_filter", "range": ["0 psig", "150 psig"]},
    }
    table = {
        "name": "loops",
        "profile": "current-loop-4ch-modbus",
        "port": f"tcp://127.0.0.1:{free_port}",
        "unit": 2,
        "interval": "0.1 s",
        "channels": loops,
    }
    async with modbus_server(free_port, device), running(*links_of(tmp_path, table)) as sink:
        await sink.more("oil_pressure_after_filter")
    assert sink.values("suction_pressure")[0] == pytest.approx(250.0)
    assert sink.values("discharge_pressure")[0] == pytest.approx(34.0)
    assert sink.values("oil_pressure_after_filter")[0] == pytest.approx(0.0)
    assert sink.values("liquid_pressure") == []
    assert [event.text for event in sink.events] == ["loop2: signal 3500 is outside 3600 to 21000"]


def profile_of(max_gap: int, *places: tuple[str, int, str]) -> ModbusProfile:
    values = {name: {"address": at, "type": kind, "unit": "V"} for name, at, kind in places}
    return ModbusProfile.model_validate({"link": "modbus", "modbus": {"max_gap": max_gap}, "values": values})


def test_neighbours_share_a_request() -> None:
    profile = profile_of(2, ("a", 0, "f32"), ("b", 2, "u16"), ("c", 5, "i16"), ("d", 9, "f64"), ("e", 12, "u16"))
    blocks = [(block.address, block.count, block.values) for block in plan(profile, list("edcba"))]
    assert blocks == [(0, 6, ("a", "b", "c")), (9, 4, ("d", "e"))]


def test_a_request_never_exceeds_the_protocol() -> None:
    """At most 125 registers (MODBUS Application Protocol Specification V1.1b3, 6.3)."""
    profile = profile_of(0, *((f"v{at}", at, "f32") for at in range(0, 400, 2)))
    blocks = plan(profile, list(profile.values))
    assert max(block.count for block in blocks) <= 125
    assert sorted(name for block in blocks for name in block.values) == sorted(profile.values)


def test_silence_between_frames() -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters, and 1.750 ms above 19,200 baud."""
    eleven_bits = SerialTable(baudrate=19_200, parity="even")
    assert eleven_bits.character_bits == 11
    assert silence_s(eleven_bits) == pytest.approx(3.5 * 11 / 19_200)
    assert silence_s(SerialTable(baudrate=115_200)) == 0.00175
