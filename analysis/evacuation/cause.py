"""Why a vacuum stalled: what each piece of evidence says for pump oil, moisture and leak, added up.

The weights are logarithms of odds, judged by what each observation would look like under each cause (domain
knowledge of the trade, no published source). A cause is sure from eight to one; below that it is undecided, and
the test that would decide is named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.evacuation.rise import Rise
from analysis.fluids import water

CAUSES = ("pump_oil", "moisture", "leak")
SURE = 0.89
MOST_BY_SHAPE, MOST_EARLY, BY_INFLOW = 6.0, 2.0, 1.25
"""How much the shape of a rise says at most for a leak against moisture, the same of one that may yet go either way,
and any such rise for either of them."""
SHORT_OF, BY_SHORT, MOST_BY_SHORT, LEAST_GROWN = 0.25, 1.5, 6.0, 0.02
"""What holds a level up flows on when the valve is closed: a level that then grows by less than this share of what it
should speaks for the oil, by so much for each e-fold that it falls short (growth is known to the last)."""
SLOW_LINE = 0.6
"""A rise with a shape is doubted from this share on: the hose's loss of speed towards the floor is reckoned with."""
WET_WALL = 0.7
"""Water lets a closed level grow up to its vapour pressure only, of a wall some 5 K under the coldest thermometer."""
WATER_HOLDS, COLDEST_K = (0.15, 1.2), 288.0
"""A level between these shares of water's vapour pressure at the coldest metal may be what water holds up; metal of
which no temperature is known is taken to be at the last."""
CREPT = 3.0
"""What the outside presses through a hole is constant: a level that gives way by itself was not held up by it. What
comes out of oil does that, too, and is none of the three."""
LEVELLED = 0.15
"""Flat, and this share above the stalled level: it rose and levelled off while the valve settled."""
MOST_OF_IT, BY_BLANK = 0.7, 8.0
"""A pump that reaches no less than this share of the level by itself, by two gauges that differ, holds most of it."""
GAUGES_DIFFER, MOST_BY_GAUGES = 0.25, 4.0
"""Two vacuum gauges, and a hose's formula and a pump's speed, agree to about a quarter (common practice)."""
GAUGES_KEEP = 0.15
"""The same two gauges differ alike a little further up, and a pump slows down towards its ultimate by about as much."""

ADVICE = {
    "pump_oil": "Change the pump oil with the valve closed, then pull again.",
    "moisture": "Warm the circuit, sweep with dry nitrogen, change the oil often; it gives way as the water leaves.",
    "leak": "Find the leak: pressurise with dry nitrogen again, look at valves, hoses and the gauge's own joint.",
    "undecided": "Close the pump valve for 10 to 20 min and watch: flat means the pump or its oil, a straight rise a"
    " leak, a rise that levels off moisture.",
}


@dataclass(frozen=True)
class Evidence:
    """What is known of a stall at some moment.

    `rises`: closed stretches of this pull, each with `expected`, the share by which the level would have grown were
    it held up by inflow, and `grown`, by which it grew since the valve closed. `pump_open`, `pump_closed`: pressure
    at the pump over that of the stalled level while pumping and while closed (NaN unknown); `pump_expected`: what the
    former would be were the level held up by inflow through the stated hose; `pump_pull`: what it was while there was
    gas to pump, a little above the level. `oil_helped`: True where fresh oil brought a deeper pull, False where it came
    back to the same level, None without a change. `deeper`: the level gave way at once after a closing, as after a
    change of oil that nobody marked. `crept`: it gave way before, higher up in this pull, with nothing done for it.
    """

    level_pa: float
    coldest_k: float
    warmest_k: float
    rises: Sequence[tuple[Rise, float, float]]
    pump_open: float
    pump_expected: float
    pump_pull: float
    pump_closed: float
    oil_helped: bool | None
    deeper: bool = False
    crept: bool = False


@dataclass
class _Scores:
    """What speaks for each cause, as the logarithm of a likelihood; a leak is a little rarer than the others."""

    oil: float = 0.0
    moisture: float = 0.0
    leak: float = -0.3


def likelihoods(evidence: Evidence) -> dict[str, float]:
    """Return the likelihood of each cause; what is missing to one is that of none of them."""
    scores = _Scores()
    of_water = _of_water(evidence.level_pa, evidence.coldest_k)
    warmest = evidence.warmest_k if np.isfinite(evidence.warmest_k) else 308.0
    too_high = evidence.level_pa > 1.3 * float(water.vapor_pressure_pa(warmest + 2.0))
    wet_most = math.inf if too_high else WET_WALL / of_water - 1.0
    fresh_oil = evidence.oil_helped is True
    for rise, expected, grown in evidence.rises:
        fresh_oil |= _by_rise(scores, rise, expected, grown, wet_most)
    if too_high:
        scores.moisture -= 5.0
    elif water_may_hold(evidence.level_pa, evidence.coldest_k):
        scores.moisture += 1.0
    if np.isfinite(evidence.pump_closed):
        if evidence.pump_closed < 0.5 and not fresh_oil:
            scores.oil -= 4.0
        elif evidence.pump_closed > MOST_OF_IT:  # it holds that much up, whatever comes in besides
            scores.oil += BY_BLANK
    elif np.isfinite(evidence.pump_open):
        scores.oil += _by_gauges(evidence)
    if evidence.oil_helped is not None:
        scores.oil += 5.0 if evidence.oil_helped else -4.0
    if evidence.deeper:
        scores.oil += 2.0
        scores.moisture -= 0.5
    if evidence.crept:
        scores.leak -= CREPT
    of_each = (scores.oil, scores.moisture, scores.leak)
    weights = {cause: math.exp(score) for cause, score in zip(CAUSES, of_each, strict=True)}
    total = sum(weights.values()) + (1.0 if evidence.crept else 0.0)
    return {cause: weight / total for cause, weight in weights.items()}


