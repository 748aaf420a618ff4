"""What each cylinder of the job holds now, and how long until the one on the scale is full."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from analysis.belief.lost import is_lost
from analysis.cylinders.safe_fill import safe_fill
from analysis.cylinders.stays import LIGHTER_KG, fluid_of
from analysis.fluids import refrigerant_of
from analysis.review import StageReview
from analysis.scale import Weighing, weigh
from analysis.vocabulary.job import CylinderTable, Job

UNSURE_KG = 0.5
"""An empty cylinder may seem to hold less than nothing by so much: hoses and hands move a scale; common practice."""


@dataclass(frozen=True)
class CylinderFill:
    """One cylinder: `net_kg` in it now, `limit_kg` its safe net fill (each NaN where not known).

    `on_scale`: it stands there now. `seconds_left`: until the safe fill at the present rate; NaN while not filling, and
    where no scale shows any more how it fills.
    """

    name: str
    net_kg: float
    limit_kg: float
    on_scale: bool
    seconds_left: float


def cylinders_now(stages: Iterable[StageReview], job: Job) -> list[CylinderFill]:
    """Return every cylinder that the job names or the scale saw.

    It holds its weight beyond the tare, else the contents as stated and what every stage moved; where more left it than
    was stated, nobody said what was in it.
    """
    net = {table.id: table.contents_kg for table in job.cylinder}
    known = {table.id: table for table in job.cylinder}
    on_scale, rate, sign = "", math.nan, 0.0
    for stage in stages:
        if stage.stretch.stage not in ("recovery", "charging") or not stage.stretch.has("cylinder_weight"):
            continue
        weighing = weigh(stage.stretch)
        sign = weighing.sign
        for name, moved in weighing.by_cylinder().items():
            net[name] = net.get(name, 0.0) + sign * moved
        net |= _weighed_kg(weighing)
        running = stage.stretch.end is None
        on_scale, rate = _now(weighing) if running else ("", math.nan)
        if running and is_lost(stage.stretch.frame, "cylinder_weight"):
            rate = math.nan
    fills = []
    for name, held in net.items():
        held = held if held > -UNSURE_KG else math.nan
        limit = _limit_kg(known.get(name), job)
        here = name == on_scale
        filling = here and sign > 0 and rate > 1e-5 and math.isfinite(limit)
        fills.append(CylinderFill(name, held, limit, here, max(limit - held, 0.0) / rate if filling else math.nan))
    return fills


def _weighed_kg(weighing: Weighing) -> dict[str, float]:
    """Return what each cylinder whose tare the job states holds by its weight [kg]."""
    return {
        load.cylinder: load.begin_kg - load.laid_kg + weighing.sign * load.moved_kg - load.table.tare_kg
        for load in weighing.loads
        if load.table is not None
        and load.table.tare_kg is not None
        and not load.zeroed
        and load.begin_kg >= load.table.tare_kg - LIGHTER_KG
    }


def _now(weighing: Weighing) -> tuple[str, float]:
    if not len(weighing.load):
        return "", math.nan
    number = int(weighing.load.iloc[-1])
    name = weighing.loads[number].cylinder if 0 <= number < len(weighing.loads) else ""
    return name, float(weighing.rate_kg_per_s.iloc[-1])


def _limit_kg(table: CylinderTable | None, job: Job) -> float:
    fluid = fluid_of(table, refrigerant_of(job))
    if table is None or table.water_capacity_kg is None or fluid is None:
        return math.nan
    return safe_fill(fluid, table.water_capacity_kg).net_kg
