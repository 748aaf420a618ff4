"""What is hung on the circuit: recovery machine, vacuum pump with its hose and oil, nitrogen bottle, vent."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from analysis.vocabulary.units import UNITS
from collector.bench.circuit import Circuit
from collector.bench.cylinder import Cylinder
from collector.bench.fluid import NITROGEN_KG_PER_MOL, WATER_KG_PER_MOL, nozzle_kg_per_s

MICRON_PA = UNITS["micron"].scale


@dataclass
class RecoveryMachine:
    """Draws liquid while the port reaches it, else vapour; condenses it into a cylinder."""

    liquid_kg_per_s: float = 0.058
    displacement_m3_per_s: float = 0.48e-3
    clearance: float = 0.018
    unreachable_kg: float = 22.0
    condenser_above_room_k: float = 7.0

    def step(self, circuit: Circuit, cylinder: Cylinder, room_k: float, seconds: float) -> float:
        """Move refrigerant for a time; return the mass moved [kg]."""
        suction, head = circuit.pressure_pa, cylinder.pressure_pa + 40e3
        if circuit.liquid_kg > self.unreachable_kg:
            drawn = self.liquid_kg_per_s * min(1.2, suction / head) * seconds
            moved = circuit.take_liquid(drawn)
        else:
            filled = max(1.0 - self.clearance * ((head / suction) ** 0.9 - 1.0), 0.0)
            refrigerant, _, _ = circuit.take_gas(self.displacement_m3_per_s * filled * seconds)
            moved = refrigerant
        cylinder.take_in(moved, room_k + self.condenser_above_room_k)
        return moved


@dataclass
class VacuumPump:
    """A rotary pump behind a hose. Its own ultimate rises with what its oil has taken up."""

    flow_m3_per_s: float = 3.8e-3
    hose_bore_m: float = 0.0159
    hose_length_m: float = 1.8
    fresh_ultimate_pa: float = 22.0 * MICRON_PA
    oil_load: float = 0.0  # 1 = so laden that the ultimate is `laden_ultimate_pa`
    laden_ultimate_pa: float = 900.0 * MICRON_PA
    water_to_load_kg: float = 0.05
    running: bool = False
    valve_open: bool = False
    inlet_pa: float = 101_325.0
    water_pumped_kg: float = field(default=0.0, init=False)
    refrigerant_pumped_kg: float = field(default=0.0, init=False)

    @property
    def ultimate_pa(self) -> float:
        """Pressure under which the pump draws nothing."""
        return self.fresh_ultimate_pa + self.laden_ultimate_pa * self.oil_load

    def conductance_m3_per_s(self, mean_pa: float) -> float:
        """Return the hose's conductance: viscous, transition and molecular, air at 20 degC.

        Knudsen's formula in the form of vacuum handbooks (cm, mbar, L/s).
        """
        d, length, p = self.hose_bore_m * 100.0, self.hose_length_m * 100.0, mean_pa / 100.0
        litres = 135.0 * d**4 * p / length + 12.1 * d**3 / length * (1.0 + 192.0 * d * p) / (1.0 + 237.0 * d * p)
        return litres / 1e3

    def change_oil(self) -> None:
        """Put in fresh oil."""
        self.oil_load = 0.0

    def step(self, circuit: Circuit, barometer_pa: float, seconds: float) -> None:
        """Draw gas for a time; set the pressure at the pump's inlet."""
        ultimate = self.ultimate_pa
        if not self.running:
            target = circuit.pressure_pa if self.valve_open else barometer_pa
            self.inlet_pa += (target - self.inlet_pa) * (1.0 - math.exp(-seconds / 20.0))
            return
        if not self.valve_open:
            self.inlet_pa += (ultimate - self.inlet_pa) * (1.0 - math.exp(-seconds / 3.0))
            return
        inside = circuit.pressure_pa
        inlet = min(self.inlet_pa, inside)
        for _ in range(12):  # hose and pump pass the same throughput
            conductance = self.conductance_m3_per_s(0.5 * (inside + inlet))
            matched = (conductance * inside + self.flow_m3_per_s * ultimate) / (conductance + self.flow_m3_per_s)
            inlet = 0.5 * (inlet + min(matched, inside))
        self.inlet_pa = max(inlet, min(ultimate, inside))
        throughput = self.flow_m3_per_s * max(self.inlet_pa - ultimate, 0.0)  # Pa m3/s
        refrigerant, _, water = circuit.take_gas(throughput * seconds / inside)
        self.refrigerant_pumped_kg += refrigerant
        self.water_pumped_kg += water * WATER_KG_PER_MOL
        self.oil_load += water * WATER_KG_PER_MOL / self.water_to_load_kg


@dataclass
class NitrogenBottle:
    """A regulator with a set pressure."""

    area_m2: float = 1.8e-6
    set_pa: float = 0.0

    def step(self, circuit: Circuit, room_k: float, seconds: float) -> None:
        """Let in nitrogen up to the set pressure; expansion through the regulator leaves it a little cold."""
        flow = nozzle_kg_per_s(self.area_m2, self.set_pa, circuit.pressure_pa, room_k, NITROGEN_KG_PER_MOL, 1.4)
        circuit.let_in_nitrogen(flow * seconds / NITROGEN_KG_PER_MOL, room_k - 6.0)


@dataclass
class Vent:
    """An open valve that blows nitrogen down to the room."""

    area_m2: float = 4.0e-6
    open: bool = False

    def step(self, circuit: Circuit, barometer_pa: float, seconds: float) -> None:
        """Let gas out for a time."""
        inside = circuit.pressure_pa
        flow = nozzle_kg_per_s(self.area_m2, inside, barometer_pa, circuit.gas_k, NITROGEN_KG_PER_MOL, 1.4)
        gas_kg = max(circuit.nitrogen_mol * NITROGEN_KG_PER_MOL, 1e-9)
        circuit.leaked_kg += circuit.take_gas(circuit.gas_m3 * flow * seconds / gas_kg)[0]
