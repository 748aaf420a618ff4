"""Readings that lie: named once, left out from then on, honest ones left alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.belief import believe
from analysis.belief.labels import relabelled
from analysis.belief.stuck import LOOK_S, _unbroken
from analysis.log import Log, assemble
from analysis.result import Finding
from analysis.review import review
from analysis.vocabulary.channels import CHANNELS, make_column
from analysis.vocabulary.job import Job, parse_job
from analysis.vocabulary.units import UNITS
from tests.support import START, journal_rows, make_log, with_channels


def night(seed: int = 0, hours: float = 6.0, step: float = 5.0) -> Log:
    """Return a night under nitrogen: air falls by 8 K, metal and water follow, pressure with them, all quantised."""
    noise = np.random.default_rng(seed)
    at = np.arange(0.0, hours * 3600.0, step)
    air = 294.0 - 8.0 * at / at[-1] + 0.1 * noise.normal(size=len(at))
    metal = 294.0 - 6.0 * at / at[-1]
    logged = {
        "ambient_temperature": ("degF", np.round(air * 1.8 - 459.67, 1)),
        "surface_temperature": ("degF", np.round((metal + 0.1 * noise.normal(size=len(at))) * 1.8 - 459.67, 1)),
        "leaving_water_temperature": ("degC", np.round(290.0 - 273.15 + 0.05 * noise.normal(size=len(at)), 1)),
        "entering_water_temperature": ("degC", np.round(290.5 - 273.15 + 0.05 * noise.normal(size=len(at)), 1)),
        "circuit_pressure": ("psig", np.round(150.0 * metal / 294.0 + 0.2 * noise.normal(size=len(at)), 1)),
        "cylinder_weight": ("lb", np.full(len(at), 120.0)),
        "barometer": ("kPa", np.round(99.0 + 0.5 * at / at[-1], 1)),
    }
    return make_log(at, logged)[0]


def stick(log: Log, channel: str, first: int, end: int | None = None) -> None:
    """Let a channel show the number of its row `first` until `end`; a gauge's counts from the barometer."""
    rows = log.frame.index[first:end]
    zero = log.barometer_pa if log.columns[channel].unit.datum == "gauge" else 0.0 * log.barometer_pa
    shown = float((log.frame[channel] - zero).iloc[first])
    log.frame.loc[rows, channel] = shown + zero[rows]


R134A = {"circuit": {"refrigerant": "R-134a"}}
R134A_JOB = parse_job({"job": {"name": "test"}, **R134A})


def begun(stage: str) -> list[tuple[float, str, str, str]]:
    return [(0.0, "stage", stage, "begin")]


def found(log: Log) -> list[tuple[str, str]]:
    return [(f.kind, str(f.figures["channel"])) for f in believe(log)[1]]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
def test_an_honest_night_raises_no_doubt(seed: int, step: float) -> None:
    assert found(night(seed, 4.0, step)) == []


def test_a_stuck_gauge_is_named_and_left_out_from_then_on() -> None:
    log = night()
    stick(log, "circuit_pressure", 1500)
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_stuck", "circuit_pressure")]
    assert abs((findings[0].since - log.frame.index[1500]).total_seconds()) < 60
    assert kept.frame["circuit_pressure"].loc[findings[0].time :].isna().all()
    assert kept.frame["circuit_pressure"].loc[: findings[0].time].iloc[:-1].notna().all()


