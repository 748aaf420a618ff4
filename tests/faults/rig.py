"""What the faults share: scales whose every weight is known, recorders beside them, logs held to the truth."""

from __future__ import annotations

import asyncio
import bisect
import contextlib
import itertools
import math
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE
from collector.follow.tail import cells_of, seconds_of
from tests.collector.rig import rows_on_disk
from tests.patience import PATIENCE_S, PatientClock, come_true

__all__ = ["rows_on_disk"]

ROOT = Path(__file__).parents[2]
INTERVAL_S = 0.5
SLACK_S = 1.0
"""So much later than it was sent a weight may be read, where another process reads it."""


@dataclass
class Scale:
    """A scale that sends rising weights; `sent` holds every one, and when it was sent [s since 1970] by `now`."""

    port: int
    base: float
    now: Callable[[], float] = time.time
    sent: dict[float, float] = field(default_factory=dict)
    silent: bool = False

    def line(self, number: int) -> bytes:
        """Return what it sends as its `number`-th line."""
        weight = self.base + (7 * number % 90_000) / 100
        self.sent[float(f"{weight:.2f}")] = self.now()
        return f"ST,GS,+{weight:8.2f} lb\r\n".encode()

    def stale(self, weight: float, at: float) -> bool:
        """Return whether a row at `at` shows a weight that was history when its interval began, or one of later."""
        times = sorted(self.sent.values())
        sent_at = self.sent[weight]
        followed_at = next(iter(times[bisect.bisect(times, sent_at) :]), math.inf)
        return followed_at < at - INTERVAL_S - SLACK_S or sent_at > at + SLACK_S


@contextlib.contextmanager
def scales(count: int = 1, every_s: float = 0.02, clock: PatientClock | None = None) -> Iterator[list[Scale]]:
    """Serve scales from a thread of its own; with a recorder on a `clock`, its time of day is theirs."""
    made: list[Scale] = []
    ready, stop = threading.Event(), threading.Event()

    async def serve_all() -> None:
        tasks: set[asyncio.Task[None]] = set()

        def server(scale: Scale) -> Callable[[asyncio.StreamReader, asyncio.StreamWriter], object]:
            numbers = itertools.count(1)

            async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
                task = asyncio.current_task()
                assert task is not None
                tasks.add(task)
                with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                    while True:
                        if not scale.silent:
                            writer.write(scale.line(next(numbers)))
                        await writer.drain()
                        await asyncio.sleep(every_s)
                writer.close()
                tasks.discard(task)

            return serve

        servers = []
        for number in range(count):
            scale = Scale(0, 1_000.0 * (number + 1), time.time if clock is None else clock.time)
            servers.append(await asyncio.start_server(server(scale), "127.0.0.1", 0))
            scale.port = servers[-1].sockets[0].getsockname()[1]
            made.append(scale)
        ready.set()
        await asyncio.to_thread(stop.wait)
        for each in servers:
            each.close()
        for task in list(tasks):
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    thread = threading.Thread(target=lambda: asyncio.run(serve_all()), name="scales")
    thread.start()
    assert ready.wait(PATIENCE_S)
    try:
        yield made
    finally:
        stop.set()
        thread.join(PATIENCE_S)


def scale_table(number: int, scale: Scale) -> str:
    """Return the `[[instrument]]` table of a scale; it is logged as ``w0``, ``w1``, …"""
    return (
        f'[[instrument]]\nname = "scale {number}"\nprofile = "ascii-scale-streaming"\n'
        f'port = "socket://127.0.0.1:{scale.port}"\n'
        f'channels = {{ weight = {{ channel = "w{number}", unit = "lb" }} }}\n'
    )


