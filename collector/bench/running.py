"""The running chiller: load that follows the water, evaporator and condenser by effectiveness, lags and hunting."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.bench.circuit import WATER_HEAT, Water
from collector.bench.fluid import Fluid


@dataclass(frozen=True)
class ChillerBuild:
    """The machine's size."""

    capacity_w: float = 215e3
    evaporator_w_per_k: float = 62e3
    condenser_w_per_k: float = 70e3
    condenser_flow_kg_per_s: float = 11.0
    leaving_setpoint_k: float = 280.0
    carnot_share: float = 0.58
    superheat_k: float = 5.6
    subcooling_k: float = 4.8
    filter_drop_pa: float = 42e3


@dataclass
class Running:
    """State of the running circuit. Temperatures in K, load as a fraction."""

    fluid: Fluid
    charge_kg: float
    plate_kg: float
    build: ChillerBuild = field(default_factory=ChillerBuild)
    on: bool = False
    load: float = 0.0
    evaporating_k: float = 290.0
    condensing_k: float = 290.0
    superheat_k: float = 0.0
    hunting_k_per_s: float = 0.0
    subcooling_k: float = 0.0
    discharge_k: float = 290.0
    oil_k: float = 318.0
    tower_k: float = 295.0
    condenser_leaving_k: float = 295.0
    evaporator_w: float = 0.0
    condenser_w: float = 0.0
    compressor_w: float = 0.0
    _integral: float = 0.2

    def start(self, circuit_k: float) -> None:
        """Start the compressor from a circuit at rest at a saturation temperature."""
        self.on, self.load, self._integral = True, 0.2, 0.2
        self.evaporating_k = self.condensing_k = self.discharge_k = circuit_k
        self.superheat_k = self.subcooling_k = self.hunting_k_per_s = 0.0

    def stop(self) -> None:
        """Stop the compressor."""
        self.on, self.load = False, 0.0

    @property
    def suction_pa(self) -> float:
        """Pressure at the compressor's inlet [Pa absolute]."""
        return self.fluid.saturation_pa(self.evaporating_k)

    @property
    def discharge_pa(self) -> float:
        """Pressure at the compressor's outlet [Pa absolute]."""
        return self.fluid.saturation_pa(self.condensing_k)

    def step(self, water: Water, building_w: float, seconds: float) -> None:
        """Advance by a time: chilled water gives its heat to the evaporator, the building warms the loop."""
        build = self.build
        error = water.barrel_k - build.leaving_setpoint_k
        self._integral = min(max(self._integral + 0.00045 * error * seconds, 0.15), 1.0)
        wanted = min(max(self._integral + 0.05 * error, 0.15), 1.0)
        before = self.load
        self.load += min(max(wanted - self.load, -0.004 * seconds), 0.0025 * seconds)
        flow_w_per_k = water.flow_kg_per_s * WATER_HEAT
        # the charge short of nine tenths of the plate starves the evaporator
        fed = min(1.0, self.charge_kg / (0.9 * self.plate_kg))
        lift = max(self.condensing_k - self.evaporating_k, 8.0)
        self.evaporator_w = self.load * build.capacity_w * fed * (1.0 - 0.004 * (lift - 28.0))
        cop = build.carnot_share * self.evaporating_k / lift
        self.compressor_w = self.evaporator_w / cop
        self.condenser_w = self.evaporator_w + self.compressor_w
        effect = 1.0 - math.exp(-build.evaporator_w_per_k / flow_w_per_k)
        towards = water.loop_k - self.evaporator_w / (flow_w_per_k * effect)
        self.evaporating_k += (towards - self.evaporating_k) * (1.0 - math.exp(-seconds / 25.0))
        tower_w_per_k = build.condenser_flow_kg_per_s * WATER_HEAT
        effect = 1.0 - math.exp(-build.condenser_w_per_k / tower_w_per_k)
        towards = self.tower_k + self.condenser_w / (tower_w_per_k * effect)
        self.condensing_k += (towards - self.condensing_k) * (1.0 - math.exp(-seconds / 40.0))
        self.condenser_leaving_k = self.tower_k + self.condenser_w / tower_w_per_k
        flooded = water.flow_kg_per_s * WATER_HEAT * (water.loop_k - water.barrel_k)
        water.barrel_k += (flooded - self.evaporator_w) * seconds / 270e3
        water.loop_k += (building_w - flooded) * seconds / (water.loop_kg * WATER_HEAT)
        self._valve((self.load - before) / seconds, seconds)
        full = min(max((self.charge_kg / self.plate_kg - 0.85) / 0.15, 0.0), 1.4)
        wanted_k = build.subcooling_k * full * (0.7 + 0.3 * self.load)
        self.subcooling_k += (wanted_k - self.subcooling_k) * (1.0 - math.exp(-seconds / 120.0))
        hot = self.condensing_k + 6.0 + 0.9 * self.superheat_k + 0.28 * (self.condensing_k - self.evaporating_k)
        self.discharge_k += (hot - self.discharge_k) * (1.0 - math.exp(-seconds / 150.0))
        self.oil_k += (self.discharge_k - 3.0 - self.oil_k) * (1.0 - math.exp(-seconds / 900.0))

    def _valve(self, load_per_s: float, seconds: float) -> None:
        """The expansion valve answers a change of load late and swings: an underdamped spring towards its setting."""
        period_s, damping = 140.0, 0.22
        omega = math.tau / period_s
        push = 220.0 * load_per_s * omega
        pull = omega * omega * (self.build.superheat_k - self.superheat_k)
        self.hunting_k_per_s += (pull - 2.0 * damping * omega * self.hunting_k_per_s - push * omega) * seconds
        self.superheat_k = max(self.superheat_k + self.hunting_k_per_s * seconds, 0.0)
