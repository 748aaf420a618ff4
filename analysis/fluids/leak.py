"""What a loss or a rise of pressure is as a leak: as pressure times volume, and as mass of an ideal gas."""

from __future__ import annotations

from analysis.fluids.curve import GAS_CONSTANT


def leak_pa_m3_per_s(pressure_pa_per_s: float, volume_m3: float) -> float:
    """Return the leak Q = V dp/dt [Pa m3/s]."""
    return volume_m3 * pressure_pa_per_s


def leak_kg_per_s(leak: float, molar_mass_kg_per_mol: float, temperature_k: float) -> float:
    """Return the mass rate of a leak [Pa m3/s], Q M / (R T) [kg/s]: the leak of one gas is not that of another."""
    return leak * molar_mass_kg_per_mol / (GAS_CONSTANT * temperature_k)
