"""Channels that went blank, or give only numbers that cannot be."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd

from analysis.belief.fault import EMPTY_PA, Fault, Readings
from analysis.belief.witnesses import SCALE
from analysis.bins import median_of
from analysis.log import LEAST_PRESSURE_PA
from analysis.scale.following import LIGHTEST_KG
from analysis.stretch import seconds
from analysis.vocabulary.channels import MICRON_PROBES
from analysis.vocabulary.text import words
from analysis.vocabulary.units import Unit

LOST_S = 120.0
USUAL_INTERVALS = 20.0
LONG_INTERVALS = 3.0
IRREGULAR = 3.0
"""Lost: blank for two minutes, for twenty of its own usual intervals, and for three of its long ones (a tenth of
its last hundred were longer): an instrument may be slower than the recorder. One that speaks only when something
changes has intervals of so many usual ones among its long ones, and is silent for as long as nothing happens: three of
its longest."""
LEAST_READINGS = 10
ON_CYLINDER = ("cylinder_pressure", "cylinder_temperature")
CHANGE_S = 600.0
"""These are taken off with their cylinder: nobody misses them while the scale shows none, and where there is no scale a
change of cylinders takes less than ten minutes; common practice."""
NOTHING_K, NOTHING_PA, IN_ONE_S = 3.0, 200e3, 65.0
"""Exactly 0 after one step so far: nothing that is measured stops there, and no circuit is emptied between two rows."""
BOUT_S, BOUT_SHARE, BOUT_IN_VACUUM = 600.0, 0.2, 0.5
"""Numbers that cannot be are one fault when they come within ten minutes of each other, and none while they are few. A
coarse gauge's noise about nothing is below nothing half of the time."""


def lost(channel: str, readings: Readings) -> Iterator[Fault]:
    """Yield each stretch in which a channel gave nothing that can be while rows went on."""
    at, values, bare, least_s = readings.at, readings.values[channel], None, LOST_S
    wrong = readings.cannot_be(channel)
    if channel in ON_CYLINDER:
        weight = readings.values.get(SCALE)
        if weight is None or np.isnan(weight).all():
            least_s = CHANGE_S
        else:
            bare = weight < LIGHTEST_KG
    told_until = -np.inf
    for fault, over_s in sorted(
        (*bouts(channel, readings), *_pauses(channel, at, values, wrong, bare, least_s)),
        key=lambda each: each[0].known_s,
    ):
        if fault.since_s >= told_until:
            yield fault
            told_until = over_s


def _pauses(
    channel: str, at: np.ndarray, values: np.ndarray, wrong: np.ndarray, bare: np.ndarray | None, least_s: float
) -> Iterator[tuple[Fault, float]]:
    """Yield each pause in which no reading came that can be, and when the next one came."""
    for first, known, came_back in long_pauses(at, values, bare, least_s):
        why = "impossible numbers" if wrong[first + 1 : known].any() else "no readings any more"
        yield (
            lost_fault(
                channel, float(at[first]), float(at[known]), f"gives {why}: check the instrument and its cable."
            ),
            (float(at[came_back]) if came_back < len(at) else np.inf),
        )


def long_pauses(
    at: np.ndarray, values: np.ndarray, bare: np.ndarray | None = None, least_s: float = LOST_S
) -> Iterator[tuple[int, int, int]]:
    """Yield each pause of a channel that is long for it: the row before, that at which it is known, that after it.

    What sat on a cylinder that was lifted off is missed only since the last row in which the scale was `bare`.
    """
    there = np.flatnonzero(~np.isnan(values))
    if len(there) < LEAST_READINGS:
        return
    pauses = np.append(np.diff(at[there]), at[-1] - at[there[-1]])
    for i in np.flatnonzero(pauses >= least_s).tolist():
        if i < LEAST_READINGS - 1:
            continue
        usual, long, longest = np.quantile(pauses[max(0, i - 100) : i], (0.5, 0.9, 1.0)).tolist()
        long = longest if long >= IRREGULAR * usual else long
        limit = max(least_s, USUAL_INTERVALS * usual, LONG_INTERVALS * long)
        first = int(there[i])
        came_back = int(there[i + 1]) if i + 1 < len(there) else len(at)
        if bare is not None and not bare[int(np.searchsorted(at, at[first] - LOST_S)) : first + 1].all():
            for away in (first + np.flatnonzero(bare[first:came_back])).tolist():
                first = away if at[away] - at[first] < limit else first
        known = int(np.searchsorted(at, at[first] + limit))
        if known < came_back and known - first > 3:  # a pause of all rows is a gap of the log, not a lost channel
            yield first, known, came_back


def is_lost(frame: pd.DataFrame, channel: str) -> bool:
    """Return whether a channel of a log gave readings and gives none any more at its last row."""
    if channel not in frame or not len(frame):
        return False
    at = seconds(pd.DatetimeIndex(frame.index))
    pauses = long_pauses(at, frame[channel].to_numpy(dtype=float))
    return any(came_back == len(at) for _, _, came_back in pauses)


