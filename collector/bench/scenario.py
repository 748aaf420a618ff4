"""The scripted job: two days of a technician at an invented site, as a generator over the plant.

The technician waits for times and for conditions, handles the plant, and says what stands in the journal.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass

from analysis.vocabulary.units import UNITS
from collector.bench.circuit import Circuit
from collector.bench.plant import PLATE_KG, Plant
from collector.entries import Entry

MINUTE_S, HOUR_S = 60.0, 3_600.0
PSI_PA, MICRON_PA, LB_KG = UNITS["psia"].scale, UNITS["micron"].scale, UNITS["lb"].scale
START_S = 6.9 * HOUR_S
DURATION_S = 34.4 * HOUR_S
"""About how long the whole job takes; the progress bar's measure, nothing waits for it."""
FULL_KG = 44.5
"""The technician swaps a cylinder a little before its safe fill."""
LEVEL_PA = 14.921 * UNITS["inHg"].scale
"""Where recovery must end: 15 inHg under 29.921 inHg, 40 CFR 82.156 Table 1 (medium pressure, 200 lb or more)."""


@dataclass(frozen=True)
class Wait:
    """Go on when `until` holds, at the latest after `at_most_s`."""

    at_most_s: float
    until: Callable[[], bool] | None = None


Step = Entry | Wait
Script = Generator[Step, None, None]


def minutes(number: float, until: Callable[[], bool] | None = None) -> Wait:
    """Return a wait of so many minutes, or shorter when `until` holds."""
    return Wait(number * MINUTE_S, until)


def job(plant: Plant) -> Script:
    """The whole job."""
    yield Entry("note", "", "", "SIMULATED DATA: an invented site and machine, made by the standwatch bench")
    yield minutes(4)
    yield from at_rest(plant)
    yield from recovery(plant)
    yield from leak_search(plant)
    yield from overnight_test(plant)
    yield from evacuation(plant)
    yield from charging(plant)
    yield from startup(plant)
    yield Entry("note", "", "", "SIMULATED DATA: end of the job")


def at_rest(plant: Plant) -> Script:
    """An hour in which nothing runs: one thermometer disagrees."""
    yield Entry("stage", "at_rest", "begin")
    yield minutes(60)
    yield Entry("stage", "at_rest", "end")
    plant.loose_probe_k = 0.0
    yield Entry("note", "", "", "probe of the water leaving the condenser was loose in its well: pushed home")


def recovery(plant: Plant) -> Script:
    """Three cylinders; liquid, then vapour; pauses until the level holds."""
    circuit = plant.circuit
    circuit.water.flow_kg_per_s = 9.0
    yield Entry("mark", "water_flow_on")
    yield minutes(6)
    yield Entry("stage", "recovery", "begin")
    names = ["CYL-1", "CYL-2", "CYL-3"]
    yield from swap(plant, names.pop(0), first=True)
    yield minutes(3)
    plant.recovering = True
    deep_pa = LEVEL_PA - 4.5e3
    pauses = 0
    while True:
        yield Wait(6 * HOUR_S, lambda: _full(plant) or circuit.pressure_pa < deep_pa)
        if _full(plant) and names:
            plant.recovering = False
            yield from swap(plant, names.pop(0))
            plant.recovering = True
            continue
        plant.recovering = False
        pauses += 1
        yield Entry("mark", "recovery_paused", "", "does it come back?")
        yield minutes(15)
        if circuit.pressure_pa <= LEVEL_PA - 500.0 or pauses == 6:
            break
        yield Entry("mark", "recovery_resumed")
        plant.recovering = True
    yield from off_scale(plant)
    yield Entry("stage", "recovery", "end")


def _full(plant: Plant) -> bool:
    cylinder = plant.cylinder
    return cylinder is not None and cylinder.contents_kg >= FULL_KG


def off_scale(plant: Plant) -> Script:
    """Let the weight settle and take the cylinder off the scale."""
    yield Wait(90.0)
    plant.hand_on_scale_kg = 4.0
    yield Wait(20.0)
    plant.hand_on_scale_kg = 0.0
    yield Entry("mark", "cylinder_off", plant.on_scale)
    plant.on_scale = ""
    yield Wait(170.0)


def swap(plant: Plant, name: str, first: bool = False) -> Script:
    """Put a cylinder on the scale in place of the one that stands there."""
    if not first:
        yield from off_scale(plant)
    plant.on_scale = name
    plant.hand_on_scale_kg = -3.0
    yield Wait(25.0)
    plant.hand_on_scale_kg = 0.0
    yield Entry("mark", "cylinder_on", name)
    yield Wait(100.0)


def pressurise(plant: Plant) -> Script:
    """Nitrogen in steps, with a look at each."""
    for gauge_psi, look in ((10.0, 5.0), (60.0, 6.0), (150.0, 2.0)):
        wanted = gauge_psi * PSI_PA + plant.barometer_pa
        plant.bottle.set_pa = wanted + 12e3
        yield minutes(45, lambda wanted=wanted: plant.circuit.pressure_pa >= wanted)  # type: ignore[misc]
        plant.bottle.set_pa = 0.0
        yield minutes(look)


def blow_off(plant: Plant) -> Script:
    """Let the nitrogen out."""
    plant.vent.open = True
    yield minutes(60, lambda: plant.circuit.pressure_pa < plant.barometer_pa + 700.0)
    plant.vent.open = False


