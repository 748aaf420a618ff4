"""Vapour pressure of water over ice and over liquid water, and its inverse.

Sources: IAPWS R14-08 (2011), sublimation pressure of ordinary ice, equation 6, 50 K to 273.16 K; IAPWS R7-97(2012),
industrial formulation IF97, saturation line, equations 30 and 31, 273.15 K to 647.096 K. The two meet at the triple
point (273.16 K, 611.657 Pa) within 1e-7. Below the triple point water is taken to be ice.
"""

from __future__ import annotations

from typing import cast

import numpy as np

from analysis.fluids.curve import Floats, Value, like

TRIPLE_POINT_K, TRIPLE_POINT_PA = 273.16, 611.657
RANGE_K = (130.0, 647.096)
"""The ice equation goes down to 50 K; the least pressure that a vacuum probe shows is far above 130 K."""

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
_NEWTON_STEPS = 6


def vapor_pressure_pa(temperature_k: Value) -> Value:
    """Return the vapour pressure of water [Pa]: over ice below 273.16 K, over liquid water above.

    NaN outside `RANGE_K` and for NaN.
    """
    t = np.asarray(temperature_k, dtype=np.float64)
    t = np.where((t >= RANGE_K[0]) & (t <= RANGE_K[1]), t, np.nan)
    log_ice, _ = _log_ice(np.minimum(t, TRIPLE_POINT_K))
    ice = TRIPLE_POINT_PA * np.exp(log_ice)
    liquid = _liquid_pressure(np.maximum(t, TRIPLE_POINT_K))
    return cast(Value, like(np.where(t < TRIPLE_POINT_K, ice, liquid), temperature_k))


def saturation_temperature_k(pressure_pa: Value) -> Value:
    """Return the temperature at which ice or liquid water has that vapour pressure [K].

    NaN outside the pressures of `RANGE_K`, for nothing or less, and for NaN.
    """
    p = np.asarray(pressure_pa, dtype=np.float64)
    low, high = (vapor_pressure_pa(end) for end in RANGE_K)
    p = np.where((p >= low) & (p <= high), p, np.nan)
    ice = _ice_temperature(np.minimum(p, TRIPLE_POINT_PA))
    liquid = _liquid_temperature(np.maximum(p, TRIPLE_POINT_PA))
    return cast(Value, like(np.where(p < TRIPLE_POINT_PA, ice, liquid), pressure_pa))


def _log_ice(t: Floats) -> tuple[Floats, Floats]:
    """Return ln(p/p_triple) over ice and its slope against 1/theta (R14-08 equation 6)."""
    theta = t / TRIPLE_POINT_K
    terms = [(b, a * theta ** (b - 1.0)) for a, b in _ICE]
    log = sum((term for _, term in terms), np.zeros_like(theta))
    slope = sum((-(b - 1.0) * theta * term for b, term in terms), np.zeros_like(theta))
    return log, slope


def _ice_temperature(p: Floats) -> Floats:
    """Invert equation 6: ln p is nearly straight in 1/theta, so Newton from the triple point is quick."""
    wanted = np.log(p / TRIPLE_POINT_PA)
    inverse_theta = np.ones_like(wanted)
    for _ in range(_NEWTON_STEPS):
        log, slope = _log_ice(TRIPLE_POINT_K / inverse_theta)
        inverse_theta = inverse_theta + (wanted - log) / slope
    return TRIPLE_POINT_K / inverse_theta


def _liquid_pressure(t: Floats) -> Floats:
    n = _LIQUID
    theta = t + n[8] / (t - n[9])
    a = theta**2 + n[0] * theta + n[1]
    b = n[2] * theta**2 + n[3] * theta + n[4]
    c = n[5] * theta**2 + n[6] * theta + n[7]
    return 1e6 * (2.0 * c / (-b + np.sqrt(b**2 - 4.0 * a * c))) ** 4


def _liquid_temperature(p: Floats) -> Floats:
    n = _LIQUID
    beta = (p / 1e6) ** 0.25
    e = beta**2 + n[2] * beta + n[5]
    f = n[0] * beta**2 + n[3] * beta + n[6]
    g = n[1] * beta**2 + n[4] * beta + n[7]
    d = 2.0 * g / (-f - np.sqrt(f**2 - 4.0 * e * g))
    return (n[9] + d - np.sqrt((n[9] + d) ** 2 - 4.0 * (n[8] + n[9] * d))) / 2.0
