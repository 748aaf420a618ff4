"""How long the stage that runs will still take, where that can be said. A rough guide, never a judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.result import Figure
from analysis.review import StageReview
from analysis.stretch import seconds
from collector.follow.cylinder_fill import Cylinders

LOOK_BACK_S = 600.0
"""The present pace is taken over this time."""
LEAST_READINGS = 5
LONGEST_S = 48 * 3_600.0
"""A pace that would take longer than this says nothing."""


@dataclass(frozen=True)
class TimeLeft:
    """`seconds` from the last row until `what` (``to target``)."""

    seconds: float
    what: str


def time_left(stage: StageReview, cylinders: Cylinders) -> TimeLeft | None:
    """Return how long until the next thing that the technician waits for; None where it cannot be said."""
    found = {
        "recovery": _recovery,
        "pressure_test": _pressure_test,
        "evacuation": _evacuation,
        "charging": _charging,
    }.get(stage.stretch.stage)
    left = None if found is None else found(stage, cylinders)
    return left if left is not None and math.isfinite(left.seconds) and 0 <= left.seconds <= LONGEST_S else None


def _recovery(stage: StageReview, cylinders: Cylinders) -> TimeLeft | None:
    for fill in cylinders.fills:
        if fill.on_scale and math.isfinite(fill.seconds_left) and fill.seconds_left < 3_600.0:
            return TimeLeft(fill.seconds_left, f"until {fill.name} is at its safe fill")
    required = stage.assessment.figures.get("required_level")
    if isinstance(required, Figure) and "liquid_gone" in {f.kind for f in stage.assessment.findings}:
        return _falling(stage.stretch.channel("circuit_pressure"), required.si, "to the required level")
    return None


def _pressure_test(stage: StageReview, _: Cylinders) -> TimeLeft | None:
    needed = stage.assessment.figures.get("hours_needed")
    return TimeLeft(needed.si, "until it can be judged") if isinstance(needed, Figure) else None


def _evacuation(stage: StageReview, _: Cylinders) -> TimeLeft | None:
    evacuation = stage.stretch.job.evacuation
    closed = stage.stretch.marks("pump_valve_closed", "pump_valve_open")
    vacuum = stage.stretch.channel("vacuum")
    if not len(vacuum):
        return None
    target = None if evacuation.target is None else evacuation.target.pa
    near = target is None or float(vacuum.iloc[-1]) <= 2.0 * target
    if len(closed) and closed["subject"].iloc[-1] == "pump_valve_closed" and evacuation.hold_s is not None and near:
        held_s = (vacuum.index[-1] - closed["time"].iloc[-1]) / pd.Timedelta(seconds=1)
        return TimeLeft(max(0.0, evacuation.hold_s - held_s), "of the hold")
    return None if target is None else _falling(vacuum, target, "to target")


def _charging(stage: StageReview, cylinders: Cylinders) -> TimeLeft | None:
    target = stage.stretch.job.charging.target_kg
    charged = stage.assessment.figures.get("charged")
    rate = cylinders.rate_kg_per_s
    if target is None or not isinstance(charged, Figure) or not rate > 1e-5 or charged.si > target:
        return None
    return TimeLeft((target - charged.si) / rate, "to the target charge")


def _falling(pressure: pd.Series, target_pa: float, what: str) -> TimeLeft | None:
    """Extend the present exponential fall of an absolute pressure to a target."""
    recent = (
        pressure[pressure.index >= pressure.index[-1] - pd.Timedelta(seconds=LOOK_BACK_S)]
        if len(pressure)
        else pressure
    )
    values = recent.to_numpy(dtype=float)
    if len(values) < LEAST_READINGS or not (values > 0).all() or values[-1] <= target_pa or target_pa <= 0:
        return None
    at = seconds(pd.DatetimeIndex(recent.index))
    slope = float(np.polyfit(at, np.log(values), 1)[0]) if at[-1] > 0 else 0.0
    return TimeLeft(math.log(values[-1] / target_pa) / -slope, what) if slope < 0 else None
