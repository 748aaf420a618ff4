"""A gauge that stands while the machine pulls: named where the vapour of the known volume rules that out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.belief.verdicts import seen_to_the_end
from analysis.fluids import refrigerant
from analysis.recovery import assess
from analysis.result import Assessment
from analysis.stretch import Stretch
from tests.support import assert_prefix_consistent, make_stretch

PSI, ATMOSPHERE = 6_894.757, 101_325.0
VOLUME_M3, CHARGE_KG, LIQUID_S = 0.3, 60.0, 3_600.0


def recovery(stops_s: float = np.inf, *, ends: str = "vapour", step_psi: float = 1.0, volume: bool = True) -> Stretch:
    """R-134a in 300 L beside water of 20 degC: liquid leaves at 10, then at one kg/min, and vapour as its density.

    A gauge without noise shows its number of `stops_s` ever after. `ends`: `vapour` is drawn off to 0.3 bar and stands;
    the `machine` is stopped, or only the `pull` ends and the liquid boils on, at a pressure that does not change.
    """
    at = np.arange(0.0, LIQUID_S + 5_400.0, 5.0)
    fluid = refrigerant("R-134a")
    full = float(fluid.bubble_pressure_pa(292.0))
    vapour_kg = VOLUME_M3 * float(fluid.vapor_density_at(full, 293.0))
    slow = 1.0 / 60.0
    boiled = np.where(at < 240.0, at / 6.0, 40.0 + slow * (at - 240.0))
    past = np.maximum(at - LIQUID_S, 0.0)
    left = np.maximum(np.exp(-past * slow / vapour_kg), 0.05) if ends == "vapour" else np.ones(len(at))
    gained = np.minimum(boiled, 40.0 + slow * (LIQUID_S - 240.0)) + vapour_kg * (1.0 - left)
    if ends == "pull":
        gained = boiled
    shown = np.round((full * left - ATMOSPHERE) / PSI / step_psi) * step_psi
    shown = np.where(at > stops_s, shown[np.searchsorted(at, min(stops_s, at[-1]))], shown)
    noise = 0.02 * np.random.default_rng(4).normal(size=len(at))
    circuit = {"refrigerant": "R-134a", "charge": "110 kg"} | ({"internal_volume": "300 L"} if volume else {})
    channels = {
        "circuit_pressure": ("psig", shown),
        "cylinder_weight": ("kg", np.round(30.0 + gained + noise, 2)),
        "leaving_water_temperature": ("degC", np.full(len(at), 20.0)),
    }
    recovering = {"rules": "us-40cfr82", "equipment_made": 2015}
    return make_stretch("recovery", at, channels, tables={"circuit": circuit, "recovery": recovering})


def told(stretch: Stretch) -> Assessment:
    """Return what a review says of it, without what other looks at the channels would."""
    found = assess(stretch)
    return seen_to_the_end(stretch, found, (), pd.DatetimeIndex([], tz="UTC"))


def stuck(stretch: Stretch) -> list[object]:
    return [f.figures["channel"] for f in assess(stretch).findings if f.kind == "channel_stuck"]


@pytest.mark.parametrize("stops_s", [1_800.0, LIQUID_S - 60.0, LIQUID_S + 300.0])
@pytest.mark.parametrize("step_psi", [0.5, 1.0])
def test_a_quiet_gauge_that_shows_nothing_of_the_vapour_that_left_is_stuck(stops_s: float, step_psi: float) -> None:
    stretch = recovery(stops_s, step_psi=step_psi)
    assert stuck(stretch) == ["circuit_pressure"]
    assert told(stretch).verdict == "undecided"
    assert "not believed since" in told(stretch).text
    assert "another" in told(stretch).text


@pytest.mark.parametrize("every", [3, 13])
def test_a_stuck_gauge_that_is_not_read_in_each_row_says_nothing_either(every: int) -> None:
    stretch = recovery(LIQUID_S + 300.0)
    rows = np.arange(len(stretch.frame)) % every == 0
    blank = replace(stretch, frame=stretch.frame.assign(circuit_pressure=stretch.frame["circuit_pressure"].where(rows)))
    assert stuck(blank) == ["circuit_pressure"]
    assert told(blank).verdict == "undecided"


@pytest.mark.parametrize("step_psi", [0.5, 1.0])
@pytest.mark.parametrize("ends", ["vapour", "machine", "pull"])
def test_a_quiet_gauge_at_standing_liquid_is_not_stuck(ends: str, step_psi: float) -> None:
    assert stuck(recovery(ends=ends, step_psi=step_psi)) == []


def test_liquid_stands_by_a_quiet_gauge_while_the_flow_goes_on_and_nobody_can_tell_once_it_ended() -> None:
    assert assess(recovery(ends="pull")).verdict == "liquid_remains"
    assert told(recovery(1_800.0, volume=False)).verdict == "undecided"
    stopped = told(recovery(ends="machine"))
    assert stopped.verdict == "undecided"
    assert "another gauge" in stopped.text


def test_a_dead_gauge_is_named_by_nothing_later() -> None:
    for stops_s in (1_800.0, LIQUID_S + 300.0):
        assert_prefix_consistent(assess, recovery(stops_s), range(700, 1_800, 244))
