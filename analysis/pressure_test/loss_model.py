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
from dataclasses import dataclass

import numpy as np

from analysis.normal import normal_below

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
    ("smooth", 900.0, 7.0),
)
"""Memory [min] of the correlated error and what its size is multiplied by; rough: exponential (an autoregressive
sensor), smooth: Matern 3/2 (sun on one side, a part of the circuit that no probe sees). The last is a part in other
weather: it swings by kelvins over the day, and a night shows little more of that than a bend (common practice)."""
COVARIANCES_KEPT = 6
STRUCTURES_KEPT = 3
"""So many of the likeliest covariances are looked at with every structure of the lags, and so many of the likeliest
structures of each kind (one of all lags at once) with every covariance, to find them."""

METAL, AIR = "surface_temperature", "ambient_temperature"
Lags = tuple[float, ...]
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
AIR_ALONE_K, AIR_ALONE_MIN = 0.15, 300.0
"""With air alone, sun and floor warm the metal unseen by so much over some hours (common practice)."""
NO_BAROMETER_PA, NO_BAROMETER_MIN = 1_200.0, 480.0
"""A gauge-referenced sensor without a barometer: weather that commonly moves 1.5 kPa in twelve hours, 2 kPa being
ordinary (common practice), smooth over eight hours."""
DRIFT_PER_DAY = 1e-4
"""Drift of the gauge, standard deviation as a share of the absolute pressure a day (common practice; a transmitter's
long-term stability is 0.1 % a year to 0.1 % a month)."""
PROBE_DIGIT_SHARE = 0.5
"""Share of a probe's digit that its weight and lag let through."""
LEAST_WEIGHT, LEAST_SHARE = 1e-6, 1e-3
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

    `coefficients`: level, settling, lags, and the loss in `SPAN_MIN`.
    """

    weights: np.ndarray
    means: np.ndarray
    deviations: np.ndarray
    coefficients: np.ndarray

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
        used = self.weights > LEAST_WEIGHT
        weights, means, deviations = (
            self.weights[used] / self.weights[used].sum(),
            self.means[used],
            self.deviations[used],
        )
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
    elif METAL not in probes:
        known += AIR_ALONE_K**2 * _kernel("smooth", apart, AIR_ALONE_MIN)
    shapes = [(grows, _kernel(kind, apart, memory)) for kind, memory, grows in MEMORIES]
    correlated = [((grows * size) ** 2 + digits) * shape for size in CORRELATED_K for grows, shape in shapes]
    odds = np.repeat(np.log(np.array(CORRELATED_ODDS) / len(MEMORIES)), len(MEMORIES))
    table = [known + w**2 * white + c for w in WHITE_K for c in correlated]
    return np.array(table), np.tile(odds, len(WHITE_K))


@dataclass(frozen=True)
class _Structures:
    """Structures of one size: columns of the design with the loss last, prior mean and precision, log odds.

    Shapes (s, p) twice, (s, p, p), (s,).
    """

    columns: np.ndarray
    mean: np.ndarray
    precision: np.ndarray
    odds: np.ndarray

    def sketch(self) -> _Structures:
        """Return the second structure with every other lag: quick, and near enough to find likely covariances."""
        first = 1 + len(SETTLING_MIN)
        last = self.columns.shape[1] - 1
        kept = [*range(first), *range(first, last, 2), last]
        which = slice(1, 2) if len(self.columns) > 1 else slice(0, 1)
        return _Structures(
            self.columns[which, kept],
            self.mean[which, kept],
            self.precision[which][:, kept][:, :, kept],
            self.odds[which],
        )

    def only(self, kept: np.ndarray) -> _Structures:
        """Return some of the structures."""
        return _Structures(self.columns[kept], self.mean[kept], self.precision[kept], self.odds[kept])


def _structures(names: tuple[tuple[str, Lags], ...], probes: tuple[str, ...]) -> list[_Structures]:
    """Return every structure of the lags, grouped by size, the one with all lags last."""
    first = 1 + len(SETTLING_MIN)
    by_probe = [[first + i for i, (n, _) in enumerate(names) if n == probe] for probe in probes]
    ones = [(c,) for columns in by_probe for c in columns]
    pairs = [(a, b) for a in by_probe[0] for b in by_probe[1]] if len(probes) == 2 else []
    everything = [tuple(range(first, first + len(names)))]
    groups: list[tuple[str, Sequence[tuple[int, ...]]]] = [("all", [()])]
    if names:
        groups = [("one", ones), ("pair", pairs), ("all", everything)]
    return [_group(listed, STRUCTURE_ODDS[kind], names, probes) for kind, listed in groups if listed]


def _group(
    listed: Sequence[tuple[int, ...]], odds: float, names: tuple[tuple[str, Lags], ...], probes: tuple[str, ...]
) -> _Structures:
    nearest = METAL if METAL in probes else AIR if AIR in probes else ""
    first = 1 + len(SETTLING_MIN)
    columns, means, precisions, logs = [], [], [], []
    for used in listed:
        seen = [names[c - first][0] for c in used]
        shares = [(SHARE[n] if len(set(seen)) == 2 else 1.0) / seen.count(n) for n in seen]
        of_sum = SURROUNDINGS_ODDS[METAL if METAL in seen else AIR] if used else (1.0,)
        for sum_sd, settling, likely in zip(SUM_SD, SETTLING_SD_K[nearest], of_sum, strict=False):
            of_weights = [WEIGHT_SD**-2] * len(used)
            precision = np.diag([LEVEL_SD_K**-2, *(s**-2 for s in settling), *of_weights, LOSS_SD_K**-2])
            precision[first:-1, first:-1] += sum_sd**-2
            columns.append([*range(first), *used, first + len(names)])
            means.append([0.0] * first + shares + [0.0])
            precisions.append(precision)
            logs.append(np.log(odds * likely / len(listed)))
    return _Structures(np.array(columns), np.array(means), np.array(precisions), np.array(logs))


def judge(data: SegmentData, probes: tuple[str, ...], counts: list[int], drift_k_per_min: float) -> list[Loss]:
    """Return the loss as it stood after the first `counts[i]` bins, for each i.

    Parameters
    ----------
    probes : the probes that are used; empty for none.
    counts : rising numbers of bins, each at least 3.
    drift_k_per_min : standard deviation of the gauge's own drift.
    """
    used = counts[-1]
    structures = _structures(data.lag_names, probes)
    settling = np.exp(-data.at_min[:used, None] / np.array(SETTLING_MIN))
    design = np.column_stack(
        [np.ones(used), settling, data.lagged_k[:used], -data.at_min[:used] / SPAN_MIN, data.gas_k[:used]]
    )
    table, odds = covariances(_first(data, used), probes)
    factors = np.linalg.cholesky(table)
    whitened = _forward(factors, design)
    logs = np.cumsum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1)
    grams = np.zeros((len(factors), design.shape[1], design.shape[1]))
    found = []
    begin = 0
    for count in counts:
        part = whitened[:, begin:count]
        grams = grams + part.transpose(0, 2, 1) @ part
        begin = count
        found.append(_posterior(grams, odds - logs[:, count - 1], structures, drift_k_per_min))
    return found


def _forward(factors: np.ndarray, design: np.ndarray) -> np.ndarray:
    """Return what each lower triangular factor (h, n, n) makes `design` (n, p) of, shape (h, n, p).

    All factors a row at a time: matrices this small only wait where a solver shares them among threads.
    """
    solved = np.empty((len(factors), *design.shape))
    for row in range(len(design)):
        rest = design[row] - (factors[:, row, None, :row] @ solved[:, :row])[:, 0]
        solved[:, row] = rest / factors[:, row, row, None]
    return solved


def _posterior(grams: np.ndarray, odds: np.ndarray, structures: list[_Structures], drift: float) -> Loss:
    """Return the mixture over the likeliest covariances and every structure."""
    kept = _likeliest(grams, odds, structures)
    factors = [_factors(grams[kept], group) for group in structures]
    evidence = [odds[kept, None] + _evidence(f, group) for f, group in zip(factors, structures, strict=True)]
    top = max(float(e.max()) for e in evidence)
    shares = [np.exp(e - top) for e in evidence]
    whole = sum(float(s.sum()) for s in shares)
    coefficients = np.zeros(grams.shape[1] - 1)
    for group, factor, share in zip(structures, factors, shares, strict=True):
        share /= whole
        h, s = np.nonzero(share > LEAST_SHARE)
        some = factor[h, s]
        estimate = np.linalg.solve(some[:, :-1, :-1].transpose(0, 2, 1), some[:, -1, :-1, None])[:, :, 0]
        np.add.at(coefficients, group.columns[s], share[h, s, None] * estimate)
    variances = np.concatenate([f[:, :, -2, -2].ravel() ** -2 for f in factors])
    return Loss(
        weights=np.concatenate([s.ravel() for s in shares]),
        means=np.concatenate([(f[:, :, -1, -2] / f[:, :, -2, -2]).ravel() for f in factors]) / SPAN_MIN,
        deviations=np.sqrt(variances / SPAN_MIN**2 + drift**2),
        coefficients=coefficients,
    )


def _likeliest(grams: np.ndarray, odds: np.ndarray, structures: list[_Structures]) -> np.ndarray:
    """Return the likeliest covariances: a sketch finds two, these the likeliest structures, and these rank them all."""
    sketch = structures[-1].sketch()
    first = np.argsort(-(odds + _evidence(_factors(grams, sketch), sketch)[:, 0]), kind="stable")[:2]
    found = np.full(len(odds), -np.inf)
    for group in structures:
        likely = (odds[first, None] + _evidence(_factors(grams[first], group), group)).max(axis=0)
        some = STRUCTURES_KEPT if group is not structures[-1] else 1
        best = group.only(np.argsort(-likely, kind="stable")[:some])
        found = np.logaddexp(found, np.logaddexp.reduce(_evidence(_factors(grams, best), best), axis=1))
    return np.argsort(-(odds + found), kind="stable")[:COVARIANCES_KEPT]


def _factors(grams: np.ndarray, group: _Structures) -> np.ndarray:
    """Return the Cholesky factors of the normal equations with the data as last row, shape (h, s, p + 1, p + 1).

    The last row tells all: its last number squared is one more than the misfit that is left, the number before over the
    diagonal above it is the estimate of the loss, and that diagonal is one over its standard deviation.
    """
    places = np.column_stack([group.columns, np.full(len(group.columns), grams.shape[1] - 1)])
    normal = grams[:, places[:, :, None], places[:, None, :]]
    pull = np.einsum("sij,sj->si", group.precision, group.mean)
    normal[:, :, :-1, :-1] += group.precision
    normal[:, :, -1, :-1] += pull
    normal[:, :, -1, -1] += 1.0 + np.einsum("si,si->s", group.mean, pull)
    return np.linalg.cholesky(normal)


def _evidence(factors: np.ndarray, group: _Structures) -> np.ndarray:
    """Return the log evidence, shape (h, s)."""
    _, prior = np.linalg.slogdet(group.precision)
    diagonal = np.diagonal(factors, axis1=2, axis2=3)
    found: np.ndarray = group.odds + 0.5 * (prior - diagonal[:, :, -1] ** 2) - np.log(diagonal[:, :, :-1]).sum(axis=2)
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
