"""Where a steady window begins and ends: the readings around it looked back upon, once it is known that it did.

Another stage of the compressor ends it too; where no load is logged the pressures show it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.bins import median_of
from analysis.startup.steadiness import (
    BIN_S,
    LEAST_PARTS,
    STEP_LAG_S,
    STEP_LEVEL_S,
    TOLERANCES,
    WINDOW_S,
    Course,
)

ONSET, SPREAD = 0.25, 0.5
"""A window is looked for, and ends, where a figure comes to, or leaves, what it does inside: by such a part of what
counts as away, and of what it does there."""
ARRIVES = 0.08
"""Once a window is found it begins where each figure came to what it does inside as nearly as this: what approaches a
level is still on its way before (0.1 K, common practice)."""
DEPARTS_S, DEPARTS_PART, DRIFTS = 900.0, 0.8, 2.0
"""How far is looked back for the moment it left, how much of what it did a jump or a line must explain, and by how many
times what may drift such a line must rise or fall."""
STEP_APART, STEP_ALONE = 0.01, 0.05
"""Another stage of a compressor moves suction and discharge pressure apart, or together, by such a part (some 0.3 K);
where one of them alone is read it must move by more, since water and weather move one as well (common practice)."""
STEP_NOISES, STEP_DRIFTS = 4.0, 3.0
"""By how many times their noise, and what they drifted before."""


def arrived(course: Course, since_s: float, k: int, *, nearly: bool = True) -> float:
    """Return from when on, after `since_s` [s], the figures do what they do in the last half window before bin `k`.

    Nearly, or else as closely as their noise lets it be told.
    """
    first, half = np.searchsorted(course.end_s, (since_s, course.end_s[k] - WINDOW_S / 2.0), side="right").tolist()
    margins = (SPREAD, ONSET) if nearly else (0.0, ARRIVES)
    beyond = np.flatnonzero(_beyond(course, slice(half, k + 1), slice(first, half), *margins))
    return float(course.end_s[first + beyond[-1]]) if len(beyond) else since_s


def left(course: Course, begin_s: float, k: int, lately_s: float = WINDOW_S) -> float:
    """Return when [s], in the last `lately_s` before bin `k`, the figures began to leave what they did before."""
    end_s = course.end_s
    until_s = max(begin_s + WINDOW_S, end_s[k] - lately_s)
    from_s = max(begin_s, until_s - 2.0 * WINDOW_S)
    first, last = np.searchsorted(end_s, (from_s, until_s), side="right").tolist()
    beyond = np.flatnonzero(_beyond(course, slice(first, last), slice(last, k + 1)))
    return float(end_s[last + beyond[0] if len(beyond) else k]) - BIN_S


def departed(course: Course, begin_s: float, means: Mapping[str, float], k: int) -> float | None:
    """Return when [s] the figure that is farthest away at bin `k` left its level, at once or along a line.

    It is where a level and then a jump, or a level and then a line, explain its last minutes best (least squares);
    None where neither explains nearly all, or the line is not surely steeper than what may drift.
    """
    first, end = course.bins(max(begin_s, course.end_s[k] - DEPARTS_S), course.end_s[k])
    apart = {name: abs(course.values[name][k] - mean) / TOLERANCES[name].departure for name, mean in means.items()}
    farthest = max(apart, key=lambda name: float(np.nan_to_num(apart[name])), default=None)
    if farthest is None or not course.running[k]:
        return None
    at, values = course.end_s[first:end], course.values[farthest][first:end]
    there = ~np.isnan(values)
    if there.sum() < LEAST_PARTS:
        return None
    last_s, next_s, rate, explained = _broke(at[there], values[there])
    if explained <= DEPARTS_PART:
        return None
    if rate is None:
        return next_s - BIN_S
    return last_s if abs(rate) * WINDOW_S > DRIFTS * TOLERANCES[farthest].drift else None


def load_step(course: Course, k: int, since_s: float) -> float | None:
    """Return when the compressor took another stage that no load shows, by its pressures; None where it did not [s].

    Looks four minutes back from bin `k`, never before `since_s`, and must move more than all of it drifted in as many
    before.
    """
    then_s = course.end_s[k] - STEP_LAG_S
    if not course.levels or then_s - STEP_LEVEL_S < since_s - BIN_S / 2.0:
        return None
    least = STEP_APART if len(course.levels) > 1 else STEP_ALONE
    moved = []
    for (level, error), minutes in zip(course.levels, course.minutes, strict=True):
        now, was, before = minutes[:, k].tolist()
        step, noise = now - was, float(error[k])
        if not all(abs(step) > limit for limit in (least, STEP_NOISES * noise, STEP_DRIFTS * abs(was - before))):
            return None
        moved.append((step, noise, level))
    if len(moved) > 1 and moved[0][0] * moved[1][0] > 0.0:
        return None  # water and weather move both one way
    _, _, level = max(moved, key=lambda one: abs(one[0]) / max(one[1], 1e-9))  # it shows it best
    first, _ = course.bins(then_s - STEP_LEVEL_S, then_s)
    at, values = course.end_s[first : k + 1], level[first : k + 1]
    there = ~np.isnan(values)
    return _broke(at[there], values[there])[0]


def _broke(at: np.ndarray, values: np.ndarray) -> tuple[float, float, float | None, float]:
    """Return when `values` left a level: the last time at it, the next one, how fast along a line (None: at once), and
    the part of their movement that this explains (least squares)."""
    apart = values - np.mean(values)
    after = np.maximum(at - at[:-1, None], 0.0)
    ways = np.concatenate([after, after > 0.0])
    ways -= ways.mean(axis=1, keepdims=True)
    rates = ways @ apart / (ways**2).sum(axis=1)
    explained = rates * (ways @ apart)
    best = int(np.argmax(explained))
    jumped, last = divmod(best, len(at) - 1)
    part = float(explained[best]) / max(float(apart @ apart), 1e-30)
    return float(at[last]), float(at[last + 1]), None if jumped else float(rates[best]), part


def _beyond(course: Course, inside: slice, part: slice, spread: float = SPREAD, onset: float = ONSET) -> np.ndarray:
    """Return for each bin of `part` whether a figure lies beyond all that it does over `inside`, by a margin.

    The margin is the part `spread` of what it does there, and no less than the part `onset` of what counts as away.
    """
    beyond = np.zeros(max(part.stop - part.start, 0), dtype=bool)
    for name, figure in course.values.items():
        within = figure[inside][~np.isnan(figure[inside])]
        if len(within) == 0:
            continue
        low, high = float(np.min(within)), float(np.max(within))
        own = median_of(course.noises[name][inside])
        margin = max(spread * (high - low), onset * TOLERANCES[name].departure, 3.0 * own)
        beyond |= (figure[part] > high + margin) | (figure[part] < low - margin)
    return beyond
