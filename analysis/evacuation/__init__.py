"""Evacuation: has it stalled and why, is the target reached, does it hold.

`assess` is the way in: `ticks` makes an even beat of the vacuum, `walk` goes through it once, `rise` judges what a
closed circuit shows, `cause` weighs why it stalled, `flow` has the formulas.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.evacuation import flow
from analysis.evacuation.cause import ADVICE, CAUSES, TRIPLE_POINT_PA
from analysis.evacuation.ticks import Ticks, make_ticks, mark_seconds
from analysis.evacuation.walk import Closed, Happening, Story, Walk
from analysis.fluids import refrigerant, water
from analysis.result import Assessment, Figure, FigureValue, Finding, Level, Span
from analysis.rules import load_rules
from analysis.stretch import Stretch
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, Pressure

__all__ = ["assess"]

STALL_TARGET_PA = 66.661
"""Where no target is stated a stall is judged above 500 micron: common practice."""
NAMES = {"pump_oil": "pump oil", "moisture": "moisture", "leak": "a leak", "undecided": "undecided"}


@dataclass(frozen=True)
class _Aim:
    """What is asked for: pascal and seconds, None where nobody stated it; `source` names the rule file used."""

    target_pa: float | None
    hold_s: float | None
    limit_pa: float | None
    source: str


def assess(stretch: Stretch) -> Assessment:
    """Return what an evacuation's rows so far say.

    Needs `vacuum`; is better with `pump_vacuum`, a metal and an air temperature, marks for valve and oil, and in
    the job target, hold and hold limit, internal volume, pump flow and hose.

    Raises
    ------
    InputError
        The job's rule file cannot be used.
    """
    aim = _aim(stretch)
    if "vacuum" not in stretch.frame:
        return Assessment("undecided", "Cannot tell: no vacuum gauge was logged.")
    ticks = make_ticks(stretch)
    if len(ticks) == 0:
        return Assessment("undecided", "Cannot tell yet: the vacuum gauge has given no reading in its range.")
    valve = ("pump_valve_closed", "pump_valve_open", "pump_on", "pump_off", "vacuum_broken", "oil_change")
    target = aim.target_pa if aim.target_pa is not None else STALL_TARGET_PA
    story = Walk(ticks, mark_seconds(stretch, *valve), target, aim.hold_s, aim.limit_pa).run()
    findings = [_finding(stretch, ticks, happening, aim) for happening in story.happenings]
    if aim.target_pa is None:
        findings = [f for f in findings if f.kind != "target_reached"]
    verdict, text = _verdict(stretch, ticks, story, aim)
    return Assessment(
        verdict,
        text,
        _figures(stretch, ticks, story, aim),
        tuple(findings),
        _traces(ticks),
        _spans(stretch, ticks, story),
    )


def _aim(stretch: Stretch) -> _Aim:
    stated = stretch.job.evacuation

    def pascal(pressure: Pressure | None) -> float | None:
        return None if pressure is None else pressure.absolute_pa(STANDARD_ATMOSPHERE_PA)

    target, hold, limit, source = pascal(stated.target), stated.hold_s, pascal(stated.hold_limit), ""
    if stated.rules is not None:
        rules = load_rules(stated.rules)
        table = rules.table("evacuation").only("target", "hold", "hold_limit")
        target = pascal(table.pressure("target")) if target is None else target
        hold = table.quantity("hold", "time") if hold is None else hold
        limit = pascal(table.pressure("hold_limit")) if limit is None else limit
        source = rules.title
    return _Aim(target, hold, limit if limit is not None else target, source)


def _at(stretch: Stretch, seconds: float) -> pd.Timestamp:
    return stretch.begin + pd.Timedelta(seconds=max(0.0, seconds))


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds < 5_400 else f"{seconds / 3600:.1f} h"


# --- findings ----------------------------------------------------------------------------------------------


def _finding(stretch: Stretch, ticks: Ticks, happening: Happening, aim: _Aim) -> Finding:
    system = stretch.job.job.units
    level = Figure(happening.level_pa, "vacuum")
    figures: dict[str, FigureValue] = {}
    urgency: Level = "info"
    if happening.what == "stall":
        urgency = "caution"
        figures = {"cause": happening.cause, "level_held": level, "held_for": Figure(happening.held_s, "minutes")}
        figures |= {
            f"likelihood_{cause}": Figure(happening.shares.get(cause, math.nan), "fraction") for cause in CAUSES
        }
        text = f"Stalled at {level.show(system)} for {_minutes(happening.held_s)}: {_why(ticks, happening)}"
    elif happening.what == "stall_cleared":
        was = happening.stall.level_pa if happening.stall is not None else math.nan
        figures = {"level": level, "level_held": Figure(was, "vacuum")}
        text = f"It moves again: {level.show(system)}, after the stall at {Figure(was, 'vacuum').show(system)}."
    elif happening.what == "target_reached":
        figures = {"target": Figure(aim.target_pa or math.nan, "vacuum")}
        text = f"Target of {figures['target'].show(system)} reached. Close the pump valve and hold."  # type: ignore[union-attr]
    elif happening.what == "hold_passed":
        figures = {"level": level, "held_for": Figure(happening.held_s, "minutes")}
        text = f"Held: {level.show(system)} after {_minutes(happening.held_s)} with the pump valve closed."
    else:
        urgency = "alarm"
        figures = {"cause": happening.cause, "level": level, "held_for": Figure(happening.held_s, "minutes")}
        next_ = ADVICE[happening.cause] if happening.cause != "undecided" else "Leave it closed: the shape tells."
        after = f"{level.show(system)} after {_minutes(happening.held_s)}"
        text = f"The hold failed: {after}; cause {NAMES[happening.cause]}. {next_}"
    known, since = ticks.known[happening.tick], _at(stretch, happening.since_s)
    return Finding(known, since, stretch.stage, happening.what, urgency, text, figures)


def _why(ticks: Ticks, happening: Happening) -> str:
    shares = ", ".join(f"{NAMES[c]} {100 * happening.shares.get(c, math.nan):.0f} %" for c in CAUSES)
    ice = ""
    coldest = float(ticks.coldest[happening.tick])
    if happening.level_pa < TRIPLE_POINT_PA and happening.cause in ("moisture", "undecided") and coldest < 283.0:
        ice = " Water may stand as ice at this level: warm it first."
    said = (
        "the cause cannot be told yet" if happening.cause == "undecided" else f"the cause is {NAMES[happening.cause]}"
    )
    return f"{said} ({shares}). {ADVICE[happening.cause]}{ice}"


# --- verdict and figures -----------------------------------------------------------------------------------


def _judged_pull(ticks: Ticks, story: Story) -> int:
    """Return the pull that the verdict is on: the last that pumped for five minutes under 5 kPa, else the first."""
    steps = np.minimum(np.diff(ticks.end_s, prepend=ticks.end_s[:1]), 60.0)
    deep = np.where(np.asarray(story.pumping) & (ticks.vacuum < 5e3), steps, 0.0)
    ends = [*story.pull_starts[1:], len(ticks)]
    pumped = [i for i, (a, b) in enumerate(zip(story.pull_starts, ends, strict=True)) if deep[a:b].sum() >= 300.0]
    return pumped[-1] if pumped else 0


def _judged_hold(story: Story, pull: int) -> Closed | None:
    """Return the last hold of a pull that came to an outcome, else its last."""
    holds = [c for c in story.closeds if c.hold and c.pull == pull]
    told = [c for c in holds if c.outcome in ("hold_passed", "hold_failed")]
    best = told or holds
    return best[-1] if best else None


def _verdict(stretch: Stretch, ticks: Ticks, story: Story, aim: _Aim) -> tuple[str, str]:
    system = stretch.job.job.units
    final = Figure(float(_final(ticks, story)), "vacuum").show(system)
    pull = _judged_pull(ticks, story)
    hold = _judged_hold(story, pull)
    by = f" (by {aim.source})" if aim.source else ""
    if aim.target_pa is None:
        return "undecided", f"The job states no target; the lowest steady level was {final}. State [evacuation] target."
    target = Figure(aim.target_pa, "vacuum").show(system)
    if pull not in story.targets:
        return "not_reached", f"The target of {target}{by} was not reached; now {final}.{_time_left(story, ticks, aim)}"
    if hold is None:
        return "undecided", f"Target of {target}{by} reached; not held yet. Close the pump valve and let it stand."
    if hold.outcome == "hold_passed":
        return "held", f"Target of {target}{by} reached and held; {final} at the end."
    if hold.outcome == "hold_failed":
        if hold.cause in ("leak", "moisture"):
            return (
                f"rising_{hold.cause}",
                f"The hold failed: the rise is that of {NAMES[hold.cause]}. {ADVICE[hold.cause]}",
            )
        return "undecided", "The hold failed; whether a leak or moisture cannot be told yet. Leave it closed and watch."
    if hold.outcome == "unclear":
        return "undecided", "The hold has gaps, or the pressure fell as if the valve were open: hold again."
    if aim.hold_s is None:
        return "undecided", f"Target of {target} reached and closed; the job states no hold time to judge by."
    if hold.last is not None:
        return "undecided", "The valve was opened before the hold was over: hold again for the whole time."
    return "undecided", f"Target reached; {_course(story, ticks, hold, aim)}"


def _course(story: Story, ticks: Ticks, hold: Closed, aim: _Aim) -> str:
    held = float(ticks.end_s[-1] - ticks.end_s[hold.first])
    left = max(0.0, (aim.hold_s or 0.0) - held)
    said = f"held for {_minutes(held)}, {_minutes(left)} to go"
    if hold.rise is None or aim.limit_pa is None:
        return f"{said}."
    end = hold.rise.end_pa + max(0.0, hold.rise.rate_pa_per_s) * left
    return f"{said}; {'on course to pass' if end < aim.limit_pa else 'on course to fail'}."


def _time_left(story: Story, ticks: Ticks, aim: _Aim) -> str:
    left = _seconds_left(story, ticks, aim)
    if left is None:
        return ""
    low, middle, high = left
    until = "more than a day" if high > 86_400 else _minutes(high)
    return f" At this trend about {_minutes(middle)} more ({_minutes(low)} to {until})."


def _seconds_left(story: Story, ticks: Ticks, aim: _Aim) -> tuple[float, float, float] | None:
    """Return the time to the target at the present trend [s]: low, middle, high; None when it does not fall."""
    reached = len(story.pull_starts) - 1 in story.targets
    if aim.target_pa is None or reached or not story.pumping or not story.pumping[-1]:
        return None
    slope, error = -story.slope_per_min / 60.0, story.slope_error / 60.0
    if not math.isfinite(slope) or slope <= 2.0 * error:
        return None
    way = math.log(float(ticks.vacuum[-1]) / aim.target_pa)
    return way / (slope + 2.0 * error), way / slope, way / (slope - 2.0 * error)


def _final(ticks: Ticks, story: Story) -> float:
    """Return the level [Pa] at the end of the hold that passed, else at the end, before the vacuum was broken."""
    passed = [h.level_pa for h in story.happenings if h.what == "hold_passed"]
    if passed:
        return passed[-1]
    last = story.pull_starts[-1]
    ends_broken = last > 0 and float(ticks.vacuum[last:].min()) > 5e3
    return float(ticks.vacuum[last - 1] if ends_broken else ticks.vacuum[-1])


def _figures(stretch: Stretch, ticks: Ticks, story: Story, aim: _Aim) -> dict[str, FigureValue]:
    figures: dict[str, FigureValue] = {"final": Figure(_final(ticks, story), "vacuum")}
    reached = story.targets.get(_judged_pull(ticks, story))
    begun = float(ticks.end_s[story.pull_starts[0]])
    figures["time_to_target"] = Figure(math.nan if reached is None else float(ticks.end_s[reached]) - begun, "minutes")
    rises = [c.rise for c in story.closeds if c.rise is not None]
    rise = rises[-1] if rises else None
    figures["rise_rate"] = Figure(math.nan if rise is None else rise.rate_pa_per_s, "vacuum_rate")
    figures["plateau"] = Figure(math.nan if rise is None else rise.plateau_pa, "vacuum")
    circuit, stated = stretch.job.circuit, stretch.job.evacuation
    if circuit.internal_volume_m3 is not None:
        figures["effective_speed"] = Figure(story.best_slope_per_min / 60.0 * circuit.internal_volume_m3, "flow")
        if rise is not None and rise.kind != "moisture":
            leak = max(0.0, flow.leak_rate(circuit.internal_volume_m3, rise.rate_pa_per_s))
            figures["leak_rate"] = Figure(leak, "leak_rate")
            if circuit.refrigerant is not None:
                molar = refrigerant(circuit.refrigerant).molar_mass_kg_per_mol
                figures["leak"] = Figure(flow.leak_mass_rate(leak, molar, 293.15), "leak_g")
    speed = _pump_speed(stretch, float(ticks.vacuum[-1]))
    if speed is not None:
        figures["speed_through_hose"] = Figure(speed, "flow")
        water_kg = _water_removed(ticks, story, stretch)
        if water_kg > 0.0:
            figures["water_removed"] = Figure(water_kg, "mass")
    since_oil = [when for when in story.oil_changes if when <= ticks.end_s[-1]]
    pumped = _pumped_since(ticks, story, since_oil[-1] if since_oil else 0.0)
    figures["oil_hours"] = Figure(pumped, "hours")
    if stated.pump_oil_life_s is not None:
        figures["oil_change_due_in"] = Figure(max(0.0, stated.pump_oil_life_s - pumped), "hours")
    left = _seconds_left(story, ticks, aim)
    if left is not None:
        figures["time_left"] = Figure(left[1], "minutes")
    return figures


def _pump_speed(stretch: Stretch, pressure_pa: float) -> float | None:
    """Return the speed that pump and hose together can have at a pressure [m3/s], None when not stated."""
    stated = stretch.job.evacuation
    if stated.pump_flow_m3_per_s is None:
        return None
    if stated.hose_bore_m is None or stated.hose_length_m is None:
        return stated.pump_flow_m3_per_s
    hose = flow.hose_conductance(stated.hose_bore_m, stated.hose_length_m, pressure_pa)
    return float(flow.in_series(stated.pump_flow_m3_per_s, hose))


def _water_removed(ticks: Ticks, story: Story, stretch: Stretch) -> float:
    """Return the water pumped away while stalled on moisture [kg]; good to a factor of two."""
    total = 0.0
    for stall in story.stalls:
        speed = _pump_speed(stretch, stall.level_pa)
        if stall.cause != "moisture" or speed is None:
            continue
        last = stall.cleared if stall.cleared is not None else len(ticks) - 1
        pumped = _pumped_since(ticks, story, float(ticks.end_s[stall.since]), last)
        total += flow.water_mass(speed, stall.level_pa, 293.15, pumped)
    return total


def _pumped_since(ticks: Ticks, story: Story, since_s: float, last: int | None = None) -> float:
    """Return the seconds of pumping since a moment, counting pauses of the readings as a minute at most."""
    end = len(ticks) if last is None else last + 1
    steps = np.minimum(np.diff(ticks.end_s[:end], prepend=ticks.end_s[:1]), 60.0)
    return float(steps[np.asarray(story.pumping[:end]) & (ticks.end_s[:end] > since_s)].sum())


def _traces(ticks: Ticks) -> dict[str, pd.Series]:
    traces = {"vacuum": pd.Series(ticks.vacuum, index=ticks.known)}
    if np.isfinite(ticks.pump).any():
        traces["pump_vacuum"] = pd.Series(ticks.pump, index=ticks.known)
    if np.isfinite(ticks.coldest).any():
        traces["water_vapor_pressure"] = pd.Series(
            np.asarray(water.vapor_pressure_pa(ticks.coldest)), index=ticks.known
        )
    return traces


def _spans(stretch: Stretch, ticks: Ticks, story: Story) -> tuple[Span, ...]:
    last = len(ticks) - 1
    spans = []
    for stall in story.stalls:
        end = stall.cleared if stall.cleared is not None else last
        begin = _at(stretch, float(ticks.end_s[stall.since]))
        spans.append(Span("stall", begin, _at(stretch, float(ticks.end_s[end])), f"stall: {NAMES[stall.cause]}"))
    for closed in story.closeds:
        end = closed.last if closed.last is not None else last
        kind = closed.outcome if closed.outcome in ("hold_passed", "hold_failed") else "closed"
        begin = _at(stretch, float(ticks.end_s[closed.first]))
        spans.append(Span(kind, begin, _at(stretch, float(ticks.end_s[end])), kind.replace("_", " ")))
    changes = [_at(stretch, when) for when in story.oil_changes]
    spans += [Span("oil_change", at, at, "oil change") for at in changes]
    return tuple(spans)
