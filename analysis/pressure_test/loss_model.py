"""The loss of a quiet segment with an honest interval.

In kelvin of gas, y = (T0/k) ln P with k = d ln P/d ln T of nitrogen at constant density, the model is

    y = level - loss t + sum of w_j L_j(probe) + settling + error

L_j are the probes behind first-order lags (metal lags air, gas lags metal), the weights sum to about one because
the gas must follow what surrounds it, settling is a sum of dying exponentials, and the error is white noise plus a
correlated one of unknown size and memory plus what is known of digits and of a barometer that nobody logged.
Everything linear has a Gaussian prior; the sizes and memories run over a grid and each point counts by its evidence
(Bayesian linear regression, e.g. Bishop, Pattern Recognition and Machine Learning, 2006, 3.5; prewhitening by the
Cholesky factor of the covariance, Aitken 1935). Whitening is causal: the factor of the first n bins is the top left
corner of the factor of all, so one factor serves every moment of the night.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, product

import numpy as np

from analysis.normal import normal_below

METAL, AIR = "surface_temperature", "ambient_temperature"
WHITE_K = (0.004, 0.012, 0.04, 0.12, 0.4)
"""White error of a bin of `BIN_MINUTES`, kelvin of gas (0.1 K is about 0.03 % of the pressure)."""
BIN_MINUTES = 5
CORRELATED_K = (0.006, 0.02, 0.06, 0.2, 0.6)
CORRELATED_ODDS = (0.25, 0.25, 0.27, 0.13, 0.1)
MEMORIES = (
    ("rough", 15.0, 1.0),
    ("rough", 60.0, 1.0),
    ("rough", 240.0, 1.0),
    ("smooth", 60.0, 1.0),
)
"""Memory [min] of the correlated error and what its size is multiplied by; rough: exponential (an autoregressive
sensor), smooth: Matern 3/2 (sun on one side, a part of the circuit that no probe sees). The last is a part in other
weather: it swings by kelvins over the day, and a night shows little more of that than a bend (common practice)."""
SLOW_K = (0.01, 0.2, 1.5)
SLOW_ODDS = {METAL: (0.85, 0.1, 0.05), AIR: (0.7, 0.2, 0.1)}
COVARIANCES_KEPT = 6
STRUCTURES_KEPT = 2
"""So many of the likeliest covariances are looked at with every structure of the lags, and so many of the likeliest
structures of each kind (one of all lags at once) with every covariance, to find them."""

Lags = tuple[float, ...]
Choice = tuple[int, int, int]
"""Group of structures, kind of surroundings, structure."""
BOTH_LAGS: Mapping[str, tuple[Lags, ...]] = {
    METAL: ((), (4.0,), (9.0,), (16.0,), (26.0,), (45.0,), (80.0,)),
    AIR: ((4.0,), (9.0,), (16.0,), (26.0,), (50.0,), (110.0,), (300.0,)),
}
ALONE_LAGS: Mapping[str, tuple[Lags, ...]] = {
    METAL: ((), (4.0,), (9.0,), (16.0,), (26.0,), (45.0,), (80.0,), (120.0,)),
    AIR: (
        *((5.0,), (15.0,), (30.0,), (50.0,), (80.0,), (120.0,), (180.0,), (270.0,), (400.0,)),
        *((20.0, 10.0), (40.0, 15.0), (80.0, 15.0), (80.0, 30.0), (150.0, 20.0), (150.0, 50.0)),
    ),
}
"""Lags [min] of gas behind each probe, one after the other (gas lags metal, metal lags air). A structure is one lag of
one probe, one lag of each, or all at once."""
SHARE = {METAL: 0.75, AIR: 0.25}
"""Expected share of each probe where both are there; each weight is uncertain by `WEIGHT_SD`."""
WEIGHT_SD = 0.35
SUM_SD = (0.004, 0.04, 0.25)
"""How far the total weight may be from one: the gas follows what surrounds it, but a barrel of water or a part in
another room does not (common practice). Three kinds of surroundings, weighed by evidence."""
SURROUNDINGS_ODDS = {METAL: (0.5, 0.38, 0.12), AIR: (0.3, 0.55, 0.15)}
STRUCTURE_ODDS = {"one": 0.4, "pair": 0.5, "all": 0.1}
SETTLING_MIN = (20.0, 60.0, 180.0)
SETTLING_SD_K = {
    METAL: ((0.3, 0.1, 0.01), (0.4, 0.2, 0.05), (0.6, 0.4, 0.2)),
    AIR: ((0.5, 0.4, 0.2), (0.8, 0.7, 0.6), (1.2, 1.5, 2.0)),
    "": ((4.0, 4.0, 5.0),),
}
"""Settling left at the beginning of judging, for each kind of surroundings, by the probe nearest to the gas; it is
also the unknown history of the lags before the log."""
NO_PROBE_K, NO_PROBE_MIN = 8.0, 600.0
"""Without a probe the gas may swing as the air outdoors does from day to night (common practice)."""
NO_BAROMETER_PA, NO_BAROMETER_MIN = 1_200.0, 480.0
"""A gauge-referenced sensor without a barometer: weather that commonly moves 1.5 kPa in twelve hours, 2 kPa being
ordinary (common practice), smooth over eight hours."""
DRIFT_PER_DAY = 1e-4
"""Drift of the gauge, standard deviation as a share of the absolute pressure a day (common practice; a transmitter's
long-term stability is 0.1 % a year to 0.1 % a month)."""
PROBE_DIGIT_SHARE = 0.5
"""Share of a probe's digit that its weight and lag let through."""
LEAST_WEIGHT, LEAST_SHARE = 1e-4, 0.01
LEVEL_SD_K, LOSS_SD_K = 200.0, 12_000.0
SPAN_MIN = 600.0
"""Inside the regression the loss is counted in kelvin per `SPAN_MIN`, so that no number is much larger than another."""


