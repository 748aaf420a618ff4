"""Vacuum probes that fell silent, stand still or step: what a circuit under vacuum cannot do.

A probe is blank, or shows one number, above its range: when the pull begins, when the vacuum is broken, when a closed
circuit rises out of it. A valve that closes lifts it at once, one that opens, or a pump, takes it down. So it is
doubted only where none of these explains what it shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.belief.fault import EMPTY_PA, HOSE, Fault, Readings
from analysis.belief.labels import PROBES
from analysis.belief.lost import LEAST_READINGS, LOST_S, bouts, long_pauses, lost_fault
from analysis.belief.patience import STUCK_READINGS, STUCK_S, patience_of_a_probe, patience_of_rise
from analysis.belief.stuck import alive_again, stuck_fault
from analysis.bins import Runs, median_of
from analysis.result import Figure
from analysis.vocabulary.channels import USUAL_TOP_PA
from analysis.vocabulary.text import duration, words
from analysis.vocabulary.units import UNITS, Unit

MOST_PA = 120e3
"""More than any air: how some probes say that they are above their range."""
NINES = (9_999.0, 99_999.0, 999_999.0, 9_999.9, 99_999.9)
"""What displays show that have nothing to show, in their unit."""
SAME_NUMBER = 1e-3
AT_PUMP = "pump_vacuum"
"""A pump that is switched off behind its closed valve lets air to this probe, and nobody need mark it."""
FELL, FELL_TIMES = 50.0, 3.0
"""A probe that shows nothing shows no vacuum where it fell so far in one reading, and its logarithm three times as much
as between any two of the ten or more before."""
BACK_AS, BACK_READINGS = 1.3, 3
"""A probe that comes back within this factor of where it was, and stays, was off: a vacuum that was broken comes back
from above."""
UNKNOWN_S = 3_600.0
"""Nitrogen let in stays for less (common practice), and somebody marks the pump, or a gauge shows it."""
END_SHARE = 0.98
GAUGE_PA = 2e3
"""A circuit's gauge is as good (common practice): it stands where the vacuum was not broken."""
JUMP_S, JUMP_READINGS, JUMP_NOISES, JUMP_SHARE = 300.0, 12, 8.0, 0.03
NEAR = 5
LEAST_RATIO, SAME_RATIO, STILL_SHARE = 2.0, 0.03, 0.15
"""A display that is switched over shows so many times as much, to within a few hundredths, and stands as still."""
AT_ONCE_SHARE = 0.75
"""A probe that is moved, or a display that is switched over, steps by as much from one reading to the next."""
RISES_ON, PACES_S = 2.5, 180.0
"""The rise, or fall, goes on within this factor of its pace after the step, which is more than it rises in so long."""


def probe_faults(channel: str, readings: Readings) -> Iterator[Fault]:
    """Yield what a vacuum probe shows that it cannot. Uses no row after the time at which each is known."""
    yield from _silent(channel, readings)
    times, values = readings.of(channel)
    if len(values) >= STUCK_READINGS:
        scale = None if channel == AT_PUMP else readings.unit(channel).scale  # a pump shut off leaps to its own end
        yield from _stands(channel, times, values, scale)
        yield from _steps(channel, readings, times, values)


def out_of_range(values: np.ndarray, own: Unit) -> np.ndarray:
    """Return which readings are none: more than any air, or all nines."""
    none = values > MOST_PA
    for nines in NINES:
        none |= np.abs(values / own.scale - nines) < SAME_NUMBER
    return none


def nothing_shown(values: np.ndarray) -> np.ndarray:
    """Return which readings are a probe's sign for none: below nothing, or nothing, come to in one fall.

    Uses no later row.
    """
    wrong = values < 0.0
    if not (values == 0.0).any():
        return wrong
    there = np.flatnonzero(values >= 0.0)
    shown = values[there]
    above = shown > 0.0
    logs = np.log(np.where(above, shown, np.nan))
    falls = np.maximum.accumulate(np.nan_to_num(-np.diff(logs, prepend=np.nan)))
    moves = np.abs(np.diff(shown, prepend=np.nan))
    least = np.minimum.accumulate(np.fmin(np.where(above, shown, np.inf), np.where(moves > 0.0, moves, np.inf)))
    last = np.maximum.accumulate(np.where(above, np.arange(len(shown)), 0))
    fell = np.log(2.0 * shown[last] / least, out=np.zeros(len(shown)), where=shown[last] > 0.0)
    known = np.cumsum(above) >= LEAST_READINGS
    wrong[there[~above & known & (fell > np.maximum(np.log(FELL), FELL_TIMES * falls[last]))]] = True
    return wrong


