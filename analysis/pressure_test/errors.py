"""How the gas may differ from what it follows: white errors, correlated ones, and what nobody measured."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from analysis.pressure_test.structures import DAY_MIN, HALF_DAY_SHARE, SHARE, Lags

BIN_MINUTES = 5
WHITE_K = (0.004, 0.012, 0.04, 0.12, 0.4)
"""White error of a bin of `BIN_MINUTES`, kelvin of gas (0.1 K is about 0.03 % of the pressure)."""
CORRELATED_K = (0.006, 0.02, 0.06, 0.2, 0.6)
CORRELATED_ODDS = (0.25, 0.25, 0.27, 0.13, 0.1)
MEMORIES = (("rough", 15.0), ("rough", 60.0), ("rough", 240.0), ("smooth", 60.0))
"""Memory [min] of the correlated error; rough: exponential (an autoregressive sensor, weather), smooth: Matern 3/2
(sun on one side, a part of the circuit that no probe sees)."""
NO_PROBE_K, NO_PROBE_MIN = 5.0, 397.0
"""Without a probe the gas may swing as the air outdoors does from day to night: 10 K, so 5 K to each side (common
practice), and as steeply: a wave of a day bends like this kernel at sqrt(3)/(2 pi) of a day."""
STUCK_ODDS = 1.0
"""A lone probe that has shown one number for long is as likely stuck as at rest: then the gas goes its way from there
on, by waves of a day as large as without a probe. Gas that rests with it, or falls as straight as before, says that it
rests (common practice)."""
NO_BAROMETER_PA, NO_BAROMETER_MIN = 1_000.0, 720.0
WEATHERS = ((0.5, 0.5), (1.0, 0.5))
"""A gauge-referenced sensor without a barometer: weather that moves smoothly, by 0.4, 1.0 and 1.3 kPa in 3, 12 and 24 h
(standard deviation), or by half of that, with these odds; the night itself says which. Hourly public records of six
stations (coast, plain, foot of mountains; a year each) show 0.12 to 0.17, 0.32 to 0.52 and 0.5 to 0.82 kPa over the
year; in the stormiest month it is 0.8 kPa in 12 h, and one change in a hundred exceeds 0.9 to 1.7 kPa. Of 242 nights
without a barometer, four bounds and more from what is allowed, 103 are undecided so, 121 by the larger one alone."""
UNSETTLED_K, UNSETTLED_MIN = 0.5, 60.0
"""While the gas settles it is off any sum of dying exponentials by so much, smoothly (common practice)."""
DIGIT_FORGETS = 6.0
"""What rounding does to a probe lasts until the metal has moved on: over a path of u digits its correlation falls as
1 - 6 u (a signal that moves on through its digits errs as a sawtooth, whose autocorrelation is 1 - 6 u + 6 u^2)."""
LEAST_DIGIT_K = 1e-3
"""Noise has averaged away what is less (a quarter of the least white error)."""
DIGIT_STANDS_MIN = 1440.0
"""Under a number that stands a probe still moves by a digit in a day (common practice)."""


@dataclass(frozen=True)
class SegmentData:
    """Bins of one segment: shapes (n,) and (n, m). `at_min` minutes since judging began, `width_min` their width.

    `settled` says whether most of what filling left was over by then, `fell_k` how far the gas had come in the
    `waited_min` minutes before; `exponent` is d ln P / d ln T of nitrogen, `other_unit` what a kelvin of the probes
    is if they count in the other unit, 0 where they hardly do; from `stood_min` on a lone probe may be stuck.
    `digit_k` and `probe_digits_k` (one for each probe) are what averaging leaves of the steps of the numbers.
    """

    at_min: np.ndarray
    width_min: np.ndarray
    gas_k: np.ndarray
    lagged_k: np.ndarray
    lag_names: tuple[tuple[str, Lags], ...]
    digit_k: float
    probe_digits_k: tuple[float, ...]
    barometer_sd_k: float
    settled: bool = True
    fell_k: float = 0.0
    waited_min: float = 30.0
    exponent: float = 1.0
    other_unit: float = 0.0
    stood_min: float | None = None

    def alone_k(self) -> np.ndarray:
        """Return how far the gas went off the probes, behind any lag, kelvin, shape (n,): what a loss makes of it."""
        return self.gas_k - (self.lagged_k.mean(axis=1) if self.lag_names else 0.0)


def covariances(data: SegmentData, probes: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return covariances of the error, shape (b, h, n, n) in K^2, and the log of their prior odds, shape (b, h).

    One b for each of `WEATHERS`, where no barometer was logged, and each again where a lone probe may be stuck.
    """
    apart = np.abs(data.at_min[:, None] - data.at_min[None, :])
    white = np.diag(BIN_MINUTES / data.width_min)
    known = np.zeros_like(apart)
    for probe, digit in zip(probes, data.probe_digits_k, strict=True):
        share = SHARE[probe] if len(probes) == 2 else 1.0
        known = known + share**2 * _rounding(data, probe, digit)
    if not probes:
        known = known + NO_PROBE_K**2 * _kernel("smooth", apart, NO_PROBE_MIN)
    if not data.settled:
        known = known + UNSETTLED_K**2 * _kernel("smooth", apart, UNSETTLED_MIN)
    shapes = [_kernel(kind, apart, memory) for kind, memory in MEMORIES]
    correlated = [(size**2 + data.digit_k**2 / 12.0) * shape for size in CORRELATED_K for shape in shapes]
    odds = np.repeat(np.log(np.array(CORRELATED_ODDS) / len(MEMORIES)), len(MEMORIES))
    weather = data.barometer_sd_k**2 * _kernel("smooth", apart, NO_BAROMETER_MIN)
    weathers = WEATHERS if data.barometer_sd_k > 0.0 else ((0.0, 1.0),)
    unseen = [(known + size**2 * weather, of) for size, of in weathers]
    if data.stood_min is not None:
        lost = _waves(np.maximum(data.at_min - data.stood_min, 0.0))
        unseen += [(one + lost, of * STUCK_ODDS) for one, of in unseen]
    errors = list(product(WHITE_K, correlated))
    table = np.empty((len(unseen), len(errors), *apart.shape))  # a list of them would be held twice
    for b, (one, _) in enumerate(unseen):
        for h, (w, c) in enumerate(errors):
            table[b, h] = one + w**2 * white + c
    return table, np.log([[of] for _, of in unseen]) + np.tile(odds, len(WHITE_K))


