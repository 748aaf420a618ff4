"""How things stand, in one line for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

ROWS_OLD_S = 120.0
WIDE = 2.0
"""A range whose ends differ by more than this factor is said as a range."""


def status_line(state: dict[str, Any] | None, rows_age_s: float | None) -> str:
    """Return stage, answer, time left and the last finding that asks for something.

    Parameters
    ----------
    state : as `read_state` returns it.
    rows_age_s : time since the last row was written; None when there is none.
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
        parts.append(f"{stage['name'].replace('_', ' ')}: {stage['answer']}")
        left = stage["time_left"]
        if left is not None:
            parts.append(left_in_words(left))
        urgent = [f for f in state["result"]["findings"] if f["level"] != "info" and f["time"] >= stage["begin"]]
        if urgent:
            last = urgent[-1]
            parts.append(f"{last['level'].upper()} {last['time'][11:16]} UTC {last['text']}")
    return "".join(c if c.isprintable() else " " for c in " · ".join(parts))


def left_in_words(left: Mapping[str, Any]) -> str:
    """Return a time left: ``about 25 min to go``, with its range where that is wide."""
    low, high = left.get("low"), left.get("high")
    if low is None or high is None or high <= WIDE * low:
        return f"about {duration(left['seconds'])} {left['what']}"
    return f"{duration(low)} to {duration(high)} {left['what']}"


def duration(seconds: float) -> str:
    """Return a time as a person says it: ``40 s``, ``25 min``, ``3 h 20 min``, ``2 d 4 h``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(minutes if minutes < 600 else round(minutes / 60) * 60, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    return f"{hours // 24} d {hours % 24} h"
