"""Temperatures, gauges and the barometer that step as nothing measured can, alone, and stay there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.belief.fault import AIR_PA, COARSE_PA, EMPTY_PA, HOSE, Fault, Readings
from analysis.belief.labels import otherwise
from analysis.bins import PIECE_ROWS, median_of
from analysis.log import BAROMETER_STEP_PA
from analysis.result import Figure
from analysis.stretch import stayed
from analysis.vocabulary.channels import CIRCUIT_PRESSURES, MICRON_PROBES
from analysis.vocabulary.text import words

JUMP_K = 4.5
SLOW_JUMP_K = 8.0
SHORT_S = 15.0
LONG_S = 65.0
"""No probe in water, air or on metal moves by 5 K, less what noise takes off it, between two readings at most 15 s
apart and then stays (common practice: a field probe takes 20 s or more to follow); between readings a minute apart 8 K
are asked for."""
LEAST_STEP = {"temperature": JUMP_K, "pressure": BAROMETER_STEP_PA}
SAME_K, SAME_SHARE = 0.7, 0.015
"""A display that is switched over shows the same thing in another unit, to so much. A scale's is put right where it is
weighed: a full and an empty cylinder may differ as pounds and kilograms do."""
IN_ONE = 0.7
"""So much of the move lies between two readings; a probe that follows something takes several."""
NOISES = 15.0
OWN_MOVES, OWN_TIMES, OWN_S = 3, 3.0, 600.0
"""What moved so from reading to reading just before, three times smaller at the least, goes its way in steps."""
STAYS_S = 120.0
STAYS_READINGS = 5
GAUGE_SHARE, GAUGE_STEPS = 0.08, 4.0
"""A gauge on a circuit does not step by so large a part of its reading, and so many digits, while the circuit's other
gauges stay: what happens to one happens to all, at rest and running."""
NOTHING_FLOWS = ("pressure_test", "at_rest")
"""The gauge at the hose is doubted where nothing flows, and where it steps against the flow."""
STILL_SHARE = 0.03
"""Where nothing flows no valve and no pulse excuses a step."""
DRAWN_SHARE, DRAWN_PART = 0.2, 0.5
"""A gauge that steps by so much while a machine draws shows in what the cylinder gains, by half as much at least."""
JOINS_SHARE = 0.03
"""Within this of another gauge it shows the same pressure."""
NEAR_AIR_PA = 10e3
"""A gauge that shows so little more or less than the air may hang in it: what it shows says nothing of a circuit."""
REACTS = {"temperature": 1.0, "mass": 0.5, "fraction": 0.03}
REACTS_SHARE = 0.02
REACTS_NOISES, REACTS_WANDERS = 8.0, 4.0
"""Something happened when another channel leaves its noise too: by 1 K, 0.5 kg, 3 % of load or 2 % of a pressure, and
by more than it left its way in the windows before."""
WINDOWS, WAY_WINDOWS, AHEAD = 9, 4, 1.5
"""So many windows of half a span before a step are looked at, the last ones of them tell a channel's way, and that is
followed so many windows on."""
MARK_S = 120.0
"""A mark so near says that something was done."""

_MOVED_ABOUT, LONG_STAYS_S = ("cylinder_temperature",), 600.0
"""Probes that go from bottle to bottle: not while one stands on the scale for ten minutes before and after."""
BOTTLE_KG, BOTTLE_FLOWS = 1.0, 4.0
"""A bottle is heavier than this (empty, the smallest in use), and moves the scale by more than what flows meanwhile."""


@dataclass(frozen=True)
class Step:
    """A move between two readings that stayed: when, how long after the reading before, when that was known, from which
    median to which, how restless."""

    at: float
    apart: float
    known: float
    level: float
    new: float
    noise: float
    span: float
    stay: int


def jumped(channel: str, readings: Readings) -> Iterator[Fault]:
    """Yield each step that stayed and that nothing else shows. Uses no row after the time at which it is known."""
    dimension, marks_s = readings.dimension(channel), readings.marks_s
    if dimension not in LEAST_STEP or channel in MICRON_PROBES:
        return
    times, values = readings.of(channel)
    until = -np.inf
    moves = np.diff(readings.as_shown(channel, values))
    np.abs(moves, out=moves)
    for step in _steps(channel, dimension, times, values, moves):
        if step.at <= until or np.any((np.abs(marks_s - step.at) < MARK_S) & (marks_s <= step.known)):
            continue
        meant = _switched_to(channel, step, readings)
        if not (meant or _cannot_step(channel, readings, step)):
            continue
        if channel != "barometer" and _something_happened(channel, readings, step):
            continue
        moved = step.new - step.level
        until = _back(times, values, step.stay, moved, SHORT_S if dimension == "pressure" else STAYS_S)
        if channel in CIRCUIT_PRESSURES:
            until = min(until, _with_another(channel, readings, step.known))
        offset = Figure(moved, f"{dimension}_difference")
        why = (
            f"what it shows is {meant} since then, not {readings.unit(channel).symbol} as it is logged: set it back."
            if meant
            else "was it moved or touched?"
            if dimension == "pressure"
            else "has the probe come off, or was it moved?"
        )
        yield Fault(
            "channel_jumped", channel, step.at, step.known, until,
            f"{words(channel)} jumped by {offset.show(readings.system, 2)} between two readings and stayed, while "
            f"nothing else moved: {why} It is left out until it is back.",
            offset,
        )  # fmt: skip


def _steps(channel: str, dimension: str, times: np.ndarray, values: np.ndarray, moves: np.ndarray) -> Iterator[Step]:
    """Yield each move between two readings that is large for its kind, and for the display, and that stayed."""
    large = np.flatnonzero(moves >= LEAST_STEP[dimension])
    if dimension == "pressure" and channel != "barometer" and len(large):
        display = np.where(moves > 0.0, moves, np.inf)
        first, since = np.min(display[: large[0]], initial=COARSE_PA), np.minimum.reduceat(display, large)[:-1]
        display = np.minimum.accumulate(np.append(first, since))
        large = large[moves[large] >= np.maximum(STILL_SHARE * values[large], GAUGE_STEPS * display)]
    for i in large.tolist():
        at, step, apart = float(times[i + 1]), float(values[i + 1] - values[i]), float(times[i + 1] - times[i])
        least = SLOW_JUMP_K if dimension == "temperature" and apart > SHORT_S else LEAST_STEP[dimension]
        if apart > LONG_S or abs(step) < least:
            continue
        span = max(LONG_STAYS_S if channel in _MOVED_ABOUT else STAYS_S, STAYS_READINGS * apart)
        before = values[np.searchsorted(times, at - span) : i + 1]
        stay = int(np.searchsorted(times, at + span))
        after = values[i + 1 : stay + 1]
        if stay >= len(times) or len(before) < 5 or len(after) < 5:
            continue
        level, new = median_of(before), median_of(after)
        moved = new - level
        if abs(moved) < least or np.any(np.abs(after - level) < 0.5 * abs(moved)):
            continue
        noise = 1.4826 * median_of(np.abs(before - level))
        if abs(moved) < NOISES * noise:
            continue
        if step * moved < IN_ONE * moved**2 or abs(step) < OWN_TIMES * _own_move(moves, times, i):
            continue
        yield Step(at, apart, float(times[stay]), level, new, noise, span, stay)


def _own_move(moves: np.ndarray, times: np.ndarray, i: int) -> float:
    """Return by how much a channel moved between two readings before move `i`, when it did; 0 where it seldom did."""
    before = moves[np.searchsorted(times, times[i] - OWN_S) : i]
    before = before[before > 0.0]
    return float(np.quantile(before, 0.9)) if len(before) >= OWN_MOVES else 0.0


def _cannot_step(channel: str, readings: Readings, step: Step) -> bool:
    """Return whether nothing that is measured steps so."""
    if channel == "barometer":
        return True
    if readings.dimension(channel) == "temperature":
        return channel not in _MOVED_ABOUT or (
            "cylinder_weight" in readings.values and not _bottle_moved(readings, step)
        )
    if channel not in CIRCUIT_PRESSURES:
        return False
    still = readings.at_stage(step.at, step.known, *NOTHING_FLOWS)
    if channel == HOSE and not still and not readings.against_the_flow(step.new, step.at, step.known):
        if _drawn_as_before(step, readings):
            return True
        if not _shows_nothing(step, readings):
            return False
    if abs(step.new - step.level) < (STILL_SHARE if still else GAUGE_SHARE) * step.level:
        return False
    return _on_a_circuit(channel, step, readings)


def _shows_nothing(step: Step, readings: Readings) -> bool:
    """Return whether a gauge fell to the atmosphere, as one does that came off: what flows takes it down, to no end."""
    return abs(step.new - readings.atmosphere_pa(step.at)) < AIR_PA


def _drawn_as_before(step: Step, readings: Readings) -> bool:
    """Return whether the cylinder on the scale surely goes on to gain as it did.

    A machine draws by the density before it, and what a hose takes from a gauge goes with the flow.
    """
    if "cylinder_weight" not in readings.values or readings.open_or_empty(step.level, step.at, NEAR_AIR_PA):
        return False
    share = abs(step.new - step.level) / step.level
    if share < DRAWN_SHARE:
        return False
    times, weights = readings.of("cylinder_weight")
    first, middle, last = np.searchsorted(times, (step.at - step.span, step.at, step.known + 1e-6)).tolist()
    if min(middle - first, last - middle) < STAYS_READINGS:
        return False
    gains, doubt = [], 0.0
    for part in (slice(first, middle), slice(middle, last)):
        along = times[part] - np.mean(times[part])
        pace = float(along @ weights[part]) / float(along @ along)
        doubt += float(np.std(weights[part] - pace * along)) * np.sqrt(12.0 / len(along))
        gains.append(step.span * pace)
    return gains[0] > REACTS["mass"] and abs(gains[1] - gains[0]) + doubt < DRAWN_PART * share * gains[0]


def _bottle_moved(readings: Readings, step: Step) -> bool:
    """Return whether a bottle left the scale, or came onto it, while a probe's step was looked at."""
    times, weights = readings.of("cylinder_weight")
    first, last = np.searchsorted(times, (step.at - step.span, step.known + 1e-6)).tolist()
    moves = np.abs(np.diff(weights[first:last]))
    return bool(len(moves) and np.max(moves) > max(BOTTLE_KG, BOTTLE_FLOWS * float(np.median(moves))))


