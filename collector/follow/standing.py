"""Which finding asks for something now: the newest alarm that is not over, else the newest such caution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from collector.follow.tail import seconds_of

RECENT_S = 1_800.0
"""A finding asks for something this long; one of `LASTS` for as long as its stage runs."""
LASTS = ("stall", "self_chilling", "loss_alarm", "hold_failed", "cylinder_at_limit", "charge_over")
WHILE_IT_RUNS = ("stall", "cylinder_near_limit", "charge_reached")
"""What these ask for is done, or too late, once their stage has ended."""
ENDS: Mapping[str, Sequence[str]] = {
    "stall_cleared": ("stall",),
    "target_reached": ("stall", "hold_failed"),
    "hold_passed": ("hold_failed",),
    "liquid_gone": ("self_chilling", "freeze_risk", "pressure_rebound"),
    "required_level_reached": ("self_chilling",),
    "required_level_held": ("pressure_rebound",),
    "cylinder_at_limit": ("cylinder_near_limit",),
    "cylinder_changed": ("cylinder_near_limit", "cylinder_at_limit", "cylinder_heating", "cylinder_air"),
    "charge_over": ("charge_reached",),
    "unsteady": ("limit_missed",),
    "steady": ("unsteady",),
}
"""The kinds that a later finding shows to be over; a later one of its own kind always does."""


def standing(
    findings: Sequence[Mapping[str, Any]], stage: Mapping[str, Any] | None, now: float
) -> Mapping[str, Any] | None:
    """Return the finding to act on, None without.

    Parameters
    ----------
    findings : oldest first, as the JSON result holds them.
    stage : the last stage as the state holds it (name, begin, end, verdict, what is over). A loss is no alarm once it
        does not leak, and a rebound no news once the answer says that the level did not hold.
    now : seconds since 1970.
    """
    running = "" if stage is None or stage["end"] is not None else stage["name"]
    begun = (seconds_of(stage["begin"]) if stage is not None and running else None) or now
    over: set[str] = set() if stage is None else set(stage.get("over", ()))
    if stage is not None and running == "pressure_test" and stage["verdict"] != "leaking":
        over.add("loss_alarm")
    if stage is not None and stage.get("verdict") == "level_not_held":
        over.add("pressure_rebound")
    caution = None
    finding: Mapping[str, Any]
    for finding in reversed(findings):
        at, kind = seconds_of(finding["time"]), finding["kind"]
        if at is None or at < min(begun, now - RECENT_S):
            break
        here = finding["stage"] == running
        recent = at >= now - RECENT_S and (here or kind not in WHILE_IT_RUNS)
        if kind not in over and (recent or (here and kind in LASTS)):
            if finding["level"] == "alarm":
                return finding
            if finding["level"] == "caution" and caution is None:
                caution = finding
        over.update((kind, *ENDS.get(kind, ())))
    return caution
