"""Saturation and vapour properties of refrigerants, from tables shipped with the package.

All quantities are SI. A method takes a float or an array and gives back the same; NaN gives NaN. Outside the
stated range (`Refrigerant.range_k`) the answer is NaN, because one row of a log must never stop the rest.

Source: CoolProp 8 (Bell et al., Ind. Eng. Chem. Res. 53 (2014) 2498), tabulated by
`analysis.fluids.make_tables` and read by a cubic spline. Against CoolProp on a fresh grid: saturation
temperature within 1e-3 K, saturated density within 1e-4, density of superheated vapour within 1e-3.
The models themselves are another matter: single compounds are as good as any gauge, blends agree with the bubble
and dew points of ASHRAE 34 within 0.7 K (R-454C, R-455A and R-502 are the worst).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache, cached_property

import numpy as np
from numpy.typing import ArrayLike

from analysis.fluids.curve import GAS_CONSTANT, TABLES, Curve, Floats, Value, inverse, like
from analysis.vocabulary.job import Job, PressureClass
from analysis.vocabulary.refrigerants import LIST_FILE, refrigerant_list, refrigerant_name
from analysis.vocabulary.units import parse_pressure, parse_quantity

COLUMNS = (
    "temperature_k",
    "bubble_pressure_pa",
    "dew_pressure_pa",
    "liquid_density_kg_per_m3",
    "vapor_density_kg_per_m3",
    "compressibility_at_one_third",  # p M / (d R T) of vapour at one third of the dew density d
    "compressibility_at_two_thirds",
    "latent_heat_j_per_kg",
    "liquid_heat_capacity_j_per_kg_k",
)
"""Columns of a table; all but the first are at that temperature."""

NEWTON_STEPS = 7
"""From the ideal gas to the density of saturated vapour, nearly as slow as it gets, to 1e-9."""


def refrigerant(name: str) -> Refrigerant:
    """Return the refrigerant that `name` means: ``r134a``, ``R 134a``, ``HFC-134a``, ``R-1234ze(E)``, ``454b``.

    Raises
    ------
    UnknownRefrigerant
        No such refrigerant, or none that a table is shipped for; the message names the nearest.
    """
    return _load(refrigerant_name(name))


def refrigerant_of(job: Job | None) -> Refrigerant | None:
    """Return the circuit's refrigerant, None where the job does not state it; its name was checked with the job."""
    return None if job is None or job.circuit.refrigerant is None else _load(job.circuit.refrigerant)