def _switched_to(channel: str, step: Step, readings: Readings) -> str:
    """Return the unit in which the numbers since a step go on where they were before it, empty when there is none.

    Not from nothing or from the air's pressure: a gauge's numbers may be the same there in all units, and a hose is put
    on, or a pump draws, to any pressure: R-32 at 20 degC stands at 14.7 bar, and the air at 14.7 psia.
    """
    own = readings.unit(channel)
    if readings.open_or_empty(step.level, step.at, NEAR_AIR_PA):
        return ""
    near = max(SAME_K if own.dimension == "temperature" else SAME_SHARE * step.level, 3.0 * step.noise)
    barometer = readings.barometer_pa[np.searchsorted(readings.at, (step.at,))]
    for meant, shown in otherwise(np.array([step.new]), own, barometer):
        if abs(float(shown[0]) - step.level) < near < 0.2 * abs(step.new - step.level):
            return meant.symbol
    return ""


def _back(times: np.ndarray, values: np.ndarray, stay: int, moved: float, within_s: float) -> float:
    """Return when the readings have gone back by as much, within so long; infinite when they have not.

    A probe follows slowly what it is put back on; a gauge steps back, and else falls because its circuit does.
    """
    for begin in range(stay, len(times), PIECE_ROWS):
        now = np.arange(begin, min(begin + PIECE_ROWS, len(times)))
        earlier = np.maximum(np.minimum(np.searchsorted(times, times[now] - within_s), now - 1), stay)
        back = (values[now] - values[earlier]) / -moved
        there = now[(back > 0.7) & (back < 1.3)]
        if len(there):
            return float(times[there[0]])
    return np.inf


