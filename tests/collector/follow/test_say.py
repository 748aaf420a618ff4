"""What is said from afar: the headline, the time left, the line for a terminal."""

from __future__ import annotations

import pytest

from analysis.vocabulary.text import about, duration
from collector.follow.say import LONGEST_HEADLINE, headline, left_in_words, status_line, time_to_go
from collector.follow.tail import seconds_of

NOW = seconds_of("2026-03-14T08:45:00Z")
assert NOW is not None
STATE = {
    "refused": "",
    "now": {
        "stage": {
            "name": "pressure_test",
            "verdict": "leaking",
            "begin": "2026-03-14T07:00:00.000Z",
            "end": None,
            "answer": "Not decided yet.",
            "time_left": {"seconds": 7_260, "what": "to go"},
        },
        "findings": [
            {
                "stage": "recovery",
                "kind": "cylinder_at_limit",
                "level": "alarm",
                "time": "2026-03-14T06:00:00.000Z",
                "text": "of the stage before",
            },
            {
                "stage": "pressure_test",
                "kind": "channel_stuck",
                "level": "caution",
                "time": "2026-03-14T08:30:00.000Z",
                "text": "the probe\nfell\u202e off \x1b[31m",
            },
            {
                "stage": "pressure_test",
                "kind": "settled",
                "level": "info",
                "time": "2026-03-14T08:40:00.000Z",
                "text": "settled",
            },
        ],
    },
}


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (89, "89 s"), (90, "2 min"), (5_340, "89 min"), (5_400, "1 h 30 min"), (7_200, "2 h"),
     (64_740, "18 h"), (187_200, "2 d 4 h")],
)  # fmt: skip
def test_a_duration_is_said_in_words(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_a_time_left_is_no_number_of_seconds() -> None:
    assert [about(seconds) for seconds in (0.0, 59.0, 70.0)] == ["less than 1 min", "less than 1 min", "about 2 min"]


@pytest.mark.parametrize(
    ("text", "verdict", "short"),
    [
        ("Liquid still stands. Go on.", "liquid_remains", "Liquid still stands."),
        ("Now 967.5 micron, at 3 psi. Go on.", "undecided", "Now 967.5 micron, at 3 psi."),
        ("Steady: " + "superheat 10.1 degF, " * 8 + "done.", "steady_in_limits", "Steady."),
        ("A" + "nd so on" * 20 + ".", "level_not_held", "Level not held."),
        ("A" + "nd so on" * 20 + ".", "undecided", "Not decided yet."),
        ("", "undecided", "Not decided yet."),
    ],
)
def test_headlines_are_short_and_lose_nothing(text: str, verdict: str, short: str) -> None:
    found, rest = headline(text, verdict)
    assert found == short
    assert len(found) <= LONGEST_HEADLINE
    assert text in (rest, f"{found} {rest}", f"{found[:-1]}: {rest[:1].lower()}{rest[1:]}")


def test_the_line_for_a_terminal() -> None:
    calm = "pressure test: Not decided yet. · about 2 h 1 min to go"
    assert status_line(STATE, 1.0, NOW) == f"{calm} · CAUTION 08:30 UTC the probe fell  off  [31m"
    assert status_line(STATE, 1.0, NOW + 3_600.0) == calm
    assert status_line(None, None, NOW) == "NO ROWS ARE BEING RECORDED · not judged yet"
    assert status_line(STATE, 500.0, NOW).startswith("NO ROWS ARE BEING RECORDED · pressure test")


@pytest.mark.parametrize(
    ("kind", "level", "told"),
    [("stall", "caution", ""), ("freeze_risk", "alarm", ""), ("channel_stuck", "caution", "about 25 min to go")],
)
def test_no_time_is_told_while_it_stalls_or_has_to_stop(kind: str, level: str, told: str) -> None:
    stage = {"time_left": {"seconds": 1_500, "what": "to go"}}
    assert time_to_go(stage, None) == "about 25 min to go"
    assert time_to_go(stage, {"kind": kind, "level": level}) == told
    assert time_to_go({"time_left": None}, None) == ""


def test_a_wide_range_is_said_as_a_range() -> None:
    assert left_in_words({"seconds": 1_500, "what": "to go", "low": 1_200, "high": 1_800}) == "about 25 min to go"
    assert left_in_words({"seconds": 1_500, "what": "to go", "low": 600, "high": 7_200}) == "10 min to 2 h to go"
    assert left_in_words({"seconds": 1_500, "what": "to go", "low": 600, "high": None}) == "at least 10 min to go"
    assert left_in_words({"seconds": 1_500, "what": "to go", "low": None, "high": None}) == "about 25 min to go"
    assert left_in_words({"seconds": 80, "what": "to go", "low": 0, "high": 180}) == "up to 3 min to go"
    assert left_in_words({"seconds": 120, "what": "to go", "low": 85, "high": 180}) == "up to 3 min to go"
    assert left_in_words({"seconds": 120, "what": "to go", "low": 40, "high": None}) == "about 2 min to go"


def test_a_time_left_is_no_countdown_of_seconds() -> None:
    assert left_in_words({"seconds": 19, "what": "until A is at its safe fill"}) == (
        "less than 1 min until A is at its safe fill"
    )
    assert left_in_words({"seconds": 0, "what": "to go", "low": 0, "high": 40}) == "less than 1 min to go"
    assert left_in_words({"seconds": 70, "what": "to go"}) == "about 2 min to go"


def test_while_an_alarm_stands_no_time_left_is_said() -> None:
    alarm = {
        "stage": "pressure_test", "kind": "loss_alarm", "level": "alarm", "time": "2026-03-14T08:30:00.000Z",
        "text": "It leaks.",
    }  # fmt: skip
    found: list[object] = [alarm]
    line = status_line({"refused": "", "now": {**STATE["now"], "findings": found}}, 1.0, NOW)
    assert line == "pressure test: Not decided yet. · ALARM 08:30 UTC It leaks."
