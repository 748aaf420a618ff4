"""When the machine pulls and when it stands: from the marks, the scale and the pressure together.

A pause that nobody marked shows as a mass rate of nothing with a pressure that no longer falls, or as a
pressure that rises. What is said of a tick uses nothing after it, so a pause is known a little after it began.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from analysis.recovery.ticks import Floats, Ticks

LOOK_S = 90.0
"""Signals are compared over this time."""
HOSE_S = 45.0
"""Hose drop is gone and the gauge at rest this long after the machine stopped; common practice."""
RISE = 0.015
"""A rise of this share within `LOOK_S` does not happen while a machine pulls."""
SLOW_S = 600.0
"""Twice that rise within this time does not happen either."""
WARMS_S = 900.0
"""So long water warms a pool once it flows again; common practice."""
FALL = 0.008
"""A fall of this share within `LOOK_S` does not happen while it stands."""
KINK_S, LONG_KINK_S, KINK_FALL, KINK_LEFT = 150.0, 600.0, 0.02, 0.1
"""A fall that goes on for twice one of these times and then drops to this share of what was expected, was stopped."""
HIGHEST_S = 600.0
"""Flow is what exceeds the highest mass of this time."""
CREEP_KG = 0.05
"""What a standing load may gain within `LOOK_S` by the scale's own creep and a hose that warms; common practice."""
TRICKLE_KG = 0.03
"""A load that stands gains less than this by drift within `SLOW_S`; common practice."""
AT_ONCE_S, STOOD_S, LEAP = 30.0, 120.0, 0.008
"""A leap comes within the first of these times, after a pressure that stood for the second: no gas warms by the 2 K
that would raise it by this share; common practice."""
STEADIER = 0.25
"""Before the leap the pressure changed, and after it rises on, by less than this share of it; common practice."""
STILL = 0.08
"""The mass rate of a machine that stands is under this share of what it lately did."""


@dataclass(frozen=True)
class Pause:
    """One pause, by tick numbers: begun at `begin_s`, known at tick `first`, last tick `last`.

    `base` is the first tick at which hose and gauge are at rest, None when the pause was shorter.
    """

    begin_s: float
    first: int
    last: int
    base: int | None
    over: bool
    marked: bool


@dataclass(frozen=True)
class Pull:
    """One stretch of pulling: ticks `first` to `last`."""

    first: int
    last: int


def before(at_s: Floats, back_s: float) -> np.ndarray:
    """Return for each tick the number of the newest tick at least `back_s` older, -1 where there is none."""
    return np.asarray(np.searchsorted(at_s, at_s - back_s + 1e-6, side="right") - 1)


def leaps(ticks: Ticks) -> np.ndarray:
    """Return at which ticks the pressure has just leapt from where it stood, shape (n,) of bool."""
    near, far = (before(ticks.at_s, back_s) for back_s in (AT_ONCE_S, AT_ONCE_S + STOOD_S))
    rose, changed = ticks.pressure_pa - ticks.pressure_pa[near], ticks.pressure_pa[near] - ticks.pressure_pa[far]
    return np.asarray((far >= 0) & (rose > least_leap(ticks)) & (np.abs(changed) < STEADIER * rose))


def least_leap(ticks: Ticks) -> Floats:
    """Return by how much a pressure leaps at each tick at least [Pa], shape (n,)."""
    near = before(ticks.at_s, AT_ONCE_S)
    return np.asarray(np.maximum(LEAP * ticks.pressure_pa[near], 3.0 * ticks.resolution_pa))


def smoothed(ticks: Ticks) -> Floats:
    """Return the pressure without single wild ticks: median of the last half minute [Pa], shape (n,)."""
    series = pd.Series(ticks.pressure_pa, index=pd.to_timedelta(ticks.at_s, unit="s"))
    return np.asarray(series.rolling("35s").median(), dtype=float)


