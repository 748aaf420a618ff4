"""A machine that starts, runs, stops and stands, seen from the signals alone."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analysis.fluids import refrigerant
from analysis.stages import find_stages
from analysis.stages.look_back import LookBack
from analysis.vocabulary.job import CircuitTable, Job, JobTable
from tests.analysis.stages.days import at, charged, near, pulled_and_broken, si_log, spans_in
from tests.benchmarks.stage_ensemble import NEAR_S


@pytest.mark.parametrize("placed_s", [60.0, 600.0, 1_800.0])
def test_a_cylinder_that_was_put_on_long_before_the_pull_ends_no_look_at_the_rest(placed_s: float) -> None:
    seconds = np.arange(0.0, 3 * 3_600.0, 10.0)
    gross = np.where(seconds < placed_s, 0.0, np.interp(seconds, [3_600.0, 9_000.0], [12.0, 40.0]))
    still = {f"{name}_temperature": np.full(len(seconds), 293.0) for name in ("ambient", "leaving_water")}
    pressure = np.interp(seconds, [3_600.0, 9_000.0], [570e3, 60e3])
    spans = spans_in(circuit_pressure=pressure, cylinder_weight=gross, **still)
    assert [span.stage for span in spans] == ["at_rest", "recovery"]
    assert near(spans[0].end, 3_600.0)


def test_a_running_machine_that_is_topped_up_was_not_recovered_before_a_cylinder_stood_there() -> None:
    """R-134a; one gauge on its low side, from 30 s on the compressor runs. 3 kg go in from 20 min on."""
    seconds = np.arange(0.0, 3_600.0, 10.0)
    drawn = np.interp(seconds, [30.0, 300.0, 1_300.0, 1_900.0], [572e3, 230e3, 230e3, 280e3])
    gross = np.where(seconds < 1_200.0, 0.0, np.interp(seconds, [1_300.0, 1_900.0], [29.0, 26.0]))
    spans = spans_in(circuit_pressure=drawn, cylinder_weight=gross)
    assert [span.stage for span in spans] == ["charging"]


def test_a_machine_that_cools_on_and_on_is_not_opened_before_pressure_falls_at_once() -> None:
    """By a step of its gauge a minute, and from minute 30 by fourteen of them in two."""
    pressure = 1e3 * np.interp(np.arange(60.0), [0.0, 30.0, 32.0, 60.0], [1_500.0, 1_470.0, 1_456.0, 1_430.0])
    nothing = np.zeros(60)
    seen = SimpleNamespace(
        pressure_pa=pressure,
        calm_pa=pressure,
        flicker_pa=nothing,
        step_pa=nothing + 500.0,
        end_s=60.0 * np.arange(1.0, 61.0),
    )
    assert LookBack(seen).opened_at(55, 8, 59)[0] in (29, 30)  # type: ignore[arg-type]


def test_what_runs_after_its_vacuum_was_broken_was_charged_in_between() -> None:
    """Too short, and too cold, to be seen standing at the room's saturation."""
    seconds = np.arange(0.0, 5 * 3_600.0, 10.0)
    came = np.interp(seconds, [9_000.0, 9_300.0, 10_200.0, 10_210.0], [30.0, 440e3, 440e3, 430e3])
    pressure = np.where(seconds < 9_000.0, pulled_and_broken(seconds, 9_000.0), came)
    runs = (seconds > 10_800.0) & (seconds < 14_400.0)
    spans = spans_in(
        circuit_pressure=np.where(runs, 330e3, pressure),
        vacuum=np.where(pressure < 2_600.0, pressure, np.nan),
        ambient_temperature=np.full(len(seconds), 295.0),
        compressor_load=np.where(runs, 60.0, 0.0),
    )
    moved = [span for span in spans if span.stage != "at_rest"]
    assert [span.stage for span in moved] == ["evacuation", "charging", "startup"]
    assert near(moved[1].begin, 9_000.0)
    assert near(moved[1].end, 10_200.0)


