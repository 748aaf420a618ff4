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
from dataclasses import dataclass
from pathlib import Path

import psutil

from analysis.vocabulary.job import READINGS_FILE
from collector.clocks import Clocks
from collector.entries import stamp
from collector.recorder import Recorder
from tests.collector.rig import more_rows, recording
from tests.faults.campaign import Fault, Plan, Tally
from tests.faults.processes import broker_in
from tests.faults.rig import (
    INTERVAL_S,
    ROOT,
    Scale,
    process,
    read,
    rows_on_disk,
    scale_table,
    scales,
    soon,
    until,
    write_job,
)
from tests.patience import PATIENCE_S, PatientClock

NIGHT_S = 8 * 3600.0


class SetClocks:
    """Clocks that can be set, and a machine that can sleep: its monotonic clock stands still meanwhile."""

    def __init__(self, clock: PatientClock) -> None:
        self.ahead_s = self.slept_s = 0.0
        self._clock = clock

    def clocks(self) -> Clocks:
        """Return the clocks as the recorder takes them."""
        return Clocks(self.awake_s, lambda: self._clock.now() + datetime.timedelta(seconds=self.ahead_s))

    def awake_s(self) -> float:
        """Return for how long the machine has been awake [s]."""
        return self._clock.seconds() - self.slept_s

    def sleep(self, seconds: float) -> None:
        """Let the machine sleep a night: nothing of this process runs, the time of day goes on."""
        begin = self._clock.seconds()
        time.sleep(seconds)
        self.slept_s += self._clock.seconds() - begin
        self.ahead_s += NIGHT_S


@dataclass(frozen=True)
class Bench:
    """A recording whose clocks are played with."""

    job: Path
    scale: Scale
    clocks: SetClocks

    def told(self) -> int:
        """Return how often the journal speaks of a clock that was set."""
        return [row[3] for row in read(self.job).journal].count("clock_step")


def recorded(plan: Plan, act: Callable[[Bench], Awaitable[None]]) -> tuple[Bench, float]:
    """Return a recording during which `act` did something to the clocks, and how long it was awake [s]."""

    async def run(bench: Bench) -> float:
        async with recording(Recorder(bench.job, bench.clocks.clocks())):
            begin = bench.clocks.awake_s()
            await more_rows(bench.job, 2)
            await act(bench)
            return bench.clocks.awake_s() - begin

    with PatientClock() as clock, scales(clock=clock) as (scale,):
        job = write_job(plan.folder / f"job {time.monotonic()}", scale_table(0, scale))
        bench = Bench(job, scale, SetClocks(clock))
        return bench, asyncio.run(run(bench))


def count(tally: Tally, bench: Bench, awake_s: float, steps: int) -> None:
    """Add a log to a tally: a row for every beat while awake, stamps that rise, every step told once."""
    logged = read(bench.job)
    stamps = [at for at, _ in logged.rows]
    assert stamps == sorted(set(stamps))
    assert [row[0] for row in logged.journal] == sorted(row[0] for row in logged.journal)
    assert bench.told() == steps
    tally.rounds += steps
    tally.acknowledged = (tally.acknowledged or 0) + len(logged.rows)
    tally.lost += max(0, int(awake_s / INTERVAL_S) - 1 - len(logged.rows))
    tally.wrong += logged.wrong("w0", bench.scale.sent)


def clock_set(plan: Plan) -> Tally:
    """The clock of the day is set forward and back by seconds, hours and years."""
    tally = Tally()
    steps = plan.times(4, 40)

    async def act(bench: Bench) -> None:
        for number in range(steps):
            bench.clocks.ahead_s += (-1) ** number * plan.dice.choice([3.0, 3600.0, 86_400.0, 1e7])
            await soon(lambda told=number + 1: bench.told() >= told)

    count(tally, *recorded(plan, act), steps)
    return tally


