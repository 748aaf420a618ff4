"""Which finding asks for something now."""

from __future__ import annotations

from typing import Any

import pytest

from collector.follow.standing import ENDS, LASTS, RECENT_S, standing

STAGE = {"name": "evacuation", "begin": "1970-01-01T00:10:00Z", "end": None}


def found(at_s: int, kind: str, level: str, stage: str = "evacuation") -> dict[str, Any]:
    hours, seconds = divmod(at_s, 3_600)
    time = f"1970-01-01T{hours:02d}:{seconds // 60:02d}:{seconds % 60:02d}Z"
    return {"time": time, "kind": kind, "level": level, "stage": stage, "text": kind}


def kind(found: Any) -> str | None:
    return None if found is None else found["kind"]


def test_an_alarm_comes_before_a_newer_caution() -> None:
    findings = [found(700, "freeze_risk", "alarm"), found(800, "unsteady", "caution"), found(900, "settled", "info")]
    assert kind(standing(findings, STAGE, 1_000.0)) == "freeze_risk"
    assert kind(standing(findings[1:], STAGE, 1_000.0)) == "unsteady"
    assert standing(findings[2:], STAGE, 1_000.0) is None
    assert standing([], None, 1_000.0) is None


def test_a_stall_stands_until_it_is_over_or_its_stage_is() -> None:
    stall = found(700, "stall", "caution")
    later = 700 + 10 * RECENT_S
    assert kind(standing([stall], STAGE, later)) == "stall"
    assert standing([stall, found(5_000, "stall_cleared", "info")], STAGE, later) is None
    assert standing([stall, found(5_000, "target_reached", "info")], STAGE, later) is None
    assert kind(standing([stall, found(5_000, "channel_stuck", "caution")], STAGE, later)) == "stall"
    assert standing([stall], STAGE | {"end": "1970-01-01T01:00:00Z"}, later) is None
    assert standing([stall], STAGE | {"name": "charging"}, later) is None


def test_what_is_to_be_done_in_a_stage_is_no_longer_asked_for_after_it() -> None:
    reached = found(700, "charge_reached", "caution", "charging")
    charging = STAGE | {"name": "charging"}
    assert kind(standing([reached], charging, 800.0)) == "charge_reached"
    assert standing([reached], charging | {"end": "1970-01-01T00:12:00Z"}, 800.0) is None
    assert standing([reached], STAGE | {"name": "startup"}, 800.0) is None


@pytest.mark.parametrize(("verdict", "wanted"), [("leaking", "loss_alarm"), ("undecided", None), ("tight", None)])
def test_a_loss_is_an_alarm_for_as_long_as_it_leaks(verdict: str, wanted: str | None) -> None:
    """A circuit that was mended and filled again is a new test; the alarm of the old one is not asked for all night."""
    testing = STAGE | {"name": "pressure_test", "verdict": verdict}
    alarm = found(700, "loss_alarm", "alarm", "pressure_test")
    assert kind(standing([alarm], testing, 700 + 10 * RECENT_S)) == wanted


def test_a_rebound_is_no_news_once_the_level_did_not_hold() -> None:
    """The finding speaks of its own time, when the level still stood."""
    rebound = found(700, "pressure_rebound", "caution", "recovery")
    recovery = STAGE | {"name": "recovery", "verdict": "undecided"}
    assert kind(standing([rebound], recovery, 800.0)) == "pressure_rebound"
    assert standing([rebound], recovery | {"verdict": "level_not_held"}, 800.0) is None


def test_what_the_judgement_says_is_over_is_not_asked_for() -> None:
    risk = found(700, "freeze_risk", "alarm")
    assert standing([risk], STAGE | {"over": ["freeze_risk"]}, 800.0) is None


def test_others_stand_for_a_while() -> None:
    risk = found(700, "freeze_risk", "alarm")
    assert kind(standing([risk], STAGE, 700 + RECENT_S)) == "freeze_risk"
    assert standing([risk], STAGE, 701 + RECENT_S) is None


@pytest.mark.parametrize("ending", ENDS)
def test_what_ends_another_ends_it(ending: str) -> None:
    for ended in ENDS[ending]:
        findings = [found(700, ended, "alarm"), found(800, ending, "info")]
        assert standing(findings, STAGE, 900.0) is None
        assert kind(standing(findings[::-1], STAGE, 900.0)) == ended


def test_what_lasts_has_an_end_that_is_said_or_lasts_with_its_stage() -> None:
    ended = {each for kinds in ENDS.values() for each in kinds}
    assert {each for each in LASTS if each not in ended} == {"loss_alarm", "charge_over"}