def test_a_pull_that_nothing_shows_may_have_begun_as_soon_as_the_rest() -> None:
    """Liquid is drawn at saturation for an hour before pressure falls; neither a scale nor a mark tells of it."""
    since = np.arange(0.0, 6 * 3_600.0, 10.0)
    pressure = 60e3 + 510e3 * np.exp(-np.maximum(since - 9_000.0, 0.0) / 2_400.0)
    warm = {name: np.full(len(since), 293.0) for name in ("ambient_temperature", "leaving_water_temperature")}
    job = Job(job=JobTable(name="a job"), circuit=CircuitTable(refrigerant="R-134a"))
    spans, odd = find_stages(si_log(since, {"circuit_pressure": pressure, **warm}), job)
    assert [span.stage for span in spans] == ["at_rest", "recovery"]
    for told, within_s in ((spans[0].end, spans[0].end_within_s), (spans[1].begin, spans[1].within_s)):
        assert told is not None
        assert told - pd.Timedelta(seconds=within_s) <= at(300.0)
    assert "a mark or a scale would have shown it" in " ".join(odd)


def test_a_start_that_only_the_circuit_shows_ends_a_charge_that_no_scale_shows() -> None:
    """Suction sinks by a tenth within minutes, stays there for two hours and comes back."""
    since = np.arange(-3_600.0, 5 * 3_600.0, 10.0)
    starts, stops = 3_600.0, 10_800.0
    runs = 1.0 - np.exp(-np.maximum(since - starts, 0.0) / 150.0)
    runs *= np.exp(-np.maximum(since - stops, 0.0) / 150.0)
    pressure = np.interp(since, [0.0, 20.0, 600.0], [40.0, 20e3, 570e3]) - 57e3 * runs
    spans = spans_in(
        circuit_pressure=np.round(pressure / 690.0) * 690.0, vacuum=np.where(pressure < 2_600.0, pressure, np.nan)
    )
    assert [span.stage for span in spans] == ["evacuation", "charging", "startup"]
    assert near(spans[1].begin, 3_600.0)
    assert spans[1].end is not None
    assert at(3_600.0) < spans[1].end < at(3_600.0 + starts)
    assert spans[1].end_within_s > NEAR_S  # it says that it does not know
    assert near(spans[2].begin, 3_600.0 + starts)
    assert near(spans[2].end, 3_600.0 + stops)
    assert "only pressure" in spans[2].doubt


def test_a_circuit_that_comes_to_rest_as_the_log_begins_is_not_opened_then() -> None:
    """Without a scale: it settles by 2 % in the first minutes; the hose takes 5 % an hour and a half later."""
    since = np.arange(-5_400.0, 3 * 3_600.0, 10.0)
    settles = 1.0 + 0.02 * np.exp(-(since + 5_400.0) / 60.0)
    pressure = 570e3 * settles * np.interp(since, [-1.0, 20.0], [1.0, 0.95])
    falls = np.exp(-np.maximum(since - 1_800.0, 0.0) / 1_200.0)
    spans = spans_in(circuit_pressure=np.round(pressure * falls / 690.0) * 690.0)
    assert [span.stage for span in spans] == ["recovery"]
    assert near(spans[0].begin, 5_400.0)


@pytest.mark.parametrize("stood_s", [1_200.0, 420.0])
def test_a_machine_that_stopped_before_the_log_ends_looks_over_and_may_start_again(stood_s: float) -> None:
    since = np.arange(-600.0, 3_600.0 + stood_s, 10.0)
    load = np.where((since > 0.0) & (since < 3_600.0), 60.0, 0.0)
    spans = spans_in(circuit_pressure=np.full(len(since), 570e3), compressor_load=load)
    assert [span.stage for span in spans] == ["startup"]
    assert near(spans[0].end, 600.0 + 3_600.0)
    assert spans[0].known_until is None


def test_a_machine_is_at_rest_from_when_it_is_equal_not_from_when_that_is_sure() -> None:
    """It runs for an hour, and pressures are equal eight minutes after it stopped."""
    since = np.arange(-600.0, 2 * 3_600.0, 10.0)
    runs = (since > 0.0) & (since < 3_600.0)
    apart = np.interp(since, [0.0, 300.0, 3_600.0, 4_080.0], [0.0, 1.0, 1.0, 0.0])
    shown = {
        "suction_pressure": 570e3 - 300e3 * apart,
        "discharge_pressure": 570e3 + 500e3 * apart,
        "compressor_load": np.where(runs, 60.0, 0.0),
        "ambient_temperature": np.full(len(since), 293.0),
    }
    spans = spans_in(**shown)
    assert [span.stage for span in spans] == ["startup", "at_rest"]
    assert near(spans[0].end, 600.0 + 3_600.0)
    assert near(spans[1].begin, 600.0 + 4_080.0)


