"""How things stand, in one line for a terminal."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from analysis.vocabulary.text import about, duration, one_line, words
from collector.follow.standing import standing

LONGEST_HEADLINE = 72
"""Signs that stand on two lines in digits for three metres."""
ROWS_OLD_S = 120.0
WIDE = 2.0
"""A range whose ends differ by more than this factor is said as a range."""
LEAST_SAID_S = 90.0
"""A shorter time is said in seconds, and what was reckoned is not known so finely."""


def status_line(state: dict[str, Any] | None, rows_age_s: float | None, now: float) -> str:
    """Return stage, answer, time left and the finding that asks for something.

    Parameters
    ----------
    state : as `read_state` returns it.
    rows_age_s : time since the last row was written; None when there is none.
    now : seconds since 1970.
    """
    parts = []
    if rows_age_s is None or rows_age_s > ROWS_OLD_S:
        parts.append("NO ROWS ARE BEING RECORDED")
    if state is None:
        parts.append("not judged yet")
    elif state["refused"]:
        parts.append(str(state["refused"]))
    elif state["now"]["stage"] is None:
        parts.append("no stage has begun")
    else:
        stage = state["now"]["stage"]
        parts.append(f"{words(stage['name'])}: {stage['answer']}")
        urgent = standing(state["now"]["findings"], stage, now)
        if left := time_to_go(stage, urgent):
            parts.append(left)
        if urgent is not None:
            parts.append(f"{urgent['level'].upper()} {urgent['time'][11:16]} UTC {urgent['text']}")
    return one_line(" · ".join(parts))


def headline(text: str, verdict: str, longest: int = LONGEST_HEADLINE) -> tuple[str, str]:
    """Return a text as one short sentence, to be read from afar, and what follows it.

    A first sentence that is too long ends at its colon, and the rest of it follows; without one it gives way to the
    verdict, and all of it follows.
    """
    match = re.search(r"(?<=[.!?])\s+(?=[A-Z])", text)
    first, rest = (text, "") if match is None else (text[: match.start()], text[match.end() :])
    if 0 < len(first) <= longest:
        return first, rest
    before, colon, after = text.partition(": ")
    if colon and len(before) <= longest:
        return f"{before}.", after[:1].upper() + after[1:]
    said = "not decided yet" if verdict == "undecided" else words(verdict)
    return f"{said.capitalize()}.", text


def time_to_go(stage: Mapping[str, Any], urgent: Mapping[str, Any] | None) -> str:
    """Return the time left of a stage; empty where it is not known, or a finding says to stop or that nothing moves."""
    left = stage.get("time_left")
    if left is None or (urgent is not None and (urgent["level"] == "alarm" or urgent["kind"] == "stall")):
        return ""
    return left_in_words(left)


def left_in_words(left: Mapping[str, Any]) -> str:
    """Return a time left: ``about 25 min to go``, with its range where that is wide, ``at least`` where it is open."""
    low, high = left.get("low"), left.get("high")
    least = "" if low is None or low < LEAST_SAID_S else duration(low)
    if least and high is None:
        return f"at least {least} {left['what']}"
    if low is None or high is None or high <= max(WIDE * low, LEAST_SAID_S):
        return f"{about(left['seconds'])} {left['what']}"
    return f"{f'{least} to' if least else 'up to'} {duration(high)} {left['what']}"