@dataclass(frozen=True)
class SegmentData:
    """Bins of one segment: shapes (n,) and (n, m). `at_min` minutes since judging began, `width_min` their width."""

    at_min: np.ndarray
    width_min: np.ndarray
    gas_k: np.ndarray
    lagged_k: np.ndarray
    lag_names: tuple[tuple[str, Lags], ...]
    digit_k: float
    probe_digit_k: float
    barometer_sd_k: float


@dataclass(frozen=True)
class Loss:
    """The loss at a moment, kelvin of gas a minute: a mixture of normal distributions.

    `coefficients`: level, settling, slow parts, lags, and the loss in `SPAN_MIN`; of the last moment judged only.
    """

    weights: np.ndarray
    means: np.ndarray
    deviations: np.ndarray
    coefficients: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def mean(self) -> float:
        """Mean of the mixture."""
        return float(self.weights @ self.means)

    @property
    def deviation(self) -> float:
        """Standard deviation of the mixture."""
        return float(np.sqrt(self.weights @ (self.deviations**2 + (self.means - self.mean) ** 2)))

    def below(self, loss: float) -> float:
        """Return the probability that the loss is below a value."""
        return float(self.weights @ normal_below((loss - self.means) / self.deviations))

    def quantile(self, probability: float) -> float:
        """Return the loss that is not exceeded with a probability."""
        weights, means, deviations = self.weights, self.means, self.deviations
        low, high = float((means - 8.0 * deviations).min()), float((means + 8.0 * deviations).max())
        close = (high - low) * 2.0**-36
        loss = float(weights @ means)
        while high - low > close:  # Newton's way, halved where it would leave what is known to hold the answer
            z = (loss - means) / deviations
            over = float(weights @ normal_below(z)) - probability
            low, high = (low, loss) if over > 0.0 else (loss, high)
            slope = float(weights @ (np.exp(-0.5 * z**2) / deviations)) / np.sqrt(2.0 * np.pi)
            ahead = loss - over / slope if slope * (high - low) > abs(over) else low
            ahead = ahead if low < ahead < high else 0.5 * (low + high)
            if abs(ahead - loss) <= close:
                return ahead
            loss = ahead
        return loss

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the central interval that holds the loss with this probability."""
        return self.quantile(0.5 - 0.5 * confidence), self.quantile(0.5 + 0.5 * confidence)


def _kernel(kind: str, apart: np.ndarray, memory: float) -> np.ndarray:
    if kind == "rough":
        rough: np.ndarray = np.exp(-apart / memory)
        return rough
    r = np.sqrt(3.0) * apart / memory
    smooth: np.ndarray = (1.0 + r) * np.exp(-r)
    return smooth


def covariances(data: SegmentData, probes: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return covariances of the error, shape (h, n, n) in K^2, and the log of their prior odds, shape (h,)."""
    at = data.at_min
    apart = np.abs(at[:, None] - at[None, :])
    white = np.diag(BIN_MINUTES / data.width_min)
    digits = (data.digit_k**2 + (PROBE_DIGIT_SHARE * data.probe_digit_k) ** 2) / 12.0
    known = np.zeros_like(apart)
    known += data.barometer_sd_k**2 * _kernel("smooth", apart, NO_BAROMETER_MIN)
    if not probes:
        known += NO_PROBE_K**2 * _kernel("smooth", apart, NO_PROBE_MIN)
    shapes = [(grows, _kernel(kind, apart, memory)) for kind, memory, grows in MEMORIES]
    correlated = [((grows * size) ** 2 + digits) * shape for size in CORRELATED_K for grows, shape in shapes]
    odds = np.repeat(np.log(np.array(CORRELATED_ODDS) / len(MEMORIES)), len(MEMORIES))
    table = [known + w**2 * white + c for w in WHITE_K for c in correlated]
    return np.array(table), np.tile(odds, len(WHITE_K))