@pytest.mark.parametrize("creeps_pa", [0.0, 8e3])
def test_a_run_that_only_pressure_shows_ends_where_pressure_begins_to_come_back(creeps_pa: float) -> None:
    """40 kg are charged, and an hour later the machine runs for an hour; pressure comes back with 400 s.

    Suction may creep up while it runs.
    """
    seconds = np.arange(0.0, 5 * 3_600.0, 10.0)
    runs, stops = np.maximum(seconds - 9_000.0, 0.0), np.maximum(seconds - 12_600.0, 0.0)
    part = (1.0 - np.exp(-runs / 120.0)) * np.exp(-stops / 400.0)
    pressure = np.interp(seconds, [1_800.0, 2_400.0], [100.0, 572e3]) - 220e3 * part
    pressure += np.interp(seconds, [9_900.0, 12_600.0], [0.0, creeps_pa])
    weight = np.interp(seconds, [1_800.0, 5_400.0], [80.0, 40.0])
    warm = np.full(len(seconds), 293.0)
    spans = spans_in(circuit_pressure=pressure, cylinder_weight=weight, ambient_temperature=warm)
    startup = next(span for span in spans if span.stage == "startup")
    assert startup.end is not None
    assert abs((startup.end - at(12_600.0)).total_seconds()) <= 120.0


def test_a_machine_that_only_pressure_shows_starts_again_hours_later() -> None:
    """40 kg are charged; an hour later it runs for an hour, stands for another and runs again."""
    seconds = np.arange(0.0, 7 * 3_600.0, 10.0)
    apart = np.zeros(len(seconds))
    for starts in (9_000.0, 16_200.0):
        runs, stops = np.maximum(seconds - starts, 0.0), np.maximum(seconds - starts - 3_600.0, 0.0)
        apart += (1.0 - np.exp(-runs / 60.0)) - (1.0 - np.exp(-stops / 400.0))
    shown = charged(seconds - 3_600.0)
    shown["circuit_pressure"] = shown["circuit_pressure"] - 300e3 * np.maximum(apart, 0.0)
    spans = spans_in(ambient_temperature=np.full(len(seconds), 293.0), **shown)
    ran = [span for span in spans if span.stage == "startup"]
    assert len(ran) == 2
    assert near(ran[1].begin, 16_200.0)
    assert near(ran[1].end, 16_200.0 + 3_600.0)


def test_what_is_added_while_the_machine_runs_is_charging() -> None:
    """30 kg go in, it is started half an hour later, and 3 kg more are added by and by (common practice)."""
    since = np.arange(-600.0, 4 * 3_600.0, 10.0)
    weight = np.interp(since, [0.0, 1_800.0, 4_500.0, 6_300.0], [50.0, 20.0, 20.0, 17.0])
    load = np.where((since > 3_600.0) & (since < 12_600.0), 60.0, 0.0)
    spans = spans_in(circuit_pressure=np.full(len(since), 570e3), cylinder_weight=weight, compressor_load=load)
    assert [span.stage for span in spans] == ["charging", "startup", "charging", "startup"]
    assert near(spans[2].begin, 600.0 + 4_500.0)
    assert near(spans[2].end, 600.0 + 6_300.0)
    assert near(spans[3].end, 600.0 + 12_600.0)


def test_what_was_laid_on_a_scale_beside_a_running_machine_and_is_taken_off_is_no_charge() -> None:
    """30 kg went in. A bag of tools is laid beside the cylinder and emptied, tool by tool, within five minutes."""
    since = np.arange(-600.0, 3 * 3_600.0, 10.0)
    weight = np.interp(since, [0.0, 1_800.0], [50.0, 20.0])
    weight += np.interp(since, [5_000.0, 5_010.0, 6_000.0, 6_300.0], [0.0, 3.0, 3.0, 0.0])
    load = np.where((since > 3_600.0) & (since < 9_000.0), 60.0, 0.0)
    spans = spans_in(circuit_pressure=np.full(len(since), 570e3), cylinder_weight=weight, compressor_load=load)
    assert [span.stage for span in spans] == ["charging", "startup"]