def _silent(channel: str, readings: Readings) -> Iterator[Fault]:
    """Yield each time in which a probe gave numbers that cannot be, or none under its range."""
    at, values, wrong = readings.at, readings.values[channel], readings.cannot_be(channel)
    yield from (fault for fault, _ in bouts(channel, readings))
    if channel == AT_PUMP:
        return
    for first, known, back in long_pauses(at, values):
        level = median_of(values[max(0, first - 4) : first + 1])
        if level > USUAL_TOP_PA or wrong[first + 1 : known].any():
            continue
        sure = [
            *([known] if _gauge_stood(readings, first, known) else []),
            *_as_before(values, back, level),
            *_for_long(readings, first, back),
        ]
        if sure:
            why = "gives no readings any more, and nothing broke the vacuum"
            told = float(at[min(sure)])
            yield lost_fault(channel, float(at[first]), told, f"{why}: check the instrument and its cable.")


def _gauge_stood(readings: Readings, first: int, known: int) -> bool:
    """Return whether the circuit's gauge showed a vacuum all the time."""
    if HOSE not in readings.values:
        return False
    gauge = readings.values[HOSE]
    before, meanwhile = median_of(gauge[max(0, first - 20) : first + 1]), gauge[first + 1 : known + 1]
    stood = np.count_nonzero(meanwhile < min(EMPTY_PA, before + GAUGE_PA)) if before < EMPTY_PA else 0
    return bool(stood >= BACK_READINGS and stood == np.count_nonzero(~np.isnan(meanwhile)))


def _as_before(values: np.ndarray, back: int, level: float) -> list[int]:
    """Return the row at which a probe that came back has shown that the vacuum was never broken, if it has."""
    after = back + np.flatnonzero(~np.isnan(values[back:]))[:BACK_READINGS]
    near = np.abs(np.log(np.maximum(values[after], 1e-3) / level)) < np.log(BACK_AS)
    return [int(after[-1])] if len(after) == BACK_READINGS and near.all() else []


def _for_long(readings: Readings, first: int, back: int) -> list[int]:
    """Return the row at which a probe was blank for longer than a vacuum stays broken in an evacuation, if it was."""
    since = float(readings.at[first])
    row = int(np.searchsorted(readings.at, since + UNKNOWN_S))
    marked = np.any((readings.marks_s > since - LOST_S) & (readings.marks_s < since + UNKNOWN_S))
    if row >= back or marked or not readings.at_stage(since, float(readings.at[row]), "evacuation"):
        return []
    return [row]


def _stands(channel: str, times: np.ndarray, values: np.ndarray, scale: float | None) -> Iterator[Fault]:
    """Yield each time at which a probe shows one number, restless before or on a rise that stopped dead."""
    runs = Runs(values)
    starts = runs.first
    highest = np.maximum.accumulate(values)
    until = -np.inf
    for run in runs.lasting(times, STUCK_S).tolist():
        first, end, begin = int(starts[run]), runs.end(run), float(times[starts[run]])
        level = float(values[first])
        if begin < until or level == 0.0 or (level > USUAL_TOP_PA and level >= END_SHARE * highest[first]):
            continue
        changes = starts[: run + 1]
        waits = min(patience_of_a_probe(times, values, changes, scale), patience_of_rise(times, values, changes))
        known = first + max(LEAST_READINGS, int(np.searchsorted(times[first:end], begin + max(STUCK_S, waits))))
        if known >= end:
            continue
        until = alive_again(times, starts, run)
        stood = f"{duration(times[known] - begin)}, after readings that never stood still"
        yield stuck_fault(channel, begin, float(times[known]), until, stood)


