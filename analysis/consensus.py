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

LIE_ODDS = 0.07
"""Part of field sensors that lie (common practice: one in every other machine)."""
LIES_K = ((1.5, 0.5), (6.0, 0.5))
"""How far lies lie, one standard deviation: a little or a lot (kelvin, weight)."""
MOST_LIARS = 3
"""At the most so many lie, and no more than half."""
SUSPECTS, NEAREST_K = 8, 0.5
"""So many of the channels farthest from the median are tried as liars, and none that is nearer to it than this."""
COMMON_K = 15.0
"""How unsure the common temperature is beforehand: nothing is known of it."""
UNSETTLED = 10.0
ERROR_SCALES = ((0.5, 0.3), (0.8, 0.4), (1.3, 0.29), (UNSETTLED, 0.01))
"""Honest errors may be smaller or larger than stated: (scale, weight). How well the rest agrees decides. The largest
is that of a machine that has not come to rest: nothing agrees."""
LAG_SCALES = ((0.2, 0.6), (1.0, 0.4))
"""Likewise what lag could make: things that move alike and agree do not lag."""


@dataclass(frozen=True)
class Body:
    """Channels that share what sets them apart from the rest: `usual_k` always, `apart_k` with a chance of `odds`.

    `uneven_k` is how unevenly its channels share it when it stands apart, `lag_k` what its lag may add.
    """

    name: str
    members: np.ndarray
    usual_k: float
    apart_k: float
    odds: float
    uneven_k: float = 0.0
    lag_k: float = 0.0


@dataclass(frozen=True)
class Consensus:
    """What the readings say together.

    Attributes
    ----------
    level_k, level_sd_k : the common temperature and its standard error.
    offsets_k, offset_sd_k : of each reading from what it should show (its body's usual share included), shape (n,).
    lying : probability that each reading lies, shape (n,).
    none_lies : probability that nobody does.
    unsettled : probability that nothing agrees, so that nothing can be compared yet.
    apart : probability that each body stands apart.
    """

    level_k: float
    level_sd_k: float
    offsets_k: np.ndarray
    offset_sd_k: np.ndarray
    lying: np.ndarray
    none_lies: float
    unsettled: float
    apart: dict[str, float]


def weigh(
    readings_k: np.ndarray, honest_k: np.ndarray, excess_k: np.ndarray, lag_k: np.ndarray, bodies: Sequence[Body]
) -> Consensus:
    """Return the common temperature of `readings_k` and who lies.

    Parameters
    ----------
    readings_k : shape (n,), without NaN, n >= 2.
    honest_k : standard error of an honest reading, shape (n,).
    excess_k : further standard error of each, from noise and resolution, shape (n,).
    lag_k : what the lag of each may make at the most, one standard error, shape (n,).
    bodies : groups of readings that may stand apart together.
    """
    n = len(readings_k)
    middle = float(np.median(readings_k))
    x = readings_k - middle
    liars, states, scales, lags, lies_k, prior = _hypotheses(x, bodies)
    # loadings: the common temperature, then each body; the prior variance of a body depends on its state
    loading = np.column_stack([np.ones(n), *(body.members.astype(float) for body in bodies)])
    variance = (scales[:, None] * honest_k) ** 2 + excess_k**2 + (lags[:, None] * lag_k) ** 2
    variance += liars * lies_k[:, None] ** 2
    shared = np.full((len(prior), len(bodies) + 1), COMMON_K**2)
    for i, body in enumerate(bodies):
        shared[:, i + 1] = np.where(states[:, i], body.apart_k, body.usual_k) ** 2 + (lags * body.lag_k) ** 2
        variance += np.outer(states[:, i], body.members) * body.uneven_k**2
    weight = 1.0 / variance
    precision = np.einsum("hn,na,nb->hab", weight, loading, loading)
    diagonal = np.arange(precision.shape[1])
    precision[:, diagonal, diagonal] += 1.0 / shared
    pull = np.einsum("hn,na,n->ha", weight, loading, x)
    covariance = np.linalg.inv(precision)
    effects = np.einsum("hab,hb->ha", covariance, pull)
    misfit = weight @ x**2 - np.einsum("ha,ha->h", pull, effects)
    log_size = np.log(variance).sum(axis=1) + np.log(shared).sum(axis=1) + np.linalg.slogdet(precision)[1]
    score = np.log(prior) - 0.5 * (misfit + log_size)
    chance = np.exp(score - score.max())
    chance /= chance.sum()
    # a body that stands apart is not what its channels should show; its usual share is
    usual = np.column_stack([np.ones(len(prior)), ~states])[:, None, :] * loading[None, :, :]
    expected = np.einsum("hna,ha->hn", usual, effects)
    spread = np.einsum("hna,hab,hnb->hn", usual, covariance, usual)
    mean = chance @ expected
    level = float(chance @ effects[:, 0])
    return Consensus(
        level_k=middle + level,
        level_sd_k=float(np.sqrt(chance @ (covariance[:, 0, 0] + (effects[:, 0] - level) ** 2))),
        offsets_k=x - mean,
        offset_sd_k=np.sqrt(chance @ (spread + (expected - mean) ** 2)),
        lying=chance @ liars,
        none_lies=float(chance @ ~liars.any(axis=1)),
        unsettled=float(chance @ (scales == UNSETTLED)),
        apart={body.name: float(chance @ states[:, i]) for i, body in enumerate(bodies)},
    )


def _hypotheses(x: np.ndarray, bodies: Sequence[Body]) -> tuple[np.ndarray, ...]:
    """Return for each hypothesis who lies (h, n), which bodies stand apart (h, b), the scales of errors, of lags
    and of lies, and the prior."""
    n = len(x)
    suspects = [i for i in np.argsort(-np.abs(x), kind="stable")[:SUSPECTS].tolist() if n < 4 or abs(x[i]) > NEAREST_K]
    sets = [found for size in range(min(MOST_LIARS, n // 2) + 1) for found in combinations(suspects, size)]
    lying = np.zeros((len(sets), n), dtype=bool)
    for row, found in zip(lying, sets, strict=True):
        row[list(found)] = True
    may = [(False, True) if abs(np.median(x[body.members])) > NEAREST_K else (False,) for body in bodies]
    apart = np.array(list(product(*may)), dtype=bool).reshape(prod(map(len, may)), len(bodies))
    odds = np.array([body.odds for body in bodies])
    grid = product(ERROR_SCALES, LAG_SCALES, LIES_K)
    scale, lag, lie, weight = np.array([(e, g, k, w * v * u) for (e, w), (g, v), (k, u) in grid]).T
    of_set, of_state, of_scale = (
        index.ravel()
        for index in np.meshgrid(np.arange(len(sets)), np.arange(len(apart)), np.arange(len(scale)), indexing="ij")
    )
    count = lying.sum(axis=1)
    told = LIE_ODDS**count * (1.0 - LIE_ODDS) ** (n - count)
    shared = np.where(apart, odds, 1.0 - odds).prod(axis=1)
    prior = told[of_set] * shared[of_state] * weight[of_scale]
    return lying[of_set], apart[of_state], scale[of_scale], lag[of_scale], lie[of_scale], prior
