"""What the gas may follow: lags of the probes, settling, slow parts that no probe sees, and how likely each is.

All of it is linear with a Gaussian prior. Where the prior itself is unsure (does the gas follow the probes closely,
does a part stand in other weather) there are several kinds of surroundings, and several structures of the lags; each
counts by its evidence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import NamedTuple

import numpy as np

from analysis.pressure_test.minutes import AIR, METAL

Lags = tuple[float, ...]
LAGS: Mapping[str, tuple[Lags, ...]] = {
    METAL: ((), (5.0,), (12.0,), (28.0,), (65.0,), (150.0,)),
    AIR: ((5.0,), (12.0,), (28.0,), (65.0,), (150.0,), (350.0,)),
}
"""Lags [min] of gas behind each probe. A structure is one lag of one probe, one lag of each, or all at once."""
LEAD: Lags = (20.0,)
BETWEEN_SD = 0.12
"""A lag that lies between these is the one nearest to it and some of the same lag twice, one after the other (a first
order in the logarithm of the lag; gas lags metal, metal lags air). Without a lag, less of a late reading is a lead: the
probe is later than the gas."""
SHARE = {METAL: 0.75, AIR: 0.25}
"""Expected share of each probe where both are there; each weight is uncertain by `WEIGHT_SD`."""
WEIGHT_SD = 0.35
STRUCTURE_ODDS = {"one": 0.4, "pair": 0.5, "all": 0.1}
SETTLING_MIN = (15.0, 45.0, 150.0)
SETTLING_SD_K = {
    METAL: ((0.3, 0.1, 0.03), (1.0, 2.5, 0.5)),
    AIR: ((0.6, 0.5, 0.4), (1.2, 2.5, 2.0)),
    "": ((4.0, 4.0, 5.0),),
}
SETTLING_ODDS = (0.6, 0.4)
"""Settling left at the beginning of judging, little or much, by the probe nearest to the gas; it is also the unknown
history of the lags before the log."""
COMMON_FALL_K = 3.0
"""So much is left where the gas fell by no more than this before judging, else in proportion (common practice)."""
UNSETTLED_SD_K = (20.0, 20.0, 8.0)
"""Settling left soon after filling: gas that rushed in is some ten to thirty kelvins warmer than its walls (common
practice), and warms the lighter of them."""
SURROUNDINGS = {
    METAL: ((0.004, 0.01, 0.5), (0.04, 0.01, 0.36), (0.04, 0.3, 0.07), (0.25, 0.3, 0.04), (0.25, 3.0, 0.03)),
    AIR: ((0.004, 0.01, 0.35), (0.04, 0.01, 0.45), (0.04, 0.3, 0.1), (0.25, 0.3, 0.05), (0.25, 3.0, 0.05)),
    "": ((1.0, 0.01, 0.6), (1.0, 0.3, 0.25), (1.0, 3.0, 0.15)),
}
"""Kinds of surroundings by the probe nearest to the gas: how far the total weight may be from one, how many kelvins of
the whole gas swing with the day unseen, and how likely that is before the night (common practice). The gas follows what
surrounds it, so the weights sum to one but for what warmth does to gauge and probes; a part in other weather than the
probes (another room, a barrel of water) takes its share out of the sum and brings a swing of its own
(`HALF_DAY_SHARE` of it twice a day), of which a night shows little more than a bend."""
DAY_MIN = 1440.0
HALF_DAY_SHARE = 0.4
LEVEL_SD_K = 200.0


class Kind(NamedTuple):
    """Surroundings of one kind: deviations of the sum of the weights and of the unseen swing [K], odds, deviation of
    the settling [K] at each of `SETTLING_MIN`."""

    of_sum: float
    swing: float
    odds: float
    settling: tuple[float, ...]


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


def kinds_of(probes: tuple[str, ...], settled: bool, fell_k: float) -> list[Kind]:
    """Return every surrounding with little settling and with much, or with what there is before it has settled.

    What is left of a filling is in proportion to what went before, `fell_k` [K].
    """
    nearest = METAL if METAL in probes else AIR if AIR in probes else ""
    more = max(1.0, fell_k / COMMON_FALL_K)
    left = [tuple(more * k for k in of_time) for of_time in SETTLING_SD_K[nearest]] if settled else [UNSETTLED_SD_K]
    return [
        Kind(of_sum, swing, odds * of_settling, settling)
        for of_sum, swing, odds in SURROUNDINGS[nearest]
        for of_settling, settling in zip(SETTLING_ODDS if len(left) > 1 else (1.0,), left, strict=True)
    ]


def surroundings(kinds: Sequence[Kind]) -> np.ndarray:
    """Return the precision of level and `transients` for each kind, (k, c)."""
    share = HALF_DAY_SHARE
    deviations = [[LEVEL_SD_K, *k.settling, k.swing, k.swing, share * k.swing, share * k.swing] for k in kinds]
    return np.array(deviations) ** -2.0


def structures(names: tuple[tuple[str, Lags], ...], probes: tuple[str, ...], kinds: Sequence[Kind]) -> list[Structures]:
    """Return every structure of the lags, grouped by size, the one with all lags last.

    The second half of `names` is the first half `twice`.
    """
    of_sum, of_kind = np.array([k.of_sum for k in kinds]), np.array([k.odds for k in kinds])
    if not names:
        nothing = np.zeros((1, 0))
        return [weighed(nothing.astype(int), nothing, np.log(of_kind)[:, None], np.zeros((len(of_kind), 0, 0)))]
    count = len(names) // 2
    by_probe = [[i for i, (n, _) in enumerate(names[:count]) if n == probe] for probe in probes]
    ones = [(c,) for columns in by_probe for c in columns]
    pairs = list(product(*by_probe)) if len(probes) == 2 else list(combinations(by_probe[0], 2))
    groups = [("one", ones), ("pair", pairs), ("all", [tuple(range(count))])]
    return [_group(kind, listed, names, of_sum, of_kind) for kind, listed in groups if listed]


def twice(lag: Lags) -> Lags:
    """Return the lag of which a little moves a reading behind `lag` to a lag between two."""
    return (*lag, *lag) if lag else LEAD


def _group(
    kind: str, listed: Sequence[tuple[int, ...]], names: tuple[tuple[str, Lags], ...], of_sum: np.ndarray,
    of_kind: np.ndarray,
) -> Structures:  # fmt: skip
    count, size = len(names) // 2, len(listed[0])
    expected = []
    for used in listed:
        seen = [names[c][0] for c in used]
        expected.append([(SHARE[n] if len(set(seen)) == 2 else 1.0) / seen.count(n) for n in seen])
    odds = np.repeat(np.log(STRUCTURE_ODDS[kind] * of_kind / len(listed))[:, None], len(listed), axis=1)
    lags, weights, prior = np.array(listed), np.array(expected), np.eye(size) * WEIGHT_SD**-2
    if kind != "all":
        lags, weights = np.hstack([lags, lags + count]), np.hstack([weights, np.zeros_like(weights)])
        prior = np.block([[prior, prior], [prior, prior + np.eye(size) * BETWEEN_SD**-2]])
    return weighed(lags, weights, odds, prior + of_sum[:, None, None] ** -2.0)


def weighed(lags: np.ndarray, expected: np.ndarray, odds: np.ndarray, prior: np.ndarray) -> Structures:
    """Return structures with the prior of their weights; `prior` is the precision of the weights for each kind."""
    pull = np.einsum("kij,sj->ksi", prior, expected)
    off = np.einsum("ksi,si->ks", pull, expected)
    return Structures(lags, expected, odds, prior, pull, off, 0.5 * np.linalg.slogdet(prior)[1][:, None])
