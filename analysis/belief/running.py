"""A thermometer's label in doubt while the compressor runs: what flows through the machine is in a known order.

Water is cooled, but not under what boils beside it; gas leaves warmer than it condenses, liquid and the condenser's
water or air colder. A reading that breaks this order, beside another that a third one confirms, and keeps all of it
with the other label, carries the wrong one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from analysis.belief.fault import RUNS, Readings
from analysis.belief.labels import Label, otherwise
from analysis.fluids import Refrigerant
from analysis.vocabulary.channels import Column

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


def out_of_order(readings: Readings, columns: Mapping[str, Column], fluid: Refrigerant) -> Iterator[Label]:
    """Yield each label of a thermometer that what flows beside it puts in doubt."""
    minutes = readings.minutes
    if not {"suction_pressure", "discharge_pressure"} <= set(minutes):
        return
    low, high = (minutes[f"{side}_pressure"].to_numpy(dtype=float) for side in ("suction", "discharge"))
    runs = readings.running() & (high > RUNS * low)
    if not runs.any():
        return
    shown = {str(channel): minutes[channel].to_numpy(dtype=float) for channel in minutes}
    shown[BOILS], shown[CONDENSES] = (np.asarray(fluid.bubble_temperature_k(p), dtype=float) for p in (low, high))
    order = {pair: bounds for pair, bounds in ORDER.items() if set(pair) <= set(shown)}

    def kept(pair: tuple[str, str], by_k: float, channel: str = "", instead: np.ndarray | None = None) -> np.ndarray:
        first, second = (instead if each == channel and instead is not None else shown[each] for each in pair)
        least, most = order[pair]
        return np.asarray((first - second > least - by_k) & (first - second < most + by_k))

    for channel in sorted({each for pair in order for each in pair} - {BOILS, CONDENSES}):
        for meant, other in otherwise(shown[channel], columns[channel].unit, readings.barometer_pa):
            sense, broken = runs.copy(), np.zeros(len(runs), dtype=bool)
            for pair in (pair for pair in order if channel in pair):
                beside = pair[0] if pair[1] == channel else pair[1]
                known = np.isfinite(shown[channel]) & np.isfinite(shown[beside])
                sense &= ~known | kept(pair, 0.0, channel, other)
                thirds = [kept(third, 0.0) for third in order if beside in third and channel not in third]
                if thirds:
                    broken |= known & ~kept(pair, BEYOND_K) & np.logical_or.reduce(thirds)
            yield Label(channel, meant, "what flows beside it", broken & sense, shown[channel] - other)
