"""The recorder on a real socket: rows on the beat, marks that count, clocks that jump, disks that fill."""

from __future__ import annotations

import asyncio
import datetime
import errno
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from analysis.log import load
from analysis.vocabulary.errors import InputError
from collector.control import send
from collector.entries import Entry
from collector.recorder import Clocks, Recorder, _number, end_tasks
from tests.collector.rig import job_folder, recording, scale
from tests.collector.test_joblog import FailingDisk


async def run_for(recorder: Recorder, seconds: float) -> None:
    """Run a recorder for some real seconds."""
    task = asyncio.create_task(recorder.run())
    await asyncio.sleep(seconds)
    recorder.stop()
    await task


def values(folder: Path) -> list[tuple[str, str, str]]:
    """Return (kind, subject, value) of the journal's rows."""
    log, _ = load(folder)
    return list(zip(log.journal["kind"], log.journal["subject"], log.journal["value"], strict=True))


async def test_one_row_an_interval_with_the_last_fresh_reading(tmp_path: Path) -> None:
    async with scale(0.02) as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder), 2.0)
    log, _ = load(folder)
    steps = log.frame.index.to_series().diff().dropna() / pd.Timedelta(seconds=1)
    assert 17 <= len(log.frame) <= 20
    assert steps.between(0.05, 0.15).all()
    weights = log.frame["cylinder_weight"].dropna()
    assert len(weights) >= 15
    assert weights.is_monotonic_increasing
    assert weights.is_unique
    assert values(folder)[0] == ("recorder", "", "started")
    assert values(folder)[-1] == ("recorder", "", "stopped")


async def test_an_interval_without_a_fresh_reading_is_blank(tmp_path: Path) -> None:
    async with scale(0.35) as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder), 2.0)
    cells = [line.split(",")[1] for line in (folder / "readings.csv").read_text().splitlines()[1:]]
    assert 3 <= sum(bool(cell) for cell in cells) <= 7
    assert len({cell for cell in cells if cell}) == sum(bool(cell) for cell in cells)


