"""The bench's physics against published values, CoolProp, and its own conservation laws."""

from __future__ import annotations

import CoolProp
import CoolProp.CoolProp as coolprop
import pytest

from collector.bench.circuit import Circuit, CircuitBuild, Water
from collector.bench.cylinder import Cylinder
from collector.bench.fluid import (
    GAS_CONSTANT,
    Fluid,
    fluid,
    nitrogen_compressibility,
    nozzle_kg_per_s,
    water_vapor_pressure_pa,
)
from collector.bench.running import Running
from collector.bench.service import MICRON_PA, NitrogenBottle, RecoveryMachine, VacuumPump

INSULATED = CircuitBuild(
    tube_heat=1.0, tubes_to_water=0.0, tubes_to_metal=0.0, metal_to_room=0.0, gas_to_metal=0.0, oil_kg=0.0
)
CFM = 0.3048**3 / 60.0


@pytest.fixture(scope="module")
def r134a() -> Fluid:
    return fluid("R-134a")


def circuit(of: Fluid, temperature_k: float, liquid_kg: float, build: CircuitBuild = INSULATED) -> Circuit:
    made = Circuit(
        of,
        Water(temperature_k, temperature_k),
        liquid_kg,
        0.0,
        temperature_k,
        temperature_k,
        temperature_k,
        build,
    )
    made.vapor_kg = of.vapor_density(temperature_k) * made.gas_m3 if liquid_kg > 0.0 else 0.0
    return made


# --- fluids ------------------------------------------------------------------------------------------------


def test_water_vapor_pressure_as_tabulated() -> None:
    # micron, IAPWS R14-08 (ice) and IF97; Buck's formula claims 0.2 % over ice and water near these
    for fahrenheit, micron in ((-4, 774), (14, 1_949), (32.02, 4_588), (60, 13_259), (77, 23_775), (104, 55_388)):
        assert water_vapor_pressure_pa((fahrenheit + 459.67) / 1.8) / MICRON_PA == pytest.approx(micron, rel=3e-3)


@pytest.mark.parametrize("temperature_k", [278.0, 293.0, 303.0])
@pytest.mark.parametrize("pressure_pa", [1e5, 5e5, 12e5])
def test_nitrogen_compressibility_against_coolprop(pressure_pa: float, temperature_k: float) -> None:
    z = coolprop.PropsSI("Z", "P", pressure_pa, "T", temperature_k, "Nitrogen")
    assert nitrogen_compressibility(pressure_pa, temperature_k) == pytest.approx(z, abs=5e-4)


def test_choked_air_through_a_hole() -> None:
    # 0.0404 A p / sqrt(T) for air, SI (any gas dynamics text; three digits)
    flow = nozzle_kg_per_s(1e-6, 5e5, 1e5, 300.0, 0.028965, 1.4)
    assert flow == pytest.approx(0.0404 * 1e-6 * 5e5 / 300.0**0.5, rel=2e-3)
    assert nozzle_kg_per_s(1e-6, 1e5, 1e5, 300.0, 0.028965, 1.4) == 0.0
    assert nozzle_kg_per_s(1e-6, 1.2e5, 1e5, 300.0, 0.028965, 1.4) < flow * 1.2 / 5


@pytest.mark.parametrize("temperature_k", [260.0, 288.0, 310.0])
@pytest.mark.parametrize("share", [0.05, 0.4, 0.8])
def test_vapor_pressure_of_a_density_against_coolprop(r134a: Fluid, temperature_k: float, share: float) -> None:
    pressure = share * r134a.saturation_pa(temperature_k)
    density = coolprop.PropsSI("D", "P", pressure, "T", temperature_k, "R134a")
    assert r134a.vapor_pa(density, temperature_k) == pytest.approx(pressure, rel=0.01)
    assert r134a.vapor_density_at(pressure, temperature_k) == pytest.approx(density, rel=0.01)


def test_saturation_there_and_back(r134a: Fluid) -> None:
    for temperature_k in (230.1, 273.15, 288.37, 320.0):
        assert r134a.saturation_k(r134a.saturation_pa(temperature_k)) == pytest.approx(temperature_k, abs=1e-6)
        assert r134a.saturation_pa(temperature_k) == pytest.approx(
            coolprop.PropsSI("P", "T", temperature_k, "Q", 0, "R134a"), rel=2e-4
        )


# --- vessels ------------------------------------------------------------------------------------------------


def boiled_down_k(
    temperature_k: float, volume_m3: float, mass_kg: float, drawn_kg: float, heat_j_per_k: float
) -> float:
    """Temperature of an insulated vessel after saturated vapour was drawn: dU + C dT = h'' dm, CoolProp's R-134a."""

    def energy(t: float, mass: float) -> float:
        state.update(CoolProp.DmassT_INPUTS, mass / volume_m3, t)
        return mass * float(state.umass()) + heat_j_per_k * t

    state = coolprop.AbstractState("HEOS", "R134a")
    steps = 200
    for _ in range(steps):
        vapor = coolprop.PropsSI("H", "T", temperature_k, "Q", 1, "R134a")
        wanted = energy(temperature_k, mass_kg) - drawn_kg / steps * vapor
        mass_kg -= drawn_kg / steps
        low, high = temperature_k - 2.0, temperature_k + 0.1
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if energy(middle, mass_kg) < wanted else (low, middle)
        temperature_k = low
    return temperature_k


