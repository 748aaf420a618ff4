"""How the readings show that the pump valve was closed or opened, where nobody said so."""

from __future__ import annotations

import math
from statistics import median

import numpy as np

from analysis.evacuation.ticks import GAP_S, Ticks

PULLED_BELOW_PA = 40e3
"""Above this nobody closes the valve to see whether it holds."""
RISEN, RISEN_NOISES, RISEN_QUANTA = 0.2, 6.0, 2.5
FALLEN, FALLEN_NOISES = 0.1, 5.0
LEFT, LEFT_NOISES = 0.03, 4.0
BEND_TICKS = 20
"""So many ticks before its low, and as many as it took to be seen after, the circuit's bend is looked for."""
BEND_SPAN = 1.5
"""Further than this above the low the fall before it is no line."""
HALT_AT, HALT_LAST, HALT_NEAR, HALT_SHARE = np.array([2.6, 2.0, 1.6, 1.3]), 1.13, (1.02, 1.04), 0.5
HALT_LAGS = -np.diff(np.log(HALT_AT - 1.0))
"""So many time constants towards a floor at 1 take it from each of the first to the next."""
HALT_QUICKENS, HALT_SLOWS = 2.0, 1.3
"""A pull slows down on its way: one that gets so much quicker and then stops is a gauge cut off from the circuit, or a
hose that was changed; one that in its last part slows down so much, and by a tick, came to its stop by itself."""
HALT_NOISES, HALT_LEAST, HALT_TICKS = 4.0, 3.0, 400
"""Whether a pull stopped shows with little noise and small steps, and where it was slow enough to be followed."""
HALTED_S, HALTED_LAGS = 300.0, 0.5
"""It stood for so long, and for this share of the time constant that a floor would have had."""
STEP_S = np.array([300.0, 120.0, 90.0, 60.0])
"""The pump's gauge is compared over the last minute and from five to two minutes ago: the step takes one or two. The
circuit is, over the last minute and the first half of that step."""
PUMP_FALLEN, PUMP_SHARE = 0.75, 0.7
"""With the valve closed no gas comes to the pump: its gauge falls below this share of where it was, and of the
circuit's, while the circuit no longer falls."""
STILL, STILL_NOISES = 0.01, 2.0


def rising(t: Ticks, k: int, stretch: int, low: int) -> bool:
    """Return whether the pressure has left its low and keeps rising, as it does when the valve is closed.

    Parameters
    ----------
    k, stretch, low : the present tick, the first of this pumping, and that of the recent low.
    """
    p = t.vacuum
    if k - low < 4 or p[k] < (1.0 + RISEN) * p[low]:
        return False
    bottom = median(p[max(stretch, low - 2) : low + 3].tolist())
    grown = max(RISEN, RISEN_NOISES * float(t.scatter[k]), RISEN_QUANTA * float(t.quantum[k]) / bottom)
    risen = (p[k - 2 : k + 1] > (1.0 + grown) * bottom).all() and p[k - 3] > (1.0 + 0.5 * grown) * bottom
    return bool(risen and bottom < PULLED_BELOW_PA)


def stopped(t: Ticks, k: int, stretch: int, *, rose: bool) -> int | None:
    """Return the tick at which the pull to its lowest level stopped too suddenly for a floor, None where it did not.

    Towards a floor L the pressure falls as L (1 + g) with g shrinking by e in each time constant, V/S or slower: after
    1.3 L by no quicker one than in the quickest of the steps before (it may have stood on the way). A pull cut short
    takes 0.3 (pump alone) to 0.4 (hose in viscous flow) of that. Where it has not risen since it has to stand.
    """
    at, p = t.end_s, t.vacuum
    low = stretch + int(np.argmin(p[stretch : k + 1]))
    level = median(p[max(stretch, low - 2) : min(low + 2, k) + 1].tolist())
    near = 1.0 + max(HALT_NEAR[0] - 1.0, HALT_NOISES * float(t.scatter[k]), RISEN_QUANTA * float(t.quantum[k]) / level)
    begin = max(stretch, low - HALT_TICKS)
    highest = np.maximum.accumulate(p[begin : low + 1][::-1])  # so far, on the way back from its low
    if near > HALT_NEAR[1] or not highest[-1] > HALT_AT[0] * level:
        return None
    steps = np.array([*HALT_AT, HALT_LAST, near])
    under = low + 1 - highest.searchsorted(steps * level, side="right")  # from there on it stayed under each
    last = int(under[-1])
    if not (rose or at[k] - at[last] >= HALTED_S):
        return None
    apart = np.diff(at[under[0] - 1 : low + 1])
    if apart.max() > GAP_S:
        return None
    above, since = p[under - 1], at[under - 1]
    when = since + np.log(above / (steps * level)) / np.log(above / p[under]) * (at[under] - since)
    lag = float(((when[1:4] - when[:3]) / HALT_LAGS).min())
    ended = (when[5] - when[3]) / math.log((HALT_AT[3] - 1.0) / (near - 1.0))
    took, fallen_by = when[1:] - when[:-1], np.log(steps[:-1] / steps[1:])
    pulled = bool((took[:-1] / fallen_by[:-1] <= HALT_QUICKENS * took[1:] / fallen_by[1:]).all())
    if not pulled or not ended < HALT_SHARE * lag:
        return None
    tick = median(apart.tolist())
    sudden = took[-1] <= HALT_SLOWS * took[-2] * fallen_by[-1] / fallen_by[-2] + tick
    seen = when[3] - when[0] >= HALT_LEAST * tick
    stood = rose or at[k] - at[last] >= max(HALTED_S, HALTED_LAGS * lag)
    return last if seen and stood and sudden else None


