"""A label in doubt while the compressor runs: what flows through the machine is in a known order.

Water is cooled, but not under what boils beside it; gas leaves warmer than it condenses, liquid and the condenser's
water or air colder. A reading that breaks this order, beside another that a third one confirms, and keeps all of it
with the other label, carries the wrong one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from analysis.belief.fault import RUNS, Fault, Readings
from analysis.belief.labels import Label, in_other_units, known_at, only_one_in, relabelled
from analysis.fluids import Refrigerant
from analysis.vocabulary.text import words

SUCTION, DISCHARGE = "suction_pressure", "discharge_pressure"
BOILS, CONDENSES = "boils", "condenses"
ORDER: Mapping[tuple[str, str], tuple[float, float]] = {
    ("entering_water_temperature", "leaving_water_temperature"): (-3.0, 20.0),
    ("condenser_leaving_temperature", "condenser_entering_temperature"): (-3.0, 25.0),
    ("leaving_water_temperature", BOILS): (-3.0, 20.0),
    ("entering_water_temperature", BOILS): (-3.0, 35.0),
    ("suction_temperature", BOILS): (-3.0, 40.0),
    ("discharge_temperature", CONDENSES): (-3.0, 90.0),
    ("liquid_temperature", CONDENSES): (-30.0, 3.0),
    ("condenser_leaving_temperature", CONDENSES): (-25.0, 3.0),
    ("condenser_entering_temperature", CONDENSES): (-40.0, 3.0),
}
"""How much warmer the first is than the second [K] (common practice)."""
BEYOND_K = 5.0
"""So far outside it the order is broken."""
LOAD = "compressor_load"
ALL_OF_IT = 0.0105
"""What a load in shares of 1 does at most, read as %."""
GAUGE_DOUBTS = 2
"""The only gauge in its unit is in doubt when two thermometers at least cannot stand so beside what it says boils: one
may be off itself."""


def out_of_order(readings: Readings, fluid: Refrigerant) -> Iterator[Label]:
    """Yield each label of a thermometer, or of the suction gauge, that what flows beside it puts in doubt."""
    minutes = readings.minutes
    if not {SUCTION, DISCHARGE} <= set(minutes):
        return
    low, high = readings.by_minute(SUCTION), readings.by_minute(DISCHARGE)
    runs = readings.running() & (high > RUNS * low)
    if not runs.any():
        return

    def saturation_k(pressure: np.ndarray) -> np.ndarray:
        return np.asarray(fluid.bubble_temperature_k(pressure), dtype=float)

    shown = {channel: readings.by_minute(channel) for channel in map(str, minutes)}
    shown[BOILS], shown[CONDENSES] = saturation_k(low), saturation_k(high)
    order = {pair: bounds for pair, bounds in ORDER.items() if set(pair) <= set(shown)}

    def kept(pair: tuple[str, str], by_k: float, place: str = "", instead: np.ndarray | None = None) -> np.ndarray:
        first, second = (instead if each == place and instead is not None else shown[each] for each in pair)
        least, most = order[pair]
        return np.asarray((first - second > least - by_k) & (first - second < most + by_k))

    thermometers = sorted({each for pair in order for each in pair} - {BOILS, CONDENSES})
    ways = [
        (c, c, meant, other, shown[c] - other) for c in thermometers for meant, other in in_other_units(c, readings)
    ]
    own = readings.unit(SUCTION)
    for meant in only_one_in(own, {readings.unit(c) for c in readings.other_gauges(SUCTION)}):
        other = relabelled(low, own, meant, readings.minute_barometer_pa)
        ways.append((SUCTION, BOILS, meant, saturation_k(other), low - other))
    for channel, place, meant, other, apart in ways:
        sense, broken, doubts = runs.copy(), np.zeros(len(runs), dtype=bool), np.zeros(len(runs))
        for pair in (pair for pair in order if place in pair):
            beside = pair[0] if pair[1] == place else pair[1]
            known = np.isfinite(shown[place]) & np.isfinite(shown[beside])
            sense &= ~known | kept(pair, 0.0, place, other)
            doubts += known & ~kept(pair, 0.0)
            thirds = [kept(third, 0.0) for third in order if beside in third and place not in third]
            if thirds:
                broken |= known & ~kept(pair, BEYOND_K) & np.logical_or.reduce(thirds)
        wrong = doubts >= GAUGE_DOUBTS if place == BOILS else broken
        yield Label(channel, meant, "what flows beside it", wrong & sense, apart)


def load_as_share(readings: Readings) -> Iterator[Fault]:
    """Yield the fault of a load in shares of 1: it showed no more than that many hundredths while a machine ran.

    That it runs is known by pressures that came apart; closed valves keep those of one that stands as far apart as
    water and air are warm.
    """
    if not {LOAD, SUCTION, DISCHARGE} <= set(readings.values):
        return
    low, high = readings.by_minute(SUCTION), readings.by_minute(DISCHARGE)
    most = readings.as_minutes_ended(np.fmax.accumulate(readings.values[LOAD]))
    apart = high / np.maximum(low, 1.0)
    runs = apart > RUNS * np.maximum(np.fmin.accumulate(apart), 1.0)
    wrong = readings.within("startup") & runs & (most > 0.0) & (most <= ALL_OF_IT)
    last = known_at(wrong)
    if last is not None:
        known = readings.known_s(last)
        yield Fault(
            "channel_jumped", LOAD, float(readings.of(LOAD)[0][0]), known, np.inf,
            f"{words(LOAD)} is logged as % but has shown no more than 1 since the machine started: it counts in shares "
            "of 1. Log it times 100. It is left out.",
        )  # fmt: skip
