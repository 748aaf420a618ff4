"""Temperatures, gauges and the barometer that step as nothing measured can, alone, and stay there."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd

from analysis.belief.fault import COARSE_PA, EMPTY_PA, STANDING, Fault, Readings, name_of
from analysis.log import BAROMETER_STEP_PA
from analysis.result import Figure
from analysis.vocabulary.units import UnitSystem

JUMP_K = 5.0
SLOW_JUMP_K = 8.0
SHORT_S = 15.0
LONG_S = 65.0
"""No probe in water, air or on metal moves by 5 K between two readings at most 15 s apart and then stays (common
practice: a field probe takes 20 s or more to follow); between readings a minute apart 8 K are asked for."""
IN_ONE = 0.7
"""So much of the move lies between two readings; a probe that follows something takes several."""
NOISES = 15.0
STAYS_S = 120.0
STAYS_READINGS = 5
GAUGE_SHARE, GAUGE_STEPS = 0.08, 4.0
"""A gauge on a circuit does not step by so large a part of its reading, and so many digits, while the circuit's other
gauges stay: what happens to one happens to all, at rest and running."""
HOSE, NOTHING_FLOWS = "circuit_pressure", ("pressure_test", "at_rest")
"""The gauge at the service hose falls at once when a pull begins, and rises when something is let in, by what the flow
loses in the hose: it is doubted in stages alone in which nothing flows."""
JOINS_SHARE = 0.03
"""Within this of another gauge it shows the same pressure."""
OPEN_PA = 10e3
"""A gauge so near the atmosphere may hang in the open. In a vacuum nothing reaches a thermometer from the pressure."""
REACTS = {"temperature": 1.0, "mass": 0.5, "fraction": 0.03}
REACTS_SHARE = 0.02
REACTS_NOISES, REACTS_WANDERS = 8.0, 4.0
"""Something happened when another channel leaves its noise too: by 1 K, 0.5 kg, 3 % of load or 2 % of a pressure, and
by more than it left its way in the windows before."""
WINDOWS = 9
MARK_S = 120.0
"""A mark so near says that something was done."""

_MOVED_ABOUT = ("cylinder_temperature",)
"""Probes that go from bottle to bottle."""


def jumped(channel: str, readings: Readings, marks_s: np.ndarray, system: UnitSystem) -> Iterator[Fault]:
    """Yield each step that stayed and that nothing else shows. Uses no row after the time at which it is known."""
    barometer, gauge = channel == "barometer", channel in STANDING
    temperature = readings.dimensions[channel] == "temperature"
    if channel in _MOVED_ABOUT or not (barometer or gauge or temperature):
        return
    times, values = readings.of(channel)
    until = -np.inf
    moves = np.abs(np.diff(values))
    for i in np.flatnonzero(moves >= (JUMP_K if temperature else BAROMETER_STEP_PA)).tolist():
        at, step, apart = float(times[i + 1]), float(values[i + 1] - values[i]), float(times[i + 1] - times[i])
        if temperature:
            least = JUMP_K if apart <= SHORT_S else SLOW_JUMP_K
        else:
            least = BAROMETER_STEP_PA if barometer else GAUGE_SHARE * float(values[i])
        if at <= until or apart > LONG_S or abs(step) < least:
            continue
        span = max(STAYS_S, STAYS_READINGS * apart)
        before = values[np.searchsorted(times, at - span) : i + 1]
        stay = int(np.searchsorted(times, at + span))
        after = values[i + 1 : stay + 1]
        if stay >= len(times) or len(before) < 5 or len(after) < 5:
            continue
        level, new = float(np.median(before)), float(np.median(after))
        noise = 1.4826 * float(np.median(np.abs(before - level)))
        moved = new - level
        if abs(moved) < max(least, NOISES * noise) or np.any(np.abs(after - level) < 0.5 * abs(moved)):
            continue
        if step * moved < IN_ONE * moved**2:
            continue
        known = float(times[stay])
        if np.any((np.abs(marks_s - at) < MARK_S) & (marks_s <= known)):
            continue
        if channel == HOSE and not readings.at_stage(at, known, *NOTHING_FLOWS):
            continue
        if gauge and not (
            abs(moved) >= GAUGE_STEPS * float(np.min(moves[:i][moves[:i] > 0.0], initial=COARSE_PA))
            and _on_a_circuit(channel, level, new, readings, at, span)
        ):
            continue
        if not barometer and _something_happened(channel, readings, at, span):
            continue
        until = _back(times, values, stay, moved)
        offset = Figure(moved, "temperature_difference" if temperature else "pressure_difference")
        yield Fault(
            "channel_jumped", channel, at, known, until,
            f"{name_of(channel)} jumped by {offset.show(system, 2)} between two readings and stayed, while nothing "
            "else moved: has the probe come off, or was it moved? It is left out until it is back.",
            offset,
        )  # fmt: skip


def _back(times: np.ndarray, values: np.ndarray, stay: int, moved: float) -> float:
    """Return when the readings have gone back by as much, within two minutes; infinite when they have not."""
    earlier = np.searchsorted(times, times[stay:] - STAYS_S)
    back = (values[stay:] - values[np.maximum(earlier, stay)]) / -moved
    there = np.flatnonzero((back > 0.7) & (back < 1.3))
    return float(times[stay + int(there[0])]) if len(there) else np.inf


def _on_a_circuit(channel: str, level: float, new: float, readings: Readings, at: float, span: float) -> bool:
    """Return whether a gauge hung on the circuit before and after, and another one was read meanwhile.

    One that comes to what another shows was opened to the circuit: it is right from then on.
    """
    atmosphere = float(readings.barometer_pa[np.searchsorted(readings.at, at)])
    if min(level, new) < EMPTY_PA or min(abs(level - atmosphere), abs(new - atmosphere)) < OPEN_PA:
        return False
    first, middle, last = np.searchsorted(readings.at, (at - span, at, at + 0.5 * span)).tolist()
    seen = False
    for other in STANDING:
        values = readings.values.get(other, readings.at[:0])
        before, after = (part[~np.isnan(part)] for part in (values[first:middle], values[middle:last]))
        if other != channel and len(before) and len(after):
            seen = True
            if abs(new - float(np.median(after))) < JOINS_SHARE * new:
                return False
    return seen


def _something_happened(channel: str, readings: Readings, at: float, span: float) -> bool:
    """Return whether another channel left its way at that moment, by more than it wandered before."""
    width = 0.5 * span
    edges = np.searchsorted(readings.at, at + width * np.arange(-WINDOWS, 3) - 1e-6).tolist()
    for other, dimension in readings.dimensions.items():
        if other in (channel, "barometer") or dimension not in ("temperature", "pressure", "mass", "fraction"):
            continue
        values = readings.values[other]
        windows = np.array([_median(values[a:b]) for a, b in pairwise(edges)])
        before, after = windows[:WINDOWS], float(windows[WINDOWS + 1])
        if np.isnan(after) or np.isnan(before[-1]):
            continue
        level = float(before[-1])
        if dimension == "pressure" and level < EMPTY_PA:
            continue
        way = level - float(before[-2]) if not np.isnan(before[-2]) else 0.0
        own = before[2:] - before[1:-1] - 1.5 * (before[1:-1] - before[:-2])
        wander = 1.4826 * _median(np.abs(own))
        near = values[edges[WINDOWS - 1] : edges[WINDOWS]]
        noise = 1.4826 * _median(np.abs(near - level))
        least = REACTS.get(dimension, REACTS_SHARE * max(abs(level), 1e3))
        if abs(after - level - 1.5 * way) > max(least, REACTS_NOISES * noise, REACTS_WANDERS * np.nan_to_num(wander)):
            return True
    return False


def _median(values: np.ndarray) -> float:
    there = values[~np.isnan(values)]
    return float(np.median(there)) if len(there) else np.nan


def mark_seconds(journal: pd.DataFrame, begin: pd.Timestamp) -> np.ndarray:
    """Return when something was marked, in seconds since `begin`."""
    rows = journal["time"][journal["kind"].isin(("mark", "stage"))]
    return np.asarray((rows - begin) / pd.Timedelta(seconds=1), dtype=float)
