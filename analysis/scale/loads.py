"""What has stood on the scale: its loads, what they are called, changes that are told, and how unsure the mass is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Literal

import numpy as np
import pandas as pd

from analysis.scale.explaining import Explaining
from analysis.scale.hoses import Hoses, Hung
from analysis.scale.levels import GAP_S, HELD_KG, UNSTOOD_KG, level_at
from analysis.scale.names import SAME_KG, Doubt, Load, NamedBy
from analysis.scale.samples import FASTEST_KG_PER_S, SAMPLE_S, UNSEEN_S, Edge, Sample
from analysis.scale.standing import HANDS_KG, Standing, flows_on, still_within_kg
from analysis.vocabulary.text import duration

# What follows is common practice; no published source.
LATELY_S, LATELY = 120.0, 4
"""What flows now is told by the samples of the first time, or by so many."""
LEVEL_S = 30.0
"""What stands at the end of the log is told by the samples of this time."""
HOSE_KG, HOSE_SHARE = (0.02, 0.1), 0.007
"""What a hose that pulls, a hand and a scale that drifts may make of a level, at least and at most; between them such a
share of what moved: a few kilograms are moved through thin hoses."""
STEP_SURE = 1.5
"""A step between two levels is seen from so many times on what stands may move by."""
UNSEEN_TARE = 0.7
"""A cylinder beside others in a recovery is no lighter than this share of what they weighed when they came."""


@dataclass(frozen=True)
class Change:
    """Another cylinder on the scale: `since` when the old one left (or was last seen), `time` when it was sure.

    Names are those known at `time`. `seen` is ``scale`` or ``mark`` (the scale showed nothing of it).
    """

    time: pd.Timestamp
    since: pd.Timestamp
    old: str
    new: str
    new_named_by: NamedBy
    old_gross_kg: float
    gross_kg: float
    load: int
    seen: Literal["scale", "mark"]


def moved_kg(loads: Iterable[Load]) -> float:
    """Return the mass that loads moved; NaN when there is no cylinder among them."""
    confirmed = [load.moved_kg for load in loads if load.confirmed]
    return sum(confirmed) if confirmed else math.nan


@dataclass(slots=True)
class Loads(Explaining):
    """The loads so far."""

    stamps: pd.DatetimeIndex = field(default_factory=lambda: pd.DatetimeIndex([]))
    loads: list[Load] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    _done_kg: float = 0.0  # mass of the loads that have left
    _unseen_of: tuple[int, bool, Doubt] | None = None  # what the next was worked out of
    _unseen_so_far_kg: float = 0.0
    _stands_since: float = -np.inf
    _left_at: float = -np.inf
    _blind_s: float = 0.0  # how long the scale gave no readings before the load was seen
    _came: Edge = field(default_factory=lambda: Edge(-np.inf, -np.inf))  # between which readings the load did
    _flowed_at_once: bool = False  # as the load was seen first; it may have flowed before then
    _standing: Standing = field(default_factory=lambda: Standing(1.0, over=True))
    _hoses: Hoses = field(default_factory=lambda: Hoses(1.0))

    def mark(self, at: float, subject: str, name: str, row: int) -> None:
        """Take a mark of the journal; `row` is the number of the first sample that knows of it."""
        standing = None if self.load is None else at - self._stands_since
        self.names.mark(at, subject, name, self.loads, standing, self.stamps[row])

    def unsure_kg(self) -> tuple[float, float, float]:
        """Return how unsure the mass moved so far is [kg]: by steps and shaking, by levels that were not seen to stand,
        and by what no reading showed."""
        loads = [load for load in self.loads if load.confirmed]
        step = 0.0 if self._last is None else self._last.step
        usual = float(np.clip(HOSE_SHARE * abs(sum(load.moved_kg for load in loads)), *HOSE_KG))
        hoses = [usual, *(load.hose_kg for load in loads if load.stood)]
        level = math.hypot(step / math.sqrt(3.0), 2.0 * self.shakes_kg, math.hypot(*hoses) / math.sqrt(len(hoses)))
        unstood = (HELD_KG if self._spacing_s >= UNSEEN_S else UNSTOOD_KG) * math.sqrt(sum(not x.stood for x in loads))
        waits = 0.0
        if self.load is not None and self._run and not self._empty(self._run[-1]):
            waits = self._flow_kg(self._run[-1])
            waits = max(waits, self._blind_kg(self._blind_before_run(), self._run[-1].weight))
        return level * math.sqrt(2.0 * len(loads)), unstood, math.hypot(waits, self.unseen_so_far_kg())

    def unseen_so_far_kg(self) -> float:
        """Return how unsure what has moved so far is by what no reading showed [kg].

        It is asked for at every sample, and of the loads only the last one is ever doubted anew.
        """
        last = self.loads[-1] if self.loads else None
        of = None if last is None else (len(self.loads), last.confirmed, last.unsure)
        if of != self._unseen_of:
            unsure = [load.unsure for load in self.loads if load.confirmed]
            self._unseen_so_far_kg = math.hypot(sum(one.alike_kg for one in unsure), *(one.own_kg for one in unsure))
            self._unseen_of = of
        return self._unseen_so_far_kg

    def flows_now(self) -> bool:
        """Return whether mass flows the stage's way in the last samples that were believed."""
        if not self._recent:
            return False
        lately = [s for s in self._recent if self._recent[-1].at - s.at <= LATELY_S]
        weights = [s.weight for s in (lately if len(lately) >= LATELY else list(self._recent)[-LATELY:])]
        still_on = self.sign * (weights[-1] - weights[len(weights) // 2 - 1]) > self.still_kg
        return still_on and flows_on(weights, self.sign, self.still_kg)

    def look_now(self, shown: Sample, unseen_s: float) -> None:
        """Bring the present load up to what is shown now, after all samples, and to an end `unseen_s` later."""
        load, shown.weight = self.load, shown.raw * self._gain - self._zero
        if load is None or not load.confirmed or self._run:
            return
        if not self._follows(replace(shown, at=shown.at + SAMPLE_S)):  # the last sample tells what was before it
            return
        load.end_kg = shown.weight
        before = [s for s in reversed(self._recent) if s.at < shown.at]
        if not self.flows_now():  # nor does the level need to be told by one reading
            lately = [s.weight for s in before if shown.at - s.at <= LEVEL_S]
            load.end_kg = median([shown.weight, *(kg for kg in lately if abs(kg - shown.weight) <= self.still_kg)])
        edge_s, edge = shown.at + 0.5 * min(unseen_s, GAP_S), Edge(shown.at, shown.at + unseen_s)
        flowed = level_at([shown, *before], edge_s, edge, self.still_kg, self.sign)
        if flowed is not None:
            load.end_kg, doubt = flowed
            load.doubt(*doubt)
        self._judge_hoses(load, shown.at)

    def _sure_kg(self, sample: Sample) -> float:
        """Return from how much on a step between two levels is none of noise and of the scale [kg]."""
        return STEP_SURE * still_within_kg(sample.step, self.quivers_kg)

    def _take_off(self, load: Load, one: Hung, level_kg: float) -> None:
        """Weigh a load bare to bare: it begins without what hung on it then, unless mass flows after that."""
        counts = one.counts(load.begin_kg - load.laid_kg)
        if one.connecting:
            self._hoses.off, self._hoses.off_kg = None if counts else one, level_kg
        if not counts:
            load.begin_kg -= one.step_kg

    def _judge_hoses(self, load: Load, at: float) -> None:
        """Take off what went with the last hand; by what was seen at one end only the mass is unsure."""
        sure_kg = self._sure_kg(self._believed)
        load.begin_kg += self._hoses.put_back(load.end_kg, sure_kg)
        off = self._hoses.step(load.end_kg, at, sure_kg)
        one = None if off is None else self._hoses.taken_off(off, sure_kg)
        if one is not None:
            self._take_off(load, one, load.end_kg)
        elif load.stood and not load.laid_kg:
            load.begin_kg += self._hoses.fell_kg(load.end_kg, sure_kg)
        one = self._hoses.in_doubt(load.end_kg, sure_kg)
        if one is not None and one.counts(load.begin_kg - load.laid_kg):
            load.doubt(abs(one.step_kg))

    def _confirm(self, load: Load, sample: Sample) -> None:
        """The present load has stood long enough: name it, and tell when it is another cylinder."""
        load.confirmed = True
        names, number, stamp = self.names, len(self.loads) - 1, self.stamps[sample.row]
        reach = self.base_kg + 2.0 * abs(self._rate) * self._blind_s if self._flowed_at_once else 0.0
        called = load.cylinder, load.named_by
        if not load.cylinder:
            away = self._stands_since - self._left_at
            called = names.who(load, self.loads[:-1], away, self.base_kg, reach)
        names.name(load, number, *called, stamp)
        names.next_id, names.marked_at = None, -np.inf
        if not load.zeroed:
            doubt = self._begin_unseen(load, reach)
            blind_kg = self._blind_kg(self._blind_s, load.begin_kg) if number else 0.0
            if blind_kg == 0.0:
                load.doubt(*doubt)
            else:
                self._doubt_blind(load, blind_kg)
        if number and self.loads[-2].cylinder != load.cylinder:
            self._tell_change(self.loads[-2], load, sample, "scale")

    def _begin_unseen(self, load: Load, reach_kg: float) -> Doubt:
        """Begin a load with what it should weigh, or likely weighed, before it was first seen; return how unsure."""
        before = self.names.expected.get(load.cylinder, math.inf)
        held = self._spacing_s >= UNSEEN_S and not load.stood and abs(load.begin_kg - before) <= HANDS_KG
        first, late_kg = self._recent[0], self.sign * (load.begin_kg - before)
        if held or 0.0 < late_kg <= reach_kg:
            load.begin_kg = before
        elif abs(late_kg) > self.still_kg and first.at == self._stands_since:  # else it weighs what it should
            flowed = level_at(list(self._recent), self._came.came_s, self._came, self.still_kg, self.sign, self._best)
            if flowed is not None and self.sign * (load.begin_kg - flowed[0]) >= 0.0:
                load.begin_kg, self._standing.over = flowed[0], True
                return flowed[1]
        return Doubt()

    def _blind_kg(self, blind_s: float, gross_kg: float) -> float:
        """Return how unsure it is what moved in a time without readings after which another weight stands [kg]."""
        if blind_s <= max(GAP_S, 3.0 * self._spacing_s):
            return 0.0
        most = 2.0 * min(FASTEST_KG_PER_S * blind_s, gross_kg)
        if self.sign < 0.0:
            return most
        tares = [one.tare_kg for one in self.names.cylinders if one.tare_kg is not None]
        if not tares or len(tares) < len(self.names.cylinders):
            tares += [UNSEEN_TARE * load.begin_kg for load in self.loads[:-1] if not load.zeroed]
        return min(most, max(HANDS_KG, gross_kg - min(tares) + self.base_kg)) if tares else most

    def _doubt_blind(self, load: Load, unsure_kg: float) -> None:
        """A cylinder that came while nothing was read may have flowed then, unless it weighs what it should."""
        expected = self.names.expected.get(load.cylinder, math.nan)
        if abs(load.begin_kg - expected) <= SAME_KG + self.base_kg:
            return
        load.doubt(unsure_kg)
        self.cautions.append(
            f"The scale gave no readings for {duration(self._blind_s)} while a cylinder was changed: what moved "
            "then is not counted."
        )

    def _tell_change(self, old: Load, new: Load, sample: Sample, seen: Literal["scale", "mark"]) -> None:
        since = new.begin if old.end is None else old.end
        self.changes.append(
            Change(
                self.stamps[sample.row], since, old.cylinder, new.cylinder, new.named_by, old.end_kg, new.begin_kg,
                len(self.loads) - 1, seen,
            )
        )  # fmt: skip