def test_a_charge_goes_on_while_the_last_of_it_trickles_into_a_running_machine() -> None:
    """3 kg are added, then by 30 g a minute .9 kg more (common practice: a valve that is hardly open)."""
    since = np.arange(-600.0, 4 * 3_600.0, 10.0)
    weight = np.interp(since, [0.0, 1_800.0, 4_500.0, 6_300.0, 8_100.0], [50.0, 20.0, 20.0, 17.0, 16.1])
    load = np.where((since > 3_600.0) & (since < 12_600.0), 60.0, 0.0)
    spans = spans_in(circuit_pressure=np.full(len(since), 570e3), cylinder_weight=weight, compressor_load=load)
    assert [span.stage for span in spans] == ["charging", "startup", "charging", "startup"]
    assert near(spans[2].end, 600.0 + 8_100.0)


@pytest.mark.parametrize("blank", [("compressor_load",), ("suction_pressure", "discharge_pressure")])
@pytest.mark.parametrize("stood_s", [600.0, 3_600.0])
def test_a_run_ends_when_what_shows_it_goes_blank(blank: tuple[str, ...], stood_s: float) -> None:
    """Its channels are logged only while it runs; pressures that are logged on come together within minutes."""
    since = np.arange(-600.0, 3_600.0 + stood_s, 10.0)
    runs = (since > 0.0) & (since < 3_600.0)
    apart = np.where(runs, 1.0, np.exp(-np.maximum(since - 3_600.0, 0.0) / 300.0) * (since > 0.0))
    shown = {"suction_pressure": 570e3 - 300e3 * apart, "discharge_pressure": 570e3 + 500e3 * apart}
    if "compressor_load" in blank:
        shown["compressor_load"] = np.full(len(since), 60.0)
    shown |= {name: np.where(runs, shown[name], np.nan) for name in blank}
    spans = spans_in(circuit_pressure=570e3 - 300e3 * apart, **shown)
    assert spans[0].stage == "startup"
    assert spans[0].end is not None
    assert abs((spans[0].end - at(600.0 + 3_600.0)).total_seconds()) <= 120.0


def cooled(since: np.ndarray, starts_s: float, stops_s: float) -> dict[str, np.ndarray]:
    """Water that a machine cools by 4 K within minutes."""
    part = (1.0 - np.exp(-np.maximum(since - starts_s, 0.0) / 120.0)) * np.exp(
        -np.maximum(since - stops_s, 0.0) / 120.0
    )
    came = np.full(len(since), 285.0)
    return {"entering_water_temperature": came, "leaving_water_temperature": came - 4.0 * part}


@pytest.mark.parametrize("taken_off", [True, False])
def test_a_run_that_only_the_water_shows_follows_a_charge(taken_off: bool) -> None:
    """The gauge is taken off, or shut off, after the charge; an hour later the machine runs for an hour."""
    since = np.arange(-1_200.0, 4 * 3_600.0, 10.0)
    shown = charged(since) | cooled(since, 5_400.0, 9_000.0)
    if taken_off:
        shown["circuit_pressure"] = np.where(since < 3_600.0, shown["circuit_pressure"], np.nan)
    spans = spans_in(**shown)
    assert [span.stage for span in spans] == ["charging", "startup", "at_rest"]
    assert near(spans[1].begin, 1_200.0 + 5_400.0)
    assert spans[1].end is not None
    assert abs((spans[1].end - at(1_200.0 + 9_000.0)).total_seconds()) <= 120.0  # not when the water is warm again
    assert "only the water" in spans[1].doubt


@pytest.mark.parametrize("shown_by", ["pressure", "water"])
def test_a_machine_that_starts_soon_after_its_charge_is_seen_to(shown_by: str) -> None:
    """Five minutes after the last of it, while the scale's last quarter of an hour still shows a flow."""
    since = np.arange(-1_200.0, 5_400.0, 10.0)
    shown = charged(since)
    shown["circuit_pressure"] = shown["circuit_pressure"] - 120e3 * (
        1.0 - np.exp(-np.maximum(since - 2_100.0, 0.0) / 150.0)
    )
    if shown_by == "water":
        shown |= cooled(since, 2_100.0, np.inf)
    startup = next(span for span in spans_in(**shown) if span.stage == "startup")
    assert near(startup.begin, 1_200.0 + 2_100.0)


