"""Lines of text over real pseudo-terminals and sockets."""

from __future__ import annotations

import asyncio
import errno
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from collector.instruments.links import build_links, check_ports
from collector.instruments.profiles import SerialProfile
from collector.instruments.reading import Link, PortError, Reading
from collector.instruments.serial_line import ByteWire
from collector.instruments.settings import load_instruments

from .conftest import Terminal, running, serving

MakeTerminal = Callable[[], Terminal]


def link_of(table: dict[str, Any], folder: Path) -> Link:
    (link,) = build_links(load_instruments([{"interval": "0.05 s", **table}], folder))
    return link


def scale(port: object, **more: Any) -> dict[str, Any]:
    return {"name": "scale", "profile": "ascii-scale-streaming", "port": str(port), **more}


def gauge(port: object, **more: Any) -> dict[str, Any]:
    return {"name": "gauge", "profile": "ascii-gauge", "port": str(port), **more}


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> asyncio.Event:
    """Set once a link has opened its port: what is said from then on is heard."""
    event, open_ = asyncio.Event(), ByteWire.open

    async def noted(port: str, profile: SerialProfile) -> ByteWire:
        wire = await open_(port, profile)
        event.set()
        return wire

    monkeypatch.setattr(ByteWire, "open", noted)
    return event


async def test_a_streaming_scale_is_read_past_garbage(
    terminal: MakeTerminal, tmp_path: Path, opened: asyncio.Event
) -> None:
    wire = terminal()
    async with running(link_of(scale(wire.path), tmp_path)) as sink:
        await opened.wait()
        wire.send(b"52.1 lb\r\n")  # perhaps the tail of 152.1 lb: never taken
        wire.send(b"ST,GS,+  52.35 lb\r\nUS,GS,+  53.")
        wire.send(b"10 lb\r\n\xff\xfe\x00\x81~~~\r\n" + b"x" * 5000 + b"\r\nST,GS, 54.00 lb\r\n")
        await sink.until(lambda: len(sink.readings) >= 3)
        assert sink.values("cylinder_weight") == [52.35, 53.10, 54.0]
        assert sink.told("scale") == ["bad_frame"]  # two of them, said once


async def test_the_line_says_the_unit(terminal: MakeTerminal, tmp_path: Path, opened: asyncio.Event) -> None:
    wire = terminal()
    async with running(link_of(scale(wire.path), tmp_path)) as sink:
        await opened.wait()
        wire.send(b"\r\nST,GS, 100.00 lb\r\nST,GS, 45.359237 kg\r\nST,GS, 7.14 st\r\nOL\r\nST,GS, 99.5 lb\r\n")
        await sink.until(lambda: len(sink.readings) >= 3)
        assert sink.values("cylinder_weight") == pytest.approx([100.0, 100.0, 99.5], abs=1e-9)
        assert sink.told("scale") == ["bad_frame", "over_range"]


async def test_a_gauge_is_asked_at_its_interval(terminal: MakeTerminal, tmp_path: Path) -> None:
    wire = terminal()
    wire.answer(lambda heard: b"P\r\r\n  123.4 psi\r\n" if heard == b"P\r" else None)  # echo, then the answer
    begin = time.monotonic()
    async with running(link_of(gauge(wire.path, interval="0.1 s"), tmp_path)) as sink:
        await sink.until(lambda: len(sink.readings) >= 10)
        assert time.monotonic() - begin >= 0.1 * (len(sink.readings) - 1)  # test_polling.py has the beat
        assert sink.readings[9] == Reading("circuit_pressure", 123.4)
        assert sink.events == []


async def test_calibration_then_offset(terminal: MakeTerminal, tmp_path: Path) -> None:
    wire = terminal()
    wire.answer(lambda _heard: b"49.8 psig\r\n")
    channels = {
        "pressure": {
            "channel": "circuit_pressure",
            "unit": "kPag",
            "calibration": [["0 psig", "0.1 psig"], ["100 psig", "99.5 psig"]],
            "offset": "10 kPa",
        }
    }
    async with running(link_of(gauge(wire.path, channels=channels), tmp_path)) as sink:
        await sink.more("circuit_pressure", 1)
    # (49.8 - 0.1) / 99.4 of 100 psi is 50 psi; 1 psi = 6.894757 kPa (NIST SP 811)
    assert sink.values("circuit_pressure")[0] == pytest.approx(50 * 6.894757293 + 10, abs=1e-6)