def leak_search(plant: Plant) -> Script:
    """The first pressure test: it leaks; the shaft seal is found and changed, the circuit open meanwhile."""
    circuit = plant.circuit
    circuit.water.flow_kg_per_s = 0.0
    yield Entry("mark", "water_flow_off")
    yield minutes(8)
    yield Entry("note", "", "", "dry nitrogen through a regulator with a relief valve, in steps")
    yield Entry("stage", "pressure_test", "begin")
    yield from pressurise(plant)
    yield minutes(170)
    yield Entry("note", "", "", "bubbles at the compressor's shaft seal")
    yield Entry("stage", "pressure_test", "end")
    yield from blow_off(plant)
    circuit.leak_m2 = 0.0
    let_damp_air_in(circuit)
    yield minutes(35)
    yield Entry("note", "", "", "shaft seal changed, flange tightened")


def let_damp_air_in(circuit: Circuit) -> None:
    """An opened circuit takes up moisture: a little film of water in a cold low point, and more on every wall."""
    circuit.film_kg = 5e-3
    circuit.sorbed_kg = circuit.sorbed_full_kg


def overnight_test(plant: Plant) -> Script:
    """The second pressure test, over the night: tight."""
    yield Entry("stage", "pressure_test", "begin")
    yield from pressurise(plant)
    yield Wait((24.0 + 6.8) * HOUR_S - plant.seconds)
    yield Entry("stage", "pressure_test", "end")
    yield from blow_off(plant)


def evacuation(plant: Plant) -> Script:
    """Tired pump oil stalls the pull-down; isolated, the circuit stays flat; fresh oil brings it down; hold."""
    circuit, pump = plant.circuit, plant.pump
    pump.oil_load = 0.93
    circuit.water.flow_kg_per_s = 9.0
    yield Entry("mark", "water_flow_on")
    yield Entry("stage", "evacuation", "begin")
    pump.running = True
    yield Entry("mark", "pump_on")
    yield Wait(40.0)
    pump.valve_open = True
    yield Entry("mark", "pump_valve_open")
    yield minutes(110)
    pump.valve_open = False
    yield Entry("mark", "pump_valve_closed", "", "what holds it up?")
    yield minutes(18)
    pump.running = False
    yield Entry("mark", "pump_off")
    yield minutes(6)
    pump.change_oil()
    yield Entry("mark", "oil_change")
    pump.running = True
    yield Entry("mark", "pump_on")
    yield minutes(3)
    pump.valve_open = True
    yield Entry("mark", "pump_valve_open")
    yield Wait(5 * HOUR_S, lambda: circuit.pressure_pa < 250.0 * MICRON_PA)
    yield minutes(10)
    pump.valve_open = False
    yield Entry("mark", "pump_valve_closed", "", "hold")
    yield minutes(2)
    pump.running = False
    yield Entry("mark", "pump_off")
    yield minutes(40)
    yield Entry("stage", "evacuation", "end")


def charging(plant: Plant) -> Script:
    """Vapour until liquid cannot freeze the tubes, then liquid; four cylinders; by weight to the plate."""
    circuit = plant.circuit
    yield Entry("stage", "charging", "begin")
    yield from swap(plant, "CYL-1", first=True)
    yield Entry("mark", "vapor_charging")
    yield Entry("mark", "vacuum_broken", "", "with vapour")
    plant.charging, plant.charging_kg_per_s = "vapor", 0.0040
    yield Wait(3 * HOUR_S, lambda: circuit.saturation_k > 273.15 + 3.5)
    in_before = circuit.refrigerant_kg
    names = ["CYL-2", "CYL-3", "CYL-1", "NEW-1"]  # the first one is cold now and gets time to warm
    plant.charging = ""
    yield from swap(plant, names.pop(0))
    plant.charging, plant.charging_kg_per_s = "liquid", 0.034
    yield Entry("mark", "liquid_charging")
    while True:
        at_s = plant.seconds

        def empty(at_s: float = at_s) -> bool:
            cylinder = plant.cylinder
            return plant.seconds > at_s + 60.0 and (cylinder is None or cylinder.liquid_kg < 0.15)

        yield Wait(3 * HOUR_S, lambda: empty() or circuit.refrigerant_kg >= PLATE_KG - 0.1)
        if circuit.refrigerant_kg >= PLATE_KG - 0.1 or not names:
            break
        plant.charging = ""
        yield from swap(plant, names.pop(0))
        plant.charging = "liquid"
    plant.charging = ""
    plant.running.charge_kg = circuit.refrigerant_kg
    yield minutes(8)
    yield from off_scale(plant)
    returned = f"{(circuit.refrigerant_kg - in_before) / LB_KG:.0f} lb"
    yield Entry("note", "", "", f"charged as liquid: {returned}")
    yield Entry("stage", "charging", "end")


def startup(plant: Plant) -> Script:
    """Two hours of running: the loop is pulled down, the load settles, readings are taken."""
    yield minutes(6)
    yield Entry("stage", "startup", "begin")
    yield minutes(3)
    plant.running.start(plant.circuit.saturation_k)
    yield minutes(75)
    plant.building_w = 84e3
    yield minutes(60)
    yield Entry("stage", "startup", "end")
    plant.running.stop()


class Technician:
    """Works through a script while the plant runs; hands every line for the journal to `say`."""

    def __init__(self, plant: Plant, script: Script, say: Callable[[float, Entry], None]) -> None:
        self._plant, self._script, self._say = plant, script, say
        self._wait: Wait | None = None
        self._since_s = plant.seconds
        self.done = False

    def act(self) -> None:
        """Do all that is due now."""
        while not self.done:
            wait = self._wait
            if wait is not None:
                late = self._plant.seconds - self._since_s >= wait.at_most_s
                if not late and (wait.until is None or not wait.until()):
                    return
                self._wait = None
            step = next(self._script, None)
            if step is None:
                self.done = True
            elif isinstance(step, Entry):
                self._say(self._plant.seconds, step)
            else:
                self._wait, self._since_s = step, self._plant.seconds
