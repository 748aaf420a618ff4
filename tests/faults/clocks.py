"""Faults of time: clocks that are set, machines that sleep, processes that stand still, and 72 hours of rows."""

from __future__ import annotations

import asyncio
import datetime
import json
import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import psutil

from analysis.vocabulary.job import READINGS_FILE
from collector.entries import stamp
from collector.recorder import Clocks, Recorder
from tests.collector.rig import recording
from tests.faults.campaign import Fault, Plan, Tally
from tests.faults.processes import broker_in
from tests.faults.rig import (
    INTERVAL_S,
    ROOT,
    Logged,
    Scale,
    process,
    read,
    rows_on_disk,
    scale_table,
    scales,
    until,
    write_job,
)

NIGHT_S = 8 * 3600.0


class SetClocks:
    """Clocks that can be set, and a machine that can sleep: its monotonic clock stands still meanwhile."""

    def __init__(self) -> None:
        self.ahead_s = self.slept_s = 0.0

    def clocks(self) -> Clocks:
        """Return the clocks as the recorder takes them."""
        return Clocks(lambda: time.monotonic() - self.slept_s, self._wall)

    def _wall(self) -> datetime.datetime:
        return datetime.datetime.now(datetime.UTC) + datetime.timedelta(seconds=self.ahead_s)

    def sleep(self, seconds: float) -> None:
        """Let the machine sleep a night: nothing of this process runs, the time of day goes on."""
        time.sleep(seconds)
        self.slept_s += seconds
        self.ahead_s += NIGHT_S


def recorded(plan: Plan, act: Callable[[SetClocks, Scale], Awaitable[None]]) -> tuple[Logged, Scale, float]:
    """Return the log of a recording during which `act` did something to the clocks, and how long it was awake [s]."""
    clocks = SetClocks()

    async def run(job: Path) -> float:
        async with recording(Recorder(job, clocks.clocks())):
            begin = time.monotonic()
            await asyncio.sleep(1.2)
            await act(clocks, scale)
            return time.monotonic() - begin - clocks.slept_s

    with scales() as (scale,):
        job = write_job(plan.folder / f"job {time.monotonic()}", scale_table(0, scale))
        awake_s = asyncio.run(run(job))
    return read(job), scale, awake_s


def count(tally: Tally, logged: Logged, scale: Scale, awake_s: float, steps: int) -> None:
    """Add a log to a tally: a row for every beat while awake, stamps that rise, every step told once."""
    stamps = [at for at, _ in logged.rows]
    assert stamps == sorted(set(stamps))
    assert [row[0] for row in logged.journal] == sorted(row[0] for row in logged.journal)
    assert [row[3] for row in logged.journal].count("clock_step") == steps
    tally.rounds += steps
    tally.acknowledged = (tally.acknowledged or 0) + len(logged.rows)
    tally.lost += max(0, int(awake_s / INTERVAL_S) - 1 - len(logged.rows))
    tally.wrong += logged.wrong("w0", scale.sent)


def clock_set(plan: Plan) -> Tally:
    """The clock of the day is set forward and back by seconds, hours and years."""
    tally = Tally()
    steps = plan.times(4, 40)

    async def act(clocks: SetClocks, _scale: Scale) -> None:
        for number in range(steps):
            clocks.ahead_s += (-1) ** number * plan.dice.choice([3.0, 3600.0, 86_400.0, 1e7])
            await asyncio.sleep(1.6 * INTERVAL_S)

    count(tally, *recorded(plan, act), steps)
    return tally


def machine_sleeps(plan: Plan) -> Tally:
    """The machine sleeps for a night; what was read before it is no reading of the morning."""
    tally = Tally()
    for _ in range(plan.times(1, 10)):
        asleep_at = 0.0

        async def act(clocks: SetClocks, scale: Scale) -> None:
            nonlocal asleep_at
            await asyncio.sleep(plan.dice.uniform(0.0, INTERVAL_S))
            scale.silent, asleep_at = True, time.time()
            clocks.sleep(1.0)
            await asyncio.sleep(2 * INTERVAL_S)  # an instrument takes its time to wake up
            scale.silent = False
            await asyncio.sleep(2 * INTERVAL_S)

        logged, scale, awake_s = recorded(plan, act)
        count(tally, logged, scale, awake_s, 1)
        stamps = [at for at, _ in logged.rows]
        wake = next(n for n in range(1, len(stamps)) if stamps[n] - stamps[n - 1] > NIGHT_S / 2)
        morning = [float(cell) for cell in logged.cells("w0")[wake:] if cell]
        assert morning
        tally.wrong += sum(scale.sent[weight] < asleep_at for weight in morning)
    return tally


def stands_still(plan: Plan) -> Tally:
    """The recorder's process is stopped and let go on; no row shows what was sent in another interval."""
    tally, slack_s, still_s = Tally(), 1.0, 3.0
    with scales() as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        with process("record", job) as recorder:
            until(lambda: rows_on_disk(job) > 2)
            for _ in range(plan.times(1, 20)):
                time.sleep(plan.dice.uniform(0.0, INTERVAL_S))
                recorder.send_signal(signal.SIGSTOP)
                rows = rows_on_disk(job)
                time.sleep(still_s)
                recorder.send_signal(signal.SIGCONT)
                tally.back(until(lambda rows=rows: rows_on_disk(job) > rows + 3))
                tally.rounds += 1
            recorder.send_signal(signal.SIGINT)
            recorder.communicate(timeout=60)
        logged = read(job)
        tally.acknowledged = len(logged.rows)
        tally.wrong = logged.wrong("w0", scale.sent)
        for (at, _), cell in zip(logged.rows, logged.cells("w0"), strict=True):
            tally.wrong += cell != "" and abs(scale.sent[float(cell)] - at) > INTERVAL_S + slack_s
        most = tally.rounds * (still_s + 2 * slack_s) / INTERVAL_S
        tally.lost = max(0, logged.missed_beats() - int(most))
    return tally


