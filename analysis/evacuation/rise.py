"""A closed circuit's rise: a straight line, or one that levels off, weighed by the evidence there is.

A leak lets air in at a constant rate, since the outside hardly changes: p = a + b t. Water evaporates towards its
vapour pressure: p = e - (e - a) exp(-t/tau), never above the vapour pressure at the warmest wall; the plateau e
follows the metal's temperature. Either may begin with gas that comes off hose and oil. Early on all are straight; what
cannot be told yet is not told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np

from analysis.fluids import water

Kind = Literal["flat", "leak", "moisture", "undecided"]

SETTLE_S, SETTLE_SHARE, SETTLE_MOST_S = 45.0, 0.2, 90.0
"""Left out after closing: the valve's own push, the probe's lag; a fifth, 45 to 90 s."""
LEAST_S, LEAST_READINGS = 75.0, 5
"""Less is no line; what a short one says of its kind waits for the times below, that it stays or grows does not."""
LEVELS_OFF_S = 480.0
"""Shorter than this a rise that slows down may be the gas alone that comes off after closing."""
STEEP, STEEP_WATER = 3.0, 0.5
"""A rise to so many times the level that was closed, and to half of water's vapour pressure, says early whether it
bends: water's would have lost half of its pace by then. A leak that a pump of some cfm held at a stall is out of a
probe's range soon."""
STRAIGHT_S = 270.0
BENT_FIRST_S = 720.0
"""Shorter than this a line says little of what comes; the second, for a line that began bent."""
FLAT_SHARE = 0.06
"""A rise of less than this part of the level, and no more than twice the noise, is no rise."""
ABOVE_WATER = 1.2
"""Above this many times the vapour pressure of water at the warmest metal it cannot be water alone."""
GOES_ON, LET_IN, LET_IN_SHARE = 0.2, 5.0, 2.0
"""A leak goes on as it began: gas that was let in has less than the first of its pace in its last half, or lifted the
level at once by so many times itself, and by so many times what the line after it made."""
SURE = 0.86
LAGS_S = np.geomspace(60.0, 3_600.0, 28)
"""How long water may take to level off: a minute to an hour, each ratio as likely (common practice)."""
GAS_LAGS_S = np.array([40.0, 80.0, 160.0, 300.0])
WALLS, WALLS_PUMPED, WALLS_LEAST_S = 0.3, np.array([1.0, 2.0]), 300.0
"""How likely walls and seals give off much of what a leak makes rise; that falls as one over the time under vacuum
(Leybold, Fundamentals of Vacuum Technology, from memory): this pull's, or twice that, and no less than the last."""
SLOW_WATER = 0.1
"""How likely water evaporates so slowly that it is far from its vapour pressure at the metal's own temperature: a
straight rise is a leak's in the trade (common practice), and only a bend that can be seen speaks against it."""
LATE_ERRORS = 2.0
BOTH = 0.1
"""How likely a leak and water are there together, neither of them small, against either alone."""
NOISE_WORTH = 8.0
"""The noise known from before the valve closed counts as this many readings."""
LEAST_DRIFT_K = 0.3
MOST_POINTS = 60
METAL_K = (283.0, 303.0)
"""Taken for coldest and warmest metal where no temperature is known."""


@dataclass(frozen=True)
class Rise:
    """What a closed stretch shows.

    `rate_pa_per_s` of a straight line, `plateau_pa` where it levels off or NaN; `leak` and `moisture`: likelihoods
    that the rise is of that kind (the rest: both together); `most_risen`: what a flat one may have risen, as a share;
    `foot_pa`: where its line was when the valve closed; `late_pa_per_s`: the most that its last half rises by.
    """

    kind: Kind
    rate_pa_per_s: float
    plateau_pa: float
    seconds: float
    end_pa: float
    leak: float = 0.5
    moisture: float = 0.5
    most_risen: float = 0.0
    foot_pa: float = math.nan
    late_pa_per_s: float = math.inf

    @property
    def has_shape(self) -> bool:
        """Whether it may be told how likely each kind is: what does not rise has no shape, a short rise is straight."""
        return self.kind in ("leak", "moisture") or (self.kind == "undecided" and self.seconds >= LEVELS_OFF_S)


