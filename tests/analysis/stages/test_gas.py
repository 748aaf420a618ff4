"""Tests with nitrogen and evacuations, seen from the signals alone."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analysis.fluids import refrigerant
from analysis.stages import from_signals
from analysis.stages.look_back import LookBack
from analysis.stages.signals import read_signals
from analysis.vocabulary.job import Job, JobTable
from tests.analysis.stages.days import at, charged, near, pulled_and_broken, si_log, spans_in
from tests.benchmarks.stage_ensemble import START


def test_a_probe_that_is_taken_off_breaks_no_vacuum() -> None:
    """It is put away half an hour before charging, and leaves a gauge that ends at the air's pressure."""
    seconds = np.arange(0.0, 5 * 3_600.0, 10.0)
    since = seconds - 9_000.0
    vacuum = 40.0 + 101_285.0 * np.exp(-np.maximum(seconds - 1_200.0, 0.0) / 180.0)
    probe = np.where((vacuum < 2_600.0) & (since < -1_800.0), vacuum, np.nan)
    spans = spans_in(vacuum=probe, **charged(since))
    assert [span.stage for span in spans] == ["evacuation", "charging"]
    assert near(spans[0].end, 9_000.0)
    assert near(spans[1].begin, 9_000.0)


def test_a_vacuum_that_only_a_gauge_shows_from_the_first_row_on_is_not_being_pumped() -> None:
    since = np.arange(-4_200.0, 4_000.0, 10.0)
    spans = spans_in(**charged(since) | {"circuit_pressure": np.interp(since, [0.0, 1_200.0], [0.0, 570e3])})
    assert [span.stage for span in spans] == ["charging"]
    assert near(spans[0].begin, 4_200.0)


def test_a_log_that_begins_in_a_vacuum_that_the_probe_shows_has_its_evacuation_from_the_first_row_on() -> None:
    """It was shut off before, and stands for two hours."""
    seconds = np.arange(0.0, 2 * 3_600.0, 10.0)
    vacuum = 50.0 + 0.004 * seconds
    spans = spans_in(hold=1_800.0, circuit_pressure=np.zeros(len(seconds)), vacuum=vacuum)
    assert [span.stage for span in spans] == ["evacuation"]
    assert spans[0].begin == at(0.0)
    assert "before the log" in spans[0].doubt


@pytest.mark.parametrize("end_pa", [2.5e3, 266.6])
def test_a_probe_that_stands_at_its_end_from_the_first_row_on_shows_no_vacuum(end_pa: float) -> None:
    """A machine that stood open is filled after 25 min; its probe shows its end in every row, 2.5 kPa or 2 Torr."""
    seconds = np.arange(0.0, 3 * 3_600.0, 10.0)
    pressure = np.interp(seconds, [1_500.0, 2_400.0, 9_000.0, 9_600.0], [101_325.0, 1_800e3, 1_800e3, 101_325.0])
    warm = np.full(len(seconds), 293.0)
    spans = spans_in(circuit_pressure=pressure, vacuum=np.full(len(seconds), end_pa), ambient_temperature=warm)
    assert [span.stage for span in spans] == ["pressure_test"]
    assert near(spans[0].begin, 1_500.0)


@pytest.mark.parametrize("falls_s", [6.0, 25.0])
def test_a_gauge_that_goes_on_into_the_vacuum_shows_where_the_pull_began(falls_s: float) -> None:
    """A small circuit is pumped into the probe's sight within two minutes, or one, and gives off vapour for an hour.

    The gauge reads all the while.
    """
    seconds = np.arange(0.0, 2 * 3_600.0, 5.0)
    since = np.maximum(seconds - 1_235.0, 0.0)
    pressure = 60.0 + 240.0 * np.exp(-since / 1_500.0) + 101_025.0 * np.exp(-since / falls_s)
    gauge = np.round(pressure / 500.0) * 500.0 + (101_325.0 - 101_500.0)
    spans = spans_in(every_s=5.0, circuit_pressure=np.maximum(gauge, 0.0), vacuum=np.minimum(pressure, 12e3))
    assert [span.stage for span in spans] == ["evacuation"]
    assert near(spans[0].begin, 1_235.0)
    assert spans[0].within_s <= 300.0


