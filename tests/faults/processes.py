"""Faults of processes: recorder and followers killed, broker and page gone, many marks at once, a second recorder."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psutil

from analysis.log import load
from analysis.vocabulary.errors import StandwatchError
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE
from collector.control import CONTROL_FILE, send
from collector.entries import Entry
from collector.recorder import Recorder
from tests.collector.instruments.conftest import Broker
from tests.collector.rig import more_rows, recording
from tests.faults.campaign import Fault, Plan, Tally
from tests.faults.rig import (
    Scale,
    process,
    read,
    rows_on_disk,
    scale_table,
    scales,
    until,
    write_job,
)
from tests.patience import PATIENCE_S, PatientClock, free_port


def whole(folder: Path) -> bytes:
    """Return the whole lines of the readings as they stand now."""
    data = (folder / READINGS_FILE).read_bytes()
    return data[: data.rfind(b"\n") + 1]


def recorder_killed(plan: Plan) -> Tally:
    """SIGKILL at any moment, again and again, and another recorder that goes on."""
    tally, acknowledged = Tally(rounds=plan.times(2, 40)), list[str]()
    before, killed_at = b"", 0.0
    with scales() as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale), interval_s=0.1)
        for number in range(tally.rounds + 1):
            with process("record", job) as recorder:
                rows = before.count(b"\n")
                until(lambda rows=rows: rows_on_disk(job) > rows)
                if number:
                    tally.back(time.monotonic() - killed_at)
                    tally.lost += not whole(job).startswith(before)
                end = time.monotonic() + plan.dice.uniform(0.0, 1.0)
                while time.monotonic() < end:
                    name = f"{number}-{len(acknowledged)}"
                    with contextlib.suppress(StandwatchError):  # refused or unanswered: not acknowledged
                        send(job, Entry("mark", "cylinder_on", name))
                        acknowledged.append(name)
                recorder.kill()
                recorder.wait()
            before, killed_at = whole(job), time.monotonic()
    log, _ = load(job)
    assert log.cautions == ()
    logged = read(job)
    tally.lost += len(set(acknowledged) - {row[3] for row in logged.journal if row[1] == "mark"})
    tally.acknowledged = len(logged.rows) + len(acknowledged)
    tally.wrong = logged.wrong("w0", scale.sent)
    assert [row[3] for row in logged.journal if row[1] == "recorder"].count("resumed") == tally.rounds
    return tally


# --- what follows the recorder -------------------------------------------------------------------------


def broker_in(folder: Path) -> Broker | None:
    """Start a broker; None where there is none to start."""
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        return None
    folder.mkdir(exist_ok=True)
    broker = Broker(program, free_port(), folder)
    (folder / "broker.conf").write_text(
        f"user root\nlistener {broker.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
    )
    broker.start()
    asyncio.run(broker.ready())
    return broker


def child(watch: int, word: str) -> psutil.Process | None:
    """Return the child of a watch whose command holds a word."""
    with contextlib.suppress(psutil.Error):
        for each in psutil.Process(watch).children():
            if any(word in part for part in each.cmdline()):
                return each
    return None


def followers_killed(plan: Plan) -> Tally:
    """SIGKILL of page, findings, publisher, broker and the office's gatherer; each comes back, none takes others along.

    The recorder must notice nothing: one start, no missing beat, no blank cell. What the office has gathered in the
    end is the job, byte for byte.
    """
    tally, port = Tally(), free_port()
    broker = broker_in(plan.folder / "broker")
    if broker is None:
        return Tally(1, None, note="not tried: mosquitto is not installed")
    url, office = f"mqtt://127.0.0.1:{broker.port}", plan.folder / "office"
    copy, files = office / "job", (READINGS_FILE, JOURNAL_FILE)
    try:
        with scales() as (scale,), contextlib.ExitStack() as offices:
            job = write_job(plan.folder / "job", f'[publish]\nbroker = "{url}"\nname = "job"\n', scale_table(0, scale))
            gatherer = offices.enter_context(process("gather", office, "--broker", url))
            with process("watch", job, "--port", port) as watch:
                until(lambda: (job / ".standwatch" / "state.json").exists() and rows_on_disk(copy) > 5)
                for _ in range(plan.times(1, 6)):
                    until(lambda: answers(port))
                    for word in plan.dice.sample(FOLLOWERS, len(FOLLOWERS)):
                        kill_follower(tally, watch.pid, word)
                    gatherer.kill()
                    gatherer = offices.enter_context(process("gather", office, "--broker", url))
                    broker.kill()
                    time.sleep(plan.dice.uniform(0.5, 2.0))
                    broker.start()
                    tally.rounds += 2
                    rows = rows_on_disk(job)
                    until(lambda rows=rows: rows_on_disk(copy) > rows)
                watch.send_signal(signal.SIGINT)
                said = watch.communicate(timeout=PATIENCE_S)[1]
            assert "Traceback" not in said, said
            until(lambda: all((copy / file).read_bytes() == (job / file).read_bytes() for file in files))
            undisturbed(tally, job, scale)
    finally:
        broker.kill()
    return tally


FOLLOWERS = ("collector.follow.findings", "collector.follow.mqtt", "collector.page")


def kill_follower(tally: Tally, watch: int, word: str) -> None:
    """Kill one follower, where the job has it, and wait until another has been started."""
    found = child(watch, word)
    if found is None:
        return
    found.kill()
    begin = time.monotonic()
    until(lambda: (new := child(watch, word)) is not None and new.pid != found.pid)
    tally.back(time.monotonic() - begin)
    tally.rounds += 1


def answers(port: int) -> bool:
    """Return whether somebody listens on a port."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
        return True
    return False


