"""Which of several readings of one and the same temperature lie: every way to explain them, weighed.

A reading is the common temperature, plus what a *body* shares (water warmer than the room, a sunny side, a
circuit without liquid), plus an honest error, or instead of that a lie. All of it is Gaussian, so the
likelihood of each set of liars is known in closed form (a linear model with random effects; the liars as in a
mixture with outliers), and Bayes' rule weighs the sets against each other. Where two explanations are as
good, neither wins: that is how "cannot tell which" comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import prod

import numpy as np

from analysis.bins import median_of

LIE_ODDS = 0.1
"""Part of field sensors that lie (common practice: one on a machine)."""
LIES = ((1.0, 0.5), (4.0, 0.5))
"""How far lies lie: a little or a lot (in what is usual of such an instrument, weight)."""
MOST_LIARS = 3
"""At the most so many lie, and no more than half."""
MOST_AT_ONCE = 4
"""At the most so many lie or stand apart in all: each is rare, and more of them explain anything."""
SUSPECTS, NEAREST = 8, 1.2
"""So many of the channels farthest off are tried as liars, and none nearer than so many honest errors; gauges
from the other gauges too, whose circuit may stand apart."""
APART_K = 0.5
"""A body is not tried as standing apart when it is nearer than this."""
LAGS_K = 0.05
"""Where lag could make no more than this nothing lags."""
COMMON_K = 15.0
"""How unsure the common temperature is beforehand: nothing is known of it."""
LEAST_CHANCE = 1e-9
"""What explains the readings so much worse than the best does is left out: twenty thousand of them weigh nothing."""
UNSETTLED = 10.0
ERROR_SCALES = ((0.5, 0.5), (1.3, 0.5))
GAUGE_SCALES = ((0.4, 0.475), (1.5, 0.475), (4.0, 0.05))
UNSETTLED_ODDS = 0.01
"""Honest errors may be smaller or larger than stated: (scale, weight), those of several gauges on their own. How well
the rest agrees decides. The largest of gauges is class 1 of a span of 500 psi; the largest of all is that of a machine
that has not come to rest: nothing agrees."""
LAG_SCALES = ((0.3, 0.6), (2.0, 0.4))
LAG_SPREAD = 0.75
"""Likewise what lag could make: what moves alike and agrees hardly lags, and a barrel full of water behind its
insulation loses its heat in half a day (3 MJ/K through 50 W/K). Each lags by half of its usual longest, give or take
three quarters of that half."""


@dataclass(frozen=True)
class Body:
    """Channels that share what sets them apart from the rest: `usual_k` always, `apart_k` with a chance of `odds`.

    `uneven_k` is how unevenly its channels share it when it stands apart; one that `lags` does it as a whole.
    """

    name: str
    members: np.ndarray
    usual_k: float
    apart_k: float
    odds: float
    uneven_k: float = 0.0
    lags: bool = False


@dataclass(frozen=True)
class Consensus:
    """What the readings say together.

    Attributes
    ----------
    level_k, level_sd_k : the common temperature and its standard error.
    expected_k : what each reading should show (its body's usual share included, of a gauge all that its bodies stand
        apart by), shape (n,).
    offsets_k, offset_sd_k : of each reading from that, shape (n,).
    others_k, from_others_k, from_others_sd_k : the same by the other readings alone, shape (n,).
    lying : probability that each reading lies, shape (n,).
    none_lies : probability that nobody does.
    unsettled : probability that nothing agrees, so that nothing can be compared yet.
    apart : probability that each body stands apart.
    """

    level_k: float
    level_sd_k: float
    expected_k: np.ndarray
    offsets_k: np.ndarray
    offset_sd_k: np.ndarray
    others_k: np.ndarray
    from_others_k: np.ndarray
    from_others_sd_k: np.ndarray
    lying: np.ndarray
    none_lies: float
    unsettled: float
    apart: dict[str, float]


def weigh(
    readings_k: np.ndarray,
    honest_k: np.ndarray,
    lies_k: np.ndarray,
    excess_k: np.ndarray,
    behind_k: np.ndarray,
    gauges: np.ndarray,
    bodies: Sequence[Body],
) -> Consensus:
    """Return the common temperature of `readings_k` and who lies.

    Parameters
    ----------
    readings_k : shape (n,), without NaN, n >= 2.
    honest_k : standard error of an honest reading, shape (n,).
    lies_k : how far a lie lies, one standard deviation, shape (n,).
    excess_k : further standard error of each, from noise and resolution, shape (n,).
    behind_k : where lag would have each beside what does not lag, if half of its longest, shape (n,).
    gauges : which of them are pressures, shape (n,).
    bodies : groups of readings that may stand apart together.
    """
    n = len(readings_k)
    middle = median_of(readings_k)
    x = readings_k - middle
    liars, states, scales, gauge_scales, lags, lies, prior = _hypotheses(x, honest_k, gauges, behind_k, bodies)
    together = np.any([body.members for body in bodies if body.lags] or [np.zeros(n, dtype=bool)], axis=0)
    lag_k = np.where(together, 0.0, LAG_SPREAD * np.abs(behind_k))
    # loadings: the common temperature, then each body; the prior variance of a body depends on its state
    loading = np.column_stack([np.ones(n), *(body.members.astype(float) for body in bodies)])
    variance = (np.where(gauges, gauge_scales[:, None], scales[:, None]) * honest_k) ** 2 + excess_k**2
    variance += (lags[:, None] * lag_k) ** 2
    variance += liars * np.outer(lies, lies_k) ** 2
    shared = np.full((len(prior), len(bodies) + 1), COMMON_K**2)
    for i, body in enumerate(bodies):
        body_lag_k = LAG_SPREAD * float(np.abs(behind_k[body.members]).mean()) if body.lags else 0.0
        shared[:, i + 1] = np.where(states[:, i], body.apart_k, body.usual_k) ** 2 + (lags * body_lag_k) ** 2
        variance += np.outer(states[:, i], body.members) * body.uneven_k**2
    weight = 1.0 / variance
    behind = np.outer(lags, behind_k)
    off = x - behind
    pairs = (loading[:, :, None] * loading[:, None, :]).reshape(n, -1)
    precision = (weight @ pairs).reshape(-1, len(bodies) + 1, len(bodies) + 1)
    diagonal = np.arange(precision.shape[1])
    precision[:, diagonal, diagonal] += 1.0 / shared
    pull = (weight * off) @ loading
    effects = np.linalg.solve(precision, pull[:, :, None])[:, :, 0]
    misfit = (weight * off**2).sum(axis=1) - np.einsum("ha,ha->h", pull, effects)
    log_size = np.log(variance).sum(axis=1) + np.log(shared).sum(axis=1) + np.linalg.slogdet(precision)[1]
    score = np.log(prior) - 0.5 * (misfit + log_size)
    chance = np.exp(score - score.max())
    likely = chance > LEAST_CHANCE
    chance = chance[likely] / chance[likely].sum()
    liars, states, scales, behind, off, variance, effects = (
        each[likely] for each in (liars, states, scales, behind, off, variance, effects)
    )
    covariance = np.linalg.inv(precision[likely])
    # a body that stands apart is not what its thermometers should show, its usual share is; gauges have one pressure
    usual = (np.column_stack([np.ones(len(chance), dtype=bool), ~states])[:, None, :] | gauges[:, None]) * loading
    expected = np.einsum("hna,ha->hn", usual, effects)
    held = usual @ covariance
    spread = (held * usual).sum(axis=2)
    # what each reading did to that is taken back (leave one out of a linear fit)
    pulled = (held * loading).sum(axis=2)
    kept = variance - (loading @ covariance * loading).sum(axis=2)
    others = expected + behind - pulled * (off - effects @ loading.T) / kept
    others_spread = spread + pulled**2 / kept
    expected += behind
    mean, others_mean = chance @ expected, chance @ others
    level = float(chance @ effects[:, 0])
    return Consensus(
        level_k=middle + level,
        level_sd_k=float(np.sqrt(chance @ (covariance[:, 0, 0] + (effects[:, 0] - level) ** 2))),
        expected_k=middle + mean,
        offsets_k=x - mean,
        offset_sd_k=np.sqrt(chance @ (spread + (expected - mean) ** 2)),
        others_k=middle + others_mean,
        from_others_k=x - others_mean,
        from_others_sd_k=np.sqrt(chance @ (others_spread + (others - others_mean) ** 2)),
        lying=chance @ liars,
        none_lies=float(chance @ ~liars.any(axis=1)),
        unsettled=float(chance @ (scales == UNSETTLED)),
        apart={body.name: float(chance @ states[:, i]) for i, body in enumerate(bodies)},
    )


def _hypotheses(
    x: np.ndarray, honest_k: np.ndarray, gauges: np.ndarray, behind_k: np.ndarray, bodies: Sequence[Body]
) -> tuple[np.ndarray, ...]:
    """Return for each hypothesis who lies (h, n), which bodies stand apart (h, b), the scales of errors, of gauges'
    errors, of lags and of lies, and the prior."""
    n = len(x)
    far = np.abs(x)
    if gauges.sum() > 1:
        far[gauges] = np.maximum(far[gauges], np.abs(x[gauges] - median_of(x[gauges])))
    far /= honest_k
    suspects = [i for i in np.argsort(-far, kind="stable")[:SUSPECTS].tolist() if n < 4 or far[i] > NEAREST]
    sets = [found for size in range(min(MOST_LIARS, n // 2) + 1) for found in combinations(suspects, size)]
    lying = np.zeros((len(sets), n), dtype=bool)
    for row, found in zip(lying, sets, strict=True):
        row[list(found)] = True
    may = [(False, True) if abs(median_of(x[body.members])) > APART_K else (False,) for body in bodies]
    apart = np.array(list(product(*may)), dtype=bool).reshape(prod(map(len, may)), len(bodies))
    odds = np.array([body.odds for body in bodies])
    gauge_scales = GAUGE_SCALES if gauges.sum() > 1 else ((1.0, 1.0),)
    errors = [(e, p, (1.0 - UNSETTLED_ODDS) * w * v) for (e, w), (p, v) in product(ERROR_SCALES, gauge_scales)]
    lags = LAG_SCALES if np.abs(behind_k).max() > LAGS_K else ((0.0, 1.0),)
    grid = product([*errors, (UNSETTLED, UNSETTLED, UNSETTLED_ODDS)], lags, LIES)
    scale, gauge, lag, lie, weight = np.array([(e, p, g, k, w * v * u) for (e, p, w), (g, v), (k, u) in grid]).T
    of_set, of_state, of_scale = (
        index.ravel()
        for index in np.meshgrid(np.arange(len(sets)), np.arange(len(apart)), np.arange(len(scale)), indexing="ij")
    )
    count = lying.sum(axis=1)
    few = count[of_set] + apart.sum(axis=1)[of_state] <= MOST_AT_ONCE
    of_set, of_state, of_scale = of_set[few], of_state[few], of_scale[few]
    told = LIE_ODDS**count * (1.0 - LIE_ODDS) ** (n - count)
    shared = np.where(apart, odds, 1.0 - odds).prod(axis=1)
    prior = told[of_set] * shared[of_state] * weight[of_scale]
    return (
        lying[of_set], apart[of_state], scale[of_scale], gauge[of_scale], lag[of_scale], lie[of_scale], prior
    )  # fmt: skip