def _steps(channel: str, readings: Readings, times: np.ndarray, values: np.ndarray) -> Iterator[Fault]:
    """Yield a step behind which the pressure goes on as before it, or is what it was in another unit."""
    if len(values) < 2 * NEAR:
        return
    own = readings.unit(channel)
    means = np.convolve(values, np.full(NEAR, 1.0 / NEAR), "valid")
    before, after = means[:-NEAR], means[NEAR:]
    moves = np.abs(np.diff(values))[NEAR - 1 : NEAR - 1 + len(before)]
    large = np.flatnonzero(moves > JUMP_SHARE * before)
    before, after = before[large], after[large]
    large = large[np.abs(after - before) > JUMP_SHARE * np.minimum(before, after)]
    for i in (NEAR - 1 + large).tolist():
        at = float(times[i + 1])
        first, last = np.searchsorted(times, (at - JUMP_S, at + JUMP_S)).tolist()
        if first == 0 or last >= len(times) or min(i + 1 - first, last - i) < JUMP_READINGS:
            continue
        if values[i] > USUAL_TOP_PA or np.any(np.abs(readings.marks_s - at) < JUMP_S):
            continue
        was, now = (_line(times[part] - at, values[part]) for part in (slice(first, i + 1), slice(i + 1, last + 1)))
        at_end = abs(now.level / float(values[: i + 1].max()) - 1.0) < SAME_RATIO  # a vacuum that was broken
        if abs(values[i + 1] - values[i]) < AT_ONCE_SHARE * abs(now.level - was.level):
            continue  # a pump that drew for a minute takes some readings
        meant = "" if at_end else _switched_to(own, was, now)
        if meant or _goes_on(was, now):
            offset = Figure(now.level - was.level, "pressure_difference")
            why = (
                f"what it shows is {meant} since then, not {own.symbol} as it is logged: set it back. It is left out."
                if meant
                else "went on as before: no valve does that. It is left out: was it moved, or has it got dirt or oil?"
            )
            yield Fault(
                "channel_jumped", channel, at, float(times[last]), np.inf,
                f"{words(channel)} stepped by {offset.show(readings.system, 2)} between two readings and {why}", offset,
            )  # fmt: skip
            return


def _goes_on(was: _Line, now: _Line) -> bool:
    """Return whether a rise goes on at its pace behind a step, or a fall behind a step up.

    A valve that opens, and a pump, take a rise down and let none go on; what lets gas in ends a fall.
    """
    moved, scatter = now.level - was.level, max(was.scatter, now.scatter)
    pace = abs(was.pace)
    moves = pace * JUMP_S > 4.0 * scatter and 1.0 / RISES_ON < now.pace / (was.pace or np.nan) < RISES_ON
    far = max(JUMP_NOISES * scatter, JUMP_SHARE * was.level, PACES_S * pace)
    return bool(moves and abs(moved) > far and (was.pace > 0.0 or moved > 0.0))


def _switched_to(own: Unit, was: _Line, now: _Line) -> str:
    """Return the unit in which the numbers go on where they were before a step, empty when there is none."""
    for symbol in PROBES:
        ratio = own.scale / UNITS[symbol].scale  # by which a number grows that is shown in it
        far = ratio > LEAST_RATIO or ratio < 1.0 / LEAST_RATIO
        if far and was.level > 0.0 and abs(now.level / was.level / ratio - 1.0) < SAME_RATIO and _as_still(was, now):
            return symbol
    return ""


def _as_still(was: _Line, now: _Line) -> bool:
    """Return whether both sides of a step stand alike, as shares of their levels."""
    return all(abs(one.pace) * JUMP_S + one.scatter < STILL_SHARE * one.level for one in (was, now))


@dataclass(frozen=True)
class _Line:
    """A straight line through some readings: pace [Pa/s], level at the step [Pa], scatter about it."""

    pace: float
    level: float
    scatter: float


def _line(at: np.ndarray, values: np.ndarray) -> _Line:
    middle, mean = float(at.mean()), float(values.mean())
    pace = float((at - middle) @ (values - mean) / ((at - middle) @ (at - middle)))
    level = mean - pace * middle
    return _Line(pace, level, float(np.std(values - level - pace * at)))
