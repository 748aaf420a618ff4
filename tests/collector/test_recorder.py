"""The recorder on a real socket: rows on the beat, marks that count, clocks that jump, disks that fill."""

from __future__ import annotations

import asyncio
import datetime
import errno
import os
import pty
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pandas as pd
import pytest

from analysis.log import Log, load
from analysis.vocabulary.errors import InputError
from collector.bench.clock import FastClock
from collector.clocks import Clocks
from collector.control import CONTROL_FILE, ControlServer, send
from collector.entries import Entry
from collector.folder_lock import FolderLock
from collector.instruments.reading import Reading
from collector.recorder import Recorder, _number
from collector.tasks import end_tasks
from tests.collector.rig import job_folder, more_rows, recording, rows_on_disk, scale
from tests.collector.test_joblog import FailingDisk
from tests.patience import PATIENCE_S, PatientClock, come_true

START = datetime.datetime(2026, 3, 14, 7, tzinfo=datetime.UTC)


async def record_rows(recorder: Recorder, count: int) -> None:
    """Run a recorder until so many more rows are on the disk."""
    async with recording(recorder):
        await more_rows(recorder.folder, count)


def values(folder: Path) -> list[tuple[str, str, str]]:
    """Return (kind, subject, value) of the journal's rows."""
    log, _ = load(folder)
    return list(zip(log.journal["kind"], log.journal["subject"], log.journal["value"], strict=True))


def steps_s(log: Log) -> pd.Series:
    """Return the steps from row to row [s]."""
    return log.frame.index.to_series().diff().dropna() / pd.Timedelta(seconds=1)


