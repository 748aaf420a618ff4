"""Recovery: liquid pull, the last liquid, self-chilling, rebound, freezing, and the required level.

`assess` is the way in; see `liquid` for how liquid is called gone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.cylinders import cylinder_findings
from analysis.recovery import findings as judge
from analysis.recovery.liquid import GONE_K, Call, Evidence, gather, liquid_gone
from analysis.recovery.pauses import Pause, split, standing
from analysis.recovery.required_level import RequiredLevel, required_level
from analysis.recovery.ticks import Ticks, make_ticks
from analysis.result import Assessment, Figure, FigureValue, Finding, Span
from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch

__all__ = ["assess"]


def assess(stretch: Stretch) -> Assessment:
    """Return what a recovery's rows so far say.

    Needs `circuit_pressure`; is better with `cylinder_weight`, a water temperature, the job's refrigerant,
    charge and internal volume, and says which of them was missing.

    Raises
    ------
    InputError
        The job's rule file or refrigerant cannot be used.
    """
    required = required_level(stretch.job)
    weighing = weigh(stretch) if stretch.has("cylinder_weight") else None
    ticks = make_ticks(stretch, weighing)
    stands = standing(ticks)
    pauses, pulls = split(ticks, stands)
    evidence = gather(ticks, pulls, stretch.job)
    call = liquid_gone(ticks, evidence, pauses, stretch.job.circuit.freezes_at_k)
    until = len(ticks) if call is None else call.tick
    make = judge.Maker(stretch, ticks)
    level = judge.level_findings(make, required, pauses)
    found = [
        *judge.liquid_pull_ended(make, stands),
        *judge.gone(make, evidence, call),
        *judge.self_chilling(make, evidence, pauses, until),
        *judge.rebounds(make, evidence, pauses),
        *judge.freeze_risk(make, evidence, pulls, until),
        *level.findings,
        *(cylinder_findings(stretch, weighing) if weighing is not None else ()),
    ]
    found.sort(key=lambda f: f.time)
    verdict, said = _verdict(ticks, evidence, call, level, required)
    missing = _missing(stretch, ticks, required)
    text = " ".join([said, *missing, judge.FIRST_COME if required.level is not None else ""]).strip()
    return Assessment(
        verdict=verdict,
        text=text,
        figures=_figures(stretch, ticks, evidence, call, level, required, weighing),
        findings=tuple(found),
        traces=_traces(ticks, evidence),
        spans=tuple(_spans(stretch, ticks, pauses, call, found)),
    )


def _verdict(
    ticks: Ticks, evidence: Evidence, call: Call | None, level: judge.LevelState, required: RequiredLevel
) -> tuple[str, str]:
    if len(ticks) == 0:
        return "undecided", "No circuit pressure was logged, so nothing can be said of liquid or level."
    if required.level is not None and level.held:
        return "complete", f"The required level ({required.rules.title}) was reached and held."
    if level.held is False:
        return (
            "level_not_held",
            "The required level was reached but did not hold: pull again, and look for liquid and oil.",
        )
    if level.reached is not None:
        return (
            "undecided",
            f"The required level was reached; pause the machine for {required.hold_s / 60:.0f} min and see it hold.",
        )
    if call is None:
        depression = float(evidence.depression_k[-1])
        if depression < GONE_K or evidence.wet[-1]:
            return "liquid_remains", "Liquid still stands in the circuit."
        if required.level is None:
            return (
                "undecided",
                "Whether liquid still stands cannot be told yet: pause the machine for 10 min to be sure.",
            )
        return (
            "level_not_reached",
            "The required level is not reached, and liquid may stand: pause the machine for 10 min to be sure.",
        )
    if required.level is None:
        return "complete", "No liquid stands any more; no level was asked for."
    return "level_not_reached", "No liquid stands any more, but the required level is not reached yet."


def _missing(stretch: Stretch, ticks: Ticks, required: RequiredLevel) -> list[str]:
    said = []
    if not np.isfinite(ticks.moved_kg).any():
        said.append("There was no scale, so only a pause can show that liquid is gone.")
    if ticks.water_channel is None:
        said.append("There was no water temperature; the circuit's own standing saturation was used.")
    if ticks.fluid is None:
        said.append("The job names no refrigerant, so saturation is not known.")
    if stretch.job.circuit.charge_kg is None and ticks.fluid is not None:
        said.append("The job gives no charge to compare with.")
    if required.missing:
        said.append(f"Not known: {', '.join(required.missing)}; the deepest level that could apply was taken.")
    if required.rules.from_memory:
        said.append(required.rules.note)
    return said


def _figures(
    stretch: Stretch,
    ticks: Ticks,
    evidence: Evidence,
    call: Call | None,
    level: judge.LevelState,
    required: RequiredLevel,
    weighing: Weighing | None,
) -> dict[str, FigureValue]:
    figures: dict[str, FigureValue] = {}
    moved = ticks.moved_kg[np.isfinite(ticks.moved_kg)]
    figures["recovered"] = Figure(float(moved[-1]) if len(moved) else np.nan, "mass")
    if required.level is not None:
        barometer = float(ticks.barometer_pa[-1]) if len(ticks) else 101_325.0
        figures["required_level"] = Figure(required.level.absolute_pa(barometer), "pressure")
    if len(ticks):
        lowest = pd.Series(ticks.pressure_pa).rolling(3, min_periods=1).median().min()
        figures["lowest_pressure"] = Figure(float(lowest), "pressure")
        volume = stretch.job.circuit.internal_volume_m3
        if volume is not None and np.isfinite(ticks.density[-1]):
            figures["vapor_left"] = Figure(volume * float(ticks.density[-1]), "mass")
    figures["liquid_gone_after"] = Figure(np.nan if call is None else float(ticks.at_s[call.tick]), "minutes")
    return figures


def _traces(ticks: Ticks, evidence: Evidence) -> dict[str, pd.Series]:
    index = ticks.known
    return {
        "pressure": pd.Series(ticks.pressure_pa, index=index),
        "saturation": pd.Series(ticks.bubble_k, index=index),
        "reference": pd.Series(ticks.reference_k, index=index),
        "recovered": pd.Series(ticks.moved_kg, index=index),
    }


def _spans(stretch: Stretch, ticks: Ticks, pauses: list[Pause], call: Call | None, found: list[Finding]) -> list[Span]:
    spans = []
    for pause in pauses:
        begin = stretch.begin + pd.Timedelta(seconds=max(pause.begin_s, 0.0))
        spans.append(Span("pause", begin, ticks.known[pause.last], "pause"))
    return spans
