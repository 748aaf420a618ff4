"""Following a scale, sample by sample, forward only.

A cylinder's weight moves slowly, because refrigerant flows. Everything quicker is something else: hands, bumps,
a hose that pulls, a tare button, a unit switch, a cylinder lifted off or put on. So the signal is followed as slow
movement within *loads* (a cylinder standing on the scale), and mass is only what moved slowly. A level that
is not explained waits until it goes back (a hand), becomes empty (lifted off) or has stayed (something else stands
there now). A cylinder that is taken off and put back is two loads of one cylinder and counts once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from analysis.vocabulary.job import CylinderTable
from analysis.vocabulary.units import UNITS

# What follows is common practice or plain physics of the work; no published source.
SAMPLE_S = 5.0
"""A sample is the median of the readings of this time: single wild readings vanish, flow does not."""
FASTEST_KG_PER_S, FASTEST_PER_GROSS, FASTEST_OF_ALL_KG_PER_S = 0.3, 0.004, 1.0
"""No hose moves more: 0.3 kg/s, for large cylinders 0.4 % of the gross weight a second, at most 1 kg/s."""
USUAL_KG_PER_S = 0.04
"""Changes slower than this, or than three times the present rate, are believed at once."""
SLOW_KG_PER_S = 0.05
"""Between readings far apart a settled weight changes by no more than this, or three times the present rate."""
BACK_KG, BACK_UNSEEN_KG = 2.5, 1.0
"""A weight may go against the stage by this much, seen or between readings far apart, and still be one cylinder's."""
UNSEEN_S = 25.0
"""Readings further apart than this may hide a whole change of cylinder."""
GAP_S = 90.0
GAP_RATE_KG_PER_S = 0.05
"""Without readings for this long, flow is believed up to three times the rate before, or this rate."""
EMPTY_KG, EMPTY_SHARE = 1.5, 0.3
"""No cylinder stands on a scale that shows less than this, or less than this share of what it showed."""
LEFT_S = 10.0
"""An empty scale is believed after this time."""
PLATEAU_S, PLATEAU_WAIT_S = 15.0, 90.0
"""A new load is settled when it stood this long; when it never stands, from where it only moved as flow does."""
CONFIRM_S = 30.0
"""A load counts, and is named, after standing this long."""
YOUNG_S, YOUNG_STAYS_S = 120.0, 20.0
"""A load this young is still being set down: a level that then stays a little is its true beginning."""
BURST_S = 60.0
"""A quick change that stopped at once is believed to be flow after this time."""
STAYS_S = 180.0
"""An unexplained level is no hand any more after this time."""
SWAP_KG = 5.0
"""An unseen step of this size that stays is another cylinder; less, or a step that was seen, is a shift."""
MARK_NEAR_S, MARK_LATE_S, MARK_EARLY_S = 180.0, 600.0, 300.0
"""A mark explains a change this near; it may name a load this late, or come this early before one."""
SAME_KG, LIFTED_KG, LIFTED_S = 0.25, 1.0, 30.0
"""Put back: within the first, or within the last after so short a time that no hose was changed."""
MATCH_KG = 0.7
"""How near a weight must come to tare and contents of a named cylinder to be taken for it."""
ZEROED_KG = 1.0
"""A scale that shows nothing and climbs by this much slowly was set to zero with the cylinder on it."""
LEAST_NOISE_KG = 0.15
MOST_WAITING = 200
"""More samples than these are not kept waiting: the signal is then no weight at all."""
SLIP_SHARE = 0.004
"""How near the other unit must come to the weight to be taken for it."""

_UNIT_SLIPS = (1.0, UNITS["kg"].scale / UNITS["lb"].scale, UNITS["lb"].scale / UNITS["kg"].scale)


NamedBy = Literal["mark", "tare", "order"]


@dataclass
class Load:
    """One time that a cylinder stood on the scale.

    `begin_kg`, `end_kg`: settled gross weight; `moved_kg`: mass that went the stage's way meanwhile (into the
    cylinder in a recovery, out of it in a charging); `end` is None while it stands there. `zeroed`: the scale was
    set to zero with the cylinder on it, so the weights are no gross weights. `confirmed`: it stood long enough to
    count as a cylinder.
    """

    cylinder: str
    named_by: NamedBy
    table: CylinderTable | None
    begin: pd.Timestamp
    end: pd.Timestamp | None
    begin_kg: float
    end_kg: float
    moved_kg: float = 0.0
    zeroed: bool = False
    confirmed: bool = False


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


