"""Where a steady window begins and ends: the readings around it looked back upon, once it is known that it did."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.steadiness import BIN_S, LEAST_PARTS, TOLERANCES, WINDOW_S, Course

ONSET = 0.25
"""A window begins and ends where a figure comes to, or leaves, what it does inside: by this part of what counts as
away."""
CALM_S = 100.0
"""It was not leaving yet where all stood at it for longer than this; a swing passes it sooner."""
DEPARTS_S, DEPARTS_PART, DRIFTS = 900.0, 0.8, 2.0
"""How far is looked back for the moment it left, how much of what it did a jump or a line must explain, and by how many
times what may drift such a line must rise or fall."""


def arrived(course: Course, since_s: float, k: int) -> float:
    """Return from when on, after `since_s`, the figures do what they do in the last half window before bin `k`."""
    first, half = np.searchsorted(course.end_s, (since_s, course.end_s[k] - WINDOW_S / 2.0), side="right").tolist()
    beyond = np.flatnonzero(_beyond(course, slice(half, k + 1), slice(first, half)))
    return float(course.end_s[first + beyond[-1]]) if len(beyond) else since_s


def left(course: Course, begin_s: float, k: int, lately_s: float = WINDOW_S) -> float:
    """Return when, in the last `lately_s` before bin `k`, the figures began to leave what they did before."""
    end_s = course.end_s
    until_s = max(begin_s + WINDOW_S, end_s[k] - lately_s)
    from_s = max(begin_s, until_s - 2.0 * WINDOW_S)
    first, last = np.searchsorted(end_s, (from_s, until_s), side="right").tolist()
    beyond = _beyond(course, slice(first, last), slice(last, k + 1))
    began = k
    for j in (last + np.flatnonzero(beyond)[::-1]).tolist():
        if end_s[began] - end_s[j] > CALM_S:
            break
        began = j
    return float(end_s[began]) - BIN_S


def departed(course: Course, begin_s: float, means: Mapping[str, float], k: int) -> float | None:
    """Return when the figure that is farthest away at bin `k` left its level, at once or along a line.

    It is where a level and then a jump, or a level and then a line, explain its last minutes best (least squares);
    None where neither explains nearly all, or the line is not surely steeper than what may drift.
    """
    first, end = course.bins(max(begin_s, course.end_s[k] - DEPARTS_S), course.end_s[k])
    apart = {name: abs(course.values[name][k] - mean) / TOLERANCES[name].departure for name, mean in means.items()}
    farthest = max(apart, key=lambda name: float(np.nan_to_num(apart[name])), default=None)
    if farthest is None or not course.running[k]:
        return None
    values = course.values[farthest][first:end]
    there = ~np.isnan(values)
    at, values = course.end_s[first:end][there], values[there] - np.mean(values[there])
    after = np.maximum(at - at[:-1, None], 0.0)
    ways = np.concatenate([after, after > 0.0])
    ways -= ways.mean(axis=1, keepdims=True)
    rates = ways @ values / (ways**2).sum(axis=1)
    explained = rates * (ways @ values)
    best = int(np.argmax(explained)) if len(explained) else 0
    if len(at) < LEAST_PARTS or explained[best] <= DEPARTS_PART * float(values @ values):
        return None
    jumped, last = divmod(best, len(at) - 1)  # the last bin at the level
    if jumped:
        return float(at[last + 1]) - BIN_S
    return float(at[last]) if abs(rates[best]) * WINDOW_S > DRIFTS * TOLERANCES[farthest].drift else None


def _beyond(course: Course, inside: slice, part: slice) -> np.ndarray:
    """Return for each bin of `part` whether a figure lies beyond all that it does over `inside`, by a margin."""
    beyond = np.zeros(max(part.stop - part.start, 0), dtype=bool)
    for name, figure in course.values.items():
        within = figure[inside][~np.isnan(figure[inside])]
        if len(within) == 0:
            continue
        low, high = float(np.min(within)), float(np.max(within))
        own = float(np.median(course.noises[name][inside]))
        margin = max(0.5 * (high - low), ONSET * TOLERANCES[name].departure, 3.0 * own)
        beyond |= (figure[part] > high + margin) | (figure[part] < low - margin)
    return beyond
