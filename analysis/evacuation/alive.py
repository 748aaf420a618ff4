"""A gauge that stands still proves no hold: it passes on what a gauge showed that was seen to move."""

from __future__ import annotations

import numpy as np

from analysis.evacuation.story import Closed
from analysis.evacuation.ticks import Ticks
from analysis.waits import slowed

WAITS = 5
"""So many of its last waits from number to number tell how long a gauge stands."""
PATIENT = 3.0
"""A steady level stands for no three such waits."""
LEAST_S = 60.0
FLOOR_S, FLOOR_SLOWS = 900.0, 2.0
"""A pull that slowed down may have stood for so long before the valve was closed; for longer where it only fell, and
its last two waits were twice as long as those before (2.5 for such an exponential): that is its floor."""
SAME_STEPS = 1.5
"""Within one step of the display the level is the same, to the readings' rounding."""
RESTS_S = 120.0
"""A valve that closes lifts what a gauge shows for so long, in a short hold for half of it."""


def seen_alive(t: Ticks, closed: Closed, k: int, over_s: float, limit_pa: float) -> bool:
    """Return whether the gauge was seen to move late enough for a hold that was over at a second, by tick `k`.

    It moved lately; or moved in the hold, and stays under the limit on a straight line from there (a closed circuit's
    rise only slows down); or it shows what it did when the valve was closed, and moved shortly before.
    """
    begin_s = max(closed.begin_s, closed.said_s)
    moved = t.moved_s[: k + 1]
    moved = moved[moved > np.append(-np.inf, moved[:-1])]
    if len(moved) < 2:
        return False
    life_s, waits = float(moved[-1]), np.diff(moved[-WAITS - 1 :])
    patience = max(LEAST_S, PATIENT * float(waits.max()))
    if over_s - life_s <= patience:
        return True
    begin, life = (min(k, int(np.searchsorted(t.end_s, second))) for second in (begin_s, life_s))
    step = float(min(t.quantum[begin], t.quantum[k]))  # what stood for long has no steps but its last
    if t.raw[k] - t.raw[begin] < SAME_STEPS * step:  # less, too: slow gauges fall on for some seconds
        came = t.raw[np.minimum(np.searchsorted(t.end_s, moved[-WAITS - 1 :]), k)]
        if begin_s >= life_s and len(waits) == WAITS and (np.diff(came) <= 0.0).all() and _at_floor(waits):
            return True
        return begin_s - life_s <= max(patience, FLOOR_S if slowed(waits) else 0.0)
    if life_s <= begin_s:
        return False
    half = (begin + life) // 2
    pace = (t.raw[life] - t.raw[half] + step) / max(life_s - float(t.end_s[half]), 1.0)
    return bool(t.raw[k] + max(0.0, pace) * (over_s - life_s) <= limit_pa)


def one_number(t: Ticks, closed: Closed, k: int) -> bool:
    """Return whether the gauge showed one number from soon after the closing to tick `k`: as one that died just then.

    A tight circuit on a display without noise looks the same, so it passes, and is told so.
    """
    begin_s = max(closed.begin_s, closed.said_s)
    return bool(t.moved_s[k] <= begin_s + min(RESTS_S, 0.5 * (t.end_s[k] - begin_s)))


def _at_floor(waits: np.ndarray) -> bool:
    return bool(np.mean(waits[-2:]) >= FLOOR_SLOWS * np.median(waits[:-2]))
