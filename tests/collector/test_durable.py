"""Lines wait in memory until the disk has them: what fails is tried again, what waits is told the truth."""

from __future__ import annotations

import asyncio
import errno
import os
import threading
import time
from pathlib import Path

import pytest

from analysis.vocabulary.errors import RecorderError
from collector.durable import DurableWriter
from collector.joblog import LineFile, RealDisk
from tests.patience import PATIENCE_S, come_true

HEAD = "a,b\n"


class OneBadFile(RealDisk):
    """A disk on which one file cannot be written while `bad` is set."""

    def __init__(self) -> None:
        self.bad: Path | None = None

    def write(self, descriptor: int, data: bytes) -> int:
        if self.bad is not None and os.path.samestat(os.fstat(descriptor), self.bad.stat()):
            raise OSError(errno.EIO, "broken")
        return super().write(descriptor, data)


class HungDisk(RealDisk):
    """A disk whose sync does not return before `let_go` is set."""

    def __init__(self) -> None:
        self.let_go = threading.Event()
        self.let_go.set()

    def sync(self, descriptor: int) -> None:
        self.let_go.wait()
        super().sync(descriptor)


async def test_the_journal_takes_marks_while_the_readings_cannot_be_written(tmp_path: Path) -> None:
    disk, said = OneBadFile(), []
    with LineFile(tmp_path / "r", HEAD, disk) as readings, LineFile(tmp_path / "j", HEAD, disk) as journal:
        writer = DurableWriter(readings, journal, said.append, said.append)
        disk.bad = tmp_path / "r"
        writer.row(b"1,2\n")
        waiting = writer.entry(b"mark,x\n", wait=True)
        assert waiting is not None
        await asyncio.wait_for(waiting, PATIENCE_S)
        assert (tmp_path / "j").read_bytes() == b"a,b\nmark,x\n"
        assert (tmp_path / "r").read_bytes() == b"a,b\n"
        disk.bad = None
        await writer.stop()
        await asyncio.sleep(0)
    assert (tmp_path / "r").read_bytes() == b"a,b\n1,2\n"
    assert [type(each) for each in said] == [OSError, int]
    assert said[1] == 0


async def test_a_mark_is_not_acknowledged_before_it_is_synced(tmp_path: Path) -> None:
    disk = HungDisk()
    with LineFile(tmp_path / "r", HEAD, disk) as readings, LineFile(tmp_path / "j", HEAD, disk) as journal:
        writer = DurableWriter(readings, journal, lambda _: None, lambda _: None)
        disk.let_go.clear()
        waiting = writer.entry(b"mark,x\n", wait=True)
        assert waiting is not None
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.shield(waiting), 1.0)
        disk.let_go.set()
        await asyncio.wait_for(waiting, PATIENCE_S)
        await writer.stop()


class SlowDisk(RealDisk):
    """A disk whose sync takes longer than lines need to come."""

    def sync(self, descriptor: int) -> None:
        time.sleep(0.2)
        super().sync(descriptor)


async def test_a_mark_has_its_turn_while_rows_come_faster_than_the_disk_takes_them(tmp_path: Path) -> None:
    disk = SlowDisk()
    with LineFile(tmp_path / "r", HEAD, disk) as readings, LineFile(tmp_path / "j", HEAD, disk) as journal:
        writer = DurableWriter(readings, journal, lambda _: None, lambda _: None)

        async def rows() -> None:
            for number in range(10_000):
                writer.row(f"{number},0\n".encode())
                await asyncio.sleep(0.02)

        task = asyncio.create_task(rows())
        await asyncio.sleep(0.8)
        waiting = writer.entry(b"mark,x\n", wait=True)
        assert waiting is not None
        await asyncio.wait_for(waiting, PATIENCE_S)
        assert not task.done(), "the rows have not ended"
        task.cancel()
        await writer.stop()


async def test_a_disk_that_hangs_does_not_hold_the_end_up_for_ever(tmp_path: Path) -> None:
    disk = HungDisk()
    with LineFile(tmp_path / "r", HEAD, disk) as readings, LineFile(tmp_path / "j", HEAD, disk) as journal:
        writer = DurableWriter(readings, journal, lambda _: None, lambda _: None)
        disk.let_go.clear()
        for number in range(3):
            writer.row(f"{number},0\n".encode())
        try:
            with pytest.raises(RecorderError, match="did not take the last 3 lines"):
                await writer.stop(within_s=0.3)
        finally:
            disk.let_go.set()
            await writer.stop()
    assert (tmp_path / "r").read_bytes() == b"a,b\n0,0\n1,0\n2,0\n"


async def test_what_does_not_fit_the_memory_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.durable.MOST_WAITING", 10)
    disk, dropped = OneBadFile(), []
    with LineFile(tmp_path / "r", HEAD, disk) as readings, LineFile(tmp_path / "j", HEAD, disk) as journal:
        disk.bad = tmp_path / "r"
        writer = DurableWriter(readings, journal, lambda _: None, dropped.append)
        for number in range(25):
            writer.row(f"{number},0\n".encode())
        await come_true(lambda: writer.failing)
        disk.bad = None
        await writer.stop()
        await asyncio.sleep(0)
    assert dropped == [15]
    assert (tmp_path / "r").read_text().splitlines()[1:] == [f"{number},0" for number in range(15, 25)]
