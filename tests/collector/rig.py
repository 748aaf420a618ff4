"""A job with one scale on a socket, and a recorder beside a test."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from analysis.vocabulary.job import READINGS_FILE
from collector.recorder import Recorder
from tests.patience import come_true

JOB = """
[job]
name = "rig"
[recorder]
interval = "{interval}"
[[instrument]]
name = "scale"
profile = "ascii-scale-streaming"
port = "socket://127.0.0.1:{port}"
"""


@contextlib.asynccontextmanager
async def scale(every_s: float = 0.02) -> AsyncIterator[int]:
    """Serve a scale that sends a rising weight in pounds; yields its port."""
    sent = 0
    serving: set[asyncio.Task[None]] = set()

    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        task = asyncio.current_task()
        assert task is not None
        serving.add(task)
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
            while True:
                sent += 1
                writer.write(f"ST,GS,+{sent:8.2f} lb\r\n".encode())
                await writer.drain()
                await asyncio.sleep(every_s)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in serving:
            task.cancel()
        await asyncio.gather(*serving, return_exceptions=True)


def job_folder(folder: Path, port: int, interval: str = "0.1 s") -> Path:
    """Write the job of the rig into `folder` and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text(JOB.format(port=port, interval=interval), encoding="utf-8")
    return folder


@contextlib.asynccontextmanager
async def recording(recorder: Recorder) -> AsyncIterator[Recorder]:
    """Record beside the block, in this process."""
    ready = asyncio.Event()
    task = asyncio.create_task(recorder.run(ready.set))
    started = asyncio.create_task(ready.wait())
    await asyncio.wait((task, started), return_when=asyncio.FIRST_COMPLETED)
    started.cancel()
    try:
        if not task.done():
            yield recorder
    finally:
        recorder.stop()
        await task


def rows_on_disk(folder: Path) -> int:
    """Return how many rows the log holds now."""
    try:
        return max(0, (folder / READINGS_FILE).read_bytes().count(b"\n") - 1)
    except OSError:
        return 0


async def more_rows(folder: Path, count: int) -> None:
    """Wait until so many further rows are on the disk."""
    before = rows_on_disk(folder)
    await come_true(lambda: rows_on_disk(folder) >= before + count)
