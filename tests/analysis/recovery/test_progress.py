"""Phases, pace, time left, stalls and pauses."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from analysis.fluids import refrigerant
from analysis.recovery import assess
from analysis.recovery.pauses import standing
from analysis.recovery.ticks import make_ticks
from analysis.scale import weigh
from analysis.stretch import Stretch
from tests.analysis.recovery.cases import WITHOUT_SCALE, found, judged, paused
from tests.benchmarks.recovery_circuit import Case, simulate
from tests.support import assert_prefix_consistent, cut, make_stretch, value


def drawn_at_one_rate() -> Stretch:
    """R-134a in 350 L: 60 kg of liquid in half an hour, then vapour by e in 400 s; both at about the same rate."""
    seconds = np.arange(0.0, 3 * 3600.0, 10.0)
    pressure = 60e3 + 426e3 * np.exp(-np.maximum(seconds - 2100.0, 0.0) / 400.0)
    vapour = 0.35 * np.asarray(refrigerant("R-134a").vapor_density_at(pressure, np.full(len(seconds), 288.0)))
    weight = 26.0 + np.interp(seconds, [300.0, 2100.0], [0.0, 60.0]) + vapour[0] - vapour
    return make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure / 1e3, 1)),
            "cylinder_weight": ("kg", np.round(weight, 3)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 15.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "67.6 kg", "internal_volume": "350 L"}},
    )


def test_the_liquid_pull_does_not_end_after_the_liquid() -> None:
    kinds = [f.kind for f in assess(drawn_at_one_rate()).findings]
    assert "liquid_gone" in kinds
    assert "liquid_pull_ended" not in kinds[kinds.index("liquid_gone") :]


def test_a_change_of_cylinder_is_no_end_of_the_liquid_pull() -> None:
    # valves closed a while before the mark, opened a while after it; the rate falls to a fifth at 3000 s
    seconds = np.arange(0.0, 4200.0, 10.0)
    pulls = (seconds >= 300.0) & ~((seconds >= 1200.0) & (seconds < 1580.0))
    rate = np.where(pulls, np.where(seconds < 480.0, 0.065, np.where(seconds < 3000.0, 0.045, 0.009)), 0.0)
    gained = np.concatenate([[0.0], np.cumsum(rate * 10.0)[:-1]])
    weight = np.where(seconds < 1290.0, 25.0 + gained, np.where(seconds < 1440.0, 0.0, 26.0 + gained - gained[149]))
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.where(pulls, 433.0, 433.4)),
            "cylinder_weight": ("kg", np.round(weight, 2)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 15.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
        journal=[
            (20.0, "mark", "cylinder_on", "a"),
            (1290.0, "mark", "cylinder_off", "a"),
            (1485.0, "mark", "cylinder_on", "b"),
        ],
    )
    ended = found(assess(stretch), "liquid_pull_ended")
    assert ended is not None
    assert 3000.0 <= (ended.time - stretch.begin).total_seconds() <= 3600.0


@pytest.mark.parametrize("breaks", [True, False])
def test_the_liquid_pull_ends_while_the_pressure_falls_too(breaks: bool) -> None:
    # liquid that chills itself; a machine that draws vapour brings less as the pressure falls, and that is no break
    seconds = np.arange(0.0, 3000.0, 5.0)
    share = np.exp(-np.maximum(seconds - 900.0, 0.0) / 1800.0)
    rate = np.where(breaks & (seconds < 1500.0), 0.06, 0.008) * share
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(433.0 * share, 1)),
            "cylinder_weight": ("kg", np.round(25.0 + np.cumsum(rate * 5.0), 2)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
    )
    ended = found(assess(stretch), "liquid_pull_ended")
    if breaks:
        assert ended is not None
        assert 1500.0 <= (ended.time - stretch.begin).total_seconds() <= 2100.0
    else:
        assert ended is None


def test_a_pause_nobody_marked_is_no_liquid_that_slows_the_fall() -> None:
    seconds = np.arange(0.0, 2400.0, 5.0)
    fall_s = np.clip(seconds - 300.0, 0.0, 1200.0)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(415.0 * np.exp(-fall_s / 1500.0), 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "water": "water"}},
    )
    warned = [f for f in assess(stretch).findings if f.kind == "freeze_risk"]
    assert not [f for f in warned if (f.time - stretch.begin).total_seconds() > 1500.0]


def test_without_a_scale_only_a_pause_shows_that_liquid_is_gone() -> None:
    run, assessment = judged(Case(channels=WITHOUT_SCALE))
    call = found(assessment, "liquid_gone")
    assert call is not None
    assert call.figures["evidence"] == "pause"
    assert run.liquid_share_at(call.time) == 0.0
    assert "no scale" in assessment.text
    assert np.isnan(value(assessment, "recovered"))


def test_unmarked_pauses_are_seen() -> None:
    _, assessment = judged(Case(marks=False))
    assert assessment.verdict == "complete"


@pytest.mark.parametrize(
    ("case", "now", "phase"),
    [
        (Case(), 2500.0, "liquid"),
        (Case(), 4000.0, "liquid"),
        (Case(volume_known=False), 3500.0, "liquid"),  # a third of what the plate misses is vapour
        (Case(volume_known=False), 4000.0, "liquid"),
        (Case(), 5600.0, "vapour"),
        # the machine arrived short: what the plate misses is not liquid that is still to come
        (Case(charged=0.85, oil=6.0), 4500.0, "vapour"),
    ],
)
def test_the_time_left_holds_the_truth(case: Case, now: float, phase: str) -> None:
    run = simulate(case)
    assessment = assess(cut(run.stretch, int(np.searchsorted(run.seconds, now))))
    assert assessment.figures["phase"] == phase
    reached = run.seconds[np.flatnonzero(run.pressure <= value(assessment, "required_level"))[0]]
    truth = (run.gone_s if phase == "liquid" else reached) - now
    assert value(assessment, "time_left_low") <= truth <= value(assessment, "time_left_high")
    assert "min (" in assessment.text


def test_while_the_hose_draws_liquid_the_time_left_is_the_least() -> None:
    run = simulate(Case())
    assessment = assess(cut(run.stretch, int(np.searchsorted(run.seconds, 1200.0))))
    assert run.pull_s > 1200.0
    assert 0.0 < value(assessment, "time_left_low") <= run.gone_s - 1200.0
    assert np.isnan(value(assessment, "time_left_high"))
    assert "At least" in assessment.text


@pytest.mark.parametrize("seed", range(5))
def test_the_pace_of_vapour_is_that_of_vapour_alone_within_the_gauges_flicker(seed: int) -> None:
    # a pool keeps the pressure until 20 min; from there it falls by e in 15 min, to 50 kPa after 2000 s more
    seconds = np.arange(0.0, 1200.0 + 900.0, 10.0)
    pressure = 460.0 * np.exp(-np.maximum(seconds - 1200.0, 0.0) / 900.0)
    flicker = np.random.default_rng(seed).normal(0.0, 2.0, len(seconds))
    for now in (1600.0, 1800.0, 2090.0):
        rows = seconds <= now
        stretch = make_stretch(
            "recovery",
            seconds[rows],
            {
                "circuit_pressure": ("kPa", np.round(pressure + flicker)[rows]),
                "leaving_water_temperature": ("degC", np.full(rows.sum(), 14.7)),
            },
            tables={
                "circuit": {"refrigerant": "R-134a", "charge": "100 kg"},
                "recovery": {"equipment_made": 2015},
            },
        )
        assessment = assess(stretch)
        assert assessment.figures["phase"] == "vapour"
        truth = 1200.0 + 900.0 * np.log(460e3 / value(assessment, "required_level")) - now
        assert value(assessment, "time_left_low") <= truth <= value(assessment, "time_left_high")


def test_a_stall_is_said() -> None:
    seconds = np.arange(0.0, 5400.0, 2.0)
    pressure = 400.0 * np.exp(-np.minimum(seconds, 2400.0) / 1500.0)
    stretch = make_stretch(
        "recovery", seconds, {"circuit_pressure": ("kPa", pressure)}, tables={"circuit": {"refrigerant": "R-134a"}},
        ended=False,
    )  # fmt: skip
    assert "Nothing has moved for" in assess(stretch).text
    over = replace(stretch, end=stretch.frame.index[-1])
    assert "Nothing has moved for" not in assess(over).text, "nobody waits any more"


def test_a_trickle_after_the_liquid_pull_is_no_pause() -> None:
    # 2 kg/min of liquid, then 6 g/min of vapour from a pool that hardly cools
    seconds = np.arange(0.0, 9000.0, 10.0)
    pressure = np.interp(seconds, [1200.0, 9000.0], [50.0, 46.0])
    weight = np.interp(seconds, [300.0, 1200.0, 9000.0], [30.0, 60.0, 60.78])
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure, 2)),
            "cylinder_weight": ("kg", np.round(weight, 2)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 9.0)),
        },
        tables={"circuit": {"refrigerant": "R-123", "charge": "40 kg"}},
    )
    ticks = make_ticks(stretch, weigh(stretch))
    assert not standing(ticks)[ticks.at_s > 2700.0].any()


@pytest.mark.parametrize("gauge_step", [0.1, 1.0])
def test_a_flat_pause_is_known_within_what_the_gauge_can_show(gauge_step: float) -> None:
    stretch = paused(0.0, gauge_step)
    call = found(assess(stretch), "liquid_gone")
    assert call is not None
    assert call.figures["evidence"] == "pause"
    # a scale is not there, but the pause is marked: 120 s are the least, and a coarse gauge takes longer
    assert 120.0 <= (call.time - stretch.begin).total_seconds() - 2100.0 <= (300.0 if gauge_step == 0.1 else 960.0)
    assert "would bring back at least" in call.text
    assert "an open valve between gauge and circuit" in call.text
    assert_prefix_consistent(assess, stretch, [430, 446, 500, 560, 600])


def test_a_pressure_that_falls_no_further_is_no_pause() -> None:
    # as much boils as the machine takes: the fall ends slowly, nobody marked a pause
    seconds = np.arange(0.0, 9000.0, 10.0)
    pressure = 30.0 + 390.0 * np.exp(-np.maximum(seconds - 600.0, 0.0) / 600.0)
    density = np.asarray(refrigerant("R-134a").vapor_density_at(pressure * 1e3, 285.0))
    boiled = 9e-4 * np.maximum(seconds - 600.0, 0.0)
    weight = 30.0 + 0.4 * (density[0] - density) + boiled
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure)),
            "cylinder_weight": ("kg", np.round(weight)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
    )
    assert found(assess(stretch), "liquid_gone") is None


def test_it_is_said_which_pause_would_show_whether_liquid_stands() -> None:
    pulls, stands = assess(cut(paused(0.0, 0.1), 345)).text, assess(cut(paused(0.0, 0.1, from_s=1500.0), 320)).text
    assert "Pause the machine, valves open, for 10 min" in pulls
    assert "Leave the machine standing, valves open, for another 4 min" in stands
    assert "no liquid stands" in stands


@pytest.mark.parametrize("row", [150, 200, 250, 295])
def test_it_is_said_how_far_down_a_pause_is_worth_its_time(row: int) -> None:
    """A fall by e in 10 min from 420 kPa: down to 76 kPa gas that warms hides what the least pocket brings back."""
    said = re.search(
        r"Pull on to about (\d+) psia \(about (\d+) min\), then pause", assess(cut(paused(0.0, 0.1), row)).text
    )
    assert said is not None
    deep, minutes = (float(number) for number in said.groups())
    assert deep * 6.895 == pytest.approx(76.0, rel=0.1)
    reached = 600.0 + 600.0 * np.log(420.0 / 76.0)
    assert minutes == pytest.approx((reached - 5.0 * row) / 60.0, abs=2.0)


def test_a_recovery_that_begins_with_a_pause_has_no_pace_yet() -> None:
    """Warnings are errors here: nothing is divided by the pressure at which nothing ran yet."""
    seconds = np.arange(0.0, 900.0, 10.0)
    stretch = make_stretch(
        "recovery",
        seconds,
        {"circuit_pressure": ("kPa", np.full(len(seconds), 433.0)), "cylinder_weight": ("kg", 25.0 + seconds * 0.0)},
        tables={"circuit": {"refrigerant": "R-134a"}},
        journal=[(0.0, "mark", "recovery_paused", "")],
    )
    assert found(assess(stretch), "liquid_pull_ended") is None