async def test_one_row_an_interval_with_the_last_fresh_reading(tmp_path: Path) -> None:
    with PatientClock() as clock:
        async with scale(0.02) as port:
            folder = job_folder(tmp_path, port)
            await record_rows(Recorder(folder, clock.clocks()), 20)
    log, _ = load(folder)
    assert steps_s(log).between(0.095, 0.105).all()
    assert {stamp.microsecond // 1000 % 100 for stamp in log.frame.index} == {0}, "whole multiples of the interval"
    weights = log.frame["cylinder_weight"].dropna()
    assert len(weights) >= 15
    assert weights.is_monotonic_increasing
    assert weights.is_unique
    assert values(folder)[0] == ("recorder", "", "started")
    assert values(folder)[-1] == ("recorder", "", "stopped")


class HandClock:
    """Clocks that stand still until they are moved."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def clocks(self) -> Clocks:
        """Return them as the recorder takes them: fast ones, so that it looks at them often."""
        return Clocks(lambda: self.seconds, lambda: START + datetime.timedelta(seconds=self.seconds), 50.0)


async def test_a_row_holds_the_last_reading_of_its_own_interval_or_none(tmp_path: Path) -> None:
    clock, folder = HandClock(), job_folder(tmp_path, 1, "1 s")
    recorder = Recorder(folder, clock.clocks())

    async def at(seconds: float, *weights: float, rows: int = 0) -> None:
        """Move the clock on, let the scale speak, and wait for the rows that are due by then."""
        clock.seconds = seconds
        for weight in weights:
            recorder.reading(Reading("cylinder_weight", weight))
        await more_rows(folder, rows)

    async with recording(recorder):
        await at(0.6, 10.0)
        await at(0.9, 11.0)
        await at(1.1, rows=1)
        await at(1.2, 12.0)
        await at(2.1, rows=1)
        await at(3.1, rows=1)
        await at(3.2, 13.0)
        await at(4.1, 14.0, rows=1)
        await at(5.1, rows=1)
        await at(9.3, 15.0, rows=2)  # the process stood still meanwhile: one row comes late, the others never
        await at(9.4, 16.0)
        await at(10.1, rows=1)
    rows = [line.split(",") for line in (folder / "readings.csv").read_text().splitlines()[1:]]
    assert rows == [
        ["2026-03-14T07:00:01.000Z", "11"],
        ["2026-03-14T07:00:02.000Z", "12"],
        ["2026-03-14T07:00:03.000Z", ""],
        ["2026-03-14T07:00:04.000Z", "14"],
        ["2026-03-14T07:00:05.000Z", ""],
        ["2026-03-14T07:00:06.000Z", ""],
        ["2026-03-14T07:00:09.000Z", "15"],
        ["2026-03-14T07:00:10.000Z", "16"],
    ]


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
                kinds = [line.split(",")[1] for line in (folder / "journal.csv").read_text().splitlines()]
                assert entry.kind in kinds
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


async def test_a_mark_that_is_being_written_is_waited_for(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        writing = FolderLock(folder)
        asyncio.get_running_loop().call_later(0.3, writing.close)
        await record_rows(Recorder(folder), 1)


async def test_a_second_recorder_is_told_of_the_first_and_not_of_its_serial_port(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    try:
        folder = job_folder(tmp_path, 0)
        job = folder / "job.toml"
        job.write_text(job.read_text().replace("socket://127.0.0.1:0", os.ttyname(slave)))
        async with recording(Recorder(folder)):
            await more_rows(folder, 2)  # the port is open by now, or will be
            with pytest.raises(InputError, match=f"process {os.getpid()}\\) records this job already"):
                await Recorder(folder).run()
    finally:
        os.close(master)
        os.close(slave)


async def test_a_torn_tail_is_cut_and_told_when_it_resumes(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        await record_rows(Recorder(folder), 3)
        with (folder / "readings.csv").open("ab") as file:
            file.write(b"2026-03-14T07:00")
        await record_rows(Recorder(folder), 3)
    log, _ = load(folder)
    resumed = log.journal[log.journal["value"] == "resumed"]["text"].tolist()
    assert len(resumed) == 1
    assert "cut 16 bytes" in resumed[0]
    assert "2026-03-14T07:00" in resumed[0]
    assert log.cautions == ()


def test_channels_that_nothing_is_judged_by_are_named_at_the_start(tmp_path: Path) -> None:
    folder = job_folder(tmp_path, 1)
    assert len(Recorder(folder).about()) == 1
    with (folder / "job.toml").open("a") as job:
        job.write(
            '[[instrument]]\nname = "t"\nprofile = "thermometer-4ch-modbus"\nport = "tcp://127.0.0.1:1"\nunit = 1\n'
        )
    assert Recorder(folder).about()[1].startswith("nothing is judged by t1, t2, t3, t4: say under channels of")


async def test_a_log_goes_on_without_the_instrument_that_was_unplugged_meanwhile(tmp_path: Path) -> None:
    """After a power cut the same command records what is there; only a new log is refused: nothing is lost yet."""
    said: list[str] = []
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        master, slave = pty.openpty()
        gauge = tmp_path / "gauge"
        gauge.symlink_to(os.ttyname(slave))
        with (folder / "job.toml").open("a") as job:
            job.write(f'[[instrument]]\nname = "gauge"\nprofile = "ascii-gauge"\nport = "{gauge}"\n')
        await record_rows(Recorder(folder), 2)
        gauge.unlink()
        os.close(master)
        os.close(slave)
        async with recording(Recorder(folder, say=said.append)):
            await more_rows(folder, 5)
            await come_true(lambda: ("instrument", "gauge", "lost") in values(folder))
        log, _ = load(folder)
        assert log.frame["cylinder_weight"].tail(4).notna().any()
        (folder / "readings.csv").unlink()
        with pytest.raises(InputError, match="expected a serial port that is plugged in"):
            await Recorder(folder).run()
    assert "gauge' cannot be used (no such file" in said[0]


async def test_nothing_is_cut_when_the_job_is_refused(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        await record_rows(Recorder(folder), 1)
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
        await record_rows(Recorder(folder), 1)
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
        await record_rows(Recorder(folder, Clocks(wall=lambda: datetime.datetime.now(datetime.UTC) + hour)), 4)
        ahead = load(folder)[0].frame.index[-1]
        await record_rows(Recorder(folder), 4)
    log, _ = load(folder)
    assert log.cautions == ()
    behind = log.frame.index[log.frame.index > ahead]
    assert len(behind) >= 4
    assert behind[0] - ahead < pd.Timedelta(minutes=30), "they go on from there, not from an hour later"
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


def test_a_pause_between_the_two_clocks_is_no_clock_that_was_set() -> None:
    monotonic, wall = iter([10.0, 13.0, 13.0, 13.01]), iter([START, START + datetime.timedelta(seconds=3)])
    clocks = Clocks(lambda: next(monotonic), lambda: next(wall))
    assert clocks.together() == (13.0, START + datetime.timedelta(seconds=3))


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
    await asyncio.wait_for(end_tasks([task]), PATIENCE_S)
    assert task.cancelled()
    assert forgotten == 2


async def test_rows_wait_for_a_clock_that_runs_slower_than_it_said(tmp_path: Path) -> None:
    """As a simulated one does on a busy computer: a row written too early would hold no fresh reading."""
    slow = FastClock(datetime.datetime.now(datetime.UTC), 0.3, longest_s=0.01)
    async with scale(0.02) as port:
        folder = job_folder(tmp_path, port)
        await record_rows(Recorder(folder, Clocks(slow.seconds, slow.now)), 5)
    log, _ = load(folder)
    assert log.frame.index[-1] <= slow.now()
    assert steps_s(log).between(0.095, 0.105).all()
    assert log.frame["cylinder_weight"].iloc[1:].notna().all()  # the first may be due before the scale has answered


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
async def test_a_clock_that_is_set_is_told_and_stamps_still_rise(tmp_path: Path, step_s: float) -> None:
    ahead = datetime.timedelta()
    with PatientClock() as clock:
        async with scale() as port:
            folder = job_folder(tmp_path, port)
            async with recording(Recorder(folder, Clocks(clock.seconds, lambda: clock.now() + ahead))):
                await more_rows(folder, 4)
                ahead = datetime.timedelta(seconds=step_s)
                await come_true(lambda: "clock_step" in (folder / "journal.csv").read_text())
                await more_rows(folder, 3)
    log, _ = load(folder)
    assert log.cautions == ()
    assert values(folder).count(("recorder", "", "clock_step")) == 1
    steps = steps_s(log)
    assert (steps > 1.0).sum() == (step_s > 0.0)
    assert steps.max() == pytest.approx(max(step_s, 0.0) + 0.1, abs=0.1)


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
async def test_rows_wait_while_the_disk_is_full_and_none_is_lost(tmp_path: Path, code: int) -> None:
    full = OSError(code, "no space")
    disk = FailingDisk(dict.fromkeys(range(5, 8), full))
    journal = tmp_path / "journal.csv"
    with PatientClock() as clock:
        async with scale() as port:
            folder = job_folder(tmp_path, port)
            async with recording(Recorder(folder, clock.clocks(), disk)):
                await come_true(lambda: "the disk takes rows again" in journal.read_text())
    log, _ = load(folder)
    assert disk.written > 8
    assert steps_s(log).between(0.095, 0.105).all()
    assert ("recorder", "", "disk_full") in values(folder)
    assert any("nothing is lost" in text for text in log.journal["text"])


async def test_a_folder_that_comes_back_is_told_again_where_to_ask_without_holding_up_the_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a stick that was pulled, of another file system now; what a disk takes long for is no matter of the loop."""
    told_by: list[threading.Thread] = []
    announce = ControlServer.announce

    def noted(server: ControlServer) -> None:
        told_by.append(threading.current_thread())
        announce(server)

    monkeypatch.setattr(ControlServer, "announce", noted)
    said: list[str] = []
    folder, away = tmp_path / "job", tmp_path / "away"
    async with scale() as port:
        async with recording(Recorder(job_folder(folder, port), say=said.append)):
            await more_rows(folder, 1)
            folder.rename(away)
            await come_true(lambda: any("NO ROWS ON THE DISK" in line for line in said))
            shutil.copytree(away, folder, ignore=shutil.ignore_patterns(CONTROL_FILE.name))
            await come_true((folder / CONTROL_FILE).exists)
            await asyncio.to_thread(send, folder, Entry("mark", "pump_on"))
        assert not (folder / CONTROL_FILE).exists()
    assert ("mark", "pump_on", "") in values(folder)
    assert told_by[0] is threading.main_thread()
    assert told_by[1:]
    assert threading.main_thread() not in told_by[1:]


async def test_many_marks_at_once_all_arrive_in_order(tmp_path: Path) -> None:
    async with scale() as port:
        folder = job_folder(tmp_path, port)
        async with recording(Recorder(folder)):
            for batch in range(0, 200, 25):
                entries = [Entry("mark", "cylinder_on", str(number)) for number in range(batch, batch + 25)]
                await asyncio.gather(*(asyncio.to_thread(send, folder, entry) for entry in entries))
            await more_rows(folder, 1)
    log, _ = load(folder)
    marks = log.journal[log.journal["kind"] == "mark"]
    assert [int(value) // 25 for value in marks["value"]] == [number // 25 for number in range(200)]
    assert len(set(marks["value"])) == 200
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
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=PATIENCE_S, check=True)
    assert done.stdout.strip() == "[]"


def test_sigterm_ends_it_cleanly(tmp_path: Path) -> None:
    folder = job_folder(tmp_path, 1)  # nobody answers there: the instrument is lost, the recorder goes on
    process = subprocess.Popen([sys.executable, "-m", "collector.cli", "record", str(folder)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout:
        assert b"recording 1 channel into" in process.stdout.readline()
        journal = folder / "journal.csv"
        while ",lost," not in journal.read_text() or rows_on_disk(folder) == 0:
            assert process.poll() is None
            time.sleep(0.05)
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
    assert values(folder)[-1] == ("recorder", "", "stopped")
    assert ("instrument", "scale", "lost") in values(folder)
