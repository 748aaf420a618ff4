"""Which cylinder stood on the scale in which rows, by what was known then, and what it may weigh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import Bins
from analysis.fluids import Refrigerant, refrigerant
from analysis.safe_fill import SafeFill, safe_fill
from analysis.scale import Weighing
from analysis.stretch import Stretch
from analysis.vocabulary.job import CylinderTable


@dataclass(frozen=True)
class Stay:
    """Rows of one load under one name: `rows` numbers rows of the frame; `limit` what it may weigh, None unknown."""

    name: str
    table: CylinderTable | None
    load: int
    rows: np.ndarray
    fill: SafeFill | None
    gross_limit_kg: float | None
    guessed: bool


def fluid_of(table: CylinderTable | None, fluid: Refrigerant | None) -> Refrigerant | None:
    """Return what the cylinder is filled with: the circuit's refrigerant, else the cylinder's own."""
    if fluid is not None or table is None or table.refrigerant is None:
        return fluid
    return refrigerant(table.refrigerant)


def _limit_of(table: CylinderTable | None, fluid: Refrigerant | None) -> tuple[SafeFill, float] | None:
    """Return the safe fill and the safe gross weight of a cylinder [kg], None when the job does not say enough."""
    filled = fluid_of(table, fluid)
    if table is None or filled is None or table.tare_kg is None or not table.water_capacity_kg:
        return None
    fill = safe_fill(filled, table.water_capacity_kg)
    return fill, fill.gross_kg(table.tare_kg)


def stays_on_scale(stretch: Stretch, weighing: Weighing, fluid: Refrigerant | None) -> list[Stay]:
    """Return who stood on the scale in which rows, by what was known then."""
    index = pd.DatetimeIndex(stretch.frame.index)
    load = weighing.load.to_numpy()
    stays, named = [], set()
    for i, (stamp, number, name, table) in enumerate(weighing.names):
        later = next((n[0] for n in weighing.names[i + 1 :]), None)
        first = int(index.searchsorted(stamp))
        last = len(index) if later is None else int(index.searchsorted(later))
        rows = np.flatnonzero(load[first:last] == number) + first
        named.add(name)
        limit = None if weighing.loads[number].zeroed else _limit_of(table, fluid)
        guessed = False
        if limit is None and table is None and not weighing.loads[number].zeroed:
            # not known which of the job's cylinders it is: the lightest limit of those that it may be
            others = [_limit_of(t, fluid) for t in stretch.job.cylinder if t.id not in named]
            limit = min((other for other in others if other is not None), key=lambda pair: pair[1], default=None)
            guessed = limit is not None
        stays.append(
            Stay(
                name,
                table,
                number,
                rows,
                None if limit is None else limit[0],
                None if limit is None else limit[1],
                guessed,
            )
        )
    return stays


def stay_at(stretch: Stretch, stays: list[Stay], bins: Bins) -> np.ndarray:
    """Return the number of the stay of each bin, by the row at which the bin was known, -1 where none; shape (n,)."""
    of_row = np.full(len(stretch.frame), -1)
    for number, stay in enumerate(stays):
        of_row[stay.rows] = number
    return np.asarray(of_row[pd.DatetimeIndex(stretch.frame.index).get_indexer(bins.known)])
