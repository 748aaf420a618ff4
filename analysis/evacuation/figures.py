"""The numbers of an evacuation so far: level, times, speeds, rise, leak, water, oil."""

from __future__ import annotations

import math

import numpy as np

from analysis.evacuation import flow
from analysis.evacuation.aim import Aim
from analysis.evacuation.cause import water_may_hold
from analysis.evacuation.pace import HOSE_FADES
from analysis.evacuation.pump import Pump, pump_of
from analysis.evacuation.story import Closed, Story
from analysis.evacuation.ticks import Ticks
from analysis.fluids import water
from analysis.fluids.leak import leak_kg_per_s, leak_pa_m3_per_s
from analysis.result import Figure, FigureValue, time_left
from analysis.stretch import Stretch
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA

ROOM_K = 293.15
"""Gas is at about room temperature at hose and pump."""
WATER_SHARE = (0.4, 1.3)
"""The water removed is known to about these factors: not all gas is water, the speed is a formula's (our judgement)."""
FALLING = 0.9
"""A pull has begun once the pressure is under this share of its highest, or of the atmosphere's."""
OPENED_LATE_S = 60.0
"""A mark comes so long after the hand at the valve."""
PROBE_MOST_PA = 5e3
"""Above this a circuit gauge shows it: no vacuum probe for this work does (common practice)."""
PACE_FROM, PACE_TO = 4.0, 1.4
"""The speed found is the pull's pace between these multiples of its lowest level."""


def judged_pull(ticks: Ticks, story: Story) -> int:
    """Return the pull that the verdict is on: the last that pumped for five minutes under 5 kPa, else the first."""
    deep = np.where(ticks.vacuum < PROBE_MOST_PA, _pumped(ticks, story), 0.0)
    pumped = [pull for pull in range(len(story.pull_starts)) if deep[story.part(pull)].sum() >= 300.0]
    return pumped[-1] if pumped else 0


def judged_hold(ticks: Ticks, story: Story, pull: int) -> Closed | None:
    """Return the last hold of a pull that came to an outcome, else its last.

    One that failed is out of date once a later one stood for longer than that took.
    """
    holds = [c for c in story.closeds if c.hold and c.pull == pull and (c.sure or c.outcome != "unclear")]
    best = [c for c in holds if c.outcome in ("hold_passed", "hold_failed")] or holds
    failed = [h.held_s for h in story.happenings if h.what == "hold_failed" and best and h.closed is best[-1]]
    if failed and not holds[-1].outcome and holds[-1].stood_s(float(ticks.end_s[-1])) > failed[0]:
        return holds[-1]
    return best[-1] if best else None


def pull_begun(ticks: Ticks, story: Story, pull: int) -> float:
    """Return when the pump got the circuit for a pull [s]: the first with the stage, a later one as somebody said.

    Else when its pressure began to fall, or, where the probe was out of its range, as long before it came back as the
    first pull took to that level.
    """
    if pull == 0:
        return 0.0
    first = story.pull_starts[pull]
    at, p = ticks.end_s, ticks.vacuum
    last = int(np.searchsorted(at, story.targets.get(pull, math.inf)))
    part = p[first : max(first + 1, last)]
    top = min(float(part.max()), STANDARD_ATMOSPHERE_PA)
    high = first + int(np.flatnonzero(part >= FALLING * top)[-1])
    broken = float(at[first - 1])
    said = [when for when in story.opened if broken < when <= at[high] + OPENED_LATE_S]
    if said:
        return said[-1]
    if top > PROBE_MOST_PA:
        return float(at[high])
    before = np.flatnonzero(p[story.part(0)] <= p[high])
    return max(broken, float(at[high] - at[before[0]])) if len(before) else float(at[high])


def final_level(ticks: Ticks, story: Story) -> float:
    """Return the level [Pa] at the end of the hold that passed, else at the end, before the vacuum was broken."""
    pull = judged_pull(ticks, story)
    hold = judged_hold(ticks, story, pull)
    passed = [h.level_pa for h in story.happenings if h.what == "hold_passed" and h.closed is hold]
    if passed:
        return passed[-1]
    return float(ticks.vacuum[story.part(pull)][-1])


