"""Faults of disks and files: power cuts, torn ends, full, broken, slow and vanishing disks, read-only folders."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import random
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.log import load
from analysis.vocabulary.errors import StandwatchError
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE
from collector.control import send
from collector.entries import Entry
from collector.folder_lock import FolderHeld, FolderLock
from collector.joblog import JOURNAL_HEADER, LineFile, RealDisk
from collector.recorder import Recorder
from tests.collector.rig import recording
from tests.faults.campaign import Fault, Plan, Tally
from tests.faults.power_cut import Asked, Left, Tape, after_a_cut, left_at
from tests.faults.rig import (
    Scale,
    process,
    read,
    rows_on_disk,
    scale_table,
    scales,
    soon,
    write_job,
)
from tests.patience import PATIENCE_S, PatientClock

HEADER = "time,w0 [lb]\n"
HEADERS = {READINGS_FILE: HEADER, JOURNAL_FILE: JOURNAL_HEADER}


async def mark(folder: Path, name: str, text: str = "") -> bool:
    """Send a mark; return whether it was acknowledged."""
    try:
        await asyncio.to_thread(send, folder, Entry("mark", "cylinder_on", name, text))
    except StandwatchError:
        return False
    return True


def count(tally: Tally, folder: Path, scale: Scale, marks: list[str]) -> None:
    """Add a finished job to a tally: every beat a row, every cell a weight that was sent, every mark there."""
    logged = read(folder)
    written = [row[3] for row in logged.journal if row[1] == "mark"]
    tally.acknowledged += len(logged.rows) + len(marks)
    tally.lost += len(set(marks) - set(written)) + logged.missed_beats()
    tally.wrong += logged.wrong("w0", scale.sent)


# --- power cuts ----------------------------------------------------------------------------------------


async def taped(folder: Path, seconds: float) -> tuple[list[Asked], list[tuple[int, str]]]:
    """Record with marks; return what was asked of the disk, and after how much of it each mark was acknowledged."""
    tape, marks = Tape(folder), []
    async with recording(Recorder(folder, disk=tape)):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            name = f"mark {len(marks)}"
            if await mark(folder, name, "x" * 300 * (len(marks) % 3)):
                marks.append((len(tape.asked), name))
            await asyncio.sleep(0.1)
    return tape.asked, marks


def power_cut(plan: Plan) -> Tally:
    """At every point of a fresh recording, and of one that goes on behind torn ends."""
    tally = Tally()
    with scales() as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale), interval_s=0.1)
        before: dict[str, bytes] = {}
        for _ in range(2):
            asked, marks = asyncio.run(taped(job, plan.times(3, 10) / 2))
            final = {name: (job / name).read_bytes() for name in HEADERS}
            for moment in range(len(asked) + 1):
                files = left_at(moment, asked, before)
                for _ in range(plan.times(3, 60)):
                    disk = {name: after_a_cut(file, plan.dice) for name, file in files.items()}
                    acknowledged = {name: _acknowledged(file) for name, file in files.items()}
                    told = [name for at, name in marks if at <= moment]
                    judge_disk(tally, plan, job, disk, acknowledged, final, told)
            for name, data in final.items():
                before[name] = data + b"2026-03-14T07:00:05.000Z,12" + b"z" * plan.dice.randint(0, 1500)
                (job / name).write_bytes(before[name])
    return tally


def _acknowledged(file: Left) -> bytes:
    return file.synced[: file.synced.rfind(b"\n") + 1] if file.named else b""


def judge_disk(
    tally: Tally,
    plan: Plan,
    job: Path,
    disk: dict[str, bytes | None],
    acknowledged: dict[str, bytes],
    final: dict[str, bytes],
    marks: list[str],
) -> None:
    """Open what a power cut left: all that was acknowledged, nothing that was not written, the rest torn and told."""
    folder = plan.folder / "cut"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    shutil.copy(job / "job.toml", folder)
    for name, data in disk.items():
        if data is not None:
            (folder / name).write_bytes(data)
    tally.rounds += 1
    torn = 0
    for name, had in acknowledged.items():
        data = disk[name] or b""
        with LineFile(folder / name, HEADERS[name]) as file:
            kept = data[: len(data) - len(file.opened.torn)]
            torn += len(file.opened.torn)
        tally.acknowledged += had.count(b"\n")
        tally.lost += had[len(kept) :].count(b"\n")
        tally.wrong += not final[name].startswith(kept)
        if name == JOURNAL_FILE:
            tally.lost += sum(f",{mark},".encode() not in kept for mark in marks)
    if tally.rounds % plan.times(40, 200) == 0:
        asyncio.run(resumed(folder, torn))


async def resumed(folder: Path, torn: int) -> None:
    """Go on with a job and end at once: its log is then whole, and what was torn is told."""
    recorder = Recorder(folder)
    await recorder.run(recorder.stop)
    log, _ = load(folder)
    assert log.cautions == ()
    first = next(text for value, text in zip(log.journal["value"], log.journal["text"], strict=True) if value)
    last = [t for v, t in zip(log.journal["value"], log.journal["text"], strict=True) if v in ("started", "resumed")]
    assert torn == 0 or "cut" in last[-1] or "cut" in first


def cut_at_every_byte(plan: Plan) -> Tally:
    """Both files cut at every byte of their last lines; the recorder goes on."""
    tally = Tally()
    with scales() as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        asyncio.run(taped(job, 1.0))
        whole = {name: (job / name).read_bytes() for name in HEADERS}
        for name, data in whole.items():
            lines = data.splitlines(keepends=True)
            kept = len(data) - sum(map(len, lines[-plan.times(1, 4) :]))
            for cut in range(kept, len(data) + 1, plan.times(3, 1)):
                for other in HEADERS:
                    (job / other).write_bytes(whole[other])
                os.truncate(job / name, cut)
                good = data[:cut].rfind(b"\n") + 1
                asyncio.run(resumed(job, cut - good))
                tally.rounds += 1
                tally.acknowledged += data[:good].count(b"\n")
                after = (job / name).read_bytes()
                tally.lost += not after.startswith(data[:good])
                resume = next(line for line in (job / JOURNAL_FILE).read_text().splitlines() if "resumed" in line)
                tally.wrong += cut > good and f"{name}: cut {cut - good} bytes" not in resume
    return tally


# --- disks that fail -----------------------------------------------------------------------------------


class MoodyDisk(RealDisk):
    """A disk that fails now and then while `bad`: full, broken, or taking less than it is given."""

    def __init__(self, dice: random.Random) -> None:
        self.bad = False
        self.failed = 0
        self._dice = dice

    def _fail(self) -> None:
        if self.bad and self._dice.random() < 0.7:
            self.failed += 1
            code = self._dice.choice([errno.ENOSPC, errno.EIO, errno.EDQUOT])
            raise OSError(code, os.strerror(code))

    def write(self, descriptor: int, data: bytes) -> int:
        if self.bad and self._dice.random() < 0.7:
            data = data[: self._dice.randint(0, len(data))]
            if not data:
                return 0
            done = super().write(descriptor, data)
            self.failed += 1
            return done
        self._fail()
        return super().write(descriptor, data)

    def truncate(self, descriptor: int, size: int) -> None:
        self._fail()
        super().truncate(descriptor, size)

    def sync(self, descriptor: int) -> None:
        self._fail()
        super().sync(descriptor)


def failing_disk(plan: Plan) -> Tally:
    """A disk that is full, broken and writing short by turns, and well again."""
    tally, disk = Tally(), MoodyDisk(plan.dice)

    async def run(job: Path) -> list[str]:
        sent: dict[str, asyncio.Task[bool]] = {}
        async with recording(Recorder(job, clock.clocks(), disk)):
            for _ in range(plan.times(2, 40)):
                disk.bad, failed = True, disk.failed
                for _ in range(4):
                    name = f"mark {len(sent)}"
                    sent[name] = asyncio.create_task(mark(job, name))
                    await asyncio.sleep(0.4)
                await soon(lambda failed=failed: disk.failed > failed + 1)
                disk.bad = False
                begin = time.monotonic()
                await all_on_disk(job, clock)
                tally.back(time.monotonic() - begin)
                tally.rounds += 1
            return [name for name, task in sent.items() if await task]

    with PatientClock() as clock, scales(clock=clock) as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        count(tally, job, scale, asyncio.run(run(job)))
    assert disk.failed > tally.rounds
    tally.note = f"{disk.failed} writes, cuts and syncs failed"
    return tally


async def all_on_disk(job: Path, clock: PatientClock) -> None:
    """Wait until a row of now is on the disk, and so all before it."""
    begin = clock.time()
    await soon(lambda: rows_on_disk(job) > 0 and read(job).rows[-1][0] > begin)


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[Path | None]:
    """Mount a file system of 256 kB; None where this may not be done."""
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode != 0:
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def full_disk(plan: Plan) -> Tally:
    """A real file system filled to its last byte, and room made again."""
    tally, said = Tally(), list[str]()

    async def run(job: Path) -> list[str]:
        sent: dict[str, asyncio.Task[bool]] = {}
        ballast = job.parent / "ballast"
        async with recording(Recorder(job, clock.clocks(), say=said.append)):
            for _ in range(plan.times(1, 5)):
                told = len(said)
                with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
                    while True:
                        file.write(bytes(1024))
                for _ in range(6):  # more than the last block takes
                    name = f"mark {len(sent)}"
                    sent[name] = asyncio.create_task(mark(job, name, "x" * 900))
                await soon(lambda told=told: any("No space left" in line for line in said[told:]))
                ballast.unlink()
                begin = time.monotonic()
                await all_on_disk(job, clock)
                tally.back(time.monotonic() - begin)
                tally.rounds += 1
            assert all(await asyncio.gather(*sent.values()))
        return list(sent)

    with (
        small_disk(plan.folder / "disk") as disk,
        PatientClock() as clock,
        scales(clock=clock) as (scale,),
    ):
        if disk is None:
            return Tally(1, None, note="not tried: no file system can be mounted here")
        job = write_job(disk / "job", scale_table(0, scale))
        count(tally, job, scale, asyncio.run(run(job)))
        told = [row[4] for row in read(job).journal if row[1] == "recorder" and row[3] == "disk_full"]
        assert told, "it was not told"
        assert "No space left on device" in told[0]
    return tally


class SlowDisk(RealDisk):
    """A disk whose every sync takes a second while `slow`."""

    slow = False

    def sync(self, descriptor: int) -> None:
        time.sleep(1.0 if self.slow else 0.0)
        super().sync(descriptor)


def slow_disk(plan: Plan) -> Tally:
    """Rows stay on the beat, instruments are read, marks are acknowledged late."""
    tally, marks, disk = Tally(rounds=1), list[str](), SlowDisk()
    answered: list[float] = []

    async def run(job: Path) -> None:
        async with recording(Recorder(job, clock.clocks(), disk)):
            disk.slow = True
            begin = time.monotonic()
            end, latest = begin + plan.times(4, 30), begin + PATIENCE_S
            while time.monotonic() < (end if marks else latest):
                begin, name = time.monotonic(), f"mark {len(marks)}"
                if await mark(job, name):
                    marks.append(name)
                    answered.append(time.monotonic() - begin)
            disk.slow = False

    with PatientClock() as clock, scales(clock=clock) as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        asyncio.run(run(job))
        count(tally, job, scale, marks)
        tally.disturbed += read(job).blanks("w0", scale)
    tally.note = f"marks acknowledged after {min(answered):.1f} to {max(answered):.1f} s"
    return tally


def stick_pulled(plan: Plan) -> Tally:
    """The job folder goes away and comes back: the same one, or its copy as another file system."""
    tally, said = Tally(), list[str]()

    def missed() -> int:
        """Return how often it was told that the folder is gone."""
        return sum(": NO ROWS ON THE DISK" in line for line in said)

    async def run(job: Path) -> list[str]:
        marks: list[str] = []
        away = job.with_name("away")
        async with recording(Recorder(job, clock.clocks(), say=said.append)):
            await all_on_disk(job, clock)
            for number in range(plan.times(2, 12)):
                await asyncio.to_thread(job.rename, away)
                await soon(lambda told=number + 1: missed() == told)
                if number % 2:
                    await asyncio.to_thread(shutil.copytree, away, job)
                    await asyncio.to_thread(shutil.rmtree, away)
                else:
                    await asyncio.to_thread(away.rename, job)
                begin = time.monotonic()
                await all_on_disk(job, clock)
                tally.back(time.monotonic() - begin)
                with pytest.raises(FolderHeld):
                    FolderLock(job)
                marks.append(f"mark {number}")
                assert await mark(job, marks[-1])
                tally.rounds += 1
        return marks

    with PatientClock() as clock, scales(clock=clock) as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        count(tally, job, scale, asyncio.run(run(job)))
    assert missed() == tally.rounds, said
    return tally


def read_only_folder(plan: Plan) -> Tally:
    """A folder that may not be written is refused in one line."""
    with small_disk(plan.folder / "disk") as disk:
        if disk is None and os.geteuid() == 0:
            return Tally(1, None, note="not tried: root may write anything, and no file system can be mounted here")
        job = write_job((disk or plan.folder) / "job", scale_table(0, Scale(9, 1_000.0)))
        if disk is None:
            job.chmod(0o555)
        else:
            subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        with process("record", job) as recorder:
            out, said = recorder.communicate(timeout=PATIENCE_S)
        if disk is None:
            job.chmod(0o755)
    why = "Permission denied" if disk is None else "Read-only file system"
    assert recorder.returncode == 2, said
    assert said == f"standwatch: {job}: cannot be written ({why}); expected a folder of yours\n", said
    assert out == ""
    return Tally(1, None)


FAULTS = [
    Fault("power cut", "every disk that a power cut may leave, at every write and sync of a recording", power_cut),
    Fault("cut at every byte", "both files cut anywhere in their last lines", cut_at_every_byte),
    Fault("failing disk", "full, broken, writing short, by turns", failing_disk),
    Fault("full disk", "a real file system without room", full_disk),
    Fault("slow disk", "every sync takes 1 s", slow_disk),
    Fault("stick pulled", "the job folder goes away and comes back", stick_pulled),
    Fault("read-only folder", "one clear line", read_only_folder),
]
