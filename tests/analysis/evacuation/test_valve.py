"""Evacuation: a valve that nobody marked, seen at the pump's gauge or by where the rise begins."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.evacuation import assess, flow
from analysis.stretch import Stretch
from tests.support import assert_prefix_consistent, causes, make_stretch

SHUT_S, HELD_S = 3_600.0, 2_040.0
TABLES = {
    "evacuation": {
        "target": "500 micron", "hold": "30 min", "hold_limit": "1000 micron",
        "pump_flow": "8 cfm", "hose_bore": "9.5 mm", "hose_length": "1.8 m",
    }
}  # fmt: skip


def two_gauges(step_s: float, circuit: Callable[[np.ndarray], np.ndarray], pump: Callable[..., np.ndarray]) -> Stretch:
    """Return what both gauges show [micron], each with 1 % of noise of its own."""
    at = np.arange(0.0, SHUT_S + HELD_S, step_s)
    draw = np.random.default_rng(4)
    level = circuit(at)
    shown = {
        "vacuum": ("micron", np.round(level * np.exp(0.01 * draw.normal(size=len(at))))),
        "pump_vacuum": ("micron", np.round(pump(at, level) * np.exp(0.01 * draw.normal(size=len(at))))),
    }
    return make_stretch("evacuation", at, shown, tables=TABLES, ended=False)


def pulled_and_shut(at: np.ndarray) -> np.ndarray:
    """Return a pull to 220 micron that rises by a micron a minute once the valve is closed."""
    level = 220.0 + 15_000.0 * np.exp(-np.minimum(at, SHUT_S) / 450.0)
    return level + np.maximum(0.0, at - SHUT_S) / 60.0


@pytest.mark.parametrize("step_s", [1.0, 10.0, 30.0])
def test_a_pump_without_gas_shows_that_the_valve_was_closed(step_s: float) -> None:
    stretch = two_gauges(
        step_s, pulled_and_shut, lambda at, p: np.where(at < SHUT_S, 0.4 * p, np.maximum(35.0, 0.4 * p - (at - SHUT_S)))
    )
    result = assess(stretch)
    assert result.verdict == "held"
    passed = next(f for f in result.findings if f.kind == "hold_passed")
    assert abs((passed.since - stretch.begin).total_seconds() - SHUT_S) < 90.0 + step_s
    cuts = range(int(3_500 / step_s), len(stretch.frame), int(1_200 / step_s))
    assert_prefix_consistent(assess, stretch, cuts)


def test_a_pump_that_gets_better_with_the_valve_open_holds_nothing() -> None:
    """The ballast is closed: the pump's gauge falls at once, and the circuit follows."""
    result = assess(
        two_gauges(
            5.0,
            lambda at: 300.0 + 15_000.0 * np.exp(-at / 450.0) - 120.0 * (1 - np.exp(-np.maximum(0, at - SHUT_S) / 240)),
            lambda at, p: np.where(at < SHUT_S, 0.7 * p, 0.45 * p),
        )
    )
    assert "hold_passed" not in [f.kind for f in result.findings]
    assert result.verdict == "undecided"


def test_two_gauges_that_agree_behind_a_thin_hose_show_that_no_gas_flows() -> None:
    stalled = two_gauges(5.0, lambda at: 900.0 + 15_000.0 * np.exp(-at / 300.0), lambda at, p: 1.02 * p - 10.0)
    assert causes(assess(stalled)) == ["pump_oil"]


def test_the_drop_along_the_hose_shows_that_gas_flows() -> None:
    """C (p - pp) = S pp with C by Knudsen's formula (Leybold): the stall is not the pump's."""
    speed, bore, length, level = 8 * 4.719474e-4, 0.0095, 1.8, 900.0 * 101_325.0 / 760_000.0
    shares = np.linspace(0.01, 0.99, 99)
    through = np.asarray(flow.hose_conductance(bore, length, 0.5 * level * (1 + shares))) * (1 - shares)
    share = float(shares[np.argmin(np.abs(through - speed * shares))])
    stalled = two_gauges(5.0, lambda at: 900.0 + 15_000.0 * np.exp(-at / 300.0), lambda at, p: share * p)
    assert causes(assess(stalled)) == ["undecided"]


def test_a_level_that_grew_and_levelled_off_is_not_the_oils() -> None:
    """Ice in the cold, no thermometer: it grows by 29 % only, and the pump's own gauge falls at once."""
    since = 3_300.0
    found = causes(
        assess(
            two_gauges(
                5.0,
                lambda at: (
                    1_812.0
                    + 760_000.0 * np.exp(-at / 60.0)
                    + 533.0 * (1.0 - np.exp(-np.maximum(0.0, at - since) / 50.0))
                ),
                lambda at, p: np.where(at < since, 0.2 * p, 20.0),
            )
        )
    )
    assert found
    assert "pump_oil" not in found