def water_may_hold(level_pa: float, coldest_k: float) -> bool:
    """Return whether a level is one at which water boils; `coldest_k` of metal and air, NaN when unknown."""
    return WATER_HOLDS[0] <= _of_water(level_pa, coldest_k) <= WATER_HOLDS[1]


def _of_water(level_pa: float, coldest_k: float) -> float:
    return level_pa / float(water.vapor_pressure_pa(coldest_k if np.isfinite(coldest_k) else COLDEST_K))


def _by_rise(scores: _Scores, rise: Rise, expected: float, grown: float, wet_most: float) -> bool:
    """Count what a closed level's rise says; returns whether nothing flowed in and it was not seen to level off.

    Parameters
    ----------
    expected : what an inflow that held the level up would have made of it, as a part of the level.
    grown : what it grew by, as the same part.
    wet_most : the most that water can make of it, likewise.
    """
    levelled = grown > max(LEVELLED, 3.0 * rise.most_risen)  # before anybody could see it bend
    no_leak, no_water = (_short(most, grown + rise.most_risen) for most in (expected, min(expected, wet_most)))
    level_pa = rise.end_pa / (1.0 + grown)
    quick = rise.foot_pa > (1.0 + LEVELLED) * level_pa
    slow = _short(expected, min(grown, rise.late_pa_per_s * rise.seconds / level_pa), SLOW_LINE)
    icy = levelled and rise.kind == "flat" and rise.end_pa < water.TRIPLE_POINT_PA  # colder than any thermometer
    if icy and no_water > 0.0:
        scores.leak -= no_leak
    elif no_water > 0.0:  # nothing flows in, whatever the shape
        scores.oil += no_water
        scores.leak += no_water
        scores.leak -= no_leak
        return not levelled  # then no inflow has stopped where the pump's gauge falls meanwhile
    elif rise.kind in ("leak", "moisture") or (quick and slow > 0.0):
        most = MOST_BY_SHAPE if rise.kind != "undecided" else MOST_EARLY
        odds = math.log(max(rise.leak, 1e-9) / max(rise.moisture, 1e-9))
        half = 0.5 * min(most, max(-most, odds))
        scores.oil -= 3.0
        scores.leak = scores.leak + BY_INFLOW + half
        scores.moisture = scores.moisture + BY_INFLOW - half
        if slow > 0.0:  # too slow for a leak that held it up, however straight: cold water that warms, or, where it
            scores.leak -= slow + max(half, 0.0)  # did not begin quicker, a tired pump and a small leak
            scores.oil += 0.0 if quick else slow
    elif rise.kind == "flat" and levelled:
        scores.oil -= 3.0
        scores.leak -= 1.0
        scores.moisture += 2.5
    elif rise.kind == "flat" and no_leak > 0.0:
        scores.oil += 1.0
        scores.leak -= no_leak
    elif grown > 0.5 * expected and grown > 0.15:
        scores.oil -= 3.5
    return False


def _short(expected: float, grown: float, share: float = SHORT_OF) -> float:
    """Return what it says against an inflow that a closed level grew by less than a share of what that would make."""
    short = expected / max(grown, LEAST_GROWN)
    return min(MOST_BY_SHORT, BY_SHORT * math.log(short)) if short * share > 1.0 and expected >= 0.3 else 0.0


def _by_gauges(evidence: Evidence) -> float:
    """Return what the pump's gauge says for the oil while the pump has the circuit.

    Where nothing flows both ends of the hose show the same. Where gas flows the pump's end shows less, by what the
    stated hose takes, and by no less than it took further up, since a hose's conductance falls with the pressure. What
    is neither is a pump that is tired and has gas to pump as well.
    """
    alike = 0.5 * (math.log(max(evidence.pump_open, 0.01)) / GAUGES_DIFFER) ** 2
    stated = (evidence.pump_expected, -math.inf, GAUGES_DIFFER)
    seen = (evidence.pump_pull, 0.0, GAUGES_KEEP)
    odds = [
        0.5 * (max(least, math.log(max(evidence.pump_open, 0.01) / share)) / differ) ** 2 - alike
        for share, least, differ in (stated, seen)
        if np.isfinite(share)
    ]
    if not odds:
        return -3.0 if evidence.pump_open < 0.6 else 0.5 if evidence.pump_open > 0.9 else 0.0
    return max(-MOST_BY_GAUGES, min(MOST_BY_GAUGES - alike, max(odds)))


def sure_cause(shares: dict[str, float]) -> str:
    """Return the cause that is sure, else ``undecided``."""
    best = max(CAUSES, key=lambda cause: shares[cause])
    return best if shares[best] >= SURE else "undecided"
