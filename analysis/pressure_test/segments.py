"""The quiet segments of a standing test: between filling, topping up, valve events and bleeding down.

Everything at a minute is decided with at most `CONFIRM` minutes after it, so whoever looks at minute m may use
the segments up to m - CONFIRM.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.bins import running_median
from analysis.pressure_test.minutes import Minutes, first_readings
from analysis.vocabulary.channels import AIR, METAL

ROOM_K = 293.0
CONFIRM = 12
"""Minutes that must follow before a minute is believed to be quiet."""
SPAN = 5
"""Minutes of the medians that are compared on both sides of a suspected step."""
STEP_FRACTION = 0.0012
STEP_QUANTA = 2.3
STEP_NOISES = 7.0
STEP_HABITS = 7.5
HABIT_MINUTES = 180
HABIT_MOST = 0.006
"""A step: pressure off the line of the quarter hour before by more than 0.12 %, 2.3 digits, 7 times a minute's noise,
and 7.5 times what it was usually off by in the last three hours (0.12 % is 0.35 K of the whole gas within minutes,
which no weather does; 7.5 medians are 5 standard deviations; common practice).
The habit counts for at most 0.6 %: a pressure that is always falling is not quiet."""
FILLING_FRACTION = 0.01
"""A rise of more than 1 % within five minutes is filling, however steadily it goes (that is 3 K of the whole gas)."""
GAP_MINUTES = 5
GAP_SPARE_K = 1.0
"""Over a gap the gas may have warmed as the probe that warmed most, and by 1 K more; what rose further was topped up
(common practice). A fall in a gap is judged as loss: nobody saw a valve opened."""
LEAST_MINUTES = 30
"""A quiet segment is judged after this long (UFGS 15182 and the trade let the gas settle for half an hour or more)."""
SETTLE_MOST = 180
SETTLED_FRACTION = 2.5e-4
"""Settled: over two following quarter hours the gauge's rate changed by less than 0.025 % a quarter hour (common
practice), at the latest after three hours."""
TEST_LEVEL = 0.8
"""Segments under 80 % of the highest quiet level are steps on the way up, or bled down (EN 378-2: the strength test is
at 1.1 times the tightness test, so letting down to 91 % is ordinary)."""
LEAST_TEST_PA = 20e3
"""Under 20 kPa above the barometer nothing is under test (common practice; the first step of filling is 69 kPa)."""
LEVEL_MINUTES = 10
"""Shorter pauses are no segment."""
MEDIANS = {1: 0.954, 2: 1.652}
"""The median of the first, and of the second, differences of standard normal numbers."""
STUCK_MINUTES, TOLD_MINUTES = 45, 20
STUCK_QUANTA = 3.0
STUCK_FRACTION = 0.002
STUCK_LAGS_MIN = (0.0, 30.0, 60.0, 120.0, 240.0)
"""The gas follows the probe late by anything up to hours (common practice); past a turn it may stand still. A probe
that jumped is named, and its last reading no longer held, within `TOLD_MINUTES`: until then its move is no evidence."""
BARREL_LAG_MIN = 2_880.0
"""So late the gas in an insulated barrel follows the air: 19 mm of foam pass 9 W/K where 0.3 m3 stand in 1 to 3 MJ/K of
metal and water (computed, conductivity 0.035 W/m K from memory). Where no metal is read a coarse gauge may rightly
stand all night."""


@dataclass(frozen=True)
class Segment:
    """Quiet minutes `begin` <= m < `end`; `settled` is the first judged minute, None while it settles.

    `closed_by` says what ended it: ``rise``, ``fall``, ``stuck`` or nothing yet. `level_pa` is the gauge level
    of the first ten minutes. From minute `stuck_known` on the minutes from `stuck_from` are not believed.
    """

    begin: int
    end: int
    settled: int | None
    level_pa: float
    closed_by: str = ""
    stuck_from: int | None = None
    stuck_known: int | None = None


def let_down(minutes: Minutes, begin: int, end: int, again: int) -> bool:
    """Return whether what stood in the minutes `begin` to `end` was let down before minute `again`.

    The gauge was read under the `TEST_LEVEL` part of what it showed first; one that jumped is not read.
    """
    gauge = minutes.pressure_pa - minutes.barometer_pa
    return bool((gauge[end:again] < TEST_LEVEL * first_readings(gauge[begin:end])).any())


def steps_of(minutes: Minutes) -> np.ndarray:
    """Return the size [Pa] of the step at each minute, 0 where the pressure is quiet, shape (n,).

    The value at minute m uses minutes up to m + 7.
    """
    count = len(minutes)
    x = minutes.logged_pa
    if count < 4 * SPAN:
        return np.zeros(count)
    middle = running_median(x, SPAN)  # middle[m]: minutes m-4 .. m
    size = np.zeros(count)
    m = np.arange(15, count - 6)
    before, earlier, after = middle[m - 1], middle[m - 11], middle[m + 6]
    slope = (before - earlier) / 10.0
    slope = np.where(np.isfinite(slope), slope, 0.0)
    off = after - before - 7.0 * slope
    absolute = np.abs(minutes.pressure_pa[m])
    habit = pd.Series(np.abs(off)).rolling(HABIT_MINUTES, min_periods=30).median().shift(1).to_numpy(dtype=float)
    limit = np.maximum.reduce(
        [
            STEP_FRACTION * np.where(np.isfinite(absolute), absolute, np.inf),
            STEP_QUANTA * np.nan_to_num(minutes.quantum_pa[m]),
            STEP_NOISES * np.nan_to_num(_noise_of(minutes, 1)[m]),
            np.minimum(STEP_HABITS * np.nan_to_num(habit), HABIT_MOST * np.nan_to_num(absolute)),
        ]
    )
    found = np.abs(off) > limit
    size[m[found]] = off[found]
    m = np.arange(SPAN, count - 4)
    rise = middle[m + 4] - middle[m - 1]
    filling = (rise > FILLING_FRACTION * np.abs(minutes.pressure_pa[m])) & (
        rise > STEP_QUANTA * np.nan_to_num(minutes.quantum_pa[m])
    )
    size[m[filling]] = np.maximum(rise[filling], size[m[filling]])
    for last, first in _gaps(x):
        rose = float(np.nanmedian(minutes.pressure_pa[first : first + SPAN])) - float(
            np.nanmedian(minutes.pressure_pa[max(0, last - SPAN + 1) : last + 1])
        )
        warmed = _warmed(minutes, last, first) + 2.0 * float(np.nan_to_num(minutes.quantum_pa[first]))
        if first + SPAN <= count and rose > warmed:
            size[first] = max(rose, size[first])
    return size


def _gaps(x: np.ndarray) -> list[tuple[int, int]]:
    """Return the last minute before and the first minute after every gap of `GAP_MINUTES` or more."""
    there = np.flatnonzero(np.isfinite(x))
    wide = np.flatnonzero(np.diff(there) > GAP_MINUTES)
    return [(int(there[i]), int(there[i + 1])) for i in wide]


def _warmed(minutes: Minutes, last: int, first: int) -> float:
    """Return the most that warming may have raised the pressure [Pa] between two minutes."""
    warmed = [float(values[first] - values[last]) for values in minutes.probes.values()]
    seen = [w for w in warmed if np.isfinite(w)]
    spare = GAP_SPARE_K if seen else GAP_SPARE_K * max(1.0, (first - last) / 30.0)
    return (max(seen, default=0.0) + spare) / ROOM_K * float(minutes.pressure_pa[last])


def _noise_of(minutes: Minutes, order: int) -> np.ndarray:
    """Return the noise of the gauge's minutes [Pa], as the median of the last hour, shape (n,).

    By their changes (`order` 1), of which a fall is one: a bend in what falls fast is no step. Or by how far they lie
    off the line of their neighbours (2): what falls fast is not noisy for that.
    """
    moved = pd.Series(np.abs(np.diff(minutes.logged_pa, order, prepend=[np.nan] * order)))
    return moved.rolling(60, min_periods=10).median().to_numpy(dtype=float) / MEDIANS[order]


def all_segments(minutes: Minutes, steps: np.ndarray) -> list[Segment]:
    """Return the quiet segments of everything recorded, in time order; `known_at` tells what was known when."""
    count = len(minutes)
    noisy = np.zeros(count, dtype=bool)
    for m in np.flatnonzero(steps).tolist():
        noisy[m : m + 3] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[1], noisy.astype(np.int8), [1]])))
    noise = _noise_of(minutes, 2)
    found = []
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        first = minutes.logged_pa[begin : min(end, begin + LEVEL_MINUTES)]
        if end - begin < LEVEL_MINUTES or not np.isfinite(first).any():
            continue
        segment = Segment(
            begin,
            end,
            _settled(minutes, noise, begin, end),
            float(np.nanmedian(first)),
            "" if end == count else _direction(steps[end : end + 1]),
        )
        found.append(_stuck(minutes, segment))
    return found


def known_at(segments: list[Segment], usable: int) -> list[Segment]:
    """Return the segments as they were known when only the minutes before `usable` could be used."""
    known = []
    for s in segments:
        if s.begin + LEVEL_MINUTES > usable:
            continue
        if s.end >= usable:
            s = replace(s, end=usable, closed_by="")
        if s.settled is not None and s.settled > s.end:
            s = replace(s, settled=None)
        if s.stuck_known is not None and s.stuck_from is not None and s.stuck_known < usable:
            s = replace(s, end=min(s.end, s.stuck_from), closed_by="stuck")
        known.append(s)
    return known


def level_held(minutes: Minutes) -> np.ndarray:
    """Return the highest level of ten minutes that the gauge showed up to each minute, shape (n,)."""
    level = running_median(minutes.logged_pa, LEVEL_MINUTES)
    return np.fmax.accumulate(level) if len(level) else level


def test_segments(segments: list[Segment], held_pa: float, wanted_pa: float | None, zero_pa: float) -> list[Segment]:
    """Return the segments at test level.

    At 80 % of the stated test pressure as the gauge shows it, or of the highest level held where none is stated or it
    was never reached; and clearly above `zero_pa`, what the gauge shows when open.
    """
    reference = held_pa if wanted_pa is None or not held_pa >= TEST_LEVEL * wanted_pa else wanted_pa
    least = max(TEST_LEVEL * (reference - zero_pa), LEAST_TEST_PA)
    return [s for s in segments if s.level_pa - zero_pa >= least]


def _direction(steps: np.ndarray) -> str:
    return "rise" if float(steps.sum()) > 0 else "fall"


def _settled(minutes: Minutes, noise: np.ndarray, begin: int, end: int) -> int | None:
    """Return the minute at which judging may begin; uses no minute from there on."""
    x = minutes.logged_pa
    for m in range(begin + LEAST_MINUTES, min(end, begin + SETTLE_MOST) + 1, 5):
        if m - begin >= SETTLE_MOST:
            return m
        parts = x[m - 30 : m].reshape(3, 10)
        if not np.isfinite(parts).any(axis=1).all():
            continue
        a, b, c = (float(v) for v in np.nanmean(parts, axis=1))
        quantum = float(np.nan_to_num(minutes.quantum_pa[m - 1]))
        absolute = float(np.nanmedian(minutes.pressure_pa[m - 10 : m]))
        if abs(a - 2.0 * b + c) < max(SETTLED_FRACTION * absolute, 0.8 * quantum, 1.5 * noise[m - 1]):
            return m
    return None


def _stuck(minutes: Minutes, segment: Segment) -> Segment:
    """Return the segment with the minute from which the gauge no longer follows: one number for 45 min or more while a
    probe says, however late the gas follows it, that it should have moved by 3 of its digits and 0.2 %."""
    probe = next((n for n in (METAL, AIR) if n in minutes.probes), None)
    x = minutes.logged_pa[segment.begin : segment.end]
    if probe is None or len(x) < STUCK_MINUTES + TOLD_MINUTES:
        return segment
    absolute = first_readings(minutes.pressure_pa[segment.begin : segment.end])
    changed = np.flatnonzero(~(np.abs(np.diff(x)) < 1e-6 * absolute)) + 1
    starts, ends = np.concatenate([[0], changed]), np.concatenate([changed, [len(x)]])
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end - start < STUCK_MINUTES + TOLD_MINUTES:
            continue
        stands = slice(segment.begin + start, segment.begin + end)
        late_by = [minutes.lagged(probe, (lag,) if lag else ())[stands] for lag in STUCK_LAGS_MIN]
        quantum = float(np.nan_to_num(minutes.quantum_pa[segment.begin + start])) / absolute
        moved = np.min([np.abs(gas - gas[0]) for gas in late_by], axis=0) / 293.0
        far = moved > max(STUCK_QUANTA * quantum, STUCK_FRACTION)
        if probe == AIR:
            slow = minutes.lagged(AIR, (BARREL_LAG_MIN,))[stands]
            far &= np.abs(slow - slow[0]) / 293.0 > STUCK_QUANTA * quantum
        still_read = np.isfinite(late_by[0][STUCK_MINUTES + TOLD_MINUTES :])
        late = np.flatnonzero(far[STUCK_MINUTES:-TOLD_MINUTES] & still_read)
        begin = segment.begin + start
        known = begin + STUCK_MINUTES + TOLD_MINUTES + int(late[0]) + 1 if len(late) else len(minutes)
        if known < len(minutes):
            return replace(segment, stuck_from=begin, stuck_known=known)
    return segment
