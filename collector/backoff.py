"""How long to wait between tries."""

from __future__ import annotations

import random
from dataclasses import dataclass

FIRST_RETRY_S = 0.25
LONGEST_RETRY_S = 2.0
"""Retries slow down to this, so that an instrument that returns is read again within 5 s."""


@dataclass
class Backoff:
    """Waits between retries: doubling up to a cap, jittered so that instruments do not retry in step."""

    first_s: float = FIRST_RETRY_S
    longest_s: float = LONGEST_RETRY_S
    _next_s: float = 0.0

    def next_s(self) -> float:
        """Return the next wait [s], at most the cap."""
        self._next_s = min(max(self.first_s, 2 * self._next_s), self.longest_s)
        return self._next_s * random.uniform(0.5, 1.0)

    def reset(self) -> None:
        """Begin again with the shortest wait."""
        self._next_s = 0.0