def seconds_left(ticks: Ticks, story: Story, aim: Aim) -> tuple[float, float, float] | None:
    """Return the time to the target at the present pace [s]: low, middle, high; None when it does not fall.

    None, too, while tired oil or a leak is known to hold it up: then no waiting helps; and while water may boil.
    """
    if aim.target_pa is None or story.reached or story.pace is None or water_boils(ticks, story):
        return None
    if any(stall.cleared is None and stall.cause in ("pump_oil", "leak") for stall in story.stalls):
        return None
    return story.pace.seconds_to(aim.target_pa)


def water_boils(ticks: Ticks, story: Story) -> bool:
    """Return whether a pull slows down by more than a hose makes it, at a level that water may hold: it gives way when
    the water is gone, which no trend tells."""
    pace = story.pace
    return pace is not None and pace.fade > HOSE_FADES and water_may_hold(pace.level_pa, float(ticks.coldest[-1]))


def fails_in_s(ticks: Ticks, hold: Closed, aim: Aim) -> float | None:
    """Return how soon a hold that still stands passes its limit if it goes on as it rises now [s].

    None where it may end under it, by its time or its plateau, or is over it already.
    """
    if hold.last is not None or hold.outcome or hold.rise is None or aim.limit_pa is None or aim.hold_s is None:
        return None
    rate, over = hold.rise.rate_pa_per_s, aim.limit_pa - float(ticks.vacuum[-1])
    left = aim.hold_s - hold.stood_s(float(ticks.end_s[-1]))
    return over / rate if 0.0 < over <= rate * left and not hold.rise.plateau_pa < aim.limit_pa else None


def speed_found(ticks: Ticks, story: Story, volume_m3: float) -> tuple[float, float] | None:
    """Return the speed with which the judged pull emptied the circuit [m3/s] and the level it is for [Pa].

    S = V d(ln p)/dt, over the last part of the fall; None where too little of it was seen.
    """
    pull = judged_pull(ticks, story)
    part = story.part(pull)
    p, at = ticks.vacuum[part], ticks.end_s[part]
    closed = [c.first for c in story.closeds if c.pull == pull]
    if closed:
        p, at = p[: closed[0] - part.start + 1], at[: closed[0] - part.start + 1]
    if len(p) < 5:
        return None
    lowest = np.minimum.accumulate(p)
    floor = float(lowest[-1])
    begin = max(0, int(np.searchsorted(-lowest, -PACE_FROM * floor)) - 1)
    end = int(np.searchsorted(-lowest, -PACE_TO * floor))
    if end - begin < 2 or lowest[begin] < 1.5 * lowest[end]:
        return None
    pace = math.log(float(lowest[begin] / lowest[end])) / float(at[end] - at[begin])
    return volume_m3 * pace, math.sqrt(float(lowest[begin] * lowest[end]))


def figures_of(stretch: Stretch, ticks: Ticks, story: Story, aim: Aim) -> dict[str, FigureValue]:
    """Return the stage's figures; NaN where there is nothing to say."""
    pull = judged_pull(ticks, story)
    hold = judged_hold(ticks, story, pull)
    took = story.targets.get(pull, math.nan) - pull_begun(ticks, story, pull)
    looked = [c for c in story.closeds if c.rise is not None]
    closed = hold if hold is not None and hold.rise is not None else looked[-1] if looked else None
    rise = None if closed is None else closed.rise
    figures: dict[str, FigureValue] = {
        "final": Figure(final_level(ticks, story), "vacuum"),
        "time_to_target": Figure(took, "minutes"),
        "rise_rate": Figure(_rate(closed), "vacuum_rate"),
        "plateau": Figure(_plateau(story, closed), "vacuum"),
    }
    for name, level in (("target", aim.target_pa), ("hold_limit", aim.limit_pa)):
        if level is not None:
            figures[name] = Figure(level, "vacuum")
    if rise is not None and rise.has_shape:
        figures["rise_straight"] = Figure(round(rise.leak, 3), "fraction")
        figures["rise_levels_off"] = Figure(round(rise.moisture, 3), "fraction")
    volume, stated = stretch.job.circuit.internal_volume_m3, stretch.job.evacuation
    if volume is not None:
        found = speed_found(ticks, story, volume)
        if found is not None:
            figures["effective_speed"] = Figure(found[0], "flow")
            figures["effective_speed_at"] = Figure(found[1], "vacuum")
        if rise is not None and rise.kind != "moisture":
            figures |= _leak(stretch, leak_pa_m3_per_s(max(0.0, rise.rate_pa_per_s), volume), ticks)
    pump = pump_of(stretch)
    speed = pump.speed(float(ticks.vacuum[-1]))
    if speed is not None:
        figures["speed_through_hose"] = Figure(speed, "flow")
        figures |= _water(pump, ticks, story)
    hours = float(_pumped(ticks, story)[ticks.end_s > story.oil_since_s].sum())
    figures["oil_hours"] = Figure(hours, "hours")
    if stated.pump_oil_life_s is not None:
        figures["oil_change_due_in"] = Figure(max(0.0, stated.pump_oil_life_s - hours), "hours")
    left = seconds_left(ticks, story, aim)
    if left is not None:
        low, likely, high = left
        figures |= time_left(likely, low, high)
    fails = None if hold is None or stretch.end is not None else fails_in_s(ticks, hold, aim)
    if fails is not None:
        figures["hold_fails_in"] = Figure(fails, "minutes")
    return figures


