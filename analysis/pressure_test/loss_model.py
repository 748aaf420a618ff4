"""The loss of a quiet segment with an honest interval.

In kelvin of gas, y = (T0/k) ln P with k = d ln P/d ln T of nitrogen at constant density, the model is

    y = level - loss t - slowing + sum of w_j L_j(probe) + settling + slow parts + error

L_j are the probes behind first-order lags (metal lags air, gas lags metal), the weights sum to about one because the
gas must follow what surrounds it, settling is a sum of dying exponentials, the slow parts are waves of a day that no
probe saw, slowing is by how much a loss is another as the pressure falls, and the error is white noise plus a
correlated one of unknown size and memory plus what is known of digits and of a barometer that nobody logged. What is
linear stands in `structures`, with Gaussian priors; the sizes and memories of the error run over the grid of `errors`;
every structure with every point of the grid counts by its evidence (Bayesian linear regression, e.g. Bishop, Pattern
Recognition and Machine Learning, 2006, 3.5; prewhitening by the Cholesky factor of the covariance, Aitken 1935).
Whitening is causal: the factor of the first n bins is the top left corner of the factor of all, so one factor serves
every moment of the night.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from analysis.pressure_test.errors import SegmentData, covariances
from analysis.pressure_test.loss import Coefficients, Loss
from analysis.pressure_test.structures import Structures, kinds_of, structures, surroundings, transients

COVARIANCES_KEPT = 8
"""So many of the likeliest covariances, as many of each weather, are looked at with every structure: the likeliest with
all lags at once and the middle one of the surroundings, which bend as most nights do. That is no look's own, so an
interval does not depend on the looks before it. Of 164 looks at 42 nights (two simulations) the end of an interval is
off what all covariances tell by 0.01 of half its width (median; 0.11 to 0.19 in one of ten)."""
LEAST_WEIGHT = 1e-4
FITS_TOLD = 24
"""So many of the likeliest structures make up the fit that is shown."""
LOSS_SD_K = 12_000.0
SPAN_MIN = 600.0
"""Inside the regression the loss is counted in kelvin per `SPAN_MIN`, so that no number is much larger than another."""
LAW_SD = 0.8
"""A leak goes with a power of the pressure: 0 is a loss that stays the same, 1 choked flow, 2 laminar flow from well
above the air's pressure (common practice). So it is 1, give or take so much."""
ROOM_K = 293.0
LEAST_LOSS_K = 0.01
"""In `SPAN_MIN`; some loss has to be supposed for a law of it."""


def judge(data: SegmentData, probes: tuple[str, ...], counts: list[int]) -> list[Loss]:
    """Return the loss as it stood after the first `counts[i]` bins, for each i.

    Parameters
    ----------
    probes : the probes that are used; empty for none.
    counts : rising numbers of bins, each at least 3.
    """
    used = counts[-1]
    of_kind = kinds_of(probes, data.settled, data.fell_k, data.waited_min, data.exponent, data.other_unit)
    groups, around = structures(data.lag_names, probes, of_kind), surroundings(of_kind)
    at, alone = data.at_min[:used], data.alone_k()[:used]
    _, *alike = np.unique(around, axis=0, return_index=True, return_inverse=True)
    left = np.exp(alone / ROOM_K)
    fallen, weighed, held = (_since_begin(part, at) for part in (alone, alone * left, left))
    design = np.column_stack(
        [np.ones(used), transients(at), -fallen / SPAN_MIN, data.lagged_k[:used], -at / SPAN_MIN, data.gas_k[:used]]
    )
    table, odds = covariances(data, probes)
    factors = np.linalg.cholesky(table[..., :used, :used].reshape(-1, used, used))
    whitened = _forward(factors, design)
    logs = np.cumsum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1)
    grams = np.zeros((len(factors), design.shape[1], design.shape[1]))
    found = []
    begin = 0
    for count in counts:
        part = whitened[:, begin:count]
        grams += part.transpose(0, 2, 1) @ part
        begin = count
        last = count - 1
        bend = weighed[last] / held[last]  # its mean, as pressure, is none: the loss is the mean
        supposed = abs(alone[last] - alone[0]) / (at[last] - at[0]) * SPAN_MIN + LEAST_LOSS_K
        kinds = np.column_stack([around, np.full(len(around), (LAW_SD * supposed / ROOM_K) ** -2.0)])
        now = odds - logs[:, count - 1].reshape(odds.shape)
        posterior = _posterior(grams, bend, now, groups, kinds, alike)
        found.append(posterior.loss(partial(_coefficients, posterior, groups, kinds)))
    return found


