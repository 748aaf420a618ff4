"""Following a scale, sample by sample, forward only.

A cylinder's weight moves slowly, because refrigerant flows. Everything quicker is something else: hands, bumps,
a hose that pulls, a tare button, a unit switch, a cylinder lifted off or put on. So the signal is followed as slow
movement within *loads* (a cylinder standing on the scale), and mass is only what moved slowly. A level that
is not explained waits until it goes back (a hand), becomes empty (lifted off) or has stayed (something else stands
there now). A cylinder that is taken off and put back is two loads of one cylinder and counts once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from analysis.vocabulary.job import CylinderTable
from analysis.vocabulary.units import UNITS

# What follows is common practice or plain physics of the work; no published source.
SAMPLE_S = 5.0
"""A sample is the median of the readings of this time: single wild readings vanish, flow does not."""
FASTEST_KG_PER_S = 0.3
FASTEST_PER_GROSS = 0.004
FASTEST_OF_ALL_KG_PER_S = 1.0
"""No hose moves more: 0.3 kg/s, for large cylinders 0.4 % of the gross weight a second, at most 1 kg/s."""
USUAL_KG_PER_S = 0.1
"""Changes slower than this, or than three times the present rate, are believed at once."""
BACK_KG = 2.5
"""Over a long interval a weight may go against the stage by this much and still be the same cylinder's."""
GAP_S = 90.0
GAP_RATE_KG_PER_S = 0.05
"""Without readings for this long, flow is believed up to three times the rate before, or this rate."""
EMPTY_KG = 1.5
EMPTY_SHARE = 0.15
"""No cylinder stands on a scale that shows less than this, or less than this share of what it showed."""
SETTLE_S = 10.0
"""A new load, or an empty scale, is believed after standing this long."""
BURST_S = 60.0
"""A quick change that stopped at once is believed to be flow after this time."""
YOUNG_S = 120.0
YOUNG_STAYS_S = 20.0
"""A load this young is still being set down: a level that then stays a little is its true beginning."""
CONFIRM_S = 30.0
"""A load counts, and is named, after standing this long."""
STAYS_S = 180.0
"""An unexplained level is no hand any more after this time."""
SWAP_KG = 8.0
"""An unexplained change of this size that stays is another cylinder; less is a shift of the scale or the hose."""
MARK_NEAR_S = 180.0
UNSEEN_S = 25.0
MARK_LATE_S = 600.0
MARK_EARLY_S = 300.0
"""A mark explains a change this near that went unseen between readings this far apart; it may name a load this late,
or come this early before one."""
SAME_KG = 0.25
LIFTED_S, LIFTED_KG = 20.0, 1.0
"""Put back: within the first, or within the last after so short a time that no hose was changed."""
MATCH_KG = 0.7
"""How near a weight must come to tare and contents of a named cylinder to be taken for it."""
ZEROED_KG = 1.0
"""A scale that shows nothing and climbs by this much slowly was set to zero with the cylinder on it."""
LEAST_NOISE_KG = 0.15

_UNIT_SLIPS = (UNITS["kg"].scale / UNITS["lb"].scale, UNITS["lb"].scale / UNITS["kg"].scale)

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


