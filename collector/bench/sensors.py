"""What the instruments show: the truth with lag, noise, offset and the last digit, in the unit of the log."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.vocabulary.units import UNITS


@dataclass(frozen=True)
class Sensor:
    """How one channel is shown: unit of the log; noise (standard deviation), last digit and offset in that unit."""

    unit: str
    noise: float
    digit: float
    lag_s: float = 0.0
    offset: float = 0.0


VACUUM_TOP_MICRON = 25_000.0
"""The vacuum probes show nothing above this."""

SENSORS: dict[str, Sensor] = {
    "circuit_pressure": Sensor("psig", 0.03, 0.1),
    "vacuum": Sensor("micron", 0.006, 1.0, lag_s=4.0),
    "pump_vacuum": Sensor("micron", 0.006, 1.0, lag_s=4.0),
    "cylinder_weight": Sensor("lb", 0.02, 0.05),
    "cylinder_pressure": Sensor("psig", 0.05, 0.1),
    "cylinder_temperature": Sensor("degF", 0.05, 0.1, lag_s=60.0),
    "entering_water_temperature": Sensor("degF", 0.04, 0.1, lag_s=15.0, offset=0.1),
    "leaving_water_temperature": Sensor("degF", 0.04, 0.1, lag_s=15.0, offset=-0.1),
    "condenser_entering_temperature": Sensor("degF", 0.04, 0.1, lag_s=15.0, offset=0.2),
    "condenser_leaving_temperature": Sensor("degF", 0.04, 0.1, lag_s=15.0, offset=-0.1),
    "ambient_temperature": Sensor("degF", 0.05, 0.1, lag_s=90.0),
    "surface_temperature": Sensor("degF", 0.05, 0.1, lag_s=40.0, offset=-0.2),
    "suction_pressure": Sensor("psig", 0.03, 0.1),
    "suction_temperature": Sensor("degF", 0.05, 0.1, lag_s=25.0, offset=0.1),
    "discharge_pressure": Sensor("psig", 0.03, 0.1),
    "discharge_temperature": Sensor("degF", 0.05, 0.1, lag_s=25.0, offset=-0.3),
    "liquid_pressure": Sensor("psig", 0.03, 0.1),
    "liquid_temperature": Sensor("degF", 0.05, 0.1, lag_s=25.0, offset=0.2),
    "oil_pressure_before_filter": Sensor("psig", 0.03, 0.1),
    "oil_pressure_after_filter": Sensor("psig", 0.03, 0.1),
    "oil_temperature": Sensor("degF", 0.05, 0.1, lag_s=25.0),
    "compressor_load": Sensor("%", 0.0, 0.1),
    "barometer": Sensor("mbar", 0.03, 0.1),
}
"""Every channel of the bench."""


class Panel:
    """The instruments together. `read` may be called at any pace; lags follow the simulated time between calls."""

    def __init__(self, seed: int) -> None:
        self._dice = random.Random(seed + 1)
        self._shown: dict[str, float] = {}
        self._at_s: float | None = None

    def read(self, seconds: float, truth: Mapping[str, float]) -> dict[str, float | None]:
        """Return what each instrument shows at a time, in the log's unit; None where it shows no number."""
        passed = math.inf if self._at_s is None else seconds - self._at_s
        self._at_s = seconds
        barometer = truth["barometer"]
        return {name: self._one(name, sensor, truth[name], barometer, passed) for name, sensor in SENSORS.items()}

    def _one(self, name: str, sensor: Sensor, value: float, barometer: float, passed: float) -> float | None:
        number = float(UNITS[sensor.unit].number(value, barometer))
        if sensor.lag_s > 0.0 and name in self._shown:
            before = self._shown[name]
            number = before + (number - before) * (1.0 - math.exp(-passed / sensor.lag_s))
        self._shown[name] = number
        digit = sensor.digit
        if sensor.unit == "micron":
            if number > VACUUM_TOP_MICRON:
                return None
            number *= 1.0 + self._dice.gauss(0.0, sensor.noise)
            digit = 1.0 if number < 1e3 else 10.0 if number < 1e4 else 100.0
        else:
            number += sensor.offset + self._dice.gauss(0.0, sensor.noise)
        return round(round(number / digit) * digit, 3)
