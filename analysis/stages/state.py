"""What a watcher of the signals remembers: the stages it found, what is in the circuit, when it last changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.stages.look_back import LookBack
from analysis.stages.signals import MINUTE_S, Signals

Contents = Literal["unknown", "refrigerant", "remnant", "open", "nitrogen", "vacuum"]
"""The same rise of pressure is a filling with nitrogen after a repair, and liquid boiling up after a recovery."""

OPEN_MINUTES = 10
"""A circuit that stands at the air's pressure for so long is open to it."""
QUIET_S = 300.0
"""In a log that stops then, what did nothing for so long is over (common practice)."""
TESTED_PART = 0.05
"""A log that begins so near the pressure that the job wants to test at, where no liquid would stand, is of the test."""
FILLED_PART = 0.01
"""So near the pressure that was asked for a test is filled (common practice): where no temperature is near the circuit
to say where liquid would stand, that is more than chance."""


@dataclass
class Found:
    """One stage as it was found; seconds since the log's first row, `known` and `ended` as the number of a minute.

    One with an end that did not `ended` may still go on. Until `left_s` all stood as the stage had left it.
    """

    stage: str
    begin_s: float
    known: int
    within_s: float = 120.0
    note: str = ""
    end_s: float | None = None
    end_within_s: float = 120.0
    ended: int | None = None
    left_s: float | None = None


class WatchState(LookBack):
    """The watcher's memory, and how a stage begins and ends in it."""

    def __init__(self, signals: Signals) -> None:
        super().__init__(signals)
        self.found: list[Found] = []
        self.now: Found | None = None
        self.contents: Contents = "unknown"
        self.floor_s = 0.0  # no stage begins before this
        self.ran_s = -np.inf  # end of the last minute in which the compressor ran
        self.flowed: int | None = None  # last minute in which refrigerant came onto the scale or left it
        self.active_s = 0.0  # when the stage last did something
        self.rested_s = 0.0  # when it had last done something before its last rest
        self.weighed_s = np.nan  # when the scale last showed what the stage moved
        self.fastest_kg = 0.0  # the most that flowed in one minute of the stage
        self.lowest_pa = np.inf
        self.remnant_pa = np.inf  # lowest pressure since refrigerant was taken out
        self.trough_pa = np.inf  # lowest pressure since a stage ended
        self.off_test_part = np.inf  # how far from the pressure that the job wants to test at the log began
        self.drawn = False  # whether pressure ever fell as what a hose takes makes it fall
        self.runs_pa: float | None = None  # where only pressure shows that the compressor runs: it does under this,
        self.high_side = False  # or, on its high side, over it
        self.level_pa = 0.0
        self.fell: int | None = None  # minute in which a test fell to the air's pressure at once
        self.settled_pa = np.inf
        self.scaled = False  # whether a scale was ever read: what is charged would be weighed
        self.bears = False  # whether a cylinder stood on the scale when that was last read
        self.off_s: float | None = None  # since when no cylinder stands on the scale
        self.placed_s: float | None = None
        self.broken_s: float | None = None
        self.aired = False  # whether a vacuum that was broken stood at the air's pressure since
        self.rest: int | None = None
        self.stirred: int | None = None  # minute in which a rest was seen to end by what pressure did

    @property
    def stage(self) -> str:
        """Name of the stage that runs, empty where none does."""
        return "" if self.now is None else self.now.stage

    @property
    def latest(self) -> str:
        """Name of the stage that began last, whether it runs or not; empty before the first."""
        return self.found[-1].stage if self.found else ""

    @property
    def tests(self) -> bool:
        """Whether nitrogen stands for a test; vapour that looks like it may yet be drawn off or charged upon."""
        return self.stage == "pressure_test" and self.contents == "nitrogen"

    def begin(self, stage: str, at_s: float, k: int, within_s: float = 120.0, note: str = "") -> None:
        """Begin a stage at a second, known at minute `k`; the one that runs gives way."""
        at_s = max(at_s, self.floor_s)
        if self.now is not None:
            self.give_way(at_s, k)
        self.now = Found(stage, at_s, k, within_s, note)
        self.found.append(self.now)
        self.active_s = self.rested_s = float(self.s.begin_s[k])
        self.weighed_s = np.nan
        self.fastest_kg = 0.0
        self.lowest_pa = np.inf
        self.runs_pa, self.high_side = None, False
        self.level_pa = 0.0
        self.settled_pa = np.inf
        self.fell = None
        self.broken_s, self.aired = None, False
        self.rest = None

    def end(self, at_s: float, k: int, within_s: float = 120.0) -> None:
        """End the stage that runs at a second, known at minute `k`."""
        if self.now is None:
            return
        self.now.end_within_s = within_s
        self.now.end_s = float(min(max(at_s, self.now.begin_s + MINUTE_S), self.s.end_s[k]))
        self.now.ended = k
        self.floor_s = self.now.end_s
        self.now = None

    def give_way(self, at_s: float, k: int) -> None:
        """End the stage that runs where another begins, known at minute `k`: at that second, or some time before."""
        self.end(at_s, k)

    def off_test(self, k: int) -> float:
        """Return how far pressure is off the one that the job wants to test at, as a part of it; 1 where none is."""
        s = self.s
        test_pa = np.inf if s.test_pressure is None else s.test_pressure.absolute_pa(float(s.barometer_pa[k]))
        return float(abs(s.calm_pa[k] / test_pa - 1.0))

    def weighed(self, k: int, sign: float) -> bool:
        """Return whether the scale shows in minute `k` what the stage moves, and remember when it did last."""
        if sign * self.s.flow_kg[k] > 0.0:
            self.fastest_kg = max(self.fastest_kg, sign * float(self.s.weight_kg[k - 1] - self.s.weight_kg[k - 2]))
        elif self.poured(k, sign, self.fastest_kg):
            self.weighed_s = float(self.s.end_s[k])
            return True
        elif not self.trickled(k, sign):
            return False
        self.weighed_s = self.last_flow(k)
        return True

    def moved_by_hose(self, k: int, minutes: float) -> bool:
        """Return whether the scale flowed in the minutes before minute `k`."""
        return self.flowed is not None and self.s.end_s[k] - self.s.end_s[self.flowed] < minutes * MINUTE_S