def test_a_slow_rise_is_dated_to_its_bend() -> None:
    """One gauge, no mark: 4 micron a minute leaves the noise late, but it began when the valve was closed."""
    at = np.arange(0.0, SHUT_S + 2_700.0, 5.0)
    level = 220.0 + 15_000.0 * np.exp(-np.minimum(at, SHUT_S) / 450.0) + np.maximum(0.0, at - SHUT_S) / 15.0
    shown = np.round(level * np.exp(0.02 * np.random.default_rng(5).normal(size=len(at))))
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False)
    result = assess(stretch)
    closed = [span for span in result.spans if span.kind in ("closed", "hold_passed")]
    assert abs((closed[0].begin - stretch.begin).total_seconds() - SHUT_S) < 180.0
    assert result.verdict == "held"


@pytest.mark.parametrize("row_s", [5.0, 60.0])
def test_a_steep_rise_after_a_steep_fall_began_at_its_low(row_s: float) -> None:
    """Nobody marked the closing; a minute before it the level was half as high again."""
    at = np.arange(0.0, SHUT_S + 1_500.0, row_s)
    level = 80.0 + 760_000.0 * np.exp(-np.minimum(at, SHUT_S) / 370.0) + 2.5 * np.maximum(0.0, at - SHUT_S)
    shown = np.round(level * np.exp(0.005 * np.random.default_rng(6).normal(size=len(at))))
    result = assess(make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False))
    failed = [finding for finding in result.findings if finding.kind == "hold_failed"]
    assert failed[-1].figures["cause"] == "leak"
    assert abs((failed[0].time - failed[0].since).total_seconds() - 370.0) < 90.0 + 3 * row_s


@pytest.mark.parametrize("row_s", [1.0, 15.0, 60.0])
@pytest.mark.parametrize("shut", [True, False])
def test_a_pull_cut_short_is_a_closed_valve_and_one_that_nears_a_floor_is_not(shut: bool, row_s: float) -> None:
    """Two micron a minute for 70 min: of a circuit shut at 300 micron, or of a pump warming up at its floor."""
    at = np.arange(0.0, 600.0 * np.log(2_533.0) + 4_200.0, row_s)
    shut_s = 600.0 * np.log(2_533.0)
    pulled = 760_000.0 * np.exp(-np.minimum(at, shut_s) / 600.0) if shut else 300.0 + 760_000.0 * np.exp(-at / 450.0)
    level = pulled + np.maximum(0.0, at - shut_s) / 30.0
    shown = np.round(level * np.exp(0.005 * np.random.default_rng(7).normal(size=len(at))))
    tables = {"evacuation": {"target": "500 micron", "hold": "60 min", "hold_limit": "600 micron"}}
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=tables, ended=False)
    result = assess(stretch)
    passed = [finding for finding in result.findings if finding.kind == "hold_passed"]
    assert len(passed) == int(shut)
    if shut:
        assert -30.0 <= (passed[0].since - stretch.begin).total_seconds() - shut_s < 90.0 + 2 * row_s
        cuts = range(len(at) // 2, len(at), int(1_200 / row_s))
        assert_prefix_consistent(assess, stretch, cuts)


@pytest.mark.parametrize("row_s", [1.0, 15.0])
@pytest.mark.parametrize("rise", [0.0, 0.5, 2.0])
def test_a_pull_that_stops_dead_is_a_hold_if_it_rises_a_little(rise: float, row_s: float) -> None:
    shut_s = 480.0 * np.log(1_800.0)
    at = np.arange(0.0, shut_s + 2_100.0, row_s)
    level = 760_000.0 * np.exp(-np.minimum(at, shut_s) / 480.0) + rise * np.maximum(0.0, at - shut_s) / 60.0
    shown = np.round(level * np.exp(0.005 * np.random.default_rng(8).normal(size=len(at))))
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False)
    result = assess(stretch)
    passed = [finding for finding in result.findings if finding.kind == "hold_passed"]
    assert len(passed) == int(rise > 0.0)  # what stands still may be the least that the gauge shows
    if passed:
        assert (passed[0].time - stretch.begin).total_seconds() >= shut_s + 1_800.0
    cuts = range(len(at) // 2, len(at), int(1_200 / row_s))
    assert_prefix_consistent(assess, stretch, cuts)


@pytest.mark.parametrize("times", [1.4, 2.2])
def test_a_floor_reached_after_a_stand_above_it_is_no_hold(times: float) -> None:
    """Water or tired oil held it at a multiple of the floor for an hour; the valve was never closed."""
    at = np.arange(0.0, 10_800.0, 5.0)
    stood = 300.0 * times + 760_000.0 * np.exp(-at / 240.0)
    level = np.where(
        at < 6_000.0, stood, 300.0 + 300.0 * (times - 1.0) * np.exp(-np.maximum(0.0, at - 6_000.0) / 240.0)
    )
    shown = np.round(level * np.exp(0.003 * np.random.default_rng(9).normal(size=len(at))))
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False)
    assert assess(stretch).verdict == "undecided"


