"""A clock that runs faster than real time, so that the recorder can record two days in two minutes."""

from __future__ import annotations

import datetime
import math
import time
from collections.abc import Callable


class FastClock:
    """Simulated time: `start` plus `speed` times the real seconds for which the program got to run.

    Between two looks at the clock it moves on by `longest_s` simulated seconds at most: where the computer is busy
    with something else the simulated world waits, instead of going on while nobody records it. While it is `held` it
    stands still.
    """

    def __init__(
        self,
        start: datetime.datetime,
        speed: float,
        longest_s: float = math.inf,
        real: Callable[[], float] = time.monotonic,
    ) -> None:
        self.start = start
        self.speed = speed
        self._longest_s = longest_s
        self._real = real
        self._looked = real()
        self._seconds = 0.0
        self.held = False

    def seconds(self) -> float:
        """Return the simulated seconds since the start; never falls."""
        now = self._real()
        if not self.held:
            self._seconds += min((now - self._looked) * self.speed, self._longest_s)
        self._looked = now
        return self._seconds

    def now(self) -> datetime.datetime:
        """Return the simulated time of day."""
        return self.start + datetime.timedelta(seconds=self.seconds())
