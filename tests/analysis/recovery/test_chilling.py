"""Liquid that chills itself, freezing, and water that does not flow."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.fluids import refrigerant
from analysis.recovery import assess
from analysis.recovery.liquid import gather
from analysis.recovery.pauses import split, standing
from analysis.recovery.ticks import make_ticks
from analysis.stretch import Stretch
from tests.analysis.recovery.cases import WITHOUT_SCALE, found, judged, minutes_late
from tests.benchmarks.recovery_circuit import Case
from tests.support import assert_prefix_consistent, make_stretch, value


def emptied(
    seconds: np.ndarray, pressure_pa: np.ndarray, water_c: float, name: str = "R-134a", **marks: float
) -> Stretch:
    """Return a recovery of a refrigerant by its pressure, beside water at one temperature, without a scale."""
    columns = {
        "circuit_pressure": ("kPa", np.round(pressure_pa / 1e3, 1)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), water_c)),
    }
    circuit = {"refrigerant": name, "charge": "60 kg"}
    journal = [(at, "mark", mark, "") for mark, at in marks.items()]
    return make_stretch("recovery", seconds, columns, tables={"circuit": circuit}, journal=journal)


def slowing(name: str, begin_k: float, vapour_s: float | None) -> Stretch:
    """Return a recovery that comes down from a bubble point: by 15 K, ever slower, or as vapour by e in `vapour_s`."""
    fluid = refrigerant(name)
    seconds = np.arange(0.0, 4200.0, 10.0)
    fall = np.maximum(seconds - 900.0, 0.0)
    if vapour_s is None:
        pressure = np.asarray(fluid.bubble_pressure_pa(begin_k - 15.0 * (1.0 - np.exp(-fall / 1200.0))))
    else:
        pressure = float(fluid.bubble_pressure_pa(begin_k)) * np.exp(-fall / vapour_s)
    return emptied(seconds, pressure, begin_k - 273.15, name)


def test_self_chilling_that_a_pause_shows_tells_how_cold_it_was_before_the_pause() -> None:
    """R-134a boils at 284.5 K beside water at 288 K when the machine stops, and is back at 287 K two minutes later."""
    seconds = np.arange(0.0, 2400.0, 10.0)
    kelvin = np.interp(seconds, [300.0, 1500.0], [288.0, 284.5])
    kelvin = np.where(seconds > 1500.0, 288.0 - 3.5 * np.exp(-(seconds - 1500.0) / 120.0), kelvin)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": (
                "kPa",
                np.round(np.asarray(refrigerant("R-134a").bubble_pressure_pa(kelvin)) / 1e3, 1),
            ),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 14.85)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
        journal=[(60.0, "mark", "recovery_resumed", ""), (1500.0, "mark", "recovery_paused", "")],
    )
    chilled = found(assess(stretch), "self_chilling")
    assert chilled is not None
    assert chilled.figures["evidence"] == "pause"
    assert value(chilled, "depression") == pytest.approx(3.5, abs=0.1)


def test_without_water_flow_the_liquid_chills_itself_and_is_not_called_gone() -> None:
    run, assessment = judged(Case(flow_off_at=0.0))
    chilled, freeze = found(assessment, "self_chilling"), found(assessment, "freeze_risk")
    assert chilled is not None
    assert freeze is not None
    assert freeze.level == "alarm"
    assert run.liquid_share_at(chilled.time) > 0.1
    assert run.liquid_share_at(freeze.time) > 0.05
    assert minutes_late(run, assessment) >= 0.0


@pytest.mark.parametrize("conductance", [2000.0, 3500.0])
def test_a_machine_too_strong_for_the_water_chills_the_liquid(conductance: float) -> None:
    run, assessment = judged(Case(conductance=conductance, hose=0.0))
    chilled = found(assessment, "self_chilling")
    assert chilled is not None
    assert value(chilled, "depression") < 3.6
    assert run.liquid_share_at(chilled.time) > 0.003
    assert minutes_late(run, assessment) >= 0.0


@pytest.mark.parametrize("channels", [Case().channels, WITHOUT_SCALE])
@pytest.mark.parametrize("known", [True, False])
def test_almost_insulated_liquid_is_not_called_gone(channels: tuple[str, ...], known: bool) -> None:
    case = Case(flow_off_at=0.0, still_conductance=60.0, metal=2e4, channels=channels, volume_known=known)
    run, assessment = judged(case)
    call = found(assessment, "liquid_gone")
    assert call is None or run.liquid_share_at(call.time) <= 0.003


@pytest.mark.parametrize("chills", [True, False])
def test_a_fall_that_slows_down_is_liquid_that_chills_itself_without_a_scale_too(chills: bool) -> None:
    stretch = slowing("R-134a", 285.0, vapour_s=None if chills else 900.0)
    finding = found(assess(stretch), "self_chilling")
    assert (finding is not None) == chills
    if finding is not None:
        assert finding.figures["evidence"] == "fall"
        assert_prefix_consistent(assess, stretch, [200, 250, 300, 350])


@pytest.mark.parametrize("chills", [True, False])
def test_a_blend_that_is_gone_before_it_is_at_freezing_is_no_freeze_risk(chills: bool) -> None:
    """R-407C at 282 K: its bubble point, some 6 K under its dew point, is at freezing 8 min after the last liquid.

    A pool that chills itself by 15 K gets there in 18 min.
    """
    stretch = slowing("R-407C", 282.0, vapour_s=None if chills else 1600.0)
    assert (found(assess(stretch), "freeze_risk") is not None) == chills


@pytest.mark.parametrize("chills", [True, False])
def test_what_slows_down_from_one_pull_to_the_next_chills_itself_too(chills: bool) -> None:
    """Pulls of 17 and 13 min, 25 min of standing between: neither shows alone that a pool's fall gets slower."""
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 4200.0, 10.0)
    fall = np.clip(seconds - 900.0, 0.0, 1000.0) + np.maximum(seconds - 3400.0, 0.0)
    stood = np.clip(seconds - 1900.0, 0.0, 1500.0)
    comes_back = np.minimum(stood / 1500.0, np.exp(-np.maximum(seconds - 3400.0, 0.0) / 120.0))
    kelvin = 290.0 - 30.0 * (1.0 - np.exp(-fall / 3600.0)) + comes_back
    rest = float(fluid.bubble_pressure_pa(290.0))
    pressure = np.asarray(fluid.bubble_pressure_pa(kelvin)) if chills else rest * np.exp(-fall / 2400.0)
    stretch = emptied(seconds, pressure, 16.85, recovery_paused=1900.0, recovery_resumed=3400.0)
    ticks = make_ticks(stretch, None)
    _, pulls = split(ticks, standing(ticks))
    assert len(pulls) == 2
    assert gather(ticks, pulls, stretch.job).slows.any() == chills