@cache
def _load(name: str) -> Refrigerant:
    text = (TABLES / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    facts = dict(line[2:].split(" = ") for line in text if line.startswith("# ") and " = " in line)
    rows = np.loadtxt(text, delimiter=",", skiprows=len(facts) + 2)
    rows.flags.writeable = False
    return Refrigerant(
        name=name,
        molar_mass_kg_per_mol=float(facts["molar_mass_kg_per_mol"]),
        critical_temperature_k=float(facts["critical_temperature_k"]),
        table=rows,
    )


@dataclass(frozen=True, eq=False)
class Refrigerant:
    """One refrigerant. *Bubble* is where liquid begins to boil, *dew* where vapour begins to condense.

    Properties take one value or an array and return the same shape, NaN outside the table.
    """

    name: str
    molar_mass_kg_per_mol: float
    critical_temperature_k: float
    table: Floats = field(repr=False)
    """Rows of the shipped table, columns `COLUMNS`."""

    # --- what the table covers ---------------------------------------------------------------------------

    @property
    def range_k(self) -> tuple[float, float]:
        """Coldest and hottest saturation temperature of the table [K]."""
        return float(self.table[0, 0]), float(self.table[-1, 0])

    @property
    def range_pa(self) -> tuple[float, float]:
        """Pressures at which both bubble and dew temperature are known [Pa absolute]."""
        return float(self.table[0, 1]), float(self.table[-1, 2])

    # --- saturation --------------------------------------------------------------------------------------

    def bubble_pressure_pa(self, temperature_k: Value) -> Value:
        """Return the pressure at which liquid of `temperature_k` [K] boils [Pa absolute]."""
        return self._at_temperature("bubble_pressure_pa", temperature_k)

    def dew_pressure_pa(self, temperature_k: Value) -> Value:
        """Return the pressure at which vapour of `temperature_k` [K] condenses [Pa absolute]."""
        return self._at_temperature("dew_pressure_pa", temperature_k)

    def bubble_temperature_k(self, pressure_pa: Value) -> Value:
        """Return the temperature at which liquid boils at `pressure_pa` [Pa absolute] [K]."""
        return self._at_pressure("bubble_pressure_pa", pressure_pa)

    def dew_temperature_k(self, pressure_pa: Value) -> Value:
        """Return the temperature at which vapour condenses at `pressure_pa` [Pa absolute] [K]."""
        return self._at_pressure("dew_pressure_pa", pressure_pa)

    def liquid_density(self, temperature_k: Value) -> Value:
        """Return the density of saturated liquid (bubble point) [kg/m3]."""
        return self._at_temperature("liquid_density_kg_per_m3", temperature_k)

    def vapor_density(self, temperature_k: Value) -> Value:
        """Return the density of saturated vapour (dew point) [kg/m3]."""
        return self._at_temperature("vapor_density_kg_per_m3", temperature_k)

    def latent_heat_j_per_kg(self, temperature_k: Value) -> Value:
        """Return dew-point vapour minus bubble-point liquid enthalpy at one temperature [J/kg]; indicative."""
        return self._at_temperature("latent_heat_j_per_kg", temperature_k)

    def liquid_heat_capacity(self, temperature_k: Value) -> Value:
        """Return the isobaric heat capacity of saturated liquid [J/(kg K)]; indicative."""
        return self._at_temperature("liquid_heat_capacity_j_per_kg_k", temperature_k)

    # --- away from saturation ----------------------------------------------------------------------------

    def superheat_k(self, pressure_pa: Value, temperature_k: Value | float) -> Value:
        """Return how far vapour is above its dew point [K]; negative where the pair is not vapour."""
        dew = self._inverse("dew_pressure_pa", pressure_pa)
        return like(np.asarray(temperature_k) - dew, pressure_pa, temperature_k)

    def subcooling_k(self, pressure_pa: Value, temperature_k: Value | float) -> Value:
        """Return how far liquid is below its bubble point [K]; negative where the pair is not liquid."""
        bubble = self._inverse("bubble_pressure_pa", pressure_pa)
        return like(bubble - np.asarray(temperature_k), pressure_pa, temperature_k)

    def vapor_density_at(self, pressure_pa: Value, temperature_k: Value | float) -> Value:
        """Return the density of vapour at a pressure [Pa absolute] and a temperature [K] [kg/m3].

        The virial form Z = 1 + B d + C d2 + D d3, made to pass through the tabulated Z at one third, two
        thirds and the whole of the dew density and solved for d: within 1e-3 of CoolProp. Vapour cannot be
        denser than saturated, so a pressure above the dew pressure (a probe that reads cold) counts as the
        dew pressure. NaN outside `range_k` and below zero pressure.
        """
        temperature = np.asarray(temperature_k, dtype=np.float64)
        dew_pressure = self._forward("dew_pressure_pa", temperature)
        dew_density = self._forward("vapor_density_kg_per_m3", temperature)
        z1 = self._forward("compressibility_at_one_third", temperature)
        z2 = self._forward("compressibility_at_two_thirds", temperature)
        z3 = dew_pressure * self.molar_mass_kg_per_mol / (dew_density * GAS_CONSTANT * temperature)
        # coefficients in y = density / dew density (Newton's divided differences at 0, 1/3, 2/3, 1)
        first, second = 3.0 * (z1 - 1.0), 4.5 * (z2 - 2.0 * z1 + 1.0)
        d = 4.5 * (z3 - 3.0 * z2 + 3.0 * z1 - 1.0)
        c = second - d
        b = first - second / 3.0 + d * 2.0 / 9.0
        share = np.asarray(pressure_pa, dtype=np.float64) / dew_pressure
        target = np.where(share >= 0.0, np.minimum(share, 1.0), np.nan) * z3  # = y Z(y)
        y = target
        for _ in range(NEWTON_STEPS):
            wrong = y * (1.0 + y * (b + y * (c + y * d))) - target
            y = y - wrong / (1.0 + y * (2.0 * b + y * (3.0 * c + y * 4.0 * d)))
        return like(y * dew_density, pressure_pa, temperature_k)

    # --- regulation --------------------------------------------------------------------------------------

    def pressure_class(self) -> PressureClass:
        """Return the pressure class of 40 CFR 82.152.

        By the saturation pressure of the liquid (bubble point) at 104 degF; limits in
        `config/refrigerants.toml`. A refrigerant close to a limit (R-32, R-410A) goes by the number.
        """
        rule = refrigerant_list()["pressure_class"]
        at_k = parse_quantity(rule["temperature"], "temperature", LIST_FILE)
        low, medium, high = (parse_pressure(rule[key], LIST_FILE).pa for key in ("low_below", "medium_to", "high_to"))
        pressure = math.inf if self.critical_temperature_k < at_k else self.bubble_pressure_pa(at_k)
        if pressure < low:
            return "low"
        return "medium" if pressure <= medium else "high" if pressure <= high else "very_high"

    # --- reading the table -------------------------------------------------------------------------------

    @cached_property
    def _grid(self) -> tuple[float, float]:
        return float(self.table[0, 0]), float(self.table[1, 0] - self.table[0, 0])

    @cached_property
    def _by_temperature(self) -> dict[str, Curve]:
        return {name: Curve(*self._grid, np.log(self.table[:, i])) for i, name in enumerate(COLUMNS) if i}

    @cached_property
    def _by_pressure(self) -> dict[str, Curve]:
        return {COLUMNS[i]: inverse(*self._grid, np.log(self.table[:, i])) for i in (1, 2)}

    def _forward(self, column: str, temperature_k: ArrayLike) -> Floats:
        return np.exp(self._by_temperature[column](np.asarray(temperature_k, dtype=np.float64)))

    def _inverse(self, column: str, pressure_pa: ArrayLike) -> Floats:
        pressure = np.asarray(pressure_pa, dtype=np.float64)
        return self._by_pressure[column](np.log(np.where(pressure > 0.0, pressure, np.nan)))

    def _at_temperature(self, column: str, temperature_k: Value) -> Value:
        return like(self._forward(column, temperature_k), temperature_k)

    def _at_pressure(self, column: str, pressure_pa: Value) -> Value:
        return like(self._inverse(column, pressure_pa), pressure_pa)
