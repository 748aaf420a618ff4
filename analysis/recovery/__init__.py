"""Recovery: liquid pull, the last liquid, self-chilling, rebound, freezing, and the required level.

`assess` is the way in; see `liquid` for how liquid is called gone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.belief.fault import HOW_IT_STANDS
from analysis.cylinders import cylinder_cautions, cylinder_findings
from analysis.recovery import findings as judge
from analysis.recovery.apparent_volume import SLOWEST_S
from analysis.recovery.balance import GONE_K
from analysis.recovery.calls import Call, asked_pause, liquid_gone
from analysis.recovery.level import FIRST_COME, LevelState, level_findings
from analysis.recovery.liquid import PLATE_OVER, Evidence, gather
from analysis.recovery.pauses import Pause, split, standing
from analysis.recovery.progress import Progress, progress
from analysis.recovery.required_level import RequiredLevel, required_level
from analysis.recovery.still_gauge import cannot_tell, still_s, stopped_dead
from analysis.recovery.ticks import Ticks, make_ticks
from analysis.result import Assessment, Figure, FigureValue, Span, time_left
from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch
from analysis.vocabulary.text import about, duration
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, Pressure

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
    call = liquid_gone(ticks, evidence, pauses, stretch.job.circuit.freezes_at_k)
    until = len(ticks) if call is None else call.tick
    make = judge.Maker(stretch, ticks)
    level_pa = _level_pa(ticks, required.level)
    level = level_findings(make, required, pauses)
    pull_ended = judge.liquid_pull_ended(make, stands, until)
    stood = still_s(make)
    dead = stopped_dead(make, evidence, stood)
    found = [
        *pull_ended,
        *dead,
        *judge.gone(make, evidence, call),
        *judge.self_chilling(make, evidence, pauses, pull_ended, until),
        *judge.rebounds(make, evidence, pauses, level_pa),
        *judge.freeze_risk(make, evidence, pulls, until),
        *level.findings,
        *(cylinder_findings(stretch, weighing) if weighing is not None else ()),
    ]
    found.sort(key=lambda f: f.time)
    standing_at = (
        progress(ticks, evidence, pauses, stands, not pull_ended, level_pa, stretch.job)
        if level.reached is None
        else None
    )
    verdict, said = _verdict(make, evidence, call, pauses, level, required)
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


def _verdict(
    make: judge.Maker,
    evidence: Evidence,
    call: Call | None,
    pauses: list[Pause],
    level: LevelState,
    required: RequiredLevel,
) -> tuple[str, str]:
    """Return the verdict and why; undecided where it depends on what the job does not say of the level."""
    verdict, said = _by_level(make, evidence, call, pauses, level, required)
    milder_pa = _level_pa(make.ticks, required.mildest)
    if not required.missing or milder_pa is None:
        return verdict, said
    milder = replace(required, level=required.mildest)
    by_milder, _ = _by_level(make, evidence, call, pauses, level_findings(make, milder, pauses), milder)
    if by_milder == verdict:
        return verdict, said
    milder_too = f"But a level of {make.pressure(milder_pa)} may apply as well, and by that it stands otherwise."
    return "undecided", f"{said} {milder_too}"


def _by_level(
    make: judge.Maker,
    evidence: Evidence,
    call: Call | None,
    pauses: list[Pause],
    level: LevelState,
    required: RequiredLevel,
) -> tuple[str, str]:
    if len(make.ticks) == 0:
        return "undecided", "Cannot tell: there is no circuit pressure to go by. Log it by a gauge on the circuit."
    if required.level is not None and level.held:
        held = f"The required level ({required.rules.title}) was reached and held."
        if call is None:
            misses = _misses(make, evidence)
            held += (
                f" No pause showed whether oil or a low point holds liquid{misses}: see one stay flat before you open."
            )
        return "complete", held
    if level.reached is not None:
        if level.left_s is not None:
            now = (
                f"The present pause holds it so far: leave the machine standing for another {_at_least(level.left_s)}."
            )
        elif level.held is False:
            now = "Pull again, and look for liquid and oil."
        else:
            now = f"Pause the machine for {duration(required.hold_s)} and see it hold."
        if level.held is False:
            return "level_not_held", f"The required level was reached but did not hold. {now}"
        return "undecided", f"The required level was reached. {now}"
    if level.under and not (call is None and evidence.stands[-1]):
        see = f"Pause the machine for {duration(required.hold_s)} and see it hold."
        see = see if call is not None else _what_to_do(make, evidence, pauses)
        return "undecided", f"The pressure has just come to the required level. {see}"
    if call is None:
        if evidence.stands[-1]:
            return "liquid_remains", f"Liquid still stands in the circuit. {_pull_on(make)}"
        what_to_do = _what_to_do(make, evidence, pauses)
        if required.level is None:
            return "undecided", f"Whether liquid still stands cannot be told yet. {what_to_do}"
        return "level_not_reached", f"The required level is not reached, and liquid may stand. {what_to_do}"
    if required.level is None:
        if required.no_row:
            rules = f"{required.rules.title} has no level for a job like this (refrigerant, charge, volume, equipment)"
            return "undecided", f"No liquid stands any more, but {rules}: look at the rule file, or name another."
        return "complete", "No liquid stands any more; no level was asked for."
    return "level_not_reached", "No liquid stands any more, but the required level is not reached yet."


def _misses(make: judge.Maker, evidence: Evidence) -> str:
    """Return what the plate's charge misses, where it is more than plate and scale may differ by."""
    share, charge = float(evidence.unaccounted[-1]), make.stretch.job.circuit.charge_kg
    if charge is None or not share > PLATE_OVER:
        return ""
    return f", and the plate misses {make.show(share * charge, 'mass', 2)} ({100.0 * share:.0f} %) besides vapour"