def test_a_pause_between_cylinders_in_which_the_circuit_follows_its_water_is_no_start() -> None:
    """Water that begins to flow takes the charged circuit from 302 K to 286 K within minutes; the air is at 309 K."""
    since = np.arange(-1_200.0, 5_400.0, 10.0)
    gross = np.interp(since, [-301.0, -300.0, 0.0, 600.0, 2_100.0, 3_000.0], [0.0, 90.0, 90.0, 60.0, 60.0, 30.0])
    water = 286.0 + 16.0 * np.exp(-np.maximum(since - 500.0, 0.0) / 300.0)
    held = np.asarray(refrigerant("R-134a").bubble_pressure_pa(water))
    pressure = np.where(since < 300.0, np.interp(since, [0.0, 20.0, 300.0], [101_325.0, 120e3, held[0]]), held)
    warm = {f"{way}_water_temperature": water for way in ("entering", "leaving")}
    warm["ambient_temperature"] = np.full(len(since), 309.0)
    spans = spans_in(circuit_pressure=pressure, cylinder_weight=gross, **warm)
    assert "startup" not in [span.stage for span in spans]


def test_a_first_run_that_only_the_water_shows_is_no_recovery() -> None:
    """It rests for an hour; then pressure falls to where 275 K would hold it and stands, and the water is cooled.

    Liquid that boils off into a cylinder cools water, too: neither is said.
    """
    since = np.arange(0.0, 3 * 3_600.0, 10.0)
    drawn = 1.0 - np.exp(-np.maximum(since - 3_600.0, 0.0) / 120.0)
    spans = spans_in(circuit_pressure=435e3 - 120e3 * drawn, **cooled(since, 3_600.0, np.inf))
    assert [span.stage for span in spans] == ["at_rest"]
    assert near(spans[0].end, 3_600.0)


def test_a_gauge_that_flickers_as_a_log_begins_draws_nothing() -> None:
    """R-32 at 20 degC, a row every 30 s, a gauge of 55 bar that flickers by 0.05 % of that: twenty such logs."""
    seconds = np.arange(0.0, 3_600.0, 30.0)
    still = {f"{name}_temperature": np.full(len(seconds), 293.0) for name in ("ambient", "leaving_water")}
    for seed in range(20):
        flickers = np.random.default_rng(seed).normal(0.0, 2_750.0, len(seconds))
        spans = spans_in("R-32", every_s=30.0, circuit_pressure=1_475e3 + flickers, **still)
        assert [span.stage for span in spans] == ["at_rest"], seed


def test_a_recovery_whose_liquid_cools_its_water_is_no_start() -> None:
    """Liquid stands 2.5 K under the water it cools for 20 minutes, is gone, and the last of the vapour is drawn."""
    since = np.arange(0.0, 7_200.0, 10.0)
    shown = cooled(since, 1_800.0, 3_000.0)
    standing = refrigerant("R-134a").bubble_pressure_pa(shown["leaving_water_temperature"] - 2.5 * (since > 1_800.0))
    drawn = np.exp(-np.maximum(since - 3_000.0, 0.0) / 600.0)
    spans = spans_in(circuit_pressure=30e3 + (standing - 30e3) * drawn, **shown)
    assert [span.stage for span in spans] == ["at_rest", "recovery"]
    assert near(spans[1].begin, 1_800.0)


def test_a_run_is_over_when_its_circuit_stands_where_the_cold_water_holds_it() -> None:
    """After a charge it draws from 570 kPa down to 320 kPa and stops; 281 K hold 390 kPa, far under where it began."""
    since = np.arange(-1_200.0, 9_000.0 + 1_500.0, 10.0)
    shown = charged(since) | cooled(since, 5_400.0, 9_000.0)
    del shown["entering_water_temperature"]
    shown["leaving_water_temperature"] = np.where(since < 9_000.0, shown["leaving_water_temperature"], 281.0)
    drawn = 250e3 * (1.0 - np.exp(-np.maximum(since - 5_400.0, 0.0) / 120.0))
    shown["circuit_pressure"] = np.where(since < 9_000.0, shown["circuit_pressure"] - drawn, 390e3)
    startup = next(span for span in spans_in(**shown) if span.stage == "startup")
    assert startup.end is not None
    assert near(startup.end, 1_200.0 + 9_000.0)


