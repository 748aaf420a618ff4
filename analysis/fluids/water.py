"""Vapour pressure of water over ice and over liquid water.

Sources: IAPWS R14-08 (2011), sublimation pressure of ordinary ice, equation 6, 50 K to 273.16 K; IAPWS R7-97(2012),
industrial formulation IF97, saturation line, equation 30, 273.15 K to 647.096 K. The two meet at the triple
point (273.16 K, 611.657 Pa) within 1e-7. Below the triple point water is taken to be ice.
"""

from __future__ import annotations

import numpy as np

from analysis.fluids.curve import Floats, Value, like

TRIPLE_POINT_K, TRIPLE_POINT_PA = 273.16, 611.657
"""Under this pressure, about 4,590 micron, liquid water freezes."""
RANGE_K = (130.0, 647.096)
"""The ice equation goes down to 50 K; nothing that is evacuated is colder than 130 K."""

_ICE = (
    (-0.212144006e2, 0.333333333e-2),
    (0.273203819e2, 0.120666667e1),
    (-0.610598130e1, 0.170333333e1),
)
_LIQUID = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def vapor_pressure_pa(temperature_k: Value) -> Value:
    """Return the vapour pressure of water [Pa]: over ice below 273.16 K, over liquid water above.

    NaN outside `RANGE_K` and for NaN.
    """
    t = np.asarray(temperature_k, dtype=np.float64)
    t = np.where((t >= RANGE_K[0]) & (t <= RANGE_K[1]), t, np.nan)
    ice = TRIPLE_POINT_PA * np.exp(_log_ice(np.minimum(t, TRIPLE_POINT_K)))
    liquid = _liquid_pressure(np.maximum(t, TRIPLE_POINT_K))
    return like(np.where(t < TRIPLE_POINT_K, ice, liquid), temperature_k)


def _log_ice(t: Floats) -> Floats:
    """Return ln(p/p_triple) over ice (R14-08 equation 6)."""
    theta = t / TRIPLE_POINT_K
    return sum((a * theta ** (b - 1.0) for a, b in _ICE), np.zeros_like(theta))


def _liquid_pressure(t: Floats) -> Floats:
    n = _LIQUID
    theta = t + n[8] / (t - n[9])
    a = theta**2 + n[0] * theta + n[1]
    b = n[2] * theta**2 + n[3] * theta + n[4]
    c = n[5] * theta**2 + n[6] * theta + n[7]
    return 1e6 * (2.0 * c / (-b + np.sqrt(b**2 - 4.0 * a * c))) ** 4