@dataclass(frozen=True)
class _Kinds:
    """Kinds of surroundings: precision (k, c) of level, settling and slow parts, precision (k,) of the sum of weights."""

    common: np.ndarray
    of_sum: np.ndarray


@dataclass(frozen=True)
class _Structures:
    """Structures of one size: places (s, j) among the lags, weights expected (s, j), log odds (k, s) with each kind."""

    lags: np.ndarray
    expected: np.ndarray
    odds: np.ndarray


def _kinds(probes: tuple[str, ...]) -> _Kinds:
    """Return every combination of surroundings and slow parts."""
    nearest = METAL if METAL in probes else AIR if AIR in probes else ""
    listed = [
        ([LEVEL_SD_K, *settling, slow, slow, 0.4 * slow, 0.4 * slow], sum_sd)
        for sum_sd, settling in zip(SUM_SD, SETTLING_SD_K[nearest], strict=False)
        for slow in SLOW_K
    ]
    return _Kinds(np.array([c for c, _ in listed]) ** -2.0, np.array([s for _, s in listed]) ** -2.0)


def _structures(names: tuple[tuple[str, Lags], ...], probes: tuple[str, ...]) -> list[_Structures]:
    """Return every structure of the lags, grouped by size, the one with all lags last."""
    if not names:
        return [_Structures(np.zeros((1, 0), dtype=int), np.zeros((1, 0)), np.log(np.array(SLOW_ODDS[AIR]))[:, None])]
    by_probe = [[i for i, (n, _) in enumerate(names) if n == probe] for probe in probes]
    ones = [(c,) for columns in by_probe for c in columns]
    pairs = list(product(*by_probe)) if len(probes) == 2 else list(combinations(by_probe[0], 2))
    groups = [("one", ones), ("pair", pairs), ("all", [tuple(range(len(names)))])]
    return [_group(listed, STRUCTURE_ODDS[kind], names) for kind, listed in groups]


def _group(listed: Sequence[tuple[int, ...]], odds: float, names: tuple[tuple[str, Lags], ...]) -> _Structures:
    expected, logs = [], []
    for used in listed:
        seen = [names[c][0] for c in used]
        expected.append([(SHARE[n] if len(set(seen)) == 2 else 1.0) / seen.count(n) for n in seen])
        nearest = METAL if METAL in seen else AIR
        of_kind = np.outer(SURROUNDINGS_ODDS[nearest], SLOW_ODDS[nearest]).ravel()
        logs.append(np.log(odds * of_kind / len(listed)))
    return _Structures(np.array(listed), np.array(expected), np.array(logs).T)


