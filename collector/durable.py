"""Disk work off the event loop: rows and journal lines wait here until they are on the disk."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from analysis.vocabulary.errors import RecorderError
from collector.joblog import LineFile

SYNC_EVERY_S = 0.5
RETRY_EVERY_S = 1.0
MOST_WAITING = 86_400
"""Lines kept while the disk takes none: a day at one row a second, some 25 MB of 32 channels."""
MOST_AT_ONCE = 4_096
"""Lines in one write: a disk with little room takes what it can."""


@dataclass
class _Queue:
    """Lines that wait for one file, oldest first, each with the future of whoever waits for it."""

    file: LineFile
    lines: deque[tuple[bytes, asyncio.Future[None] | None]] = field(default_factory=deque)
    dropped: int = 0

    def put(self, line: bytes, waiting: asyncio.Future[None] | None) -> None:
        if len(self.lines) >= MOST_WAITING:
            self.lines.popleft()
            self.dropped += 1
        self.lines.append((line, waiting))


class DurableWriter:
    """Writes rows and journal lines in a thread of its own, in order, whole, synced at least once a second.

    `on_trouble(error)` is called on the event loop when the disk stops taking lines, `on_cure(dropped)` when it
    takes them again, with the number of lines that did not fit the buffer meanwhile; `failing` is the error between.
    """

    def __init__(
        self,
        readings: LineFile,
        journal: LineFile,
        on_trouble: Callable[[Exception], None],
        on_cure: Callable[[int], None],
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._rows, self._entries = _Queue(readings), _Queue(journal)
        self._on_trouble, self._on_cure = on_trouble, on_cure
        self._guard = threading.Lock()
        self._wake = threading.Event()
        self._stopping = False
        self.failing: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="durable writer", daemon=True)
        self._thread.start()

    def row(self, line: bytes) -> None:
        """Queue a line of readings."""
        with self._guard:
            self._rows.put(line, None)

    def entry(self, line: bytes, wait: bool = False) -> asyncio.Future[None] | None:
        """Queue a journal line; with `wait`, return a future that is done once the line is on the disk."""
        future = self._loop.create_future() if wait else None
        with self._guard:
            self._entries.put(line, future)
        if wait:
            self._wake.set()
        return future

    @property
    def waiting(self) -> int:
        """Lines that are not on the disk yet."""
        return len(self._rows.lines) + len(self._entries.lines)

    async def stop(self, within_s: float = 10.0) -> None:
        """Write what waits and end the thread.

        Raises
        ------
        RecorderError
            The disk did not take everything in time; says how many lines are lost.
        """
        self._stopping = True
        self._wake.set()
        await asyncio.to_thread(self._thread.join, within_s)
        if self.waiting:
            reason = f" ({why(self.failing)})" if self.failing is not None else ""
            raise RecorderError(
                f"{self._rows.file.path.parent}: the disk did not take the last {self.waiting} lines{reason}"
            )

    def _run(self) -> None:
        while True:
            stopping = self._stopping
            self._wake.wait(0.0 if stopping else RETRY_EVERY_S if self.failing is not None else SYNC_EVERY_S)
            self._wake.clear()
            # rows first: a finding or a mark in the journal never speaks of rows that are not there yet;
            # but where rows cannot be written the journal is still tried
            failures = [failure for queue in (self._rows, self._entries) if (failure := self._failure(queue))]
            failed, self.failing = self.failing, failures[0] if failures else None
            if failures and failed is None:
                self._tell(self._on_trouble, failures[0])
            elif failed is not None and not failures:
                with self._guard:
                    dropped = self._rows.dropped + self._entries.dropped
                    self._rows.dropped = self._entries.dropped = 0
                self._tell(self._on_cure, dropped)
            if stopping:
                return

    def _failure(self, queue: _Queue) -> Exception | None:
        """Write what waits; return why it could not be."""
        try:
            self._flush(queue)
        except Exception as error:  # noqa: BLE001  the thread must live: whatever failed is tried again
            return error
        return None

    def _flush(self, queue: _Queue) -> None:
        """Write what waits now; on a slow disk more comes meanwhile, and the other file has its turn first."""
        left = len(queue.lines)
        while left > 0:
            with self._guard:
                taken, dropped = list(islice(queue.lines, min(left, MOST_AT_ONCE))), queue.dropped
            queue.file.commit(b"".join(line for line, _ in taken))
            left -= len(taken)
            with self._guard:
                for _ in range(len(taken) - (queue.dropped - dropped)):
                    queue.lines.popleft()
            for _, future in taken:
                if future is not None:
                    self._tell(_done, future)

    def _tell(self, call: Callable[[Any], None], what: object) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(call, what)


def why(error: Exception) -> str:
    """Return in a few words why the disk did not take a line."""
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _done(future: asyncio.Future[None]) -> None:
    if not future.done():  # whoever waited may have given up
        future.set_result(None)