def bouts(channel: str, readings: Readings) -> Iterator[tuple[Fault, float]]:
    """Yield each time in which many of the numbers that were shown cannot be, and its end; a few are bad frames."""
    impossible = readings.cannot_be(channel)
    wrong = np.flatnonzero(impossible)
    if not len(wrong):
        return
    at = readings.at[wrong]
    shown = np.cumsum(~np.isnan(readings.values[channel]) | impossible)
    edges = [0, *(1 + np.flatnonzero(np.diff(at) > BOUT_S)).tolist(), len(wrong)]
    for begin, end in pairwise(edges):
        rows, times = wrong[begin:end], at[begin:end]
        count = 1 + np.arange(end - begin)
        among = shown[rows] - shown[rows[0]] + 1
        sure = (times >= times[0] + LOST_S) & (count >= LEAST_READINGS) & (count >= BOUT_SHARE * among)
        if sure.any() and _in_vacuum(readings, channel, int(rows[0]), int(rows[int(np.argmax(sure))])):
            sure &= count >= BOUT_IN_VACUUM * among
        if sure.any():
            why = "gives impossible numbers: is it connected, is its unit right?"
            yield lost_fault(channel, float(times[0]), float(times[int(np.argmax(sure))]), why), float(times[-1])


def _in_vacuum(readings: Readings, channel: str, first: int, last: int) -> bool:
    """Return whether what a gauge showed between its numbers that cannot be is a circuit in a vacuum."""
    middle = median_of(readings.values[channel][first : last + 1])
    return readings.dimension(channel) == "pressure" and channel not in MICRON_PROBES and middle < EMPTY_PA


def lost_fault(channel: str, since_s: float, known_s: float, why: str) -> Fault:
    """Return that a channel gave nothing that can be: `why` goes on after its name."""
    unseen = ": stop the flow until it shows again" if channel == SCALE else ""
    text = f"{words(channel)} {why} Nothing is judged by it meanwhile{unseen}."
    return Fault("channel_lost", channel, since_s, known_s, known_s, text)


def impossible_in(values: np.ndarray, bounds: tuple[float, float] | None) -> np.ndarray | None:
    """Return which readings no field instrument shows, None where all can be."""
    if bounds is None or not len(values):
        return None
    low, high = np.fmin.reduce(values), np.fmax.reduce(values)
    if not (low < bounds[0] or high > bounds[1]):
        return None
    return np.asarray((values < bounds[0]) | (values > bounds[1]))


def fallen_to_nothing(at: np.ndarray, values: np.ndarray, unit: Unit) -> np.ndarray | None:
    """Return which readings are exactly nothing on a scale that has no such place, come to in one step; None: none are.

    Uses no later row.
    """
    if unit.dimension == "temperature" and unit.symbol != "K":
        nothing, far = unit.offset, NOTHING_K
    elif unit.dimension == "pressure" and unit.datum == "absolute":
        nothing, far = LEAST_PRESSURE_PA, NOTHING_PA
    else:
        return None
    none = np.abs(values - nothing) < 1e-6 * nothing
    if not none.any():
        return None
    there, zeros = np.flatnonzero(~np.isnan(values)), np.flatnonzero(none)
    place = np.searchsorted(there, zeros)
    begins = np.diff(place, prepend=-2) > 1  # a run of zeros: something else was read before it
    first = place[begins]
    last = there[np.maximum(first - 1, 0)]
    in_one = (first > 0) & (np.abs(values[last] - nothing) >= far) & (at[there[first]] - at[last] <= IN_ONE_S)
    wrong = np.zeros(len(values), dtype=bool)
    wrong[zeros[in_one[np.cumsum(begins) - 1]]] = True
    return wrong


def stages_of(channel: str) -> frozenset[str]:
    """Return the stages that are judged by a channel: elsewhere nobody misses it."""
    return _STAGES.get(channel, frozenset())


_BOTTLE, _ROOM = "recovery charging", "recovery pressure_test evacuation charging at_rest"
_STAGES = {
    channel: frozenset(stages.split())
    for channel, stages in {
        "circuit_pressure": "recovery pressure_test charging at_rest",
        "cylinder_weight": _BOTTLE,
        "cylinder_pressure": _BOTTLE,
        "cylinder_temperature": _BOTTLE,
        "ambient_temperature": _ROOM,
        "surface_temperature": _ROOM,
        "entering_water_temperature": "recovery pressure_test charging startup at_rest",
        "leaving_water_temperature": "recovery pressure_test charging startup at_rest",
        "barometer": "recovery pressure_test",
        "vacuum": "evacuation",
        "pump_vacuum": "evacuation",
        **dict.fromkeys(
            (
                "condenser_entering_temperature", "condenser_leaving_temperature", "suction_pressure",
                "suction_temperature", "discharge_pressure", "discharge_temperature", "liquid_pressure",
                "liquid_temperature",
            ),
            "startup at_rest",
        ),
        **dict.fromkeys(
            ("oil_pressure_before_filter", "oil_pressure_after_filter", "oil_temperature", "compressor_load"), "startup"
        ),
    }.items()
}  # fmt: skip
