"""A closed circuit's rise: a straight line, or one that levels off, told apart by the evidence there is.

A leak lets air in at a constant rate, since the outside hardly changes: p = a + b t. Water evaporates towards its
vapour pressure: p = e - (e - a) exp(-t/tau), never above the vapour pressure at the warmest wall. Early on
both are straight; what cannot be told yet is not told.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from analysis.fluids import water

Kind = Literal["flat", "leak", "moisture", "undecided"]

SETTLE_S, SETTLE_SHARE, SETTLE_MOST_S = 45.0, 0.2, 120.0
"""Left out after closing: the valve's own push and the gas that comes off hose and oil; a fifth, 45 s to 2 min."""
LEVELS_OFF_S = 480.0
"""Shorter than this a rise that slows down may be that gas alone."""
LEAST_S = 180.0
FLAT_SHARE = 0.06
"""A rise of less than this part of the level, and no more than twice the noise, is no rise."""
ABOVE_WATER = 1.2
"""Above this many times the vapour pressure of water at the warmest metal it cannot be water alone."""
SURE = 8.0
"""Difference of the information criterion that decides: odds of fifty (Kass and Raftery 1995)."""


@dataclass(frozen=True)
class Rise:
    """What a closed stretch shows: `rate_pa_per_s` of a straight line, `plateau_pa` where it levels off or NaN."""

    kind: Kind
    rate_pa_per_s: float
    plateau_pa: float
    seconds: float
    begin_pa: float
    end_pa: float


def judge_rise(
    at_s: np.ndarray, vacuum_pa: np.ndarray, scatter: float, coldest_k: float, warmest_k: float
) -> Rise | None:
    """Return what the rise since closing says, or None while it is too short.

    Parameters
    ----------
    at_s, vacuum_pa : seconds since the valve closed and pressures [Pa], shape (n,).
    scatter : noise of ln(pressure).
    coldest_k, warmest_k : metal and air [K], NaN when unknown (then 288 and 303 K are taken).
    """
    if not len(at_s):
        return None
    keep = at_s >= max(SETTLE_S, min(SETTLE_MOST_S, SETTLE_SHARE * float(at_s[-1])))
    t, p = at_s[keep], vacuum_pa[keep]
    if len(t) < 6 or t[-1] - t[0] < LEAST_S:
        return None
    noise = np.maximum(scatter, 0.004) * p
    weights = 1.0 / noise
    line, left = _fit(np.vstack([np.ones_like(t), t]).T, p, weights)
    rate = float(line[1])
    begin, end = float(np.median(p[:3])), float(np.median(p[-3:]))
    grown = end - begin
    flat = abs(grown) <= max(FLAT_SHARE * begin, 2.0 * float(noise[-1]) / np.sqrt(3.0))
    dry = Rise("flat" if flat else "undecided", rate, np.nan, float(t[-1]), begin, end)
    if flat:
        return dry
    warm = warmest_k if np.isfinite(warmest_k) else 303.0
    most = float(water.vapor_pressure_pa(warm + 1.0))
    if end > ABOVE_WATER * most and begin < end:
        return Rise("leak", rate, np.nan, float(t[-1]), begin, end)
    best, plateau, tau = np.inf, np.nan, np.nan
    for factor in (0.08, 0.12, 0.2, 0.3, 0.45, 0.7, 1.0, 1.5, 2.5):
        lag = factor * float(t[-1])
        shape = 1.0 - np.exp(-t / lag)
        fitted, rest = _fit(np.vstack([np.ones_like(t), shape]).T, p, weights)
        top = float(fitted[0] + fitted[1])
        if fitted[1] > 0.0 and top <= ABOVE_WATER * most and rest < best:
            best, plateau, tau = rest, top, lag
    n = len(t)
    independent = max(4.0, n / _correlation_length(p - line[0] - line[1] * t))
    gain = independent / n * (left - best) - np.log(independent) if np.isfinite(best) else -np.inf
    slowing = _slowing(t, p, noise, independent)
    known = gain > (SURE if tau <= float(t[-1]) else 2.0 * SURE)
    bends = slowing.late + 2.0 * slowing.error < 0.85 or (slowing.whole < 0.25 and slowing.late < 0.7)
    if known and bends and t[-1] >= LEVELS_OFF_S:
        return Rise("moisture", rate, plateau, float(t[-1]), begin, end)
    # water that nears its vapour pressure slows by the share of the way gone; a leak does not
    of_water = 1.0 - grown / 3.0 / max(most - begin, 1e-9)
    if slowing.late - 1.65 * slowing.error > min(of_water, 0.97) and slowing.late > 0.85 and slowing.whole > 0.4:
        return Rise("leak", rate, np.nan, float(t[-1]), begin, end)
    return dry


@dataclass(frozen=True)
class _Slowing:
    """Ratios of rates: `late`, last third to middle third, with its standard `error`; `whole`, last to first."""

    late: float
    error: float
    whole: float


def _fit(design: np.ndarray, p: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, float]:
    """Return weighted least squares: coefficients and the sum of squared residuals in units of the noise."""
    found, *_ = np.linalg.lstsq(design * weights[:, None], p * weights, rcond=None)
    return found, float(np.sum(((p - design @ found) * weights) ** 2))


def _correlation_length(residuals: np.ndarray) -> float:
    """Return how many bins one independent residual takes, from the lag-one correlation (Bartlett 1946)."""
    centred = residuals - residuals.mean()
    power = float(np.sum(centred**2))
    if power <= 0.0:
        return 1.0
    r = float(np.clip(np.sum(centred[1:] * centred[:-1]) / power, 0.0, 0.9))
    return (1.0 + r) / (1.0 - r)


def _slowing(t: np.ndarray, p: np.ndarray, noise: np.ndarray, independent: float) -> _Slowing:
    rates, errors = [], []
    cuts = np.linspace(0, len(t), 4).astype(int)
    for first, last in pairwise(cuts.tolist()):
        part = slice(max(0, first - 1), last)
        design = np.vstack([np.ones_like(t[part]), t[part]]).T
        found, _ = _fit(design, p[part], 1.0 / noise[part])
        rates.append(float(found[1]))
        span = float(t[part][-1] - t[part][0])
        errors.append(float(np.mean(noise[part])) * np.sqrt(12.0 / max(2.0, independent / 3.0)) / max(span, 1.0))
    if rates[0] <= 0.0 or rates[1] <= 0.0:
        return _Slowing(0.0, np.inf, 0.0 if rates[0] > 0.0 else np.inf)
    late = rates[2] / rates[1]
    error = float(np.hypot(errors[2], late * errors[1])) / rates[1]
    return _Slowing(late, error, rates[2] / rates[0])