def judge(data: SegmentData, probes: tuple[str, ...], counts: list[int], drift_k_per_min: float) -> list[Loss]:
    """Return the loss as it stood after the first `counts[i]` bins, for each i.

    Parameters
    ----------
    probes : the probes that are used; empty for none.
    counts : rising numbers of bins, each at least 3.
    drift_k_per_min : standard deviation of the gauge's own drift.
    """
    used = counts[-1]
    structures, kinds = _structures(data.lag_names, probes), _kinds(probes)
    at = data.at_min[:used]
    settling = np.exp(-at[:, None] / np.array(SETTLING_MIN))
    angle = 2.0 * np.pi * at[:, None] / 1440.0 * np.array([1.0, 2.0])
    slow = np.column_stack([np.cos(angle[:, 0]), np.sin(angle[:, 0]), np.cos(angle[:, 1]), np.sin(angle[:, 1])])
    design = np.column_stack(
        [np.ones(used), settling, slow, data.lagged_k[:used], -at / SPAN_MIN, data.gas_k[:used]]
    )
    table, odds = covariances(_first(data, used), probes)
    factors = np.linalg.cholesky(table)
    whitened = _forward(factors, design)
    logs = np.cumsum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1)
    grams = np.zeros((len(factors), design.shape[1], design.shape[1]))
    found = []
    begin = 0
    likely: list[Choice] = []
    for count in counts:
        part = whitened[:, begin:count]
        grams = grams + part.transpose(0, 2, 1) @ part
        begin = count
        now = odds - logs[:, count - 1]
        if not likely:
            likely = _posterior(grams, now, structures, kinds, [(len(structures) - 1, 0, 0)]).likely
        posterior = _posterior(grams, now, structures, kinds, likely)
        likely = posterior.likely
        found.append(posterior.loss(drift_k_per_min))
    return [*found[:-1], replace(found[-1], coefficients=posterior.coefficients(grams, structures, kinds))]


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

    `likely` are the likeliest (group, kind, structure); they rank the covariances at the next look.
    """

    kept: np.ndarray
    shares: list[np.ndarray]
    means: list[np.ndarray]
    precisions: list[np.ndarray]
    likely: list[Choice]

    def loss(self, drift: float) -> Loss:
        """Return the mixture of all that count."""
        shares = np.concatenate([s.ravel() for s in self.shares])
        means = np.concatenate([m.ravel() for m in self.means])
        precisions = np.concatenate([p.ravel() for p in self.precisions])
        used = shares > LEAST_WEIGHT
        return Loss(
            weights=shares[used] / shares[used].sum(),
            means=means[used] / SPAN_MIN,
            deviations=np.sqrt(1.0 / precisions[used] / SPAN_MIN**2 + drift**2),
        )

    def coefficients(self, grams: np.ndarray, structures: list[_Structures], kinds: _Kinds) -> np.ndarray:
        """Return the estimate of every coefficient by the structures that count most."""
        found, whole = np.zeros(grams.shape[1] - 1), 0.0
        for group, share in zip(structures, self.shares, strict=True):
            for h, k, s in np.argwhere(share > LEAST_SHARE).tolist():
                normal, places = _whole(grams[self.kept[h]], group, kinds, k, s)
                found[places[:-1]] += share[h, k, s] * np.linalg.solve(normal[:-1, :-1], normal[-1, :-1])
                whole += float(share[h, k, s])
        return found / whole if whole else found


def _posterior(
    grams: np.ndarray, odds: np.ndarray, structures: list[_Structures], kinds: _Kinds, likely: list[Choice]
) -> _Posterior:
    """Return what is believed of the loss by the covariances that are likeliest with the structures of `likely`."""
    rank = np.logaddexp.reduce([_evidence(grams, structures[g], kinds, k, s) for g, k, s in likely])
    kept = np.argsort(-(odds + rank), kind="stable")[:COVARIANCES_KEPT]
    common = kinds.common.shape[1]
    normal = np.repeat(grams[kept, None], len(kinds.common), axis=1)
    diagonal = np.arange(common)
    normal[:, :, diagonal, diagonal] += kinds.common
    reduced, pivots = _eliminate(normal, common)
    base = odds[kept, None, None] + (0.5 * np.log(kinds.common).sum(axis=1) - pivots)[:, :, None]
    losses = [_losses(reduced, group, kinds) for group in structures]
    evidence = [base + e for e, _, _ in losses]
    top = max(float(e.max()) for e in evidence)
    shares = [np.exp(e - top) for e in evidence]
    whole = sum(float(s.sum()) for s in shares)
    shares = [s / whole for s in shares]
    ranked = [
        (-float(of[i]), g, *divmod(i, share.shape[2]))
        for g, share in enumerate(shares)
        for of in [share.sum(axis=0).ravel()]
        for i in np.argsort(-of, kind="stable")[:STRUCTURES_KEPT].tolist()
    ]
    choices = [(g, k, s) for _, g, k, s in sorted(ranked)[:STRUCTURES_KEPT]]
    return _Posterior(kept, shares, [m for _, m, _ in losses], [p for _, _, p in losses], choices)


def _prior(group: _Structures, kinds: _Kinds) -> np.ndarray:
    """Return the precision of the weights with each kind, shape (k, j, j)."""
    size = group.lags.shape[1]
    precision: np.ndarray = np.eye(size) * WEIGHT_SD**-2 + kinds.of_sum[:, None, None]
    return precision


def _losses(reduced: np.ndarray, group: _Structures, kinds: _Kinds) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return log evidence, mean and precision of the loss, each (h, k, s), from what level, settling and slow parts
    leave of the normal equations: lags, loss, data."""
    size, last = group.lags.shape[1], reduced.shape[-1] - 1
    prior = _prior(group, kinds)
    pull = np.einsum("kij,sj->ksi", prior, group.expected)
    places = np.column_stack([group.lags, np.full((len(group.lags), 2), [last - 1, last])])
    normal = reduced[:, :, places[:, :, None], places[:, None, :]]
    normal[..., :size, :size] += prior[:, None]
    normal[..., -1, :size] += pull
    normal[..., :size, -1] += pull
    normal[..., -2, -2] += LOSS_SD_K**-2
    normal[..., -1, -1] += np.einsum("ksi,si->ks", pull, group.expected)
    rest, pivots = _eliminate(normal, size)
    precision, pulled = rest[..., 0, 0], rest[..., 0, 1]
    misfit = rest[..., 1, 1] - pulled**2 / precision
    _, known = np.linalg.slogdet(prior)
    evidence = group.odds + 0.5 * (known[:, None] - misfit - np.log(precision)) - pivots
    return evidence, pulled / precision, precision


