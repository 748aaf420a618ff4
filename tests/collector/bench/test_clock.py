"""The fast clock: fast while the program runs, waiting while it does not."""

from __future__ import annotations

import datetime

from collector.bench.clock import FastClock

START = datetime.datetime(2026, 3, 17, 7, tzinfo=datetime.UTC)


def test_it_runs_at_its_speed_and_waits_for_a_busy_computer() -> None:
    real = [100.0]
    clock = FastClock(START, 1_000.0, longest_s=15.0, real=lambda: real[0])
    assert clock.seconds() == 0.0
    for _ in range(100):
        real[0] += 0.01
        clock.seconds()
    assert round(clock.seconds(), 6) == 1_000.0
    assert clock.now() == START + datetime.timedelta(seconds=1_000)
    real[0] += 5.0
    assert round(clock.seconds(), 6) == 1_015.0
    assert round(clock.seconds(), 6) == 1_015.0
    clock.held = True
    real[0] += 5.0
    assert round(clock.seconds(), 6) == 1_015.0
    clock.held = False
    assert round(clock.seconds(), 6) == 1_015.0
    real[0] += 0.01
    assert round(clock.seconds(), 6) == 1_025.0
