"""Which cylinder stands on the scale: by the journal's marks, else by its tare and contents, else numbered."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd

from analysis.vocabulary.job import CylinderTable

MARK_NEAR_S, MARK_LATE_S, MARK_EARLY_S = 180.0, 600.0, 300.0
"""A mark explains a change this near; it may name a load this late, or come this early before one."""
SAME_KG, LIFTED_KG, LIFTED_S = 0.5, 1.0, 30.0
"""Put back: within the first, or within the last after so short a time that no hose was changed."""
MATCH_KG = 0.7
"""How near a weight must come to tare and contents of a named cylinder to be taken for it."""

NamedBy = Literal["mark", "tare", "order"]


class Doubt(NamedTuple):
    """How unsure a mass is by what was not seen [kg], beyond noise and step of the scale.

    `own_kg`: of one cylinder alone. `alike_kg`: by flow before its first sample or beyond its last, in which cylinders
    err alike: who lifts one while it flows lifts them all so.
    """

    own_kg: float = 0.0
    alike_kg: float = 0.0


@dataclass(slots=True)
class Load:
    """One time that a cylinder stood on the scale.

    `begin_kg`, `end_kg`: settled gross weight, the first put right for what shifted without flow; `end` is None while
    it stands there. `zeroed`: the scale was set to zero with the cylinder on it, so the weights are no gross weights.
    `confirmed`: it stood long enough to count as a cylinder. `sign` is +1 when mass into the cylinder counts.
    `stood`: it was seen to stand before its first flow; `hose_kg`: what hoses were seen to do meanwhile that were
    screwed on. `laid_kg`: what was laid on it and stays. `unsure`: how unsure its mass is by what was not seen.
    """

    cylinder: str
    named_by: NamedBy
    table: CylinderTable | None
    begin: pd.Timestamp
    end: pd.Timestamp | None
    begin_kg: float
    end_kg: float
    sign: float
    zeroed: bool = False
    confirmed: bool = False
    stood: bool = False
    hose_kg: float = 0.0
    laid_kg: float = 0.0
    unsure: Doubt = field(default_factory=Doubt)

    def doubt(self, own_kg: float = 0.0, alike_kg: float = 0.0) -> None:
        """Take one more reason why the mass is unsure, as in `Doubt`."""
        self.unsure = Doubt(math.hypot(self.unsure.own_kg, own_kg), self.unsure.alike_kg + alike_kg)

    @property
    def moved_kg(self) -> float:
        """Mass that went the stage's way meanwhile: into the cylinder in a recovery, out of it in a charging."""
        return self.sign * (self.end_kg - self.begin_kg)


@dataclass(frozen=True)
class Naming:
    """What a load (its number) was called from a moment on, how that was known, and what the job says of it.

    `may_be`: those of the job's cylinders that it may be by its weight, where it got but a number.
    """

    time: pd.Timestamp
    load: int
    cylinder: str
    by: NamedBy
    table: CylinderTable | None
    may_be: tuple[str, ...] = ()


