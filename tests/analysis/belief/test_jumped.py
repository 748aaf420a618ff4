"""Readings that leap, and leaps that are real."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.belief import believe
from analysis.log import Log, assemble
from analysis.vocabulary.channels import make_column
from analysis.vocabulary.job import parse_job
from tests.analysis.belief.logs import begun, found, night, put, running, standing, stick, two_gauges, walking
from tests.support import START, journal_rows, make_log, with_channels


@pytest.mark.parametrize("step", [1.0, 10.0, 30.0])
def test_what_happens_to_the_circuit_is_no_jump(step: float) -> None:
    """Water begins to flow: the cold slug takes both water probes down by 8 K within a few readings."""
    log = night(2, 3.0, step)
    at = np.arange(len(log.frame)) * step - 4_000.0
    slug = np.where(at > 0, 8.0 * (1.0 - np.exp(-np.maximum(at, 0.0) / 4.0)), 0.0)
    for channel in ("leaving_water_temperature", "entering_water_temperature"):
        log.frame[channel] -= slug
    assert found(log) == []


@pytest.mark.parametrize("step", [10.0, 30.0, 60.0])
def test_an_absolute_gauge_that_a_pump_takes_to_nothing_within_a_reading_is_no_other_unit(step: float) -> None:
    """A small circuit: 10 L at 1 L/s are at a few kPa within half a minute, and 0.1 psi over the air is the air."""
    at = np.arange(0.0, 7_200.0, step)
    shown = np.where(at < 3_600.0, 14.7, np.where(at < 3_600.0 + step, 1.8, 0.1))
    assert found(make_log(at, {"circuit_pressure": ("psia", shown)})[0]) == []


def test_a_hose_put_on_a_circuit_that_stands_at_fourteen_times_the_air_is_no_other_unit() -> None:
    """R-32 at 20 degC stands at 14.75 bar (CoolProp 8.0.0), as the air does at 14.7 psia."""
    at = np.arange(0.0, 7_200.0, 15.0)
    shown = np.where(at < 1_500.0, 1.01, 14.70) + 0.01 * (np.arange(len(at)) % 2)
    assert found(make_log(at, {"circuit_pressure": ("bar", shown)})[0]) == []


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


def test_noise_of_a_step_that_stops_is_told_by_twenty_readings_a_minute_apart() -> None:
    log = night(4, 5.0, 60.0)
    stick(log, "surface_temperature", 150)
    findings = believe(log)[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_stuck", "surface_temperature")]
    assert (findings[0].time - findings[0].since).total_seconds() <= 1_800.0


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


@pytest.mark.parametrize("seed", range(4))
def test_a_jump_of_five_kelvin_is_named_whatever_noise_makes_of_it(seed: int) -> None:
    dice = np.random.default_rng(seed)
    at = np.arange(0.0, 7_200.0, 10.0)
    probes = {
        channel: ("degC", np.round(20.0 + off * (at >= 3_600.0) + 0.1 * dice.normal(size=len(at)), 1))
        for channel, off in (("ambient_temperature", -5.0), ("surface_temperature", 0.0))
    }
    log = make_log(at, probes, journal=begun("evacuation"))[0]
    assert found(log) == [("channel_jumped", "ambient_temperature")]


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


@pytest.mark.parametrize("back_at", [700, None])
def test_a_gauge_that_hung_on_a_cylinder_is_believed_once_it_shows_the_circuit_again(back_at: int | None) -> None:
    """The circuit is drawn from meanwhile, and the hose comes off before it goes back: neither step is the first one's.

    Beside the air both gauges show the same wherever they hang.
    """
    log = two_gauges("recovery")
    put(log, "circuit_pressure", 500, lambda shown: shown * 1.3)
    for gauge in ("circuit_pressure", "suction_pressure"):
        put(log, gauge, 600, lambda shown: shown - 12.0)
    put(log, "circuit_pressure", 690, np.zeros_like)
    if back_at is not None:
        circuit = log.frame["suction_pressure"].to_numpy()
        log.frame.loc[log.frame.index[back_at:], "circuit_pressure"] = circuit[back_at:] + 700.0
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", "circuit_pressure")]
    left_out = kept.frame["circuit_pressure"].isna().to_numpy()
    assert left_out[600:700].all()
    assert left_out[800:].all() if back_at is None else not left_out[800:].any()


@pytest.mark.parametrize(("per_row", "falls"), [(0.0, 0.03), (0.04, 0.0)])
def test_a_gauge_that_broke_is_not_believed_where_the_circuit_passes_it(per_row: float, falls: float) -> None:
    """It stands, or drifts, and for minutes it shows within 3 % what the other one does."""
    log = two_gauges("pressure_test")
    rows = np.arange(len(log.frame) - 500)
    put(log, "circuit_pressure", 500, lambda shown: shown[0] + (-10.0 if falls else 20.0) - per_row * rows)
    put(log, "suction_pressure", 500, lambda shown: shown - falls * rows)
    apart = log.frame["circuit_pressure"] / log.frame["suction_pressure"] - 1.0
    assert (apart.iloc[600:].abs() < 0.03).sum() > 50
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", "circuit_pressure")]
    assert kept.frame["circuit_pressure"].iloc[550:].isna().all()


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


def test_a_gauge_whose_hose_is_put_on_while_a_machine_draws_has_not_jumped() -> None:
    """It hung in the air for twenty minutes, and shows the circuit from then on."""
    log = drawing(10.0, 0.0)
    log.frame.loc[log.frame.index[:120], "circuit_pressure"] = 101e3
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