def test_a_stuck_gauge_beside_no_other_is_named_once_temperatures_have_moved() -> None:
    """Nothing of its kind goes on beside it: at rest a restless gauge is waited for an hour."""
    log = night(hours=2.0)
    stick(log, "circuit_pressure", len(log.frame) // 2)
    findings = believe(log)[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_stuck", "circuit_pressure")]
    assert findings[0].time - findings[0].since < pd.Timedelta(minutes=40)


def test_a_probe_that_comes_off_is_left_out_until_it_is_back() -> None:
    log = night()
    log.frame.loc[log.frame.index[1000:2000], "surface_temperature"] -= 12.0
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", "surface_temperature")]
    assert findings[0].figures["offset"].si == pytest.approx(-12.0, abs=0.5)  # type: ignore[union-attr]
    assert kept.frame["surface_temperature"].iloc[1100:2000].isna().all()
    assert kept.frame["surface_temperature"].iloc[2001:].notna().all()


def test_a_lost_channel_is_named_once_and_a_gap_of_all_rows_is_not_a_lost_channel() -> None:
    log = night()
    log.frame.loc[log.frame.index[500:900], "ambient_temperature"] = np.nan
    assert found(log) == [("channel_lost", "ambient_temperature")]
    assert believe(log)[1][0].to_json("us")["figures"]["offset"] == {"value": None, "unit": "degF"}
    whole = night()
    gap = np.r_[0:500, 900 : len(whole.frame)]
    assert found(replace(whole, frame=whole.frame.iloc[gap], barometer_pa=whole.barometer_pa.iloc[gap])) == []


def test_a_blank_micron_probe_is_out_of_range_not_lost() -> None:
    log = night()
    assert found(with_channels(log, vacuum=("micron", np.where(np.arange(len(log.frame)) < 100, 500.0, np.nan)))) == []


def test_an_error_code_is_never_a_reading() -> None:
    log = night()
    log.frame.loc[log.frame.index[300:302], "ambient_temperature"] = 999.9 + 273.15
    kept, findings = believe(log)
    assert findings == ()
    assert kept.frame["ambient_temperature"].iloc[300:302].isna().all()


def test_degrees_celsius_logged_as_fahrenheit() -> None:
    log = night()
    celsius = log.frame["leaving_water_temperature"] - 273.15
    _, findings = believe(with_channels(log, leaving_water_temperature=("degF", (celsius + 459.67) / 1.8)))
    assert [f.figures["channel"] for f in findings] == ["leaving_water_temperature"]
    assert "only as degC" in findings[0].text


def test_doubts_use_no_later_row() -> None:
    log = night()
    stick(log, "circuit_pressure", 1500, 3000)
    log.frame.loc[log.frame.index[1000:2000], "surface_temperature"] -= 12.0
    log.frame.loc[log.frame.index[500:900], "ambient_temperature"] = np.nan
    kept, whole = believe(log)
    assert len(whole) == 3
    for rows in np.random.default_rng(3).integers(1, len(log.frame), 40).tolist():
        now = log.frame.index[rows - 1]
        part, findings = believe(log.before(now))
        expected: list[Finding] = [f for f in whole if f.time <= now]
        assert list(findings) == expected
        pd.testing.assert_frame_equal(part.frame, kept.frame.iloc[:rows])


def standing(units: dict[str, str], hours: float = 3.0, step: float = 10.0) -> Log:
    """Return a stopped circuit full of R-134a at 20 degC, its pressures logged in the units given."""
    noise = np.random.default_rng(5)
    at = np.arange(0.0, hours * 3600.0, step)
    logged = {}
    for channel, unit in {
        "ambient_temperature": "degC", "surface_temperature": "degC", "leaving_water_temperature": "degC", **units
    }.items():  # fmt: skip
        true, meant = (293.15, unit) if CHANNELS[channel] == "temperature" else (571.7e3 - 101_325.0, "psig")
        logged[channel] = unit, np.round(UNITS[meant].number(true) + 0.05 * noise.normal(size=len(at)), 1)
    return make_log(at, logged, tables=R134A, journal=begun("at_rest"))[0]


@pytest.mark.parametrize("unit", ["kPag", "barg", "kPa", "bar"])
@pytest.mark.parametrize("others", [(), ("suction_pressure", "discharge_pressure")])
def test_psi_logged_as_something_else(unit: str, others: tuple[str, ...]) -> None:
    log = standing({"circuit_pressure": unit, **dict.fromkeys(others, "psig")})
    _, findings = believe(log, R134A_JOB)
    assert [f.figures["channel"] for f in findings] == ["circuit_pressure"]
    assert f"is logged as {unit} but agrees with" in findings[0].text
    assert "only as psig" in findings[0].text
    assert believe(standing({"circuit_pressure": "psig", **dict.fromkeys(others, "psig")}), R134A_JOB)[1] == ()


def test_a_gauge_that_sticks_is_found_by_the_gas_law_though_it_is_too_coarse_to_be_restless() -> None:
    """A tight circuit that cools by 6 K of 294 K loses 2 % of 165 psia: 3.4 psi, seven steps of half a psi."""
    log = night(hours=12.0)
    water = ["entering_water_temperature", "leaving_water_temperature"]
    log = replace(log, columns={c: column for c, column in log.columns.items() if c not in water})
    coarse = (log.frame["circuit_pressure"] - log.barometer_pa) / 6_894.757
    log.frame["circuit_pressure"] = (coarse * 2.0).round() / 2.0 * 6_894.757 + log.barometer_pa
    assert found(log) == []
    stick(log, "circuit_pressure", 2000)
    assert found(log) == [("channel_stuck", "circuit_pressure")]


def test_a_coarse_probe_in_a_cellar_is_not_stuck() -> None:
    """At half a degree a probe flickers about one edge, then stands for hours while the air outside moves."""
    for seed in range(6):
        noise = np.random.default_rng(seed)
        log = night(seed, 8.0, 5.0)
        hours = np.arange(len(log.frame)) * 5.0 / 3600.0
        cellar = 285.4 + 0.25 * np.minimum(hours / 2.0, 1.0) + 0.08 * noise.normal(size=len(hours))
        log.frame["surface_temperature"] = np.round((cellar - 273.15) * 2.0) / 2.0 + 273.15
        assert found(log) == [], seed


def test_two_gauges_that_stand_together_are_believed() -> None:
    log = standing({"circuit_pressure": "psig", "suction_pressure": "psig"}, 6.0)
    for channel in ("circuit_pressure", "suction_pressure"):
        stick(log, channel, 300)
    assert found(log) == []


@pytest.mark.parametrize("step", [1.0, 10.0, 30.0])
def test_what_happens_to_the_circuit_is_no_jump(step: float) -> None:
    """Water begins to flow: the cold slug takes both water probes down by 8 K within a few readings."""
    log = night(2, 3.0, step)
    at = np.arange(len(log.frame)) * step - 4_000.0
    slug = np.where(at > 0, 8.0 * (1.0 - np.exp(-np.maximum(at, 0.0) / 4.0)), 0.0)
    for channel in ("leaving_water_temperature", "entering_water_temperature"):
        log.frame[channel] -= slug
    assert found(log) == []


def test_a_channel_that_speaks_seldom_is_not_lost() -> None:
    log = night(1, 6.0, 5.0)
    dice = np.random.default_rng(1)
    kept = np.zeros(len(log.frame), dtype=bool)
    rows = np.cumsum(dice.choice([12, 24, 60, 120], 300))
    kept[rows[rows < len(kept)]] = True
    log.frame["ambient_temperature"] = log.frame["ambient_temperature"].where(kept)
    assert found(log) == []


@pytest.mark.parametrize("cut", [None, 900])
def test_a_channel_that_speaks_when_something_changes_is_lost_only_after_its_longest_silences(cut: int | None) -> None:
    """A building controller logs a chiller's water by changes of value: each minute of a run, seldom in a pause."""
    dice = np.random.default_rng(4)
    at = 60.0 * np.arange(1_440)
    waits = [[1] * 12 + dice.choice([3, 6, 9, 12, 35], 4, p=[0.3, 0.3, 0.2, 0.1, 0.1]).tolist() for _ in range(60)]
    rows = np.cumsum(np.concatenate([[1] * 10 + [6, 9, 12], *waits]))
    rows = rows[rows < (cut or len(at))]
    shown = np.full(len(at), np.nan)
    shown[rows] = 12.0 + 0.1 * dice.choice([-1, 1], len(rows)).cumsum()
    logged = {
        "leaving_water_temperature": ("degC", shown),
        "ambient_temperature": ("degC", np.round(20.0 + 0.05 * dice.normal(size=len(at)), 2)),
    }
    log, _ = make_log(at, logged)
    assert found(log) == ([] if cut is None else [("channel_lost", "leaving_water_temperature")])


@pytest.mark.parametrize("number", [-200.0, 850.0, 3_276.7, 999.9])
def test_an_open_probe_from_the_first_row_is_named_once(number: float) -> None:
    log = night(3, 2.0)
    log.frame["surface_temperature"] = number + 273.15
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_lost", "surface_temperature")]
    assert "impossible numbers" in findings[0].text
    assert kept.frame["surface_temperature"].isna().all()


@pytest.mark.parametrize("channel", ["surface_temperature", "leaving_water_temperature"])
def test_the_only_probe_logged_in_its_unit_is_judged_beside_its_partner(channel: str) -> None:
    log = night()
    kept = ["ambient_temperature", "surface_temperature", "entering_water_temperature", "leaving_water_temperature"]
    rooms = with_channels(
        replace(log, frame=log.frame[kept], columns={}),
        **{c: ("degF" if c == channel else "degC", log.frame[c]) for c in kept},
    )
    assert believe(rooms)[1] == ()
    numbers_of_celsius = (log.frame[channel] - 273.15 + 459.67) / 1.8
    _, findings = believe(with_channels(rooms, **{channel: ("degF", numbers_of_celsius)}))
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert findings[0].since == log.frame.index[0]


def test_a_gauge_labelled_absolute_is_told_by_the_one_beside_it() -> None:
    gauges = dict.fromkeys(("suction_pressure", "discharge_pressure"), "psig")
    assert found(standing({"circuit_pressure": "psia", **gauges})) == [("channel_jumped", "circuit_pressure")]
    assert found(standing({"circuit_pressure": "psia", "suction_pressure": "psig"})) == []


@pytest.mark.parametrize("seed", range(6))
def test_noise_of_half_a_step_tells_of_a_gauge_that_stops_beside_others(seed: int) -> None:
    dice = np.random.default_rng(seed)
    at = np.arange(0.0, 7_200.0, 5.0)
    gauges = {
        channel: ("psig", np.round((level + 0.05 * dice.normal(size=len(at))) / 0.1) * 0.1)
        for channel, level in (("suction_pressure", 40.05), ("discharge_pressure", 120.02), ("liquid_pressure", 118.0))
    }
    log, _ = make_log(at, gauges)
    assert found(log) == []
    stick(log, "suction_pressure", len(at) // 2)
    assert found(log) == [("channel_stuck", "suction_pressure")]


@pytest.mark.parametrize("channel", ["ambient_temperature", "circuit_pressure"])
def test_air_comes_to_rest_and_a_gauge_does_not(channel: str) -> None:
    """Nothing else is read: the draught that a thermometer felt may end, the noise of a gauge is its own."""
    dice = np.random.default_rng(3)
    unit, level = {"ambient_temperature": ("degC", 21.0), "circuit_pressure": ("psig", 150.0)}[channel]
    shown = np.round(level + 0.2 * dice.normal(size=2_880), 1)
    shown[1_440:] = level
    log, _ = make_log(5.0 * np.arange(len(shown)), {channel: (unit, shown)})
    assert found(log) == ([] if channel == "ambient_temperature" else [("channel_stuck", channel)])


@pytest.mark.parametrize("step", [1.0, 10.0, 30.0])
def test_a_restless_gauge_that_stops_while_others_stay_restless_is_named_soon(step: float) -> None:
    log = night(4, 3.0, step)
    stick(log, "surface_temperature", len(log.frame) // 2)
    _, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_stuck", "surface_temperature")]
    assert (findings[0].time - findings[0].since).total_seconds() < 3_600.0


def test_noise_of_a_step_that_stops_is_told_by_twenty_readings_a_minute_apart() -> None:
    log = night(4, 5.0, 60.0)
    stick(log, "surface_temperature", 150)
    findings = believe(log)[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_stuck", "surface_temperature")]
    assert (findings[0].time - findings[0].since).total_seconds() <= 1_800.0


def test_a_pump_that_stops_takes_the_swing_of_all_gauges_along() -> None:
    """What swung by many steps comes to rest, its neighbour goes on by the noise of its display alone."""
    dice = np.random.default_rng(3)
    log = night(5, 3.0, 60.0)
    rows = len(log.frame)
    swing = np.where(np.arange(rows) < rows - 55, dice.normal(size=rows), 0.0)
    for channel in ("leaving_water_temperature", "entering_water_temperature"):
        fine = 0.0 if channel == "leaving_water_temperature" else 0.1 * dice.normal(size=rows)
        log.frame[channel] = np.round(17.0 + swing + fine, 1) + 273.15
    for channel in ("ambient_temperature", "surface_temperature"):
        log.frame[channel] = 294.0
    assert found(log) == []


@pytest.mark.parametrize(("stage", "named"), [("charging", False), ("recovery", True)])
def test_a_hose_that_leaps_up_and_stands_is_filling_the_circuit_and_never_draws_from_it(
    stage: str, named: bool
) -> None:
    gauges = dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "psig")
    log = replace(standing(gauges), journal=journal_rows(begun(stage)))
    rows = len(log.frame) // 2
    log.frame.loc[log.frame.index[rows:], "circuit_pressure"] = 110.0 * 6_894.757 + log.barometer_pa[rows:]
    assert bool(found(log)) == named


def test_a_slow_gauge_that_falls_in_steps_has_not_jumped() -> None:
    """A reading comes each minute, rows each ten seconds: the last of its steps is no jump."""
    log = standing({"circuit_pressure": "psig", "suction_pressure": "psig"})
    seconds = (log.frame.index - log.frame.index[0]).total_seconds().to_numpy()
    minute = np.minimum(np.floor(seconds / 60.0), 10.0)
    minute = np.where(minute == 9.0, 8.0, minute)  # one reading came late
    log.frame["suction_pressure"] = (90.0 - 2.5 * minute) * 6_894.757 + log.barometer_pa
    assert found(log) == []


def test_a_gauge_that_steps_alone_is_named_and_one_that_steps_with_the_others_is_not() -> None:
    gauges = dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "psig")
    log = standing(gauges)
    log.frame.loc[log.frame.index[500:], "suction_pressure"] += 90e3
    assert found(log) == [("channel_jumped", "suction_pressure")]
    for channel in ("circuit_pressure", "discharge_pressure"):
        log.frame.loc[log.frame.index[500:], channel] += 90e3
    assert found(log) == []


def test_a_gauge_at_the_hose_is_doubted_only_where_nothing_flows() -> None:
    """A recovery machine that starts to pull takes the gauge at its hose down at once, by what the hose loses."""
    log = standing(dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "psig"))
    log.frame.loc[log.frame.index[500:], "circuit_pressure"] -= 90e3
    assert found(replace(log, journal=journal_rows([]))) == []
    assert found(replace(log, journal=journal_rows(begun("recovery")))) == []
    resting = replace(log, journal=journal_rows(begun("at_rest")))
    assert found(resting) == [("channel_jumped", "circuit_pressure")]


def test_a_gauge_that_is_opened_to_the_circuit_is_right_from_then_on() -> None:
    log = standing(dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "psig"))
    log.frame.loc[log.frame.index[:500], "circuit_pressure"] -= 200e3
    assert found(log) == []


def test_a_gauge_that_stands_while_two_others_rise_together_is_stuck() -> None:
    """The circuit warms by 0.8 K: saturation rises by 2.4 %, fourteen digits of the display, half of them later."""
    log = standing(dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "kPag"), 4.0)
    rise = 571.7e3 - 101_325.0 + 14e3 * np.linspace(0.0, 1.0, len(log.frame))
    for channel in ("suction_pressure", "discharge_pressure"):
        log.frame[channel] = np.round(rise / 1e3) * 1e3 + log.barometer_pa
    log.frame["circuit_pressure"] = np.round(rise / 1e3) * 1e3 + log.barometer_pa
    assert found(log) == []
    stick(log, "circuit_pressure", 700)
    assert found(log) == [("channel_stuck", "circuit_pressure")]