@dataclass
class Tracker:
    """The state of the scale as it was followed so far."""

    sign: float
    cylinders: list[CylinderTable]
    base_kg: float = LEAST_NOISE_KG
    loads: list[Load] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    names: list[tuple[pd.Timestamp, int, str, CylinderTable | None]] = field(default_factory=list)
    out: list[tuple[pd.Timestamp, float, float, float, int]] = field(
        default_factory=list
    )  # stamp, s, moved, gross, load
    cautions: list[str] = field(default_factory=list)
    moved: float = 0.0
    load: Load | None = None
    level: float = np.nan  # last believed weight
    level_at: float = np.nan
    level_stamp: pd.Timestamp | None = None
    rate: float = 0.0
    noise: float = 0.0
    gain: float = 1.0
    left_at: float = np.nan  # when the scale became empty
    left_stamp: pd.Timestamp | None = None
    climbed: float = 0.0  # slow climb of an empty scale
    waiting: list[tuple[float, float, pd.Timestamp]] = field(default_factory=list)
    recent: list[float] = field(default_factory=list)
    last_two: tuple[float, float] = (np.nan, np.nan)
    expected: dict[str, float] = field(default_factory=dict)  # gross weight each named cylinder should show
    next_id: str | None = None
    next_at: float = -np.inf
    marked_at: float = -np.inf
    stands_since: float = -np.inf

    def __post_init__(self) -> None:
        for table in self.cylinders:
            if table.tare_kg is not None:
                self.expected[table.id] = table.tare_kg + table.contents_kg

    # --- marks -------------------------------------------------------------------------------------------

    def mark(self, at: float, subject: str, name: str, stamp: pd.Timestamp) -> None:
        """Take a mark of the journal; `stamp` is that of the first sample that knows of it."""
        self.marked_at = at
        if subject == "cylinder_off":
            if self.load is not None and name and self.load.named_by != "mark":
                self._name(name, "mark", stamp)
            return
        if not name:
            return
        if self.load is None or self.waiting or not self.load.confirmed:
            self.next_id, self.next_at = name, at
        elif self.load.named_by != "mark" and at - self.stands_since <= MARK_LATE_S:
            self._name(name, "mark", stamp)
        elif name != self.load.cylinder:
            self.next_id, self.next_at = name, at

    def _name(self, name: str, by: NamedBy, stamp: pd.Timestamp) -> None:
        assert self.load is not None
        self.load.cylinder, self.load.named_by = name, by
        self.load.table = next((c for c in self.cylinders if c.id == name), None)
        self.names.append((stamp, len(self.loads) - 1, name, self.load.table))

    # --- samples -----------------------------------------------------------------------------------------

    def take(self, at: float, raw: float, stamp: pd.Timestamp) -> None:
        """Take one sample."""
        weight = raw * self.gain
        if self.level != self.level:
            self._first(at, weight, stamp)
        elif self.load is None:
            self._while_empty(at, weight, stamp)
        else:
            self._while_loaded(at, raw, weight, stamp)
        if (
            self.load is not None
            and not self.load.confirmed
            and at - self.stands_since >= CONFIRM_S
            and not self.waiting
        ):
            self._confirm(at, stamp)
        there = self.load is not None and self.load.confirmed
        gross = np.nan if not there or self.waiting else self.level
        self.out.append((stamp, at, self.moved, gross, len(self.loads) - 1 if there else -1))

    def _first(self, at: float, weight: float, stamp: pd.Timestamp) -> None:
        self._believe(at, weight, stamp)
        if weight > EMPTY_KG:
            self._begin(at, weight, stamp, stamp)

    def _while_loaded(self, at: float, raw: float, weight: float, stamp: pd.Timestamp) -> None:
        assert self.load is not None
        self._unseen_swap(at, stamp)
        if self._usual(at, weight):
            self._flow(at, weight, stamp)
            return
        if not self.waiting or self.waiting[-1][1] * 2 < weight or weight * 2 < self.waiting[-1][1]:
            slip = self._unit_slip(at, raw)
            if slip is not None:
                self.gain = slip
                self._flow(at, raw * slip, stamp)
                return
        self.waiting.append((at, weight, stamp))
        since = self.waiting[0][0]
        if self._empty(weight):
            gone = [w for w in self.waiting if self._empty(w[1])]
            if at - gone[0][0] >= SETTLE_S or at - self.level_at >= 2 * SETTLE_S:
                self._leave(at, weight, stamp)
            return
        first = self._steady_from()
        stood = at - self.waiting[first][0]
        if self._could_flow(at, weight):
            rises = len(self.waiting) >= 2 and self._goes_on()
            if rises or (stood >= BURST_S and at - since >= BURST_S):
                self._flow(at, weight, stamp)
                return
        unseen = self.waiting[0][0] - self.level_at >= UNSEEN_S
        near_mark = self.marked_at >= self.level_at - MARK_NEAR_S
        if self.waiting[0][0] - self.stands_since < YOUNG_S:
            wait = YOUNG_STAYS_S
        else:
            wait = SETTLE_S if unseen and near_mark and self._swap_size(weight) else STAYS_S
        if stood >= wait:
            self._replace(first, at, weight, stamp)

    def _usual(self, at: float, weight: float) -> bool:
        """Return whether a weight follows the level as flow usually does (also: goes back to it)."""
        spent = at - self.level_at
        usual = max(3.0 * abs(self.rate), USUAL_KG_PER_S)
        ahead = weight - self.level
        if self.waiting or spent > 2.5 * SAMPLE_S:
            # after a while: along the rate that it had, with room for a stop and for somewhat more
            most = self.base_kg + min(usual, max(2.0 * abs(self.rate), 0.02)) * spent
            return -self.base_kg - 0.01 * min(spent, 120.0) <= ahead * self.sign <= most
        return abs(ahead) <= self.base_kg + usual * spent

    def _could_flow(self, at: float, weight: float) -> bool:
        """Return whether flow at its fastest could explain a weight."""
        spent = at - self.level_at
        fastest = self._fastest()
        quiet = self.waiting[0][0] - self.level_at if self.waiting else spent
        if quiet > GAP_S:
            fastest = min(fastest, max(3.0 * abs(self.rate), GAP_RATE_KG_PER_S))
        first_at, first_weight, _ = self.waiting[0] if self.waiting else (at, weight, None)
        step = (first_weight - self.level) * self.sign
        ahead = (weight - self.level) * self.sign
        back = -self.base_kg - min(BACK_KG, fastest * spent)
        least = -self.base_kg - min(BACK_KG, fastest * (first_at - self.level_at))
        return (
            least <= step <= self.base_kg + fastest * (first_at - self.level_at)
            and back <= ahead <= self.base_kg + fastest * spent
        )

    def _fastest(self) -> float:
        return min(max(FASTEST_KG_PER_S, FASTEST_PER_GROSS * abs(self.level)), FASTEST_OF_ALL_KG_PER_S)

    def _goes_on(self) -> bool:
        """Return whether the waiting weights go on moving the way the first of them went."""
        (t0, w0, _), (t1, w1, _) = self.waiting[0], self.waiting[-1]
        before = (w0 - self.level) / max(t0 - self.level_at, 1.0)
        after = (w1 - w0) / max(t1 - t0, 1.0)
        return after * before > 0.0 and abs(after) >= 0.3 * abs(before)

    def _steady_from(self) -> int:
        """Return from which waiting sample on the weight moved only as flow could."""
        fastest, k = self._fastest(), len(self.waiting) - 1
        while k > 0:
            (t0, w0, _), (t1, w1, _) = self.waiting[k - 1], self.waiting[k]
            change = (w1 - w0) * self.sign
            if not -self.base_kg - min(BACK_KG, 0.1 * (t1 - t0)) <= change <= self.base_kg + fastest * (t1 - t0):
                break
            k -= 1
        return k

    def _unit_slip(self, at: float, raw: float) -> float | None:
        """Return the factor that puts a weight shown in the other unit right, None when that does not explain it."""
        if raw <= EMPTY_KG:
            return None
        near_mark = self.marked_at >= self.level_at - MARK_NEAR_S
        sparse = at - self.level_at > 3.0 * SAMPLE_S
        declared = any(abs(raw * self.gain - gross) <= MATCH_KG for gross in self.expected.values())
        if near_mark or self.waiting or (sparse and declared):
            return None
        room = max(self.base_kg, 0.004 * abs(self.level)) + max(1.5 * abs(self.rate), 0.02) * (at - self.level_at)
        for factor in (1.0, *_UNIT_SLIPS):
            if factor != self.gain and abs(raw * factor - self.level) <= room:
                return factor
        return None

    def _empty(self, weight: float) -> bool:
        return weight <= max(EMPTY_KG, EMPTY_SHARE * self.level)

    def _swap_size(self, weight: float) -> bool:
        return abs(weight - self.level) > max(SAME_KG, 2.0 * self.base_kg)

    # --- what follows from a sample ----------------------------------------------------------------------

    def _believe(self, at: float, weight: float, stamp: pd.Timestamp) -> None:
        self.level, self.level_at, self.level_stamp = weight, at, stamp
        self.waiting = []

    def _flow(self, at: float, weight: float, stamp: pd.Timestamp) -> None:
        """Count a slow change."""
        assert self.load is not None
        spent = at - self.level_at
        change = weight - self.level
        self.moved += self.sign * change
        self.load.moved_kg += self.sign * change
        self.load.end_kg = weight
        share = 1.0 - np.exp(-spent / 30.0)
        self.rate += share * (change / max(spent, 1.0) - self.rate)
        before, last = self.last_two
        bend = abs(weight - 2.0 * last + before)
        if bend == bend:
            self.noise += 0.02 * (min(bend, 2.0) / 2.45 * 1.25 - self.noise)
            self.base_kg = max(self.base_kg * 0.999, LEAST_NOISE_KG, 4.0 * self.noise)
        self.last_two = (last, weight)
        self.recent = [*self.recent[-5:], weight]
        self._believe(at, weight, stamp)

    def _settle_end(self) -> None:
        """Take the middle of the last samples for the end when they stood."""
        assert self.load is not None
        if len(self.recent) >= 3 and max(self.recent) - min(self.recent) <= 2.0 * self.base_kg:
            change = float(np.median(self.recent)) - self.level
            self.moved += self.sign * change
            self.load.moved_kg += self.sign * change
            self.load.end_kg += change
        self.level = self.load.end_kg

    def _end_load(self) -> None:
        """End the present load; one that hardly stood there was none."""
        load = self.load
        assert load is not None
        self._settle_end()
        self.load = None
        if not load.confirmed:
            self.loads.pop()
            self.moved -= load.moved_kg
            return
        self.left_at, self.left_stamp = self.level_at, self.level_stamp
        load.end = self.level_stamp
        if not load.zeroed:
            self.expected[load.cylinder] = load.end_kg

    def _confirm(self, at: float, stamp: pd.Timestamp) -> None:
        """The present load has stood long enough: name it, and tell when it is another cylinder."""
        load = self.load
        assert load is not None
        load.confirmed = True
        old = self.loads[-2] if len(self.loads) > 1 else None
        if load.named_by != "mark" and not load.zeroed:
            self._name(*self._who(self.stands_since, load.begin_kg), stamp)
        else:
            self._name(load.cylinder, load.named_by, stamp)
        self.next_id = None
        if old is not None and old.cylinder != load.cylinder:
            since = self.left_stamp if self.left_stamp is not None else load.begin
            number = len(self.loads) - 1
            self.changes.append(
                Change(
                    stamp, since, old.cylinder, load.cylinder, load.named_by, old.end_kg, load.begin_kg, number, "scale"
                )
            )

    def _leave(self, at: float, weight: float, stamp: pd.Timestamp) -> None:
        """The cylinder was lifted off."""
        self._end_load()
        self.climbed = 0.0
        self._believe(at, weight, stamp)

    def _while_empty(self, at: float, weight: float, stamp: pd.Timestamp) -> None:
        spent = at - self.level_at
        change = weight - self.level
        if abs(change) <= self.base_kg + USUAL_KG_PER_S * min(spent, 2.5 * SAMPLE_S):
            self.waiting = []
            self.climbed = max(0.0, self.climbed + self.sign * change)
            if self.climbed >= ZEROED_KG and self.loads:
                self._zeroed(at, weight, stamp)
            else:
                self._believe(at, weight, stamp)
            return
        self.climbed = 0.0
        self.waiting.append((at, weight, stamp))
        first = self._steady_from()
        if at - self.waiting[first][0] < SETTLE_S and not spent >= 60.0:
            return
        if weight <= EMPTY_KG:
            self._believe(at, weight, stamp)
            return
        stood = self.waiting[first:]
        self._begin(at, weight, stood[0][2], stamp, float(np.median([w for _, w, _ in stood[:3]])))

    def _zeroed(self, at: float, weight: float, stamp: pd.Timestamp) -> None:
        """The tare button was pressed with the cylinder on the scale: what climbs from nothing is flow."""
        old = self.loads[-1]
        begin = weight - self.sign * self.climbed
        load = Load(old.cylinder, old.named_by, old.table, stamp, None, begin, weight, self.climbed, True)
        self.moved += self.climbed
        self._stand(load, at)
        self._believe(at, weight, stamp)
        self.cautions.append(
            "The scale was set to zero with a cylinder on it: its gross weight is not known after that."
        )

    def _begin(
        self, at: float, weight: float, began: pd.Timestamp, stamp: pd.Timestamp, start: float | None = None
    ) -> None:
        """A cylinder stands on the scale; `start` is the weight with which it was put on."""
        start = weight if start is None else start
        flowed = self.sign * (weight - start)
        self.moved += flowed
        self._stand(Load("", "order", None, began, None, start, weight, flowed), at)
        self._believe(at, weight, stamp)

    def _stand(self, load: Load, at: float) -> None:
        self.loads.append(load)
        self.load = load
        self.rate, self.recent, self.last_two, self.stands_since = 0.0, [], (np.nan, np.nan), at

    def _who(self, at: float, gross: float) -> tuple[str, NamedBy]:
        """Return which cylinder was put on and how that is known."""
        if self.next_id is not None:
            return self.next_id, "mark"
        old = self.loads[-2] if len(self.loads) > 1 else None
        if old is not None:
            away = at - self.left_at
            apart = abs(gross - old.end_kg)
            if apart <= max(SAME_KG, self.base_kg) or (away <= LIFTED_S + SETTLE_S and apart <= LIFTED_KG):
                return old.cylinder, old.named_by
        near = sorted((abs(gross - weight), name) for name, weight in self.expected.items())
        if near and near[0][0] <= MATCH_KG and (len(near) == 1 or near[1][0] > 2.0 * near[0][0]):
            name = near[0][1]
            known: NamedBy = next(
                (load.named_by for load in reversed(self.loads[:-1]) if load.cylinder == name), "tare"
            )
            return name, known
        return f"cylinder {len({load.cylinder for load in self.loads[:-1]}) + 1}", "order"

    def _replace(self, first: int, at: float, weight: float, stamp: pd.Timestamp) -> None:
        """Another level stays although the scale never showed empty: another cylinder, or a shift."""
        assert self.load is not None
        _, start, began = self.waiting[first]
        unseen = self.waiting[0][0] - self.level_at >= UNSEEN_S
        marked = self.marked_at >= self.level_at - MARK_NEAR_S or self.next_id is not None
        matched = any(n != self.load.cylinder and abs(start - w) <= MATCH_KG for n, w in self.expected.items())
        another = (marked or matched) if unseen else False
        young = self.waiting[0][0] - self.stands_since < YOUNG_S
        if another or (abs(start - self.level) >= SWAP_KG and not young):
            self._end_load()
            self._begin(at, weight, began, stamp, start)
            return
        shift = start - self.level
        flowed = self.sign * (weight - start)
        self.moved += flowed
        self.load.moved_kg += flowed
        self.load.begin_kg += shift
        self.load.end_kg = weight
        self.recent, self.last_two = [], (np.nan, np.nan)
        self._believe(at, weight, stamp)

    def _unseen_swap(self, at: float, stamp: pd.Timestamp) -> None:
        """Take a mark for a swap when the scale showed nothing of it for a while."""
        load = self.load
        if self.next_id is None or self.waiting or at - self.next_at < MARK_EARLY_S or load is None:
            return
        if not load.confirmed:
            return
        if load.named_by != "mark":
            self._name(self.next_id, "mark", stamp)
            self.next_id = None
            return
        old, since = load, self.level_stamp if self.level_stamp is not None else stamp
        self._end_load()
        level = self.level
        table = next((c for c in self.cylinders if c.id == self.next_id), None)
        new = Load(self.next_id, "mark", table, stamp, None, level, level, confirmed=True)
        self._stand(new, at)
        self._name(self.next_id, "mark", stamp)
        self.next_id = None
        self.changes.append(
            Change(stamp, since, old.cylinder, new.cylinder, "mark", old.end_kg, level, len(self.loads) - 1, "mark")
        )
