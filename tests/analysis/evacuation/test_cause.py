"""Evacuation: what a pump alone, a late mark and a rise that slows down say of the cause of a stall."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.evacuation import _why, assess
from analysis.evacuation.story import Happening
from analysis.result import Assessment
from tests.support import make_stretch

AT = np.arange(0.0, 3 * 3600.0, 10.0)
CLOSED_S, FLOOR = 4_000.0, 1_500.0
STATED = {
    "evacuation": {"target": "500 micron", "pump_flow": "2.5 L/s", "hose_bore": "15.9 mm", "hose_length": "1.8 m"}
}


def shown(rise: np.ndarray, lasting_s: float, pull_s: float = 45.0, warmed: float = 0.0) -> np.ndarray:
    """Return a pull to a floor that is closed once; `rise`: what is added while it is closed [micron]."""
    warm = 1.0 + warmed * np.clip((AT - 2_500.0) / 1_200.0, 0.0, 1.0)
    level = FLOOR * warm + 760_000.0 * np.exp(-AT / pull_s)
    inside, after = (CLOSED_S <= AT) & (CLOSED_S + lasting_s > AT), CLOSED_S + lasting_s <= AT
    level[inside] += rise[inside]
    level[after] += rise[inside][-1] * np.exp(-(AT[after] - CLOSED_S - lasting_s) / 60.0)
    return level


def judged(
    level: np.ndarray,
    lasting_s: float,
    pump: np.ndarray | None = None,
    off_s: float | None = None,
    air_c: float | None = None,
    **tables: object,
) -> Assessment:
    """Return what a log of it says, its valve marked and, at `off_s`, its pump switched off, in air of `air_c`."""
    draw = np.random.default_rng(5)

    def read(micron: np.ndarray) -> np.ndarray:
        noisy = micron * np.exp(0.004 * draw.normal(size=len(micron)))
        return np.where(noisy > 20_000.0, np.nan, np.round(noisy))

    journal = [(CLOSED_S, "pump_valve_closed"), (CLOSED_S + lasting_s, "pump_valve_open")]
    journal += [] if off_s is None else [(off_s, "pump_off"), (CLOSED_S + lasting_s - 1.0, "pump_on")]
    channels = {"vacuum": ("micron", read(level))}
    if pump is not None:
        channels["pump_vacuum"] = ("micron", read(pump))
    if air_c is not None:
        channels["ambient_temperature"] = ("degC", air_c + 0.1 * draw.integers(-1, 2, len(AT)))
    rows = [(at, "mark", subject, "") for at, subject in sorted(journal)]
    return assess(make_stretch("evacuation", AT, channels, tables={**STATED, **tables}, journal=rows, ended=False))


def causes(result: Assessment) -> set[object]:
    return {finding.figures["cause"] for finding in result.findings if finding.kind == "stall"} - {"undecided"}


def levelling(top: float, lag_s: float) -> np.ndarray:
    return top * -np.expm1(-np.maximum(AT - CLOSED_S, 0.0) / lag_s)


@pytest.mark.parametrize("warmed", [0.3, 0.6])
def test_a_circuit_that_was_warmed_was_not_closed_before_somebody_says_so(warmed: float) -> None:
    """Its level rises while the pump has it: counted as closed since then, it would have hardly risen."""
    assert causes(judged(shown(levelling(4_000.0, 250.0), 900.0, warmed=warmed), 900.0)) == {"moisture"}


@pytest.mark.parametrize(("lag_s", "top"), [(60.0, 2_500.0), (120.0, 3_500.0)])
def test_what_flows_in_ever_slower_is_told_in_eight_minutes(lag_s: float, top: float) -> None:
    """A leak goes on at the pace that held the level up, and the oil lets nothing in."""
    assert causes(judged(shown(levelling(top, lag_s), 480.0), 480.0)) == {"moisture"}


def test_water_that_slows_the_pull_makes_no_straight_rise_a_leak() -> None:
    """Ice that warms lets it rise in a line; pump, hose and volume say how fast a leak would be."""
    since = np.maximum(AT - CLOSED_S, 0.0)
    level = shown(500.0 * np.minimum(since / 20.0, 1.0) + 4.0 * since, 720.0, pull_s=40.0)
    level += 3_000.0 * np.exp(-np.maximum(AT - 300.0, 0.0) / 1_000.0)
    assert "leak" not in causes(judged(level, 720.0, circuit={"internal_volume": "100 L"}))


@pytest.mark.parametrize(("alone", "cause"), [(0.8, "pump_oil"), (0.03, "moisture")])
def test_a_pump_that_reaches_most_of_the_level_alone_holds_it_up(alone: float, cause: str) -> None:
    level = shown(levelling(4_000.0, 250.0), 900.0)
    closed = (CLOSED_S <= AT) & (CLOSED_S + 900.0 > AT)
    assert causes(judged(level, 900.0, np.where(closed, alone * FLOOR, 0.9 * level))) == {cause}


@pytest.mark.parametrize("marked", [True, False])
def test_a_pump_that_was_switched_off_says_nothing_of_its_oil(marked: bool) -> None:
    """Air comes back through it: for a while its gauge shows what the circuit did."""
    level = shown(levelling(4_000.0, 250.0), 900.0)
    since = AT - CLOSED_S
    back = 0.8 if marked else np.interp(since, [0.0, 20.0, 60.0, 120.0], [0.9, 0.05, 2.0, 9.0])
    pump = np.where((since >= 0.0) & (since < 900.0), back * FLOOR, 0.9 * level)
    assert "pump_oil" not in causes(judged(level, 900.0, pump, CLOSED_S + 15.0 if marked else None))


@pytest.mark.parametrize(
    ("air_c", "pulls", "cause"), [(10.0, 0.4, "moisture"), (10.0, None, None), (0.0, None, "pump_oil")]
)
def test_a_level_that_stays_where_it_is_when_closed_is_no_leak(
    air_c: float, pulls: float | None, cause: str | None
) -> None:
    """1.1 kPa: water that stands at 10 degC (1.23 kPa, IAPWS) holds it, or tired oil; at 0 degC no water does.

    `pulls`: what the pump's own gauge shows of it while the pump has the circuit; closed off the pump goes deep.
    """
    level = 5.5 * shown(np.zeros(len(AT)), 900.0)
    closed = (CLOSED_S <= AT) & (CLOSED_S + 900.0 > AT)
    pump = None if pulls is None else level * np.where(closed, 0.02, pulls)
    assert causes(judged(level, 900.0, pump, air_c=air_c)) == ({cause} if cause else set())


@pytest.mark.parametrize(("fall_s", "helped"), [(6_000.0, False), (60.0, True)])
def test_fresh_oil_helps_at_once_or_not_at_all(fall_s: float, helped: bool) -> None:
    """What goes on falling for an hour after it does so by itself, as where water cools the wall that it leaves."""
    after = np.maximum(AT - CLOSED_S - 100.0, 0.0)
    level = shown(np.zeros(len(AT)), 100.0) * (0.4 + 0.6 * np.exp(-after / fall_s))
    marks = [(CLOSED_S, "pump_valve_closed"), (CLOSED_S + 50.0, "oil_change"), (CLOSED_S + 100.0, "pump_valve_open")]
    read = {"vacuum": ("micron", np.minimum(np.round(level), 20_000.0))}
    rows = [(at, "mark", subject, "") for at, subject in marks]
    result = assess(make_stretch("evacuation", AT, read, tables=STATED, journal=rows, ended=False))
    assert ("pump_oil" in causes(result)) is helped


def test_a_gauge_that_has_only_begun_to_show_is_not_said_to_show_nothing() -> None:
    few = {"vacuum": ("micron", np.linspace(5_000.0, 4_800.0, 10))}
    result = assess(make_stretch("evacuation", np.arange(10.0), few, tables=STATED, ended=False))
    assert result.verdict == "undecided"
    assert result.text == "Cannot tell yet: half a minute of readings within the gauge's range is needed."


def test_the_likelihoods_that_are_told_make_up_the_whole() -> None:
    some, all_of_it = ({"pump_oil": oil, "moisture": 0.05, "leak": 0.68} for oil in (0.01, 0.27))
    assert "a leak 68 %, none of these 26 %)" in _why(Happening(0, 0.0, "stall", cause="undecided", shares=some))
    assert "a leak 68 %)" in _why(Happening(0, 0.0, "stall", cause="undecided", shares=all_of_it))


def test_a_small_circuit_that_jumps_up_when_it_is_closed_is_a_leak_and_no_broken_vacuum() -> None:
    """A leak that holds a few litres at the floor lifts them by the kilopascal a minute: the gauge shows it."""
    lasting_s, per_s = 600.0, 200.0
    level = shown(per_s * np.maximum(AT - CLOSED_S, 0.0), lasting_s)
    draw = np.random.default_rng(5)
    read = np.minimum(np.round(level * np.exp(0.002 * draw.normal(size=len(level)))), 20_000.0)
    gauge = np.round(level * 0.133322 / 6_894.757 - 14.696 + 0.02 * draw.normal(size=len(level)), 1)
    channels = {"vacuum": ("micron", read), "circuit_pressure": ("psig", gauge)}
    result = assess(make_stretch("evacuation", AT, channels, tables=STATED, ended=False))
    stalls = [finding for finding in result.findings if finding.kind == "stall"]
    assert [finding.figures["cause"] for finding in stalls] == ["undecided", "leak"]
    assert stalls[0].since == stalls[1].since


def test_a_sweep_that_stays_under_the_vapour_pressure_of_water_is_no_water() -> None:
    """Nitrogen to 12,000 micron in half a minute: what boils brings no more than the pump, at 90 s a fold, took off."""
    swept = 12_000.0 * np.clip((AT - CLOSED_S) / 30.0, 0.0, 1.0)
    assert not causes(judged(shown(swept, 900.0, pull_s=90.0), 900.0, air_c=20.0))


@pytest.mark.parametrize(("lag_s", "pull_s"), [(400.0, 90.0), (25.0, 15.0)])
def test_water_that_levels_off_is_one_however_soon_where_the_pull_was_as_quick(lag_s: float, pull_s: float) -> None:
    level = shown(levelling(12_000.0, lag_s), 1_800.0, pull_s=pull_s)
    assert causes(judged(level, 1_800.0, air_c=20.0)) == {"moisture"}