def machine_sleeps(plan: Plan) -> Tally:
    """The machine sleeps for a night; what was read before it is no reading of the morning."""
    tally = Tally()

    def of_the_morning(bench: Bench) -> list[float]:
        """Return the weights behind the night's gap."""
        logged = read(bench.job)
        stamps = [at for at, _ in logged.rows]
        wake = next((n for n in range(1, len(stamps)) if stamps[n] - stamps[n - 1] > NIGHT_S / 2), len(stamps))
        return [float(cell) for cell in logged.cells("w0")[wake:] if cell]

    for _ in range(plan.times(1, 10)):
        asleep_at = 0.0

        async def act(bench: Bench) -> None:
            nonlocal asleep_at
            await asyncio.sleep(plan.dice.uniform(0.0, INTERVAL_S))
            bench.scale.silent, asleep_at = True, bench.scale.now()
            bench.clocks.sleep(1.0)
            await asyncio.sleep(2 * INTERVAL_S)  # an instrument takes its time to wake up
            bench.scale.silent = False
            await soon(lambda: len(of_the_morning(bench)) > 1)

        bench, awake_s = recorded(plan, act)
        count(tally, bench, awake_s, 1)
        tally.wrong += sum(bench.scale.sent[weight] < asleep_at for weight in of_the_morning(bench))
    return tally


def stands_still(plan: Plan) -> Tally:
    """The recorder's process is stopped and let go on; no row shows what was sent in another interval."""
    tally = Tally()
    with scales() as (scale,):
        job = write_job(plan.folder / "job", scale_table(0, scale))
        with process("record", job) as recorder:
            until(lambda: rows_on_disk(job) > 2)
            for _ in range(plan.times(1, 20)):
                time.sleep(plan.dice.uniform(0.0, INTERVAL_S))
                recorder.send_signal(signal.SIGSTOP)
                rows = rows_on_disk(job)
                time.sleep(3.0)
                recorder.send_signal(signal.SIGCONT)
                tally.back(until(lambda rows=rows: rows_on_disk(job) > rows + 3))
                tally.rounds += 1
            recorder.send_signal(signal.SIGINT)
            recorder.communicate(timeout=PATIENCE_S)
        logged = read(job)
        tally.acknowledged = len(logged.rows)
        tally.wrong = logged.wrong("w0", scale.sent)
        weights = zip(logged.rows, logged.cells("w0"), strict=True)
        tally.wrong += sum(cell != "" and scale.stale(float(cell), at) for (at, _), cell in weights)
    return tally


# --- three days ----------------------------------------------------------------------------------------

SPEED = 1_500.0
FLAT_MB = 3.0
RECORD_FAST = """
import asyncio, datetime, sys, time
from pathlib import Path
from unittest import mock
from collector.bench.clock import FastClock
from collector.instruments.reading import Event, Reading
from collector.clocks import Clocks
from collector.recorder import Recorder

folder, speed, simulated_s = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
clock = FastClock(datetime.datetime.now(datetime.UTC), speed, longest_s=0.005 * speed)

class Fast:
    name = "fast"
    async def run(self, sink):
        number = 0
        while True:
            number += 1
            for channel, _ in recorder.channels:
                sink.reading(Reading(channel, 1000.0 + number % 977 / 8))
            if number % 500 == 0:
                sink.event(Event("scale 0", "bad_frame", f"frame {number}"))
            await asyncio.sleep(0.4 / speed)

recorder = Recorder(folder, Clocks(clock.seconds, clock.now, speed))

async def main():
    with mock.patch("collector.recorder.build_links", return_value=[Fast()]):
        task = asyncio.create_task(recorder.run(lambda: print("recording", flush=True)))
        while clock.seconds() < simulated_s and not task.done():
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
                done = 0
                while done <= rows:
                    done = published()
                    if 3 * done > rows:
                        memory.append(watched.memory_info().rss / 1e6)
                    assert time.monotonic() - begin < plan.times(200, 600), f"{done} of {rows} lines"
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
