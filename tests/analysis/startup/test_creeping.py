"""Start-up: what drifts, creeps or goes to and fro does not stand; less than a probe can tell does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from analysis.startup import assess
from analysis.startup.steadiness import course_of
from analysis.stretch import Stretch
from tests.analysis.startup.plants import plant, windows
from tests.support import START, assert_prefix_consistent, value


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("k_per_minute", [0.25, 0.5])
def test_a_window_ends_where_a_figure_began_to_drift(step: float, k_per_minute: float) -> None:
    stretch, _ = plant([(0.0, 0.8)], 70.0, step)
    minutes = np.arange(len(stretch.frame)) * step / 60.0
    stretch.frame["suction_temperature"] += k_per_minute * np.clip(minutes - 45.0, 0.0, None)
    _, ended = windows(stretch)[0]
    assert ended == pytest.approx(45.0, abs=1.0 + step / 60.0)


def test_a_slow_approach_is_not_steady_while_much_is_left() -> None:
    """Superheat rises by 4.2 K with a time constant of 15 minutes: its drift alone would pass after 12."""
    stretch, superheat = plant([(0, 0.7)], 90, 2.0, lag_s=900.0)
    ((begin, _),) = windows(stretch)
    assert 17.0 < begin < 40.0
    figure = value(assess(stretch), "suction_superheat")
    assert figure == pytest.approx(superheat, abs=0.3)


@pytest.mark.parametrize("step", [1.0, 15.0])
@pytest.mark.parametrize("k_per_hour", [-4.5, 4.0])
def test_what_creeps_by_kelvins_an_hour_never_stands(k_per_hour: float, step: float) -> None:
    """By no more than what a field probe can tell within five minutes, but all the hour long."""
    stretch, _ = plant([(0.0, 0.8)], 70.0, step)
    hours = np.arange(len(stretch.frame)) * step / 3600.0
    stretch.frame["suction_temperature"] += k_per_hour * hours
    result = assert_prefix_consistent(assess, stretch, np.random.default_rng(5).integers(1, len(hours), 3))
    assert result.verdict == "never_steady"
    assert "suction superheat goes on moving, by " in result.text
    ended = [f for f in result.findings if f.kind == "unsteady"]
    assert all("suction superheat moved. Nothing can be judged until it stands." in f.text for f in ended)


def test_what_goes_to_and_fro_by_less_than_a_probe_can_tell_stands() -> None:
    """By a quarter of a kelvin either way in 25 min, at 2.4 K an hour."""
    stretch, _ = plant([(0.0, 0.8)], 120.0, 2.0)
    stretch.frame["suction_temperature"] += 0.5 * np.abs(2.0 * (np.arange(len(stretch.frame)) % 750) / 750.0 - 1.0)
    ((begin, end),) = windows(stretch)
    assert begin < 10.0
    assert end is None


def test_what_begins_to_creep_stood_until_then() -> None:
    """And it stands no more while it goes on creeping, but once that is over."""

    def creeps_from_20_to_60(minutes: float) -> Stretch:
        stretch, _ = plant([(0.0, 0.8)], minutes, 2.0)
        at = np.arange(len(stretch.frame)) / 30.0
        stretch.frame["suction_temperature"] += 5.0 / 60.0 * (np.clip(at, 20.0, 60.0) - 20.0)
        return stretch

    (begin, end), (again, still) = windows(creeps_from_20_to_60(100.0))
    assert begin < 10.0
    assert end is not None
    assert 15.0 < end < 30.0
    assert 55.0 < again < 75.0
    assert still is None
    meanwhile = assess(creeps_from_20_to_60(40.0))
    assert meanwhile.verdict == "steady_in_limits"
    assert "Since then not steady: suction superheat goes on moving, by " in meanwhile.text


def test_what_creeps_by_less_than_a_probe_can_tell_in_a_quarter_of_an_hour_stands() -> None:
    stretch, _ = plant([(0.0, 0.8)], 70.0, 2.0)
    stretch.frame["suction_temperature"] += np.arange(len(stretch.frame)) / 1800.0
    ((begin, end),) = windows(stretch)
    assert begin < 10.0
    assert end is None


def test_a_slow_settling_says_what_moves_and_for_how_long() -> None:
    stretch, _ = plant([(0, 0.7)], 10, lag_s=400.0)
    result = assess(stretch)
    assert result.verdict == "never_steady"
    assert "moves by" in result.text
    left = value(result, "time_to_steady")
    later, _ = plant([(0, 0.7)], 60, lag_s=400.0)
    steady = next(f for f in assess(later).findings if f.kind == "steady")
    assert (steady.since - START) / pd.Timedelta(seconds=1) == pytest.approx(600.0 + left - 300.0, abs=300.0)


def test_what_slows_down_as_slowly_as_what_creeps_tells_no_time_by_which_it_may_stand() -> None:
    """Two windows five minutes apart cannot tell a time constant of forty minutes from none."""
    stretch, _ = plant([(0, 0.7)], 20, 2.0)
    stretch.frame["suction_temperature"] += 12.0 * np.exp(-np.arange(len(stretch.frame)) / 1200.0)
    result = assess(stretch)
    assert "suction superheat moves by" in result.text
    assert "time_to_steady" not in result.figures


def test_what_goes_to_and_fro_without_a_period_has_no_trend_by_which_it_may_stand() -> None:
    stretch, _ = plant([(0, 0.7)], 40, 2.0)
    wander = lfilter([1.0], [1.0, -np.exp(-2.0 / 20.0)], np.random.default_rng(4).normal(size=len(stretch.frame)))
    to_and_fro = stretch.frame["suction_temperature"] + 1.2 * wander / wander.std()
    result = assess(replace(stretch, frame=stretch.frame.assign(suction_temperature=to_and_fro)))
    assert result.verdict == "never_steady"
    assert "suction superheat goes to and fro by ± " in result.text
    assert "time_to_steady" not in result.figures


def test_a_swing_that_slow_rows_see_as_noise_is_movement() -> None:
    """A row a minute: what swings in 170 s moves as much from row to row as noise would."""
    stretch, _ = plant([(0, 0.7)], 90, 60.0)
    at = np.arange(len(stretch.frame)) * 60.0
    swing = np.where(at >= 3_000, 1.5 * np.sin(2 * np.pi * at / 170.0), 0.0)
    swung = replace(
        stretch, frame=stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + swing)
    )
    noise = course_of(swung).noises["suction_superheat"]
    assert noise[-1] <= 1.2 * noise[40]
    ((_, ended),) = windows(swung)
    assert ended == pytest.approx(50.0, abs=2.5)


@pytest.mark.parametrize("step", [2.0, 30.0])
def test_what_moves_for_minutes_ends_the_window_though_it_stays_near(step: float) -> None:
    """Superheat moves by 1.25 K, hardly more than what counts as away from the window."""
    stretch, _ = plant([(0, 0.7)], 70, step)
    minutes = np.arange(len(stretch.frame)) * step / 60.0
    moved = 1.25 * np.clip((minutes - 40.0) / 7.0, 0.0, 1.0)
    frame = stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + moved)
    (_, first_end), (second, last_end) = windows(replace(stretch, frame=frame))
    assert first_end == pytest.approx(40.0, abs=3.5)
    assert 40.0 < second < 50.0
    assert last_end is None
