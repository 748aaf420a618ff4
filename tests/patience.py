"""Waiting for the thing itself, long but bounded; ports that stay free; a clock that waits for a busy machine."""

from __future__ import annotations

import asyncio
import datetime
import os
import random
import socket
import threading
import time
from collections.abc import Callable
from types import TracebackType

from collector.clocks import Clocks

PATIENCE_S = 120.0
"""What has not happened by then never will. Nothing is waited for so long unless something is broken."""

PORTS = range(10_000, 30_000)
"""Below those that the system hands out by itself: nobody's outgoing connection takes one between its uses."""


async def come_true(condition: Callable[[], object], within_s: float = PATIENCE_S) -> None:
    """Wait for what tells nobody that it happened."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.05)


class Growing:
    """What is filled by others, and tells those who wait for it that it has changed."""

    def __init__(self) -> None:
        self._changed = asyncio.Event()

    def changed(self) -> None:
        """Let those who wait look again."""
        self._changed.set()

    async def until(self, condition: Callable[[], object], within_s: float = PATIENCE_S) -> None:
        """Wait until something has become true of it."""
        async with asyncio.timeout(within_s):
            while not condition():
                self._changed.clear()
                await self._changed.wait()


def free_port() -> int:
    """Return a port that nothing listens on, and that can be listened on again after a while without."""
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    while True:
        port = random.SystemRandom().choice(PORTS[worker % 8 :: 8])  # each worker its own
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port


class PatientClock:
    """Time that goes on only while this process runs: a thread of its own counts it, a little at once.

    A machine that is busy or stands still holds this clock up, so what is due by it is not missed for that reason; an
    event loop that is blocked does not hold it up, so what is missed for that reason is seen.
    """

    EVERY_S, MOST_S = 0.005, 0.02

    def __init__(self) -> None:
        self.start = datetime.datetime.now(datetime.UTC)
        self._seconds = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._count, name="patient clock")

    def __enter__(self) -> PatientClock:
        self._thread.start()
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._stop.set()
        self._thread.join()

    def _count(self) -> None:
        before = time.monotonic()
        while not self._stop.wait(self.EVERY_S):
            now = time.monotonic()
            self._seconds += min(now - before, self.MOST_S)
            before = now

    def seconds(self) -> float:
        """Return the seconds since the start; never falls."""
        return self._seconds

    def now(self) -> datetime.datetime:
        """Return the time of day."""
        return self.start + datetime.timedelta(seconds=self._seconds)

    def time(self) -> float:
        """Return the time of day [s since 1970]."""
        return self.now().timestamp()

    def clocks(self) -> Clocks:
        """Return it as a recorder takes it."""
        return Clocks(self.seconds, self.now)
