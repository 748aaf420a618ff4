"""Evacuation: has it stalled and why, is the target reached, does it hold.

`assess` is the way in: `ticks` makes an even beat of the vacuum, `walk` goes through it once, `rise` judges what a
closed circuit shows, `stalls` tells where it stands and `cause` weighs why, `pace` tells the time left, `flow` has the
formulas.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.evacuation.aim import Aim, aim_of
from analysis.evacuation.alive import one_number
from analysis.evacuation.cause import ADVICE, CAUSES
from analysis.evacuation.figures import (
    FALLING,
    fails_in_s,
    figures_of,
    final_level,
    judged_hold,
    judged_pull,
    seconds_left,
    water_boils,
)
from analysis.evacuation.pump import pump_of
from analysis.evacuation.story import Closed, Happening, Story
from analysis.evacuation.ticks import GAP_S, Ticks, make_ticks, mark_seconds
from analysis.evacuation.walk import Walk
from analysis.fluids import water
from analysis.result import Assessment, Figure, FigureValue, Finding, Span
from analysis.stretch import Stretch, moments
from analysis.vocabulary.channels import USUAL_TOP_PA, Level
from analysis.vocabulary.text import duration, likely, words
from analysis.vocabulary.units import UnitSystem

__all__ = ["assess"]

SILENT_S = 600.0
"""What a circuit does while its gauge shows nothing for so long is not known."""
FAR_UNDER = 0.5
"""Under this part of the highest reading a probe is in its range."""
SHAPES = {"leak": "in a straight line, as by a leak", "moisture": "and levelled off, as by moisture"}
ONE_NUMBER = (
    " The gauge has shown one number since the valve was closed: see it move, by the valve or a little dry nitrogen, "
    "or compare a second one, before you rely on it."
)
WALLS_TOO = (
    " Gas off walls and out of oil levels off alike, but comes to less after every pull: pull on and hold again before"
    " you open it for driers."
)
NAMES = {"pump_oil": "pump oil", "moisture": "moisture", "leak": "a leak", "undecided": "undecided"}


def assess(stretch: Stretch) -> Assessment:
    """Return what an evacuation's rows so far say.

    Needs `vacuum`; is better with `pump_vacuum`, a metal and an air temperature, marks for valve and oil, and in
    the job target, hold and hold limit, internal volume, pump flow and hose.

    Raises
    ------
    InputError
        The job's rule file cannot be used.
    """
    aim = aim_of(stretch)
    if "vacuum" not in stretch.frame:
        where = (
            " but the one at the pump: put one on the circuit, far from the hose"
            if "pump_vacuum" in stretch.frame
            else ""
        )
        return Assessment("undecided", f"Cannot tell: no vacuum gauge was logged{where}.")
    ticks = make_ticks(stretch)
    if len(ticks) == 0:
        return Assessment("undecided", "Cannot tell yet: half a minute of readings within the gauge's range is needed.")
    valve = ("pump_valve_closed", "pump_valve_open", "pump_on", "pump_off", "vacuum_broken", "oil_change")
    marks = mark_seconds(stretch, *valve)
    story = Walk(ticks, marks, aim, moments(stretch), pump_of(stretch)).run()
    findings = [_finding(stretch, ticks, happening, aim) for happening in story.happenings]
    if aim.target_pa is None:
        findings = [f for f in findings if f.kind != "target_reached"]
    verdict, text = _verdict(stretch, ticks, story, aim)
    return Assessment(
        verdict,
        text,
        figures_of(stretch, ticks, story, aim),
        tuple(findings),
        _traces(ticks),
        _spans(stretch, ticks, story),
    )


def _at(stretch: Stretch, seconds: float) -> pd.Timestamp:
    return stretch.begin + pd.Timedelta(seconds=max(0.0, seconds))


# --- findings ----------------------------------------------------------------------------------------------


def _finding(stretch: Stretch, ticks: Ticks, happening: Happening, aim: Aim) -> Finding:
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
        if happening.close_for_s:
            figures["close_for"] = Figure(happening.close_for_s, "minutes")
        text = f"Stalled at {level.show(system)} for {duration(happening.held_s)}: {_why(happening)}"
    elif happening.what == "stall_cleared":
        was = happening.stall.level_pa if happening.stall is not None else math.nan
        figures = {"level": level, "level_held": Figure(was, "vacuum")}
        text = f"It moves again: {level.show(system)}, after the stall at {Figure(was, 'vacuum').show(system)}."
    elif happening.what == "target_reached":
        target = Figure(math.nan if aim.target_pa is None else aim.target_pa, "vacuum")
        figures = {"target": target}
        text = f"Target of {target.show(system)} reached. Close the pump valve and hold."
    elif happening.what == "hold_passed":
        figures = {"level": level, "held_for": Figure(happening.held_s, "minutes")}
        text = f"Held: {level.show(system)} after {duration(happening.held_s)} with the pump valve closed."
        if happening.one_number:
            text += ONE_NUMBER
    else:
        urgency = "alarm"
        figures = {"cause": happening.cause, "level": level, "held_for": Figure(happening.held_s, "minutes")}
        next_ = _hold_advice(happening.cause)
        if happening.cause == "undecided":
            next_ = f"Leave it closed for as long again, {duration(happening.held_s)}: how it rises tells that."
        after = f"{level.show(system)} after {duration(happening.held_s)}"
        why = "why is not clear yet" if happening.cause == "undecided" else f"cause: {NAMES[happening.cause]}"
        text = f"The hold failed: {after}; {why}. {next_}"
        if happening.learnt and happening.cause != "undecided":
            text = f"{NAMES[happening.cause].capitalize()} made the hold fail: {after}. {next_}"
    known, since = ticks.known[happening.tick], _at(stretch, happening.since_s)
    if happening.told_s is not None:
        known = _at(stretch, happening.told_s)
    return Finding(known, since, stretch.stage, happening.what, urgency, text, figures)


def _hold_advice(cause: str) -> str:
    return ADVICE[cause] + (WALLS_TOO if cause == "moisture" else "")


def _why(happening: Happening) -> str:
    shares = ", ".join(f"{NAMES[c]} {likely(happening.shares.get(c, math.nan))}" for c in CAUSES)
    told = sum(happening.shares.values())
    shares += f", none of these {likely(1.0 - told)}" if 0.0 < told < 0.99 else ""
    ice = ""
    if happening.level_pa < water.TRIPLE_POINT_PA and happening.cause in ("moisture", "undecided"):
        ice = " Water standing there freezes at this level and dries slowly as ice: warm it first."
    said = (
        "the cause cannot be told yet" if happening.cause == "undecided" else f"the cause is {NAMES[happening.cause]}"
    )
    advice = ADVICE[happening.cause]
    if happening.close_for_s:
        advice = f"The valve was not closed for long enough: keep it closed for {duration(happening.close_for_s)}."
    return f"{said} ({shares}). {advice}{ice}"


# --- verdict and figures -----------------------------------------------------------------------------------


def _verdict(stretch: Stretch, ticks: Ticks, story: Story, aim: Aim) -> tuple[str, str]:
    system = stretch.job.job.units
    final = Figure(float(final_level(ticks, story)), "vacuum").show(system)
    pull = judged_pull(ticks, story)
    hold = judged_hold(ticks, story, pull)
    by = f" (by {aim.source})" if aim.source else ""
    if aim.target_pa is None:
        said = f"The job states no target; the last level was {final}. State [evacuation] target."
        return "undecided", said + _stalled(stretch, story)
    target = Figure(aim.target_pa, "vacuum").show(system)
    silent_s = (stretch.frame.index[-1] - stretch.begin).total_seconds() - float(ticks.end_s[-1])
    if pull not in story.targets:
        if silent_s > SILENT_S and _in_range(stretch, ticks):
            return (
                "undecided",
                f"Cannot tell: the gauge shows nothing for {duration(silent_s)}; before it was at {final}.",
            )
        if _only_rose(ticks, story, pull):
            return "undecided", (
                f"Target of {target}{by} reached before the gauge fell silent; it came back higher and has not fallen "
                f"since, {final} at the end: the valve may have been closed. Mark what is done; pull and hold again."
            )
        more = _time_left(stretch, ticks, story, aim) + pump_of(stretch).words(float(ticks.vacuum[-1]), system)
        yet = "is not reached yet" if stretch.end is None else f"was not reached; at the end {final}"
        return "not_reached", f"The target of {target}{by} {yet}.{_rose(story, system)}{more}{_stalled(stretch, story)}"
    if hold is None:
        return "undecided", (
            f"Target of {target}{by} reached; no hold was seen yet. Close the pump valve, mark that it is closed (a "
            "tight circuit may show nothing of it), and let it stand."
        )
    if hold.outcome == "hold_passed":
        limit = (
            "" if aim.limit_pa is None else f", within the {Figure(aim.limit_pa, 'vacuum').show(system)} of the hold"
        )
        last = len(ticks) - 1 if hold.last is None else hold.last
        doubt = ONE_NUMBER if one_number(ticks, hold, last) else ""
        return "held", f"Target of {target}{by} reached and held; {final} at the end{limit}.{doubt}"
    if hold.outcome == "hold_failed":
        if hold.cause in ("leak", "moisture"):
            return (
                f"rising_{hold.cause}",
                f"The hold failed: the rise is that of {NAMES[hold.cause]}. {_hold_advice(hold.cause)}",
            )
        return "undecided", "The hold failed; whether a leak or moisture cannot be told yet. Leave it closed and watch."
    if hold.outcome == "unclear":
        return "undecided", (
            "The hold does not count: readings are missing, or the pressure fell, as with the valve open or the gauge "
            "on the pump's side of it. Look at both and hold again."
        )
    if hold.still:
        return "undecided", (
            f"Cannot tell: the gauge has stood at {final} for long, and a tight circuit and a dead gauge look alike. "
            "Open the valve for a moment, or let in a little dry nitrogen; see the gauge move, and hold again."
        )
    if aim.hold_s is None:
        return "undecided", f"Target of {target} reached; the job states no hold time to judge by: state hold."
    stood = hold.stood_s(float(ticks.end_s[-1]))
    if stood >= aim.hold_s and aim.limit_pa is not None:
        near = Figure(aim.limit_pa, "vacuum").show(system)
        if hold.sure:
            return (
                "undecided",
                f"After {duration(stood)} it is too near the limit of {near} to be sure: let it stand on.",
            )
        return "undecided", (
            f"Cannot tell: nobody marked the valve as closed, and so small a rise in {duration(stood)} does not prove "
            "it. Close it, mark pump_valve_closed, and hold again."
        )
    if hold.last is not None:
        return "undecided", "The valve was opened before the hold was over: hold again for the whole time."
    if silent_s > GAP_S:
        return "undecided", f"The gauge shows nothing for {duration(silent_s)} of the hold: above its range, or off."
    limit = " The job states no hold limit: the target is taken." if aim.limit_is_target else ""
    course = f"held for {duration(stood)} of the {duration(aim.hold_s)} asked for: hold again for the whole time."
    if stretch.end is None:
        course = _course(ticks, hold, aim, system)
    return "undecided", f"Target reached; {course}{limit}"


def _rose(story: Story, system: UnitSystem) -> str:
    """Return how a circuit rose when it was closed last, as a sentence; empty where that points to nothing.

    What comes in so may be too little to be why the target is not reached: that stands in the stall.
    """
    rises = [closed.rise for closed in story.closeds if closed.rise is not None]
    if not rises or rises[-1].kind not in SHAPES:
        return ""
    rise = rises[-1]
    rate = Figure(rise.rate_pa_per_s, "vacuum_rate").show(system, 2)
    return f" Closed for {duration(rise.seconds)} it rose {SHAPES[rise.kind]} ({rate} on average)."


def _stalled(stretch: Stretch, story: Story) -> str:
    """Return why a stage that is over stalled and what to do; while it runs the finding says so."""
    known = [stall.cause for stall in story.stalls if stall.cleared is None and stall.cause in CAUSES]
    if stretch.end is None or not known:
        return ""
    return f" It stalled: the cause is {NAMES[known[-1]]}. {ADVICE[known[-1]]}"


def _only_rose(ticks: Ticks, story: Story, pull: int) -> bool:
    """Return whether a pull after one that reached the target never pulled: a broken vacuum is pumped again."""
    level = ticks.vacuum[story.part(pull)]
    return pull - 1 in story.targets and bool(level.min() >= FALLING * level[0])


def _in_range(stretch: Stretch, ticks: Ticks) -> bool:
    """Return whether the last reading was one far under the probe's end, and nobody said that the vacuum is broken."""
    marks = mark_seconds(stretch, "vacuum_broken")
    end = max(USUAL_TOP_PA, FAR_UNDER * float(ticks.vacuum.max()))
    return float(ticks.vacuum[-1]) < end and not any(at > float(ticks.end_s[-1]) for at, _ in marks)


