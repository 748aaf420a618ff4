"""What the gas may follow: lags of the probes, settling, slow parts that no probe sees, and how likely each is.

All of it is linear with a Gaussian prior. Where the prior itself is unsure (does the gas follow the probes closely,
does a part stand in other weather) there are several kinds of surroundings, and several structures of the lags; each
counts by its evidence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from analysis.pressure_test.minutes import AIR, METAL

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
DAY_MIN = 1440.0
SLOW_K = (0.01, 0.3, 3.0)
SLOW_ODDS = {2: (0.7, 0.2, 0.1), 1: (0.6, 0.25, 0.15), 0: (0.6, 0.25, 0.15)}
"""A part in another room or weather than the probes swings with the day, unseen, by so many kelvins of the whole gas
(`HALF_DAY_SHARE` of that twice a day). A night shows little more of that than a bend, so it stands beside every
correlated error and is weighed by evidence (common practice)."""
HALF_DAY_SHARE = 0.4
LEVEL_SD_K = 200.0


@dataclass(frozen=True)
class Structures:
    """Structures of one size j, with every kind of surroundings.

    Attributes
    ----------
    lags : places among the lags, (s, j).
    expected : weights expected, (s, j).
    odds : log odds, (k, s).
    prior : precision of the weights, (k, j, j).
    pull : `prior` times `expected`, (k, s, j).
    off : `expected` times `pull`, what the expectation adds to the sum of squares, (k, s).
    known : half the log determinant of `prior`, (k, 1).
    """

    lags: np.ndarray
    expected: np.ndarray
    odds: np.ndarray
    prior: np.ndarray
    pull: np.ndarray
    off: np.ndarray
    known: np.ndarray


def transients(at_min: np.ndarray) -> np.ndarray:
    """Return the dying settling and the slow parts [K for each K], shape (n, 7), at minutes since judging began."""
    angle = 2.0 * np.pi * at_min / DAY_MIN
    waves = [wave(n * angle) for n in (1.0, 2.0) for wave in (np.cos, np.sin)]
    return np.column_stack([np.exp(-at_min[:, None] / np.array(SETTLING_MIN)), *waves])


def surroundings(probes: tuple[str, ...]) -> np.ndarray:
    """Return the precision of level and `transients` for each kind: every surrounding with every slow part, (k, c)."""
    nearest = METAL if METAL in probes else AIR if AIR in probes else ""
    share = HALF_DAY_SHARE
    deviations = [
        [LEVEL_SD_K, *settling, slow, slow, share * slow, share * slow]
        for settling in SETTLING_SD_K[nearest]
        for slow in SLOW_K
    ]
    return np.array(deviations) ** -2.0


def structures(names: tuple[tuple[str, Lags], ...], probes: tuple[str, ...]) -> list[Structures]:
    """Return every structure of the lags, grouped by size, the one with all lags last."""
    if not names:
        nothing, odds = np.zeros((1, 0)), np.log(np.array(SLOW_ODDS[0]))[:, None]
        return [weighed(nothing.astype(int), nothing, odds, np.zeros(len(SLOW_K)))]
    by_probe = [[i for i, (n, _) in enumerate(names) if n == probe] for probe in probes]
    ones = [(c,) for columns in by_probe for c in columns]
    pairs = list(product(*by_probe)) if len(probes) == 2 else list(combinations(by_probe[0], 2))
    groups = [("one", ones), ("pair", pairs), ("all", [tuple(range(len(names)))])]
    return [_group(listed, STRUCTURE_ODDS[kind], names, SLOW_ODDS[len(probes)]) for kind, listed in groups if listed]


def _group(
    listed: Sequence[tuple[int, ...]], odds: float, names: tuple[tuple[str, Lags], ...], of_slow: Sequence[float]
) -> Structures:
    expected, logs = [], []
    for used in listed:
        seen = [names[c][0] for c in used]
        expected.append([(SHARE[n] if len(set(seen)) == 2 else 1.0) / seen.count(n) for n in seen])
        of_kind = np.outer(SURROUNDINGS_ODDS[METAL if METAL in seen else AIR], of_slow).ravel()
        logs.append(np.log(odds * of_kind / len(listed)))
    of_sum = np.repeat(np.array(SUM_SD) ** -2.0, len(SLOW_K))
    return weighed(np.array(listed), np.array(expected), np.array(logs).T, of_sum)


def weighed(lags: np.ndarray, expected: np.ndarray, odds: np.ndarray, of_sum: np.ndarray) -> Structures:
    """Return structures with the prior of their weights; `of_sum` is the precision of the sum for each kind, (k,)."""
    prior = np.eye(lags.shape[1]) * WEIGHT_SD**-2 + of_sum[:, None, None]
    pull = np.einsum("kij,sj->ksi", prior, expected)
    off = np.einsum("ksi,si->ks", pull, expected)
    return Structures(lags, expected, odds, prior, pull, off, 0.5 * np.linalg.slogdet(prior)[1][:, None])
