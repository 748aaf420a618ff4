"""A clock that runs faster than real time, so that the recorder can record two days in two minutes."""

from __future__ import annotations

import datetime
import time
from dataclasses import dataclass, field


@dataclass(frozen=True)
class ScaledClock:
    """Simulated time: `start` plus `speed` times the real seconds since this clock was made."""

    start: datetime.datetime
    speed: float
    _zero: float = field(default_factory=time.monotonic)

    def seconds(self) -> float:
        """Return the simulated seconds since the start; never falls."""
        return (time.monotonic() - self._zero) * self.speed

    def now(self) -> datetime.datetime:
        """Return the simulated time of day."""
        return self.start + datetime.timedelta(seconds=self.seconds())
