"""Dry nitrogen, the gas of the standing pressure test: its compressibility.

Source: the reference equation of Span et al., J. Phys. Chem. Ref. Data 29 (2000) 1361, by way of CoolProp 8, as
a polynomial fitted by `analysis.fluids.make_tables`. Within 2e-6 of that equation over `RANGE_K` and `RANGE_PA`;
outside, the answer is NaN.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.polynomial.polynomial import polyval2d

from analysis.fluids.curve import TABLES, Floats, Value, like

MOLAR_MASS_KG_PER_MOL = 0.02801348
"""Span et al. (2000), table 2: 28.01348 g/mol."""
RANGE_K = (233.15, 353.15)
RANGE_PA = (0.0, 7.5e6)
PRESSURE_SCALE_PA, TEMPERATURE_SCALE_K = 1e7, 300.0
TABLE = TABLES / "nitrogen.csv"
"""Z - 1 = (p/1e7 Pa) x sum of c[i, j] (p/1e7 Pa)^i (300 K/T)^j; rows i, columns j."""


@cache
def _coefficients() -> Floats:
    return np.loadtxt(TABLE, delimiter=",")


def compressibility(pressure_pa: Value, temperature_k: Value | float) -> Value:
    """Return Z = p M / (d R T) of nitrogen at absolute pressure [Pa] and temperature [K].

    Arrays broadcast. NaN outside `RANGE_K` and `RANGE_PA`, and where either is NaN.
    """
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    temperature = np.asarray(temperature_k, dtype=np.float64)
    inside = (
        (pressure >= RANGE_PA[0])
        & (pressure <= RANGE_PA[1])
        & (temperature >= RANGE_K[0])
        & (temperature <= RANGE_K[1])
    )
    x = np.where(inside, pressure, np.nan) / PRESSURE_SCALE_PA
    y = TEMPERATURE_SCALE_K / np.where(inside, temperature, np.nan)
    return like(1.0 + x * polyval2d(x, y, _coefficients()), pressure_pa, temperature_k)