def standing(ticks: Ticks) -> np.ndarray:
    """Return which ticks the machine stood at, as known at each tick, shape (n,) of bool."""
    n = len(ticks)
    past = before(ticks.at_s, LOOK_S)
    old = np.maximum(past, 0)
    some = (past >= 0) & (ticks.at_s - ticks.at_s[old] < 6 * LOOK_S)
    resolution = 2.0 * ticks.resolution_pa
    pressure = smoothed(ticks)
    change = pressure - pressure[old]
    rises = some & (change > np.maximum(RISE * pressure[old], resolution))
    # a pause that was marked is given up only for a fall that no gauge and no cooling explains
    sure = np.where(ticks.marked == 1.0, 2.0, 1.0)
    falls = some & (change < -sure * np.maximum(FALL * pressure[old], resolution))
    while_ago = np.maximum(before(ticks.at_s, SLOW_S), 0)
    slowly = pressure - pressure[while_ago]
    scale = np.isfinite(ticks.moved_kg) & np.isfinite(ticks.moved_kg[old])
    moved = ticks.moved_kg - ticks.moved_kg[old]
    # without a scale: water that flows again warms a chilled pool, and the pressure rises while the machine pulls
    chilled = np.maximum.accumulate(np.where(ticks.flow == 0.0, ticks.at_s, -np.inf))
    lowest = pd.Series(ticks.pressure_pa, index=pd.to_timedelta(ticks.at_s, unit="s")).rolling(f"{SLOW_S:.0f}s").min()
    risen = ticks.pressure_pa - lowest.to_numpy(dtype=float) > resolution
    warms = ~scale & risen & (ticks.flow != 0.0) & (ticks.at_s - chilled <= WARMS_S)
    # a number that flickers is no flow: what comes over exceeds what stood there; a scale creeps by some grams under
    # a hose, and a pause that was marked is not given up for that
    stood = pd.Series(ticks.moved_kg, index=pd.to_timedelta(ticks.at_s, unit="s")).rolling(f"{HIGHEST_S:.0f}s").max()
    above = ticks.moved_kg - stood.to_numpy(dtype=float)[old]
    some_mass = scale & some & (above > 2.0 * ticks.mass_resolution_kg + np.where(ticks.marked == 1.0, CREEP_KG, 0.0))
    longer = before(ticks.at_s, 5 * LOOK_S)
    lately = np.where(longer >= 0, ticks.moved_kg[old] - ticks.moved_kg[np.maximum(longer, 0)], np.nan) / 4.0
    # a trickle exceeds what stood there only after a while
    gained = ticks.moved_kg - ticks.moved_kg[while_ago]
    trickle = scale & (while_ago > 0) & (gained > 4.0 * ticks.mass_resolution_kg + TRICKLE_KG)
    # what came back in a pause is still above what it was before, while it is drawn again; not where nothing came over
    steps = np.where(scale & (while_ago > 0) & (gained < TRICKLE_KG), 1.0, 2.0)
    rises |= some & ~falls & (slowly > np.maximum(2.0 * RISE * pressure, steps * resolution))
    no_mass = some & (moved < np.maximum(STILL * lately, 0.0)) & (lately > 4.0 * ticks.mass_resolution_kg)
    fell_from_s = np.where(warms, -np.inf, np.maximum(_kink(ticks, KINK_S), _kink(ticks, LONG_KINK_S))).tolist()
    stands = np.zeros(n, dtype=bool)
    now = False
    mark = np.nan
    marked = ticks.marked.tolist()
    pulls_on = (falls | some_mass).tolist()
    trickles = (trickle & (ticks.marked != 1.0)).tolist()
    stops = ((rises & ~some_mass & ~warms) | (no_mass & ~falls)).tolist()
    since_stop = -1.0
    at = ticks.at_s.tolist()
    for k in range(n):
        if marked[k] == marked[k] and marked[k] != mark:
            now = marked[k] == 1.0
            since_stop = at[k]
            mark = marked[k]
        elif now and (
            (pulls_on[k] and at[k] - since_stop > LOOK_S + 30.0)
            or (trickles[k] and at[k] - since_stop > SLOW_S + LOOK_S)
        ):
            now = False
            since_stop = at[k]
        elif (
            not now
            and at[k] - since_stop > LOOK_S + 30.0
            and (stops[k] or (fell_from_s[k] >= since_stop and not pulls_on[k]))
        ):
            now = True
            since_stop = at[k]
        stands[k] = now
    return stands


