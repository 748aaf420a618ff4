"""What a person needs of a review while the work goes on: the stage, its answer, the time left, the cylinders."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from analysis.freezing import CLEAR_K, CLEAR_S
from analysis.report.gathered import gathered
from analysis.report.words import FIGURE_NAMES, tone_of
from analysis.result import Figure, stamp
from analysis.review import Review, StageReview
from analysis.vocabulary.text import words
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, Pressure, UnitSystem, display
from collector.follow.cylinder_fill import CylinderFill, cylinders_now
from collector.follow.say import headline
from collector.follow.time_left import TimeLeft, time_left

NEWS_WHILE_RUNNING: Mapping[str, str] = {
    "leaking": "alarm",
    "rising_leak": "alarm",
    "over": "alarm",
    "rising_moisture": "caution",
    "level_not_held": "caution",
    "steady_out_of_limits": "caution",
    "disagree": "caution",
}
"""Verdicts that are bad news before the stage is over; the other bad ones are only what is not done yet."""


def now_of(review: Review) -> dict[str, Any]:
    """Return the live part of the state, plain data in the job's display units."""
    system = review.job.job.units
    cylinders = cylinders_now(review.stages, review.job)
    last = review.stages[-1] if review.stages else None
    stage = None
    if last is not None:
        stage = _stage(last, system)
        left = time_left(last, cylinders) if last.stretch.end is None else None
        stage["time_left"] = None if left is None else _left(left)
    return {
        "stage": stage,
        "cylinders": [_cylinder(fill, system) for fill in cylinders],
        "findings": [finding.to_json(system) for finding in gathered(review.findings)],
        "spans": [_span(each) for each in review.stages],
        "targets": _targets(review),
    }


def _stage(stage: StageReview, system: UnitSystem) -> dict[str, Any]:
    assessment, stretch = stage.assessment, stage.stretch
    answer, more = headline(assessment.text, assessment.verdict)
    running = stretch.end is None
    tone = tone_of(assessment)
    windows = [finding.kind for finding in assessment.findings if finding.kind in ("steady", "unsteady")]
    if running and windows[-1:] == ["unsteady"]:
        tone = "working"  # its verdict is that of the last window, which is over
    elif running and tone != "good":
        fails = "hold_fails_in" in assessment.figures
        tone = "caution" if fails else NEWS_WHILE_RUNNING.get(assessment.verdict, "working")
    return {
        "name": stretch.stage,
        "begin": stamp(stretch.told[0]),
        "end": None if stretch.end is None else stamp(stretch.end),
        "found_by": stretch.told[1],
        "verdict": assessment.verdict,
        "over": over(stage),
        "tone": tone,
        "answer": answer,
        "more": more,
        "figures": [
            {"name": FIGURE_NAMES.get(name, words(name)), "text": _shown(figure, system)}
            for name, figure in assessment.figures.items()
            if isinstance(figure, str) or math.isfinite(figure.si)
        ],
    }


def over(stage: StageReview) -> list[str]:
    """Return the kinds of findings of a stage that its readings show to be over, though no finding says so."""
    saturation = stage.assessment.traces.get("saturation", pd.Series(dtype=float)).dropna()
    if saturation.empty:
        return []
    lately = saturation.loc[saturation.index[-1] - pd.Timedelta(seconds=CLEAR_S) :]
    return ["freeze_risk"] if lately.min() > stage.stretch.job.circuit.freezes_at_k + CLEAR_K else []


def _left(left: TimeLeft) -> dict[str, Any]:
    low, high = (round(end) if math.isfinite(end) else None for end in (left.low, left.high))
    return {"seconds": round(left.seconds), "what": left.what, "low": low, "high": high}


def _shown(figure: Figure | str, system: UnitSystem) -> str:
    if isinstance(figure, str):
        return words(figure)
    if figure.kind != "mass":
        return figure.show(system)
    value, unit = display(figure.si, "mass", system)
    return f"{float(f'{value:.4g}'):z,.2f}".rstrip("0").rstrip(".") + f" {unit}"


def _span(stage: StageReview) -> dict[str, Any]:
    stretch = stage.stretch
    return {
        "stage": stretch.stage,
        "begin": stamp(stretch.begin),
        "end": None if stretch.end is None else stamp(stretch.end),
        "phases": [
            {
                "kind": span.kind,
                "label": span.label or words(span.kind),
                "begin": stamp(span.begin),
                "end": stamp(span.end),
            }
            for span in stage.assessment.spans
        ],
    }


def _cylinder(fill: CylinderFill, system: UnitSystem) -> dict[str, Any]:
    def mass(kg: float) -> float | None:
        return round(display(kg, "mass", system)[0], 2) if math.isfinite(kg) else None

    return {
        "name": fill.name,
        "net": mass(fill.net_kg),
        "limit": mass(fill.limit_kg),
        "unit": display(0.0, "mass", system)[1],
        "on_scale": fill.on_scale,
        "seconds_left": round(fill.seconds_left) if math.isfinite(fill.seconds_left) else None,
    }


def _targets(review: Review) -> dict[str, list[dict[str, Any]]]:
    """Return lines to draw into the trend of a channel, in the unit that the channel is logged in."""
    job = review.job
    barometer = float(review.log.barometer_pa.iloc[-1]) if len(review.log.barometer_pa) else STANDARD_ATMOSPHERE_PA
    wanted: list[tuple[str, str, Pressure | None]] = [
        ("vacuum", "target", job.evacuation.target),
        ("vacuum", "hold limit", job.evacuation.hold_limit),
    ]
    if review.stages and review.stages[-1].stretch.stage == "recovery":
        required = review.stages[-1].assessment.figures.get("required_level")
        if isinstance(required, Figure) and math.isfinite(required.si):
            wanted.append(("circuit_pressure", "required level", Pressure(required.si, absolute=True)))
    lines: dict[str, list[dict[str, Any]]] = {}
    for channel, label, pressure in wanted:
        column = review.log.columns.get(channel)
        if pressure is None or column is None:
            continue
        value = column.unit.number(pressure.absolute_pa(barometer), barometer)
        lines.setdefault(channel, []).append({"label": label, "value": round(value, 6)})
    return lines
