"""A closed circuit at a moment: which readings surely belong to it, its level, and what its rise shows."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import median

import numpy as np

from analysis.evacuation.alive import seen_alive
from analysis.evacuation.rise import Rise, judge_rise
from analysis.evacuation.story import Closed
from analysis.evacuation.ticks import BIN_S, GAP_S, Ticks
from analysis.evacuation.valve import FALLEN_NOISES, RISEN_QUANTA

LEVEL_S, LEVEL_TICKS = 300.0, 4
"""The level in a hold is that of a line through these last seconds and at least so many ticks."""
HOLD_UNSEEN, HOLD_UNSEEN_LOWER, HOLD_FALLEN = 0.5, 0.2, 0.15
"""A hold of which a greater share was not seen shows no closed valve, the second where the pressure was lower after a
gap or nothing came after it; nor does one in which it fell by more than the last."""
SEEN_SHARE, SEEN_PA = 1.25, 1.5
"""A hold that nobody marked and that began at a floor is believed from a rise above this many times its start and so
many pascal."""
SURE_AT_ONCE = 0.97
SETTLED_S, SETTLED_TICKS = 90.0, 3
"""After closing a gauge goes on falling for as long as it lags, and the medians of slow rows with it."""
FALLEN_S, FALLEN_ERRORS = 180.0, 1.5
"""A slope over these last seconds, so many errors below nothing, may be the beginning of a fall."""
PULL_TICKS = 4
"""The pace of the pull when the valve was closed is that of so many ticks before."""
OPENING_S = 90.0
"""A valve that opens shows so late, with a slow gauge."""
SHOOTS_UP = 1.05
"""What rises so from reading to reading is not being pumped."""
RISEN_PER_H, RISEN_ERRORS, RISEN_EVENLY = 0.03, 4.0, 0.4
"""What a closed circuit takes in shows from the first minute, evenly or slower and slower: halfway through it has risen
by about half, and by no less than the last. A pump's floor wanders with the room, by the first an hour (common
practice)."""
STOOD = 0.2
"""A level that rose by less than this share of its later rate stood."""


def look_at(t: Ticks, closed: Closed, k: int) -> None:
    """Put into a closed stretch what its rise shows by tick `k`, nothing while it is too short.

    A kind that differs from the one before is believed at once only when it is sure, else when it comes again.
    """
    last, fell = _still_closed(t, closed, k, 0.0)
    rise = _rise_until(t, closed, last)
    if rise is None or rise.kind != "leak":  # a valve that opens bends a rise, it makes no straight line
        until, (last, fell) = last, _still_closed(t, closed, k, OPENING_S)
        rise = rise if last == until else _rise_until(t, closed, last)
    if rise is None:
        return
    if rise.kind == "moisture" and closed.end_s is None and (fell or _falls(t, closed, last)):
        rise = replace(rise, kind="undecided", plateau_pa=math.nan)  # a valve opened to a slow pump levels it off, too
    before, closed.kind = closed.kind, rise.kind
    sure = max(rise.leak, rise.moisture) >= SURE_AT_ONCE
    if rise.kind in ("leak", "moisture") and before not in ("", rise.kind) and not sure:  # one look more
        rise = replace(rise, kind="undecided", plateau_pa=math.nan)
    closed.rise = rise


def _levels(t: Ticks, closed: Closed, last: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the seconds since closing and the levels [Pa] up to a tick."""
    first = closed.first
    at = t.end_s[first : last + 1] - closed.begin_s
    gaps = np.flatnonzero(np.diff(at) > GAP_S)
    if len(gaps):  # beyond it the probe was out of its range, or nobody knows whether it was opened
        at = at[: gaps[0] + 1]
    return at, _without_spikes(t.raw[first : first + len(at)], 4.0 * float(t.scatter[first]) + 0.03)


def _rise_until(t: Ticks, closed: Closed, last: int) -> Rise | None:
    """Return what the levels up to a tick show."""
    at, level = _levels(t, closed, last)
    metal = t.coldest[closed.first : closed.first + len(at)]
    coldest, warmest = float(t.coldest[last]), float(t.warmest[last])
    return judge_rise(at, level, float(t.scatter[closed.first]), metal, coldest, warmest, closed.pumped_s)