def test_a_gauge_on_the_pumps_side_that_plunges_to_its_ultimate_holds_nothing() -> None:
    at = np.arange(0.0, 7_200.0, 5.0)
    pulled = 70.0 + 760_000.0 * np.exp(-np.minimum(at, 4_800.0) / 480.0)
    level = np.where(at < 4_800.0, pulled, 80.0 + (pulled[-1] - 80.0) * np.exp(-np.maximum(0.0, at - 4_800.0) / 10.0))
    shown = np.round(level * np.exp(0.004 * np.random.default_rng(10).normal(size=len(at))), 1)
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False)
    assert assess(stretch).verdict == "undecided"


@pytest.mark.parametrize(("swing_at", "quicker"), [(1.5, 1.0), (None, 10.0)], ids=["swings", "wider hose"])
def test_a_pull_that_stands_by_a_swing_or_gets_quicker_just_above_its_floor_holds_nothing(
    swing_at: float | None, quicker: float
) -> None:
    """Where the pump's speed swings the level slows down before it stands; a wider hose shortens the last part."""
    at = np.arange(0.0, 6_000.0, 5.0)
    level, floor, far = np.empty_like(at), 300.0 if swing_at is not None else 350.0, 760_000.0
    for i in range(len(at)):
        level[i] = floor + far
        if swing_at is not None:
            far *= np.exp(-5.0 / 180.0 * level[i] / (level[i] + 1_000.0))
        else:
            far *= np.exp(-5.0 / 120.0 * (quicker if level[i] < 400.0 else 1.0))
    if swing_at is not None:
        level *= 1.0 + 0.08 * np.sin(at / 300.0 + swing_at)
    shown = np.round(level * np.exp(0.002 * np.random.default_rng(11).normal(size=len(at))))
    tables = {"evacuation": {"target": "500 micron", "hold": "20 min", "hold_limit": "1000 micron"}}
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=tables, ended=False)
    assert assess(stretch).verdict == "undecided"


@pytest.mark.parametrize(("rate", "floor", "verdict"), [(10.0, 300.0, "held"), (60.0, 150.0, "rising_leak")])
def test_a_level_that_stood_at_the_pumps_floor_is_closed_where_it_bends(
    rate: float, floor: float, verdict: str
) -> None:
    """The pull stops dead at a floor and the pump runs on for an hour and a half: no minute of that is held."""
    at = np.arange(0.0, 10_800.0, 5.0)
    level = np.maximum(760_000.0 * np.exp(-at / 250.0), floor) + rate * np.maximum(0.0, at - 7_200.0) / 60.0
    shown = np.round(level * np.exp(0.005 * np.random.default_rng(12).normal(size=len(at))))
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False)
    result = assess(stretch)
    assert result.verdict == verdict
    assert (", within the 1,000 micron of the hold." in result.text) == (verdict == "held")
    for f in result.findings:
        if f.kind in ("hold_passed", "hold_failed"):
            assert abs((f.since - stretch.begin).total_seconds() - 7_200.0) < 60.0
            assert f.kind == "hold_failed" or (f.time - stretch.begin).total_seconds() >= 7_200.0 + 29.0 * 60.0
    assert_prefix_consistent(assess, stretch, range(1_380, len(at), 240))


@pytest.mark.parametrize("phase", [-0.9, -0.7, -0.5, 4.0])
def test_a_floor_that_wanders_with_the_room_is_no_hold(phase: float) -> None:
    """The pull stops dead at a floor that rises and falls by 2 % in hours; the valve was never closed."""
    at = np.arange(0.0, 12_600.0, 5.0)
    level = np.maximum(760_000.0 * np.exp(-at / 300.0), 300.0 * (1.0 + 0.02 * np.sin(at / 4_000.0 + phase)))
    shown = np.round(level * np.exp(0.002 * np.random.default_rng(13).normal(size=len(at))))
    stretch = make_stretch("evacuation", at, {"vacuum": ("micron", shown)}, tables=TABLES, ended=False)
    result = assess(stretch)
    assert "hold_passed" not in [f.kind for f in result.findings]
    assert result.verdict == "undecided"
