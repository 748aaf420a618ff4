"""What every simulated recovery has: what it is, how it is logged, and what came out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.fluids import refrigerant
from analysis.recovery.required_level import required_level
from analysis.stretch import Stretch
from analysis.vocabulary.job import parse_job
from analysis.vocabulary.units import UNITS
from tests.support import make_stretch

GAS = 8.314462


@dataclass(frozen=True)
class Recovered:
    """A recovery and its instruments. Masses kg, volumes m3, temperatures K, times s."""

    name: str = "plain"
    refrigerant: str = "R-134a"
    plate: float = 100.0
    charged: float = 1.0  # share of the plate that is really in
    volume: float = 0.4
    water: float = 285.0
    ambient: float = 295.0
    flow_marked: bool = True
    liquid_rate: float = 0.05
    reach: float = 0.3  # share of the charge that the port does not reach
    pauses: tuple[tuple[float, float], ...] = ()  # begin and length, s
    marks: bool = True
    final_pause: float = 1500.0
    longest: float = 6 * 3600.0
    sample: float = 2.0  # s between rows
    pressure_unit: str = "psig"
    pressure_step: float = 0.1
    pressure_noise: float = 0.03
    weight_unit: str = "kg"
    weight_step: float = 0.05
    weight_noise: float = 0.02
    elevation: float = 0.0
    channels: tuple[str, ...] = ("circuit_pressure", "cylinder_weight", "leaving_water_temperature")
    charge_known: bool = True
    seed: int = 1


@dataclass(frozen=True)
class Run:
    """What the instruments showed, and the truth.

    Masses of liquid, of the part of it that stands apart in a pocket, and of what oil holds [kg]; circuit pressure
    [Pa]; machine standing; mass recovered [kg]; end of the liquid pull [s] and whether a scale shows it as a
    breakdown of the rate.
    """

    case: Recovered
    stretch: Stretch
    seconds: np.ndarray
    liquid: np.ndarray
    apart: np.ndarray
    dissolved: np.ndarray
    pressure: np.ndarray
    paused: np.ndarray
    recovered: float
    pull_s: float
    breaks: bool

    @property
    def resolution_pa(self) -> float:
        """Return the smallest change of pressure that the gauge shows."""
        case = self.case
        return UNITS[case.pressure_unit].scale * max(0.6 * case.pressure_step, 2.0 * case.pressure_noise)

    @property
    def gone_s(self) -> float:
        """Return when no more than 0.3 % of the charge was liquid any longer; infinite if never."""
        wet = np.flatnonzero(self.liquid > 0.003 * self.case.plate)
        if len(wet) == 0:
            return 0.0
        return float(self.seconds[wet[-1] + 1]) if wet[-1] + 1 < len(self.seconds) else np.inf

    @property
    def due_s(self) -> float:
        """Return when, besides, saturation (bubble point) was 5 degF under the water; infinite if never."""
        bubble_k = np.asarray(refrigerant(self.case.refrigerant).bubble_temperature_k(self.pressure))
        cold = bubble_k <= self.case.water - 2.78
        held = np.flatnonzero(cold & (self.seconds >= self.gone_s))
        return float(self.seconds[held[0]]) if len(held) else np.inf

    def liquid_share_at(self, time: pd.Timestamp) -> float:
        """Return the share of the plate's charge that is liquid at a stamp."""
        at = (time - self.stretch.begin) / pd.Timedelta(seconds=1)
        return float(np.interp(at, self.seconds, self.liquid)) / self.case.plate


def asked_pa(name: str, plate: float) -> float:
    """Return the level that the rules ask for a recovery of so much of a refrigerant, absolute."""
    tables = {"job": {"name": "t"}, "circuit": {"refrigerant": name, "charge": f"{plate} kg"}}
    level = required_level(parse_job({**tables, "recovery": {"equipment_made": 2015}})).level
    assert level is not None
    return level.absolute_pa(101_325.0)


def logged(
    case: Recovered,
    shown: np.ndarray,
    volume_stated: float | None,
    journal: list[tuple[float, str, str, str]],
    flow_marks: list[tuple[float, str]],
) -> Stretch:
    """Return the stretch as instruments show it; `shown` has columns time, pressure, gross, leaving water."""
    rng = np.random.default_rng(case.seed)
    n = len(shown)

    def read(values: np.ndarray, unit: str, step: float, noise: float) -> np.ndarray:
        scale, offset = UNITS[unit].scale, UNITS[unit].offset
        return np.round(((values - offset) / scale + rng.normal(0, noise, n)) / step) * step

    barometer = 101_325.0 * (1 - 2.25577e-5 * case.elevation) ** 5.25588
    gauge = shown[:, 1] - (barometer if UNITS[case.pressure_unit].datum == "gauge" else 0.0)
    channels = {
        "circuit_pressure": (
            case.pressure_unit,
            read(gauge, case.pressure_unit, case.pressure_step, case.pressure_noise),
        ),
        "cylinder_weight": (case.weight_unit, read(shown[:, 2], case.weight_unit, case.weight_step, case.weight_noise)),
        "leaving_water_temperature": ("degF", read(shown[:, 3], "degF", 0.1, 0.1)),
        "ambient_temperature": ("degF", read(np.full(n, case.ambient), "degF", 0.5, 0.2)),
    }
    circuit = {"refrigerant": case.refrigerant}
    if case.charge_known:
        circuit["charge"] = f"{case.plate} kg"
    if volume_stated is not None:
        circuit["internal_volume"] = f"{case.volume * volume_stated * 1000:.3f} L"
    return make_stretch(
        "recovery",
        shown[:, 0],
        {name: channels[name] for name in case.channels},
        tables={"circuit": circuit, "site": {"elevation": f"{case.elevation} m"}, "recovery": {"equipment_made": 2015}},
        journal=sorted([*journal, *((at, "mark", word, "") for at, word in flow_marks)]),
    )
