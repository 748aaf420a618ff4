"""Readings that stand still, and stillness that is real."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import erf

from analysis.belief import believe
from analysis.belief.patience import patience_of_noise
from analysis.log import Log
from tests.analysis.belief.logs import begun, found, night, recovering, standing, stick, walking
from tests.support import journal_rows, make_log


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


@pytest.mark.parametrize("gauges", [False, True])
def test_what_a_compressor_that_cycles_moved_is_not_stuck_once_it_runs_on(gauges: bool) -> None:
    """Seen each half minute its swing looks like noise. A pipe warms on beside two waters that came to rest together; a
    high side that stood for a quarter of an hour before stands again while the low side swings on, as a valve hunts."""
    at = 30.0 * np.arange(300)
    swing = np.sin(2.0 * np.pi * at / 290.0)
    cycles = (at < 7_200.0) & ~(gauges & (at > 5_400.0) & (at < 6_300.0))
    sides = {
        "discharge_pressure": ("kPa", 160.0 + 4.0 * swing * cycles),
        "suction_pressure": ("kPa", 60.0 + 1.5 * swing * (cycles | (at >= 7_200.0))),
    }
    waters = {
        "condenser_leaving_temperature": ("degC", 30.0 + 2.0 * swing * cycles),
        "leaving_water_temperature": ("degC", 7.0 + 1.5 * swing * cycles),
    }
    shown = (sides if gauges else waters) | {"discharge_temperature": ("degC", 60.0 + at / 1_000.0)}
    log, _ = make_log(at, {channel: (unit, np.round(values, 1)) for channel, (unit, values) in shown.items()})
    assert found(log) == []


def test_two_gauges_of_one_box_that_freeze_together_are_stuck() -> None:
    """Read each other second no swing looks like their noise, while a pipe warms on by 3 K."""
    at, noise = 2.0 * np.arange(3_600), np.random.default_rng(5).normal(size=(2, 3_600))
    gauges = {"suction_pressure": 60.0 + 0.3 * noise[0], "discharge_pressure": 160.0 + 0.3 * noise[1]}
    logged = {channel: ("kPa", np.round(np.where(at < 3_600.0, one, one[1_800]), 1)) for channel, one in gauges.items()}
    log, _ = make_log(at, logged | {"discharge_temperature": ("degC", np.round(60.0 + at / 1_200.0, 1))})
    assert sorted(found(log)) == [("channel_stuck", channel) for channel in sorted(gauges)]


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


def test_a_scale_that_freezes_while_the_circuit_empties_is_stuck_and_one_in_a_pause_is_not() -> None:
    assert found(recovering(True, 500e3)) == [("channel_stuck", "cylinder_weight")]
    assert found(recovering(False, 500e3)) == []
    assert found(recovering(True, 5e3)) == []


def test_a_scale_that_freezes_soon_after_a_charge_began_is_stuck_where_the_circuit_goes_on_filling() -> None:
    """Thirty steps of 50 g in 150 s, then one number while the pressure goes on to five times as much, or stands."""
    at = np.arange(0.0, 1_500.0, 5.0)
    weight = np.round(60.0 - 0.05 * np.clip((at - 120.0) / 5.0, 0.0, 30.0), 2)
    for filled_s, named in ((900.0, [("channel_stuck", "cylinder_weight")]), (270.0, [])):
        pressure = np.round(400.0 * np.clip((at - 120.0) / 150.0, 0.0, (filled_s - 120.0) / 150.0), 1)
        logged = {"cylinder_weight": ("kg", weight), "circuit_pressure": ("kPa", pressure)}
        assert found(make_log(at, logged, journal=begun("charging"))[0]) == named, filled_s


@pytest.mark.parametrize(("pressure_kpa", "named"), [(600.0, True), (60.0, False)])
def test_a_scale_that_froze_before_the_stage_is_stuck_once_the_circuit_has_filled(
    pressure_kpa: float, named: bool
) -> None:
    """It trembles through a pull-down of half an hour and freezes there; the charge begins 20 min later."""
    at = np.arange(0.0, 6_000.0, 5.0)
    weight = np.round(60.0 + 0.07 * np.random.default_rng(4).normal(size=len(at)), 1)
    filled = np.round(1.0 + np.interp(at, [3_100.0, 4_500.0], [0.0, pressure_kpa]), 1)
    logged = {
        "cylinder_weight": ("kg", np.where(at < 1_800.0, weight, weight[360])),
        "circuit_pressure": ("kPa", filled),
    }
    marks = [(0.0, "stage", "evacuation", "begin"), (2_900.0, "stage", "evacuation", "end")]
    log = make_log(at, logged, journal=[*marks, (3_000.0, "stage", "charging", "begin")])[0]
    assert found(log) == [("channel_stuck", "cylinder_weight")] * named


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


def under_test(celsius: np.ndarray, at: np.ndarray, digit: float = 0.1, channel: str = "surface_temperature") -> Log:
    """Return a night in which air falls by 5 K and rises again, and a thermometer beside it shows `celsius`."""
    swing = 18.0 - 5.0 * np.sin(np.pi * at / at[-1])
    probes = dict.fromkeys(("ambient_temperature", "surface_temperature"), np.round(swing, 1))
    probes[channel] = np.round(celsius / digit) * digit
    return make_log(at, {c: ("degC", shown) for c, shown in probes.items()}, journal=begun("pressure_test"))[0]


def test_metal_that_stands_at_one_number_once_air_beside_which_it_had_moved_went_on_is_stuck() -> None:
    """Standing is right where metal turns, comes to rest, is coupled to the air loosely, is held by frost or is shown
    coarsely. A thermostat holds air from one moment on."""
    at = np.arange(0.0, 12.0 * 3_600.0, 30.0)
    swing = 18.0 - 5.0 * np.sin(np.pi * at / at[-1])
    freezes = np.minimum(at, 2.5 * 3_600.0)
    stands = 18.0 - 5.0 * np.sin(np.pi * freezes / at[-1])
    assert found(under_test(stands, at)) == [("channel_stuck", "surface_temperature")]
    heavy = 18.0 - 2.8 * np.sin(np.pi * np.clip(at - 9_000.0, 0.0, None) / at[-1])
    frost = np.maximum(stands - stands[-1], swing - 20.0)
    rests = stands - 1.5 * (1.0 - np.exp(-(at - freezes) / 1_800.0))
    for right in (swing, heavy, frost, rests):
        assert found(under_test(right, at)) == []
    assert found(under_test(stands, at, digit=1.0)) == []
    assert found(under_test(stands, at, channel="ambient_temperature")) == []


@pytest.mark.parametrize("noise", [0.4, 0.5, 0.7])
def test_noise_that_some_readings_show_too_loud_may_still_stand_by_chance(noise: float) -> None:
    """Noise [steps] keeps within one step for n readings with p^n at the most, whatever the last changes make of it."""
    draw, minute = np.random.default_rng(7), 60.0 * np.arange(200.0)
    waits = []
    for _ in range(300):
        shown = np.round(draw.random() + noise * draw.normal(size=len(minute)))
        waits.append(patience_of_noise(minute, shown, np.flatnonzero(np.diff(shown, prepend=np.nan))))
    chance = erf(0.5 / np.sqrt(2.0) / noise) ** (np.array(waits) / 60.0)
    assert np.isfinite(waits).sum() > 100
    assert chance[np.isfinite(waits)].max() < 1e-4
