"""Vacuum formulas: conductance of a hose at any pressure, water in what is pumped."""

from __future__ import annotations

import numpy as np

from analysis.fluids.curve import GAS_CONSTANT

WATER_KG_PER_MOL = 0.018015268
"""IAPWS R6-95."""


def hose_conductance(bore_m: float, length_m: float, mean_pressure_pa: np.ndarray | float) -> np.ndarray | float:
    """Return the conductance of a round hose for air at 20 degC [m3/s], from laminar to molecular flow.

    C = 135 d^4 p/l + 12.1 (d^3/l) (1 + 192 d p)/(1 + 237 d p), with d and l in cm, p in mbar, C in L/s.

    Parameters
    ----------
    mean_pressure_pa : mean of both ends [Pa absolute].

    Source: Leybold, Fundamentals of Vacuum Technology, Knudsen's formula for all regimes; the viscous
    branch neglects turbulence and the entrance.
    """
    d, length, p = bore_m * 100.0, length_m * 100.0, np.asarray(mean_pressure_pa) / 100.0
    laminar = 135.0 * d**4 * p / length
    molecular = 12.1 * d**3 / length * (1.0 + 192.0 * d * p) / (1.0 + 237.0 * d * p)
    return (laminar + molecular) / 1e3


def in_series(*conductances: np.ndarray | float) -> np.ndarray | float:
    """Return the conductance (or pumping speed) of parts in a row [m3/s]: 1/C = sum of 1/C_i."""
    return 1.0 / sum(1.0 / np.asarray(c) for c in conductances)


def water_mass(
    flow_m3_per_s: np.ndarray, pressure_pa: np.ndarray, temperature_k: float, seconds: np.ndarray
) -> np.ndarray:
    """Return the water that a pump carries away as vapour [kg], S p M t / (R T), shape of the arrays given."""
    mass: np.ndarray = flow_m3_per_s * pressure_pa * WATER_KG_PER_MOL * seconds / (GAS_CONSTANT * temperature_k)
    return mass