def test_water_in_a_wrong_unit_is_told_by_the_pressure_where_the_water_beside_it_bears_the_pressure_out() -> None:
    """R-134a at 20 degC: 68 psi read as kPa would stand beside 20 degF as well, but not beside the entering water."""
    gauge = standing({"circuit_pressure": "psig"}).frame["circuit_pressure"]
    logged = {
        "circuit_pressure": ("psig", UNITS["psig"].number(gauge.to_numpy(), 101_325.0)),
        "entering_water_temperature": ("degF", np.full(len(gauge), 68.4)),
        "leaving_water_temperature": ("degF", np.full(len(gauge), 20.0)),
    }
    (fault,) = believe(*make_log(10.0 * np.arange(len(gauge)), logged, tables=R134A, journal=begun("recovery")))[1]
    assert fault.figures["channel"] == "leaving_water_temperature"
    assert "only as degC" in fault.text


@pytest.mark.parametrize(("channel", "unit", "meant"), [
    ("cylinder_temperature", "degF", "degC"), ("cylinder_pressure", "psig", "kPag"),
])  # fmt: skip
def test_a_cylinder_far_above_saturation_has_a_wrong_label(channel: str, unit: str, meant: str) -> None:
    log = standing({"circuit_pressure": "psig"})
    right = {"cylinder_temperature": ("degC", 20.0), "cylinder_pressure": ("kPag", 470.4)}
    labelled = {name: (unit if name == channel else own, number) for name, (own, number) in right.items()}
    beside = {name: (label, UNITS[label].si(number, log.barometer_pa)) for name, (label, number) in labelled.items()}
    _, findings = believe(with_channels(log, **beside), R134A_JOB)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert f"only as {meant}" in findings[0].text


