"""What a recovery's verdict is, why, and what to do next: by the liquid that may stand, and by the required level."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.recovery.apparent_volume import SLOWEST_S
from analysis.recovery.balance import GONE_K
from analysis.recovery.calls import Call, asked_pause
from analysis.recovery.findings import Maker, stands_under
from analysis.recovery.level import LevelState, absolute_pa, level_findings
from analysis.recovery.liquid import PLATE_OPEN, PLATE_OVER, Evidence
from analysis.recovery.pauses import Pause
from analysis.vocabulary.text import about, duration


@dataclass(frozen=True)
class LiquidNow:
    """What is known of the liquid at the last tick, and by which pauses."""

    make: Maker
    evidence: Evidence
    call: Call | None
    pauses: list[Pause]

    @property
    def stands(self) -> bool:
        """Whether it surely stands, and was not called gone."""
        return self.call is None and bool(self.evidence.stands[-1])


def verdict_of(liquid: LiquidNow, level: LevelState) -> tuple[str, str]:
    """Return the verdict and why; undecided where it depends on what the job does not say of the level."""
    make, required = liquid.make, level.required
    verdict, said = _by_level(liquid, level)
    milder_pa = absolute_pa(make.ticks, required.mildest)
    if not required.missing or milder_pa is None:
        return verdict, said
    milder = replace(required, level=required.mildest)
    by_milder, _ = _by_level(liquid, level_findings(make, milder, liquid.pauses, liquid.evidence.shown))
    if by_milder == verdict:
        return verdict, said
    milder_too = f"But a level of {make.pressure(milder_pa)} may apply as well, and by that it stands otherwise."
    return "undecided", f"{said} {milder_too}"


def _by_level(liquid: LiquidNow, level: LevelState) -> tuple[str, str]:
    required = level.required
    if len(liquid.make.ticks) == 0:
        return "undecided", "Cannot tell: there is no circuit pressure to go by. Log it by a gauge on the circuit."
    if not level.held and not liquid.evidence.shown[-1]:
        return "undecided", (
            f"Cannot tell: the gauge fell to {liquid.make.pressure(liquid.make.ticks.pressure_pa[-1])}, and less came "
            "onto the scale than the vapour alone of a circuit that held what came out before. Look for a closed valve "
            "or a blocked core between gauge and circuit, or for what went past the scale."
        )
    if level.held:
        held = f"The required level ({required.rules.title}) was reached and held."
        if liquid.call is None:
            misses = _misses(liquid)
            held += (
                f" No pause showed whether oil or a low point holds liquid{misses}: see one stay flat before you open."
            )
        return "complete", held
    see_it_hold = f"Pause the machine, valves open, for {duration(required.hold_s)} and see it hold."
    if level.reached is not None:
        if level.left_s is not None:
            now = (
                f"The present pause holds it so far: leave the machine standing for another {_at_least(level.left_s)}."
            )
        elif level.held is False:
            now = "Pull again, and look for liquid and oil."
        else:
            now = see_it_hold
        if level.held is False:
            return "level_not_held", f"The required level was reached but did not hold. {now}"
        return "undecided", f"The required level was reached. {now}"
    if liquid.stands:
        return "liquid_remains", f"Liquid still stands in the circuit. {_pull_on(liquid.make)}"
    if level.under:
        see = see_it_hold if liquid.call is not None else _what_to_do(liquid)
        return "undecided", f"The pressure has just come to the required level. {see}"
    if liquid.call is None:
        what_to_do = _what_to_do(liquid)
        if required.level is None:
            return "undecided", f"Whether liquid still stands cannot be told yet. {what_to_do}"
        return "level_not_reached", f"The required level is not reached, and liquid may stand. {what_to_do}"
    if required.level is None:
        if required.no_row:
            rules = f"{required.rules.title} has no level for a job like this (refrigerant, charge, volume, equipment)"
            return "undecided", f"No liquid stands any more, but {rules}: look at the rule file, or name another."
        return "complete", "No liquid stands any more; no level was asked for."
    return "level_not_reached", "No liquid stands any more, but the required level is not reached yet."


def _misses(liquid: LiquidNow) -> str:
    """Return what the plate's charge misses, where it is more than plate and scale may differ by."""
    make, share = liquid.make, float(liquid.evidence.unaccounted[-1])
    charge = make.stretch.job.circuit.charge_kg
    if charge is None or not share > PLATE_OVER:
        return ""
    return f", and the plate misses {make.show(share * charge, 'mass', 2)} ({100.0 * share:.0f} %) besides vapour"


def _at_least(seconds: float) -> str:
    """Return a time to wait, which is no shorter in words."""
    return duration(60.0 * np.ceil(seconds / 60.0))


def _pull_on(make: Maker) -> str:
    """Return what to do while liquid stands."""
    if make.ticks.flow[-1] == 0.0:
        return "No water flows: get it flowing, or drain the barrel, before you pull on."
    until = f"saturation stays {make.kelvins(GONE_K)} under {stands_under(make.ticks)}"
    return f"Keep the water flowing or drained, and pull on until {until}."


def _what_to_do(liquid: LiquidNow) -> str:
    """Return how to find out whether liquid stands, and what keeps plate and scale from telling it sooner."""
    return _pause_to_make(liquid) + _why_no_plate(liquid)


def _why_no_plate(liquid: LiquidNow) -> str:
    """Return why plate and scale do not tell yet that liquid is gone, where little of the plate is missing."""
    ticks, circuit = liquid.make.ticks, liquid.make.stretch.job.circuit
    if circuit.charge_kg is None or not liquid.evidence.unaccounted[-1] <= PLATE_OVER:
        return ""
    if ticks.unseen_kg[-1] > PLATE_OPEN * circuit.charge_kg:
        return (
            " Plate and scale cannot tell it: as much as a pocket holds moved where no reading showed it. Close the "
            "valve and let the weight rest before a cylinder is lifted."
        )
    if circuit.internal_volume_m3 is None:
        return " With the circuit's internal volume stated, plate and scale can tell it sooner."
    return ""


def _pause_to_make(liquid: LiquidNow) -> str:
    """Return which pause would show whether liquid stands."""
    make = liquid.make
    asked = asked_pause(make.ticks, liquid.evidence, liquid.pauses)
    if not np.isfinite(asked.left_s):
        now = "At this pressure a pause would not show it yet. Pull on"
        if not asked.from_pa < make.ticks.pressure_pa[-1]:
            return f"{now}: the deeper, the sooner a pause does."
        long = f" ({about(asked.pull_s)})" if asked.pull_s < SLOWEST_S else ""
        return f"{now} to about {make.show(asked.from_pa, 'pressure', 2)}{long}, then pause for 10 min, valves open."
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