def _course(ticks: Ticks, hold: Closed, aim: Aim, system: UnitSystem) -> str:
    """Return how a running hold goes: it can only be sure when its time is over, or its limit is passed."""
    held = float(ticks.end_s[-1]) - hold.begin_s
    left = max(0.0, (aim.hold_s or 0.0) - held)
    said = f"held for {duration(held)}"
    if hold.rise is None or aim.limit_pa is None:
        return f"{said}, {duration(left)} to go."
    now, fails_s = float(ticks.vacuum[-1]), fails_in_s(ticks, hold, aim)
    if fails_s is not None:
        return f"{said}; on course to fail in about {duration(fails_s)}. Leave it closed: how it rises tells why."
    if now >= aim.limit_pa:
        limit = Figure(aim.limit_pa, "vacuum").show(system)
        return f"{said}; at its limit of {limit}, so near that it may pass or fail, {duration(left)} to go."
    straight = now + hold.rise.rate_pa_per_s * left < aim.limit_pa
    return f"{said}; {'on course to pass' if straight else 'it levels off and may pass'}, sure in {duration(left)}."


def _time_left(stretch: Stretch, ticks: Ticks, story: Story, aim: Aim) -> str:
    if water_boils(ticks, story):
        said = " It slows down at a level at which water boils: how long that takes no trend tells."
        return said if stretch.end is None else ""
    left = seconds_left(ticks, story, aim)
    if left is None or left[1] <= 86_400.0:
        return ""
    return " At this trend it takes more than a day: find out what holds it up."


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
        spans.append(Span(kind, begin, _at(stretch, float(ticks.end_s[end])), words(kind)))
    changes = [_at(stretch, when) for when in story.oil_changes]
    spans += [Span("oil_change", at, at, "oil change") for at in changes]
    return tuple(spans)
