"""A label in doubt by saturation: where liquid stands, pressure and temperature tell each other.

A pressure far above saturation at the temperature beside it is none of that refrigerant: it condenses until it is
at saturation, and air adds some kelvin at the most. Below saturation there is only no liquid, which says nothing,
except in a cylinder from which liquid is charged and in a condenser while the machine runs.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analysis.belief.fault import Readings
from analysis.belief.labels import Label, in_other_units
from analysis.fluids import Refrigerant

PAIRS = {
    ("cylinder_pressure", "cylinder_temperature"): (-6.0, 6.0, 12.0, "charging"),
    ("cylinder_pressure", "ambient_temperature"): (-10.0, 15.0, 30.0, ""),
    ("circuit_pressure", "leaving_water_temperature"): (-8.0, 4.0, 12.0, ""),
    ("suction_pressure", "leaving_water_temperature"): (-15.0, 4.0, 12.0, ""),
    ("suction_pressure", "suction_temperature"): (-30.0, 1.0, 8.0, ""),
    ("discharge_pressure", "condenser_leaving_temperature"): (-3.0, 20.0, 30.0, "startup"),
    ("liquid_pressure", "condenser_leaving_temperature"): (-3.0, 20.0, 30.0, "startup"),
    ("discharge_pressure", "liquid_temperature"): (-3.0, 20.0, 30.0, "startup"),
    ("liquid_pressure", "liquid_temperature"): (-3.0, 20.0, 30.0, "startup"),
}
"""Between which saturation of the one stands from the other while there is liquid [K], how far above it cannot be (air
in a cylinder: 2 bar in R-134a are 11 K; the heat of a running recovery), and the stage in which it cannot be `UNDER_K`
below either (common practice)."""
WITNESS = {
    "leaving_water_temperature": "entering_water_temperature",
    "suction_temperature": "leaving_water_temperature",
}
"""Where the pressure can be right beside this one (with some air in it), its label is not in doubt."""
UNDER_K = 25.0
STEP_K, NOWHERE_K, RIGHT_MINUTES = 20.0, 1000.0, 3
"""What is measured gets hot or cold by less in a minute: a label that is switched over is off by so much at least. So
many minutes within reach of what stands around tell that it is right."""
WITH_REFRIGERANT = ("recovery", "charging", "at_rest", "startup")
POSSIBLE_K = (253.15, 328.15)
"""What has its right unit now lies here: water, and a cylinder in the sun."""


def against_saturation(readings: Readings, fluid: Refrigerant) -> Iterator[Label]:
    """Yield each label of a pressure or a thermometer that liquid beside it puts in doubt."""
    most_pa = float(fluid.bubble_pressure_pa(fluid.range_k[1]))

    def saturation_k(pressure: np.ndarray) -> np.ndarray:
        found = np.asarray(fluid.bubble_temperature_k(pressure), dtype=float)
        return np.where(pressure > most_pa, np.inf, found)

    running = readings.running()
    there = readings.within(*WITH_REFRIGERANT) | running
    for (pressure, thermometer), (low, high, above, never_under) in PAIRS.items():
        if pressure not in readings.minutes or thermometer not in readings.minutes:
            continue
        p, t = readings.by_minute(pressure), readings.by_minute(thermometer)
        apart = saturation_k(p) - t
        never = running if never_under == "startup" else readings.within(never_under)
        wrong = there & (apart > above) | never & (apart < -UNDER_K)
        wrong &= ~readings.comes_to_rest(thermometer)
        if pressure == "cylinder_pressure":
            wrong &= ~right_before(apart, (apart > low) & (apart < high))
        if not wrong.any():
            continue
        other_p, other_t = (list(in_other_units(channel, readings)) for channel in (pressure, thermometer))
        fits = [(saturation_k(q) - t, t) for _, q in other_p] + [(saturation_k(p) - q, q) for _, q in other_t]
        sense = np.array([(d > low) & (d < high) & (k > POSSIBLE_K[0]) & (k < POSSIBLE_K[1]) for d, k in fits])
        if (witness := WITNESS.get(thermometer, "")) in readings.minutes:
            beside = saturation_k(p) - readings.by_minute(witness)
            sense[: len(other_p)] &= ~((beside > low) & (beside < above))
        alone = wrong & (sense[: len(other_p)].any(axis=0) ^ sense[len(other_p) :].any(axis=0))
        ways = [(pressure, p, *way) for way in other_p] + [(thermometer, t, *way) for way in other_t]
        for (channel, read, meant, other), makes in zip(ways, sense, strict=True):
            yield Label(channel, meant, "saturation", alone & makes, read - other)


def right_before(apart: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return in which minutes a label has been right already: what grows hot or cold does so without a step."""
    counted = np.cumsum(right)
    away = np.diff(np.minimum(np.abs(pd.Series(apart).ffill()), NOWHERE_K), prepend=NOWHERE_K)
    return counted - np.maximum.accumulate(np.where(away < STEP_K, 0, counted - right)) >= RIGHT_MINUTES