async def test_marks_and_notes_are_on_the_disk_when_they_are_acknowledged(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        async with recording(Recorder(folder)):
            for entry in (
                Entry("mark", "cylinder_on", "C-1"),
                Entry("stage", "recovery", "begin"),
                Entry("note", text='=2+2, "quoted"\nsecond line'),
            ):
                await asyncio.to_thread(send, folder, entry)
                assert entry.kind in (folder / "journal.csv").read_text().splitlines()[-1]
            with pytest.raises(InputError, match="'lunch' is not accepted"):
                await asyncio.to_thread(send, folder, Entry("mark", "lunch"))
    log, _ = load(folder)
    assert log.journal[log.journal["kind"] == "note"]["text"].tolist() == ['=2+2, "quoted" second line']
    assert not (folder / ".standwatch" / "control.json").exists()


async def test_a_mark_without_a_recorder_is_written_all_the_same(tmp_path: Path) -> None:
    folder = job_folder(tmp_path, 1)
    send(folder, Entry("mark", "oil_change"))
    assert values_of_marks(folder) == ["oil_change"]


async def test_a_mark_without_a_recorder_tells_of_a_torn_journal_and_keeps_the_order(tmp_path: Path) -> None:
    folder = job_folder(tmp_path, 1)
    ahead = "2999-01-01T00:00:00.000Z,note,,,later\n"
    (folder / "journal.csv").write_text("time,kind,subject,value,text\n" + ahead + "2999-01-01T00:0")
    send(folder, Entry("mark", "oil_change"))
    lines = (folder / "journal.csv").read_text().splitlines()
    assert lines[1:] == [
        ahead.strip(),
        "2999-01-01T00:00:00.000Z,note,,,journal.csv: cut 15 bytes of a torn last line b'2999-01-01T00:0'",
        "2999-01-01T00:00:00.000Z,mark,oil_change,,",
    ]


def values_of_marks(folder: Path) -> list[str]:
    """Return the subjects of the marks in a journal that has no readings beside it."""
    lines = (folder / "journal.csv").read_text().splitlines()[1:]
    return [line.split(",")[2] for line in lines if line.split(",")[1] == "mark"]


async def test_a_second_recorder_is_refused_and_harms_nothing(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        async with recording(Recorder(folder)):
            with pytest.raises(InputError, match="records this job already"):
                await Recorder(folder).run()
            await asyncio.to_thread(send, folder, Entry("note", text="still here"))


async def test_a_second_recorder_is_told_of_the_first_and_not_of_its_serial_port(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    try:
        folder = job_folder(tmp_path, 0)
        job = folder / "job.toml"
        job.write_text(job.read_text().replace("socket://127.0.0.1:0", os.ttyname(slave)))
        async with recording(Recorder(folder)):
            await asyncio.sleep(0.3)
            with pytest.raises(InputError, match=f"process {os.getpid()}\\) records this job already"):
                await Recorder(folder).run()
    finally:
        os.close(master)
        os.close(slave)


async def test_a_torn_tail_is_cut_and_told_when_it_resumes(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder), 0.5)
        with (folder / "readings.csv").open("ab") as file:
            file.write(b"2026-03-14T07:00")
        await run_for(Recorder(folder), 0.5)
    log, _ = load(folder)
    resumed = log.journal[log.journal["value"] == "resumed"]["text"].tolist()
    assert len(resumed) == 1
    assert "cut 16 bytes" in resumed[0]
    assert "2026-03-14T07:00" in resumed[0]
    assert log.cautions == ()


async def test_nothing_is_cut_when_the_job_is_refused(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder), 0.3)
        (folder / "journal.csv").write_text("when,what\n")
        with (folder / "readings.csv").open("ab") as file:
            file.write(b"2026-03-14T07:00")
        before = (folder / "readings.csv").read_bytes()
        with pytest.raises(InputError, match="'when,what', this job records 'time,kind"):
            await Recorder(folder).run()
    assert (folder / "readings.csv").read_bytes() == before
    assert (folder / "journal.csv").read_text() == "when,what\n"


async def test_other_instruments_than_before_are_refused(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder), 0.3)
        before = (folder / "readings.csv").read_bytes()
        job = folder / "job.toml"
        job.write_text(job.read_text() + 'channels = { weight = { channel = "cylinder_weight", unit = "kg" } }\n')
        with pytest.raises(InputError, match=r"weight \[lb\]', this job records 'time,cylinder_weight \[kg\]'"):
            await Recorder(folder).run()
    assert (folder / "readings.csv").read_bytes() == before


async def test_a_log_from_the_future_goes_on_behind_its_last_stamp(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        hour = datetime.timedelta(hours=1)
        await run_for(Recorder(folder, Clocks(wall=lambda: datetime.datetime.now(datetime.UTC) + hour)), 0.5)
        await run_for(Recorder(folder), 0.6)
    log, _ = load(folder)
    assert log.cautions == ()
    assert len(log.frame) >= 8
    assert values(folder).count(("recorder", "", "clock_step")) == 1
    assert log.journal["time"].is_monotonic_increasing


async def test_a_mark_that_was_heard_is_answered_even_while_the_recorder_ends(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        marks = [Entry("mark", "cylinder_on", str(number)) for number in range(20)]
        async with recording(Recorder(folder)):
            sent = [asyncio.create_task(asyncio.to_thread(send, folder, mark)) for mark in marks]
            await asyncio.sleep(0.02)
        told = await asyncio.gather(*sent, return_exceptions=True)
    log, _ = load(folder)
    written = log.journal[log.journal["kind"] == "mark"]["value"].tolist()
    assert len(written) == len(set(written))
    acknowledged = {mark.value for mark, answer in zip(marks, told, strict=True) if answer is None}
    assert acknowledged == set(written)


async def test_a_task_that_forgets_a_cancellation_is_ended_all_the_same() -> None:
    forgotten = 0

    async def forget() -> None:
        nonlocal forgotten
        while True:
            try:
                await asyncio.sleep(60)
            except asyncio.CancelledError:
                if forgotten == 2:
                    raise
                forgotten += 1

    task = asyncio.create_task(forget())
    await asyncio.sleep(0)
    await asyncio.wait_for(end_tasks([task]), 10)
    assert task.cancelled()
    assert forgotten == 2


async def test_rows_wait_for_a_clock_that_runs_slower_than_it_said(tmp_path: Path) -> None:
    """As a simulated one does on a busy computer: a row written too early would hold no fresh reading."""
    start, begin = datetime.datetime.now(datetime.UTC), time.monotonic()

    def seconds() -> float:
        return 0.3 * (time.monotonic() - begin)

    clocks = Clocks(seconds, lambda: start + datetime.timedelta(seconds=seconds()))
    async with scale(0.02) as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder, clocks), 2.0)
    log, _ = load(folder)
    weights = log.frame["cylinder_weight"].iloc[1:]  # the first row may be due before the scale has answered
    assert 2 <= len(weights) <= 5  # 0.6 s of that clock, a row each 0.1 s
    assert weights.notna().all()


