"""What is known of a stall at a moment, gathered for `cause`."""

from __future__ import annotations

import math

import numpy as np

from analysis.bins import median_of
from analysis.evacuation.cause import SHORT_OF, Evidence
from analysis.evacuation.pump import Pump
from analysis.evacuation.rise import SETTLE_MOST_S, Rise
from analysis.evacuation.story import Closed, Stall, Story
from analysis.evacuation.ticks import Ticks

EXPECTED_SHARE = 0.4
"""Hose and pump lose speed towards the floor: closed, a stall by inflow grows by at least this share of the pace."""
PACE_ABOVE = 1.5, 4.0
"""The pull's pace is taken between these multiples of the level: further up a hose lets ten times as much through."""
PUMP_ABOVE = 2.5, 8.0
"""The pump's share of the pressure, while there is gas to pump, is that between these multiples of the level."""
SWEPT = 20.0
"""What is closed so far over the level stands under a sweep's gas: how that goes tells nothing of the stall."""
GAVE_WAY = 1.5
"""Where a stall gave way, a rise so many times above the level that stands now told of what is gone."""
LET_IN = 1.5
"""What flows in by itself lifts a closed level no faster than the pump drew it down; this allows for the hose."""
LEAST_TICKS = 4
ALONE_S = 60.0, 360.0
"""When a closed valve's pump shows what it reaches by itself: later the valve may be open before anybody can see it."""
STANDS_STILL = 1.3
"""A pump pulls no higher than to the level that it held: so far above it stands still, or its gauge is elsewhere."""
OIL_PROVED_S, SAME_AFTER = 600.0, 0.9
"""After so long on fresh oil the level is what that oil gives; it helped where that is under such a share of before."""


def evidence_of(
    t: Ticks,
    story: Story,
    stall: Stall,
    k: int,
    pumping_from: int | None,
    pump: Pump,
    oil_helped: bool | None,
) -> Evidence:
    """Return what tick `k` and those before say of a stall.

    Parameters
    ----------
    pumping_from : first tick of this pumping, None while the valve is closed.
    oil_helped : where it is known already.
    """
    begin = story.pull_starts[stall.pull]
    at, rises, pump_closed = t.end_s, [], math.nan
    gave_way = max((s.cleared for s in story.stalls if s.pull == stall.pull and s.cleared is not None), default=begin)
    pace, quickest = _pull_speed(t, begin, k, stall, PACE_ABOVE[1]), _pull_speed(t, begin, k, stall, math.inf)
    followed = _followed(t, begin, k, stall, quickest)
    # water that boils slows the pull down long before it stops
    stated = pump.changes_per_s * pump.share(stall.level_pa)
    per_s = EXPECTED_SHARE * (max(pace, min(quickest, stated)) if np.isfinite(stated) else pace)
    for closed in story.closeds:
        if closed.first < begin or closed.hold or closed.rise is None or closed.level_pa > SWEPT * stall.level_pa:
            continue
        if 0 < begin == closed.first or (followed and _let_in(closed, closed.rise, quickest)):
            continue  # a sweep's gas, too
        if closed.first < gave_way and closed.level_pa > GAVE_WAY * stall.level_pa:
            continue  # of what held up an earlier stall
        grown = closed.rise.end_pa / closed.level_pa - 1.0
        expected = per_s * closed.rise.seconds * stall.level_pa / closed.level_pa
        short = grown + closed.rise.most_risen < SHORT_OF * expected
        if closed.sure or (not short and (closed.rise.kind in ("leak", "moisture") or grown > 0.3)):
            rises.append((closed.rise, expected, grown))  # else the level may stand only since it was closed
        until = [closed.begin_s + ALONE_S[1], at[k] if closed.end_s is None else closed.end_s]
        until += [when for when in story.pump_stopped if when >= closed.begin_s]
        alone = slice(*at.searchsorted([closed.begin_s + ALONE_S[0], min(until)], side="right"))
        inside = t.pump[alone]
        inside = inside[np.isfinite(inside)][:LEAST_TICKS]  # before the oil is changed
        if len(inside) == LEAST_TICKS and closed.sure:
            share = median_of(inside) / closed.level_pa
            pump_closed = share if share < STANDS_STILL else math.nan
    if oil_helped is None and _same_after_oil(t, story, stall, k, pumping_from):
        oil_helped = False
    return Evidence(
        level_pa=stall.level_pa,
        coldest_k=float(t.coldest[k]),
        warmest_k=float(t.warmest[k]),
        rises=tuple(rises[-2:]),
        pump_open=_pump_share(t, max(stall.since, k - 40), k + 1) if pumping_from is not None else math.nan,
        pump_expected=pump.share(stall.level_pa),
        pump_pull=_pump_share(t, begin, stall.since, *(times * stall.level_pa for times in PUMP_ABOVE)),
        pump_closed=pump_closed,
        oil_helped=oil_helped,
        crept=any(_crept(t, story, earlier) for earlier in story.stalls if earlier.pull == stall.pull),
    )