@dataclass(slots=True)
class _Sample:
    """One sample: seconds, its number, what was shown [kg] and the weight that it means."""

    at: float
    row: int
    raw: float
    weight: float


@dataclass
class Tracker:
    """The state of the scale as it was followed so far; `sign` is +1 when mass into the cylinder counts."""

    sign: float
    cylinders: list[CylinderTable]
    stamps: pd.DatetimeIndex
    base_kg: float = LEAST_NOISE_KG  # what noise and quantum may move the weight by
    loads: list[Load] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    names: list[tuple[pd.Timestamp, int, str, CylinderTable | None]] = field(default_factory=list)
    out: list[tuple[float, float, float, int]] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    moved: float = 0.0
    load: Load | None = None
    last: _Sample = field(default_factory=lambda: _Sample(0.0, -1, np.nan, np.nan))  # the last one believed
    rate: float = 0.0
    waiting: list[_Sample] = field(default_factory=list)  # not believed yet
    gain: float = 1.0
    zero: float = 0.0
    settled: bool = False
    stands_since: float = -np.inf
    left: _Sample | None = None  # last of the cylinder that was there before
    next_id: str | None = None
    next_at: float = -np.inf
    marked_at: float = -np.inf
    expected: dict[str, float] = field(default_factory=dict)  # gross weight each named cylinder should show
    _climbed: float = 0.0
    _recent: list[float] = field(default_factory=list)
    _noise: float = 0.0
    _odd: float = 0.0  # the last change that was taken for flow, or for a shift, only because it stayed
    _odd_counted: bool = False
    _unseen_s: float = 0.0  # how long the present load may have stood there before it was seen

    def __post_init__(self) -> None:
        for table in self.cylinders:
            if table.tare_kg is not None:
                self.expected[table.id] = table.tare_kg + table.contents_kg

    # --- marks -------------------------------------------------------------------------------------------

    def mark(self, at: float, subject: str, name: str, row: int) -> None:
        """Take a mark of the journal; `row` is the number of the first sample that knows of it."""
        load = self.load
        if subject == "cylinder_off" and name and self.loads:
            gone = self.loads[-1]  # an old one, or one that has just left
            if gone.confirmed and gone.named_by == "order" and (load is None or at - self.stands_since > MARK_LATE_S):
                self._name(gone, name, "mark", row)
        if load is not None and load.confirmed and at - self.stands_since <= MARK_LATE_S:
            if load.named_by != "mark":
                if name and subject == "cylinder_on":
                    self._name(load, name, "mark", row)
                return
            if name in (load.cylinder, *(old.cylinder for old in self.loads[-2:-1])) and subject == "cylinder_on":
                return
        if subject == "cylinder_on" and name and (load is None or not load.confirmed or name != load.cylinder):
            self.next_id, self.next_at = name, at
        if subject == "cylinder_on" or load is None or not name or name == load.cylinder or load.named_by != "mark":
            self.marked_at = at

    def _name(self, load: Load, name: str, by: NamedBy, row: int) -> None:
        load.cylinder, load.named_by = name, by
        load.table = next((c for c in self.cylinders if c.id == name), None)
        self.names.append((self.stamps[row], len(self.loads) - 1, name, load.table))

    # --- samples -----------------------------------------------------------------------------------------

    def take(self, row: int, at: float, raw: float) -> None:
        """Take one sample."""
        if self.zero and abs(raw) <= self.base_kg:
            self.zero = 0.0  # set to zero again
        sample = _Sample(at, row, raw, raw * self.gain - self.zero)
        if self.last.row < 0:
            self.last = sample
        if self.load is None:
            self._while_empty(sample)
        elif not self.settled:
            self._while_settling(sample)
        else:
            self._while_loaded(self.load, sample)
        load = self.load
        stood = at - self.stands_since >= CONFIRM_S and self.settled and not self.waiting
        if load is not None and stood and not load.confirmed:
            self._confirm(load, sample)
        there = load is not None and load.confirmed
        gross = self.last.weight if there and not self.waiting else np.nan
        self.out.append((at, self.moved, gross, len(self.loads) - 1 if there else -1))

    def _while_empty(self, sample: _Sample) -> None:
        last = self.last
        spent, change = sample.at - last.at, sample.weight - last.weight
        slow = abs(change) <= self.base_kg + USUAL_KG_PER_S * min(spent, 2.5 * SAMPLE_S)
        self._climbed = max(0.0, self._climbed + self.sign * change) if slow and self.left is not None else 0.0
        if self._climbed >= ZEROED_KG:
            self._zeroed(sample)
        elif sample.weight > EMPTY_KG and (not slow or self.left is None):
            self._put_on(sample)
        elif sample.weight < -2.0 and slow and spent > 0.0:
            self.zero += sample.weight  # it was set to zero with a cylinder on it, which is gone now
            self.last = _Sample(sample.at, sample.row, sample.raw, 0.0)
        else:
            self.last = sample

    def _put_on(self, sample: _Sample, unseen_s: float = 0.0) -> None:
        self.load = Load("", "order", None, self.stamps[sample.row], None, sample.weight, sample.weight)
        self.loads.append(self.load)
        self.stands_since, self.settled, self.rate, self._odd = sample.at, False, 0.0, 0.0
        self.waiting, self._recent, self._unseen_s = [sample], [], unseen_s
        self.last = sample

    def _while_settling(self, sample: _Sample) -> None:
        """Wait until hands have left a cylinder that was just put on."""
        load = self.load
        assert load is not None
        if self._empty(sample.weight):
            self._drop(load)
            self.last = sample
            return
        self.waiting.append(sample)
        if self.waiting[0] is sample:
            self.stands_since = sample.at
        first = len(self.waiting) - 1
        while first > 0 and sample.at - self.waiting[first].at < PLATEAU_S - 0.5:
            first -= 1
        weights = [s.weight for s in self.waiting[first:]]
        stands = sample.at - self.waiting[first].at >= PLATEAU_S - 0.5 and max(weights) - min(weights) <= self.base_kg
        if stands:
            begin = float(np.median(weights[: (len(weights) + 1) // 2]))
        elif sample.at - self.stands_since >= PLATEAU_WAIT_S:
            first = self._steady_from(self.base_kg)
            begin = self.waiting[first].weight
        else:
            return
        load.begin_kg, self.settled = begin, True
        self.last = replace(self.waiting[first], weight=begin)
        self._flow(load, sample)
        self.rate = 0.0 if stands else self.rate

    def _while_loaded(self, load: Load, sample: _Sample) -> None:
        if self._marked_change(load, sample):
            return
        lifted = self._empty(sample.weight) and not load.zeroed
        if self._usual(sample) and not lifted and not (self.waiting and self._unit_slip(sample) is not None):
            self._flow(load, sample)
            return
        self.waiting.append(sample)
        if len(self.waiting) > MOST_WAITING:
            del self.waiting[1]
        since = self.waiting[0].at
        if self._empty(sample.weight):
            if sample.at - next(s for s in self.waiting if self._empty(s.weight)).at >= LEFT_S:
                self._leave(load)
            return
        first = self.waiting[self._steady_from(self.base_kg + 0.1 * SAMPLE_S)]
        stood = sample.at - first.at
        young = since - self.stands_since < YOUNG_S
        flows = self._goes_on() or stood >= (STAYS_S if young else BURST_S)
        if flows and self._could_flow(first, sample) and self._unit_slip(first) is None:
            self._odd, self._odd_counted = sample.weight - self.last.weight, True
            self._flow(load, sample)
            return
        if len(self.waiting) >= 2 and self._goes_back(load, first):
            self._flow(load, sample)
            return
        hidden = self._unseen(first)
        if young and self._flat(first, sample):
            stays = YOUNG_STAYS_S
        else:
            swapped = self.next_id is not None or any(self._empty(s.weight) for s in self.waiting)
            stays = PLATEAU_S if hidden and swapped else STAYS_S
        if stood >= stays:
            self._replace(load, first, sample, hidden)

    def _flat(self, first: _Sample, sample: _Sample) -> bool:
        weights = [s.weight for s in self.waiting if first.at <= s.at <= sample.at]
        return max(weights) - min(weights) <= self.base_kg

    def _goes_back(self, load: Load, first: _Sample) -> bool:
        """Return whether the last odd change is gone again, and undo it then."""
        last = self.last
        before = last.weight - self._odd
        most = self.base_kg + max(2.0 * abs(self.rate), 0.02) * (first.at - last.at)
        if abs(self._odd) <= self.base_kg or not -self.base_kg <= (first.weight - before) * self.sign <= most:
            return False
        if self._odd_counted:
            self._count(load, -self._odd)
        else:
            load.begin_kg -= self._odd
        self.last, self._odd = replace(last, weight=before), 0.0
        return True

    def _unseen(self, first: _Sample) -> bool:
        """Return whether the scale was empty, or not seen, between the last believed weight and a steady one."""
        between = [self.last, *(s for s in self.waiting if s.at < first.at), first]
        apart = max(b.at - a.at for a, b in pairwise(between))
        return apart >= UNSEEN_S or any(self._empty(s.weight) for s in between[1:])

    def _explained(self, load: Load, first: _Sample) -> bool:
        """Return whether a mark, an empty scale or a known cylinder speaks for a change of cylinder."""
        known = any(n != load.cylinder and abs(first.weight - w) <= MATCH_KG for n, w in self.expected.items())
        return known or self._near_mark() or any(self._empty(s.weight) for s in self.waiting)

    def _near_mark(self) -> bool:
        return self.marked_at >= self.last.at - MARK_NEAR_S

    def _usual(self, sample: _Sample) -> bool:
        """Return whether a weight follows the last one as flow usually does (also: goes back to it)."""
        spent = sample.at - self.last.at
        usual = max(3.0 * abs(self.rate), USUAL_KG_PER_S)
        ahead = sample.weight - self.last.weight
        if not self.waiting and spent <= 2.5 * SAMPLE_S:
            return abs(ahead) <= self.base_kg + usual * spent
        # after a while: along the rate that it had, with room for a stop and for somewhat more
        most = self.base_kg + max(2.0 * abs(self.rate), 0.02) * spent
        return -self.base_kg - 0.01 * min(spent, 60.0) <= ahead * self.sign <= most

    def _could_flow(self, first: _Sample, sample: _Sample) -> bool:
        """Return whether flow could have led from the last believed weight to a steady one."""
        fastest = self._fastest()
        quiet = self.waiting[0].at - self.last.at
        if first is not self.waiting[0] or quiet > GAP_S:
            run = 1.5 * abs(sample.weight - first.weight) / max(sample.at - first.at, SAMPLE_S)
            fastest = min(fastest, max(3.0 * abs(self.rate), GAP_RATE_KG_PER_S, run))
        back = BACK_KG if quiet <= UNSEEN_S else BACK_UNSEEN_KG
        for s in (first, sample):
            spent = s.at - self.last.at
            ahead = (s.weight - self.last.weight) * self.sign
            if not -self.base_kg - min(back, fastest * spent) <= ahead <= self.base_kg + fastest * spent:
                return False
        return True

    def _fastest(self) -> float:
        return min(max(FASTEST_KG_PER_S, FASTEST_PER_GROSS * abs(self.last.weight)), FASTEST_OF_ALL_KG_PER_S)

    def _goes_on(self) -> bool:
        """Return whether the waiting weights go on moving the way the first of them went."""
        first, now = self.waiting[0], self.waiting[-1]
        if self._steady_from(self.base_kg) > 0 or now.at - first.at < 2 * SAMPLE_S:
            return False
        before = (first.weight - self.last.weight) / max(first.at - self.last.at, 1.0)
        after = (now.weight - first.weight) / max(now.at - first.at, 1.0)
        return (
            after * before > 0.0 and abs(after) >= 0.3 * abs(before) and abs(now.weight - first.weight) > self.base_kg
        )

    def _steady_from(self, back_kg: float) -> int:
        """Return from which waiting sample the weight only moved as flow could, back by `back_kg` at most."""
        fastest, k = self._fastest(), len(self.waiting) - 1
        while k > 0:
            before, after = self.waiting[k - 1], self.waiting[k]
            change = (after.weight - before.weight) * self.sign
            if self._empty(before.weight) != self._empty(after.weight):
                break
            spent = after.at - before.at
            most = fastest * min(spent, 2 * SAMPLE_S) + max(SLOW_KG_PER_S, 3.0 * abs(self.rate)) * spent
            if not -back_kg <= change <= self.base_kg + min(most, fastest * spent):
                break
            k -= 1
        return k

    def _unit_slip(self, first: _Sample) -> float | None:
        """Return the factor that puts a weight shown in the other unit right, None when that does not explain it."""
        last = self.last
        flowed = min(1.5 * abs(self.rate) * (first.at - last.at), 5 * SLIP_SHARE * abs(last.weight))
        room = max(self.base_kg, SLIP_SHARE * abs(last.weight)) + flowed
        for factor in _UNIT_SLIPS:
            if factor != self.gain and abs(first.raw * factor - self.zero - last.weight) <= room:
                return factor
        return None

    def _empty(self, weight: float) -> bool:
        return weight <= max(EMPTY_KG, EMPTY_SHARE * self.last.weight)

    # --- what follows from a sample ----------------------------------------------------------------------

    def _count(self, load: Load, change_kg: float) -> None:
        self.moved += self.sign * change_kg
        load.moved_kg += self.sign * change_kg

    def _flow(self, load: Load, sample: _Sample) -> None:
        """Count a slow change and believe the weight."""
        last = self.last
        spent, change = sample.at - last.at, sample.weight - last.weight
        self._count(load, change)
        load.end_kg = sample.weight
        self.rate += (1.0 - math.exp(-spent / 30.0)) * (change / max(spent, 1.0) - self.rate)
        if len(self._recent) >= 2:
            bend = abs(sample.weight - 2.0 * self._recent[-1] + self._recent[-2])
            self._noise += 0.02 * (min(bend, 2.0) / 2.45 * 1.25 - self._noise)
            self.base_kg = max(self.base_kg * 0.999, LEAST_NOISE_KG, 4.0 * self._noise)
        self._recent = [*self._recent[-5:], sample.weight]
        self.last, self.waiting = sample, []

    def _drop(self, load: Load) -> None:
        """What stood there did not stand long enough to be a cylinder."""
        self.loads.pop()
        self.moved -= load.moved_kg
        self.load, self.waiting = None, []

    def _end_load(self, load: Load) -> None:
        """End the present load at the middle of its last samples, when they stood."""
        if not load.confirmed:
            self._drop(load)
            return
        if len(self._recent) >= 3 and max(self._recent) - min(self._recent) <= 2.0 * self.base_kg:
            change = float(np.median(self._recent)) - load.end_kg
            self._count(load, change)
            load.end_kg += change
        self.left = self.last
        load.end = self.stamps[self.last.row]
        if not load.zeroed:
            self.expected[load.cylinder] = load.end_kg
        self.load, self.waiting, self.gain = None, [], 1.0

    def _leave(self, load: Load) -> None:
        """The cylinder was lifted off."""
        empty = [s for s in self.waiting if self._empty(s.weight)]
        self._end_load(load)
        self._climbed, self.last = 0.0, empty[0]
        for s in empty[1:]:
            if self.load is None:
                self._while_empty(s)

    def _zeroed(self, sample: _Sample) -> None:
        """The tare button was pressed with the cylinder on the scale: what climbs from nothing is flow."""
        old = self.loads[-1]
        begin = sample.weight - self.sign * self._climbed
        load = Load(old.cylinder, old.named_by, old.table, self.stamps[sample.row], None, begin, begin, zeroed=True)
        self.loads.append(load)
        self.load, self.settled, self.stands_since, self._recent = load, True, sample.at, []
        self.last = _Sample(sample.at - SAMPLE_S, sample.row, begin, begin)
        self._flow(load, sample)
        self._climbed = 0.0
        self.cautions.append(
            "The scale was set to zero with a cylinder on it: its gross weight is not known from then."
        )

    def _confirm(self, load: Load, sample: _Sample) -> None:
        """The present load has stood long enough: name it, and tell when it is another cylinder."""
        load.confirmed = True
        if load.zeroed:
            self._name(load, load.cylinder, load.named_by, sample.row)
            return
        self._name(load, *self._who(load.begin_kg), sample.row)
        self.next_id = None
        before = self.expected.get(load.cylinder, load.begin_kg)
        unseen_kg = self.sign * (load.begin_kg - before)
        if self._unseen_s > 0.0 and 0.0 < unseen_kg <= self.base_kg + 2.0 * GAP_RATE_KG_PER_S * self._unseen_s:
            load.begin_kg = before
            self.moved += unseen_kg
            load.moved_kg += unseen_kg
        old = self.loads[-2] if len(self.loads) > 1 else None
        if old is not None and old.cylinder != load.cylinder:
            self._tell_change(old, load, sample, "scale")

    def _tell_change(self, old: Load, new: Load, sample: _Sample, seen: Literal["scale", "mark"]) -> None:
        since = new.begin if old.end is None else old.end
        self.changes.append(
            Change(
                self.stamps[sample.row], since, old.cylinder, new.cylinder, new.named_by, old.end_kg, new.begin_kg,
                len(self.loads) - 1, seen,
            )
        )  # fmt: skip

    def _who(self, gross: float) -> tuple[str, NamedBy]:
        """Return which cylinder was put on and how that is known."""
        if self.next_id is not None:
            return self.next_id, "mark"
        earlier = self.loads[:-1]
        if earlier and self.left is not None:
            old = earlier[-1]
            away, apart = self.stands_since - self.left.at, abs(gross - old.end_kg)
            if apart <= max(SAME_KG, self.base_kg) or (away <= LIFTED_S and apart <= LIFTED_KG):
                return old.cylinder, old.named_by
        near = sorted((abs(gross - weight), name) for name, weight in self.expected.items())
        if near and near[0][0] <= MATCH_KG and (len(near) == 1 or near[1][0] > 2.0 * near[0][0]):
            name = near[0][1]
            known: NamedBy = next((load.named_by for load in reversed(earlier) if load.cylinder == name), "tare")
            return name, known
        return f"cylinder {len({load.cylinder for load in earlier}) + 1}", "order"

    def _replace(self, load: Load, first: _Sample, sample: _Sample, hidden: bool) -> None:
        """Another level stays: another cylinder when it could come unseen, else a shift of scale or hose."""
        last = self.last
        step = first.weight - last.weight
        another = self.next_id is not None and load.named_by == "mark"
        if (hidden and (abs(step) >= SWAP_KG or self._explained(load, first))) or (another and abs(step) >= SWAP_KG):
            later = [s for s in self.waiting if s.at > first.at]
            self._end_load(load)
            self._put_on(first, first.at - last.at)
            for s in later:
                if self.load is None:
                    self._while_empty(s)
                elif not self.settled:
                    self._while_settling(s)
                else:
                    self._while_loaded(self.load, s)
            return
        slip = self._unit_slip(first)
        if slip is not None:
            self.gain = slip
            self._flow(load, replace(sample, weight=sample.raw * slip - self.zero))
            return
        load.begin_kg += step
        self._odd, self._odd_counted = step, False
        self._recent, self.last = [], first
        self._flow(load, sample)

    def _marked_change(self, load: Load, sample: _Sample) -> bool:
        """Take a mark for a change of cylinder of which the scale showed nothing; return whether it was one."""
        last = self.last
        if self.next_id is None or not load.confirmed:
            return False
        blind = sample.at - last.at >= GAP_S and last.at <= self.next_at
        if not blind and (self.waiting or sample.at - self.next_at < MARK_EARLY_S):
            return False
        if load.named_by != "mark" and not blind:
            self._name(load, self.next_id, "mark", sample.row)
            self.next_id = None
            return False
        name = self.next_id
        self._end_load(load)
        if blind:
            self.cautions.append(
                f"The scale gave no readings while {load.cylinder} was changed for {name}: what moved then is only "
                "counted as far as the cylinder's tare and contents tell."
            )
            self._put_on(sample, sample.at - last.at)
            return True
        self._put_on(_Sample(last.at, last.row, last.raw, load.end_kg))
        new = self.load
        assert new is not None
        new.confirmed, self.settled, self.waiting = True, True, []
        self._name(new, name, "mark", sample.row)
        self.next_id = None
        self._tell_change(load, new, sample, "mark")
        self._flow(new, sample)
        return True
