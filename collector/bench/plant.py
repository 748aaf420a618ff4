"""The whole bench stepped together: weather, circuit, cylinders on a scale, service machines, running chiller."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.bench.circuit import Circuit, Water
from collector.bench.cylinder import Cylinder
from collector.bench.fluid import Fluid, fluid
from collector.bench.running import Running
from collector.bench.service import NitrogenBottle, RecoveryMachine, VacuumPump, Vent
from collector.bench.weather import Front, Weather

REFRIGERANT = "R-513A"
PLATE_KG = 132.0
STEP_S = 1.0


@dataclass
class Plant:
    """Everything that the scripted technician handles. `seconds` counts from midnight of the first day."""

    seed: int
    seconds: float
    weather: Weather
    fluid: Fluid
    circuit: Circuit
    running: Running
    cylinders: dict[str, Cylinder]
    recovery: RecoveryMachine = field(default_factory=RecoveryMachine)
    pump: VacuumPump = field(default_factory=VacuumPump)
    bottle: NitrogenBottle = field(default_factory=NitrogenBottle)
    vent: Vent = field(default_factory=Vent)
    recovering: bool = False
    charging: str = ""  # "", "vapor" or "liquid"
    on_scale: str = ""
    hand_on_scale_kg: float = 0.0
    building_w: float = 128e3
    loose_probe_k: float = 2.7  # what the condenser's leaving probe shows too much until it is pushed home
    charging_kg_per_s: float = 0.0

    @property
    def room_k(self) -> float:
        """Air of the machine room [K]."""
        return self.weather.room_k(self.seconds)

    @property
    def barometer_pa(self) -> float:
        """Station pressure [Pa]."""
        return self.weather.barometer_pa(self.seconds)

    @property
    def cylinder(self) -> Cylinder | None:
        """The cylinder on the scale."""
        return self.cylinders.get(self.on_scale)

    def refrigerant_kg(self) -> float:
        """Return all refrigerant anywhere, what leaked or was pumped off included [kg]; it never changes."""
        inside = sum(cylinder.contents_kg for cylinder in self.cylinders.values())
        gone = self.circuit.leaked_kg + self.pump.refrigerant_pumped_kg
        return inside + self.circuit.refrigerant_kg + gone

    def step(self, seconds: float = STEP_S) -> None:
        """Advance everything by one step."""
        self.seconds += seconds
        room, barometer = self.room_k, self.barometer_pa
        circuit, cylinder = self.circuit, self.cylinder
        if self.running.on:
            self.running.tower_k += (
                (self.weather.outside_k(self.seconds) + 12.0 - self.running.tower_k) * seconds / 600.0
            )
            self.running.step(circuit.water, self.building_w, seconds)
            circuit.tube_k = circuit.gas_k = self.running.evaporating_k
        else:
            if self.recovering and cylinder is not None:
                self.recovery.step(circuit, cylinder, room, seconds)
            if self.charging and cylinder is not None:
                self._charge(cylinder, seconds)
            if self.bottle.set_pa > 0.0:
                self.bottle.step(circuit, room, seconds)
            if self.vent.open:
                self.vent.step(circuit, barometer, seconds)
            self.pump.step(circuit, barometer, seconds)
            circuit.step(seconds, room, self.weather.sun_on_metal_k(self.seconds), barometer)
            still = 1.0 - math.exp(-seconds / 3_000.0)
            self.running.tower_k += (room - self.running.tower_k) * still
            self.running.condenser_leaving_k += (room - self.running.condenser_leaving_k) * still
            self.running.discharge_k += (circuit.metal_k - self.running.discharge_k) * still
        for each in self.cylinders.values():
            each.rest(room, seconds)

    def _charge(self, cylinder: Cylinder, seconds: float) -> None:
        """Let refrigerant from the cylinder into the circuit, throttled as the technician set it."""
        circuit = self.circuit
        drive = cylinder.pressure_pa - circuit.pressure_pa
        if drive <= 0.0:
            return
        wanted = self.charging_kg_per_s * min(1.0, math.sqrt(drive / 40e3)) * seconds
        if self.charging == "vapor":
            circuit.let_in_vapor(cylinder.give_vapor(wanted), cylinder.temperature_k)
        else:
            circuit.let_in_liquid(cylinder.give_liquid(wanted), cylinder.temperature_k)

    def truth(self) -> dict[str, float]:
        """Return the true value of every channel, SI, pressures absolute. A hose or probe in the air reads the room."""
        circuit, running, cylinder = self.circuit, self.running, self.cylinder
        room, barometer, metal = self.room_k, self.barometer_pa, circuit.metal_k
        inside = circuit.pressure_pa
        on = running.on
        water = circuit.water
        entering = water.loop_k if water.flow_kg_per_s > 0.0 else water.barrel_k
        suction = running.suction_pa if on else inside
        discharge = running.discharge_pa if on else inside
        liquid = discharge - 14e3 * running.load if on else inside
        oil = discharge + 95e3 if on else inside
        return {
            "circuit_pressure": suction,
            "vacuum": inside,
            "pump_vacuum": self.pump.inlet_pa,
            "cylinder_weight": (0.0 if cylinder is None else cylinder.gross_kg) + self.hand_on_scale_kg,
            "cylinder_pressure": barometer if cylinder is None else cylinder.pressure_pa,
            "cylinder_temperature": room if cylinder is None else cylinder.temperature_k,
            "entering_water_temperature": entering,
            "leaving_water_temperature": water.barrel_k,
            "condenser_entering_temperature": running.tower_k,
            "condenser_leaving_temperature": running.condenser_leaving_k + self.loose_probe_k,
            "ambient_temperature": room,
            "surface_temperature": metal if not on else 0.6 * metal + 0.4 * running.evaporating_k,
            "suction_pressure": suction,
            "suction_temperature": running.evaporating_k + running.superheat_k if on else metal,
            "discharge_pressure": discharge,
            "discharge_temperature": running.discharge_k if on else metal,
            "liquid_pressure": liquid,
            "liquid_temperature": self.fluid.saturation_k(liquid) - running.subcooling_k if on else metal,
            "oil_pressure_before_filter": oil,
            "oil_pressure_after_filter": oil - running.build.filter_drop_pa if on else inside,
            "oil_temperature": running.oil_k if on else metal + circuit.oil_warmth_k,
            "compressor_load": running.load,
            "barometer": barometer,
        }  # fmt: skip


def build_plant(seed: int, start_s: float) -> Plant:
    """Return the bench before the job: a chiller at rest that has lost part of its charge through its shaft seal."""
    refrigerant = fluid(REFRIGERANT)
    weather = Weather(
        seed,
        barometer_pa=97_500.0,
        mean_k=283.0,
        swing_k=5.0,
        room_k=290.6,
        room_swing_k=2.4,
        sun_k=2.0,
        front=Front(middle_s=25.5 * 3_600.0, depth_pa=1_400.0, width_s=5.0 * 3_600.0),
    )
    rest_k = weather.room_k(start_s) - 0.1
    circuit = Circuit(
        fluid=refrigerant,
        water=Water(loop_k=rest_k, barrel_k=rest_k),
        liquid_kg=101.0,
        vapor_kg=0.0,
        tube_k=rest_k,
        metal_k=rest_k,
        gas_k=rest_k,
        in_oil_kg=1.1,
        leak_m2=7.5e-9,
    )
    circuit.vapor_kg = refrigerant.vapor_density(rest_k) * circuit.gas_m3
    cylinders = {
        name: Cylinder(name, refrigerant, water_kg / 998.0, tare, contents, rest_k + 0.5)
        for name, water_kg, tare, contents in (
            ("CYL-1", 54.2, 26.1, 0.0),
            ("CYL-2", 54.2, 25.7, 0.0),
            ("CYL-3", 54.2, 26.4, 0.0),
            ("NEW-1", 54.2, 25.9, 27.0),
        )
    }
    for name in ("CYL-1", "CYL-2", "CYL-3"):  # evacuated, a breath of vapour inside
        cylinders[name].contents_kg = 0.05
    running = Running(
        fluid=refrigerant, charge_kg=PLATE_KG, plate_kg=PLATE_KG, tower_k=rest_k, condenser_leaving_k=rest_k
    )
    running.discharge_k = rest_k
    return Plant(seed, start_s, weather, refrigerant, circuit, running, cylinders)