def test_a_cylinder_that_grows_hot_as_it_fills_is_no_wrong_label() -> None:
    """Read as degF its 45 degC and more would lie beside a room of 10 degC."""
    log = standing({})
    log.frame[list(log.columns)] -= 10.0
    assert found(with_channels(log, cylinder_temperature=("degC", np.linspace(295.0, 328.0, len(log.frame))))) == []


@pytest.mark.parametrize("step", [1.0, 60.0])
def test_what_began_beside_its_room_and_grew_hot_is_right_and_what_stepped_there_is_not(step: float) -> None:
    """80 degC read as degF lie beside a room of 20 degC, as 24 degC shown in degF do; a changed cylinder is cold."""
    log = standing({}, step=step)
    hot = np.interp(np.arange(len(log.frame)) * step, [1_200.0, 3_600.0, 6_000.0], [293.15, 353.15, 353.15])
    early = log.frame.index < START + pd.Timedelta(seconds=1_100)
    grew = with_channels(log, cylinder_temperature=("degC", np.where(early, 335.0, hot)))
    assert found(replace(grew, frame=grew.frame[grew.frame.index >= START + pd.Timedelta(seconds=900)])) == []
    stepped = with_channels(log, cylinder_temperature=("degC", np.where(hot > 320.0, 75.2 + 273.15, 293.15)))
    (fault,) = believe(stepped)[1]
    assert fault.figures["channel"] == "cylinder_temperature"


@pytest.mark.parametrize("number", [24.0, 38.0, 75.0])
def test_warm_air_beside_chilled_water_alone_is_no_wrong_label(number: float) -> None:
    """Two probes of one water say nothing of the room: 24 degC would lie beside brine as degF, 75 degC is no room."""
    log = standing({"entering_water_temperature": "degC"})
    log.frame[["leaving_water_temperature", "entering_water_temperature"]] = (number - 32.0) / 1.8 + 273.15 + 2.0
    log.frame["ambient_temperature"] = number + 273.15
    del log.columns["surface_temperature"]
    log = replace(log, frame=log.frame.drop(columns="surface_temperature"))
    assert [channel for _, channel in found(log)] == (["ambient_temperature"] if number > 45.0 else [])


def test_a_cylinder_that_grew_hot_accuses_no_room() -> None:
    """R-134a: saturation of the cylinder climbs from the room's 8 degC to 45 degC, beside which 46 degC would lie."""
    row = np.arange(1_080)
    for kpa, faults in ((np.interp(row, [60, 400], [387.6, 1_160.0]), 0), (np.full(len(row), 1_160.0), 1)):
        logged = {"ambient_temperature": ("degF", np.full(len(row), 46.4)), "cylinder_pressure": ("kPa", kpa)}
        log = make_log(10.0 * row, logged, tables=R134A, journal=begun("at_rest"))
        assert len(believe(*log)[1]) == faults


def test_air_in_a_cylinder_is_no_wrong_label() -> None:
    """2 bar of air stand above R-134a at 20 degC: saturation of what the gauge shows is 11 K above the metal."""
    log = standing({"circuit_pressure": "psig"})
    filled = with_channels(log, cylinder_temperature=("degC", 293.15), cylinder_pressure=("kPag", 771.7e3))
    assert believe(filled, R134A_JOB)[1] == ()


def recovering(frozen: bool, falls_pa: float) -> Log:
    """Return an hour of vapour recovery on a scale that trembles by a digit or two; it may freeze half-way."""
    noise = np.random.default_rng(8)
    at = np.arange(0.0, 3_600.0, 5.0)
    weight = np.round(80.0 + at / 1_800.0 + 0.15 * noise.normal(size=len(at)), 1)
    logged = {
        "cylinder_weight": ("kg", np.where(frozen & (at >= 1_800.0), weight[360], weight)),
        "circuit_pressure": ("kPa", (600e3 - falls_pa * at / 3_600.0) / 1e3),
    }
    return make_log(at, logged, journal=begun("recovery"))[0]


def test_a_scale_that_freezes_while_the_circuit_empties_is_stuck_and_one_in_a_pause_is_not() -> None:
    assert found(recovering(True, 500e3)) == [("channel_stuck", "cylinder_weight")]
    assert found(recovering(False, 500e3)) == []
    assert found(recovering(True, 5e3)) == []


def test_a_restless_hose_that_stops_is_stuck_while_the_scale_goes_on_and_waited_for_where_it_stands_too() -> None:
    noise = np.random.default_rng(3)
    at = np.arange(0.0, 3_600.0, 5.0)
    boiling = np.round(570.0 + 1.5 * noise.normal(size=len(at)), 0)  # liquid stands: the pressure does not fall
    stopped = at >= 1_800.0
    pressure = "kPa", np.where(stopped, boiling[359], boiling)
    flows = np.round(60.0 + at / 180.0 + 0.05 * noise.normal(size=len(at)), 1)
    ends = np.where(stopped, np.round(70.0 + 0.05 * noise.normal(size=len(at)), 1), flows)
    pulled = flows - np.maximum(1_800.0 - at, 0.0) / 36.0  # six times as fast: the liquid pull sputtered

    def with_scale(shown: np.ndarray) -> Log:
        logged = {"circuit_pressure": pressure, "cylinder_weight": ("kg", shown)}
        return make_log(at, logged, journal=begun("recovery"))[0]

    assert found(with_scale(flows)) == [("channel_stuck", "circuit_pressure")]
    assert found(with_scale(ends)) == []
    assert found(with_scale(pulled)) == []


