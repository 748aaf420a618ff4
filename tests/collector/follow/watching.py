"""`standwatch watch` as a process, over a scale on a socket, for tests."""

from __future__ import annotations

import asyncio
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import psutil
import pytest

from tests.collector.rig import scale
from tests.patience import PATIENCE_S

ROOT = Path(__file__).parents[3]
Found = TypeVar("Found")


@pytest.fixture
def scale_port() -> Iterator[int]:
    """A scale on a socket, served from a thread of its own."""
    found: list[int] = []
    ready, stop = threading.Event(), threading.Event()

    async def serve() -> None:
        async with scale() as port:
            found.append(port)
            ready.set()
            while not stop.is_set():  # noqa: ASYNC110  the event is another thread's
                await asyncio.sleep(0.05)
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                task.cancel()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="scale")
    thread.start()
    assert ready.wait(PATIENCE_S)
    yield found[0]
    stop.set()
    thread.join(PATIENCE_S)
    assert not thread.is_alive()


class Watch:
    """`standwatch watch` as a process."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder = folder
        self._said: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "collector.cli", "watch", str(folder), *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=ROOT,
        )
        self._reader = threading.Thread(target=self._read, name="watch's output", daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._said.append(line)

    @property
    def said(self) -> str:
        """What it printed so far."""
        return "".join(self._said)

    def child(self, word: str) -> psutil.Process:
        """Wait for a child with a word in its command."""
        return wait_for(
            lambda: next(
                (c for c in psutil.Process(self.process.pid).children() if any(word in a for a in c.cmdline())), None
            ),
            f"no process for {word}",
        )

    def journal(self) -> str:
        """Return the journal's text."""
        file = self.folder / "journal.csv"
        return file.read_text(encoding="utf-8") if file.exists() else ""

    def close(self) -> int:
        """End it as Ctrl-C does and return its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            code = self.process.wait(PATIENCE_S)
        finally:
            self.process.kill()
        self._reader.join(PATIENCE_S)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


def wait_for(look: Callable[[], Found | None], what: str) -> Found:
    """Look until there is something."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        try:
            found = look()
        except psutil.Error:
            found = None
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(what)


@pytest.fixture
def start() -> Iterator[Callable[..., Watch]]:
    """Start a watch: ``start(folder, "--headless")``."""
    watches: list[Watch] = []

    def start(folder: Path, *options: str) -> Watch:
        watches.append(Watch(folder, *options))
        return watches[-1]

    yield start
    for watch in watches:
        children = psutil.Process(watch.process.pid).children() if watch.process.poll() is None else []
        watch.close()
        assert not psutil.wait_procs(children, timeout=PATIENCE_S)[1], "a process was left behind"