def test_drawing_vapor_chills_the_pool_as_energy_says(r134a: Fluid) -> None:
    steel = 20e3
    pool = circuit(r134a, 290.0, 60.0, CircuitBuild(**{**INSULATED.__dict__, "tube_heat": steel}))
    begin_kg = pool.refrigerant_kg
    drawn = 0.0
    while drawn < 6.0:
        drawn += pool.take_gas(5e-4)[0]
        pool.step(1.0, 290.0, 0.0, 101_325.0)
    assert pool.refrigerant_kg + drawn == pytest.approx(begin_kg, abs=1e-9)
    expected = boiled_down_k(290.0, 0.54, begin_kg, drawn, steel)
    assert 290.0 - pool.tube_k == pytest.approx(290.0 - expected, rel=0.05)


def test_drawing_vapor_chills_a_cylinder_as_energy_says(r134a: Fluid) -> None:
    cylinder = Cylinder("c", r134a, 0.054, 26.0, 40.0, 293.0)
    for _ in range(500):
        cylinder.give_vapor(0.01)
    expected = boiled_down_k(293.0, 0.054, 40.0, 5.0, 26.0 * 480.0)
    assert cylinder.contents_kg == pytest.approx(35.0)
    assert 293.0 - cylinder.temperature_k == pytest.approx(293.0 - expected, rel=0.03)


def test_a_closed_circuit_stays_at_saturation_and_keeps_its_mass(r134a: Fluid) -> None:
    still = circuit(r134a, 288.0, 50.0, CircuitBuild())
    begin_kg = still.refrigerant_kg
    for _ in range(6 * 3_600):
        still.step(1.0, 293.0, 0.0, 98e3)
    assert still.refrigerant_kg == pytest.approx(begin_kg, abs=1e-9)
    assert 288.0 < still.tube_k < 293.0
    assert still.saturation_k == pytest.approx(still.tube_k, abs=0.1)


def test_filling_an_empty_vessel_adiabatically_heats_the_gas_by_gamma() -> None:
    # T2 = gamma T1 for a vessel filled from a line (any thermodynamics text)
    empty = circuit(fluid("R-134a"), 290.0, 0.0)
    bottle = NitrogenBottle(set_pa=5e5)
    while empty.pressure_pa < 4.9e5:
        bottle.step(empty, 296.0, 0.2)  # 6 K colder behind the regulator: 290 K
    assert empty.gas_k == pytest.approx(1.4 * 290.0, rel=0.01)


def test_nitrogen_follows_the_gas_law_and_leaks_as_the_nozzle_says() -> None:
    build = CircuitBuild(gas_to_metal=400.0)
    vessel = circuit(fluid("R-134a"), 290.0, 0.0, build)
    vessel.sorbed_kg = 0.0
    vessel.let_in_nitrogen(11e5 * 0.54 / (GAS_CONSTANT * 290.0), 290.0)
    for _ in range(4 * 3_600):
        vessel.step(1.0, 295.0, 0.0, 97e3)
    warm = vessel.pressure_pa
    expected = coolprop.PropsSI("P", "Dmolar", vessel.nitrogen_mol / 0.54, "T", vessel.gas_k, "Nitrogen")
    assert warm == pytest.approx(expected, rel=5e-4)
    vessel.leak_m2 = 7e-9
    begin_mol = vessel.nitrogen_mol
    for _ in range(3_600):
        vessel.step(1.0, 295.0, 0.0, 97e3)
    lost_kg = (begin_mol - vessel.nitrogen_mol) * 0.0280134
    assert lost_kg == pytest.approx(0.0404 * 7e-9 * warm / 293.0**0.5 * 3_600.0, rel=0.05)


# --- service machines ---------------------------------------------------------------------------------------


def test_pump_down_takes_the_time_of_the_formula() -> None:
    # V/S ln(p0/p1): 100 L at 5 cfm from an atmosphere to 500 micron, 310.5 s
    build = CircuitBuild(volume_m3=0.1, gas_to_metal=1e4, metal_heat=1e9)
    vessel = circuit(fluid("R-134a"), 293.0, 0.0, build)
    vessel.sorbed_kg = 0.0
    vessel.let_in_nitrogen(101_325.0 * 0.1 / (GAS_CONSTANT * 293.0), 293.0)
    pump = VacuumPump(flow_m3_per_s=5.0 * CFM, hose_bore_m=0.2, fresh_ultimate_pa=0.0, running=True, valve_open=True)
    seconds = 0.0
    while vessel.pressure_pa > 500.0 * MICRON_PA:
        pump.step(vessel, 101_325.0, 0.1)
        vessel.step(0.1, 293.0, 0.0, 101_325.0)
        seconds += 0.1
    assert seconds == pytest.approx(310.5, rel=0.02)


