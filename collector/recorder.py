"""The recorder: one row an interval from what the instruments said, until it is told to stop."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

from analysis.vocabulary.channels import CHANNELS, column_header
from analysis.vocabulary.errors import InputError, RecorderError, StandwatchError
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE, load_job
from analysis.vocabulary.text import counted
from collector.clocks import STEP_S, Anchor, Clocks, interval_of
from collector.control import ControlServer
from collector.durable import DurableWriter, why
from collector.entries import Entry, stamp
from collector.folder_lock import FolderLock, hold
from collector.instruments.links import build_links, check_ports
from collector.instruments.reading import Event, Link, PortError, Reading
from collector.instruments.settings import InstrumentSettings, channels_of, corrections_of, load_instruments
from collector.joblog import JOURNAL_HEADER, Disk, LineFile
from collector.tasks import at_the_end, end_tasks
from collector.terminal import warn

DISK_LOW_BYTES = 200 * 1024 * 1024
DISK_CHECK_S = 60.0
TAKEN_WITHIN_S = 8.0
"""A mark that the disk has not taken by then is answered so, before its sender gives up (`control.TIMEOUT_S`)."""


class Recorder:
    """Records one job. Instruments feed it through `reading` and `event`."""

    def __init__(
        self,
        folder: Path,
        clocks: Clocks | None = None,
        disk: Disk | None = None,
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.folder = folder
        self.job = load_job(folder)
        self.interval_s = interval_of(self.job)
        self.instruments: list[InstrumentSettings] = load_instruments(list(self.job.instrument), folder)
        self.channels = channels_of(self.instruments)
        if not self.channels:
            raise InputError(f"{folder}: the job has no [[instrument]] with a channel; expected at least one")
        self._clocks = clocks if clocks is not None else Clocks()
        self._disk = disk
        self._say = say
        self._fresh: dict[str, tuple[float, float]] = {}
        self._writer: DurableWriter | None = None
        self._control: ControlServer | None = None
        self._stop = asyncio.Event()
        self._anchor = Anchor(self._clocks)

    def about(self) -> list[str]:
        """Return what is said at the start: where it records to, and which channels nothing is judged by."""
        said = [f"recording {counted(len(self.channels), 'channel')} into {self.folder}; Ctrl-C ends"]
        other = ", ".join(channel for channel, _ in self.channels if channel not in CHANNELS)
        if other:
            said.append(f"nothing is judged by {other}: say under channels of the [[instrument]] what each one reads")
        return said

    # --- what instruments say ----------------------------------------------------------------------------

    def reading(self, reading: Reading) -> None:
        """Take a fresh reading; of several in one interval the last one counts."""
        self._fresh[reading.channel] = (reading.value, self._clocks.monotonic())

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
            A file cannot be used, another recorder holds the job, or a port of a new log cannot be used.
        RecorderError
            The disk did not take the last lines.
        """
        header = ",".join(["time", *(column_header(c, u) for c, u in self.channels)]) + "\n"
        with await hold(self.folder) as lock:
            await self._check_ports()
            links = build_links(self.instruments)
            returned = partial(self._returned, lock)
            with (
                LineFile(self.folder / READINGS_FILE, header, self._disk, returned) as readings,
                LineFile(self.folder / JOURNAL_FILE, JOURNAL_HEADER, self._disk, returned) as journal,
            ):
                self._anchor = Anchor(self._clocks, _latest(readings, journal))
                self._say_how_it_began(readings, journal)
                self._writer = DurableWriter(readings, journal, self._trouble, self._cure)
                try:
                    async with ControlServer(self.folder, self._enter_safely) as self._control:
                        await self._record(links, started)
                    self._enter(Entry("recorder", value="stopped"))
                finally:
                    await self._writer.stop()

    async def _check_ports(self) -> None:
        """Refuse a port that cannot be used before a log begins; one that goes on does so without that instrument.

        After a power cut what was unplugged meanwhile must not keep the others from the log.
        """
        try:
            await check_ports(self.instruments)
        except PortError as error:
            if not (self.folder / READINGS_FILE).exists():
                raise
            self._say(f"{error}; the others are recorded, and this one once it is there")

    async def _record(self, links: list[Link], started: Callable[[], None] | None) -> None:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(link.run(self), name=f"link {link.name}") for link in links]
            disk = group.create_task(self._watch_disk(), name="disk watch")
            if started is not None:
                started()
            await self._beat()
            await end_tasks([*tasks, disk])

    def _say_how_it_began(self, readings: LineFile, journal: LineFile) -> None:
        """Commit the first entries: what was torn stands in the journal before it is cut."""
        torn = "; ".join(filter(None, (file.opened.torn_words(file.path.name) for file in (readings, journal))))
        if readings.opened.fresh:
            said = f"one row every {self.interval_s:g} s" + (f"; {torn}" if torn else "")
            entries = [Entry("recorder", value="started", text=said)]
        else:
            entries = [Entry("recorder", value="resumed", text=torn or "nothing was torn")]
        if self.job.job.simulated:
            entries.append(Entry("note", text="SIMULATED DATA: no real machine, site or person"))
        entries += [Entry("note", name, "correction", text) for name, text in corrections_of(self.instruments)]
        ahead_s = (self._anchor.now() - self._clocks.wall()).total_seconds()
        if ahead_s > STEP_S * max(1.0, self._clocks.speed):
            said = f"the clock is {ahead_s:.1f} s behind the log's last row; stamps go on from there"
            entries.append(Entry("recorder", value="clock_step", text=said))
        try:
            journal.commit(b"".join(entry.line(self._anchor.now()) for entry in entries))
            readings.commit(b"")
        except OSError as error:
            raise RecorderError(f"{self.folder}: the disk takes no rows ({error.strerror})") from None

    async def _beat(self) -> None:
        """Write a row at every interval of the monotonic clock; intervals that were missed stay missing.

        The first row comes at a whole multiple of the interval of the day's clock.
        """
        clock, number = self._clocks.monotonic, 0
        begin = clock()
        begin -= self._anchor.at(begin).timestamp() % self.interval_s
        while True:
            number = max(number + 1, int((clock() - begin) / self.interval_s))
            due = begin + number * self.interval_s
            await asyncio.sleep(0.0)  # the links have their turn also where rows are late
            while not self._stop.is_set() and (left_s := due - clock()) > 0.0:  # a simulated clock may run slow
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(left_s / self._clocks.speed):
                        await self._stop.wait()
            if self._stop.is_set():
                return
            self._row(due)

    def _row(self, due: float) -> None:
        """Write the row of the interval that ended at `due` [monotonic, s].

        A reading from before that interval (this process stood still) or from before the clock went forward (the
        machine may have slept meanwhile) is not fresh; one from long after it waits for its own row.
        """
        before = self._anchor.at(due)
        stepped = self._anchor.stepped()
        if stepped is not None:
            self._enter(Entry("recorder", value="clock_step", text=stepped))
        slept = self._anchor.at(due) != before
        came, early, late = self._fresh, due - self.interval_s, due + self.interval_s
        self._fresh = {channel: (value, at) for channel, (value, at) in came.items() if at > late and not slept}
        fresh = {channel: value for channel, (value, at) in came.items() if early < at <= late and not slept}
        cells = [_number(fresh[channel]) if channel in fresh else "" for channel, _ in self.channels]
        assert self._writer is not None
        self._writer.row((",".join([stamp(self._anchor.at(due)), *cells]) + "\n").encode("ascii"))

    async def _watch_disk(self) -> None:
        low = False
        assert self._writer is not None
        while True:
            if self._writer.failing is not None:
                self._say(f"{self.folder}: STILL NO ROWS ON THE DISK ({why(self._writer.failing)}); {self._waiting()}")
            try:
                free = (await asyncio.to_thread(shutil.disk_usage, self.folder)).free
            except OSError:
                free = 2 * DISK_LOW_BYTES
            if free < DISK_LOW_BYTES and not low:
                self._enter(Entry("recorder", value="disk_low", text=f"{free // 1_000_000} MB are left"))
            low = free < (2 if low else 1) * DISK_LOW_BYTES
            await asyncio.sleep(DISK_CHECK_S)

    # --- the journal -------------------------------------------------------------------------------------

    def _enter(self, entry: Entry) -> None:
        if self._writer is not None:
            self._writer.entry(entry.line(self._anchor.now()))

    async def _enter_safely(self, entry: Entry) -> None:
        assert self._writer is not None
        waiting = self._writer.entry(entry.line(self._anchor.now()), wait=True)
        assert waiting is not None
        try:
            await asyncio.wait_for(waiting, TAKEN_WITHIN_S)
        except TimeoutError:
            raise InputError("the disk has not taken it yet; it is kept and written as soon as it does") from None

    def _trouble(self, error: Exception) -> None:
        self._enter(Entry("recorder", value="disk_full", text=f"{why(error)}: rows are kept in memory"))
        self._say(f"{self.folder}: NO ROWS ON THE DISK ({why(error)}); {self._waiting()}")

    def _waiting(self) -> str:
        assert self._writer is not None
        return f"{self._writer.waiting} lines are kept in memory and written as soon as it takes them again"

    def _cure(self, dropped: int) -> None:
        lost = f"{dropped} lines did not fit the memory and are lost" if dropped else "nothing is lost"
        self._enter(Entry("note", text=f"the disk takes rows again; {lost}"))
        self._say(f"{self.folder}: the disk takes rows again; {lost}")

    def _returned(self, lock: FolderLock) -> None:
        """Hold a folder that had gone away, and write there again where to ask. In the thread that writes."""
        lock.renew()
        if self._control is not None:
            with contextlib.suppress(OSError):
                self._control.announce()


def _latest(*files: LineFile) -> datetime.datetime | None:
    """Return the latest of the files' last stamps."""
    return max((file.opened.last_time for file in files if file.opened.last_time is not None), default=None)


def _number(value: float) -> str:
    """Return a reading as plain decimal, nine significant digits, never with an exponent."""
    text = f"{value:.9g}"
    if "e" in text:
        text = f"{value:.9f}".rstrip("0").rstrip(".")
    return text


async def record(folder: Path, started: Callable[[Recorder], None]) -> None:
    """Record a job until SIGINT or SIGTERM.

    Raises
    ------
    InputError, RecorderError
        As `Recorder.run`.
    """
    recorder = Recorder(folder, say=warn)
    at_the_end(recorder.stop)
    try:
        await recorder.run(lambda: started(recorder))
    except ExceptionGroup as group:
        refused_, rest = group.split(StandwatchError)
        raise (refused_ or rest or group).exceptions[0] from None