def test_a_circuit_that_chilled_water_keeps_from_the_room_is_not_at_rest_after_a_run() -> None:
    """The water stays at 281 K for hours, the air at 301 K: the air's thermometer does not lie."""
    seconds = np.arange(0.0, 4 * 3_600.0, 10.0)
    shown = cooled(seconds, -3_600.0, 3_600.0) | {"ambient_temperature": np.full(len(seconds), 301.0)}
    shown["entering_water_temperature"] = np.where(seconds < 3_600.0, 285.0, 281.0)
    shown["leaving_water_temperature"] = np.full(len(seconds), 281.0)
    spans = spans_in(
        circuit_pressure=np.where(seconds < 3_600.0, 320e3, 388e3),
        compressor_load=np.where(seconds < 3_600.0, 60.0, 0.0),
        **shown,
    )
    assert [span.stage for span in spans] == ["startup"]


def test_a_machine_that_cools_its_water_is_not_at_rest() -> None:
    """It rests for an hour and runs for two, at first with little load; the gauge was taken off."""
    since = np.arange(0.0, 3 * 3_600.0, 10.0)
    shown = cooled(since, 3_600.0, np.inf) | {"ambient_temperature": np.full(len(since), 293.0)}
    load = np.where(since < 5_400.0, 0.3, 1.0)
    shown["leaving_water_temperature"] = 285.0 - load * (285.0 - shown["leaving_water_temperature"])
    pressure = np.where(since < 3_600.0, 353e3, np.nan)  # R-134a at 285 K, but for a little
    spans = spans_in(circuit_pressure=pressure, **shown)
    assert [span.stage for span in spans] == ["at_rest"]
    assert near(spans[0].end, 3_600.0)


@pytest.mark.parametrize("left_pa", [452e3, 101e3])
def test_a_machine_that_starts_at_once_is_not_a_hose_that_is_taken_off(left_pa: float) -> None:
    """Half an hour after a charge by weight pressure falls within a minute, to suction or to the air's."""
    since = np.arange(-1_200.0, 4 * 3_600.0, 10.0)
    pressure = np.where(since < 3_600.0, charged(since)["circuit_pressure"], left_pa)
    warm = np.full(len(since), 293.0)
    shown = charged(since) | {"circuit_pressure": pressure, "ambient_temperature": warm, "surface_temperature": warm}
    spans = spans_in(**shown)
    assert ["charging", "startup"][: 1 + (left_pa > 200e3)] == [span.stage for span in spans]
    assert left_pa < 200e3 or near(spans[1].begin, 1_200.0 + 3_600.0)


@pytest.mark.parametrize("vacuum_only", [False, True])
def test_a_suction_that_falls_at_once_from_where_it_stood_is_a_start_though_no_room_is_logged(
    vacuum_only: bool,
) -> None:
    """A compressor takes its suction down within a minute; liquid that is not drawn from stands (common practice).

    Without a scale it may start before what broke the vacuum stood long enough to be told from nitrogen.
    """
    starts = 1_200.0 if vacuum_only else 3_600.0
    since = np.arange(-3_600.0, 3 * 3_600.0, 10.0)
    pressure = np.interp(since, [0.0, 20.0, 600.0], [40.0, 20e3, 570e3])
    shown = {"vacuum": np.where(pressure < 2_600.0, pressure, np.nan)}
    if not vacuum_only:
        shown["cylinder_weight"] = charged(since)["cylinder_weight"]
    spans = spans_in(circuit_pressure=np.where(since < starts, pressure, 400e3 + 2e3 * np.sin(since / 20.0)), **shown)
    assert [span.stage for span in spans] == ["evacuation", "charging", "startup"]
    assert near(spans[1].begin, 3_600.0)
    assert near(spans[2].begin, 3_600.0 + starts)
    assert "only pressure" in spans[2].doubt