def judge_rise(
    at_s: np.ndarray,
    vacuum_pa: np.ndarray,
    scatter: float,
    metal_k: np.ndarray,
    coldest_k: float,
    warmest_k: float,
    pumped_s: float,
) -> Rise | None:
    """Return what the rise since closing says, or None while it is too short.

    Parameters
    ----------
    at_s, vacuum_pa : seconds since the valve closed and pressures [Pa], shape (n,).
    scatter : noise of ln(pressure).
    metal_k : temperature that the plateau follows [K], shape (n,), NaN when unknown (then it is taken as steady).
    coldest_k, warmest_k : metal and air [K], NaN when unknown (then `METAL_K`).
    pumped_s : for how long it was pumped before.
    """
    if not len(at_s):
        return None
    keep = at_s >= max(SETTLE_S, min(SETTLE_MOST_S, SETTLE_SHARE * float(at_s[-1])))
    if np.count_nonzero(keep) < LEAST_READINGS or at_s[-1] - at_s[keep][0] < LEAST_S:
        return None
    t, p, metal = (_thin(values[keep]) for values in (at_s, vacuum_pa, metal_k))
    noise = max(scatter, 0.004) * p / np.sqrt(np.count_nonzero(keep) / len(t))
    weights = 1.0 / noise**2
    direct = _straight(t, p, weights)
    rate, middle, _ = direct
    begin, end = middle + rate * float(t[0]), median(p[-3:].tolist())
    warm = warmest_k if np.isfinite(warmest_k) else METAL_K[1]
    vapour = float(water.vapor_pressure_pa(warm + 1.0))
    steep = end > STEEP * middle and end > STEEP_WATER * vapour
    rise = rate * float(t[-1] - t[0])
    error = math.sqrt(12.0 / len(t)) * median(noise.tolist())
    told = Rise("undecided", rate, np.nan, float(t[-1]), end)
    if abs(rise) <= max(FLAT_SHARE * begin, 2.0 * error):
        most_risen = (abs(rise) + 2.0 * error) / max(begin, 1e-9)
        return replace(told, kind="flat", most_risen=most_risen)
    cold = coldest_k if np.isfinite(coldest_k) else METAL_K[0]
    most = ABOVE_WATER * vapour
    if rise <= 0.0:
        return told
    half = slice(len(t) // 2, None)
    late = _straight(t[half], p[half], weights[half])[0]
    late += LATE_ERRORS * median(noise[half].tolist()) * math.sqrt(12.0 / len(t[half])) / float(np.ptp(t[half]))
    at_once = middle - float(vacuum_pa[0])
    let_in = at_once > max(LET_IN * float(vacuum_pa[0]), LET_IN_SHARE * rate * float(t[-1]))
    let_in |= steep and late < GOES_ON * rate
    if end > most:
        return told if let_in else replace(told, kind="leak", leak=1.0, moisture=0.0)
    follow = _follow(t, metal)
    slow = np.linspace(cold, max(warm, cold + 1.0), 3)
    line, leak, moisture, plateau = _weigh(
        t, p, weights, direct, follow, most, np.asarray(water.vapor_pressure_pa(slow)), pumped_s
    )
    kind: Kind = "undecided"
    if moisture >= SURE and t[-1] >= LEVELS_OFF_S:
        kind = "moisture"
    elif leak >= SURE and not let_in and (steep or t[-1] >= (STRAIGHT_S if line > 0.5 * leak else BENT_FIRST_S)):
        kind = "leak"
    return replace(
        told, kind=kind, plateau_pa=plateau if kind == "moisture" else np.nan, leak=float(leak),
        moisture=float(moisture), foot_pa=middle, late_pa_per_s=max(late, 0.0),
    )  # fmt: skip


def _thin(values: np.ndarray) -> np.ndarray:
    """Return means of equal groups, at most `MOST_POINTS`."""
    group = -(-len(values) // MOST_POINTS)
    whole = len(values) // group * group
    means: np.ndarray = values[len(values) - whole :].reshape(-1, group).mean(axis=1)
    return means


def _follow(t: np.ndarray, metal_k: np.ndarray) -> np.ndarray:
    """Return how the vapour pressure of water went with the metal's trend, as a share of its first."""
    if not np.isfinite(metal_k).all():
        return np.ones_like(t)
    drift, first, _ = _straight(t, metal_k, np.ones_like(t))
    if abs(drift) * float(t[-1] - t[0]) < LEAST_DRIFT_K:
        return np.ones_like(t)
    vapour: np.ndarray = np.asarray(water.vapor_pressure_pa(first + drift * t))
    share: np.ndarray = vapour / vapour[0]
    return share


def _straight(f: np.ndarray, p: np.ndarray, weights: np.ndarray) -> tuple[float, float, float]:
    """Return slope and intercept of p on f, and the weighted sum of squares left."""
    slope, intercept, left = _regress(f[None, :], p, weights)
    return float(slope[0]), float(intercept[0]), float(left[0])


def _regress(f: np.ndarray, p: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return slopes, intercepts and sums of squares left of p on each row of f, shape (m, n)."""
    total = weights.sum()
    mean_f, mean_p = f @ weights / total, float(p @ weights / total)
    away_f, away_p = f - mean_f[:, None], p - mean_p
    power = np.maximum((away_f**2) @ weights, 1e-300)
    slope = (away_f * away_p) @ weights / power
    left = float(away_p**2 @ weights) - slope**2 * power
    return slope, mean_p - slope * mean_f, np.maximum(left, 0.0)


def _weigh(
    t: np.ndarray,
    p: np.ndarray,
    weights: np.ndarray,
    direct: tuple[float, float, float],
    follow: np.ndarray,
    most: float,
    vapour: np.ndarray,
    pumped_s: float,
) -> tuple[float, float, float, float]:
    """Return the likelihoods of a plain line, of a leak, of moisture; and the plateau of the best that levels off.

    `direct` is the straight line of p on t.
    """
    last = float(t[-1])
    rate, begun, straight = direct
    lags = np.concatenate([GAS_LAGS_S, LAGS_S])
    extra = 1.0 - np.exp(-t / lags[:, None])
    shapes = extra[len(GAS_LAGS_S) :] * follow
    height, foot, levels = _regress(shapes, p, weights)
    top = foot + height * follow[-1]
    possible = (height > 0.0) & (foot + height <= most)
    levels = np.where(possible, levels, np.inf)
    # gas off hose and oil before a straight line, or a slow line on top of what levels off
    line, share, left = _with_line(t, extra, p, weights)
    grown, settled = line * last, share * extra[:, -1]
    real = (line > 0.0) & (share > 0.0)
    early = lags <= min(float(GAS_LAGS_S[-1]), last / 3.0)  # else the line after it has hardly been seen
    gas_first = np.where(real & early & (settled < 0.6 * grown), left, np.inf)
    drifting = np.where(real & (grown < 0.3 * settled) & (begun + grown + settled < most), left, np.inf)[4:]
    both = np.where(real & (grown >= 0.3 * settled) & (settled >= 0.6 * grown), left, np.inf)[4:]
    # gas off walls, as one over the time since the pull began, beside a leak that makes no less
    walls = np.log1p(t / (WALLS_PUMPED * max(pumped_s, WALLS_LEAST_S))[:, None])
    wall_line, wall_share, wall_left = _with_line(t, walls, p, weights)
    fits = (wall_share > 0.0) & (wall_share * walls[:, -1] < wall_line * last)
    beside_walls = np.where(fits, wall_left, np.inf)
    slow = np.array([_towards(t, p, weights, float(full)) for full in vapour])
    best = min(float(np.min(np.concatenate([levels, gas_first, beside_walls, slow]))), straight)
    n = len(t)
    where = int(np.argmin(levels))
    fitted = begun + rate * t if straight <= levels[where] else foot[where] + height[where] * shapes[where]
    independent = max(4.0, n / correlation_length((p - fitted) * np.sqrt(weights)))

    def evidence(left: np.ndarray, parts: int) -> float:
        """Return the mean likelihood of some models, up to a factor common to all."""
        scaled = (left - best) * independent / n / (NOISE_WORTH + best * independent / n)
        with np.errstate(over="ignore"):
            each = (1.0 + scaled) ** (-0.5 * (independent + NOISE_WORTH))
        mean = float(np.mean(each))
        return mean * float(independent ** (-0.5 * (parts - 2)))

    plain = 0.7 * evidence(np.array([straight]), 2)
    leak = plain + 0.3 * evidence(gas_first[early], 3)
    moisture = (1.0 - SLOW_WATER) * (0.75 * evidence(levels, 2) + 0.25 * evidence(drifting, 3))
    moisture += SLOW_WATER * evidence(slow, 2)
    neither = BOTH * evidence(both, 3)
    total = leak + moisture + neither
    doubt = WALLS * evidence(beside_walls, 3)  # speaks against water, and for no leak: water far from its end bends so
    return plain / total, leak / total, moisture / (total + doubt), float(top[where])


def _with_line(
    t: np.ndarray, extra: np.ndarray, p: np.ndarray, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return slopes of t, heights of each row of `extra`, and sums of squares left, of p on 1, t and the row."""
    total = weights.sum()
    t_away = t - float(t @ weights / total)
    p_away = p - float(p @ weights / total)
    e_away = extra - (extra @ weights / total)[:, None]
    power = float(t_away**2 @ weights)
    e_slope, p_slope = (e_away * t_away) @ weights / power, float(p_away * t_away @ weights) / power
    e_rest, p_rest = e_away - e_slope[:, None] * t_away, p_away - p_slope * t_away
    rest_power = np.maximum((e_rest**2) @ weights, 1e-300)
    height = (e_rest * p_rest) @ weights / rest_power
    left = float(p_rest**2 @ weights) - height**2 * rest_power
    return p_slope - height * e_slope, height, np.maximum(left, 0.0)


def _towards(t: np.ndarray, p: np.ndarray, weights: np.ndarray, full_pa: float) -> float:
    """Return the sum of squares left of a rise towards a given vapour pressure, at whatever pace fits."""
    way = full_pa - p
    if way.min() <= 0.05 * full_pa:
        return np.inf
    slope, intercept, _ = _straight(t, np.log(way), weights * way**2)
    if slope >= 0.0:
        return np.inf
    left = p - full_pa + np.exp(intercept + slope * t)
    return float(np.sum(np.square(left) * weights))


def correlation_length(residuals: np.ndarray) -> float:
    """Return how many readings one independent residual takes, from the lag-one correlation (Bartlett 1946)."""
    centred = residuals - residuals.mean()
    power = float(np.sum(centred**2))
    if power <= 0.0:
        return 1.0
    r = float(np.clip(np.sum(centred[1:] * centred[:-1]) / power, 0.0, 0.9))
    return (1.0 + r) / (1.0 - r)
