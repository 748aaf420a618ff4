"""What is known of a stall at a moment, gathered for `cause`."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from analysis.evacuation.cause import Evidence
from analysis.evacuation.story import Stall, Story
from analysis.evacuation.ticks import Ticks

EXPECTED_SHARE = 0.4
"""Hose and pump lose speed towards the floor: closed, a stall by inflow grows by at least this share of the pace."""
PACE_ABOVE = 1.5, 4.0
"""The pull's pace is taken between these multiples of the level: further up a hose lets ten times as much through."""
BLANK_FIRST_S = 90.0
OIL_PROVED_S = 600.0
"""After so long on fresh oil the level is what that oil gives."""


def evidence_of(
    t: Ticks,
    story: Story,
    stall: Stall,
    k: int,
    pumping_from: int | None,
    pump_share: Callable[[float], float],
    oil_helped: bool | None = None,
) -> Evidence:
    """Return what tick `k` and those before say of a stall.

    Parameters
    ----------
    pumping_from : first tick of this pumping, None while the valve is closed.
    pump_share : pressure at the pump over a level that inflow holds up, NaN where pump and hose are not stated.
    oil_helped : where it is known already.
    """
    begin = story.pull_starts[stall.pull]
    at, rises, pump_closed = t.end_s, [], math.nan
    per_s = EXPECTED_SHARE * _pull_speed(t, begin, k, stall)
    for closed in story.closeds:
        if closed.first < begin or closed.hold or closed.rise is None:
            continue
        grown = closed.rise.end_pa / closed.level_pa - 1.0
        if closed.sure or closed.rise.kind in ("leak", "moisture") or grown > 0.3:
            rises.append((closed.rise, per_s * closed.rise.seconds, grown))
        shut = (at > closed.begin_s + 60.0) & (at <= (at[k] if closed.end_s is None else closed.end_s))
        inside = t.pump[shut & (np.arange(len(at)) <= k)]
        inside = inside[np.isfinite(inside)]
        if len(inside) >= 4:
            pump_closed = float(np.median(inside)) / closed.level_pa
    window = slice(max(stall.since, k - 40), k + 1)
    ratio = t.pump[window] / t.vacuum[window]
    ratio = ratio[np.isfinite(ratio)]
    if oil_helped is None and _same_after_oil(t, story, stall, k, pumping_from):
        oil_helped = False
    return Evidence(
        level_pa=stall.level_pa,
        coldest_k=float(t.coldest[k]),
        warmest_k=float(t.warmest[k]),
        rises=tuple(rises[-2:]),
        pump_open=float(np.median(ratio)) if len(ratio) >= 4 and pumping_from is not None else math.nan,
        pump_expected=pump_share(stall.level_pa),
        pump_closed=pump_closed,
        oil_helped=oil_helped,
        trend_per_min=stall.trend_per_min,
        crept=any(_crept(t, story, earlier) for earlier in story.stalls if earlier.pull == stall.pull),
    )


def _crept(t: Ticks, story: Story, stall: Stall) -> bool:
    """Return whether a stall cleared though no valve was moved and no oil changed since it began."""
    if stall.cleared is None:
        return False
    done = [*story.oil_changes, *(closed.begin_s for closed in story.closeds)]
    return not any(t.end_s[stall.since] <= when <= t.end_s[stall.cleared] for when in done)


def _pull_speed(t: Ticks, begin: int, k: int, stall: Stall) -> float:
    """Return the quickest fall of ln(pressure) per second in the pull, a little above the stalled level.

    Where the probe came into its range only at that level: a floor takes some time constants to reach, so the pace
    was at least one e-fold in that time. 0 when the log begins there.
    """
    p, at = t.vacuum[begin : k + 1], t.end_s[begin : k + 1]
    if len(p) >= 5:
        fall = (np.log(p[:-4]) - np.log(p[4:])) / (at[4:] - at[:-4])
        near = (p[:-4] > PACE_ABOVE[0] * stall.level_pa) & (p[:-4] < PACE_ABOVE[1] * stall.level_pa)
        if near.any():
            return float(max(0.0, fall[near].max()))
    began = 0.0 if begin == 0 else float(t.end_s[begin - 1])
    blank = float(t.end_s[begin]) - began
    return 1.0 / float(t.end_s[stall.since] - began) if blank > BLANK_FIRST_S else 0.0


def _same_after_oil(t: Ticks, story: Story, stall: Stall, k: int, pumping_from: int | None) -> bool:
    """Return whether, ten minutes into pumping on fresh oil, the level is where it was."""
    at = t.end_s
    changed = [when for when in story.oil_changes if when > float(at[stall.since])]
    if not changed or pumping_from is None or at[pumping_from] < changed[-1] - OIL_PROVED_S:
        return False
    begun = max(float(at[pumping_from]), changed[-1])
    return bool(at[k] - begun >= OIL_PROVED_S and t.vacuum[k] > 0.9 * stall.level_pa)
