"""What the bench knows of its fluids: plain floats in, plain floats out, fast enough for a million steps.

Saturation comes from the shipped property tables. Everything else is the bench's own: the vapour's pressure
from a second virial coefficient that meets the saturated density, water's vapour pressure by Buck's formula.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import cache

from analysis.fluids.refrigerants import refrigerant

GAS_CONSTANT = 8.314462618
"""J/(mol K) (SI, 2019)."""

NITROGEN_KG_PER_MOL = 0.0280134
WATER_KG_PER_MOL = 0.01801528
NITROGEN_CP = 29.12
"""Isobaric heat capacity of nitrogen near 300 K [J/(mol K)] (from memory, ideal gas 3.5 R)."""
NITROGEN_CV = NITROGEN_CP - GAS_CONSTANT
_STEP_K = 0.25
_LOWEST_K, _HIGHEST_K = 200.0, 350.0


def nitrogen_compressibility(pressure_pa: float, temperature_k: float) -> float:
    """Return Z of nitrogen: 1 + B p/(R T), B = -5.2 cm3/mol at 293 K rising 0.19 a kelvin.

    The second virial coefficient is rounded from memory of published tables; good for 1e-3 below 30 bar.
    """
    virial = (-5.2 + 0.19 * (temperature_k - 293.0)) * 1e-6
    return 1.0 + virial * pressure_pa / (GAS_CONSTANT * temperature_k)


def water_vapor_pressure_pa(temperature_k: float) -> float:
    """Return the vapour pressure of water, of ice below freezing [Pa] (Buck, J. Appl. Meteorol. 20 (1981) 1527)."""
    celsius = temperature_k - 273.15
    if celsius < 0.0:
        return 611.15 * math.exp((23.036 - celsius / 333.7) * celsius / (279.82 + celsius))
    return 611.21 * math.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius))


class Fluid:
    """One refrigerant between 200 and 350 K. A blend boils here at its bubble point and stays itself."""

    def __init__(self, name: str) -> None:
        source = refrigerant(name)
        low, high = source.range_k
        self.name = source.name
        self.kg_per_mol = source.molar_mass_kg_per_mol
        self.lowest_k = max(_LOWEST_K, low)
        self.highest_k = min(_HIGHEST_K, high)
        count = math.floor((self.highest_k - self.lowest_k) / _STEP_K) + 1
        knots = [self.lowest_k + _STEP_K * i for i in range(count)]
        self._log_pressure = [math.log(source.bubble_pressure_pa(t)) for t in knots]
        self._liquid = [source.liquid_density(t) for t in knots]
        self._vapor = [source.vapor_density(t) for t in knots]
        self._latent = [source.latent_heat_j_per_kg(t) for t in knots]
        self._heat = [source.liquid_heat_capacity(t) for t in knots]
        # pressure = rho Rs T (1 + B rho), B so that saturated vapour is at saturation pressure
        self._specific = GAS_CONSTANT / self.kg_per_mol
        self._virial = [
            (math.exp(p) / (rho * self._specific * t) - 1.0) / rho
            for t, rho, p in zip(knots, self._vapor, self._log_pressure, strict=True)
        ]
        self._last = count - 2

    def _at(self, values: list[float], temperature_k: float) -> float:
        place = (temperature_k - self.lowest_k) / _STEP_K
        i = min(max(int(place), 0), self._last)
        part = place - i
        return values[i] + part * (values[i + 1] - values[i])

    def saturation_pa(self, temperature_k: float) -> float:
        """Return the saturation pressure [Pa absolute]."""
        return math.exp(self._at(self._log_pressure, temperature_k))

    def saturation_k(self, pressure_pa: float) -> float:
        """Return the saturation temperature [K]."""
        wanted = math.log(pressure_pa)
        low = bisect_right(self._log_pressure, wanted, 1, self._last + 1) - 1
        below, above = self._log_pressure[low], self._log_pressure[low + 1]
        return self.lowest_k + _STEP_K * (low + (wanted - below) / (above - below))

    def liquid_density(self, temperature_k: float) -> float:
        """Return the density of saturated liquid [kg/m3]."""
        return self._at(self._liquid, temperature_k)

    def vapor_density(self, temperature_k: float) -> float:
        """Return the density of saturated vapour [kg/m3]."""
        return self._at(self._vapor, temperature_k)

    def latent_heat(self, temperature_k: float) -> float:
        """Return the heat of evaporation [J/kg]."""
        return self._at(self._latent, temperature_k)

    def liquid_heat(self, temperature_k: float) -> float:
        """Return the heat capacity of the liquid [J/(kg K)]."""
        return self._at(self._heat, temperature_k)

    def vapor_pa(self, density: float, temperature_k: float) -> float:
        """Return the pressure of vapour of a density [kg/m3] at a temperature [K]."""
        return density * self._specific * temperature_k * (1.0 + self._at(self._virial, temperature_k) * density)

    def vapor_density_at(self, pressure_pa: float, temperature_k: float) -> float:
        """Return the density of vapour at a pressure and a temperature [kg/m3], not above saturated vapour."""
        virial = self._at(self._virial, temperature_k)
        ideal = pressure_pa / (self._specific * temperature_k)
        root = 1.0 + 4.0 * virial * ideal
        saturated = self.vapor_density(temperature_k)
        return saturated if root <= 0.0 else min((math.sqrt(root) - 1.0) / (2.0 * virial), saturated)

    @property
    def vapor_cv(self) -> float:
        """Isochoric heat capacity of thin vapour [J/(kg K)]; 760 is typical of hydrofluorocarbons (from memory)."""
        return 760.0

    @property
    def vapor_cp(self) -> float:
        """Isobaric heat capacity of thin vapour [J/(kg K)]."""
        return self.vapor_cv + self._specific


@cache
def fluid(name: str) -> Fluid:
    """Return the fluid of a name; the tables are made once."""
    return Fluid(name)


def nozzle_kg_per_s(
    area_m2: float, upstream_pa: float, downstream_pa: float, temperature_k: float, kg_per_mol: float, gamma: float
) -> float:
    """Return the mass flow of an ideal gas through a hole, choked or not [kg/s]; 0 when nothing drives it.

    Isentropic nozzle (any text on gas dynamics).
    """
    if upstream_pa <= downstream_pa or upstream_pa <= 0.0:
        return 0.0
    ratio = downstream_pa / upstream_pa
    critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    specific = GAS_CONSTANT / kg_per_mol
    r = max(ratio, critical)
    drive = 2.0 * gamma / (gamma - 1.0) * (r ** (2.0 / gamma) - r ** ((gamma + 1.0) / gamma))
    return area_m2 * upstream_pa * math.sqrt(max(drive, 0.0) / (specific * temperature_k))
