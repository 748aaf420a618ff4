"""Vacuum probes that lie: named once and left out, and no verdict made of what they showed; honest ones left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.belief import believe
from analysis.log import Log
from analysis.review import review
from analysis.vocabulary.job import Job, parse_job
from analysis.vocabulary.units import UNITS
from tests.support import START, make_log

STEP = 5.0
MINUTE = int(60.0 / STEP)


def job_of(target: str = "500 micron", hold: str = "20 min") -> Job:
    return parse_job(
        {"job": {"name": "n"}, "evacuation": {"target": target, "hold": hold, "hold_limit": "1000 micron"}}
    )


def course(rise_per_min: float = 8.0) -> np.ndarray:
    """Return what a probe reads of 90 min [micron]: a pull in 60 min towards 250, then a closed circuit that rises."""
    minute = np.arange(90 * MINUTE) / MINUTE
    pull = 250.0 + 700_000.0 * np.exp(-minute / 4.0)
    return np.where(minute < 60.0, pull, pull[60 * MINUTE] + rise_per_min * (minute - 60.0))


def logged(
    vacuum: np.ndarray, unit: str = "micron", others: dict[str, tuple[str, np.ndarray]] | None = None,
    marks: tuple[tuple[float, str], ...] = ((3_600.0, "pump_valve_closed"),),
) -> Log:  # fmt: skip
    at = STEP * np.arange(len(vacuum))
    rows = [(0.0, "stage", "evacuation", "begin"), (float(at[-1]), "stage", "evacuation", "end")]
    rows += [(when, "mark", subject, "") for when, subject in marks]
    return make_log(at, {"vacuum": (unit, vacuum), **(others or {})}, journal=rows)[0]


def shown(pressure: np.ndarray, noise: float = 0.005, quantum: float = 1.0, top: float = 25_000.0) -> np.ndarray:
    """Return what the probe shows: noise in proportion, its step, blank above its range."""
    dice = np.random.default_rng(1)
    read = np.round(pressure * (1.0 + noise * dice.normal(size=len(pressure))) / quantum) * quantum
    return np.where(pressure > top, np.nan, read)


def found(log: Log) -> list[tuple[str, str, float]]:
    """Return kind, channel and since [min] of what is not believed, checked to be the same of a log that grows."""
    findings = believe(log)[1]
    for share in (0.3, 0.5, 0.7, 0.8, 0.9):
        now = log.frame.index[int(share * len(log.frame))]
        told = [f for f in findings if f.time <= now]
        assert [(f.time, f.since, f.kind) for f in believe(log.before(now))[1]] == [
            (f.time, f.since, f.kind) for f in told
        ]
    return [
        (f.kind, str(f.figures["channel"]), (f.since - START) / pd.Timedelta(minutes=1)) for f in findings
    ]  # fmt: skip


def verdict(log: Log) -> str:
    return review(log, job_of()).stages[0].assessment.verdict


@pytest.mark.parametrize(("noise", "quantum"), [(0.0, 1.0), (0.0, 10.0), (0.003, 1.0), (0.003, 10.0), (0.02, 1.0)])
@pytest.mark.parametrize("rise", [0.0, 0.5, 8.0, 60.0])
def test_an_honest_probe_raises_no_doubt(noise: float, quantum: float, rise: float) -> None:
    assert found(logged(shown(course(rise), noise, quantum))) == []


def test_a_rise_that_a_valve_ends_raises_no_doubt() -> None:
    pressure = course(60.0)
    pressure[75 * MINUTE :] = 250.0 + 900.0 * np.exp(-np.arange(15 * MINUTE) / MINUTE)
    assert found(logged(shown(pressure, 0.0))) == []


def test_a_pump_that_draws_on_a_rise_for_less_than_a_minute_raises_no_doubt() -> None:
    pressure = course(40.0)
    since_s = STEP * np.arange(-72 * MINUTE, 18 * MINUTE)
    drawn = 480.0 * (1.0 - np.exp(-np.clip(since_s, 0.0, 45.0) / 20.0))
    assert found(logged(shown(pressure - drawn, 0.002))) == []


def test_a_torr_gauge_that_comes_to_nothing_by_itself_raises_no_doubt() -> None:
    assert found(logged(shown(course(0.0) / 1_000.0 - 0.249, 0.0, 0.01, 25.0), "Torr")) == []


def test_a_vacuum_that_is_broken_and_pulled_again_raises_no_doubt() -> None:
    pressure = np.concatenate([course()[: 60 * MINUTE], np.full(20 * MINUTE, 760e3), course()])
    assert found(logged(shown(pressure), marks=())) == []


@pytest.mark.parametrize("number", [-999.0, 0.0])
def test_a_number_that_says_there_is_none_is_no_vacuum(number: float) -> None:
    read = shown(course())
    read[30 * MINUTE :] = number
    log = logged(read)
    assert [(kind, channel) for kind, channel, _ in found(log)] == [("channel_lost", "vacuum")]
    assert found(log)[0][2] == pytest.approx(30.0, abs=0.2)
    assert verdict(logged(shown(course()))) == "held"
    assert verdict(log) == "undecided"


def test_a_probe_that_falls_silent_beside_a_gauge_in_a_vacuum_is_named() -> None:
    read = shown(course())
    read[40 * MINUTE :] = np.nan
    gauge = np.round(np.maximum(course(), 0.0) * 0.133322 / 1e3, 1)
    others = {"circuit_pressure": ("kPa", gauge)}
    assert found(logged(shown(course()), others=others)) == []
    assert [(kind, round(since)) for kind, _, since in found(logged(read, others=others))] == [("channel_lost", 40)]
    broken = {"circuit_pressure": ("kPa", np.where(np.arange(len(gauge)) < 40 * MINUTE, gauge, 101.3))}
    assert found(logged(read, others=broken)) == []


@pytest.mark.parametrize(("code", "unit"), [(9_999.0, "micron"), (99_999.0, "micron"), (9_999.0, "Pa")])
def test_a_display_of_nines_in_a_hold_is_no_pressure(code: float, unit: str) -> None:
    """The circuit did not leave its vacuum: the hold is not known to have failed, nor the target to be missed."""
    read = shown(course(), quantum=0.1) * (1.0 if unit == "micron" else 0.133322)
    read[65 * MINUTE :] = code
    log = logged(read, unit, {"circuit_pressure": ("kPa", np.round(course() * 0.133322 / 1e3, 1))})
    assert [(kind, round(since)) for kind, _, since in found(log)] == [("channel_lost", 65)]
    assert verdict(log) == "undecided"


def test_a_probe_that_is_back_where_it_was_had_fallen_silent() -> None:
    read = shown(course())
    read[62 * MINUTE : 66 * MINUTE] = np.nan
    assert [(kind, round(since)) for kind, _, since in found(logged(read))] == [("channel_lost", 62)]


def test_a_pump_that_is_switched_off_behind_its_valve_raises_no_doubt() -> None:
    """Air comes to the probe at the pump, which shows nothing then, and is back at its floor when the pump runs."""
    pump = shown(course(0.0))
    pump[62 * MINUTE : 80 * MINUTE] = np.nan
    gauge = np.round(np.maximum(course(), 0.0) * 0.133322 / 1e3, 1)
    others = {"pump_vacuum": ("micron", pump), "circuit_pressure": ("kPa", gauge)}
    assert found(logged(shown(course()), others=others)) == []


def test_a_probe_that_is_silent_for_longer_than_a_vacuum_stays_broken_is_named() -> None:
    read = shown(np.concatenate([course(), np.full(30 * MINUTE, 250.0)]))
    read[50 * MINUTE :] = np.nan
    (kind, channel, since), *more = found(logged(read, marks=()))
    assert (kind, channel, more) == ("channel_lost", "vacuum", [])
    assert since == pytest.approx(50.0, abs=0.1)
    marked = logged(read, marks=((3_300.0, "vacuum_broken"),))
    assert found(marked) == []


def test_a_silence_of_which_nothing_is_known_decides_nothing() -> None:
    read = shown(course())
    read[35 * MINUTE :] = np.nan  # at 360 micron, above the target of the job below
    log = logged(read)
    assert review(log, job_of("300 micron")).stages[0].assessment.verdict == "undecided"
    high = shown(course() + 2_000.0)
    assert review(logged(high), job_of("300 micron")).stages[0].assessment.verdict == "not_reached"


def coarse(micron: np.ndarray) -> np.ndarray:
    """Return what a display in steps of 5 micron, of 50 from 1000 and of 500 from 10,000 on, shows [Pa, six digits]."""
    step = np.where(micron < 1_000.0, 5.0, np.where(micron < 10_000.0, 50.0, 500.0))
    return np.array([float(f"{number:.6g}") for number in np.round(micron / step) * step * 0.133322])


@pytest.mark.parametrize("lag_s", [15.0, 30.0])
@pytest.mark.parametrize(("noise", "floor"), [(0.0, 340.0), (0.001, 75.0), (0.003, 127.0), (0.002, 1_210.0)])
def test_a_coarse_display_logged_in_another_unit_stands_still_honestly(
    noise: float, floor: float, lag_s: float
) -> None:
    """What a display rounds off is no noise, in whatever unit the log counts: a quick pull ends on a floor."""
    at = STEP * np.arange(60 * MINUTE)
    level = floor + 700_000.0 * np.exp(-at / lag_s)
    noisy = level * (1.0 + noise * np.random.default_rng(0).normal(size=len(level)))
    assert found(logged(coarse(noisy), "Pa", marks=())) == []


def test_restless_readings_that_stand_still_are_stuck() -> None:
    read = shown(course())
    read[45 * MINUTE :] = read[45 * MINUTE]
    log = logged(read)
    assert [(kind, round(since)) for kind, _, since in found(log)] == [("channel_stuck", 45)]
    assert verdict(log) == "undecided"


@pytest.mark.parametrize("number", [850.0, 6_553.5])
def test_a_probe_that_leaps_to_one_number_is_stuck_and_one_that_leaps_to_its_end_is_not(number: float) -> None:
    read = shown(course())
    leaves = int(np.argmax(read < 0.7 * number)) if number > 1_000.0 else 20 * MINUTE
    read[leaves:] = number
    log = logged(read, marks=())
    assert [(kind, round(since)) for kind, _, since in found(log)] == [("channel_stuck", round(leaves / MINUTE))]
    ended = np.fmin(read, number)  # no more than this was ever shown
    assert found(logged(ended, marks=())) == []


def test_a_pump_that_is_shut_off_leaps_to_the_level_that_it_keeps() -> None:
    read = shown(course())
    at_pump = read.copy()
    at_pump[20 * MINUTE :] = 850.0
    assert found(logged(read, others={"pump_vacuum": ("micron", at_pump)}, marks=())) == []


def test_a_rise_that_stops_dead_is_stuck() -> None:
    read = shown(course(60.0), 0.0)
    assert verdict(logged(read)) == "rising_leak"
    read[70 * MINUTE :] = read[70 * MINUTE]
    assert [(kind, round(since)) for kind, _, since in found(logged(read))] == [("channel_stuck", 70)]
    assert verdict(logged(read)) == "undecided"


def test_a_rise_that_goes_on_below_a_step_has_jumped() -> None:
    read = shown(course(40.0), 0.002)
    read[72 * MINUTE :] -= 300.0
    log = logged(read)
    assert [(kind, round(since)) for kind, _, since in found(log)] == [("channel_jumped", 72)]
    assert verdict(log) != "held"


def test_a_display_switched_over_shows_another_unit() -> None:
    read = shown(course(2.0) * 0.133322, quantum=0.1, top=3_333.0)
    read[70 * MINUTE :] = np.round(read[70 * MINUTE :] / 0.133322)
    log = logged(read, "Pa")
    assert [(kind, round(since)) for kind, _, since in found(log)] == [("channel_jumped", 70)]
    assert "micron" in believe(log)[1][0].text


@pytest.mark.parametrize(
    ("true", "top", "label"),
    [("micron", 25_000.0, "mbar"), ("mbar", 33.0, "micron"), ("Pa", 3_333.0, "micron"), ("micron", 20_000.0, "Pa")],
)
def test_a_probe_under_the_label_of_another_unit_is_told_by_the_gauge(true: str, top: float, label: str) -> None:
    """Half a millibar logged as micron would hold at once."""
    pascal = UNITS["micron"].si(np.minimum(course(), 760_000.0))
    dice = np.random.default_rng(2)
    gauge = {"circuit_pressure": ("psia", np.round(pascal / 6_894.757 + 0.05 * dice.normal(size=len(pascal)), 1))}
    number = np.minimum(pascal / UNITS[true].scale, top)
    number = number * (1.0 + 0.005 * dice.normal(size=len(number)))
    assert found(logged(number, true, gauge)) == []
    log = logged(number, label, gauge)
    assert found(log) == [("channel_jumped", "vacuum", 0.0)]
    assert verdict(log) == "undecided"
    # a probe that is valved off on a vacuum does not come down with the gauge
    assert found(logged(np.full(len(number), 300.0), "micron", gauge)) == []


@pytest.mark.parametrize("top", [1_000.0, 2_000.0, 5_000.0])
@pytest.mark.parametrize("label", ["micron", "Pa"])
def test_a_probe_that_ends_at_a_torr_or_two_has_the_right_label(top: float, label: str) -> None:
    """So do heads with a thermocouple; the pump is cracked open first, and pulls through an hour of moisture."""
    minute = np.arange(90 * MINUTE) / MINUTE
    pump = np.maximum(minute - 2.0, 0.0) + np.maximum(minute - 5.0, 0.0)
    pascal = 20.0 + 101_305.0 * np.exp(-pump / 4.0) + 80.0 * np.exp(-minute / 30.0)
    gauge = {"circuit_pressure": ("psia", np.round(pascal / 6_894.757 + 0.05, 1))}
    number = np.minimum(pascal, UNITS["micron"].si(top)) / UNITS[label].scale
    assert found(logged(np.round(number, 0 if label == "micron" else 1), label, gauge)) == []


def test_a_vacuum_that_is_broken_to_the_end_of_a_probe_is_no_other_unit() -> None:
    """A held 200 micron are 0.2666 mbar, a hundredth of 20,000 micron: as pascals are of millibar."""
    held = shown(0.8 * course(0.0), noise=0.01, top=np.inf) * 1.333e-3
    held[70 * MINUTE :] = 1e3
    log = logged(np.round(np.minimum(held, 26.664), 3), "mbar")
    assert found(log) == []


@pytest.mark.parametrize("channel", ["vacuum", "pump_vacuum"])
def test_a_probe_that_stands_in_the_air_while_the_circuit_is_in_a_vacuum_has_the_right_label(channel: str) -> None:
    """A thousand millibar would be a vacuum as micron: but it showed what the gauge did before the pump was vented."""
    pascal = UNITS["micron"].si(np.minimum(course(), 760_000.0))
    gauge = {"circuit_pressure": ("psig", np.round(pascal / 6_894.757 - 14.696, 1))}
    aired = pascal.copy()
    aired[65 * MINUTE : 80 * MINUTE] = 101_325.0
    others = gauge if channel == "vacuum" else {**gauge, "pump_vacuum": ("mbar", aired / 100.0)}
    log = logged((aired if channel == "vacuum" else pascal) / 100.0, "mbar", others)
    assert [c for _, c, _ in found(log) if c == channel] == []


def test_a_coarse_gauge_in_a_deep_vacuum_is_not_lost() -> None:
    """Noise of 1 psi about nothing, on a gauge that shows half a psi too little: a third of it cannot be."""
    dice = np.random.default_rng(3)
    gauge = np.where(course() > 5e3, course() / 51_715.0 - 14.696, -14.7)
    noisy = np.round(gauge - 0.5 + dice.normal(size=len(gauge)))
    assert found(logged(shown(course()), others={"circuit_pressure": ("psig", noisy)})) == []


def test_a_barometer_in_another_unit_is_named() -> None:
    log = logged(shown(course()), others={"barometer": ("psia", np.full(90 * MINUTE, 98.1))})
    assert [(kind, channel) for kind, channel, _ in found(log)] == [("channel_lost", "barometer")]


def test_a_scale_for_two_cylinders_shows_no_ton() -> None:
    """A full scale, or an open input, of a scale that stands under cylinders of 54 kg of water."""
    weight = np.full(90 * MINUTE, 40.0)
    weight[30 * MINUTE :] = 2_000.0
    log = logged(shown(course()), others={"cylinder_weight": ("kg", weight)})
    small = parse_job({"job": {"name": "n"}, "cylinder": [{"id": "A", "water_capacity": "54 kg", "tare": "25 kg"}]})
    assert [(f.kind, f.figures["channel"]) for f in believe(log, small)[1]] == [("channel_lost", "cylinder_weight")]
    assert believe(log, job_of())[1] == ()


def test_a_gauge_for_a_refrigerant_shows_no_hundred_bar() -> None:
    gauge = np.full(90 * MINUTE, 600.0)
    gauge[30 * MINUTE :] = 9_999.0
    log = logged(shown(course()), others={"circuit_pressure": ("kPag", gauge)})
    named = [
        [(f.kind, f.figures["channel"]) for f in believe(log, of_refrigerant(name))[1]] for name in ("R-410A", "R-744")
    ]
    assert named == [[("channel_lost", "circuit_pressure")], []]


def of_refrigerant(name: str) -> Job:
    job = job_of()
    return job.model_copy(update={"circuit": job.circuit.model_copy(update={"refrigerant": name})})


def test_a_stuck_probe_is_left_out_from_then_on() -> None:
    read = shown(course())
    read[45 * MINUTE :] = read[45 * MINUTE]
    log = logged(read)
    kept, findings = believe(log)
    assert kept.frame["vacuum"].loc[findings[0].time :].isna().all()
    assert kept.frame["vacuum"].loc[: findings[0].time].iloc[:-1].notna().sum() > 30 * MINUTE


@pytest.mark.parametrize(("stuck_min", "said"), [(None, "held"), (50.0, "undecided"), (61.0, "held")])
@pytest.mark.parametrize("quantum", [5.0, 10.0])
def test_a_tight_circuit_holds_by_a_coarse_gauge_that_was_seen_to_move_before(
    stuck_min: float | None, said: str, quantum: float
) -> None:
    """A pull that still falls by 30 micron a minute when the valve is closed; then nothing shows for 20 min."""
    minute = np.arange(90 * MINUTE) / MINUTE
    pull = 350.0 + 700_000.0 * np.exp(-minute / 4.0) + 30.0 * np.maximum(60.0 - minute, 0.0)
    pressure = np.where(minute < 60.0, np.minimum(pull, 1e6), 350.0)
    if stuck_min is not None:
        pressure[minute > stuck_min] = min(450.0, pressure[int(stuck_min * MINUTE)])
    log = logged(shown(pressure, 0.0, quantum))
    assert verdict(log) == said
    told = [f for f in review(log, job_of()).findings if f.kind == "hold_passed"]
    assert len(told) == (said == "held")


def test_a_probe_that_dies_in_a_hold_passes_it_where_the_rise_so_far_would_not_reach_the_limit() -> None:
    """Rows a minute apart: 8 micron a minute from 250 reach 410 of 1,000 in the hold, 60 would reach 1,450."""
    for rise, said in ((8.0, "held"), (60.0, "undecided")):
        pressure = course(rise)
        pressure[66 * MINUTE :] = pressure[66 * MINUTE]
        log = logged(shown(pressure, 0.0))
        thinned = log.frame.iloc[::MINUTE]
        assert verdict(replace(log, frame=thinned, barometer_pa=log.barometer_pa.iloc[::MINUTE])) == said


@pytest.mark.parametrize("then", [1.0, 0.3])
def test_a_probe_that_failed_while_a_circuit_rose_does_not_say_that_it_was_never_pulled(then: float) -> None:
    """Nobody marked the closing; pumped again after it came back, the target is one that is not reached yet."""
    pressure = course(40.0)
    pressure[82 * MINUTE :] *= np.linspace(1.0, then, 8 * MINUTE)
    readings = shown(pressure, 0.003)
    readings[58 * MINUTE : 75 * MINUTE] = -999.0
    assert verdict(logged(readings, marks=())) == ("undecided" if then == 1.0 else "not_reached")


def test_a_gauge_that_still_fell_when_the_valve_was_closed_may_stand_some_steps_lower() -> None:
    """By a display of 1 micron: the last reading before it stands comes after the mark, and lower by more than that."""
    minute = np.arange(90 * MINUTE) / MINUTE
    pull = 300.0 + 700_000.0 * np.exp(-minute / 4.0) + 10.0 * np.maximum(59.9 - minute, 0.0) + 6.0 * (minute < 59.9)
    log = logged(shown(np.minimum(pull, 1e6), 0.0), marks=((3_592.0, "pump_valve_closed"),))
    assert verdict(log) == "held"


@pytest.mark.parametrize("leaps", [((5.0, 10.0), (20.0, 15.0)), ((5.0, 20.0), (15.0, 25.0))])
def test_a_leap_and_then_one_number_for_the_whole_hold_is_no_level_that_comes_to_rest(
    leaps: tuple[tuple[float, float], ...],
) -> None:
    """A gauge that moved every half minute leaps [s after closing, micron] and sticks: nobody saw where it goes."""
    at = STEP * np.arange(110 * MINUTE)
    read = np.round(300.0 + 700_000.0 * np.exp(-np.minimum(at, 3_600.0) / 330.0))
    for after_s, micron in leaps:
        read = read + np.where(at >= 3_600.0 + after_s, micron, 0.0)
    assert verdict(logged(np.where(read > 25_000.0, np.nan, read))) == "undecided"