def _falls(t: Ticks, closed: Closed, last: int) -> bool:
    """Return whether ln(pressure) fell in the last minutes up to a tick by more than its noise."""
    at, level = _levels(t, closed, last)
    lately = at >= at[-1] - FALLEN_S
    n = int(np.count_nonzero(lately))
    if n < LEVEL_TICKS:
        return False
    slope = float(np.polyfit(at[lately], np.log(level)[lately], 1)[0])
    noise = max(0.003, float(t.scatter[closed.first]))
    return slope < -FALLEN_ERRORS * noise * math.sqrt(12.0 / n) / float(np.ptp(at[lately]))


def settled(t: Ticks, closed: Closed) -> int:
    """Return the tick from which the readings show the closed circuit, and no longer the pull before."""
    if not (closed.sure or closed.stopped):
        return closed.first  # seen only because it rose
    return max(closed.first + SETTLED_TICKS, int(np.searchsorted(t.end_s, closed.begin_s + SETTLED_S)))


def pulled_on(t: Ticks, closed: Closed, stretch: int) -> float:
    """Return the level [Pa] to which the pull before a closing would have gone on by the time that its readings settle.

    A slow gauge may show so much less after closing; only one on the pump's side of the valve shows less than that.
    """
    first, end = closed.first, min(settled(t, closed), len(t) - 1)
    begin = max(stretch, first - PULL_TICKS)
    if begin >= first:
        return 0.0
    at, p = t.end_s, t.vacuum
    pace = max(0.0, math.log(p[begin] / p[first]) / float(at[first] - at[begin]))
    return float(p[first]) * math.exp(-pace * float(at[end] - at[first]))


def _still_closed(t: Ticks, closed: Closed, k: int, opening_s: float) -> tuple[int, bool]:
    """Return the last tick up to `k` that surely is of the closed stretch, and whether the pressure fell after it.

    Opening shows some readings late, by no more than `opening_s`.
    """
    at, p = t.end_s[: k + 1], t.vacuum
    until = float(at[k]) if closed.end_s is None else closed.end_s
    last = int(np.searchsorted(at, until, side="right")) - 1
    lately = p[max(closed.first, last - LEVEL_TICKS) : last + 1]
    shoots_up = len(lately) > LEVEL_TICKS and bool((lately[1:] > SHOOTS_UP * lately[:-1]).all())
    if at[last] >= until - opening_s and not shoots_up:  # else the probe was out of its range by then
        last = max(closed.first - 1, min(last - 2, int(np.searchsorted(at, until - opening_s))))
    fallen = _kept(t, closed)
    first, until_k = settled(t, closed), last
    while last > first and p[last] < fallen * p[max(first, last - 40) : last + 1].max():
        last -= 1
    return last, last < until_k


def _kept(t: Ticks, closed: Closed) -> float:
    """Return the share of a level under which it surely fell."""
    return 1.0 - max(0.03, 2.5 * float(t.scatter[closed.first]))


def hold_outcome(t: Ticks, closed: Closed, k: int, limit_pa: float, over_s: float, stretch: int, peak: int) -> str:
    """Return what a hold that was over at a second is worth by tick `k`: passed, unclear, or nothing yet.

    Parameters
    ----------
    stretch, peak : first tick of the pumping before it, and that of the recent peak.
    """
    at, p = t.end_s, t.vacuum
    part = slice(closed.first, k + 1)
    level, error = level_at(t, closed, k, max(over_s, float(at[k])))
    level = max(level, 0.97 * level_at(t, closed, peak, float(at[peak]))[0])  # it may have been opened already
    if max(level * math.exp(error), float(p[k])) > limit_pa:
        return ""  # over it, or too near it to be sure
    steps = np.diff(at[part], append=over_s)
    gaps = steps > 60.0 + BIN_S
    unseen = float(steps[gaps].sum()) / max(over_s - max(closed.begin_s, closed.said_s), 1.0)
    after = np.append(p[closed.first + 1 : k + 1], 0.0)
    lower = (gaps & (after < _kept(t, closed) * p[part])).any()  # somebody who pumps meanwhile leaves it so
    shown = float(p[min(settled(t, closed), k)])
    begun = min(closed.level_pa, max(shown, pulled_on(t, closed, stretch)))
    least = (1.0 - max(HOLD_FALLEN, FALLEN_NOISES * float(t.scatter[k]))) * begun
    least -= RISEN_QUANTA * float(t.quantum[k])
    if unseen > (HOLD_UNSEEN_LOWER if lower else HOLD_UNSEEN) or float(p[part].min()) < least:
        return "unclear"
    if closed.stopped and not closed.sure and not _risen(t, closed, k):
        return ""  # every closed circuit rises a little; what stands may be the least that the gauge shows
    if not (closed.sure or closed.stopped):  # what steps up and lies flat may be the gauge alone
        look_at(t, closed, k)
        rise = closed.rise
        if rise is None or rise.kind == "flat" or p[part].max() <= SEEN_SHARE * p[closed.first] + SEEN_PA:
            return ""
    closed.still = not seen_alive(t, closed, k, over_s, limit_pa)
    return "" if closed.still else "hold_passed"


