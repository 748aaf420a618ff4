"""The time left of a stage: what the technician waits for next."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.result import Assessment, Figure
from analysis.review import StageReview
from collector.follow.cylinder_fill import CylinderFill
from collector.follow.time_left import time_left
from tests.support import make_stretch

NONE: list[CylinderFill] = []


def stage(**seconds: float) -> StageReview:
    stretch = make_stretch("pressure_test", [0.0, 1.0], {"circuit_pressure": ("psig", [1.0, 1.0])}, ended=False)
    return StageReview(stretch, Assessment("undecided", "", {name: Figure(s, "hours") for name, s in seconds.items()}))


def filling(seconds: float, on_scale: bool = True) -> list[CylinderFill]:
    return [CylinderFill("CYL-1", 40.0, 45.0, on_scale, seconds)]


@pytest.mark.parametrize(
    ("given", "cylinders", "expected"),
    [
        ({}, NONE, None),
        ({"time_left": 600.0}, NONE, (600.0, "to go")),
        ({"time_left": math.nan}, NONE, None),
        ({"time_left": 90_000.0}, NONE, None),  # whatever holds it up will not end by itself
        ({"hours_more": 18_000.0}, NONE, (18_000.0, "until it can be told")),
        ({"hours_more": 18_000.0, "hours_more_even": 3_600.0}, NONE, (18_000.0, "until it can be told")),
        ({"hours_more_even": 3_600.0}, NONE, (3_600.0, "until it can as likely as not be told")),
        ({"time_left": 600.0}, filling(120.0), (120.0, "until CYL-1 is at its safe fill")),
        ({"time_left": 600.0}, filling(120.0, on_scale=False), (600.0, "to go")),
        ({}, filling(7_200.0), None),
        ({"time_left": 600.0}, filling(0.0), (600.0, "to go")),
    ],
)
def test_what_is_waited_for_next(
    given: dict[str, float], cylinders: list[CylinderFill], expected: tuple[float, str] | None
) -> None:
    left = time_left(stage(**given), cylinders)
    assert (None if left is None else (left.seconds, left.what)) == expected


def test_the_range_comes_along() -> None:
    left = time_left(stage(time_left=600.0, time_left_low=300.0, time_left_high=3_000.0), NONE)
    assert left is not None
    assert (left.low, left.high) == (300.0, 3_000.0)


@pytest.mark.parametrize(("silent_s", "told"), [(60, True), (200, False)])
@pytest.mark.parametrize(
    ("name", "channel", "unit"),
    [
        ("evacuation", "vacuum", "micron"),
        ("charging", "cylinder_weight", "kg"),
        ("recovery", "circuit_pressure", "psig"),
    ],
)
def test_no_time_is_left_to_tell_once_nothing_shows_how_the_stage_goes_on(
    name: str, channel: str, unit: str, silent_s: int, told: bool
) -> None:
    shown = np.concatenate([np.linspace(90.0, 80.0, 300), np.full(silent_s, np.nan)])
    stretch = make_stretch(name, np.arange(len(shown)), {channel: (unit, shown)}, ended=False)
    at = StageReview(stretch, Assessment("undecided", "", {"time_left": Figure(600.0, "minutes")}))
    assert (time_left(at, NONE) is not None) == told
    left = time_left(at, filling(120.0))
    assert left is not None
    assert left.seconds == 120.0  # by the scale, which may still show it