@pytest.mark.parametrize(("bore_m", "cfm"), [(4.83e-3, 0.070), (9.53e-3, 0.956), (19.05e-3, 14.5)])
def test_hose_conductance_as_computed_by_hand(bore_m: float, cfm: float) -> None:
    # 1.83 m of hose at 500 micron, Leybold, Fundamentals of Vacuum Technology, all regimes
    pump = VacuumPump(hose_bore_m=bore_m, hose_length_m=1.83)
    assert pump.conductance_m3_per_s(500.0 * MICRON_PA) / CFM == pytest.approx(cfm, rel=0.02)


def test_pump_stalls_at_its_laden_ultimate_and_not_with_fresh_oil() -> None:
    vessel = circuit(fluid("R-134a"), 293.0, 0.0, CircuitBuild(gas_to_metal=1e3))
    vessel.sorbed_kg = 0.0
    vessel.let_in_nitrogen(20.0, 293.0)
    pump = VacuumPump(oil_load=1.0, running=True, valve_open=True)
    for _ in range(3 * 3_600):
        pump.step(vessel, 97e3, 1.0)
        vessel.step(1.0, 293.0, 0.0, 97e3)
    assert vessel.pressure_pa / MICRON_PA == pytest.approx(922.0, rel=0.02)
    pump.change_oil()
    for _ in range(3_600):
        pump.step(vessel, 97e3, 1.0)
        vessel.step(1.0, 293.0, 0.0, 97e3)
    assert vessel.pressure_pa / MICRON_PA < 60.0


def test_water_is_neither_made_nor_lost() -> None:
    vessel = circuit(fluid("R-134a"), 293.0, 0.0, CircuitBuild())
    vessel.film_kg, vessel.sorbed_kg = 4e-3, 6e-3
    vessel.let_in_nitrogen(20.0, 293.0)
    pump = VacuumPump(running=True, valve_open=True)
    for _ in range(3_600):
        pump.step(vessel, 97e3, 1.0)
        vessel.step(1.0, 293.0, 0.0, 97e3)
    assert pump.water_pumped_kg > 1e-3
    assert vessel.moisture_kg + pump.water_pumped_kg == pytest.approx(10e-3, rel=1e-9)


def test_recovery_machine_moves_what_it_takes(r134a: Fluid) -> None:
    machine = RecoveryMachine(unreachable_kg=20.0)
    source = circuit(r134a, 288.0, 40.0, CircuitBuild())
    cylinder = Cylinder("c", r134a, 0.06, 26.0, 0.05, 290.0)
    begin_kg = source.refrigerant_kg + cylinder.contents_kg
    rates = []
    for _ in range(1_500):
        rates.append(machine.step(source, cylinder, 293.0, 1.0))
        source.step(1.0, 293.0, 0.0, 98e3)
        cylinder.rest(293.0, 1.0)
    assert source.refrigerant_kg + cylinder.contents_kg == pytest.approx(begin_kg, abs=1e-9)
    assert rates[100] > 1.3 * rates[-1]  # liquid first, then vapour
    assert source.pressure_pa == pytest.approx(r134a.saturation_pa(source.tube_k), rel=0.03)


# --- running ------------------------------------------------------------------------------------------------


def test_running_chiller_balances_heat() -> None:
    machine = Running(fluid("R-513A"), charge_kg=132.0, plate_kg=132.0, tower_k=296.0)
    water = Water(loop_k=290.0, barrel_k=290.0, flow_kg_per_s=9.0)
    machine.start(290.0)
    for _ in range(3 * 3_600):
        machine.step(water, 120e3, 1.0)
    assert machine.evaporator_w == pytest.approx(120e3, rel=0.02)
    assert machine.condenser_w == pytest.approx(machine.evaporator_w + machine.compressor_w)
    assert 9.0 * 4_186.0 * (water.loop_k - water.barrel_k) == pytest.approx(machine.evaporator_w, rel=0.02)
    assert water.barrel_k == pytest.approx(machine.build.leaving_setpoint_k, abs=0.3)
    assert machine.evaporating_k < water.barrel_k
    assert machine.condensing_k > machine.condenser_leaving_k
    assert machine.superheat_k == pytest.approx(machine.build.superheat_k, abs=0.3)


def test_short_charge_shows_as_little_subcooling() -> None:
    figures = []
    for charge_kg in (132.0, 116.0):
        machine = Running(fluid("R-513A"), charge_kg=charge_kg, plate_kg=132.0, tower_k=296.0)
        water = Water(loop_k=285.0, barrel_k=285.0, flow_kg_per_s=9.0)
        machine.start(285.0)
        for _ in range(3_600):
            machine.step(water, 120e3, 1.0)
        figures.append(machine.subcooling_k)
    assert figures[0] > 3.0
    assert figures[1] < 1.0