def test_without_a_scale_water_that_flows_again_is_no_pause() -> None:
    # standing water: the pool chills itself by 10 K; from 50 min on it flows, and the machine pulls on
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 5400.0, 10.0)
    drop = 10.0 * (1.0 - np.exp(-np.maximum(seconds - 900.0, 0.0) / 1200.0))
    back = np.maximum(seconds - 3000.0, 0.0)
    kelvin = 283.5 - drop * np.exp(-back / 60.0)
    pressure = np.asarray(fluid.bubble_pressure_pa(kelvin))
    stretch = emptied(seconds, pressure, 11.85, water_flow_off=900.0, water_flow_on=3000.0)
    assert not standing(make_ticks(stretch, None)).any()
    assert found(assess(stretch), "pressure_rebound") is None


def test_where_no_water_flows_a_depression_is_self_chilling_without_a_scale_too() -> None:
    run, assessment = judged(Case(flow_off_at=0.0, channels=WITHOUT_SCALE))
    chilled = found(assessment, "self_chilling")
    assert chilled is not None
    assert chilled.figures["evidence"] == "no flow"
    assert run.liquid_share_at(chilled.time) > 0.02


@pytest.mark.parametrize("drop_k", [0.0, 2.0, 5.0])
def test_leaving_water_that_grows_cold_does_not_flow(drop_k: float) -> None:
    seconds = np.arange(0.0, 3000.0, 5.0)
    water = 12.0 - np.interp(seconds, [1200.0, 2400.0], [0.0, drop_k])
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.full(len(seconds), 420.0)),
            "leaving_water_temperature": ("degC", np.round(water, 1)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
    )
    flow = make_ticks(stretch, None).flow
    assert np.isnan(flow[:120]).all()
    assert (flow[-1] == 0.0) == (drop_k == 5.0)


@pytest.mark.parametrize("enters", [0.0, 5.0])
def test_water_that_enters_colder_flows(enters: float) -> None:
    seconds = np.arange(0.0, 3000.0, 5.0)
    drop = np.interp(seconds, [1200.0, 2400.0], [0.0, 1.0])
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.full(len(seconds), 420.0)),
            "leaving_water_temperature": ("degC", np.round(12.0 - 5.0 * drop, 1)),
            "entering_water_temperature": ("degC", np.round(12.2 - enters * drop, 1)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
    )
    assert (make_ticks(stretch, None).flow[-1] == 0.0) == (enters == 0.0)