@dataclass(slots=True)
class Names:
    """What marks and weights have told of cylinders so far."""

    cylinders: list[CylinderTable]
    left_kg: Mapping[str, float] = field(default_factory=dict)  # with which they left the scale in the stages before
    charges: bool = False  # out of them: what flows out of one without stated contents shows that nobody stated them
    told: list[Naming] = field(default_factory=list)
    may_be: tuple[str, ...] = ()  # as in `Naming`, of the load that is being named
    expected: dict[str, float] = field(default_factory=dict)  # gross weight each named cylinder should show
    next_id: str | None = None
    next_at: float = -np.inf
    marked_at: float = -np.inf

    def __post_init__(self) -> None:
        for table in self.cylinders:
            if table.tare_kg is not None and (table.contents_kg > 0.0 or not self.charges):
                self.expected[table.id] = table.tare_kg + table.contents_kg
        self.expected |= self.left_kg

    def name(self, load: Load, number: int, name: str, by: NamedBy, stamp: pd.Timestamp) -> None:
        """Give the load `number` a name, as known from `stamp` on."""
        load.cylinder, load.named_by = name, by
        load.table = next((c for c in self.cylinders if c.id == name), None)
        self.told.append(Naming(stamp, number, name, by, load.table, self.may_be))
        self.may_be = ()

    def mark(
        self, at: float, subject: str, name: str, loads: list[Load], standing_s: float | None, stamp: pd.Timestamp
    ) -> None:
        """Take a mark; `standing_s` is how long the last of the loads has stood there, None when it does not."""
        last = loads[-1] if loads else None
        here = last if standing_s is not None and last is not None and last.confirmed else None
        old = standing_s is None or standing_s > MARK_LATE_S  # or one that has just left
        unnamed = last is not None and last.confirmed and last.named_by == "order"
        if subject == "cylinder_off" and name and old and unnamed:
            self.name(loads[-1], len(loads) - 1, name, "mark", stamp)
        if here is not None and standing_s is not None and standing_s <= MARK_LATE_S:
            if here.named_by != "mark":
                if name and subject == "cylinder_on":
                    self.name(here, len(loads) - 1, name, "mark", stamp)
                return
            if name in (here.cylinder, *(old.cylinder for old in loads[-2:-1])) and subject == "cylinder_on":
                return
        if subject == "cylinder_on" and name and (here is None or name != here.cylinder):
            self.next_id, self.next_at = name, at
        if subject == "cylinder_on" or here is None or not name or name == here.cylinder or here.named_by != "mark":
            self.marked_at = at

    @staticmethod
    def _off(ahead_kg: float, reach_kg: float) -> float:
        return max(-ahead_kg, ahead_kg - reach_kg, 0.0)

    def other(self, load: Load, gross_kg: float) -> bool:
        """Return whether a weight is that of a known cylinder that is not the one of `load`."""
        near = [name for name, kg in self.expected.items() if -MATCH_KG <= gross_kg - kg <= MATCH_KG]
        return any(name != load.cylinder for name in near)

    def who(
        self, load: Load, earlier: list[Load], away_s: float, base_kg: float, reach_kg: float
    ) -> tuple[str, NamedBy]:
        """Return which cylinder was put on, `away_s` after the last one left, and how that is known.

        `reach_kg` is how much may have flowed before the load was first seen.
        """
        gross = load.begin_kg
        if self.next_id is not None:
            return self.next_id, "mark"
        near = sorted((self._off(load.sign * (gross - kg), reach_kg), name) for name, kg in self.expected.items())
        if earlier:
            old = earlier[-1]
            apart = abs(gross - old.end_kg)
            closer = near and near[0][1] != old.cylinder and near[0][0] < 0.5 * apart
            if (apart <= max(SAME_KG, base_kg) and not closer) or (away_s <= LIFTED_S and apart <= LIFTED_KG):
                return old.cylinder, old.named_by
        if near and near[0][0] <= MATCH_KG and (len(near) == 1 or near[1][0] > 2.0 * near[0][0] + base_kg):
            name = near[0][1]
            as_shown_kg, shown = min((abs(gross - kg), name) for name, kg in self.expected.items())
            if shown == name or as_shown_kg > MATCH_KG:  # else nobody knows whether some flowed before it was seen
                known: NamedBy = next((old.named_by for old in reversed(earlier) if old.cylinder == name), "tare")
                return name, known
        self.may_be = tuple(name for off_kg, name in near if off_kg <= MATCH_KG)
        return self.numbered(earlier), "order"

    def numbered(self, earlier: list[Load]) -> str:
        """Return what a cylinder is called of which nothing is known but that `earlier` ones stood there before."""
        return f"cylinder {len({*self.left_kg, *(old.cylinder for old in earlier)}) + 1}"