def _kink(ticks: Ticks, long_s: float) -> Floats:
    """Return since when a pressure fell steadily that has stopped at once, `long_s` ago [s], else -inf, shape (n,)."""
    near, middle, far = (before(ticks.at_s, times * long_s) for times in (1.0, 2.0, 3.0))
    i, h, j = np.maximum(near, 0), np.maximum(middle, 0), np.maximum(far, 0)
    log = np.log(ticks.pressure_pa)
    mean = (log[j] - log[i]) / np.maximum(ticks.at_s[i] - ticks.at_s[j], 1.0) * (ticks.at_s - ticks.at_s[i])
    # a fall towards the level at which as much boils as is drawn slows down by equal shares: it has not stopped at once
    earlier, later = log[j] - log[h], log[h] - log[i]
    expected = mean * np.clip(later / np.maximum(earlier, 1e-9), 0.0, 1.0)
    least = np.maximum(KINK_FALL, 3.0 * ticks.resolution_pa / ticks.pressure_pa)
    whole = (far >= 0) & (ticks.at_s - ticks.at_s[j] < 5.0 * long_s)
    steady = np.minimum(earlier, later) > 0.5 * mean
    stopped = whole & steady & (mean > least) & (log[i] - log < KINK_LEFT * expected)
    return np.where(stopped, ticks.at_s[j], -np.inf)


def split(ticks: Ticks, stands: np.ndarray) -> tuple[list[Pause], list[Pull]]:
    """Return the pauses and the pulls in order of time."""
    n = len(ticks)
    pauses: list[Pause] = []
    pulls: list[Pull] = []
    if n == 0:
        return pauses, pulls
    turns = np.diff(stands.astype(int)) != 0
    # a pause that is marked begins with its mark, whatever the signals let one think before
    turns |= (ticks.marked[1:] == 1.0) & (ticks.marked[:-1] == 0.0)
    edges = [0, *(np.flatnonzero(turns) + 1).tolist(), n]
    for first, end in pairwise(edges):
        if not stands[first]:
            pulls.append(Pull(first, end - 1))
            continue
        begin = _begin(ticks, first)
        base = max(int(np.searchsorted(ticks.at_s, begin + HOSE_S)), first)
        pauses.append(Pause(begin, first, end - 1, base if base < end else None, end < n, _is_marked(ticks, first)))
    return pauses, pulls


def _is_marked(ticks: Ticks, first: int) -> bool:
    """Return whether a pause known at tick `first` is the marked one: the machine may have run again without a mark."""
    return bool(ticks.marked[first] == 1.0 and (first == 0 or ticks.marked[first - 1] != 1.0))


def _begin(ticks: Ticks, first: int) -> float:
    """Return when a pause that became known at tick `first` began: its mark, else when the pressure had come down.

    From then on it stood no higher above its lowest than the gauge's noise explains. Where it has risen since, the
    pause began no earlier than the rise: before that as much may have boiled as was drawn. Nor did it begin while the
    scale still gained, or before the last mark.
    """
    if _is_marked(ticks, first):
        return float(ticks.marked_s[first])
    start = int(np.searchsorted(ticks.at_s, np.fmax(ticks.at_s[first] - SLOW_S - 15.0, ticks.marked_s[first])))
    to_come = ticks.moved_kg[first] - ticks.moved_kg[start:first]
    gained = np.flatnonzero(to_come > 2.0 * ticks.mass_resolution_kg[first] + CREEP_KG)
    start += int(gained[-1]) if len(gained) else 0
    lowest = start + int(np.argmin(ticks.pressure_pa[start : first + 1]))
    least, noise = ticks.pressure_pa[lowest], ticks.resolution_pa[lowest]
    if ticks.pressure_pa[first] > least + 2.0 * noise:
        return float(ticks.at_s[lowest + np.flatnonzero(ticks.pressure_pa[lowest:first] <= least + noise)[-1]])
    above = ticks.pressure_pa[start:lowest] > least + 2.0 * noise
    return float(ticks.at_s[start + np.flatnonzero(above)[-1] + 1 if above.any() else lowest])