def _rate(closed: Closed | None) -> float:
    """Return how fast a closed circuit rises [Pa/s], over the whole time where it levels off; NaN without one."""
    if closed is None or closed.rise is None:
        return math.nan
    rise = closed.rise
    if "moisture" in (rise.kind, closed.cause):
        return (rise.end_pa - closed.level_pa) / rise.seconds
    return rise.rate_pa_per_s


def _plateau(story: Story, closed: Closed | None) -> float:
    """Return the level that a closed circuit rises to, else that of the stall it stands in [Pa]; NaN where neither."""
    if closed is not None and closed.rise is not None:
        if math.isfinite(closed.rise.plateau_pa):
            return closed.rise.plateau_pa
        if closed.rise.kind == "flat" and closed.cause == "moisture":
            return closed.rise.end_pa  # it has levelled off
    standing = [stall.level_pa for stall in story.stalls if stall.cleared is None]
    return standing[-1] if standing else math.nan


def _leak(stretch: Stretch, leak: float, ticks: Ticks) -> dict[str, FigureValue]:
    figures: dict[str, FigureValue] = {"leak_rate": Figure(leak, "leak_rate")}
    fluid = stretch.fluid
    if fluid is not None:
        warm = float(ticks.warmest[-1])
        mass = leak_kg_per_s(leak, fluid.molar_mass_kg_per_mol, warm if np.isfinite(warm) else ROOM_K)
        figures |= {"leak": Figure(mass, "leak_g"), "leak_oz": Figure(mass, "leak_oz")}
    return figures


def _water(pump: Pump, ticks: Ticks, story: Story) -> dict[str, FigureValue]:
    """Return the water pumped away while water held the level, and what of it this oil met at most.

    S p M / (R T) over the pumping at levels that water can hold; the speed is that of pump and hose there.
    """
    likely = np.zeros(len(ticks), dtype=bool)
    possible = np.zeros(len(ticks), dtype=bool)
    levels = np.geomspace(1.0, 2e4, 40)
    speeds = np.array([pump.speed(float(level)) for level in levels], dtype=float)
    vapour = np.asarray(water.vapor_pressure_pa(np.where(np.isfinite(ticks.warmest), ticks.warmest, ROOM_K)))
    flows = flow.water_mass(
        np.interp(ticks.vacuum, levels, speeds), np.minimum(ticks.vacuum, vapour), ROOM_K, _pumped(ticks, story)
    )
    for stall in story.stalls:
        part = slice(stall.since, len(ticks) if stall.cleared is None else stall.cleared)
        likely[part] |= stall.cause == "moisture"
        possible[part] |= stall.cause in ("moisture", "undecided")
    removed = float(flows[likely].sum())
    figures: dict[str, FigureValue] = {}
    if removed > 0.0:
        figures["water_removed"] = Figure(removed, "mass")
        figures["water_removed_low"] = Figure(WATER_SHARE[0] * removed, "mass")
        figures["water_removed_high"] = Figure(WATER_SHARE[1] * removed, "mass")
    taken = float(flows[possible & (ticks.end_s > story.oil_since_s)].sum())
    if taken > 0.0:
        figures["water_through_oil_at_most"] = Figure(WATER_SHARE[1] * taken, "mass")
    return figures


def _pumped(ticks: Ticks, story: Story) -> np.ndarray:
    """Return the seconds of pumping that each tick stands for, a pause of the readings as a minute at most."""
    steps: np.ndarray = np.minimum(np.diff(ticks.end_s, prepend=ticks.end_s[:1]), 60.0) * np.asarray(story.pumping)
    return steps
