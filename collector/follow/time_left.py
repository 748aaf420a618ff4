"""How long until the next thing that the technician waits for. A rough guide, never a judgement."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.belief.lost import is_lost
from analysis.result import TIME_LEFT, Figure
from analysis.review import StageReview
from collector.follow.cylinder_fill import CylinderFill

CYLINDER_WITHIN_S = 3_600.0
"""A cylinder that is full sooner than this comes before the end of the stage."""
NOBODY_WAITS_S = 86_400.0
"""A stage that would take longer is held up by something, and what is reckoned says nothing of when that ends."""
COUNTED_BY: Mapping[str, str] = {
    "recovery": "circuit_pressure",
    "pressure_test": "circuit_pressure",
    "evacuation": "vacuum",
    "charging": "cylinder_weight",
}
"""What shows that a stage goes on: where that is lost, the time left would stand still while the work does not."""


@dataclass(frozen=True)
class TimeLeft:
    """`seconds` from the last row until `what` (``to go``), and the range in which that lies, NaN where not known."""

    seconds: float
    what: str
    low: float = math.nan
    high: float = math.nan


def time_left(stage: StageReview, cylinders: Sequence[CylinderFill]) -> TimeLeft | None:
    """Return the time until the cylinder is at its safe fill, or the running stage is done or can be judged.

    Whichever comes first.

    None where neither can be said.
    """
    left = [
        TimeLeft(fill.seconds_left, f"until {fill.name} is at its safe fill")
        for fill in cylinders
        if fill.on_scale and 0.0 < fill.seconds_left < CYLINDER_WITHIN_S
    ]
    if is_lost(stage.stretch.frame, COUNTED_BY.get(stage.stretch.stage, "")):
        return min(left, key=lambda each: each.seconds, default=None)
    figures = (stage.assessment.figures.get(name) for name in TIME_LEFT)
    likely, low, high = (figure.si if isinstance(figure, Figure) else math.nan for figure in figures)
    if 0.0 <= likely <= NOBODY_WAITS_S:
        left.append(TimeLeft(likely, "to go", low, high))
    for name, what in (
        ("hours_more", "until it can be told"),
        ("hours_more_even", "until it can as likely as not be told"),
    ):
        decided = stage.assessment.figures.get(name)
        if isinstance(decided, Figure) and math.isfinite(decided.si):
            left.append(TimeLeft(decided.si, what))
            break
    return min(left, key=lambda each: each.seconds, default=None)