def undisturbed(tally: Tally, job: Path, scale: Scale) -> None:
    """Add a finished job whose recorder had no fault to a tally."""
    logged = read(job)
    tally.acknowledged = (tally.acknowledged or 0) + len(logged.rows)
    tally.wrong += logged.wrong("w0", scale.sent)
    tally.disturbed += logged.missed_beats() + logged.blanks("w0", scale)
    starts = [row[3] for row in logged.journal if row[1] == "recorder"]
    assert starts == ["started", "stopped"], starts


# --- from outside --------------------------------------------------------------------------------------


def many_marks(plan: Plan) -> Tally:
    """Thousands of marks at once through the control channel: each acknowledged one stands in the journal once."""
    tally, every = Tally(rounds=plan.times(1_000, 10_000)), 40
    acknowledged: list[str] = []

    def put(name: str) -> None:
        with contextlib.suppress(StandwatchError):  # turned away: too many at once
            send(job, Entry("mark", "cylinder_on", name))
            acknowledged.append(name)

    with scales() as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        with process("record", job) as recorder:
            until((job / CONTROL_FILE).exists)
            begin = time.monotonic()
            with ThreadPoolExecutor(every) as pool:
                list(pool.map(put, map(str, range(tally.rounds))))
            took = time.monotonic() - begin
            recorder.send_signal(signal.SIGINT)
            recorder.communicate(timeout=PATIENCE_S)
        logged = read(job)
        written = [row[3] for row in logged.journal if row[1] == "mark"]
        stamps = [row[0] for row in logged.journal]
        assert stamps == sorted(stamps)
        assert acknowledged
        tally.lost = len(set(acknowledged) - set(written))
        tally.wrong = len(written) - len(set(written)) + logged.wrong("w0", scale.sent)
        tally.disturbed = logged.missed_beats()
        tally.acknowledged = len(acknowledged) + len(logged.rows)
        tally.note = f"{len(acknowledged) / took:.0f} marks a second, {tally.rounds - len(acknowledged)} turned away"
    return tally


def second_recorder(plan: Plan) -> Tally:
    """Two recorders on one job: the second is refused in one line, the first goes on."""
    tally = Tally()

    async def run(job: Path) -> None:
        async with recording(Recorder(job, clock.clocks())):
            for _ in range(plan.times(1, 10)):
                with process("record", job) as second:
                    out, said = await asyncio.to_thread(second.communicate)
                assert second.returncode == 2
                assert said == f"standwatch: {job}: another process (process {os.getpid()}) records this job already\n"
                assert out == ""
                tally.rounds += 1
            await more_rows(job, 2)

    with PatientClock() as clock, scales(clock=clock) as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        asyncio.run(run(job))
        undisturbed(tally, job, scale)
    return tally


FAULTS = [
    Fault("recorder killed", "SIGKILL at any moment", recorder_killed),
    Fault("followers killed", "SIGKILL of page, findings, publisher, broker and gatherer", followers_killed),
    Fault("many marks", "marks by the thousand at once", many_marks),
    Fault("second recorder", "another recorder on the same job", second_recorder),
]