class SetClock:
    """A wall clock that can be set while the monotonic one goes on."""

    def __init__(self) -> None:
        self.ahead = datetime.timedelta()

    def __call__(self) -> datetime.datetime:
        return datetime.datetime.now(datetime.UTC) + self.ahead


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
async def test_a_clock_that_is_set_is_told_and_stamps_still_rise(tmp_path: Path, step_s: float) -> None:
    wall = SetClock()
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        async with recording(Recorder(folder, Clocks(wall=wall))):
            await asyncio.sleep(0.5)
            wall.ahead = datetime.timedelta(seconds=step_s)
            await asyncio.sleep(0.5)
    log, _ = load(folder)
    assert log.cautions == ()
    assert values(folder).count(("recorder", "", "clock_step")) == 1
    went = (log.frame.index[-1] - log.frame.index[0]).total_seconds()
    assert went == pytest.approx(max(step_s, 0.0) + 0.9, abs=0.4)


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
async def test_rows_wait_while_the_disk_is_full_and_none_is_lost(tmp_path: Path, code: int) -> None:
    full = OSError(code, "no space")
    disk = FailingDisk(dict.fromkeys(range(5, 8), full))
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        await run_for(Recorder(folder, disk=disk), 6.0)
    log, _ = load(folder)
    steps = log.frame.index.to_series().diff().dropna() / pd.Timedelta(seconds=1)
    assert disk.written > 8
    assert steps.max() < 0.2
    assert ("recorder", "", "disk_full") in values(folder)
    assert any("nothing is lost" in text for text in log.journal["text"])


async def test_thousand_marks_all_arrive_in_order(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        async with recording(Recorder(folder)):
            for batch in range(0, 1000, 25):
                entries = [Entry("mark", "cylinder_on", str(number)) for number in range(batch, batch + 25)]
                await asyncio.gather(*(asyncio.to_thread(send, folder, entry) for entry in entries))
    log, _ = load(folder)
    marks = log.journal[log.journal["kind"] == "mark"]
    assert sorted(int(value) for value in marks["value"]) == list(range(1000))
    assert marks["time"].is_monotonic_increasing


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1, "0.1"),
        (123.45, "123.45"),
        (1e-7, "0.0000001"),
        (-40.0, "-40"),
        (760000.0, "760000"),
        (1.5e9, "1500000000"),
    ],
)
def test_numbers_are_plain_decimals(value: float, text: str) -> None:
    assert _number(value) == text


def test_the_recorder_loads_nothing_heavy() -> None:
    code = (
        "import sys, collector.recorder, collector.cli;"
        "print(sorted({'numpy', 'pandas', 'scipy', 'matplotlib', 'CoolProp', 'jinja2', 'nicegui'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "[]"


def test_sigterm_ends_it_cleanly(tmp_path: Path) -> None:
    folder = job_folder(tmp_path, 1)  # nobody answers there: the instrument is lost, the recorder goes on
    process = subprocess.Popen([sys.executable, "-m", "collector.cli", "record", str(folder)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout:
        assert b"recording 1 channels" in process.stdout.readline()
        time.sleep(1.0)
        process.terminate()
        assert process.wait(10) == 0
    assert values(folder)[-1] == ("recorder", "", "stopped")
    assert ("instrument", "scale", "lost") in values(folder)