def _eliminate(normal: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return what is left of symmetric matrices (..., n, n) when the first `count` unknowns are eliminated (Gauss), and
    half the log of the product of the pivots."""
    logs = np.zeros(normal.shape[:-2])
    for _ in range(count):
        pivot, column = normal[..., 0, 0], normal[..., 1:, 0]
        normal = normal[..., 1:, 1:] - column[..., :, None] * (column / pivot[..., None])[..., None, :]
        logs += 0.5 * np.log(pivot)
    return normal, logs


def _whole(grams: np.ndarray, group: _Structures, kinds: _Kinds, k: int, s: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the normal equations (..., p + 1, p + 1) of one structure with the data last, and their columns."""
    common, last = kinds.common.shape[1], grams.shape[-1] - 1
    places = np.array([*range(common), *(group.lags[s] + common), last - 1, last])
    normal = grams[..., places[:, None], places]
    prior = _prior(group, kinds)[k]
    pull = prior @ group.expected[s]
    diagonal = np.arange(common)
    normal[..., diagonal, diagonal] += kinds.common[k]
    normal[..., common:-2, common:-2] += prior
    normal[..., -2, -2] += LOSS_SD_K**-2
    normal[..., -1, common:-2] += pull
    normal[..., common:-2, -1] += pull
    normal[..., -1, -1] += pull @ group.expected[s]
    return normal, places


def _evidence(grams: np.ndarray, group: _Structures, kinds: _Kinds, k: int, s: int) -> np.ndarray:
    """Return the log evidence of one structure with every covariance, shape (h,), but for a constant."""
    normal, _ = _whole(grams, group, kinds, k, s)
    normal[:, -1, -1] += 1.0
    diagonal = np.diagonal(np.linalg.cholesky(normal), axis1=1, axis2=2)
    found: np.ndarray = -0.5 * diagonal[:, -1] ** 2 - np.log(diagonal[:, :-1]).sum(axis=1)
    return found


def _first(data: SegmentData, count: int) -> SegmentData:
    return SegmentData(
        data.at_min[:count],
        data.width_min[:count],
        data.gas_k[:count],
        data.lagged_k[:count],
        data.lag_names,
        data.digit_k,
        data.probe_digit_k,
        data.barometer_sd_k,
    )
