"""A refrigerant cylinder: liquid and vapour at one temperature, some air above, warming and cooling slowly."""

from __future__ import annotations

from dataclasses import dataclass

from collector.bench.fluid import GAS_CONSTANT, Fluid

STEEL_HEAT = 480.0
"""J/(kg K), carbon steel near 300 K (from memory)."""


@dataclass
class Cylinder:
    """State of one cylinder. `contents_kg` is the refrigerant in it; the shell's mass is the tare."""

    name: str
    fluid: Fluid
    volume_m3: float
    tare_kg: float
    contents_kg: float
    temperature_k: float
    air_mol: float = 0.0
    loss_w_per_k: float = 28.0

    @property
    def gross_kg(self) -> float:
        """Weight on a scale [kg]."""
        return self.contents_kg + self.tare_kg

    @property
    def vapor_kg(self) -> float:
        """Part of the contents that is vapour [kg]."""
        rho_l = self.fluid.liquid_density(self.temperature_k)
        rho_v = self.fluid.vapor_density(self.temperature_k)
        vapor_m3 = (self.volume_m3 - self.contents_kg / rho_l) / (1.0 - rho_v / rho_l)
        return min(max(vapor_m3 * rho_v, 0.0), self.contents_kg)

    @property
    def liquid_kg(self) -> float:
        """Part of the contents that is liquid [kg]."""
        return self.contents_kg - self.vapor_kg

    @property
    def pressure_pa(self) -> float:
        """Pressure of refrigerant and air together [Pa absolute]."""
        density = self.contents_kg / self.volume_m3
        saturated = self.fluid.vapor_density(self.temperature_k)
        if density < saturated:
            own = self.fluid.vapor_pa(density, self.temperature_k)
        else:
            own = self.fluid.saturation_pa(self.temperature_k)
        free = self.volume_m3 - self.liquid_kg / self.fluid.liquid_density(self.temperature_k)
        return own + self.air_mol * GAS_CONSTANT * self.temperature_k / max(free, 1e-4)

    @property
    def _heat_capacity(self) -> float:
        return self.tare_kg * STEEL_HEAT + self.contents_kg * self.fluid.liquid_heat(self.temperature_k)

    def rest(self, room_k: float, seconds: float) -> None:
        """Exchange heat with the room for a time."""
        self.temperature_k += self.loss_w_per_k * (room_k - self.temperature_k) * seconds / self._heat_capacity

    def take_in(self, mass_kg: float, liquid_k: float) -> None:
        """Take in liquid of a temperature; the vapour that it displaces condenses and warms the cylinder."""
        before = self.vapor_kg
        sensible = mass_kg * self.fluid.liquid_heat(liquid_k) * (liquid_k - self.temperature_k)
        self.contents_kg += mass_kg
        condensed = before - self.vapor_kg
        heat = sensible + condensed * self.fluid.latent_heat(self.temperature_k)
        self.temperature_k += heat / self._heat_capacity

    def give_liquid(self, mass_kg: float) -> float:
        """Give out liquid, as much as there is; return it [kg]."""
        mass_kg = min(mass_kg, self.liquid_kg)
        before = self.vapor_kg
        self.contents_kg -= mass_kg
        boiled = self.vapor_kg - before
        self.temperature_k -= boiled * self.fluid.latent_heat(self.temperature_k) / self._heat_capacity
        return mass_kg

    def give_vapor(self, mass_kg: float) -> float:
        """Give out vapour, as much as there is; the liquid that boils for it chills the cylinder. Return it [kg]."""
        mass_kg = min(mass_kg, self.contents_kg)
        before = self.vapor_kg
        self.contents_kg -= mass_kg
        boiled = mass_kg + self.vapor_kg - before
        self.temperature_k -= boiled * self.fluid.latent_heat(self.temperature_k) / self._heat_capacity
        return mass_kg