def _with_another(channel: str, readings: Readings, since: float) -> float:
    """Return when a gauge has come to what another one on the circuit shows, and stayed; infinite when it has not.

    Its hose is on the circuit again: what it stepped by was not what it came back by, where the circuit was drawn from
    meanwhile. It comes within minutes, and by itself: a broken one is passed by the circuit, or passes it as it drifts.
    Beside the air, and at nothing, gauges that hang on nothing agree as well.
    """
    first = int(np.searchsorted(readings.at, since))
    bears = np.abs(readings.values[channel] - readings.barometer_pa) > NEAR_AIR_PA
    when = np.inf
    for other in readings.other_gauges(channel):
        both = np.isfinite(readings.values[channel] + readings.values[other])
        both[:first] = False
        at, shown, beside = readings.at[both], readings.values[channel][both], readings.values[other][both]
        near = bears[both] & (shown > EMPTY_PA) & (np.abs(shown - beside) < JOINS_SHARE * shown)
        begins = near & ~np.append(True, near[:-1])
        begin = np.maximum.accumulate(np.where(begins, np.arange(len(at)), 0))
        before = np.maximum(np.minimum(np.searchsorted(at, at[begin] - STAYS_S), begin - 1), 0)
        came, moved = np.abs(shown[begin] - shown[before]), np.abs(beside[begin] - beside[before])
        agreed = np.flatnonzero(stayed(at, near & (came - moved > GAUGE_SHARE * shown), STAYS_S))
        if len(agreed):
            when = min(when, float(at[agreed[0]]))
    return when