def test_a_large_leak_is_no_letting_out() -> None:
    """A test at 14 bar gauge loses a sixth in an hour, and is let down after two hours."""
    filled, let_down = 1_800.0, 9_000.0
    seconds = np.arange(0.0, 14_000.0, 10.0)
    level = 1_400e3 * np.exp(-np.maximum(seconds - filled, 0.0) / 20_000.0)
    level *= np.interp(seconds, [filled - 300.0, filled], [0.0, 1.0])
    shown = level * np.exp(-np.maximum(seconds - let_down, 0.0) / 150.0)
    spans = spans_in(circuit_pressure=101_325.0 + shown)
    assert [span.stage for span in spans] == ["pressure_test"]
    assert near(spans[0].begin, filled - 300.0)
    assert near(spans[0].end, let_down)


def test_the_step_of_a_gauge_is_its_own_whatever_the_barometer_does() -> None:
    """One of 1 kPa over the air's pressure, two rows of each number in turn; the air moves by tens of pascals."""
    seconds = np.arange(0.0, 1_800.0, 10.0)
    air = 101_325.0 + 25.0 * np.sin(seconds)
    shown = 400e3 + 1e3 * (np.arange(len(seconds)) // 2 % 2)
    log = replace(
        si_log(seconds, {"circuit_pressure": shown + air}),
        barometer_pa=pd.Series(air, START + pd.to_timedelta(seconds, "s")),
    )
    step = read_signals(log, Job(job=JobTable(name="a gauge"))).step_pa
    assert step[5:] == pytest.approx(1_000.0)


def test_a_blank_beside_a_bend_is_not_the_bend() -> None:
    """Pressure falls by 1 kPa a minute from minute 20; minute 23 was never read."""
    minute = np.arange(60.0)
    pressure = np.interp(minute, [20.0, 60.0], [500e3, 460e3])
    pressure[23] = np.nan
    nothing = np.zeros(60)
    seen = SimpleNamespace(calm_pa=pressure, flicker_pa=nothing, step_pa=nothing)
    assert LookBack(seen).bent(55, 0) == 20  # type: ignore[arg-type]


@pytest.mark.parametrize("idle_s", [36_000.0, 3_600.0])
def test_a_vacuum_that_stands_for_hours_was_left_alone_after_its_hold(idle_s: float) -> None:
    """Pulled for an hour, shut off, held for the half hour that the job asks for; charging comes hours later."""
    seconds = np.arange(0.0, 3 * 3_600.0 + idle_s, 10.0)
    shut, charge_s = 4_800.0, 4_800.0 + 1_800.0 + idle_s
    vacuum = 26.0 + 101_299.0 * np.exp(-np.clip(seconds - 1_200.0, 0.0, shut - 1_200.0) / 180.0)
    vacuum += 9.0 * (1.0 - np.exp(-np.maximum(seconds - shut, 0.0) / 900.0))
    pressure = np.where(seconds < charge_s, vacuum, charged(seconds - charge_s)["circuit_pressure"] * (seconds > 0))
    shown = charged(seconds - charge_s) | {
        "circuit_pressure": pressure, "vacuum": np.where(pressure < 2_600.0, np.round(pressure / 0.13) * 0.13, np.nan)
    }  # fmt: skip
    spans = spans_in(hold=1_800.0, **shown)
    assert [span.stage for span in spans] == ["evacuation", "charging"]
    assert near(spans[0].end, shut + 1_800.0)
    assert spans[0].left is not None
    assert near(spans[0].left, charge_s - 150.0)
    assert near(spans[1].begin, charge_s)


@pytest.mark.parametrize("longer_s", [600.0, 1_200.0])
def test_an_evacuation_ended_between_its_hold_and_the_vacuum_that_was_broken(longer_s: float) -> None:
    """Nothing shows when people were done with it: what is told holds both."""
    charge_s = 4_800.0 + 1_800.0 + longer_s
    seconds = np.arange(0.0, charge_s + 3_600.0, 10.0)
    vacuum = 26.0 + 101_299.0 * np.exp(-np.clip(seconds - 1_200.0, 0.0, 3_600.0) / 180.0)
    vacuum += 0.05 * np.maximum(seconds - 4_800.0, 0.0)
    pressure = np.where(seconds < charge_s, vacuum, charged(seconds - charge_s)["circuit_pressure"])
    probe = np.where(pressure < 2_600.0, pressure, np.nan)
    pumped = spans_in(hold=1_800.0, circuit_pressure=pressure, vacuum=probe)[0]
    assert pumped.end is not None
    for meant in (4_800.0 + 1_800.0, charge_s):
        assert abs((pumped.end - at(meant)).total_seconds()) <= pumped.end_within_s + 120.0


def test_a_vacuum_that_still_stands_at_the_end_of_the_log_was_held_as_long_as_the_job_asks() -> None:
    """Pulled for an hour, shut off and left alone: what follows may still belong to it."""
    seconds = np.arange(0.0, 3 * 3_600.0, 10.0)
    shut = 4_800.0
    vacuum = 26.0 + 101_299.0 * np.exp(-np.clip(seconds - 1_200.0, 0.0, shut - 1_200.0) / 180.0)
    vacuum += 9.0 * (1.0 - np.exp(-np.maximum(seconds - shut, 0.0) / 900.0))
    probe = np.where(vacuum < 2_600.0, np.round(vacuum / 0.13) * 0.13, np.nan)
    spans = spans_in(hold=1_800.0, circuit_pressure=vacuum, vacuum=probe)
    assert [span.stage for span in spans] == ["evacuation"]
    assert near(spans[0].end, shut + 1_800.0)
    assert spans[0].known_until is None


@pytest.mark.parametrize("scaled", [True, False])
def test_a_sweep_over_the_airs_pressure_is_of_the_evacuation(scaled: bool) -> None:
    """Nitrogen breaks the vacuum, in two steps to 1.6 bar, and is let out 40 min later before it is pumped again."""
    seconds = np.arange(0.0, 5 * 3_600.0, 10.0)
    again = 26.0 + 101_299.0 * np.exp(-np.maximum(seconds - 9_000.0, 0.0) / 180.0)
    swept = np.interp(
        seconds,
        [5_400.0, 5_700.0, 6_300.0, 6_420.0, 8_700.0, 9_000.0],
        [0.0, 101_325.0, 101_325.0, 160e3, 160e3, 101_325.0],
    )
    pressure = np.where(
        seconds < 5_400.0, pulled_and_broken(seconds, 5_400.0), np.where(seconds < 9_000.0, swept, again)
    )
    scale = {"cylinder_weight": np.zeros(len(seconds))} if scaled else {}
    room = np.full(len(seconds), 293.0)
    spans = spans_in(
        refrigerant="R-404A", circuit_pressure=pressure, ambient_temperature=room, vacuum=pressure, **scale
    )
    assert [span.stage for span in spans] == ["evacuation"]
    assert near(spans[0].begin, 1_200.0)


@pytest.mark.parametrize(("asked", "is_one"), [("260 kPa", True), (None, False)])
def test_nitrogen_at_the_pressure_that_the_job_tests_at_is_a_test_at_once(asked: str | None, is_one: bool) -> None:
    """A vacuum is filled to 2.6 bar, which stands for 45 min, while nothing stands on the scale."""
    seconds = np.arange(0.0, 8_700.0, 10.0)
    pressure = pulled_and_broken(seconds, 5_400.0)
    pressure = np.where(seconds < 5_400.0, pressure, np.interp(seconds, [5_400.0, 6_000.0], [1e3, 260e3]))
    shown = {"vacuum": pressure, "cylinder_weight": np.zeros(len(seconds))}
    shown["ambient_temperature"] = np.full(len(seconds), 293.0)
    spans = spans_in(refrigerant="R-404A", test=asked, circuit_pressure=pressure, **shown)
    assert ("pressure_test" in [span.stage for span in spans]) is is_one


def test_nitrogen_that_is_let_out_within_minutes_purges() -> None:
    """Twice to 2.5 bar for a few minutes before the test (common practice)."""
    minutes = np.array([0, 60, 64, 70, 74, 80, 84, 90, 94, 110, 125, 600, 630])
    gauge = np.array([0, 0, 150, 150, 0, 0, 150, 150, 0, 0, 1_000, 1_000, 0]) * 1e3
    pressure = 101_325.0 + np.interp(np.arange(0.0, 11 * 3_600.0, 10.0), 60.0 * minutes, gauge)
    spans = spans_in(circuit_pressure=pressure, ambient_temperature=np.full(len(pressure), 293.0))
    assert [span.stage for span in spans] == ["pressure_test"]
    assert near(spans[0].begin, 60.0 * 110)


def test_trace_gas_in_an_open_circuit_is_no_charge() -> None:
    """After a pull it stands open for an hour; .8 kg off a cylinder to 2 bar, nitrogen to 8 (common practice)."""
    since = np.arange(-1_800.0, 5 * 3_600.0, 10.0)
    drawn = np.interp(since, [0.0, 1_200.0, 2_400.0, 5_000.0, 5_300.0], [570e3, 540e3, 60e3, 65e3, 101_325.0])
    filled = np.interp(since, [9_300.0, 9_600.0, 10_200.0, 10_500.0], [0.0, 100e3, 100e3, 700e3])
    weight = np.interp(since, [-301.0, -300.0, 0.0, 1_200.0, 2_400.0], [0.0, 20.0, 20.0, 50.0, 54.0])
    weight = np.where(since < 4_000.0, weight, np.interp(since, [9_000.0, 9_010.0, 9_300.0, 9_600.0], [0, 10, 10, 9.2]))
    room = np.full(len(since), 293.0)
    spans = spans_in(circuit_pressure=drawn + filled, cylinder_weight=weight, ambient_temperature=room)
    assert [span.stage for span in spans][-2:] == ["recovery", "pressure_test"]
    assert near(spans[-1].begin, 1_800.0 + 9_300.0)


def test_what_came_back_while_a_cylinder_stood_there_is_no_nitrogen() -> None:
    """After the last pull oil gives back 0.9 bar; an hour later the cylinder leaves, and then all is let out."""
    since = np.arange(-1_800.0, 4 * 3_600.0, 10.0)
    drawn = np.interp(since, [0.0, 1_200.0, 2_400.0], [570e3, 540e3, 70e3])
    back = 100e3 * (1.0 - np.exp(-np.maximum(since - 2_400.0, 0.0) / 800.0))
    pressure = np.where(since < 7_200.0, drawn + back, np.interp(since, [7_200.0, 7_500.0], [168e3, 101_325.0]))
    weight = np.interp(since, [-301.0, -300.0, 0.0, 1_200.0, 2_400.0], [0.0, 20.0, 20.0, 50.0, 54.0])
    weight = np.where(since < 6_000.0, weight, 0.0)
    room = np.full(len(since), 293.0)
    spans = spans_in(circuit_pressure=pressure, cylinder_weight=weight, ambient_temperature=room)
    assert "pressure_test" not in [span.stage for span in spans]


def test_nitrogen_at_saturation_after_the_air_was_let_in_is_a_test() -> None:
    """A vacuum is broken, stands at the air's pressure for ten minutes, and what fills it then stands at 570 kPa."""
    seconds = np.arange(0.0, 5 * 3_600.0, 10.0)
    gas = np.interp(seconds, [9_600.0, 9_900.0, 15_000.0, 15_300.0], [101_325.0, 570e3, 570e3, 101_325.0])
    pressure = np.where(seconds < 9_600.0, pulled_and_broken(seconds, 9_000.0), gas)
    warm = {"leaving_water_temperature": np.full(len(seconds), 293.0)}
    spans = spans_in(circuit_pressure=pressure, vacuum=np.where(pressure < 2_600.0, pressure, np.nan), **warm)
    assert [span.stage for span in spans] == ["evacuation", "pressure_test"]
    assert near(spans[1].begin, 9_600.0)
    assert near(spans[1].end, 15_000.0)


def test_what_flows_beside_a_circuit_that_stands_open_is_none_of_its_refrigerant() -> None:
    """A cylinder fills another machine from the scale, later nitrogen is let in."""
    seconds = np.arange(0.0, 4 * 3_600.0, 10.0)
    spans = spans_in(
        circuit_pressure=np.interp(seconds, [7_200.0, 7_500.0], [101_325.0, 1_100e3]),
        cylinder_weight=np.interp(seconds, [1_800.0, 3_000.0], [40.0, 34.0]),
    )
    assert [span.stage for span in spans] == ["pressure_test"]


def test_gas_that_rushes_in_after_the_oil_gave_back_is_the_test() -> None:
    """A recovery leaves 60 kPa that creep past the air's pressure for an hour before nitrogen comes."""
    since = np.arange(-1_800.0, 6 * 3_600.0, 10.0)
    falls = [0.0, 3_600.0, 5_400.0, 9_600.0, 10_200.0, 18_000.0, 18_300.0]
    pressure = np.interp(since, falls, 1e3 * np.array([572, 60, 60, 130, 1_100, 1_100, 101.3]))
    gross = np.interp(since, [-301, -300, 0, 3_600, 5_400, 5_401], [0, 20, 20, 50, 50, 0])
    spans = [span for span in spans_in(circuit_pressure=pressure, cylinder_weight=gross) if span.stage != "at_rest"]
    assert [span.stage for span in spans] == ["recovery", "pressure_test"]
    assert near(spans[1].begin, 1_800.0 + 9_600.0)
    assert near(spans[1].end, 1_800.0 + 18_000.0)


def test_gas_that_comes_straight_out_of_a_vacuum_is_let_in_from_there() -> None:
    """Low pressure: 4 kPa after the recovery, then nitrogen to 70 kPa over the air's in half an hour."""
    since = np.arange(-1_800.0, 6 * 3_600.0, 10.0)
    moments = [0.0, 1_800.0, 7_200.0, 9_000.0, 18_000.0, 18_300.0]
    pressure = np.interp(since, moments, 1e3 * np.array([80, 4, 4, 171, 171, 101.3]))
    gross = np.interp(since, [-301, -300, 0, 1_800, 3_600, 3_601], [0, 20, 20, 50, 50, 0])
    spans = spans_in("R-123", circuit_pressure=pressure, cylinder_weight=gross)
    assert [span.stage for span in spans if span.stage != "at_rest"] == ["recovery", "pressure_test"]
    assert near(spans[-1].begin, 1_800.0 + 7_200.0)


def test_a_hold_is_seen_through_the_steps_of_a_probe() -> None:
    """Shut off at 54 micron, it rises by half in 75 min; the probe flickers by a hundredth a minute."""
    seconds = np.arange(0.0, 3 * 3_600.0 + 1_500.0, 60.0)
    shut = 7_800.0
    vacuum = 7.1 + 101_299.0 * np.exp(-np.clip(seconds - 1_200.0, 0.0, shut - 1_200.0) / 180.0)
    vacuum *= 1.0 + 0.5 * np.maximum(seconds - shut, 0.0) / 4_500.0
    vacuum *= 1.0 + 0.01 * np.random.default_rng(4).standard_normal(len(seconds))
    probe = np.where(vacuum < 2_600.0, np.round(vacuum / 0.1333) * 0.1333, np.nan)
    spans = spans_in(hold=900.0, every_s=60.0, circuit_pressure=vacuum, vacuum=probe)
    assert [span.stage for span in spans] == ["evacuation"]
    assert near(spans[0].end, shut + 900.0)


def test_water_that_nobody_logs_may_be_warmer_than_the_room() -> None:
    """R-410A at 20 degC in a room of 12 degC stands; it is no nitrogen."""
    shown = {"circuit_pressure": np.full(200, 1_440e3), "ambient_temperature": np.full(200, 285.0)}
    assert [span.stage for span in spans_in("R-410A", every_s=30.0, water="water", **shown)] == ["at_rest"]


def test_a_gauge_that_comes_back_while_it_is_filled_shows_the_begin_of_the_test() -> None:
    """An open circuit; its gauge is off for an hour and comes back with the first step of nitrogen in it."""
    seconds = np.arange(0.0, 4 * 3_600.0, 10.0)
    gas = np.interp(seconds, [5_400.0, 5_430.0, 6_000.0, 6_120.0, 12_600.0], [101_325.0, 300e3, 300e3, 900e3, 900e3])
    pressure = np.where((seconds > 1_800.0) & (seconds < 5_430.0), np.nan, gas)
    spans = spans_in(circuit_pressure=pressure, ambient_temperature=np.full(len(seconds), 293.0))
    assert [span.stage for span in spans] == ["pressure_test"]
    assert near(spans[0].begin, 5_430.0)


@pytest.mark.parametrize(("stated", "known_s"), [("450 kPa", 240.0), (None, 5_400.0)])
def test_a_night_of_gas_alone_is_a_test_at_once_at_the_stated_pressure_else_once_it_stood(
    stated: str | None, known_s: float
) -> None:
    """At 450 kPa R-134a of 20 degC could be vapour alone, and nobody logs that for a night."""
    seconds = np.arange(0.0, 10 * 3_600.0, 60.0)
    shown = {"circuit_pressure": np.full(len(seconds), 450e3), "ambient_temperature": np.full(len(seconds), 293.0)}
    job = Job.model_validate(
        {
            "job": {"name": "a night"},
            "circuit": {"refrigerant": "R-134a"},
            "pressure_test": {} if stated is None else {"pressure": stated},
        }
    )
    (span,) = from_signals(si_log(seconds, shown, pressure_in="kPa"), job)
    assert span.stage == "pressure_test"
    assert span.begin == at(0.0)
    assert near(span.known_from, known_s)
    assert ("vapour that was left" in span.doubt) == (stated is None)


def test_nitrogen_at_saturation_where_a_scale_was_put_away_is_a_test() -> None:
    """A recovery onto a scale; it is taken away, and the gauge until the circuit is filled to saturation."""
    seconds = np.arange(0.0, 6 * 3_600.0, 10.0)
    pressure = np.interp(
        seconds, [600, 1_800, 3_000, 4_800, 5_100, 9_000, 9_240], [572e3, 560e3, 70e3, 70e3, 101e3, 101e3, 572e3]
    )
    weight = np.interp(seconds, [600.0, 3_000.0], [20.0, 60.0])
    weight[seconds > 4_500.0] = pressure[(seconds > 4_900.0) & (seconds < 9_000.0)] = np.nan
    water = np.full(len(seconds), 293.0)
    spans = spans_in(circuit_pressure=pressure, cylinder_weight=weight, leaving_water_temperature=water)
    assert [span.stage for span in spans] == ["recovery", "pressure_test"]
    assert near(spans[1].begin, 9_000.0)


@pytest.mark.parametrize("gas", ["liquid that boils back", "nitrogen"])
def test_what_slows_down_at_saturation_while_the_cylinder_is_away_is_no_nitrogen(gas: str) -> None:
    """A pull stops at 1.5 bar and the cylinder is lifted off; R-134a at 20 degC would come back to 5.72 bar."""
    seconds = np.arange(0.0, 4 * 3_600.0, 10.0)
    fell = np.interp(seconds, [1_800.0, 3_600.0, 5_400.0], [572e3, 500e3, 150e3])
    since = np.maximum(seconds - 6_600.0, 0.0)
    boiled = 572e3 - 422e3 * np.exp(-since / 300.0)
    let_in = np.interp(since, [0.0, 600.0], [150e3, 572e3])
    pressure = np.where(since == 0.0, fell, let_in if gas == "nitrogen" else boiled)
    gross = np.interp(
        seconds, [1_499.0, 1_500.0, 1_800.0, 5_400.0, 6_000.0, 6_001.0], [0.0, 20.0, 20.0, 60.0, 60.0, 0.0]
    )
    warm = np.full(len(seconds), 293.15)
    spans = spans_in(circuit_pressure=pressure, cylinder_weight=gross, ambient_temperature=warm)
    tested = [span for span in spans if span.stage == "pressure_test"]
    assert len(tested) == (gas == "nitrogen")
    assert all(near(span.begin, 6_600.0) for span in tested)


def test_a_vacuum_that_never_reached_its_target_is_pumped_until_it_is_broken() -> None:
    """The pump's oil takes up what it pumps, and the vacuum creeps up from 1,400 to 1,900 micron."""
    seconds = np.arange(0.0, 5 * 3_600.0, 10.0)
    since = np.maximum(seconds - 1_200.0, 0.0)
    vacuum = 187.0 + 101_138.0 * np.exp(-since / 180.0) + 66.0 * (1.0 - np.exp(-since / 2_400.0))
    pressure = np.where(seconds < 14_400.0, vacuum, 101_325.0)
    shown = {"circuit_pressure": pressure, "vacuum": pressure, "ambient_temperature": np.full(len(seconds), 293.0)}
    job = Job.model_validate({"job": {"name": "a pull"}, "evacuation": {"target": "500 micron", "hold": "15 min"}})
    spans = from_signals(si_log(seconds, shown), job)
    assert [span.stage for span in spans][-1] == "evacuation"
    assert near(spans[-1].end, 14_400.0)


@pytest.mark.parametrize(("test", "found"), [("250 psig", ["pressure_test"]), ("220 psig", []), (None, [])])
def test_a_night_that_one_gauge_alone_shows_is_a_test_where_the_job_asks_for_that_pressure(
    test: str | None, found: list[str]
) -> None:
    """Liquid would stand at 250 psig in a room of 29 degC, and nothing says how warm it is."""
    settled = 1.0 - 0.02 * (1.0 - np.exp(-np.arange(0.0, 10 * 3_600.0, 60.0) / 900.0))
    spans = spans_in("R-410A", every_s=60.0, test=test, circuit_pressure=1_825e3 * settled)
    assert [span.stage for span in spans] == found
    assert all(near(span.begin, 0.0) for span in spans)


def test_a_gauge_that_is_taken_off_opens_no_circuit() -> None:
    """A charged machine stands as before when its gauge comes back."""
    since = np.arange(0.0, 3 * 3_600.0, 10.0)
    pressure = np.where((since > 900.0) & (since < 5_400.0), np.nan, 570e3)
    assert spans_in(circuit_pressure=pressure) == []


@pytest.mark.parametrize(("liquid", "found"), [(False, ["pressure_test"]), (True, [])])
def test_a_night_at_saturation_is_a_test_where_pressure_stood_while_saturation_fell(
    liquid: bool, found: list[str]
) -> None:
    """250 psig of gas that still settles, where R-410A stands at as much; the room cools from 27 to 23 degC.

    Saturation falls by a tenth, a gas by a seventieth.
    """
    seconds = np.arange(0.0, 12 * 3_600.0, 60.0)
    kelvin = 298.0 + 2.2 * np.cos(seconds / 43_200.0 * np.pi)
    gas = 1_810e3 * (1.0 + 0.03 * np.exp(-seconds / 900.0)) * kelvin / kelvin[0]
    pressure = refrigerant("R-410A").bubble_pressure_pa(kelvin) if liquid else gas
    spans = spans_in("R-410A", every_s=60.0, test="250 psig", circuit_pressure=pressure, ambient_temperature=kelvin)
    assert [span.stage for span in spans if span.stage != "at_rest"] == found


@pytest.mark.parametrize(("again_s", "whole"), [(20.0, True), (300.0, False)])
def test_a_hose_that_is_moved_during_a_test_does_not_end_it(again_s: float, whole: bool) -> None:
    """The gauge shows the air's pressure for ten minutes, and at once what it showed before; gas comes in minutes.

    A gauge of 1 psi a number, which stands one above nothing when it is open.
    """
    seconds = np.arange(0.0, 4 * 3_600.0, 10.0)
    off_s, let_out_s = 5_400.0, 10_800.0
    shown = np.interp(seconds, [1_200.0, 1_800.0, off_s, off_s + 5.0], [0.0, 900e3, 900e3, 0.0])
    shown += np.interp(seconds, [off_s + 600.0, off_s + 600.0 + again_s], [0.0, 900e3])
    shown *= np.exp(-np.maximum(seconds - let_out_s, 0.0) / 150.0)
    spans = spans_in(circuit_pressure=101_325.0 + 6_895.0 * np.round(shown / 6_895.0 + 1.0))
    assert [span.stage for span in spans] == ["pressure_test"] * (1 if whole else 2)
    assert near(spans[0].end, let_out_s if whole else off_s)
    assert near(spans[-1].end, let_out_s)
    assert near(spans[-1].begin, 1_200.0 if whole else off_s + 600.0)


def test_a_test_let_out_at_once_ended_then_whatever_follows() -> None:
    """A small circuit: half an hour later that is sure; sooner where it is pumped, or where the log ends."""
    seconds = np.arange(0.0, 3 * 3_600.0, 10.0)
    gas = np.interp(seconds, [1_200.0, 1_800.0, 5_400.0, 5_430.0], [101e3, 900e3, 900e3, 101e3])
    pumped = gas * np.exp(-np.maximum(seconds - 6_000.0, 0.0) / 120.0)
    for shown, rows in ((gas, len(seconds)), (pumped, len(seconds)), (gas, 600)):
        spans = spans_in(circuit_pressure=shown[:rows])
        assert [span.stage for span in spans] == ["pressure_test"] + ["evacuation"] * (shown is pumped)
        assert near(spans[0].end, 5_400.0)
    assert spans[0].known_until is None


@pytest.mark.parametrize("floor_pa", [1_408.0, 2_200.0])
@pytest.mark.parametrize("ends_pa", [2_666.0, 101_325.0])
@pytest.mark.parametrize("marks", [[(5.0, "mark", "pump_on", "")], []])
def test_a_wet_circuit_that_a_probe_alone_shows_is_pumped_from_the_first_row_on(
    floor_pa: float, ends_pa: float, marks: list[tuple[float, str, str, str]]
) -> None:
    """Water boils in it at 12 or 19 degC and holds the vacuum there for an hour; no recovery of R-134a goes so deep."""
    seconds = np.arange(0.0, 3_600.0, 2.0)
    probe = floor_pa + (101_325.0 - floor_pa) * np.exp(-seconds / 120.0)
    shown = {"vacuum": np.minimum(probe, ends_pa), "ambient_temperature": np.full(len(seconds), 293.0)}
    job = Job.model_validate({"job": {"name": "a pull"}, "circuit": {"refrigerant": "R-134a"}})
    log = si_log(seconds, shown, marks)
    spans = from_signals(log, job)
    assert [span.stage for span in spans] == ["evacuation"]
    assert near(spans[0].begin, 0.0)
    assert spans[0].known_from <= at(1_860.0)
    assert from_signals(log.before(spans[0].known_from), job)[0].begin == spans[0].begin


@pytest.mark.parametrize("marks", [[(600.0, "mark", "recovery_resumed", "")], []])
@pytest.mark.parametrize("deepest_pa", [3_333.0, 2_000.0])
def test_a_recovery_to_25_mmhg_and_deeper_that_a_probe_alone_shows_is_no_evacuation(
    deepest_pa: float, marks: list[tuple[float, str, str, str]]
) -> None:
    """The level that 40 CFR 82.156 asks of a low-pressure machine, or what a good machine reaches beyond it."""
    seconds = np.arange(0.0, 2 * 3_600.0, 10.0)
    probe = deepest_pa + (76e3 - deepest_pa) * np.exp(-np.maximum(seconds - 600.0, 0.0) / 300.0)
    shown = {"vacuum": np.minimum(probe, 2_666.0), "ambient_temperature": np.full(len(seconds), 293.0)}
    job = Job.model_validate({"job": {"name": "a recovery"}, "circuit": {"refrigerant": "R-123"}})
    spans = from_signals(si_log(seconds, shown, marks), job)
    assert "evacuation" not in [span.stage for span in spans]


def test_a_gauge_that_falls_to_its_floor_from_the_first_row_on_shows_a_pump() -> None:
    """No recovery of R-134a goes there, and a scale beside it shows none."""
    seconds = np.arange(0.0, 3_600.0, 10.0)
    gauge = np.round(101_325.0 * np.exp(-seconds / 120.0) / 690.0) * 690.0
    still = np.full(len(seconds), 25.0)
    spans = spans_in(circuit_pressure=gauge, cylinder_weight=still, ambient_temperature=still + 268.0)
    assert [span.stage for span in spans] == ["evacuation"]
    assert near(spans[0].begin, 0.0)


def test_a_pump_that_was_marked_draws_from_what_a_recovery_left() -> None:
    """Nobody opened the machine: from 50 kPa it is pumped to where its water boils, and no probe goes so high."""
    seconds = np.arange(0.0, 3 * 3_600.0, 10.0)
    drawn = 50e3 + 522e3 * np.exp(-np.maximum(seconds - 900.0, 0.0) / 400.0)
    pressure = np.where(seconds < 6_000.0, drawn, 2_000.0 + 48e3 * np.exp(-np.maximum(seconds - 6_000.0, 0.0) / 120.0))
    gross = np.interp(seconds, [900.0, 2_700.0], [30.0, 55.0])
    shown = {
        "circuit_pressure": pressure,
        "cylinder_weight": gross,
        "ambient_temperature": np.full(len(seconds), 293.0),
    }
    job = Job.model_validate({"job": {"name": "a retrofit"}, "circuit": {"refrigerant": "R-134a"}})
    marked = from_signals(si_log(seconds, shown, [(6_000.0, "mark", "pump_on", "")]), job)
    assert [span.stage for span in marked][-2:] == ["recovery", "evacuation"]
    assert near(marked[-1].begin, 6_000.0)
    assert "evacuation" not in [span.stage for span in from_signals(si_log(seconds, shown), job)]


def test_a_pump_began_when_it_was_marked_where_a_probe_left_its_top_and_hardly_falls() -> None:
    seconds = np.arange(0.0, 3_600.0, 5.0)
    slow = 2_150.0 + 220.0 * np.exp(-(seconds - 660.0) / 900.0)
    shown = {"vacuum": np.where(seconds < 660.0, 2_666.0, slow), "ambient_temperature": np.full(len(seconds), 293.0)}
    job = Job.model_validate({"job": {"name": "a pull"}, "circuit": {"refrigerant": "R-404A"}})
    (span,) = from_signals(si_log(seconds, shown, [(5.0, "mark", "pump_on", "")]), job)
    assert span.stage == "evacuation"
    assert near(span.begin, 5.0)
