"""The recorder: one row an interval from what the instruments said, until it is told to stop.

Rows keep to a monotonic clock. Their stamps are the wall clock's at the start plus the monotonic time since:
a wall clock that is put back changes nothing but a journal row, one that is put forward (or a laptop that slept)
moves the stamps forward with it, so that stamps always rise.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from analysis.vocabulary.channels import column_header
from analysis.vocabulary.errors import InputError, StandwatchError, refused
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE, Job, load_job
from analysis.vocabulary.units import parse_quantity
from collector.control import ControlServer
from collector.durable import DurableWriter
from collector.entries import Entry, stamp
from collector.instruments import (
    Event,
    InstrumentSettings,
    Reading,
    build_links,
    channels_of,
    check_ports,
    corrections_of,
    load_instruments,
)
from collector.joblog import JOURNAL_HEADER, Disk, FolderLock, LineFile

STEP_S = 1.0
"""The wall clock was set when it differs from the monotonic one by more than this."""
DISK_LOW_BYTES = 200 * 1024 * 1024
DISK_CHECK_S = 60.0


def _utc_now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


@dataclass(frozen=True)
class Clocks:
    """The recorder's two clocks: `monotonic` [s] never falls, `wall` is the time of day.

    `speed` is how many of their seconds pass in a real one; only a simulation has another than 1.
    """

    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], datetime.datetime] = _utc_now
    speed: float = 1.0


def interval_of(job: Job) -> float:
    """Return the sampling interval of `[recorder] interval` [s], 1 s when absent.

    Raises
    ------
    InputError
        Unknown keys, or an interval outside 0.1 s to 60 s.
    """
    unknown = set(job.recorder) - {"interval"}
    if unknown:
        raise InputError(f"recorder.{sorted(unknown)[0]}: unknown key; expected interval")
    said = job.recorder.get("interval", "1 s")
    interval = parse_quantity(said, "time", "recorder.interval")
    if not 0.1 <= interval <= 60.0:
        raise refused("recorder.interval", said, "from 0.1 s to 60 s")
    return interval


class Recorder:
    """Records one job. Instruments feed it through `reading` and `event`."""

    def __init__(self, folder: Path, clocks: Clocks | None = None, disk: Disk | None = None) -> None:
        self.folder = folder
        self.job = load_job(folder)
        self.interval_s = interval_of(self.job)
        self.instruments: list[InstrumentSettings] = load_instruments(list(self.job.instrument), folder)
        self.channels = channels_of(self.instruments)
        if not self.channels:
            raise InputError(f"{folder}: the job has no [[instrument]] with a channel; expected at least one")
        self._clocks = clocks if clocks is not None else Clocks()
        self._disk = disk
        self._fresh: dict[str, float] = {}
        self._writer: DurableWriter | None = None
        self._stop = asyncio.Event()
        self._anchor = _Anchor(self._clocks)
        self._disk_low = False

    # --- what instruments say ----------------------------------------------------------------------------

    def reading(self, reading: Reading) -> None:
        """Take a fresh reading; of several in one interval the last one counts."""
        self._fresh[reading.channel] = reading.value

    def event(self, event: Event) -> None:
        """Put what happened to an instrument into the journal."""
        self._enter(Entry("instrument", event.instrument, event.value, event.text))

    # --- running -----------------------------------------------------------------------------------------

    def stop(self) -> None:
        """Ask for a clean end."""
        self._stop.set()

    async def run(self, started: Callable[[], None] | None = None) -> None:
        """Record until `stop`.

        Parameters
        ----------
        started : called once the files are open and the first row is due.

        Raises
        ------
        InputError
            A port or a file cannot be used, or another recorder holds the job.
        RecorderError
            The disk did not take the last lines.
        """
        await check_ports(self.instruments)
        links = build_links(self.instruments)
        header = ",".join(["time", *(column_header(c, u) for c, u in self.channels)]) + "\n"
        with (
            FolderLock(self.folder),
            LineFile(self.folder / READINGS_FILE, header, self._disk) as readings,
            LineFile(self.folder / JOURNAL_FILE, JOURNAL_HEADER, self._disk) as journal,
        ):
            self._writer = DurableWriter(readings, journal, self._trouble, self._cure)
            self._anchor.reset()
            try:
                self._say_how_it_began(readings, journal)
                async with ControlServer(self.folder, self._enter_safely), asyncio.TaskGroup() as group:
                    tasks = [group.create_task(link.run(self), name=f"link {link.name}") for link in links]
                    if started is not None:
                        started()
                    await self._beat()
                    for task in tasks:
                        task.cancel()
                self._enter(Entry("recorder", value="stopped"))
            finally:
                await self._writer.stop()

    def _say_how_it_began(self, readings: LineFile, journal: LineFile) -> None:
        if readings.opened.fresh:
            self._enter(Entry("recorder", value="started", text=f"one row every {self.interval_s:g} s"))
        else:
            torn = [
                f"{file.path.name}: cut {len(file.opened.torn)} bytes of a torn last line {file.opened.torn[:200]!r}"
                for file in (readings, journal)
                if file.opened.torn
            ]
            self._enter(Entry("recorder", value="resumed", text="; ".join(torn) or "nothing was torn"))
        if self.job.job.simulated:
            self._enter(Entry("note", text="SIMULATED DATA: no real machine, site or person"))
        for instrument, text in corrections_of(self.instruments):
            self._enter(Entry("note", instrument, "correction", text))

    async def _beat(self) -> None:
        """Write a row at every interval of the monotonic clock; intervals that were missed stay missing."""
        clock, number = self._clocks.monotonic, 0
        begin = clock()
        next_disk_check = begin
        while not self._stop.is_set():
            number = max(number + 1, int((clock() - begin) / self.interval_s))
            wait = (begin + number * self.interval_s - clock()) / self._clocks.speed
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stop.wait(), max(0.0, wait))
            if self._stop.is_set():
                return
            self._row()
            if clock() >= next_disk_check:
                next_disk_check = clock() + DISK_CHECK_S * self._clocks.speed
                self._check_disk()

    def _row(self) -> None:
        stepped = self._anchor.stepped()
        if stepped is not None:
            self._enter(Entry("recorder", value="clock_step", text=stepped))
        fresh, self._fresh = self._fresh, {}
        cells = [_number(fresh[channel]) if channel in fresh else "" for channel, _ in self.channels]
        assert self._writer is not None
        self._writer.row((",".join([stamp(self._anchor.now()), *cells]) + "\n").encode("ascii"))

    # --- the journal -------------------------------------------------------------------------------------

    def _enter(self, entry: Entry) -> None:
        if self._writer is not None:
            self._writer.entry(entry.line(self._anchor.now()))

    async def _enter_safely(self, entry: Entry) -> None:
        assert self._writer is not None
        waiting = self._writer.entry(entry.line(self._anchor.now()), wait=True)
        assert waiting is not None
        try:
            await asyncio.wait_for(waiting, 8.0)
        except TimeoutError:
            raise InputError("the disk has not taken it yet; it is kept and written as soon as it does") from None

    def _trouble(self, error: OSError) -> None:
        self._enter(Entry("recorder", value="disk_full", text=f"{error.strerror}: rows are kept in memory"))

    def _cure(self, dropped: int) -> None:
        lost = f"; {dropped} lines did not fit the memory and are lost" if dropped else "; nothing is lost"
        self._enter(Entry("note", text=f"the disk takes rows again{lost}"))

    def _check_disk(self) -> None:
        try:
            free = shutil.disk_usage(self.folder).free
        except OSError:
            return
        if free < DISK_LOW_BYTES and not self._disk_low:
            self._enter(Entry("recorder", value="disk_low", text=f"{free // 1_000_000} MB are left"))
        self._disk_low = free < (2 if self._disk_low else 1) * DISK_LOW_BYTES


@dataclass
class _Anchor:
    """Ties stamps to the monotonic clock."""

    clocks: Clocks
    wall: datetime.datetime = field(init=False)
    monotonic: float = field(init=False)

    def __post_init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self.wall, self.monotonic = self.clocks.wall(), self.clocks.monotonic()
        self._behind = 0.0

    def now(self) -> datetime.datetime:
        return self.wall + datetime.timedelta(seconds=self.clocks.monotonic() - self.monotonic)

    def stepped(self) -> str | None:
        """Return what to say of a wall clock that was set; None when it was not."""
        ahead = (self.clocks.wall() - self.now()).total_seconds()
        limit = STEP_S * max(1.0, self.clocks.speed)
        if abs(ahead - self._behind) <= limit:
            return None
        if ahead > limit:
            self.reset()
            return f"the clock went forward by {ahead:.1f} s (set, or the machine slept); stamps follow it"
        self._behind = min(ahead, 0.0)
        return f"the clock is {-ahead:.1f} s behind the rows after it was set; stamps go on as they were"


def _number(value: float) -> str:
    """Return a reading as plain decimal, nine significant digits, never with an exponent."""
    text = f"{value:.9g}"
    if "e" in text:
        text = f"{value:.9f}".rstrip("0").rstrip(".")
    return text


async def record(folder: Path, clocks: Clocks | None = None, started: Callable[[Recorder], None] | None = None) -> None:
    """Record a job until SIGINT or SIGTERM.

    Raises
    ------
    InputError, RecorderError
        As `Recorder.run`.
    """
    recorder = Recorder(folder, clocks)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        try:
            loop.add_signal_handler(number, recorder.stop)
        except NotImplementedError:  # Windows: the event loop takes no signal handlers
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(recorder.stop))
    try:
        await recorder.run(lambda: started(recorder) if started is not None else None)
    except ExceptionGroup as group:
        refused_, rest = group.split(StandwatchError)
        raise (refused_ or rest or group).exceptions[0] from None
