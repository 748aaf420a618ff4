"""The weather outside and the air of the machine room: a day's swing, a front, small wandering; all seeded."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

DAY_S = 86_400.0


@dataclass(frozen=True)
class Front:
    """A passing front: the barometer falls by `depth_pa` around `middle_s` and half recovers."""

    middle_s: float
    depth_pa: float
    width_s: float


class Weather:
    """Weather as a function of time of day. `seconds` counts from midnight of the first day."""

    def __init__(
        self,
        seed: int,
        *,
        barometer_pa: float,
        mean_k: float,
        swing_k: float,
        room_k: float,
        room_swing_k: float,
        sun_k: float,
        front: Front,
    ) -> None:
        dice = random.Random(seed)
        self._barometer_pa = barometer_pa
        self._mean_k, self._swing_k = mean_k, swing_k
        self._room_k, self._room_swing_k, self._sun_k = room_k, room_swing_k, sun_k
        self._front = front
        # wandering: a few slow waves of random phase, so that any moment can be asked for in any order
        self._waves = [
            (dice.uniform(900.0, 9_000.0), dice.uniform(0.0, math.tau), dice.gauss(0.0, 1.0)) for _ in range(8)
        ]

    def _wander(self, seconds: float, shift: float) -> float:
        total = sum(size * math.sin(math.tau * seconds / period + phase + shift) for period, phase, size in self._waves)
        return total / math.sqrt(len(self._waves))

    def outside_k(self, seconds: float) -> float:
        """Return the outdoor air [K], warmest at three in the afternoon."""
        return (
            self._mean_k
            + self._swing_k * math.cos(math.tau * (seconds / DAY_S - 0.625))
            + 0.3 * self._wander(seconds, 0.0)
        )

    def room_k(self, seconds: float) -> float:
        """Return the machine room's air [K]: the outdoors damped and two hours late."""
        day = math.cos(math.tau * (seconds / DAY_S - 0.71))
        return self._room_k + self._room_swing_k * day + 0.12 * self._wander(seconds, 1.3)

    def sun_on_metal_k(self, seconds: float) -> float:
        """Return how much warmer than the air the morning sun through a window makes the metal at rest [K]."""
        hour = seconds % DAY_S / 3_600.0
        return self._sun_k * math.sin(math.pi * (hour - 6.5) / 3.5) if 6.5 < hour < 10.0 else 0.0

    def barometer_pa(self, seconds: float) -> float:
        """Return the station pressure [Pa]."""
        front = self._front
        step = math.tanh((seconds - front.middle_s) / front.width_s)
        dip = math.exp(-(((seconds - front.middle_s) / (2.0 * front.width_s)) ** 2))
        tide = 60.0 * math.cos(2.0 * math.tau * (seconds / DAY_S - 0.42))
        return (
            self._barometer_pa - 0.25 * front.depth_pa * (1.0 + step) - 0.5 * front.depth_pa * dip + tide
            + 8.0 * self._wander(seconds, 2.1)
        )  # fmt: skip
