"""How fresh each channel is, judged by its own usual pace."""

from __future__ import annotations

import statistics
from collections import deque
from dataclasses import dataclass, field
from typing import Literal

from analysis.vocabulary.text import by_hand
from collector.page.readings import decimals_of, shown

Health = Literal["fresh", "late", "silent", "idle", "never"]

STEPS_KEPT = 15
LATE_STEPS, LATE_S = 4.0, 5.0
SILENT_STEPS, SILENT_S = 20.0, 60.0
"""Late: no reading for this many of its usual steps and this time; silent likewise, and idle
where nobody misses it. Common practice."""


@dataclass
class Channel:
    """The latest reading of a channel: `at` in seconds since 1970, `value` in the unit of its column.

    `decimals` are the most that one of its readings had, so its display's.
    """

    name: str
    unit: str
    at: float | None = None
    value: float | None = None
    decimals: int = 0
    steps: deque[float] = field(default_factory=lambda: deque(maxlen=STEPS_KEPT))

    def reading(self, at: float, value: float) -> None:
        """Take a reading that is not blank."""
        if self.at is not None and at > self.at:
            self.steps.append(at - self.at)
        self.at, self.value = at, value
        self.decimals = max(self.decimals, decimals_of(value))

    @property
    def shown(self) -> str:
        """The latest reading with its unit, a dash before the first."""
        return "—" if self.value is None else f"{shown(self.value, self.decimals)} {by_hand(self.unit)}"

    def age_s(self, now: float) -> float | None:
        """Return how old the latest reading is."""
        return None if self.at is None else max(0.0, now - self.at)

    def health(self, now: float) -> Health:
        """Return how fresh the channel is."""
        age = self.age_s(now)
        if age is None:
            return "never"
        step = statistics.median(self.steps) if self.steps else 1.0
        if age > max(SILENT_S, SILENT_STEPS * step):
            return "silent"
        return "late" if age > max(LATE_S, LATE_STEPS * step) else "fresh"
