"""Which cylinder stood on the scale in which rows, by what was known then, and what it may weigh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import Bins
from analysis.cylinders.safe_fill import SafeFill, doubts, safe_fill
from analysis.fluids import Refrigerant, refrigerant, refrigerant_of
from analysis.scale import Load, Naming, Weighing
from analysis.stretch import Stretch
from analysis.vocabulary.job import CylinderTable, Job
from analysis.vocabulary.units import UnitSystem

LIGHTER_KG = 0.5
"""A cylinder that weighs this much less than its stated tare is another one, or its tare is wrong."""


@dataclass(frozen=True)
class Stay:
    """One load under one name: `rows` numbers rows of the frame; `gross_kg` what it weighed in the first.

    `fill` and `gross_limit_kg` are what it may hold and weigh, None where that is not known; `guessed` when it is not
    known which of the job's cylinders it is, and the lightest limit was taken.
    """

    naming: Naming
    rows: np.ndarray
    gross_kg: float
    zeroed: bool
    fill: SafeFill | None
    gross_limit_kg: float | None
    guessed: bool

    @property
    def name(self) -> str:
        """The cylinder's name as it was known then."""
        return self.naming.cylinder

    @property
    def table(self) -> CylinderTable | None:
        """What the job says of it."""
        return self.naming.table

    @property
    def has_no_limit(self) -> bool:
        """Whether nothing that the job says tells how much it may hold."""
        return self.fill is None and self.table is None and not self.zeroed

    @property
    def lighter_than_tare(self) -> bool:
        """Whether it weighs less than its stated tare."""
        tare = None if self.table is None else self.table.tare_kg
        return tare is not None and not self.zeroed and self.gross_kg < tare - LIGHTER_KG


def fluid_of(table: CylinderTable | None, fluid: Refrigerant | None) -> Refrigerant | None:
    """Return what the cylinder is filled with: the circuit's refrigerant, else the cylinder's own."""
    if fluid is not None or table is None or table.refrigerant is None:
        return fluid
    return refrigerant(table.refrigerant)


def limit_of(
    table: CylinderTable | None, fluid: Refrigerant | None, system: UnitSystem, gross_kg: float
) -> tuple[SafeFill, float] | None:
    """Return the safe fill and the safe gross weight [kg] of a cylinder that weighs `gross_kg`, None when not known."""
    filled = fluid_of(table, fluid)
    if table is None or filled is None or doubts([table], system):
        return None
    assert table.tare_kg is not None
    assert table.water_capacity_kg is not None
    if gross_kg < table.tare_kg - LIGHTER_KG:
        return None
    fill = safe_fill(filled, table.water_capacity_kg)
    return fill, fill.gross_kg(table.tare_kg)


def limit_of_load(load: Load, job: Job) -> tuple[SafeFill, float] | None:
    """Return the safe fill and the safe gross weight [kg] of what stood on the scale, None when not known."""
    if load.zeroed:
        return None
    return limit_of(load.table, refrigerant_of(job), job.job.units, load.begin_kg)


def stays_on_scale(stretch: Stretch, weighing: Weighing, fluid: Refrigerant | None) -> list[Stay]:
    """Return who stood on the scale in which rows, by what was known then."""
    index = pd.DatetimeIndex(stretch.frame.index)
    load, gross = weighing.load.to_numpy(), weighing.gross_kg.to_numpy(dtype=float)
    system = stretch.job.job.units
    stays, named = [], set()
    for i, naming in enumerate(weighing.names):
        name, number, table = naming.cylinder, naming.load, naming.table
        later = weighing.names[i + 1].time if i + 1 < len(weighing.names) else None
        first = int(index.searchsorted(naming.time))
        last = len(index) if later is None else int(index.searchsorted(later))
        rows = np.flatnonzero(load[first:last] == number) + first
        named.add(name)
        begin_kg = float(gross[rows[0]]) if len(rows) else np.nan
        zeroed = weighing.loads[number].zeroed
        limit = None if zeroed else limit_of(table, fluid, system, begin_kg)
        guessed = False
        if table is None and not zeroed and naming.by == "order":
            # not known which of the job's cylinders it is: the lightest limit of those that it may be, by its weight
            left = [t for t in stretch.job.cylinder if t.id not in named]
            alike = [t for t in left if t.id in naming.may_be]
            others = [limit_of(t, fluid, system, begin_kg) for t in alike or left]
            limit = min((other for other in others if other is not None), key=lambda pair: pair[1], default=None)
            guessed = limit is not None
        fill, gross_limit_kg = (None, None) if limit is None else limit
        stays.append(Stay(naming, rows, begin_kg, zeroed, fill, gross_limit_kg, guessed))
    return stays


def stay_at(stretch: Stretch, stays: list[Stay], bins: Bins) -> np.ndarray:
    """Return the number of the stay of each bin, by the row at which the bin was known, -1 where none; shape (n,)."""
    of_row = np.full(len(stretch.frame), -1)
    for number, stay in enumerate(stays):
        of_row[stay.rows] = number
    return np.asarray(of_row[stretch.frame.index.searchsorted(bins.known)])
