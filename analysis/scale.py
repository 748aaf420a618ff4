"""The scale: from a hostile weight signal to mass moved, cylinder by cylinder.

Readings become samples here, samples become loads in `scale_tracker`. All in one pass forward, so nothing at
a row uses a later one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.result import Figure
from analysis.scale_display import come_to_rest
from analysis.scale_loads import Change
from analysis.scale_names import Load, Names, Naming
from analysis.scale_samples import SAMPLE_S, newest, resolution_kg, samples
from analysis.scale_tracker import Tracker
from analysis.stretch import Stretch, seconds
from analysis.vocabulary.units import UnitSystem

__all__ = ["Change", "Load", "Naming", "Weighing", "weigh"]

RATE_S = 120.0
"""The mass rate is taken over this time."""
PACE_S, PACE_STEPS = (15.0, 30.0, 60.0, 120.0, 300.0), 10.0
"""The pace is taken over the shortest of these times in which one load moved by so many steps of the scale, or of what
it shakes by: long enough to tell it to a tenth, short enough to leave out the pause before."""
SHAKES_KG = 1.0
"""A weight that is not steady to half of this is told; common practice."""
UNSETTLED_LEAST, UNSETTLED_SHARE = 60, 0.5
"""A scale that could not be read in more samples than both is told; common practice."""


@dataclass(frozen=True)
class Weighing:
    """What the scale says.

    Attributes
    ----------
    loads : in order of time.
    changes : changes of cylinder (a cylinder put back is none).
    moved_kg : mass moved the stage's way since the first reading, at each row; NaN before the first sample.
    rate_kg_per_s : mass rate over the last `RATE_S`, at each row; NaN where not known.
    pace_kg_per_s : mass rate while it flows, for what is still to come; `rate_kg_per_s` where too little moved to tell.
    gross_kg : believed gross weight at each row; NaN while nothing, or nothing believable, stands there.
    load : number of the load in `loads` at each row, -1 where none.
    shakes_kg : what a weight that stands shakes by, at each row (standard deviation).
    names : what each load was called from when on.
    resolution_kg : smallest change that means anything, by the readings so far, at each row.
    sign : +1 recovery (mass into cylinders counts), -1 charging.
    shown_unsure_kg, unseen_kg : how unsure the mass moved in all is, by steps and shaking of what the scale showed, and
        by what moved, or may have been taken for hands, where no reading showed it.
    cautions : what a reader has to know of the weighing, one sentence each.
    """

    loads: tuple[Load, ...]
    changes: tuple[Change, ...]
    moved_kg: pd.Series
    rate_kg_per_s: pd.Series
    pace_kg_per_s: pd.Series
    gross_kg: pd.Series
    load: pd.Series
    shakes_kg: pd.Series
    names: tuple[Naming, ...]
    resolution_kg: pd.Series
    sign: float
    shown_unsure_kg: float = 0.0
    unseen_kg: float = 0.0
    cautions: tuple[str, ...] = ()

    @property
    def total_kg(self) -> float:
        """Mass moved so far; NaN when no cylinder was seen on the scale."""
        confirmed = [load.moved_kg for load in self.loads if load.confirmed]
        return sum(confirmed) if confirmed else math.nan

    @property
    def uncertainty_kg(self) -> float:
        """How unsure the mass moved in all is; NaN where that is not known."""
        return math.hypot(self.shown_unsure_kg, self.unseen_kg) if math.isfinite(self.total_kg) else math.nan

    def why_unsure(self, system: UnitSystem) -> str:
        """Return what makes the mass unsure, as the end of a sentence."""
        if self.unseen_kg > self.shown_unsure_kg:
            return "part of it moved where no reading showed it"
        step = Figure(float(self.resolution_kg.iloc[-1]), "mass").show(system, 2)
        return f"the scale moves in steps of {step}, drifts, and hoses pull on it"

    @property
    def left_kg(self) -> dict[str, float]:
        """Gross weight with which each cylinder left the scale, or shows now [kg]."""
        return {load.cylinder: load.end_kg for load in self.loads if load.confirmed and not load.zeroed}

    def by_cylinder(self) -> dict[str, float]:
        """Return the mass moved for each cylinder by its name [kg]."""
        sums: dict[str, float] = {}
        for load in self.loads:
            sums[load.cylinder] = sums.get(load.cylinder, 0.0) + load.moved_kg
        return sums


def weigh(stretch: Stretch) -> Weighing:
    """Return what the scale says of a recovery or a charging.

    Uses `cylinder_weight`, the marks ``cylinder_on`` and ``cylinder_off`` and the job's cylinders; any of them may be
    missing. Mass that moved while the scale gave no readings is counted where the same cylinder stood there after.
    """
    readings = stretch.channel("cylinder_weight")
    column = stretch.columns.get("cylinder_weight")
    resolution = resolution_kg(readings, 1.0 if column is None else column.unit.scale)
    at = seconds(pd.DatetimeIndex(readings.index), stretch.begin)
    rest = come_to_rest(at, readings.to_numpy(dtype=float), resolution)
    stamps, taken = samples(readings, at, rest, resolution)
    tracker = Tracker(
        -1.0 if stretch.stage == "charging" else 1.0, Names(stretch.job.cylinder, stretch.left_kg), stamps=stamps
    )
    marks = stretch.marks("cylinder_on", "cylinder_off")
    mark_at = seconds(pd.DatetimeIndex(marks["time"]), stretch.begin).tolist()
    given = [(m, s, str(v).strip()) for m, s, v in zip(mark_at, marks["subject"], marks["value"], strict=True)]
    i = 0
    for sample in taken:
        while i < len(given) and given[i][0] <= sample.at:
            tracker.mark(*given[i], sample.row)
            i += 1
        tracker.take(sample)
    if taken:
        shown = newest(at, rest, resolution, tracker.still_kg)
        over = pd.DatetimeIndex([stretch.frame.index[-1] if stretch.end is None else stretch.end])
        tracker.look_now(shown, seconds(over, stretch.begin)[0] - shown.at)
    return _result(stretch, tracker, pd.Series(resolution, index=readings.index))


def _result(stretch: Stretch, tracker: Tracker, resolution: pd.Series) -> Weighing:
    index = pd.DatetimeIndex(stretch.frame.index)
    table = np.array(tracker.out, dtype=float).reshape(-1, 5)
    at, moved, gross, load, shook = table.T
    close = np.diff(at, prepend=-np.inf) <= 3.0 * SAMPLE_S
    steady = np.where(close, pd.Series(moved).rolling(3, min_periods=1).median(), moved)
    rate, _ = _rate(at, steady, RATE_S)
    step = resolution.reindex(tracker.stamps).to_numpy(dtype=float)
    pace, enough = rate, PACE_STEPS * np.maximum(step, 2.0 * shook)
    for over_s in reversed(PACE_S):
        over, old = _rate(at, steady, over_s)
        tells = (load == load[old]) & (steady - steady[old] >= enough) & (np.arange(len(at)) - old >= 2)
        pace = np.where(tells & np.isfinite(over), over, pace)

    def rows(values: np.ndarray) -> pd.Series:
        return pd.Series(values, index=tracker.stamps).reindex(index, method="ffill")

    cautions = list(tracker.cautions)
    if 4.0 * tracker.shakes_kg > SHAKES_KG:
        shakes = Figure(2.0 * tracker.shakes_kg, "mass").show(stretch.job.job.units, 2)
        cautions.append(
            f"The weight shakes by about {shakes}: set the scale on firm ground; masses are that uncertain."
        )
    if tracker.unsettled >= UNSETTLED_LEAST and tracker.unsettled > UNSETTLED_SHARE * len(table):
        cautions.append(
            f"In {tracker.unsettled / len(table):.0%} of the time the weight shakes or jumps too much to be read: set "
            "the scale on firm ground, free of hoses and hands."
        )
    shown_unsure, unseen = tracker.unsure_kg()
    weight = rows(gross)
    number = rows(load).fillna(-1.0).astype(int)
    return Weighing(
        loads=tuple(tracker.loads),
        changes=tuple(tracker.changes),
        moved_kg=rows(steady),
        rate_kg_per_s=rows(rate),
        pace_kg_per_s=rows(pace),
        gross_kg=weight,
        load=number,
        shakes_kg=rows(shook),
        names=tuple(tracker.names.told),
        resolution_kg=resolution.reindex(index, method="ffill").bfill(),
        sign=tracker.sign,
        shown_unsure_kg=shown_unsure,
        unseen_kg=unseen,
        cautions=tuple(dict.fromkeys(cautions)),
    )


def _rate(at: np.ndarray, moved_kg: np.ndarray, over_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the mass rate over the last `over_s` of each sample, NaN where not known, and where that begins; (n,)."""
    past = np.searchsorted(at, at - over_s + 1e-6, side="right") - 1
    old = np.maximum(past, 0)
    known = (past >= 0) & (at - at[old] <= 3.0 * max(over_s, RATE_S))
    spent = np.maximum(at - at[old], 1.0)
    return np.where(known, (moved_kg - moved_kg[old]) / spent, np.nan), old
