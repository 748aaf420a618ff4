"""A real broker, someone who listens to it, and a line to it that can be cut, for tests of what is published."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from collector.follow.mqtt import Publisher
from collector.instruments.mqtt import BrokerClient
from tests.collector.instruments.conftest import Broker
from tests.patience import PATIENCE_S, Growing, free_port


@pytest.fixture
def make_broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Broker]]:
    """Start a broker: ``make_broker("further lines of its configuration")``.

    Neither it nor its clients give a line up because the machine stood still: lines would be sent twice.
    """
    for name in ("KEEPALIVE_S", "TIMEOUT_S"):
        monkeypatch.setattr(f"collector.follow.broker.{name}", round(PATIENCE_S))
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        pytest.skip("mosquitto is not installed; apt-get install mosquitto")
    made: list[Broker] = []

    def make(config: str = "allow_anonymous true\n", listener: str = "") -> Broker:
        port = free_port()
        broker = Broker(program, port, tmp_path)
        text = f"user root\nlistener {port} 127.0.0.1\n{listener}{config}max_queued_messages 0\nmax_connections -1\n"
        text += "max_inflight_messages 0\n"  # what it has acknowledged it has also sent on, also when it is killed
        (tmp_path / "broker.conf").write_text(text)
        broker.start()
        made.append(broker)
        return broker

    yield make
    for broker in made:
        broker.kill()


class Heard(Growing):
    """What was published, in order: (topic, JSON, retained)."""

    def __init__(self) -> None:
        super().__init__()
        self.messages: list[tuple[str, dict[str, Any], bool]] = []

    def of(self, what: str) -> list[dict[str, Any]]:
        return [message for topic, message, _ in self.messages if topic.rsplit("/", 1)[-1] == what]

    def rows(self, what: str) -> list[int]:
        return [message["row"] for message in self.of(what)]

    def add(self, message: aiomqtt.Message) -> None:
        if message.topic.matches("+/+/again"):
            return
        assert isinstance(message.payload, bytes)
        self.messages.append((str(message.topic), json.loads(message.payload), bool(message.retain)))
        self.changed()


@contextlib.asynccontextmanager
async def listening(port: int, heard: Heard | None = None, topic: str = "standwatch/#") -> AsyncIterator[Heard]:
    """Listen to a broker for as long as the block lasts."""
    heard = Heard() if heard is None else heard

    async def listen(client: aiomqtt.Client) -> None:
        with contextlib.suppress(aiomqtt.MqttError):
            async for message in client.messages:
                heard.add(message)

    with contextlib.suppress(aiomqtt.MqttError):  # the broker may be killed inside the block
        async with BrokerClient("127.0.0.1", port, timeout=PATIENCE_S) as client:
            await client.subscribe(topic, qos=1)
            task = asyncio.create_task(listen(client))
            try:
                yield heard
            finally:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)


@contextlib.asynccontextmanager
async def line_to(port: int, at: int) -> AsyncIterator[None]:
    """Forward TCP connections to a broker; the end of the block cuts them."""
    tasks: set[asyncio.Task[None]] = set()

    async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65_536):
                writer.write(data)
                await writer.drain()
        writer.close()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        far = None
        try:
            far_reader, far = await asyncio.open_connection("127.0.0.1", port)
            await asyncio.gather(pump(reader, far), pump(far_reader, writer))
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            writer.transport.abort()
            if far is not None:
                far.transport.abort()

    server = await asyncio.start_server(serve, "127.0.0.1", at)
    try:
        yield
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.sleep(0.05)


@contextlib.asynccontextmanager
async def publishing(*publishers: Publisher) -> AsyncIterator[None]:
    """Run publishers beside the block and stop them in order."""
    stop = threading.Event()
    tasks = [asyncio.create_task(publisher.run(stop)) for publisher in publishers]
    try:
        yield
    finally:
        stop.set()
        async with asyncio.timeout(PATIENCE_S):
            await asyncio.gather(*tasks)


class Log:
    """A job folder whose log grows by hand, as the recorder would write it."""

    def __init__(self, folder: Path, publish: str, more: str = "") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "job.toml").write_text(f'[job]\nname = "a job"\n{publish}{more}')
        self._count = 0
        self._add("readings.csv", "time,circuit_pressure [psig],vacuum [micron]\n")
        self._add("journal.csv", "time,kind,subject,value,text\n")

    def _add(self, name: str, text: str) -> None:
        with (self.folder / name).open("a", encoding="utf-8", newline="") as file:
            file.write(text)

    def stamp(self) -> str:
        minutes, seconds = divmod(self._count, 60)
        return f"2026-03-14T{7 + minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}.000Z"

    def row(self, count: int = 1) -> None:
        lines = []
        for _ in range(count):
            self._count += 1
            lines.append(f"{self.stamp()},{self._count / 10},\n")
        self._add("readings.csv", "".join(lines))

    def entry(self, kind: str, subject: str = "", value: str = "", text: str = "") -> None:
        self._add("journal.csv", f"{self.stamp()},{kind},{subject},{value},{text}\n")

    def lines(self, name: str) -> list[str]:
        return (self.folder / name).read_text(encoding="utf-8").splitlines()
