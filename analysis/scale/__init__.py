"""The scale: from a hostile weight signal to mass moved, cylinder by cylinder.

Readings become samples here, samples become loads in `tracker`. All in one pass forward, so nothing at
a row uses a later one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.bins import running_median
from analysis.result import Figure
from analysis.scale.display import come_to_rest
from analysis.scale.levels import GAP_S
from analysis.scale.loads import Change, moved_kg
from analysis.scale.names import Load, Names, Naming
from analysis.scale.samples import SAMPLE_S, newest, resolution_kg, samples
from analysis.scale.standing import DRIFTED_OFF, HANDS_KG, SCREWED_ON_KG, flows_on
from analysis.scale.tracker import Tracker
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
STOOD_BEFORE = pd.Timedelta(minutes=1)
"""What stands on the scale before a stage begins is looked at for so long; common practice."""
UNMARKED_BEFORE = pd.Timedelta(minutes=1)
"""Where nobody marked the begin, the first cylinder that was filled is followed since so long before it was seen."""
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
    unseen_so_far_kg : how unsure what has moved is by what no reading showed, at each row (two standard deviations).
    names : what each load was called from when on.
    resolution_kg : smallest change that means anything, by the readings so far, at each row.
    sign : +1 recovery (mass into cylinders counts), -1 charging.
    shown_unsure_kg, unstood_kg, unseen_kg : how unsure the mass moved in all is, by steps and shaking of what the scale
        showed, by levels that were not seen to stand, and by what moved, or may have been taken for hands, where no
        reading showed it.
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
    unseen_so_far_kg: pd.Series
    names: tuple[Naming, ...]
    resolution_kg: pd.Series
    sign: float
    shown_unsure_kg: float = 0.0
    unstood_kg: float = 0.0
    unseen_kg: float = 0.0
    cautions: tuple[str, ...] = ()

    @property
    def total_kg(self) -> float:
        """Mass moved so far; NaN when no cylinder was seen on the scale."""
        return moved_kg(self.loads)

    @property
    def uncertainty_kg(self) -> float:
        """How unsure the mass moved in all is; NaN where that is not known."""
        if not math.isfinite(self.total_kg):
            return math.nan
        return math.hypot(self.shown_unsure_kg, self.unstood_kg, self.unseen_kg)

    def why_unsure(self, system: UnitSystem) -> str:
        """Return what makes the mass unsure, as the end of a sentence."""
        if self.unseen_kg > max(self.shown_unsure_kg, self.unstood_kg):
            return "part of it moved where no reading showed it"
        if self.unstood_kg > self.shown_unsure_kg:
            return "a cylinder was not seen to stand still on the scale before its valve was opened"
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
    inside = stretch.channel("cylinder_weight")
    if inside.empty:
        return _result(stretch, *_follow(stretch, inside), [])
    said: list[str] = []
    before = stretch.weighed.before
    came = _flowed_before(stretch, before)
    if came is None:
        before = before.iloc[:0]
    else:
        before = before[before.index > came[0]]
        said = _counted(stretch, came[1], "before the stage was marked")
    silent_s = seconds(pd.DatetimeIndex(stretch.frame.index[-1:]), inside.index[-1])[0]
    after = stretch.weighed.after if silent_s <= GAP_S else inside.iloc[:0]
    readings = pd.concat([part for part in (before, inside, after) if len(part)])
    tracker, resolution = _follow(stretch, readings, inside.index[-1])
    ended = int(tracker.stamps.searchsorted(inside.index[-1], side="right"))
    if ended < len(tracker.out):
        said += _counted(
            stretch, moved_kg(tracker.loads) - tracker.out[ended - 1][1], "after the stage was marked as over"
        )
    if stretch.found_by == "signals" and stretch.end is not None and stretch.stage == "recovery":
        _give_back(tracker)
    return _result(stretch, tracker, resolution, said)


def _give_back(tracker: Tracker) -> None:
    """End the last cylinder of a recovery that nobody marked before it was charged from: that is of the next stage.

    What was believed of hands, and went at once when they let go, did not flow back.
    """
    last = tracker.loads[-1] if tracker.loads else None
    if last is None or not last.confirmed:
        return
    moved = [row[1] for row in tracker.out if row[3] == len(tracker.loads) - 1]
    back, most_kg = list[float](), -math.inf
    for kg in reversed(moved):
        if kg < most_kg - tracker.still_kg:
            break
        back.append(kg)
        most_kg = max(most_kg, kg)
    back_kg = most_kg - moved[-1] if moved else 0.0
    if back_kg > max(SCREWED_ON_KG, DRIFTED_OFF * tracker.still_kg) and flows_on(back, 1.0, tracker.still_kg):
        last.end_kg += back_kg


def _counted(stretch: Stretch, kg: float, when: str) -> list[str]:
    if stretch.found_by != "journal" or not kg > 0.0:
        return []
    return [f"{Figure(kg, 'mass').show(stretch.job.job.units, 2)} flowed {when}; that is counted."]


def _flowed_before(stretch: Stretch, before: pd.Series) -> tuple[pd.Timestamp, float] | None:
    """Return since when the scale shows nothing but the cylinder that stands there at the begin, and what flowed [kg].

    Nothing flowed where it only stood: its last minute tells with what the stage begins, should it flow at once. None
    when nothing stood there. What went the other way is of the stage before, which was marked as over too early.
    """
    if before.empty:
        return None
    tracker, _ = _follow(stretch, before, before.index[-1])
    filled = [one for one in tracker.loads if one.confirmed and one.moved_kg > HANDS_KG]
    if filled and stretch.found_by == "signals" and stretch.stage == "recovery":  # in too few minutes to tell a stage
        return filled[0].begin - UNMARKED_BEFORE, moved_kg(filled)
    load = tracker.load
    if load is None or not load.confirmed or load.zeroed:
        return None
    earlier = [one.end for one in tracker.loads[:-1] if one.end is not None]
    since = max(earlier, default=before.index[0] - pd.Timedelta(seconds=1))
    gross = [tracker.sign * row[2] if row[3] == len(tracker.loads) - 1 else np.nan for row in tracker.out]
    first = int(np.nanargmin(gross))
    flowed_kg = tracker.sign * load.end_kg - gross[first]
    least_kg = max(SCREWED_ON_KG, DRIFTED_OFF * tracker.still_kg)
    if flowed_kg > load.moved_kg + least_kg:
        since = tracker.stamps[max(first - 1, 0)]
    else:
        flowed_kg = load.moved_kg
    if flowed_kg > least_kg or tracker.flows_now():
        return since, flowed_kg
    return max(since, before.index[-1] - STOOD_BEFORE), 0.0


def _follow(stretch: Stretch, readings: pd.Series, last: pd.Timestamp | None = None) -> tuple[Tracker, pd.Series]:
    """Follow readings; beyond the `last` of the stage only what still flows of the cylinder that stands there then.

    Returns the step of the scale at each reading, too.
    """
    column = stretch.columns.get("cylinder_weight")
    resolution = resolution_kg(readings, 1.0 if column is None else column.unit.scale)
    at = seconds(pd.DatetimeIndex(readings.index), stretch.begin)
    rest = come_to_rest(at, readings.to_numpy(dtype=float), resolution)
    stamps, taken = samples(readings, at, rest, resolution)
    charges = stretch.stage == "charging"
    names = Names(stretch.job.cylinder, stretch.weighed.left_kg, charges)
    tracker = Tracker(-1.0 if charges else 1.0, names, stamps=stamps)
    marks = stretch.marks("cylinder_on", "cylinder_off")
    mark_at = seconds(pd.DatetimeIndex(marks["time"]), stretch.begin).tolist()
    given = [(m, s, str(v).strip()) for m, s, v in zip(mark_at, marks["subject"], marks["value"], strict=True)]
    i, ends = 0, np.inf if last is None else seconds(pd.DatetimeIndex([last]), stretch.begin)[0]
    load, shown_s = None, 0.0
    for sample in taken:
        if sample.at > ends:
            load = tracker.load if load is None else load
            if load is None or tracker.load is not load or not tracker.flows_now():
                break
        while i < len(given) and given[i][0] <= sample.at:
            tracker.mark(*given[i], sample.row)
            i += 1
        tracker.take(sample)
        shown_s = sample.at
    if taken:
        read = at <= max(shown_s, ends)
        shown = newest(at[read], rest[read], resolution[read], tracker.still_kg)
        over_s = 0.0  # where the stage only begins, the scale is read on
        if ends >= 0.0:
            over = pd.DatetimeIndex([stretch.frame.index[-1] if stretch.end is None else stretch.end])
            over_s = seconds(over, stretch.begin)[0]
        tracker.look_now(shown, max(over_s - shown.at, 0.0))
    return tracker, pd.Series(resolution, index=readings.index)


def _result(stretch: Stretch, tracker: Tracker, resolution: pd.Series, said: list[str]) -> Weighing:
    index = pd.DatetimeIndex(stretch.frame.index)
    table = np.array(tracker.out, dtype=float).reshape(-1, 6)
    stamps = tracker.stamps[: len(table)]
    at, moved, gross, load, shook, unseen_then = table.T
    close = np.diff(at, prepend=-np.inf) <= 3.0 * SAMPLE_S
    steady = np.where(close, running_median(moved, 3), moved)
    rate, _ = _rate(at, steady, RATE_S)
    step = resolution.reindex(stamps).to_numpy(dtype=float)
    pace, enough = rate, PACE_STEPS * np.maximum(step, 2.0 * shook)
    for over_s in reversed(PACE_S):
        over, old = _rate(at, steady, over_s)
        tells = (load == load[old]) & (steady - steady[old] >= enough) & (np.arange(len(at)) - old >= 2)
        pace = np.where(tells & np.isfinite(over), over, pace)

    latest = stamps.searchsorted(index, side="right") - 1  # -1 before the first: nothing

    def rows(values: np.ndarray) -> pd.Series:
        return pd.Series(np.append(values, np.nan)[latest], index=index)

    cautions = [*said, *tracker.cautions]
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
    shown_unsure, unstood, unseen = tracker.unsure_kg()
    for one in tracker.loads:  # the stage's own begin is what it is told by
        one.begin = max(one.begin, stretch.begin)
    weight = rows(gross)
    number = rows(load).fillna(-1.0).astype(int)
    return Weighing(
        loads=tuple(tracker.loads),
        changes=tuple(replace(one, time=max(one.time, index[0])) for one in tracker.changes),
        moved_kg=rows(steady),
        rate_kg_per_s=rows(rate),
        pace_kg_per_s=rows(pace),
        gross_kg=weight,
        load=number,
        shakes_kg=rows(shook),
        unseen_so_far_kg=rows(unseen_then),
        names=tuple(replace(one, time=max(one.time, index[0])) for one in tracker.names.told),
        resolution_kg=resolution.reindex(index, method="ffill").bfill(),
        sign=tracker.sign,
        shown_unsure_kg=shown_unsure,
        unstood_kg=unstood,
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
