"""A gauge on a hose that a closed valve, or a blocked core, parts from the circuit: it shows the hose alone.

A circuit holds at least the room that what came out of it filled as liquid. When its pressure falls, so much vapour
comes onto the scale; where nothing comes, the gauge shows something smaller. A hose that is shut off in a pause stands
still, and its pressure leaps to the circuit's as the valve is opened.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.belief.fault import AIR_PA
from analysis.recovery.balance import liquid_density
from analysis.recovery.pauses import AT_ONCE_S, STEADIER, STOOD_S, Pause, before, leaps, least_leap
from analysis.recovery.ticks import Ticks

HIGH, DEEP = 0.5, 1.0 / 3.0
"""The fall begins where the vapour first is less than so dense beside the densest so far, and is deep where it is so
dense beside what it was then: no cooler room does as much. What a gauge shows later may be a cylinder."""
LEAST = 0.5
"""So much of the vapour that the least circuit holds has to come: hose, machine and its condenser keep some; common
practice."""
OVER_K = 5.0
"""So far over where saturation stood, liquid that comes back is elsewhere than the rest was, or in a cylinder."""


def shows_circuit(ticks: Ticks) -> np.ndarray:
    """Return at which ticks nothing speaks for a gauge that shows its hose alone, shape (n,) of bool.

    In a deep fall less came onto the scale than the least circuit's vapour; where nothing is weighed none is seen.
    """
    density = ticks.density
    low = np.flatnonzero(density < HIGH * np.fmax.accumulate(density))
    if not len(low):
        return np.ones(len(ticks), dtype=bool)
    i = int(low[0]) - 1
    room = np.fmax.accumulate(ticks.moved_kg) / liquid_density(ticks)
    came = ticks.moved_kg - ticks.moved_kg[i] + ticks.unseen_kg - ticks.unseen_kg[i] + 2.0 * ticks.mass_resolution_kg
    deep = (np.arange(len(ticks)) > i) & (density < DEEP * density[i])
    return np.asarray(~(deep & (came < LEAST * room * (density[i] - density))))


@dataclass(frozen=True)
class Leap:
    """A standing pressure that leapt: known at tick `tick`, since when, from and to what."""

    tick: int
    since_s: float
    from_pa: float
    to_pa: float


def leap_after(ticks: Ticks, pause: Pause, since: int) -> Leap | None:
    """Return how a pressure that stood in a pause leapt after tick `since`, as a valve was opened; None where not.

    One that comes to the air's pressure from under it, or rises on, is air or nitrogen that is let in; a single wild
    reading goes back to where it stood. More than liquid holds where it stood, or at the water, is a cylinder's or the
    machine's.
    """
    pressure, air, least = ticks.pressure_pa, ticks.barometer_pa, least_leap(ticks)
    near, far = (before(ticks.at_s, back_s) for back_s in (AT_ONCE_S, AT_ONCE_S + STOOD_S))
    then = np.searchsorted(ticks.at_s, ticks.at_s + AT_ONCE_S)
    first = pause.first if pause.base is None else pause.base
    here = (far >= first) & (near <= pause.last) & (np.arange(len(ticks)) > since) & (then < len(ticks))
    for i in np.flatnonzero(here & leaps(ticks)).tolist():
        low, after = float(pressure[near[i]]), pressure[i : then[i] + 1]
        wild = (np.abs(after[1:] - low) <= least[i]).all()
        let_in = low < air[i] and (np.abs(after - air[i]) < AIR_PA).any()
        warmest_k = np.fmax(ticks.plateau_k[near[i]], ticks.reference_k[near[i]])
        elsewhere = ticks.bubble_k[i : then[i] + 1].max() > warmest_k + OVER_K
        if not (wild or let_in or elsewhere or after[-1] - after[0] > STEADIER * (after[0] - low)):
            return Leap(int(then[i]), float(ticks.at_s[near[i]]), low, float(after.max()))
    return None