def _at_least(seconds: float) -> str:
    """Return a time to wait, which is no shorter in words."""
    return duration(60.0 * np.ceil(seconds / 60.0))


def _pull_on(make: judge.Maker) -> str:
    """Return what to do while liquid stands."""
    if make.ticks.flow[-1] == 0.0:
        return "No water flows: get it flowing, or drain the barrel, before you pull on."
    until = f"saturation stays {make.kelvins(GONE_K)} under {judge.stands_under(make.ticks)}"
    return f"Keep the water flowing or drained, and pull on until {until}."


def _what_to_do(make: judge.Maker, evidence: Evidence, pauses: list[Pause]) -> str:
    """Return how to find out whether liquid stands."""
    asked = asked_pause(make.ticks, evidence, pauses)
    if not np.isfinite(asked.left_s):
        now = "At this pressure a pause would not show it yet. Pull on"
        if not asked.from_pa < make.ticks.pressure_pa[-1]:
            return f"{now}: the deeper, the sooner a pause does."
        long = f" ({about(asked.pull_s)})" if asked.pull_s < SLOWEST_S else ""
        return f"{now} to about {make.show(asked.from_pa, 'pressure', 2)}{long}, then pause for 10 min: that shows it."
    if asked.left_s <= 0.0:
        return (
            "The pressure still rises in this pause: gas that warms, a pocket, or oil. Wait until it stands still, or "
            "warm the low points and the sump, pull on and pause again."
        )
    how = (
        "Leave the machine standing, valves open, for another" if asked.runs else "Pause the machine, valves open, for"
    )
    rise = make.show(asked.rise_pa, "pressure_difference", 2)
    return f"{how} {_at_least(asked.left_s)}. If the pressure rises by no more than {rise}, no liquid stands."


def _missing(stretch: Stretch, ticks: Ticks, weighing: Weighing | None, required: RequiredLevel) -> list[str]:
    said = []
    if weighing is None:
        blank = "cylinder_weight" in stretch.frame
        scale = "The scale's column is blank or left out: nothing was weighed" if blank else "There was no scale"
        said.append(f"{scale}, so only a pause can show that liquid is gone.")
    if ticks.water_channel is None and len(ticks):
        said.append("There was no water temperature; the circuit's own standing saturation was used.")
    if ticks.fluid is None:
        said.append("The job names no refrigerant, so saturation is not known.")
    if stretch.job.circuit.charge_kg is None and ticks.fluid is not None:
        said.append("The job gives no charge to compare with.")
    if required.missing:
        said.append(f"Not known: {', '.join(required.missing)}; the deepest level that could apply was taken.")
    if required.rules.from_memory:
        said.append(required.rules.note.replace(FIRST_COME, "").strip())  # that is said once, at the end
    return said


def _level_pa(ticks: Ticks, level: Pressure | None) -> float | None:
    if level is None:
        return None
    return level.absolute_pa(float(ticks.barometer_pa[-1]) if len(ticks) else STANDARD_ATMOSPHERE_PA)


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
    level_pa = _level_pa(ticks, required.level)
    if level_pa is not None:
        figures["required_level"] = Figure(level_pa, "pressure")
    if len(ticks):
        lowest = pd.Series(ticks.pressure_pa).rolling(3, min_periods=1).median().min()
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
