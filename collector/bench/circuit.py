"""The refrigerant circuit as one vessel: a liquid pool on tubes, gas above, metal around, water through the tubes.

Refrigerant, nitrogen and water vapour share the gas space; each has its own balance, so one state serves
recovery, pressure test, evacuation and charging alike. All explicit steps of about a second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.bench.fluid import (
    GAS_CONSTANT,
    NITROGEN_CP,
    NITROGEN_CV,
    NITROGEN_KG_PER_MOL,
    WATER_KG_PER_MOL,
    Fluid,
    nitrogen_compressibility,
    nozzle_kg_per_s,
    water_vapor_pressure_pa,
)

WATER_HEAT = 4_186.0
"""J/(kg K)."""
WATER_CV = 25.3
"""Isochoric heat capacity of water vapour [J/(mol K)] (from memory, ideal gas)."""


@dataclass(frozen=True)
class CircuitBuild:
    """What the circuit is made of."""

    volume_m3: float = 0.54
    tube_heat: float = 55e3  # J/K, tubes and the film of water in them
    metal_heat: float = 420e3  # J/K, shells and pipes
    water_side_heat: float = 270e3  # J/K, water held in the barrel
    tubes_to_water: float = 5_200.0  # W/K with the tubes wet with boiling liquid and water flowing
    wetting_kg: float = 2.0  # liquid under which the tubes fall dry
    tubes_to_metal: float = 160.0  # W/K
    metal_to_room: float = 55.0  # W/K, insulated
    gas_to_metal: float = 45.0  # W/K at one atmosphere of gas
    oil_kg: float = 9.0
    oil_share_at_saturation: float = 0.22  # refrigerant dissolved per oil at saturation pressure
    oil_pace_s: float = 1_500.0
    wall_pace: float = 4e-9  # kg/(s Pa), water between walls and gas


@dataclass
class Water:
    """The chilled-water side: the barrel and the loop behind it."""

    loop_k: float
    barrel_k: float
    loop_kg: float = 2_600.0
    flow_kg_per_s: float = 0.0
    gain_w_per_k: float = 130.0  # loop to building

    def step(self, heat_to_tubes_w: float, barrel_heat: float, room_k: float, seconds: float) -> None:
        """Give heat to the tubes, mix barrel and loop, warm the loop from the building."""
        mixed = self.flow_kg_per_s * WATER_HEAT * (self.loop_k - self.barrel_k)
        share = 1.0 - math.exp(-self.flow_kg_per_s * WATER_HEAT * seconds / barrel_heat)
        if self.flow_kg_per_s > 0.0:
            mixed = share * barrel_heat * (self.loop_k - self.barrel_k) / seconds
        self.barrel_k += (mixed - heat_to_tubes_w) * seconds / barrel_heat
        gain = self.gain_w_per_k * (room_k - self.loop_k)
        self.loop_k += (gain - mixed) * seconds / (self.loop_kg * WATER_HEAT)


@dataclass
class Circuit:
    """State of the circuit. Masses in kg, amounts in mol, temperatures in K."""

    fluid: Fluid
    water: Water
    liquid_kg: float
    vapor_kg: float
    tube_k: float
    metal_k: float
    gas_k: float
    build: CircuitBuild = field(default_factory=CircuitBuild)
    in_oil_kg: float = 0.0
    nitrogen_mol: float = 0.0
    water_mol: float = 0.0
    film_kg: float = 0.0
    sorbed_kg: float = 0.0
    sorbed_full_kg: float = 7e-3
    sorbed_full_pa: float = 55.0
    leak_m2: float = 0.0
    oil_warmth_k: float = 12.0
    leaked_kg: float = field(default=0.0, init=False)

    # --- pressures ------------------------------------------------------------------------------------------

    @property
    def gas_m3(self) -> float:
        """Volume not filled by liquid refrigerant."""
        return self.build.volume_m3 - self.liquid_kg / self.fluid.liquid_density(self.tube_k)

    @property
    def refrigerant_pa(self) -> float:
        """Partial pressure of refrigerant."""
        return self.fluid.vapor_pa(self.vapor_kg / self.gas_m3, self.gas_k)

    @property
    def nitrogen_pa(self) -> float:
        """Partial pressure of nitrogen."""
        ideal = self.nitrogen_mol * GAS_CONSTANT * self.gas_k / self.gas_m3
        return ideal * nitrogen_compressibility(ideal, self.gas_k)

    @property
    def water_pa(self) -> float:
        """Partial pressure of water vapour."""
        return self.water_mol * GAS_CONSTANT * self.gas_k / self.gas_m3

    @property
    def pressure_pa(self) -> float:
        """Pressure in the circuit [Pa absolute]."""
        return self.refrigerant_pa + self.nitrogen_pa + self.water_pa

    @property
    def refrigerant_kg(self) -> float:
        """All refrigerant in the circuit."""
        return self.liquid_kg + self.vapor_kg + self.in_oil_kg

    @property
    def moisture_kg(self) -> float:
        """All water in the circuit: film, sorbed, vapour."""
        return self.film_kg + self.sorbed_kg + self.water_mol * WATER_KG_PER_MOL

    @property
    def saturation_k(self) -> float:
        """Saturation temperature at the pressure in the circuit."""
        return self.fluid.saturation_k(self.pressure_pa)

    @property
    def _gas_heat(self) -> float:
        return self.vapor_kg * self.fluid.vapor_cv + self.nitrogen_mol * NITROGEN_CV + self.water_mol * WATER_CV + 30.0

    # --- taking out and letting in --------------------------------------------------------------------------

    def take_liquid(self, mass_kg: float) -> float:
        """Draw liquid; return what came [kg]."""
        mass_kg = min(mass_kg, self.liquid_kg)
        self.liquid_kg -= mass_kg
        return mass_kg

    def take_gas(self, volume_m3: float) -> tuple[float, float, float]:
        """Draw a volume of gas at circuit conditions; return refrigerant [kg], nitrogen and water [mol] that came.

        What stays behind expands and cools: it loses the flow work R T of every mole drawn.
        """
        share = min(volume_m3 / self.gas_m3, 0.2)
        taken = self.vapor_kg * share, self.nitrogen_mol * share, self.water_mol * share
        moles = taken[0] / self.fluid.kg_per_mol + taken[1] + taken[2]
        self.vapor_kg -= taken[0]
        self.nitrogen_mol -= taken[1]
        self.water_mol -= taken[2]
        self.gas_k -= moles * GAS_CONSTANT * self.gas_k / self._gas_heat
        return taken

    def let_in_nitrogen(self, amount_mol: float, gas_k: float) -> None:
        """Let in nitrogen of a temperature; filling work warms what is inside."""
        gained = amount_mol * (NITROGEN_CP * gas_k - NITROGEN_CV * self.gas_k)
        self.nitrogen_mol += amount_mol
        self.gas_k += gained / self._gas_heat

    def let_in_vapor(self, mass_kg: float, gas_k: float) -> None:
        """Let in refrigerant vapour of a temperature."""
        gained = mass_kg * (self.fluid.vapor_cp * gas_k - self.fluid.vapor_cv * self.gas_k)
        self.vapor_kg += mass_kg
        self.gas_k += gained / self._gas_heat

    def let_in_liquid(self, mass_kg: float, liquid_k: float) -> None:
        """Let in liquid refrigerant; it falls onto the tubes."""
        heat = mass_kg * self.fluid.liquid_heat(liquid_k)
        self.tube_k += heat * (liquid_k - self.tube_k) / (self._tube_heat + heat)
        self.liquid_kg += mass_kg

    @property
    def _tube_heat(self) -> float:
        return self.build.tube_heat + self.liquid_kg * self.fluid.liquid_heat(self.tube_k)

    # --- time ------------------------------------------------------------------------------------------------

    def step(self, seconds: float, room_k: float, metal_warmth_k: float, barometer_pa: float) -> None:
        """Advance by `seconds`: leak, boiling or condensing, oil, moisture, heat."""
        self._leak(seconds, barometer_pa, room_k)
        self._boil(seconds)
        self._oil(seconds)
        self._moisture(seconds)
        self._heat(seconds, room_k, metal_warmth_k)

    def _leak(self, seconds: float, barometer_pa: float, room_k: float) -> None:
        inside = self.pressure_pa
        if inside > barometer_pa:
            moles = self.vapor_kg / self.fluid.kg_per_mol + self.nitrogen_mol + self.water_mol
            mean = (self.vapor_kg + self.nitrogen_mol * NITROGEN_KG_PER_MOL) / max(moles, 1e-9)
            lost = nozzle_kg_per_s(self.leak_m2, inside, barometer_pa, self.gas_k, mean, 1.3) * seconds
            gas_kg = max(moles * mean, 1e-9)
            self.leaked_kg += self.take_gas(self.gas_m3 * lost / gas_kg)[0]
        else:
            air = nozzle_kg_per_s(self.leak_m2, barometer_pa, inside, room_k, 0.02897, 1.4) * seconds
            self.let_in_nitrogen(air / 0.02897, room_k)  # air is counted as nitrogen

    def _boil(self, seconds: float) -> None:
        fluid = self.fluid
        if self.liquid_kg <= 0.0 and self.refrigerant_pa <= fluid.saturation_pa(self.tube_k):
            return
        saturated = fluid.vapor_density_at(fluid.saturation_pa(self.tube_k), max(self.gas_k, self.tube_k))
        wanted = saturated * self.gas_m3 - self.vapor_kg
        wet = min(1.0, self.liquid_kg / self.build.wetting_kg) if wanted > 0.0 else 1.0
        pace_s = 4.0 + 120.0 * (1.0 - wet)
        boiled = min(wanted * (1.0 - math.exp(-seconds / pace_s)), self.liquid_kg)
        latent = fluid.latent_heat(self.tube_k)
        self.tube_k -= boiled * latent / self._tube_heat
        self.liquid_kg -= boiled
        self.vapor_kg += boiled
        entering_k = self.tube_k if boiled > 0.0 else self.gas_k
        self.gas_k += boiled * (fluid.vapor_cp * entering_k - fluid.vapor_cv * self.gas_k) / self._gas_heat

    def _oil(self, seconds: float) -> None:
        build = self.build
        oil_k = self.metal_k + self.oil_warmth_k
        share = build.oil_share_at_saturation * min(self.refrigerant_pa / self.fluid.saturation_pa(oil_k), 1.2)
        wanted = share * build.oil_kg - self.in_oil_kg
        moved = wanted * (1.0 - math.exp(-seconds / build.oil_pace_s))
        moved = min(moved, 0.2 * self.vapor_kg)
        self.in_oil_kg += moved
        self.vapor_kg -= moved

    def _moisture(self, seconds: float) -> None:
        partial = self.water_pa
        off = 0.0
        if self.film_kg > 0.0 or partial > water_vapor_pressure_pa(self.metal_k):
            total = max(self.pressure_pa, 1.0)
            mobility = 2.2e-6 / (1.0 + total / 20e3)  # kg/(s Pa); diffusion through gas holds it back
            part = mobility * (water_vapor_pressure_pa(self.metal_k) - partial) * seconds
            part = min(part, self.film_kg)
            self.film_kg -= part
            off += part
        held_pa = self.sorbed_full_pa * (self.sorbed_kg / self.sorbed_full_kg) ** 1.5
        part = min(self.build.wall_pace * (held_pa - partial) * seconds, 0.1 * self.sorbed_kg)
        part = max(part, -0.2 * self.water_mol * WATER_KG_PER_MOL)
        self.sorbed_kg -= part
        off += part
        self.water_mol += off / WATER_KG_PER_MOL

    def _heat(self, seconds: float, room_k: float, metal_warmth_k: float) -> None:
        build = self.build
        wet = min(1.0, self.liquid_kg / build.wetting_kg)
        flowing = 1.0 if self.water.flow_kg_per_s > 0.0 else 0.25
        conductance = build.tubes_to_water * flowing * (0.04 + 0.96 * wet)
        water_k = self.water.barrel_k
        # over a whole step the exchange closes the difference at most
        reach = (1.0 - math.exp(-conductance * seconds / self._tube_heat)) * self._tube_heat / seconds
        from_water = reach * (water_k - self.tube_k)
        from_metal = build.tubes_to_metal * (self.metal_k - self.tube_k)
        self.tube_k += (from_water + from_metal) * seconds / self._tube_heat
        self.water.step(from_water, build.water_side_heat, room_k, seconds)
        gas_heat = self._gas_heat
        natural = build.gas_to_metal * (0.15 + math.sqrt(self.pressure_pa / 101_325.0))
        to_gas = gas_heat * (self.metal_k - self.gas_k) * (1.0 - math.exp(-natural * seconds / gas_heat))
        self.gas_k += to_gas / gas_heat
        from_room = build.metal_to_room * (room_k + metal_warmth_k - self.metal_k)
        self.metal_k += ((from_room - from_metal) * seconds - to_gas) / build.metal_heat
