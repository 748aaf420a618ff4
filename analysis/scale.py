"""The scale: from a hostile weight signal to mass moved, cylinder by cylinder.

Readings become samples here, samples become loads in `scale_tracker`. All in one pass forward, so nothing at
a row uses a later one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.result import Figure
from analysis.scale_tracker import LEAST_NOISE_KG, SAMPLE_S, Change, Load, Tracker
from analysis.stretch import Stretch, seconds
from analysis.vocabulary.job import CylinderTable
from analysis.vocabulary.units import UNITS

__all__ = ["Change", "Load", "Weighing", "weigh"]

RATE_S = 120.0
"""The mass rate is taken over this time."""
SLOWEST_UPDATE_S = 60.0
"""No scale takes longer for a new number."""
SHAKES_KG = 1.0
"""A weight that is not steady to half of this is told; common practice."""


@dataclass(frozen=True)
class Weighing:
    """What the scale says.

    Attributes
    ----------
    loads : in order of time.
    changes : changes of cylinder (a cylinder put back is none).
    moved_kg : mass moved the stage's way since the first reading, at each row; NaN before the first sample.
    rate_kg_per_s : mass rate over the last `RATE_S`, at each row; NaN where not known.
    gross_kg : believed gross weight at each row; NaN while nothing, or nothing believable, stands there.
    load : number of the load in `loads` at each row, -1 where none.
    names : name of the cylinder as it was known at each sample that changed it: (stamp, load, name, table).
    resolution_kg : smallest change that means anything, from the first readings.
    sign : +1 recovery (mass into cylinders counts), -1 charging.
    cautions : what a reader has to know of the weighing, one sentence each.
    """

    loads: tuple[Load, ...]
    changes: tuple[Change, ...]
    moved_kg: pd.Series
    rate_kg_per_s: pd.Series
    gross_kg: pd.Series
    load: pd.Series
    names: tuple[tuple[pd.Timestamp, int, str, CylinderTable | None], ...]
    resolution_kg: float
    sign: float
    cautions: tuple[str, ...] = ()

    @property
    def total_kg(self) -> float:
        """Mass moved so far; NaN when the scale said nothing."""
        moved = self.moved_kg.dropna()
        return float(moved.iloc[-1]) if len(moved) else float("nan")

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
    index = pd.DatetimeIndex(stretch.frame.index)
    readings = stretch.channel("cylinder_weight")
    tracker = Tracker(-1.0 if stretch.stage == "charging" else 1.0, stretch.job.cylinder, index[:0])
    at = seconds(pd.DatetimeIndex(readings.index), stretch.begin)
    resolution = _resolution(stretch, readings)
    tracker.base_kg = max(LEAST_NOISE_KG, 1.5 * resolution)
    for sample in _samples(at, readings, stretch, tracker):
        tracker.take(*sample)
    return _result(stretch, index, tracker, resolution)


def _samples(
    at: np.ndarray, readings: pd.Series, stretch: Stretch, tracker: Tracker
) -> Iterator[tuple[int, float, float]]:
    """Yield (number, seconds, median of the last `SAMPLE_S`), giving marks to the tracker as they come."""
    if not len(readings):
        return
    medians = readings.rolling(f"{SAMPLE_S:.0f}s", min_periods=1).median().to_numpy(dtype=float)
    number = np.floor(at / SAMPLE_S + 1e-6)
    taken = np.flatnonzero(np.diff(number, prepend=-np.inf) > 0)
    taken = taken[_fresh(at[taken], medians[taken], _update_s(at, readings.to_numpy(dtype=float))[taken])]
    marks = stretch.marks("cylinder_on", "cylinder_off")
    mark_at = seconds(pd.DatetimeIndex(marks["time"]), stretch.begin).tolist()
    given = [(m, s, str(v).strip()) for m, s, v in zip(mark_at, marks["subject"], marks["value"], strict=True)]
    tracker.stamps = pd.DatetimeIndex(readings.index[taken])
    i = 0
    for row, (second, median) in enumerate(zip(at[taken].tolist(), medians[taken].tolist(), strict=True)):
        while i < len(given) and given[i][0] <= second:
            tracker.mark(*given[i], row)
            i += 1
        yield row, second, median


def _update_s(at: np.ndarray, shown: np.ndarray) -> np.ndarray:
    """Return how long the scale was seen to keep a number while it changes, so far [s], shape (n,).

    A scale slower than the recorder may have its old number written again. Two changes that follow each other
    show its pace; the quickest pair so far counts.
    """
    changed = np.flatnonzero(np.diff(shown, prepend=shown[:1]) != 0.0)
    update = np.full(len(at), SAMPLE_S)
    if len(changed) >= 4:
        apart = np.diff(at[changed])
        pace = np.minimum.accumulate(np.maximum(apart[1:], apart[:-1]))
        known = np.searchsorted(changed[2:], np.arange(len(at)), side="right") - 1
        update = np.where(known >= 1, np.minimum(pace[np.maximum(known, 0)], SLOWEST_UPDATE_S), SAMPLE_S)
    return update


def _fresh(at: np.ndarray, shown: np.ndarray, update_s: np.ndarray) -> np.ndarray:
    """Return which samples say something new: another number, or the old one after the scale's own time; (n,) bool."""
    fresh = np.ones(len(at), dtype=bool)
    slow = update_s > 1.5 * SAMPLE_S
    if not slow.any():
        return fresh
    last_at, last = -np.inf, np.nan
    for i, (second, number, update, maybe) in enumerate(
        zip(at.tolist(), shown.tolist(), update_s.tolist(), slow.tolist(), strict=True)
    ):
        if maybe and number == last and second - last_at < 0.9 * update:
            fresh[i] = False
        else:
            last_at, last = second, number
    return fresh