def _let_in(closed: Closed, rise: Rise, pace: float) -> bool:
    """Return whether a closed level was lifted at once by more than what a pump that drew at a pace [1/s] held up."""
    foot_pa = rise.end_pa if rise.kind == "flat" else rise.foot_pa
    return foot_pa > closed.level_pa * (1.0 + LET_IN * pace * SETTLE_MOST_S)


def _pump_share(t: Ticks, first: int, end: int, least_pa: float = 0.0, most_pa: float = math.inf) -> float:
    """Return the pressure at the pump over that of the circuit in the ticks at which this was between two levels.

    NaN where it was hardly read.
    """
    vacuum = t.vacuum[first:end]
    ratio = (t.pump[first:end] / vacuum)[(vacuum > least_pa) & (vacuum < most_pa)]
    ratio = ratio[np.isfinite(ratio)]
    return median_of(ratio) if len(ratio) >= LEAST_TICKS else math.nan


def _crept(t: Ticks, story: Story, stall: Stall) -> bool:
    """Return whether a stall cleared though no valve was moved and no oil changed since it began."""
    if stall.cleared is None:
        return False
    done = [*story.oil_changes, *(closed.begin_s for closed in story.closeds)]
    return not any(t.end_s[stall.since] <= when <= t.end_s[stall.cleared] for when in done)


def _pull_speed(t: Ticks, begin: int, k: int, stall: Stall, most: float) -> float:
    """Return the quickest fall of ln(pressure) per second in the pull, above the stalled level by up to `most` times.

    0 where that was not seen.
    """
    at = t.end_s[begin : k + 1]
    above = np.log(np.clip(t.vacuum[begin : k + 1] / stall.level_pa, PACE_ABOVE[0], most))
    return float(((above[:-4] - above[4:]) / (at[4:] - at[:-4])).max(initial=0.0))


def _followed(t: Ticks, begin: int, k: int, stall: Stall, pace: float) -> bool:
    """Return whether a pull to a stalled level was seen for long enough to tell its quickest pace [1/s].

    That takes twice the time over which it is measured; what fell sooner may have fallen quicker.
    """
    at = t.end_s[begin : k + 1]
    fallen = math.log(max(float(t.vacuum[begin : stall.since + 1].max()) / stall.level_pa, 1.0) / PACE_ABOVE[0])
    return len(at) > LEAST_TICKS and fallen > 2.0 * pace * float(np.median(at[4:] - at[:-4]))


def _same_after_oil(t: Ticks, story: Story, stall: Stall, k: int, pumping_from: int | None) -> bool:
    """Return whether, ten minutes into pumping on fresh oil, the level is where it was."""
    at = t.end_s
    changed = [when for when in story.oil_changes if when > float(at[stall.since])]
    if not changed or pumping_from is None or at[pumping_from] < changed[-1] - OIL_PROVED_S:
        return False
    begun = max(float(at[pumping_from]), changed[-1])
    return bool(at[k] - begun >= OIL_PROVED_S and t.vacuum[k] > SAME_AFTER * stall.level_pa)