async def test_unplugged_and_back(terminal: MakeTerminal, tmp_path: Path) -> None:
    gone, other = terminal(), terminal()
    for wire in (gone, other):
        wire.answer(lambda _heard: b"10.0 psig\r\n")
    tables = [
        gauge(gone.path, interval="0.1 s"),
        gauge(other.path, name="other", interval="0.1 s", channels={"pressure": "suction_pressure"}),
    ]
    async with running(*build_links(load_instruments(tables, tmp_path))) as sink:
        await sink.more("circuit_pressure")
        gone.unplug()
        await sink.until(lambda: sink.told("gauge") == ["lost"])
        await sink.more("suction_pressure", 14)
        assert sink.told("gauge") == ["lost"]
        gone.plug()
        await sink.until(lambda: sink.told("gauge") == ["lost", "back"])
        await sink.more("circuit_pressure")
        assert sink.told("other") == []


async def test_a_silent_gauge_is_lost_once(terminal: MakeTerminal, tmp_path: Path) -> None:
    wire = terminal()
    async with running(link_of(gauge(wire.path, timeout="0.1 s"), tmp_path)) as sink:
        await sink.until(lambda: sink.told("gauge") == ["lost"])
        await asyncio.sleep(1)
        assert sink.told("gauge") == ["lost"]
        wire.answer(lambda _heard: b"10.0 psig\r\n")
        await sink.until(lambda: sink.told("gauge") == ["lost", "back"])


async def test_a_socket_that_streams_goes_and_comes_back(free_port: int, tmp_path: Path) -> None:
    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"ST,GS,+  12.5 kg\r\n")
            await writer.drain()
            await asyncio.sleep(0.05)

    link = link_of(scale(f"socket://127.0.0.1:{free_port}"), tmp_path)
    async with running(link) as sink:
        await sink.until(lambda: sink.told("scale") == ["lost"])
        async with serving(serve, free_port):
            await sink.until(lambda: sink.told("scale") == ["lost", "back"])
            await sink.more("cylinder_weight")
        await sink.until(lambda: sink.told("scale") == ["lost", "back", "lost"])
    assert sink.values("cylinder_weight")[-1] == pytest.approx(12.5 / 0.45359237)


async def test_two_values_in_a_line_and_one_open(terminal: MakeTerminal, tmp_path: Path, opened: asyncio.Event) -> None:
    wire = terminal()
    table = {
        "name": "thermometer",
        "profile": "thermometer-2ch-ascii",
        "port": str(wire.path),
        "channels": {"t1": "ambient_temperature", "t2": {"channel": "surface_temperature", "unit": "degC"}},
    }
    async with running(link_of(table, tmp_path)) as sink:
        await opened.wait()
        wire.send(b"\nT1:72.4F,T2:41.0F\nT1:72.6F,T2:----\nT1:22.5C,T2: 4.5C\n")
        await sink.until(lambda: len(sink.readings) >= 5)
    assert sink.values("ambient_temperature") == pytest.approx([72.4, 72.6, 72.5])
    assert sink.values("surface_temperature") == pytest.approx([5.0, 4.5])
    assert sink.told("thermometer") == ["over_range"]


async def test_an_adapter_that_does_not_take_the_settings_is_said_so(
    terminal: MakeTerminal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuses(*_: object, **__: object) -> None:
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr("serialx.create_serial_connection", refuses)
    with pytest.raises(PortError, match="does not take this baudrate, parity"):
        await check_ports(load_instruments([gauge(terminal().path)], tmp_path))


async def test_the_start_refuses_a_port_that_cannot_be_used(terminal: MakeTerminal, tmp_path: Path) -> None:
    nowhere = load_instruments([gauge(tmp_path / "nowhere")], tmp_path)
    with pytest.raises(PortError, match=r"'gauge' port: '.*nowhere' cannot be used \(no such file"):
        await check_ports(nowhere)
    plain = tmp_path / "plain"
    plain.write_text("")
    with pytest.raises(PortError, match="is not a serial port"):
        await check_ports(load_instruments([gauge(plain)], tmp_path))
    wire = terminal()
    wire.answer(lambda _heard: b"10.0 psig\r\n")
    free = load_instruments([gauge(wire.path)], tmp_path)
    await check_ports(free)
    async with running(*build_links(free)) as sink:
        await sink.more("circuit_pressure", 1)
        with pytest.raises(PortError, match="in use"):
            await check_ports(free)
    await check_ports(free)


async def test_what_comes_as_the_time_ends_is_no_silence() -> None:
    """As where the machine stood still and the system kept what the instrument sent meanwhile."""
    wire = ByteWire()
    reading = asyncio.create_task(wire.read(0.05))
    await asyncio.sleep(0)
    loop = asyncio.get_running_loop()
    loop.call_later(0.04, wire.data_received, b"152.35 lb\r\n")
    loop.call_soon(time.sleep, 0.1)
    assert await reading == b"152.35 lb\r\n"
    with pytest.raises(TimeoutError):
        await wire.read(0.05)
