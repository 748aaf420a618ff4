"""Gas law of the standing test: real nitrogen at constant volume."""

from __future__ import annotations

import numpy as np

from analysis.fluids.nitrogen import compressibility

_STEP = 1e-3


def temperature_exponent(pressure_pa: float, temperature_k: float) -> float:
    """Return d ln P / d ln T of nitrogen at constant density: 1 for an ideal gas, above 1 under pressure.

    From P = Z d R T / M: (1 + T/Z dZ/dT) / (1 - P/Z dZ/dP). 1 where Z is outside its range.
    """
    z = compressibility(pressure_pa, temperature_k)
    by_t = (
        compressibility(pressure_pa, temperature_k * (1 + _STEP))
        - compressibility(pressure_pa, temperature_k * (1 - _STEP))
    ) / (2 * _STEP * z)
    by_p = (
        compressibility(pressure_pa * (1 + _STEP), temperature_k)
        - compressibility(pressure_pa * (1 - _STEP), temperature_k)
    ) / (2 * _STEP * z)
    exponent = (1.0 + by_t) / (1.0 - by_p)
    return float(exponent) if np.isfinite(exponent) else 1.0