def _waves(gone_min: np.ndarray) -> np.ndarray:
    """Return the covariance, (n, n), of waves of a day that nobody sees, from none at their beginning on."""
    angle = 2.0 * np.pi * gone_min / DAY_MIN
    day, half = (np.stack([np.sin(n * angle), 1.0 - np.cos(n * angle)]) for n in (1.0, 2.0))
    found: np.ndarray = NO_PROBE_K**2 * (day.T @ day + HALF_DAY_SHARE**2 * half.T @ half)
    return found


def _rounding(data: SegmentData, probe: str, digit_k: float) -> np.ndarray:
    """Return the covariance of a probe's rounding, (n, n): that of the path that it has gone, bin by bin."""
    if digit_k < LEAST_DIGIT_K:
        return np.zeros((len(data.at_min), len(data.at_min)))
    read = next(i for i, (name, _) in enumerate(data.lag_names) if name == probe)
    moved = np.abs(np.diff(data.lagged_k[:, read])) / digit_k + np.diff(data.at_min) / DIGIT_STANDS_MIN
    path = np.concatenate([[0.0], np.cumsum(moved)])
    found: np.ndarray = digit_k**2 / 12.0 * np.exp(-DIGIT_FORGETS * np.abs(path[:, None] - path[None, :]))
    return found


def _kernel(kind: str, apart: np.ndarray, memory: float) -> np.ndarray:
    if kind == "rough":
        rough: np.ndarray = np.exp(-apart / memory)
        return rough
    r = np.sqrt(3.0) * apart / memory
    smooth: np.ndarray = (1.0 + r) * np.exp(-r)
    return smooth
