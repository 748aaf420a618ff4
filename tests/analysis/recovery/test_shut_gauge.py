"""A valve closed between gauge and circuit: the machine empties the hose, or the gauge stands on it through a pause.

R-410A boils at 16 degC at 1,328 kPa, where a cubic metre of its vapour weighs some 50 kg (ASHRAE refrigerant tables).
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.recovery import assess
from analysis.recovery.pauses import leaps
from analysis.recovery.ticks import make_ticks
from analysis.stretch import Stretch
from tests.support import assert_prefix_consistent, cut, make_stretch


def drawn(fall_s: float, vapour_kg: float, marks: bool = True) -> Stretch:
    """Return a recovery of 13.6 kg whose gauge falls at 1,600 s, `vapour_kg` coming meanwhile, and stands."""
    over_s = 1_600.0 + fall_s
    seconds = np.arange(0.0, over_s + 1_200.0, 10.0)
    shown = np.interp(seconds, [0.0, 300.0, 1_600.0, over_s], [195.0, 185.0, 178.0, -5.0])
    weight = np.interp(seconds, [300.0, 1_600.0, over_s], [30.0, 43.6, 43.6 + vapour_kg])
    journal = [(300.0, "mark", "recovery_resumed", ""), (over_s + 60.0, "mark", "recovery_paused", "")]
    channels = {
        "circuit_pressure": ("psig", np.round(shown, 1)),
        "cylinder_weight": ("kg", np.round(weight, 2)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 19.0)),
    }
    tables = {"circuit": {"refrigerant": "R-410A", "charge": "60 lb"}}
    return make_stretch("recovery", seconds, channels, tables=tables, journal=journal if marks else ())


@pytest.mark.parametrize("marks", [True, False])
@pytest.mark.parametrize("fall_s", [10.0, 300.0])
def test_a_hose_that_is_emptied_alone_shows_no_level(fall_s: float, marks: bool) -> None:
    """13.6 kg filled 13 L as liquid, and 13 L hold 0.6 kg of vapour: none of it comes."""
    result = assess(drawn(fall_s, 0.0, marks))
    assert result.verdict == "undecided"
    assert "closed valve" in result.text
    assert not {"liquid_gone", "required_level_reached", "required_level_held"} & {f.kind for f in result.findings}


def test_a_circuit_whose_vapour_comes_shows_it() -> None:
    result = assess(drawn(300.0, 3.0))
    assert result.verdict == "complete"
    assert "required_level_held" in [f.kind for f in result.findings]


def test_it_is_known_by_nothing_later() -> None:
    assert_prefix_consistent(assess, drawn(300.0, 0.4))


def stood(becomes: dict[float, float], rules: str = "none", from_kpa: float = 420.0) -> Stretch:
    """Return vapour drawn from 420 to 154 kPa, a pause from 1,200 to 1,920 s, what it becomes in the end [s: kPa]."""
    seconds = np.arange(0.0, 3_900.0, 5.0)
    first = from_kpa * np.exp(-(np.clip(seconds, 600.0, 1_200.0) - 600.0) / 600.0)
    at_s = min(1_920.0, *becomes) - 5.0
    shown = np.interp(seconds, [at_s, *becomes], [first[-1], *becomes.values()])
    channels = {
        "circuit_pressure": ("kPa", np.round(np.where(seconds < at_s, first, shown), 1)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
    }
    tables = {
        "circuit": {"refrigerant": "R-134a", "charge": "60 kg", "internal_volume": "400 L"},
        "recovery": {"rules": rules, "equipment_made": 2012},
    }
    marks = [(1_200.0, "paused"), (1_920.0, "resumed"), (2_700.0, "paused")]
    journal = [(at_s, "mark", f"recovery_{subject}", "") for at_s, subject in marks]
    return make_stretch("recovery", seconds, channels, tables=tables, journal=journal)


DRAWN_ON = {2_700.0: 50.0}


def test_a_gauge_that_leaps_as_a_valve_is_opened_stood_on_its_hose_and_takes_back_what_it_told() -> None:
    """R-134a: 10 % in a second is 15 K in the gas, by p V = n R T; what boils at 154 kPa needs minutes for it."""
    recovery = stood({1_920.0: 170.0} | DRAWN_ON)
    told = assert_prefix_consistent(assess, recovery).findings
    first, leap, _ = told = [f for f in told if f.kind in ("liquid_gone", "pressure_rebound")]
    assert [f.kind for f in told] == ["liquid_gone", "pressure_rebound", "liquid_gone"]
    assert leap.level == "caution"
    assert "Open the valve at the circuit" in leap.text
    assert 1_900.0 <= (leap.since - recovery.begin).total_seconds() <= 1_930.0
    rows = recovery.frame.index.searchsorted([first.time, leap.time], side="right")
    before, between = (assess(cut(recovery, int(row))) for row in rows)
    assert "No liquid stands" in before.text
    assert "No liquid stands" not in between.text


@pytest.mark.parametrize(
    "becomes",
    [
        pytest.param({1_920.0: 154.5} | DRAWN_ON, id="drawn on"),
        pytest.param({1_800.0: 170.0, 1_805.0: 154.5, 1_920.0: 154.5} | DRAWN_ON, id="one wild reading"),
        pytest.param({1_920.0: 154.5, 2_100.0: 260.0} | DRAWN_ON, id="nitrogen let in over minutes"),
        pytest.param({1_920.0: 720.0, 1_995.0: 720.0, 2_000.0: 154.5} | DRAWN_ON, id="a cylinder at 28 degC looked at"),
    ],
)
def test_what_is_no_leap_takes_nothing_back(becomes: dict[float, float]) -> None:
    assert [f.kind for f in assess(stood(becomes)).findings].count("liquid_gone") == 1


@pytest.mark.parametrize(("to_kpa", "verdict"), [(90.0, "undecided"), (66.0, "complete")])
def test_a_level_that_a_shut_hose_held_is_not_held_where_the_circuit_stood_over_it(to_kpa: float, verdict: str) -> None:
    """10 inHg of 29.92 are 67.5 kPa (40 CFR 82.156 Table 1: medium pressure, under 200 lb); the hose stood at 62."""
    recovery = stood({1_920.0: to_kpa, 2_700.0: 0.6 * to_kpa}, "us-40cfr82", from_kpa=168.0)
    row = int(recovery.frame.index.searchsorted(recovery.begin + np.timedelta64(2_400, "s")))
    result = assess(cut(recovery, row))
    assert "required_level_held" in [f.kind for f in result.findings]
    assert result.verdict == verdict


@pytest.mark.parametrize(
    ("becomes", "leapt"),
    [
        pytest.param({1_920.0: 170.0} | DRAWN_ON, True, id="a valve is opened"),
        pytest.param(
            {1_205.0: 158.0, 1_920.0: 158.0} | DRAWN_ON, False, id="the hose's drop goes as the machine stops"
        ),
    ],
)
def test_mass_over_density_goes_on_through_no_leap_but_through_a_stop(becomes: dict[float, float], leapt: bool) -> None:
    assert leaps(make_ticks(stood(becomes), None)).any() == leapt