def left_its_low(t: Ticks, k: int, stretch: int, low: int) -> int:
    """Return the tick at which the pressure began to rise: the bend of two lines through the readings about its low.

    A steep rise leaves the low at once; a slow one comes out of the noise late, and the bend tells when it began.
    """
    p = t.vacuum
    recent = p[max(stretch, k - 40) : k + 1]
    limit = recent.min() * (1.0 + max(LEFT, LEFT_NOISES * float(t.scatter[k])))
    out = int(k - len(recent) + 1 + np.flatnonzero(recent <= limit)[-1])
    end = min(k, out + max(8, out - low))
    begin = max(stretch, low - BEND_TICKS)
    above = np.flatnonzero(p[begin : low + 1] > BEND_SPAN * p[low])
    begin += int(above[-1]) + 1 if len(above) else 0
    at, level = t.end_s[begin : end + 1], t.raw[begin : end + 1]
    bends = range(max(begin + 2, low - BEND_TICKS // 2), min(out, end - 2) + 1)
    if len(at) < 8 or not bends:
        return out
    left = []
    for bend in bends:
        away = at - t.end_s[bend]
        lines = np.column_stack([np.ones_like(away), np.minimum(away, 0.0), np.maximum(away, 0.0)])
        fit, *_ = np.linalg.lstsq(lines, level, rcond=None)
        left.append(float(np.sum((level - lines @ fit) ** 2)))
    return bends[int(np.argmin(left))]


def shut_at_pump(t: Ticks, k: int, stretch: int) -> int | None:
    """Return the tick at which the valve was closed by the pump's gauge, None where that shows nothing.

    Without gas to pump its gauge falls within a minute or two, while the circuit, no longer pumped, does not fall.
    While it pumps, its gauge falls with the circuit: at most with the square of the pressure, as a hose's viscous flow.
    """
    at, p, pump = t.end_s, t.vacuum, t.pump
    if not pump[k] <= math.sqrt(PUMP_SHARE) * p[k] or p[k] > PULLED_BELOW_PA:
        return None
    begin, old, half, new = at.searchsorted(at[k] - STEP_S).tolist()
    if begin < stretch or old - begin < 2:
        return None
    if not pump[new : k + 1].min() <= PUMP_FALLEN * pump[begin:old].max():  # nor where either is blank
        return None
    was, now = median(pump[begin:old].tolist()), median(pump[new : k + 1].tolist())
    lost = median(t.raw[old : half + 1].tolist()) / median(t.raw[new : k + 1].tolist()) - 1.0
    still = lost <= max(STILL, STILL_NOISES * float(t.scatter[k]), float(t.quantum[k] / p[k]))
    pulled = (median(p[new : k + 1].tolist()) / median(p[begin:old].tolist())) ** 2
    if not still or now > PUMP_FALLEN * was * min(1.0, pulled) or now > PUMP_SHARE * p[k]:
        return None
    return int(old + np.argmax(pump[old : k + 1] < math.sqrt(was * now)))


def fallen(t: Ticks, k: int, peak: int) -> bool:
    """Return whether the pressure fell from its recent peak as it does when the valve is opened."""
    p = t.vacuum
    share = max(FALLEN, FALLEN_NOISES * float(t.scatter[k]), RISEN_QUANTA * float(t.quantum[k] / p[peak]))
    limit = (1.0 - share) * p[peak]
    return bool(p[k] < limit and p[k - 1] < limit)