def _since_begin(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the integral of values from the first moment to each, (n,): straight lines between them."""
    return np.concatenate([[0.0], np.cumsum(np.diff(at) * (values[1:] + values[:-1]) / 2.0)])


def _less(normal: np.ndarray, column: int, share: float) -> np.ndarray:
    """Return normal equations (h, p, p), changed in place: a column has so much less of the last but one, the loss."""
    normal[:, column] -= share * normal[:, -2]
    normal[:, :, column] -= share * normal[:, :, -2]
    return normal


def _forward(factors: np.ndarray, design: np.ndarray) -> np.ndarray:
    """Return what each lower triangular factor (h, n, n) makes `design` (n, p) of, shape (h, n, p).

    All factors a row at a time: matrices this small only wait where a solver shares them among threads.
    """
    solved = np.empty((len(factors), *design.shape))
    for row in range(len(design)):
        rest = design[row] - (factors[:, row, None, :row] @ solved[:, :row])[:, 0]
        solved[:, row] = rest / factors[:, row, row, None]
    return solved


@dataclass(frozen=True)
class _Posterior:
    """Share, mean and precision of the loss of every covariance kept, kind and structure, a list of (h, k, s) each.

    `grams` are the normal equations of the covariances kept, (h, p, p).
    """

    grams: np.ndarray
    shares: list[np.ndarray]
    means: list[np.ndarray]
    precisions: list[np.ndarray]

    def loss(self, coefficients: partial[Coefficients]) -> Loss:
        """Return the mixture of all that count."""
        shares = np.concatenate([s.ravel() for s in self.shares])
        means = np.concatenate([m.ravel() for m in self.means])
        precisions = np.concatenate([p.ravel() for p in self.precisions])
        used = shares > LEAST_WEIGHT
        return Loss(
            weights=shares[used] / shares[used].sum(),
            means=means[used] / SPAN_MIN,
            deviations=1.0 / np.sqrt(precisions[used]) / SPAN_MIN,
            coefficients=coefficients,
        )


def _posterior(
    grams: np.ndarray,
    bend: float,
    odds: np.ndarray,
    groups: list[Structures],
    kinds: np.ndarray,
    alike: Sequence[np.ndarray],
) -> _Posterior:
    """Return what is believed of the loss by the covariances that are likeliest.

    `bend` is by how much less of the loss the column of its law has; of `kinds` many are `alike` in all but the sum of
    the weights: the first of each, and which of these each is.
    """
    first, of_kind = alike
    law = kinds.shape[1] - 1
    rank = _evidence(grams, bend, groups[-1], kinds, len(kinds) // 2, 0)
    each = COVARIANCES_KEPT // len(odds)
    order = np.argsort(-(odds + rank.reshape(odds.shape)), axis=1, kind="stable")[:, :each]
    kept, odds = (order + odds.shape[1] * np.arange(len(odds))[:, None]).ravel(), odds.ravel()
    bent = _less(grams[kept], law, bend)
    reduced, sizes = _without_common(bent, kinds[first])
    base = odds[kept, None, None] + (0.5 * np.log(kinds).sum(axis=1) - sizes[:, of_kind])[:, :, None]
    losses = [_losses(reduced, of_kind, group) for group in groups]
    evidence = [base + e for e, _, _ in losses]
    top = max(float(e.max()) for e in evidence)
    shares = [np.exp(e - top) for e in evidence]
    whole = sum(float(s.sum()) for s in shares)
    return _Posterior(bent, [s / whole for s in shares], [m for _, m, _ in losses], [p for _, _, p in losses])


def _coefficients(posterior: _Posterior, groups: list[Structures], kinds: np.ndarray) -> Coefficients:
    """Return the coefficients by the structures that count most, each as it counts."""
    common = kinds.shape[1]
    shares = np.concatenate([share.ravel() for share in posterior.shares])
    least = float(np.partition(shares, -FITS_TOLD)[-FITS_TOLD]) if len(shares) > FITS_TOLD else 0.0
    found, whole = np.zeros(posterior.grams.shape[1] - 1), 0.0
    for group, share in zip(groups, posterior.shares, strict=True):
        for h, k, s in np.argwhere(share >= least).tolist():
            places = _places(group, s, posterior.grams, common)
            normal = _whole(posterior.grams[h][places[:, None], places], group, kinds, k, s)
            found[places[:-1]] += share[h, k, s] * np.linalg.solve(normal[:-1, :-1], normal[-1, :-1])
            whole += float(share[h, k, s])
    found /= whole
    return Coefficients(found[1 : common - 1], found[common:-1])


def _losses(
    reduced: np.ndarray, of_kind: np.ndarray, group: Structures
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
    """Return log evidence, mean and precision of the loss, each (h, k, s), from what level, settling and slow parts
    leave of the normal equations (q, q, h, different kinds): lags, loss, data."""
    size, last = group.lags.shape[1], len(reduced) - 1
    places = np.column_stack([group.lags, np.full((len(group.lags), 2), [last - 1, last])]).T
    normal = reduced[places[:, None], places].take(of_kind, axis=-1)  # (j + 2, j + 2, s, h, k)
    normal[:size, :size] += group.prior.transpose(1, 2, 0)[:, :, None, None]
    pull = group.pull.T[:, :, None]
    normal[-1, :size] += pull
    normal[:size, -1] += pull
    normal[-2, -2] += LOSS_SD_K**-2
    normal[-1, -1] += group.off.T[:, None]
    rest, pivots = _eliminate(normal, size)
    rest, pivots = np.moveaxis(rest, 2, -1), np.moveaxis(pivots, 0, -1)
    precision, pulled = rest[0, 0], rest[0, 1]
    misfit = rest[1, 1] - pulled**2 / precision
    evidence = group.odds + group.known - 0.5 * (misfit + np.log(precision)) - pivots
    return evidence, pulled / precision, precision


def _without_common(grams: np.ndarray, kinds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what level, settling and slow parts leave of normal equations (h, p, p) by each of some prior precisions
    (k, c), shape (q, q, h, k), and half the log of the determinant of what they take, (h, k) (Schur complement)."""
    common = kinds.shape[1]
    taken = grams[:, None, :common, :common] + kinds[:, None] * np.eye(common)
    beside = grams[:, None, :common, common:]
    left = grams[:, None, common:, common:] - np.swapaxes(beside, 2, 3) @ np.linalg.solve(taken, beside)
    return np.moveaxis(left, (2, 3), (0, 1)), 0.5 * np.linalg.slogdet(taken)[1]


def _eliminate(normal: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return what is left of symmetric matrices (n, n, ...) when the first `count` unknowns are eliminated (Gauss), and
    half the log of the product of the pivots."""
    logs = np.zeros(normal.shape[2:])
    for _ in range(count):
        pivot, column = normal[0, 0], normal[1:, 0]
        normal = normal[1:, 1:] - column[:, None] * (column / pivot)
        logs += 0.5 * np.log(pivot)
    return normal, logs


def _places(group: Structures, s: int, grams: np.ndarray, common: int) -> np.ndarray:
    """Return the columns of one structure among those of the normal equations, the data last."""
    last = grams.shape[-1] - 1
    return np.array([*range(common), *(group.lags[s] + common), last - 1, last])


def _whole(normal: np.ndarray, group: Structures, kinds: np.ndarray, k: int, s: int) -> np.ndarray:
    """Return the normal equations (..., p + 1, p + 1) of one structure, changed in place: with its prior."""
    common = kinds.shape[1]
    diagonal = np.arange(common)
    normal[..., diagonal, diagonal] += kinds[k]
    normal[..., common:-2, common:-2] += group.prior[k]
    normal[..., -2, -2] += LOSS_SD_K**-2
    normal[..., -1, common:-2] += group.pull[k, s]
    normal[..., common:-2, -1] += group.pull[k, s]
    normal[..., -1, -1] += group.off[k, s]
    return normal


def _evidence(grams: np.ndarray, bend: float, group: Structures, kinds: np.ndarray, k: int, s: int) -> np.ndarray:
    """Return the log evidence of one structure with every covariance, shape (h,), but for a constant."""
    common = kinds.shape[1]
    places = _places(group, s, grams, common)
    normal = _whole(_less(grams[:, places[:, None], places], common - 1, bend), group, kinds, k, s)
    normal[:, -1, -1] += 1.0
    diagonal = np.diagonal(np.linalg.cholesky(normal), axis1=1, axis2=2)
    found: np.ndarray = -0.5 * diagonal[:, -1] ** 2 - np.log(diagonal[:, :-1]).sum(axis=1)
    return found
