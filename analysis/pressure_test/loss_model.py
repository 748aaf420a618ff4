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

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import ndtr

WHITE_K = (0.002, 0.006, 0.02, 0.06, 0.2, 0.6)
"""White error of a bin of `BIN_MINUTES`, kelvin of gas (0.1 K is about 0.03 % of the pressure)."""
BIN_MINUTES = 5
CORRELATED_K = (0.02, 0.06, 0.2, 0.6)
CORRELATED_ODDS = (0.25, 0.3, 0.25, 0.2)
MEMORIES = (("rough", 15.0), ("rough", 60.0), ("rough", 240.0), ("smooth", 60.0), ("smooth", 240.0))
"""Size [K] and memory [min] of the correlated error; rough: exponential (an autoregressive sensor), smooth: Matern 3/2
(sun on one side, a part of the circuit that no probe sees)."""

BOTH_LAGS = {"surface_temperature": (0.0, 12.0, 40.0, 120.0), "ambient_temperature": (10.0, 60.0, 200.0)}
ALONE_LAGS = {"surface_temperature": (0.0, 12.0, 40.0, 120.0), "ambient_temperature": (5.0, 25.0, 75.0, 180.0, 400.0)}
"""Lags [min] of gas behind each probe."""
SHARE = {"surface_temperature": 0.75, "ambient_temperature": 0.25}
"""Expected share of each probe where both are there; each lag's weight is uncertain by `WEIGHT_SD`."""
WEIGHT_SD = 0.4
SUM_SD = {2: 0.03, 1: 0.05}
AIR_ALONE_SUM_SD = 0.08
"""How far the total weight may be from one (common practice: a probe sees most of what the gas feels)."""
SETTLING_MIN = (20.0, 60.0, 180.0)
SETTLING_SD_K = {"metal": (0.7, 0.5, 0.3), "air": (1.0, 1.5, 2.0), "none": (2.0, 2.0, 2.0)}
"""Settling left at the beginning of judging; it is also the unknown history of the lags before the log."""
NO_PROBE_K, NO_PROBE_MIN = 3.0, 300.0
"""Without a probe the gas may swing by 3 K over five hours (common practice)."""
NO_BAROMETER_PA, NO_BAROMETER_MIN = 1_200.0, 480.0
"""A gauge-referenced sensor without a barometer: weather that commonly moves 1.5 kPa in twelve hours, 2 kPa being
ordinary (common practice), smooth over eight hours."""
DRIFT_PER_DAY = 1e-4
"""Drift of the gauge, standard deviation as a share of the absolute pressure a day (common practice; a transmitter's
long-term stability is 0.1 % a year to 0.1 % a month)."""
DIGIT_MEMORY_MIN = 120.0
LEVEL_SD_K, LOSS_SD_K_PER_MIN = 200.0, 20.0


@dataclass(frozen=True)
class SegmentData:
    """Bins of one segment: shapes (n,) and (n, m). `at_min` minutes since judging began, `width_min` their width."""

    at_min: np.ndarray
    width_min: np.ndarray
    gas_k: np.ndarray
    lagged_k: np.ndarray
    lag_names: tuple[tuple[str, float], ...]
    digit_k: float
    probe_digit_k: float
    barometer_sd_k: float