def test_a_coarse_scale_that_stands_while_little_vapour_leaves_a_small_circuit_is_not_stuck() -> None:
    """10 kg of liquid, then the vapour of 20 L (0.5 kg at 5.7 bar) within 10 min, on a scale of 0.5 kg."""
    at = np.arange(0.0, 3_600.0, 10.0)
    left = np.exp(-np.maximum(at - 640.0, 0.0) / 300.0)
    weight = 20.05 + np.clip(0.03 * (at - 300.0), 0.0, 10.0) + 0.5 * (1.0 - left)
    logged = {
        "cylinder_weight": ("kg", np.round(weight * 2.0) / 2.0),
        "circuit_pressure": ("kPa", np.maximum(570.0 * left, 40.0)),
    }
    assert found(make_log(at, logged, journal=begun("recovery"))[0]) == []


def test_a_channel_of_another_name_is_kept_and_not_judged() -> None:
    log = night()
    stick(log, "circuit_pressure", 2_000)
    assert found(log) != []
    columns = {**log.columns, "header": make_column("header", "psig", "header [psig]")}
    del columns["circuit_pressure"]
    other = replace(log, frame=log.frame.rename(columns={"circuit_pressure": "header"}), columns=columns)
    kept, findings = believe(other)
    assert findings == ()
    assert kept.frame["header"].equals(other.frame["header"])


@pytest.mark.parametrize(("number", "unit", "air"), [(55.4, "degC", 13.0), (12.0, "degF", 14.0)])
def test_water_that_cannot_be_what_it_is_labelled_is_told_by_one_thermometer(
    number: float, unit: str, air: float
) -> None:
    steady = np.ones(4_320)
    logged = {"leaving_water_temperature": (unit, number * steady), "ambient_temperature": ("degC", air * steady)}
    log, _ = make_log(5.0 * np.arange(len(steady)), logged)
    assert found(log) == [("channel_jumped", "leaving_water_temperature")]


def test_a_coarse_probe_that_swung_once_and_came_to_rest_is_not_stuck() -> None:
    """At 1 degF a probe flickers, follows a warm slug up and down again, and stands while others go on flickering."""
    for seed in range(4):
        noise = np.random.default_rng(seed)
        log = night(seed, 3.0, 30.0)
        at = np.arange(len(log.frame)) * 30.0 - 3_600.0
        slug = np.where(at > 0.0, 4.0 * np.exp(-(((at - 250.0) / 120.0) ** 2)), 0.0)
        quiet = np.where(at > 600.0, 0.02, 0.28) * noise.normal(size=len(at))
        log.frame["surface_temperature"] = (np.round(18.0 * 1.8 + slug + quiet) + 459.67 + 32.0) / 1.8
        assert found(log) == [], seed


def test_air_that_leaves_a_condenser_a_reading_after_the_compressor_started_has_not_jumped() -> None:
    """The air of a laboratory's heat pump moved by 8 to 11 K in the minute after its start (NIST, rows of a minute)."""
    at = 60.0 * np.arange(60)
    noise = np.random.default_rng(1)
    leaving = np.where(at < 1_860.0, 25.0, 37.0) + 0.05 * noise.normal(size=len(at))
    runs = {"compressor_load": ("%", np.where(at < 1_800.0, 0.0, 62.0))}
    logged = {"condenser_leaving_temperature": ("degC", leaving)}
    assert found(make_log(at, logged | runs)[0]) == []
    assert found(make_log(at, logged)[0]) == [("channel_jumped", "condenser_leaving_temperature")]


def test_the_gauges_of_a_machine_that_cycles_do_not_jump_at_its_starts() -> None:
    """Rows of a minute: what starts between two of them shows in one, and all gauges wander as far ten minutes before.

    The runs and pauses are those of a laboratory's heat pump (NIST); R-134a at 8 and 32 degC, equalised at 24 degC.
    """
    for seed in range(6):
        dice = np.random.default_rng(seed)
        runs = np.concatenate([np.repeat([0.0, 1.0], dice.integers(11, 15, 2)) for _ in range(10)])
        suction, discharge = [520.0], [520.0]
        for on in runs[1:]:
            low, high, reaches = (403.0, 740.0, (0.85, 0.5)) if on else (520.0, 520.0, (0.25, 0.25))
            suction.append(suction[-1] + reaches[0] * (low - suction[-1]))
            discharge.append(discharge[-1] + reaches[1] * (high - discharge[-1]))
        noise = dice.normal(size=(2, len(runs))) * [[1.5], [3.0]]
        logged = {
            "suction_pressure": ("kPag", np.round(suction + noise[0])),
            "discharge_pressure": ("kPag", np.round(discharge + noise[1])),
        }
        assert found(make_log(60.0 * np.arange(len(runs)), logged)[0]) == [], seed


@pytest.mark.parametrize(("number", "unit"), [(97.2, "kPag"), (97.2, "psig")])
def test_a_condenser_far_under_its_water_has_a_wrong_label(number: float, unit: str) -> None:
    """R-134a at 97 psig condenses at 30 degC; at 97 kPag it would at -10 degC, beside water of 27 degC."""
    steady = np.ones(4_320)
    logged = {"discharge_pressure": (unit, number * steady), "condenser_leaving_temperature": ("degC", 27.0 * steady)}
    log = make_log(5.0 * np.arange(len(steady)), logged, tables=R134A, journal=begun("startup"))
    expected = ["discharge_pressure"] if unit == "kPag" else []
    assert [f.figures["channel"] for f in believe(*log)[1]] == expected


def walking(surface_c: np.ndarray, at: np.ndarray) -> Log:
    """Return a night whose steady probe on metal shows `surface_c`, while air and two ends of a barrel warm on."""
    log = night(3, 4.0, 10.0)
    hours = at / 3_600.0
    log.frame["surface_temperature"] = np.round(surface_c, 1) + 273.15
    for channel in ("ambient_temperature", "entering_water_temperature", "leaving_water_temperature"):
        log.frame[channel] = np.round(18.0 + 1.2 * hours, 1) + 273.15
    return log


def test_a_steady_probe_that_walked_and_then_stands_while_others_walk_on_is_stuck() -> None:
    at = np.arange(0.0, 4.0 * 3600.0, 10.0)
    freezes = walking(15.0 + 2.0 * np.minimum(at, 7_200.0) / 3_600.0, at)
    assert found(freezes) == [("channel_stuck", "surface_temperature")]
    comes_to_rest = walking(15.0 + 4.0 * (1.0 - np.exp(-at / 1_200.0)), at)
    assert found(comes_to_rest) == []
    turns = walking(15.0 + 3.0 * np.sin(2.0 * np.pi * at / 28_800.0), at)
    assert found(turns) == []


