"""Real wires on this machine: pseudo-terminals, sockets, a Modbus server, a broker. Loopback only."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import struct
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path

import pytest
import pytest_asyncio

from collector.instruments.frames import crc16
from collector.instruments.reading import Event, Link, Reading
from collector.tasks import end_tasks
from tests import patience
from tests.patience import PATIENCE_S, Growing
from tests.ptys import FarEnd


class Recorded(Growing):
    """A sink that keeps what it is given and lets a test wait for it."""

    def __init__(self) -> None:
        super().__init__()
        self.readings: list[Reading] = []
        self.events: list[Event] = []

    def reading(self, reading: Reading) -> None:
        self.readings.append(reading)
        self.changed()

    def event(self, event: Event) -> None:
        self.events.append(event)
        self.changed()

    def values(self, channel: str) -> list[float]:
        return [reading.value for reading in self.readings if reading.channel == channel]

    def told(self, instrument: str) -> list[str]:
        return [event.value for event in self.events if event.instrument == instrument]

    async def more(self, channel: str, count: int = 2, timeout_s: float = PATIENCE_S) -> None:
        """Wait for `count` further readings of a channel."""
        have = len(self.values(channel))
        await self.until(lambda: len(self.values(channel)) >= have + count, timeout_s)


@contextlib.asynccontextmanager
async def running(*links: Link) -> AsyncIterator[Recorded]:
    """Run links beside a test; they must end when cancelled."""
    sink = Recorded()
    tasks = [asyncio.create_task(link.run(sink), name=link.name) for link in links]
    try:
        yield sink
    finally:
        async with asyncio.timeout(PATIENCE_S):
            await end_tasks(tasks)
            results = await asyncio.gather(*tasks, return_exceptions=True)
        assert all(isinstance(result, asyncio.CancelledError) for result in results), results


Talk = Callable[[bytes], bytes | None]


class Terminal(FarEnd):
    """Plugged in at once; keeps what it hears, and may answer."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.heard = b""
        self._answer: Talk | None = None
        self.plug()

    def answer(self, talk: Talk) -> None:
        """Answer whatever is heard with what `talk` returns."""
        self._answer = talk

    def hear(self, data: bytes) -> None:
        self.heard += data
        if self._answer is not None and (back := self._answer(data)):
            self.send(back)


@pytest_asyncio.fixture
async def terminal(tmp_path: Path) -> AsyncIterator[Callable[[], Terminal]]:
    made: list[Terminal] = []

    def make() -> Terminal:
        made.append(Terminal(tmp_path / f"port{len(made)}"))
        return made[-1]

    yield make
    for each in made:
        each.unplug()


class RtuBus:
    """Devices on a serial bus, made from the protocol's text and not from the code under test's framer.

    `devices` maps address to registers; a device in `silent` says nothing; `spoil` may damage an answer.
    """

    def __init__(self, devices: dict[int, dict[int, int]]) -> None:
        self.devices = devices
        self.silent: set[int] = set()
        self.spoil: Callable[[int, bytes], bytes] = lambda _device, frame: frame
        self.asked: list[tuple[int, int, int]] = []

    def __call__(self, request: bytes) -> bytes | None:
        assert len(request) == 8, "two requests overlapped or a request was torn"
        device, function, address, count = struct.unpack(">BBHH", request[:6])
        assert crc16(request[:6]) == int.from_bytes(request[6:], "little")
        self.asked.append((device, address, count))
        registers = self.devices.get(device)
        if registers is None or device in self.silent:
            return None
        if all(at in registers for at in range(address, address + count)):
            words = [registers[at] for at in range(address, address + count)]
            body = struct.pack(f">BBB{count}H", device, function, 2 * count, *words)
        else:
            body = bytes((device, function | 0x80, 2))
        return self.spoil(device, body + crc16(body).to_bytes(2, "little"))


@pytest.fixture
def free_port() -> int:
    return patience.free_port()


class Broker:
    """A real broker that can be stopped and started again on its port."""

    def __init__(self, program: str, port: int, folder: Path) -> None:
        self.port = port
        self._program = program
        self._config = folder / "broker.conf"
        self._config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=PATIENCE_S)
            self._process = None

    async def ready(self) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while True:
                assert self._process is not None
                assert self._process.poll() is None, "the broker has ended"
                try:
                    _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                except OSError:
                    await asyncio.sleep(0.05)
                else:
                    writer.close()
                    await writer.wait_closed()
                    return


@pytest.fixture
def broker(tmp_path: Path, free_port: int, monkeypatch: pytest.MonkeyPatch) -> Iterator[Broker]:
    """A broker that gives no line up because the machine stood still: what is published meanwhile would be lost."""
    monkeypatch.setattr("collector.instruments.mqtt.KEEPALIVE_S", round(PATIENCE_S))
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        pytest.skip("mosquitto is not installed; apt-get install mosquitto")
    made = Broker(program, free_port, tmp_path)
    made.start()
    yield made
    made.kill()


Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@contextlib.asynccontextmanager
async def serving(serve: Serve, port: int) -> AsyncIterator[None]:
    """Serve TCP on the loopback; connections end with the block."""
    open_now: set[asyncio.StreamWriter] = set()

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        open_now.add(writer)
        try:
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
                await serve(reader, writer)
        finally:
            open_now.discard(writer)
            writer.close()

    server = await asyncio.start_server(handle, "127.0.0.1", port)
    try:
        yield
    finally:
        server.close()
        for writer in list(open_now):
            writer.transport.abort()
        await asyncio.sleep(0.02)
