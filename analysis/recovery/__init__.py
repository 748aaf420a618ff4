"""Recovery: liquid pull, the last liquid, self-chilling, rebound, freezing, and the required level.

`assess` is the way in; see `liquid` for how liquid is called gone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.belief.fault import HOW_IT_STANDS
from analysis.bins import running_median
from analysis.cylinders import cylinder_cautions, cylinder_findings
from analysis.recovery import findings as judge
from analysis.recovery.calls import Call, liquid_gone
from analysis.recovery.level import FIRST_COME, absolute_pa, level_findings
from analysis.recovery.liquid import gather
from analysis.recovery.pauses import Pause, split, standing
from analysis.recovery.progress import Progress, progress
from analysis.recovery.required_level import RequiredLevel, required_level
from analysis.recovery.still_gauge import cannot_tell, still_s, stopped_dead
from analysis.recovery.ticks import Ticks, make_ticks
from analysis.recovery.verdict import LiquidNow, verdict_of
from analysis.result import Assessment, Figure, FigureValue, Span, time_left
from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch
from analysis.vocabulary.text import about, duration

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
    weighing = weigh(stretch) if stretch.has("cylinder_weight") else None
    sure_kg = 0.0 if weighing is None else float(np.nan_to_num(weighing.total_kg - weighing.uncertainty_kg))
    required = required_level(stretch.job, sure_kg)
    ticks = make_ticks(stretch, weighing)
    stands = standing(ticks)
    pauses, pulls = split(ticks, stands)
    evidence = gather(ticks, pulls, stretch.job)
    calls = liquid_gone(ticks, evidence, pauses, stretch.job.circuit.freezes_at_k)
    call = calls[-1] if calls and calls[-1].leap is None else None
    taken_back = [each.leap for each in calls if each.leap is not None]
    told_gone = np.zeros(len(ticks), dtype=bool)
    for each in calls:
        told_gone[each.tick : each.leap.tick if each.leap is not None else None] = True
    make = judge.Maker(stretch, ticks)
    level_pa = absolute_pa(ticks, required.level)
    level = level_findings(make, required, pauses, evidence.shown)
    pull_ended = judge.liquid_pull_ended(make, stands, calls[0].tick if calls else len(ticks))
    stood = still_s(make)
    dead = stopped_dead(make, evidence, stood)
    found = [
        *pull_ended,
        *dead,
        *(judge.gone(make, evidence, each) for each in calls),
        *(judge.hose_alone(make, leap) for leap in dict.fromkeys([*taken_back, *level.leaps])),
        *judge.self_chilling(make, evidence, pauses, pull_ended, told_gone),
        *judge.rebounds(make, evidence, pauses, pull_ended, level_pa, required.hold_within),
        *judge.freeze_risk(make, evidence, pulls, told_gone),
        *level.findings,
        *(cylinder_findings(stretch, weighing) if weighing is not None else ()),
    ]
    found.sort(key=lambda f: f.time)
    standing_at = (
        progress(ticks, evidence, pauses, stands, not pull_ended, level_pa, stretch.job)
        if level.reached is None
        else None
    )
    verdict, said = verdict_of(LiquidNow(make, evidence, call, pauses), level)
    if verdict in HOW_IT_STANDS and not dead and (why := cannot_tell(make, stood)):
        verdict, said = "undecided", f"{why} Before: {said}"
    missing = _missing(stretch, ticks, weighing, required)
    if weighing is not None:
        missing += cylinder_cautions(stretch, weighing)
    going = _going(standing_at) if stretch.end is None else []
    text = " ".join([said, *going, *missing, FIRST_COME if required.level is not None else ""]).strip()
    return Assessment(
        verdict=verdict,
        text=text,
        figures=_figures(stretch, ticks, weighing, call, required, standing_at),
        findings=tuple(found),
        traces=_traces(ticks),
        spans=tuple(_spans(stretch, ticks, pauses)),
        left_kg={} if weighing is None else weighing.left_kg,
    )


def _missing(stretch: Stretch, ticks: Ticks, weighing: Weighing | None, required: RequiredLevel) -> list[str]:
    said = []
    if weighing is None:
        blank = "cylinder_weight" in stretch.frame
        scale = "The scale's column is blank or left out: nothing was weighed" if blank else "There was no scale"
        said.append(f"{scale}, so only a pause can show that liquid is gone.")
    if ticks.water_channel is None and ticks.fluid is not None and len(ticks):
        said.append("There was no water temperature; the circuit's own standing saturation was used.")
    if ticks.hung_s > 0.0:
        said.append(
            f"For {duration(ticks.hung_s)} the gauge hung in the air, where it came at once: that counts for nothing."
        )
    if ticks.fluid is None:
        said.append("The job names no refrigerant, so saturation is not known.")
    if stretch.job.circuit.charge_kg is None and ticks.fluid is not None:
        said.append("The job gives no charge to compare with.")
    if required.missing:
        said.append(f"Not known: {', '.join(required.missing)}; the deepest level that could apply was taken.")
    if required.rules.from_memory:
        said.append(required.rules.note.replace(FIRST_COME, "").strip())  # that is said once, at the end
    return said


def _going(at: Progress | None) -> list[str]:
    """Return what to say of the time left, or of a stall."""
    if at is None:
        return []
    if at.stalled_s is not None:
        return [
            f"Nothing has moved for {duration(at.stalled_s)}: look for a full or hot cylinder, a cut-out, "
            "a closed valve."
        ]
    if at.left_s is None:
        return []
    best, low, high = at.left_s
    if low < 1.0 and not np.isfinite(high):
        return []
    left = f"At least {duration(low)}"
    if np.isfinite(high):
        within = f"{duration(low)} to {duration(high)}" if low >= 60.0 else f"at most {duration(high)}"
        left = about(best).capitalize() + (f" ({within})" if best >= 60.0 else "")
    if at.phase == "vapour":
        return [f"{left} to the required level."]
    slower = "" if np.isfinite(high) else ", and the last of it boils off more slowly"
    return [f"{left} until the liquid that the plate accounts for is out{slower}; less if the machine arrived short."]


def _figures(
    stretch: Stretch,
    ticks: Ticks,
    weighing: Weighing | None,
    call: Call | None,
    required: RequiredLevel,
    at: Progress | None,
) -> dict[str, FigureValue]:
    figures: dict[str, FigureValue] = {}
    figures["recovered"] = Figure(np.nan if weighing is None else weighing.total_kg, "mass")
    figures["uncertainty"] = Figure(np.nan if weighing is None else weighing.uncertainty_kg, "mass")
    level_pa = absolute_pa(ticks, required.level)
    if level_pa is not None:
        figures["required_level"] = Figure(level_pa, "pressure")
    if len(ticks):
        lowest = running_median(ticks.pressure_pa, 3).min()
        figures["lowest_pressure"] = Figure(float(lowest), "pressure")
        volume = stretch.job.circuit.internal_volume_m3
        if volume is not None and np.isfinite(ticks.density[-1]):
            figures["vapor_left"] = Figure(volume * float(ticks.density[-1]), "mass")
    figures["liquid_gone_after"] = Figure(np.nan if call is None else float(ticks.at_s[call.tick]), "minutes")
    if at is not None and at.left_s is not None:
        figures["phase"] = at.phase
        figures |= time_left(*at.left_s)
    if at is not None and at.stalled_s is not None:
        figures["stalled_for"] = Figure(at.stalled_s, "minutes")
    return figures


def _traces(ticks: Ticks) -> dict[str, pd.Series]:
    index = ticks.known
    return {
        "pressure": pd.Series(ticks.pressure_pa, index=index),
        "saturation": pd.Series(ticks.bubble_k, index=index),
        "reference": pd.Series(ticks.reference_k, index=index),
        "recovered": pd.Series(ticks.moved_kg, index=index),
    }


def _spans(stretch: Stretch, ticks: Ticks, pauses: list[Pause]) -> list[Span]:
    begins = [stretch.begin + pd.Timedelta(seconds=max(pause.begin_s, 0.0)) for pause in pauses]
    return [Span("pause", begin, ticks.known[p.last], "pause") for begin, p in zip(begins, pauses, strict=True)]
