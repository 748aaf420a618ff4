"""A scale that is logged in the other unit, by the stated cylinder with which it begins."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.belief.fault import Fault, Readings
from analysis.result import Figure
from analysis.vocabulary.job import Job
from analysis.vocabulary.text import words
from analysis.vocabulary.units import UNITS

SCALE, POUNDS = "cylinder_weight", ("kg", "lb")
BARE_KG, WEIGHED_S, WEIGHED, ABOUT, EMPTY = 2.0, 180.0, 0.03, 0.15, 0.01
"""A scale begins with what stood on it for three minutes: a stated cylinder to some hundredths, or roughly. One that
may hold anything is its empty self in the other unit where a recovery begins with that to a hundredth; what is charged
from is not empty."""


def scale_in_pounds(readings: Readings, job: Job | None) -> Iterator[Fault]:
    """Yield the fault of a scale that begins with a stated cylinder in the other unit, and with none in its own."""
    symbol = readings.unit(SCALE).symbol if SCALE in readings.values else ""
    if job is None or symbol not in POUNDS:
        return
    meant = next(each for each in POUNDS if each != symbol)
    times, values = readings.of(SCALE)
    loaded = np.flatnonzero(values > BARE_KG)
    stated = [(c.tare_kg, c.contents_kg, c.water_capacity_kg) for c in job.cylinder if c.tare_kg]
    if not len(loaded) or not stated or len(stated) < len(job.cylinder):
        return
    since = float(times[loaded[0]])
    first, known = int(loaded[0]), int(np.searchsorted(times, since + WEIGHED_S))
    if known >= len(times) or known - first < 2 or np.min(values[first : known + 1]) <= BARE_KG:
        return
    read = float(np.median(values[first : known + 1]))
    other = read / UNITS[symbol].scale * UNITS[meant].scale
    filled = readings.at_stage(float(times[known]), float(times[known]), "recovery")
    empty = filled and any(abs(other / tare - 1.0) < EMPTY for tare, inside, _ in stated if not inside)
    if not empty and any(_may_weigh(read, *cylinder) for cylinder in stated):
        return
    if empty or any(abs(other / (tare + inside) - 1.0) < WEIGHED for tare, inside, _ in stated):
        offset = Figure(read - other, "mass")
        yield Fault(
            "channel_jumped", SCALE, float(times[0]), float(times[known]), np.inf,
            f"{words(SCALE)} is logged as {symbol} but begins with a cylinder of this job only as {meant} "
            f"({offset.show(readings.system, 2)} apart as it stands): correct the unit, or the cylinder. It is "
            "left out.",
            offset,
        )  # fmt: skip


def _may_weigh(read: float, tare: float, inside: float, water: float | None) -> bool:
    """Return whether a cylinder may weigh so much; one whose contents nobody stated may hold anything."""
    if inside:
        return abs(read / (tare + inside) - 1.0) < ABOUT
    return (1.0 - ABOUT) * tare < read < (1.0 + ABOUT) * (tare + (water or tare))