def test_one_end_of_a_barrel_that_stands_while_the_other_warms_is_stuck() -> None:
    at = np.arange(0.0, 4.0 * 3600.0, 10.0)
    log = walking(np.full(len(at), 19.0), at)
    log.frame["leaving_water_temperature"] = 18.5 + 273.15 + 0.1 * ((at // 60.0) % 2.0) * (at < 1_200.0)
    log = replace(log, journal=journal_rows(begun("pressure_test")))
    assert found(log) == [("channel_stuck", "leaving_water_temperature")]
    running = replace(log, journal=journal_rows(begun("startup")))
    assert found(running) == []


@pytest.mark.parametrize(
    ("channel", "label", "number", "unit", "pressure"),
    [("suction_temperature", "degF", 9.0, "kPag", 241.0), ("liquid_temperature", "degC", 92.0, "psig", 125.0)],
)
def test_a_pipe_that_cannot_be_so_far_from_its_saturation_has_a_wrong_label(
    channel: str, label: str, number: float, unit: str, pressure: float
) -> None:
    """R-134a: suction of 241 kPa is at 4 degC, so no pipe of -13 degC; no liquid line of 92 degC stands at 125 psig."""
    gauge = "suction_pressure" if channel == "suction_temperature" else "discharge_pressure"
    steady = np.ones(4_320)
    logged = {gauge: (unit, pressure * steady), channel: (label, number * steady)}
    findings = believe(*make_log(5.0 * np.arange(len(steady)), logged, tables=R134A, journal=begun("startup")))[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]


def test_a_clock_put_right_by_decades_is_not_looked_through() -> None:
    """Where nothing was read there is nothing to look at."""
    before = np.arange(0.0, 3600.0, 5.0)
    times = np.concatenate([before, 8e8 + before])
    parts = list(_unbroken(times, 0, len(times)))
    assert sum(times[end - 1] - times[first] for first, end in parts) <= 24 * LOOK_S
    assert [first for first, _ in parts[1:]] == [end for _, end in parts[:-1]]


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
def test_a_display_switched_to_another_unit_is_named_once_since_then(step: float) -> None:
    log = night(step=step)
    rows = log.frame.index[int(9_000.0 / step) :]
    celsius = log.frame.loc[rows, "leaving_water_temperature"] - 273.15
    log.frame.loc[rows, "leaving_water_temperature"] = celsius * 1.8 + 32.0 + 273.15
    result = review(log, parse_job({"job": {"name": "n"}}))
    named = [f for f in result.findings if f.kind.startswith("channel_")]
    assert [(f.kind, f.figures["channel"], f.since) for f in named] == [
        ("channel_jumped", "leaving_water_temperature", rows[0])
    ]


def test_a_probe_that_jumps_is_no_witness_against_its_twin() -> None:
    at = np.arange(0.0, 4.0 * 3_600.0, 10.0)
    log = walking(18.0 + 0.3 * at / 3_600.0, at)
    water = 10.0 + 2.0 * np.exp(-at / 700.0)
    for channel, jump in (("entering_water_temperature", 0.0), ("leaving_water_temperature", 7.0)):
        log.frame[channel] = np.round(water + jump * (at >= 3_600.0), 1) + 273.15
    log = replace(log, journal=journal_rows(begun("recovery")))
    assert found(log) == [("channel_jumped", "leaving_water_temperature")]
    log.frame["leaving_water_temperature"] -= 4.0 * (at >= 3_600.0)  # too little to be called a jump
    assert found(log) == []


def test_a_number_shown_again_after_hours_of_silence_did_not_stand_meanwhile() -> None:
    at = np.arange(0.0, 4.0 * 3_600.0, 10.0)
    log = walking(20.0 + at / 1_800.0, at)
    silent = (at >= 3_600.0) & (at < 8_000.0)
    last = log.frame["surface_temperature"].to_numpy()[359]
    log.frame["surface_temperature"] = np.where(
        silent, np.nan, np.where(at < 3_600.0, log.frame["surface_temperature"], last)
    )
    log.frame.loc[log.frame.index[860:], "surface_temperature"] = np.nan
    assert ("channel_stuck", "surface_temperature") not in found(log)


def test_a_channel_that_gave_error_codes_from_the_first_row_is_named_whatever_the_code() -> None:
    log = night()
    for code in (-999.0, 9999.0):
        shown = log.frame.copy()
        shown["surface_temperature"] = (code + 459.67) / 1.8  # degF
        spoilt = assemble(shown, log.columns, log.journal, parse_job({"job": {"name": "n"}}))
        assert found(spoilt) == [("channel_lost", "surface_temperature")]


def test_every_second_number_impossible_is_named_once_and_one_is_not() -> None:
    log = night()
    column = log.frame.columns.get_loc("surface_temperature")
    log.frame.iloc[100, column] = 2_000.0
    assert found(log) == []
    log.frame.iloc[500::2, column] = 2_000.0
    assert found(log) == [("channel_lost", "surface_temperature")]


def test_a_channel_that_is_left_out_is_not_named_again() -> None:
    log = night()
    column = log.frame.columns.get_loc("surface_temperature")
    log.frame.iloc[1_000:, column] = 255.0
    assert found(log) == [("channel_jumped", "surface_temperature")]


def test_a_barometer_that_jumps_takes_no_gauge_along() -> None:
    log = night()
    gauge = "circuit_pressure"
    frame = log.frame.assign(**{gauge: log.frame[gauge] - log.barometer_pa})
    honest = assemble(frame.copy(), log.columns, log.journal, parse_job({"job": {"name": "n"}})).frame[gauge]
    weather = frame["barometer"].copy()
    weather.iloc[1_000:2_000] += 9e3
    spoilt = assemble(frame.assign(barometer=weather), log.columns, log.journal, parse_job({"job": {"name": "n"}}))
    np.testing.assert_allclose(spoilt.frame[gauge], honest, atol=200.0)
    assert found(spoilt) == [("channel_jumped", "barometer")]


def two_gauges(stage: str) -> Log:
    """Return a stopped circuit with a gauge at the hose and one at the suction side, in a stage of the journal."""
    log = standing({"circuit_pressure": "psig", "suction_pressure": "psig"})
    return replace(log, journal=journal_rows(begun(stage)))


def put(log: Log, channel: str, first: int, numbers: Callable[[np.ndarray], np.ndarray]) -> None:
    """Let a gauge show other numbers from its row `first` on."""
    unit, above = log.columns[channel].unit, log.barometer_pa.iloc[first:].to_numpy()
    column = log.frame.columns.get_loc(channel)
    shown = (log.frame.iloc[first:, column].to_numpy() - above) / unit.scale
    log.frame.iloc[first:, column] = numbers(shown) * unit.scale + above


def test_a_display_switched_at_the_hose_while_it_flows_is_told_by_its_unit() -> None:
    log = two_gauges("recovery")
    assert found(log) == []
    put(log, "circuit_pressure", 500, lambda shown: shown * 6.894757)
    (fault,) = believe(log)[1]
    assert (fault.kind, fault.figures["channel"], fault.since) == (
        "channel_jumped", "circuit_pressure", log.frame.index[500],
    )  # fmt: skip
    assert "kPag since then, not psig" in fault.text


def test_a_barometer_that_flickers_moves_no_gauge_at_once_with_a_thermometer() -> None:
    log = two_gauges("at_rest")
    rows = np.arange(len(log.frame))
    flicker = 101_325.0 + 5.0 * np.random.default_rng(4).normal(size=len(rows))
    tenths = 689.4757293 * np.round(np.random.default_rng(13).normal(size=len(rows)))  # of a psi
    level = log.frame["suction_pressure"].iloc[0] - 101_325.0 + flicker + tenths
    gauges = {"circuit_pressure": level, "suction_pressure": level}
    frame = log.frame.assign(**gauges, barometer=flicker, liquid_temperature=293.0 + 6.0 * (rows >= 500))
    more = {"barometer": "mbar", "liquid_temperature": "degC"}
    columns = {**log.columns, **{name: make_column(name, unit, name) for name, unit in more.items()}}
    barometer = pd.Series(flicker, index=frame.index)
    log = replace(log, frame=frame, columns=columns, barometer_pa=barometer)
    assert ("channel_jumped", "liquid_temperature") in found(log)


@pytest.mark.parametrize("bare_rows", [0, 6])
def test_a_cylinder_that_weighs_as_many_kilograms_as_the_last_pounds_is_no_fault(bare_rows: int) -> None:
    log = night()
    column = log.frame.columns.get_loc("cylinder_weight")
    log.frame.iloc[1_000:, column] *= 0.45359237
    log.frame.iloc[1_000 : 1_000 + bare_rows, column] = 0.0
    assert found(log) == []


@pytest.mark.parametrize("stage", ["pressure_test", "recovery"])
@pytest.mark.parametrize("number", [0.0, 0.4, -0.4, 500.0])
def test_a_gauge_that_leaps_to_an_end_of_its_scale_beside_its_twin_is_named(stage: str, number: float) -> None:
    """A gauge open to the air shows nothing but for its error, or the highest that it can."""
    log = two_gauges(stage)
    put(log, "circuit_pressure", 500, lambda shown: np.full(len(shown), number))
    assert [channel for _, channel in found(log)] == ["circuit_pressure"]


def test_a_gauge_at_the_hose_that_rises_above_the_circuit_it_draws_from_is_named_and_a_fall_is_not() -> None:
    for share, named in ((1.3, [("channel_jumped", "circuit_pressure")]), (0.7, [])):
        log = two_gauges("recovery")
        put(log, "circuit_pressure", 500, lambda shown, share=share: shown * share)  # type: ignore[misc]
        assert found(log) == named


def test_a_coarse_gauge_that_goes_by_one_step_beside_a_moving_barometer_has_not_jumped() -> None:
    log = two_gauges("recovery")
    weather = log.barometer_pa + 40.0 * np.sin(np.arange(len(log.frame)) / 50.0)
    coarse = 6_894.757 * np.repeat([3.0, 2.0], [500, len(log.frame) - 500])
    frame = log.frame.assign(suction_pressure=coarse + weather, barometer=weather)
    assert found(with_channels(replace(log, frame=frame, barometer_pa=weather), barometer=("mbar", weather))) == []


def test_a_bottle_that_stands_on_the_scale_does_not_leap_in_temperature() -> None:
    log = night()
    bottle = 290.0 + 0.1 * np.random.default_rng(1).normal(size=len(log.frame))
    bottle[1_000:] += 12.0
    log = with_channels(log, cylinder_temperature=("degC", bottle))
    assert found(log) == [("channel_jumped", "cylinder_temperature")]
    row = np.arange(len(bottle))
    swapped = log.frame.assign(cylinder_weight=np.where(row < 1_060, 60.0, 30.0))
    assert found(replace(log, frame=swapped)) == []
    small = log.frame.assign(cylinder_weight=np.where((row < 1_060) | (row > 1_070), 3.9, 0.0))
    assert found(replace(log, frame=small)) == []


@pytest.mark.parametrize("late_s", [0.0, 45.0, 150.0])
def test_the_probe_moves_with_the_bottle_that_is_changed(late_s: float) -> None:
    """80 kg/h flow; the full one is 10 K warmer, and off the scale for 95 s; a row every 5 s."""
    seconds = np.arange(0.0, 5_400.0, 5.0)
    flow = np.maximum(np.abs(seconds - 2_700.0) - 120.0, 0.0) * np.sign(seconds - 2_700.0) / 45.0
    gross = np.select([seconds < 2_600.0, seconds < 2_695.0], [86.0 + flow, 0.0], 27.0 + np.maximum(flow, 0.0))
    logged = {
        "cylinder_weight": ("kg", np.round(gross, 2)),
        "cylinder_temperature": ("degC", np.where(seconds < 2_700.0 + late_s, 28.0, 18.0) + 0.05 * np.sin(seconds)),
    }
    assert found(make_log(seconds, logged)[0]) == []


def test_a_pressure_that_comes_back_in_a_pause_does_not_doubt_the_scale() -> None:
    log = recovering(True, -250e3)
    assert found(log) == []


RUNNING = {
    "leaving_water_temperature": 7.0, "entering_water_temperature": 12.0, "suction_temperature": 9.0,
    "discharge_temperature": 66.0, "liquid_temperature": 35.0, "condenser_entering_temperature": 30.0,
    "condenser_leaving_temperature": 35.0, "suction_pressure": 236.0, "discharge_pressure": 915.0,
}  # fmt: skip


def running(meant: dict[str, str], *, marked: bool = True, loaded: bool = False) -> tuple[Log, Job]:
    """Return an hour of a machine that cools water, R-134a, in degF and kPag; some channels show another unit."""
    dice = np.random.default_rng(2)
    at = np.arange(0.0, 3_600.0, 10.0)
    logged = {}
    for channel, true in RUNNING.items():
        own, si = ("degF", true + 273.15) if CHANNELS[channel] == "temperature" else ("kPag", true * 1e3)
        number = UNITS[meant.get(channel, own)].number(si) + 0.1 * dice.normal(size=len(at))
        logged[channel] = own, np.round(number, 1)
    if loaded:
        logged["compressor_load"] = "%", np.full(len(at), 70.0)
    return make_log(at, logged, tables=R134A, journal=begun("startup") if marked else [])


def test_a_running_machine_in_order_is_believed() -> None:
    assert believe(*running({}))[1] == ()
    assert believe(*running({}, marked=False, loaded=True))[1] == ()


@pytest.mark.parametrize(("low", "high", "celsius"), [(75.0, 150.0, 21.0), (150.0, 300.0, 21.0), (1.0, 46.0, 10.0)])
def test_two_pressures_in_a_machine_that_stands_put_no_label_in_doubt(low: float, high: float, celsius: float) -> None:
    """Nitrogen in its low and its high side, as their designs allow; liquid left where only the low side is drawn."""
    at, noise = np.arange(0.0, 7_200.0, 10.0), np.random.default_rng(1)
    thermometers = ("suction_temperature", "discharge_temperature", "liquid_temperature", "leaving_water_temperature")
    for unit in ("degC", "degF"):
        room = celsius if unit == "degC" else 32.0 + 1.8 * celsius
        for seen in (thermometers, ("suction_temperature", "leaving_water_temperature")):
            logged = {channel: (unit, np.round(room + 0.1 * noise.normal(size=len(at)), 1)) for channel in seen}
            for channel, psig in (("suction_pressure", low), ("discharge_pressure", high)):
                logged[channel] = "psig", np.round(psig + 0.1 * noise.normal(size=len(at)), 1)
            assert believe(*make_log(at, logged, tables=R134A))[1] == ()


@pytest.mark.parametrize(
    ("channel", "loaded"),
    [("leaving_water_temperature", False), ("suction_temperature", True), ("suction_pressure", True)],
)
def test_a_label_is_put_in_doubt_by_a_machine_that_runs_though_nobody_marked_it(channel: str, loaded: bool) -> None:
    """Its load tells that it runs, or the lift of the pressure where no load is read."""
    unit = "degC"
    if channel == "suction_pressure":  # numbers in kPa under psi: far above saturation
        log, job = running({}, marked=False, loaded=True)
        column = make_column(channel, "psig", "suction_pressure [psig]")
        frame = log.frame.assign(**{channel: (log.frame[channel] - log.barometer_pa) * 6.894757 + log.barometer_pa})
        log, unit = replace(log, frame=frame, columns={**log.columns, channel: column}), "kPag"
    else:
        log, job = running({channel: unit}, marked=False, loaded=loaded)
    findings = believe(log, job)[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert f"only as {unit}" in findings[0].text


@pytest.mark.parametrize("channel", [channel for channel in RUNNING if channel != "suction_pressure"])
def test_a_label_that_breaks_the_order_of_a_running_machine_is_named_once(channel: str) -> None:
    unit = "degC" if CHANNELS[channel] == "temperature" else "psig"
    log, findings = believe(*running({channel: unit}))
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert f"only as {unit}" in findings[0].text
    assert log.frame[channel].iloc[-100:].isna().all()


@pytest.mark.parametrize("step", [10, 60])
@pytest.mark.parametrize("staged", [True, False])
def test_a_stage_of_the_compressor_is_no_fault_and_a_step_of_one_gauge_is(step: int, staged: bool) -> None:
    log, job = running({})
    log = replace(log, frame=log.frame.iloc[:: step // 10].copy(), barometer_pa=log.barometer_pa.iloc[:: step // 10])
    at = np.arange(0.0, 3_600.0, step)
    loaded = np.where(at < 1_200.0, (at // 240.0) % 2.0, 0.5)
    log.frame["discharge_temperature"] += 14.0 * loaded
    log.frame["discharge_pressure"] += 150e3 * loaded
    log.frame["suction_pressure"] -= 25e3 * loaded
    if not staged:
        log.frame.loc[log.frame.index[at >= 2_400.0], "discharge_pressure"] += 200e3
    named = [(f.kind, f.figures["channel"]) for f in believe(log, job)[1]]
    assert named == ([] if staged else [("channel_jumped", "discharge_pressure")])


def drawing(step: float, leap_pa: float, after: float = 1.0) -> Log:
    """Return a recovery that draws 1.5 kg/min; 20 min on the gauge leaps, and `after` times as much is drawn.

    From 40 min on the circuit empties.
    """
    noise = np.random.default_rng(9)
    at = np.arange(0.0, 3_600.0, step)
    drawn = 0.025 * (np.minimum(at, 1_200.0) + after * np.clip(at - 1_200.0, 0.0, 1_200.0))
    pressure = 500e3 * np.exp(-np.maximum(at - 2_400.0, 0.0) / 300.0) + np.where(at < 1_200.0, 0.0, leap_pa)
    logged = {
        "circuit_pressure": ("kPa", np.round(np.maximum(pressure, 30e3) / 1e3)),
        "cylinder_weight": ("kg", np.round(30.0 + drawn + 0.02 * noise.normal(size=len(at)), 2)),
        "leaving_water_temperature": ("degC", np.round(14.9 + 0.1 * noise.normal(size=len(at)), 1)),
    }
    return make_log(at, logged, journal=begun("recovery"))[0]


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("leap_pa", [-150e3, 200e3])
def test_a_gauge_that_leaps_while_as_much_is_drawn_is_left_out_though_the_circuit_empties(
    step: float, leap_pa: float
) -> None:
    kept, findings = believe(drawing(step, leap_pa))
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", "circuit_pressure")]
    assert findings[0].since == START + pd.Timedelta(seconds=1_200)
    assert kept.frame["circuit_pressure"].loc[findings[0].time :].isna().all()


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("leap_pa", "after"), [(-150e3, 0.7), (200e3, 0.5), (200e3, 0.0), (200e3, 1.35), (60e3, 1.0)])
def test_a_gauge_that_leaps_with_what_is_drawn_has_not_jumped(step: float, leap_pa: float, after: float) -> None:
    assert found(drawing(step, leap_pa, after)) == []


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("unit", "filled"), [("barg", 0.88), ("MPa", 0.1), ("psig", 10.0), ("kPag", 70.0)])
def test_a_circuit_filled_a_little_from_open_shows_no_other_unit(step: float, unit: str, filled: float) -> None:
    at = np.arange(0.0, 3_600.0, step)
    opened = UNITS[unit].number(101_325.0, 101_325.0)
    log, _ = make_log(at, {"circuit_pressure": (unit, opened + np.where(at < 1_800.0, 0.0, filled))})
    assert found(log) == []


def test_a_bottle_put_aside_may_come_to_rest() -> None:
    at = np.arange(0.0, 4.0 * 3600.0, 10.0)
    log = walking(15.0 + 2.0 * np.minimum(at, 7_200.0) / 3_600.0, at)
    columns = {**log.columns, "cylinder_temperature": make_column("cylinder_temperature", "degC", "b")}
    log = replace(log, frame=log.frame.rename(columns={"surface_temperature": "cylinder_temperature"}), columns=columns)
    columns.pop("surface_temperature")
    put_aside = journal_rows([(0.0, "stage", "charging", "begin"), (7_260.0, "stage", "charging", "end")])
    assert found(replace(log, journal=put_aside)) == []
    assert found(replace(log, journal=put_aside.iloc[:1])) == [("channel_stuck", "cylinder_temperature")]


def test_a_number_of_a_vacuum_gauge_means_as_much_below_the_barometer() -> None:
    """10 inHg are 33.86 kPa (NIST SP 811)."""
    barometer_pa = np.array([101_000.0])
    read = UNITS["psig"].si(10.0, barometer_pa)
    assert relabelled(read, UNITS["psig"], UNITS["inHg"], barometer_pa) == pytest.approx(67_136.0, abs=1.0)
