"""The required level: reached, held, or not to be told."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.fluids import refrigerant
from analysis.recovery import assess
from tests.analysis.recovery.cases import WITHOUT_SCALE, found, judged
from tests.benchmarks.recovery_circuit import Case
from tests.support import assert_prefix_consistent, make_stretch, value


def test_a_level_that_held_while_oil_boiled_leaves_liquid_open() -> None:
    _, assessment = judged(Case(oil=4.0, channels=WITHOUT_SCALE, stop_at=0.75))
    assert found(assessment, "liquid_gone") is None
    assert assessment.verdict == "complete"
    assert "No pause showed whether oil or a low point holds liquid" in assessment.text


def test_what_the_plate_misses_is_said_where_the_level_held_over_a_pocket() -> None:
    run, assessment = judged(Case(pocket=6.0, pocket_conductance=0.2))
    assert found(assessment, "liquid_gone") is None
    assert run.liquid[-1] > 0.01 * run.case.plate
    assert assessment.verdict == "complete"
    assert "and the plate misses 7.5 lb (3 %) besides vapour" in assessment.text
    for case in (Case(charged=0.85), Case(oil=4.0, stop_at=0.75), Case(oil=4.0, channels=WITHOUT_SCALE, stop_at=0.75)):
        assert "the plate misses" not in judged(case)[1].text


def test_at_altitude_the_level_is_the_same_absolute_pressure() -> None:
    _, high = judged(Case(elevation=1600.0))
    assert value(high, "required_level") == pytest.approx((29.921 - 15) * 3386.389, rel=1e-4)
    assert high.verdict == "complete"


def test_stopped_above_the_level() -> None:
    _, assessment = judged(Case(level_pa=80e3))
    assert assessment.verdict == "level_not_reached"


def test_a_level_that_comes_back_at_once_is_not_held() -> None:
    seconds = np.arange(0.0, 3000.0, 5.0)
    after = np.maximum(seconds - 1800.0, 0.0)
    pressure = np.where(
        after > 0.0, 54.0 + 40.0 * (1.0 - np.exp(-after / 10.0)), 400.0 * np.exp(-np.minimum(seconds, 1800.0) / 900.0)
    )
    stretch = make_stretch(
        "recovery",
        seconds,
        {"circuit_pressure": ("kPa", np.round(pressure, 1))},
        tables={"circuit": {"refrigerant": "R-134a", "charge": "50 kg"}, "recovery": {"equipment_made": 2015}},
        journal=[(1800.0, "mark", "recovery_paused", "")],
    )
    assessment = assess(stretch)
    assert found(assessment, "required_level_reached") is not None
    assert found(assessment, "required_level_held") is None
    assert assessment.verdict == "level_not_held"


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("shut", [3_600.0, 3_607.0])
def test_ten_minutes_are_over_when_the_stage_ends_with_them(step: float, shut: float) -> None:
    at = np.append(np.arange(0.0, shut + 600.0, step), shut + 600.0)
    saturated = float(refrigerant("R-134a").bubble_pressure_pa(288.0))
    pressure = saturated * np.exp(-np.clip(at, 1_800.0, shut) / 700.0 + 1_800.0 / 700.0) / 1e3
    stretch = make_stretch(
        "recovery",
        at,
        {"circuit_pressure": ("kPa", np.round(pressure, 1)), "leaving_water_temperature": ("degC", 15.0 + 0.0 * at)},
        tables={"circuit": {"refrigerant": "R-134a", "charge": "60 kg"}, "recovery": {"rules": "us-40cfr82"}},
        journal=[(shut, "mark", "recovery_paused", "")],
    )
    result = assert_prefix_consistent(assess, stretch, range(len(at) - 3, len(at) + 1))
    held = found(result, "required_level_held")
    assert result.verdict == "complete"
    assert step == 60.0 or found(result, "liquid_gone") is not None  # rows a minute apart are few to be sure
    assert held is not None
    assert (held.time - held.since).total_seconds() == pytest.approx(600.0)


@pytest.mark.parametrize(
    ("to_kpa", "charge", "verdict"),
    [
        (20.0, "", "complete"),  # under both levels that may be asked for: 15 and 10 inHg, of 200 lb or less
        (60.0, "", "undecided"),  # between them
        (80.0, "", "level_not_reached"),
        (60.0, "60 kg", "complete"),
        (60.0, "100 kg", "level_not_reached"),
    ],
)
def test_a_pressure_between_the_levels_that_may_apply_decides_nothing(to_kpa: float, charge: str, verdict: str) -> None:
    """40 CFR 82.156, Table 1: R-134a under 200 lb 10 inHg (67.5 kPa), from 200 lb on 15 inHg (50.5 kPa)."""
    seconds = np.arange(0.0, 6_600.0, 5.0)
    saturated = float(refrigerant("R-134a").bubble_pressure_pa(288.0)) / 1e3
    pressure = np.maximum(saturated * np.exp(-np.maximum(seconds - 1_200.0, 0.0) / 600.0), to_kpa)
    circuit = {"refrigerant": "R-134a"} | ({"charge": charge} if charge else {})
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure, 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 15.0)),
        },
        tables={"circuit": circuit, "recovery": {"equipment_made": 2015}},
        journal=[(4_500.0, "mark", "recovery_paused", "")],
    )
    result = assess(stretch)
    assert result.verdict == verdict
    assert ("a level of 9.78 psia may apply" in result.text) == (verdict == "undecided")
    assert not result.text.startswith("Cannot tell")  # how it stands by the deepest is what is to be done


def test_a_recovery_that_ends_as_the_level_is_reached_is_not_said_to_have_missed_it() -> None:
    seconds = np.arange(0.0, 3_000.0, 5.0)
    pressure = 500.0 * np.exp(-np.maximum(seconds - 1_200.0, 0.0) / 880.0)  # 65 kPa at the end, of 67.5
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure, 1)),
            "leaving_water_temperature": ("degC", 15.0 + 0.0 * seconds),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "60 kg"}, "recovery": {"equipment_made": 2015}},
    )
    result = assess(stretch)
    assert result.verdict == "undecided"
    assert "just come to the required level" in result.text


def test_a_present_pause_that_holds_the_level_so_far_is_said() -> None:
    """The level comes back in a first pause; after a second pull it stands."""
    seconds = np.arange(0.0, 3660.0, 5.0)
    events = [0.0, 1300.0, 1500.0, 2400.0, 3300.0, 3700.0]
    pressure = np.interp(seconds, events, [500.0, 50.0, 42.0, 60.0, 45.0, 45.0])

    def at(end_s: float) -> str:
        part = seconds <= end_s
        assessment = assess(
            make_stretch(
                "recovery",
                seconds[part],
                {"circuit_pressure": ("kPa", np.round(pressure[part], 1))},
                tables={"circuit": {"refrigerant": "R-134a", "charge": "100 kg"}, "recovery": {"equipment_made": 2015}},
                journal=[
                    (at_s, "mark", f"recovery_{word}", "")
                    for at_s, word in ((1500.0, "paused"), (2400.0, "resumed"), (3300.0, "paused"))
                    if at_s <= end_s
                ],
            )
        )
        assert assessment.verdict == "level_not_held"
        return assessment.text

    assert "did not hold. Pull again" in at(3200.0)
    assert "did not hold. The present pause holds it so far" in at(3655.0)
    assert "another 5 min" in at(3655.0)


def verdict_of_a_deep_pause(ends_s: float, times_s: list[float], pascal: list[float]) -> str:
    """Return the verdict on R-123, which is to come to 25 mmHg (3,333 Pa), and paused at 3,100 s.

    The gauge shows tenths of a psi, 689 Pa, and flickers by half of one.
    """
    seconds = np.arange(0.0, ends_s, 2.0)
    pressure = np.interp(seconds, times_s, pascal)
    shown = pressure + 345.0 * np.random.default_rng(4).normal(size=len(seconds))
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("psig", np.round((shown - 101_325.0) / 6_894.757, 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 15.0)),
        },
        tables={"circuit": {"refrigerant": "R-123", "charge": "180 kg"}, "recovery": {"rules": "us-40cfr82"}},
        journal=[(60.0, "mark", "recovery_resumed", ""), (3_100.0, "mark", "recovery_paused", "")],
    )
    return assess(stretch).verdict


@pytest.mark.parametrize(("pascal", "verdict"), [(3_000.0, "complete"), (3_800.0, "level_not_held")])
def test_a_gauge_that_flickers_about_a_deep_level_holds_it_by_its_mean(pascal: float, verdict: str) -> None:
    times_s = [300.0, 2_700.0, 3_100.0, 3_300.0]
    assert verdict_of_a_deep_pause(4_800.0, times_s, [64e3, 2_500.0, 2_500.0, pascal]) == verdict


def test_a_level_that_a_coarse_gauge_sees_pass_at_the_end_of_a_pause_did_not_hold() -> None:
    """An even return passes the level 10 min into the pause and goes on."""
    times_s = [300.0, 2_700.0, 3_100.0, 3_850.0]
    assert verdict_of_a_deep_pause(3_850.0, times_s, [64e3, 2_500.0, 2_500.0, 3_450.0]) == "level_not_held"