@dataclass(frozen=True)
class Loss:
    """The loss at a moment, kelvin of gas a minute: a mixture of normal distributions."""

    weights: np.ndarray
    means: np.ndarray
    deviations: np.ndarray
    coefficients: np.ndarray
    error_k: float

    @property
    def mean(self) -> float:
        """Mean of the mixture."""
        return float(self.weights @ self.means)

    def below(self, loss: float) -> float:
        """Return the probability that the loss is below a value."""
        return float(self.weights @ ndtr((loss - self.means) / self.deviations))

    def quantile(self, probability: float) -> float:
        """Return the loss that is not exceeded with a probability."""
        used = self.weights > 1e-9
        low = float((self.means - 12.0 * self.deviations)[used].min())
        high = float((self.means + 12.0 * self.deviations)[used].max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.below(middle) < probability:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

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


def covariances(data: SegmentData, probes: int) -> tuple[np.ndarray, np.ndarray]:
    """Return covariances of the error, shape (h, n, n) in K^2, and the log of their prior odds, shape (h,)."""
    at = data.at_min
    apart = np.abs(at[:, None] - at[None, :])
    white = np.diag(BIN_MINUTES / data.width_min)
    known = (data.digit_k**2 + data.probe_digit_k**2) / 12.0 * _kernel("rough", apart, DIGIT_MEMORY_MIN)
    known += data.barometer_sd_k**2 * _kernel("smooth", apart, NO_BAROMETER_MIN)
    if probes == 0:
        known += NO_PROBE_K**2 * _kernel("smooth", apart, NO_PROBE_MIN)
    shapes = [_kernel(kind, apart, memory) for kind, memory in MEMORIES]
    correlated = [size**2 * shape for size in CORRELATED_K for shape in shapes]
    odds = np.repeat(np.log(np.array(CORRELATED_ODDS) / len(MEMORIES)), len(MEMORIES))
    table = [known + w**2 * white + c for w in WHITE_K for c in correlated]
    return np.array(table), np.tile(odds, len(WHITE_K))


def _prior(data: SegmentData, probes: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and precision of the coefficients: level, loss, settling, lag weights."""
    metal, air = "surface_temperature" in probes, "ambient_temperature" in probes
    settling = SETTLING_SD_K["metal" if metal else "air" if air else "none"]
    names = data.lag_names
    mean = np.zeros(2 + len(settling) + len(names))
    precision = np.diag(
        [LEVEL_SD_K**-2, LOSS_SD_K_PER_MIN**-2, *(s**-2 for s in settling), *[WEIGHT_SD**-2] * len(names)]
    )
    if names:
        first = 2 + len(settling)
        for i, (probe, _) in enumerate(names):
            share = SHARE[probe] if len(probes) == 2 else 1.0
            mean[first + i] = share / sum(1 for p, _ in names if p == probe)
        sum_sd = AIR_ALONE_SUM_SD if probes == ("ambient_temperature",) else SUM_SD[len(probes)]
        precision[first:, first:] += sum_sd**-2
    return mean, precision


def judge(data: SegmentData, probes: tuple[str, ...], counts: list[int], drift_k_per_min: float) -> list[Loss]:
    """Return the loss as it stood after the first `counts[i]` bins, for each i.

    Parameters
    ----------
    probes : the probes that are used; empty for none.
    counts : rising numbers of bins, each at least 3.
    drift_k_per_min : standard deviation of the gauge's own drift.
    """
    used = counts[-1]
    mean, precision = _prior(data, probes)
    settling = np.array(SETTLING_MIN)
    design = np.column_stack(
        [
            np.ones(used),
            -data.at_min[:used],
            np.exp(-data.at_min[:used, None] / settling),
            data.lagged_k[:used],
            data.gas_k[:used],
        ]
    )
    table, odds = covariances(_first(data, used), len(probes))
    factors = np.linalg.cholesky(table)
    size = design.shape[1] - 1
    whitened = np.stack([solve_triangular(f, design, lower=True, check_finite=False) for f in factors])
    logs = np.cumsum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1)
    grams = np.zeros((len(factors), size + 1, size + 1))
    found = []
    begin = 0
    for count in counts:
        part = whitened[:, begin:count]
        grams = grams + part.transpose(0, 2, 1) @ part
        begin = count
        found.append(_posterior(grams, logs[:, count - 1], odds, mean, precision, drift_k_per_min))
    return found


def _posterior(
    grams: np.ndarray, logs: np.ndarray, odds: np.ndarray, mean: np.ndarray, precision: np.ndarray, drift: float
) -> Loss:
    size = len(mean)
    a = grams[:, :size, :size] + precision
    b = grams[:, :size, size] + precision @ mean
    inverse = np.linalg.inv(a)
    estimate = np.einsum("hij,hj->hi", inverse, b)
    _, determinant = np.linalg.slogdet(a)
    misfit = grams[:, size, size] + mean @ precision @ mean - np.einsum("hi,hi->h", b, estimate)
    evidence = odds - logs - 0.5 * determinant - 0.5 * misfit
    weights = np.exp(evidence - evidence.max())
    weights /= weights.sum()
    variance = np.maximum(inverse[:, 1, 1], 1e-18) + drift**2
    return Loss(
        weights=weights,
        means=estimate[:, 1],
        deviations=np.sqrt(variance),
        coefficients=weights @ estimate,
        error_k=float(np.sqrt(weights @ _sizes())),
    )


def _sizes() -> np.ndarray:
    """Return white plus correlated variance of each point of the grid [K^2]."""
    correlated = np.repeat(np.array(CORRELATED_K) ** 2, len(MEMORIES))
    sizes: np.ndarray = (np.array(WHITE_K)[:, None] ** 2 + correlated[None, :]).ravel()
    return sizes


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