# --- three days ----------------------------------------------------------------------------------------

SPEED = 1_500.0
FLAT_MB = 3.0
RECORD_FAST = """
import asyncio, datetime, sys, time
from pathlib import Path
from unittest import mock
from collector.instruments import Event, Reading
from collector.recorder import Clocks, Recorder

folder, speed, simulated_s = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
begin = time.monotonic()
now = lambda: speed * (time.monotonic() - begin)
start = datetime.datetime.now(datetime.UTC)

class Fast:
    name = "fast"
    async def run(self, sink):
        number = 0
        while True:
            number += 1
            for channel, unit in recorder.channels:
                sink.reading(Reading(channel, unit, 1000.0 + number % 977 / 8, time.monotonic()))
            if number % 500 == 0:
                sink.event(Event("scale 0", "bad_frame", f"frame {number}"))
            await asyncio.sleep(0.4 / speed)

recorder = Recorder(folder, Clocks(now, lambda: start + datetime.timedelta(seconds=now()), speed))

async def main():
    with mock.patch("collector.recorder.build_links", return_value=[Fast()]):
        task = asyncio.create_task(recorder.run(lambda: print("recording", flush=True)))
        while now() < simulated_s and not task.done():
            await asyncio.sleep(0.1)
        recorder.stop()
        await task

asyncio.run(main())
"""


def three_days(plan: Plan) -> Tally:
    """72 hours of rows of eight channels at full speed; the recorder's memory stays what it was."""
    tally, simulated_s = Tally(rounds=1), plan.times(2, 72) * 3600.0
    tables = [scale_table(number, Scale(9, 0.0)) for number in range(8)]
    for number in range(8):
        tables[number] = tables[number].replace("127.0.0.1:9", f"127.0.0.1:{9 + number}")
    job = write_job(plan.folder / "job", *tables, interval_s=1.0)
    command = [sys.executable, "-c", RECORD_FAST, str(job), str(SPEED), str(simulated_s)]
    memory: list[float] = []
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as recorder:
        assert recorder.stdout is not None
        recorder.stdout.readline()
        watched = psutil.Process(recorder.pid)
        while recorder.poll() is None:
            memory.append(watched.memory_info().rss / 1e6)
            time.sleep(0.1)
    assert recorder.returncode == 0
    logged = read(job)
    settled = memory[len(memory) // 3 : -3]
    grown = settled[-1] - settled[0]
    tally.acknowledged = len(logged.rows)
    tally.wrong = sum(not 1000.0 <= float(cell) < 1123.0 for cell in logged.cells("w3") if cell)
    assert logged.rows[-1][0] - logged.rows[0][0] > 0.95 * simulated_s
    assert len(logged.rows) > plan.times(500, 100_000), "too few rows to tell"
    assert grown < FLAT_MB, f"memory grew by {grown:.1f} MB"
    tally.note = f"{settled[0]:.1f} MB at a third, {settled[-1]:.1f} MB at the end"
    tally.note += f"; {100 * len(logged.rows) / simulated_s:.0f} % of the beats at {SPEED:.0f} times the pace"
    return tally


def log_published(plan: Plan) -> Tally:
    """A long log is published from its begin; the publisher's memory stays what it was."""
    broker, rows = broker_in(plan.folder / "broker"), plan.times(3_000, 100_000)
    if broker is None:
        return Tally(1, None, note="not tried: mosquitto is not installed")
    job = write_job(plan.folder / "job", f'[publish]\nbroker = "mqtt://127.0.0.1:{broker.port}"\nname = "job"\n')
    start = datetime.datetime(2026, 3, 14, 7, tzinfo=datetime.UTC)
    with (job / READINGS_FILE).open("w") as file:
        file.write("time," + ",".join(f"w{number} [lb]" for number in range(8)) + "\n")
        for number in range(rows):
            file.write(stamp(start + datetime.timedelta(seconds=number)) + f",{number % 997 / 8}" * 8 + "\n")

    def published() -> int:
        try:
            kept = json.loads((job / ".standwatch" / "mqtt-cursor.json").read_text())
            return int(kept["places"]["readings"]["row"])
        except (OSError, ValueError, KeyError):
            return 0

    memory: list[float] = []
    begin = time.monotonic()
    try:
        command = [sys.executable, "-m", "collector.follow.mqtt", str(job)]
        with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE) as follower:
            try:
                watched = psutil.Process(follower.pid)
                while (done := published()) <= rows:
                    if 3 * done > rows:
                        memory.append(watched.memory_info().rss / 1e6)
                    assert time.monotonic() - begin < plan.times(100, 600), f"{done} of {rows} lines"
                    time.sleep(0.1)
                took = time.monotonic() - begin
            finally:
                follower.kill()
    finally:
        broker.kill()
    assert memory[-1] - memory[0] < FLAT_MB, f"memory grew from {memory[0]:.1f} to {memory[-1]:.1f} MB"
    note = f"{memory[0]:.1f} MB at a third, {memory[-1]:.1f} MB at the end; {rows / took:.0f} lines a second"
    return Tally(1, rows, note=note)


FAULTS = [
    Fault("clock set", "forward and back by seconds, hours and years", clock_set),
    Fault("machine sleeps", "for a night", machine_sleeps),
    Fault("process stands still", "stopped and let go on", stands_still),
    Fault("three days", "72 h of rows; memory stays what it was", three_days),
    Fault("long log published", "from its begin; memory stays what it was", log_published),
]
