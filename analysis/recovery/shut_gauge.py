"""A gauge on a hose that a closed valve, or a blocked core, parts from the circuit: the machine empties the hose alone.

A circuit holds at least the room that what came out of it filled as liquid. When its pressure falls, so much vapour
comes onto the scale; where nothing comes, the gauge shows something smaller.
"""

from __future__ import annotations

import numpy as np

from analysis.recovery.balance import liquid_density
from analysis.recovery.ticks import Ticks

HIGH, DEEP = 0.5, 1.0 / 3.0
"""The fall begins where the vapour first is less than so dense beside the densest so far, and is deep where it is so
dense beside what it was then: no cooler room does as much. What a gauge shows later may be a cylinder."""
LEAST = 0.5
"""So much of the vapour that the least circuit holds has to come: hose, machine and its condenser keep some; common
practice."""


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