def _resolution(stretch: Stretch, readings: pd.Series) -> float:
    """Return the scale's step from its first readings [kg]: the coarsest usual step that all of them fit."""
    column = stretch.columns.get("cylinder_weight")
    scale = 1.0 if column is None else column.unit.scale
    shown = readings.to_numpy(dtype=float)[:60] / scale
    least = 0.02 * UNITS["lb"].scale
    for step in (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01):
        parts = shown / step
        if len(shown) and np.mean(np.abs(parts - np.round(parts)) < 1e-6) >= 0.95:
            return float(np.clip(step * scale, least, UNITS["lb"].scale))
    return least


def _result(stretch: Stretch, index: pd.DatetimeIndex, tracker: Tracker, resolution: float) -> Weighing:
    table = np.array(tracker.out, dtype=float).reshape(-1, 4)
    at, moved, gross, load = table.T
    close = np.diff(at, prepend=-np.inf) <= 3.0 * SAMPLE_S
    steady = np.where(close, pd.Series(moved).rolling(3, min_periods=1).median(), moved)
    past = np.searchsorted(at, at - RATE_S + 1e-6, side="right") - 1
    old = np.maximum(past, 0)
    known = (past >= 0) & (at - at[old] <= 3.0 * RATE_S)
    spent = np.maximum(at - at[old], 1.0)
    rate = np.where(known, (steady - steady[old]) / spent, np.nan)

    def rows(values: np.ndarray) -> pd.Series:
        return pd.Series(values, index=tracker.stamps).reindex(index, method="ffill")

    cautions = list(tracker.cautions)
    if tracker.base_kg > max(SHAKES_KG, 2.0 * resolution):
        shakes = Figure(0.5 * tracker.base_kg, "mass").show(stretch.job.job.units, 2)
        cautions.append(
            f"The weight shakes by about {shakes}: set the scale on firm ground; masses are that uncertain."
        )
    weight = rows(gross)
    number = rows(load).fillna(-1.0).astype(int)
    return Weighing(
        loads=tuple(tracker.loads),
        changes=tuple(tracker.changes),
        moved_kg=rows(steady),
        rate_kg_per_s=rows(rate),
        gross_kg=weight,
        load=number,
        names=tuple(tracker.names),
        resolution_kg=resolution,
        sign=tracker.sign,
        cautions=tuple(dict.fromkeys(cautions)),
    )