def _on_a_circuit(channel: str, step: Step, readings: Readings) -> bool:
    """Return whether a gauge hung on the circuit before and after, and another one was read meanwhile.

    One that comes to what another shows was opened to the circuit: it is right from then on. One that comes to the
    atmosphere while another stays has left the circuit.
    """
    at, new = step.at, step.new
    atmosphere = readings.atmosphere_pa(at)
    if new < EMPTY_PA or readings.open_or_empty(step.level, at, NEAR_AIR_PA):
        return False
    first, middle, last = np.searchsorted(readings.at, (at - step.span, at, step.known + 1e-6)).tolist()
    seen = False
    for other in readings.other_gauges(channel):
        was, now = (median_of(part) for part in np.split(readings.values[other][first:last], [middle - first]))
        if not (np.isnan(was) or np.isnan(now)):
            seen = True
            if abs(new - now) < max(JOINS_SHARE * new, NEAR_AIR_PA if abs(new - atmosphere) < NEAR_AIR_PA else 0.0):
                return False
    return seen


def _something_happened(channel: str, readings: Readings, step: Step) -> bool:
    """Return whether another channel left its way at that moment, by more than it wandered before, or stepped as well.

    What happened is seen one reading earlier in what causes it than in what follows: the last of the windows before the
    step ends a reading early, and the one beside the step counts for neither side.
    """
    width = 0.5 * step.span
    since = np.append(step.at - step.apart + width * np.arange(-WINDOWS, 1), step.at + width * np.arange(1, 3))
    edges = np.searchsorted(readings.at, since - 1e-6).tolist()
    at = int(np.searchsorted(readings.at, step.at))
    for other, values in readings.values.items():
        dimension = readings.dimension(other)
        if other in (channel, "barometer") or dimension not in ("temperature", "pressure", "mass", "fraction"):
            continue
        windows = np.array([median_of(values[a:b]) for a, b in pairwise(edges)])
        level, after = float(windows[WINDOWS - 1]), float(windows[WINDOWS + 1])
        if np.isnan(after) or np.isnan(level) or (dimension == "pressure" and level < EMPTY_PA):
            continue
        least = REACTS.get(dimension, REACTS_SHARE * max(abs(level), 1e3))
        before, last = values[edges[0] : edges[WINDOWS]], values[edges[WINDOWS - 1] : edges[WINDOWS]]
        if _left_its_way(windows[:WINDOWS], last, after, least) or _stepped(before, float(values[at]), least):
            return True
    return False


def _left_its_way(windows: np.ndarray, last: np.ndarray, after: float, least: float) -> bool:
    """Return whether a channel came to stand where neither its way, nor its noise, nor its wandering leads.

    windows : its medians before, shape (WINDOWS,); their latest trend is its way, and what bends from window to window
        how far it wanders.
    last : its readings in the last of them, whose scatter is its noise.
    """
    level = float(windows[-1])
    way = float(np.nan_to_num(median_of(np.diff(windows[-WAY_WINDOWS:]))))
    bends = windows[2:] - windows[1:-1] - AHEAD * (windows[1:-1] - windows[:-2])
    wander = float(np.nan_to_num(1.4826 * median_of(np.abs(bends))))
    noise = 1.4826 * median_of(np.abs(last - level))
    return abs(after - level - AHEAD * way) > max(least, REACTS_NOISES * noise, REACTS_WANDERS * wander)


def _stepped(before: np.ndarray, now: float, least: float) -> bool:
    """Return whether a channel moved at its own reading of that moment farther than it does from reading to reading.

    Where a machine cycles all wander far, and few move so in that very moment.
    """
    before = before[np.isfinite(before)]
    usual = median_of(np.abs(np.diff(before)))
    return len(before) > 1 and abs(now - before[-1]) > max(least, REACTS_NOISES * usual)