def write_job(folder: Path, *tables: str, interval_s: float = INTERVAL_S) -> Path:
    """Write a job with instruments into `folder` and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    head = f'[job]\nname = "faults"\n[recorder]\ninterval = "{interval_s:g} s"\n'
    (folder / "job.toml").write_text(head + "".join(tables), encoding="utf-8")
    return folder


@contextlib.contextmanager
def process(*words: object, **options: object) -> Iterator[subprocess.Popen[str]]:
    """Run ``standwatch WORDS`` as a process; it and what it started is killed at the end where it still runs."""
    command = [sys.executable, "-m", "collector.cli", *map(str, words)]
    made = subprocess.Popen(
        command,
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        **options,
    )
    try:
        yield made
    finally:
        if made.poll() is None:
            with contextlib.suppress(psutil.Error):
                for child in psutil.Process(made.pid).children(recursive=True):
                    child.kill()
            made.kill()
        made.communicate(timeout=PATIENCE_S)


def until(true: Callable[[], object], within_s: float = PATIENCE_S) -> float:
    """Wait for something; return how long it took [s]."""
    begin = time.monotonic()
    while not true():
        if time.monotonic() - begin > within_s:
            raise TimeoutError("it did not come true")
        time.sleep(0.02)
    return time.monotonic() - begin


async def soon(true: Callable[[], object], within_s: float = PATIENCE_S) -> float:
    """Wait for something without holding the loop; return how long it took [s]."""
    begin = time.monotonic()
    await come_true(true, within_s)
    return time.monotonic() - begin


@dataclass(frozen=True)
class Logged:
    """A job folder as it stands: whole rows (seconds, cells) and journal rows, without their headers."""

    columns: list[str]
    rows: list[tuple[float, list[str]]]
    journal: list[list[str]]

    def cells(self, channel: str) -> list[str]:
        """Return one channel's cells, blank ones too."""
        place = [name.split(" [")[0] for name in self.columns].index(channel)
        return [cells[place] for _, cells in self.rows]

    def wrong(self, channel: str, true: Container[float]) -> int:
        """Return how many numbers of a channel were never sent."""
        return sum(cell != "" and float(cell) not in true for cell in self.cells(channel))

    def missed_beats(self, interval_s: float = INTERVAL_S) -> int:
        """Return how many rows are missing between the first and the last; stamps that do not rise count too."""
        stamps = [at for at, _ in self.rows]
        steps = [later - earlier for earlier, later in itertools.pairwise(stamps)]
        return sum(abs(round(step / interval_s) - 1) if step > 0 else 1 for step in steps)

    def blanks(self, channel: str, scale: Scale, begin: int = 5) -> int:
        """Return how many cells from row `begin` on are blank although the scale had said something in good time."""
        sent = sorted(scale.sent.values())
        blank = [at for (at, _), cell in zip(self.rows, self.cells(channel), strict=True) if cell == ""]
        first = self.rows[begin][0] if len(self.rows) > begin else math.inf
        return sum(
            bisect.bisect(sent, at - INTERVAL_S / 5) > bisect.bisect(sent, at - INTERVAL_S * 4 / 5)
            for at in blank
            if at >= first
        )

    def told(self, subject: str) -> list[str]:
        """Return what the journal says of an instrument."""
        return [row[3] for row in self.journal if row[1] == "instrument" and row[2] == subject]


def read(folder: Path) -> Logged:
    """Return a job folder's rows; a torn last line is left out, any other line that cannot be read is an error."""
    head, *lines = _whole_lines(folder / READINGS_FILE)
    rows = []
    for line in lines:
        stamp, *cells = line.split(",")
        at = seconds_of(stamp)
        assert at is not None, f"no time in {line!r}"
        assert len(cells) == head.count(","), line
        rows.append((at, cells))
    journal = [cells_of(line) for line in _whole_lines(folder / JOURNAL_FILE)[1:]]
    assert all(len(row) == 5 for row in journal)
    return Logged(head.split(",")[1:], rows, journal)


def _whole_lines(file: Path) -> list[str]:
    return file.read_bytes().decode("utf-8").split("\n")[:-1]
