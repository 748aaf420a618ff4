"""A gauge whose hose came off hangs in the air: what it shows there is no pressure of the circuit.

It is at the air's pressure at once. Vapour that is drawn falls by e in equal times, and weighs; what boils falls
slowly.
"""

from __future__ import annotations

import numpy as np

from analysis.belief.fault import AIR_PA

FROM, WITHIN_S = 1.5, 30.0
"""It came there from so many times that within so long, or from one row to the next, and is at rest again so long after
it left; common practice."""
FROM_IN_PAUSE = 1.1
"""While the machine stands by its mark so little is enough: nothing falls then."""
QUICKER = 2.0
"""And so many times as fast as it fell before."""
APART_S = 120.0
"""Rows further apart show that only while the machine stands by its mark."""
RESUMED_S = 300.0
"""So soon after the machine was started by a mark a small circuit may fall as fast."""


def hangs(
    at_s: np.ndarray,
    pressure_pa: np.ndarray,
    air_pa: np.ndarray,
    moved_kg: np.ndarray,
    step_kg: np.ndarray,
    marked: np.ndarray,
    resumed_s: np.ndarray,
) -> np.ndarray:
    """Return at which ticks the gauge hangs in the air, shape (n,) of bool.

    `step_kg` is the scale's smallest; `marked` is 1 while the machine stands, `resumed_s` when it was last started.
    """
    near, far = (np.searchsorted(at_s, at_s - back_s + 1e-6, side="right") - 1 for back_s in (WITHIN_S, 2.0 * WITHIN_S))
    far = np.minimum(far, near - 1)
    i, j = np.maximum(near, 0), np.maximum(far, 0)
    log = np.log(pressure_pa)
    fell, before = log[i] - log, np.maximum(log[j] - log[i], 0.0)
    took, took_before = at_s - at_s[i], np.maximum(at_s[i] - at_s[j], 1.0)
    quicker = fell / np.maximum(took, 1.0) > QUICKER * before / took_before
    flowed = moved_kg - moved_kg[i] > 2.0 * step_kg
    paused = (marked == 1.0) & (marked[i] == 1.0) & ~(resumed_s > at_s[i])
    sure = paused | ((took <= APART_S) & ~flowed & ~(at_s[i] - resumed_s < RESUMED_S))
    least = np.log(np.where(paused, FROM_IN_PAUSE, FROM))
    in_air = np.abs(pressure_pa - air_pa) < AIR_PA
    comes = in_air & ~np.concatenate([[True], in_air[:-1]])
    at_once = comes & (near >= 0) & (fell > least) & quicker & sure
    last = np.maximum.accumulate(np.where(comes, np.arange(len(in_air)), 0))
    there_s = np.maximum.accumulate(np.where(in_air & at_once[last], at_s, -np.inf))
    return np.asarray(at_s - there_s < WITHIN_S)