def _risen(t: Ticks, closed: Closed, k: int) -> bool:
    """Return whether a closed stretch rose from its first third to its last, by more than noise and a step, and evenly.

    What stood and bends up only then stood at the pump's floor, and was closed at the bend.
    """
    begin = min(settled(t, closed), k)
    level = t.raw[begin : k + 1]
    third = len(level) // 3
    if third < LEVEL_TICKS:
        return False
    wanders = RISEN_PER_H * 2.0 / 3.0 * float(t.end_s[k] - t.end_s[begin]) / 3_600.0
    first, middle, last = (float(np.median(part)) for part in (level[:third], level[third:-third], level[-third:]))
    error = RISEN_ERRORS * max(0.001, float(np.median(t.scatter[closed.first : k + 1]))) * math.sqrt(3.0 / third)
    rose = last > first * (1.0 + wanders + error) and last >= first + float(t.quantum[k])
    return bool(rose and middle - first >= RISEN_EVENLY * (last - first))


def stood_until(t: Ticks, closed: Closed, bend: int, k: int) -> bool:
    """Return whether the level stood from a closing to a bend, and rises since: the valve was closed at the bend."""
    first, p, at = settled(t, closed), t.vacuum, t.end_s
    if bend - first < LEVEL_TICKS:
        return False
    before = float(np.median(p[bend - LEVEL_TICKS : bend + 1]) - np.median(p[first : first + LEVEL_TICKS + 1]))
    return before / float(at[bend] - at[first]) < STOOD * float(p[k] - p[bend]) / float(at[k] - at[bend])


def surely_above(t: Ticks, closed: Closed, k: int, limit_pa: float) -> bool:
    """Return whether the level at a tick is above a limit by more than its error."""
    level, error = level_at(t, closed, k, float(t.end_s[k]))
    return level * math.exp(-2.0 * error) > limit_pa


def level_at(t: Ticks, closed: Closed, k: int, when_s: float) -> tuple[float, float]:
    """Return the level at a second [Pa] by the line of the minutes up to tick `k`, and the error of its logarithm.

    By readings as they were, each in the middle of its bin: smoothed ones lag behind a rise.
    """
    lately = int(np.searchsorted(t.end_s, t.end_s[k] - LEVEL_S))
    part = slice(min(k, max(closed.first + 1, min(k - LEVEL_TICKS + 1, lately))), k + 1)
    noise = max(0.003, median(t.scatter[part].tolist()))
    at, x = t.end_s[part] - 0.5 * BIN_S, np.log(_without_spikes(t.raw[part], 4.0 * noise + 0.03))
    if len(x) < LEVEL_TICKS:
        return float(t.vacuum[k]), noise
    middle, level = float(at.mean()), float(x.mean())
    away = at - middle
    spread = float((away**2).sum())
    slope = float(away @ x / spread)
    most = float(x.max()) + noise + max(0.0, slope) * (when_s - float(at[-1]))
    error = noise * math.sqrt(1.0 / len(x) + (when_s - middle) ** 2 / spread)
    return math.exp(min(level + slope * (when_s - middle), most)), error


def _without_spikes(level: np.ndarray, far: float) -> np.ndarray:
    """Return the readings, those `far` off (in ln) the median of themselves and both neighbours replaced by it."""
    if len(level) < 3:
        return level
    own = level[1:-1]
    middle = np.sort([level[:-2], own, level[2:]], axis=0)[1]
    cleared = level.copy()
    cleared[1:-1] = np.where(np.abs(np.log(own / middle)) > far, middle, own)
    return cleared
