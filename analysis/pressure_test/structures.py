"""What the gas may follow: lags of the probes, settling, slow parts that no probe sees, and how likely each is.

All of it is linear with a Gaussian prior. Where the prior itself is unsure (does the gas follow the probes closely,
does a part stand in other weather) there are several kinds of surroundings, and several structures of the lags; each
counts by its evidence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, combinations, product
from typing import NamedTuple

import numpy as np

from analysis.vocabulary.channels import AIR, METAL

Lags = tuple[float, ...]
Odds = dict[tuple[int, ...], float]
"""How likely a structure is that uses these lags."""
LAGS: Mapping[str, tuple[Lags, ...]] = {
    METAL: ((), (5.0,), (12.0,), (28.0,), (65.0,), (150.0,)),
    AIR: (
        (5.0,), (12.0,), (28.0,), (65.0,), (150.0,), (350.0,),
        (12.0, 28.0), (28.0, 28.0), (28.0, 65.0), (65.0, 65.0),
    ),
}  # fmt: skip
"""Lags [min] of gas behind each probe; two are one after the other, for metal lags air and gas lags metal. A structure
is one of these, two single ones (one of each probe where there are two), or all single ones at once."""
LEAD: Lags = (20.0,)
BETWEEN_SD = 0.12
"""A lag that lies between these is the one nearest to it and some of the same lag twice, one after the other (a first
order in the logarithm of the lag; gas lags metal, metal lags air). Without a lag, less of a late reading is a lead: the
probe is later than the gas."""
SHARE = {METAL: 0.75, AIR: 0.25}
"""Expected share of each probe where both are there, and how likely the gas follows that one alone; each weight is
uncertain by `WEIGHT_SD`."""
WEIGHT_SD = 0.35
STRUCTURE_ODDS = {"one": 0.4, "pair": 0.5, "all": 0.1}
SETTLING_MIN = (10.0, 20.0, 40.0, 80.0, 160.0, 320.0)
SETTLED_K = (0.003,) * 6
"""Nothing that shows: less than the least white error."""
SETTLING_SD_K = {
    METAL: (SETTLED_K, (0.3, 0.2, 0.1, 0.06, 0.03, 0.003), (1.0, 1.5, 2.0, 1.5, 0.3, 0.003)),
    AIR: (SETTLED_K, (0.6, 0.5, 0.4, 0.4, 0.3, 0.1), (1.0, 1.5, 2.0, 2.0, 2.0, 2.0)),
    "": ((3.0, 3.0, 3.0, 4.0, 4.0, 4.0),),
}
SETTLING_ODDS = (0.3, 0.4, 0.3)
"""Settling left at the beginning of judging, none, little or much, by the probe nearest to the gas; it is also the
unknown history of the lags before the log. A circuit that was filled long ago has none, and then no loss has to be told
from what bends like it (common practice). Times that double: a transient between two of them is their mixture to
0.2 % of it (least squares over 14 h), where three times leave 3 %. Of the slowest, which bend like a loss, a probe on
the metal leaves little. The air tells nothing of how far off it the metal begins: a barrel that was chilled while the
charge was drawn off, or by the machine's last run, is kelvins off it for hours (common practice; 10 mm of steel, 7,850
kg/m3 and 480 J/(kg K), take 80 min under still air of 8 W/(m2 K), and tubes make two to four times that of it)."""
SLOW_LAG_MIN = 100.0
SLOW_OFF_K = {METAL: (0.0, 0.0, 0.0, 0.5, 0.5, 0.0), AIR: (0.0, 0.0, 0.0, 1.0, 1.0, 1.0)}
"""What follows the only probe behind more than `SLOW_LAG_MIN` began off it by about so much, however long ago the
circuit was filled: it still remembers hours that no row shows, in which a machine ran and air moves by a kelvin, metal
by half of that (common practice). A slow lag that is taken to begin on its probe makes a loss of the way back."""
LEFT_SHARE = (0.5, 0.5, 0.5, 0.5, 0.0, 0.0)
"""Where much is left it may be more than that: half of what the fall before judging would leave if all of it died so
fast (common practice), at most what there is while it settles. A fall says nothing of the two slowest."""
UNSETTLED_SD_K = (20.0, 20.0, 15.0, 10.0, 8.0, 4.0)
"""Settling left soon after filling: gas that rushed in is some ten to thirty kelvins warmer than its walls (common
practice), and warms the lighter of them."""
SURROUNDINGS = {
    METAL: (
        (0.004, 0.01, 0.55), (0.02, 0.01, 0.27), (0.08, 0.01, 0.06), (0.04, 0.3, 0.05), (0.25, 0.3, 0.04),
        (0.25, 2.0, 0.03),
    ),
    AIR: (
        (0.004, 0.01, 0.45), (0.02, 0.01, 0.31), (0.08, 0.01, 0.06), (0.04, 0.3, 0.08), (0.25, 0.3, 0.05),
        (0.25, 2.0, 0.05),
    ),
    "": ((1.0, 0.01, 0.6), (1.0, 0.3, 0.25), (1.0, 3.0, 0.15)),
}  # fmt: skip
"""Kinds of surroundings by the probe nearest to the gas: how far the total weight may be from one, how many kelvins of
the whole gas swing with the day unseen, and how likely that is before the night (common practice). The gas follows what
surrounds it, so the weights sum to one but for what warmth does to gauge and probes; a part in other weather than the
probes (another room, a barrel of water) takes its share out of the sum and brings a swing of its own
(`HALF_DAY_SHARE` of it twice a day), of which a night shows little more than a bend."""
OTHER_GAS_ODDS = 0.03
"""Odds of another inert gas that answers warmth as an ideal one, as helium does: the weights then sum to one over the
exponent of nitrogen. ASHRAE 15 allows any inert gas; nitrogen is so usual that the night itself has to speak for
another (common practice)."""
OTHER_UNIT_ODDS = 0.03
"""Odds that a level which may be the label's fault is that: the gas then goes by 1.8 times what the thermometers show,
or by as much less. One setting of a logger does it to all, so that none speaks against another (common practice)."""
DAY_MIN = 1440.0
HALF_DAY_SHARE = 0.4
LEVEL_SD_K = 200.0


class Kind(NamedTuple):
    """Surroundings of one kind: the sum of the weights and its deviation, deviation of the unseen swing [K], odds,
    deviation of the settling [K] at each of `SETTLING_MIN`, whether it goes with slow structures, others or both."""

    total: float
    of_sum: float
    swing: float
    odds: float
    settling: tuple[float, ...]
    slow: tuple[bool, ...]


@dataclass(frozen=True)
class Structures:
    """Structures of one size j, with every kind of surroundings.

    Attributes
    ----------
    lags : places among the lags, (s, j).
    odds : log odds, (k, s).
    prior : precision of the weights, (k, j, j).
    pull : `prior` times the weights expected, (k, s, j).
    off : the weights expected times `pull`, what the expectation adds to the sum of squares, (k, s).
    known : half the log determinant of `prior`, (k, 1).
    """

    lags: np.ndarray
    odds: np.ndarray
    prior: np.ndarray
    pull: np.ndarray
    off: np.ndarray
    known: np.ndarray


def transients(at_min: np.ndarray) -> np.ndarray:
    """Return the dying settling and the slow parts [K for each K], shape (n, 10), at minutes since judging began."""
    angle = 2.0 * np.pi * at_min / DAY_MIN
    waves = [wave(n * angle) for n in (1.0, 2.0) for wave in (np.cos, np.sin)]
    return np.column_stack([np.exp(-at_min[:, None] / np.array(SETTLING_MIN)), *waves])


def kinds_of(
    probes: tuple[str, ...],
    settled: bool,
    fell_k: float,
    waited_min: float,
    exponent: float,
    other_unit: float = 0.0,
) -> list[Kind]:
    """Return every surrounding with no settling, little and much, or with what there is before it has settled.

    What is left of a filling goes by the `fell_k` [K] in the `waited_min` minutes before: of a transient of time t that
    fell so, fell / (exp(waited / t) - 1). `exponent` is that of nitrogen, `other_unit` what a kelvin of the probes is
    if they count in the other unit, 0 where they hardly do.
    """
    nearest = METAL if METAL in probes else AIR if AIR in probes else ""
    falls = LEFT_SHARE * (fell_k / np.expm1(waited_min / np.array(SETTLING_MIN)))
    *little, much = SETTLING_SD_K[nearest]
    much = tuple(np.maximum(much, np.minimum(falls, UNSETTLED_SD_K)).tolist())
    left = [*little, much] if settled else [UNSETTLED_SD_K]
    any_lag: tuple[bool, ...] = (False, True)
    odds_of = SETTLING_ODDS if len(left) > 1 else (1.0,)
    settlings = [(odds, sd, any_lag) for odds, sd in zip(odds_of, left, strict=True)]
    if settled and len(probes) == 1:
        off = np.array(SLOW_OFF_K[nearest])
        settlings = [
            (odds, tuple(np.maximum(sd, slow * off).tolist()), (slow,)) for odds, sd, both in settlings for slow in both
        ]
    around = [(1.0, *kind) for kind in SURROUNDINGS[nearest]]
    if nearest:
        of_sum, swing, odds = SURROUNDINGS[nearest][0]
        around.append((1.0 / exponent, of_sum, swing, odds * OTHER_GAS_ODDS))
    if other_unit:
        around += [(other_unit, of_sum, swing, odds * OTHER_UNIT_ODDS) for of_sum, swing, odds in SURROUNDINGS[nearest]]
    return [
        Kind(total, of_sum, swing, odds * of_settling, settling, slow)
        for total, of_sum, swing, odds in around
        for of_settling, settling, slow in settlings
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
    if not names:
        nothing = np.zeros((1, 0))
        return [_weighed(nothing.astype(int), nothing, np.zeros((len(kinds), 1)), kinds, np.zeros((len(kinds), 0, 0)))]
    count = len(names) // 2
    of_probe = [[i for i, (n, _) in enumerate(names[:count]) if n == probe] for probe in probes]
    single = [[i for i in columns if len(names[i][1]) < 2] for columns in of_probe]
    shares = [SHARE[probe] if len(probes) == 2 else 1.0 for probe in probes]
    alone: Odds = {(c,): share / len(listed) for share, listed in zip(shares, of_probe, strict=True) for c in listed}
    pairs = list(product(*single)) if len(probes) == 2 else list(combinations(single[0], 2))
    paired: Odds = {pair: 1.0 / len(pairs) for pair in pairs}
    everything: Odds = {tuple(chain(*single)): 1.0}
    groups = {"one": alone, "pair": paired, "all": everything}
    return [_group(name, listed, names, kinds) for name, listed in groups.items() if listed]


def twice(lag: Lags) -> Lags:
    """Return the lag of which a little moves a reading behind `lag` to a lag between two."""
    return (*lag, *lag) if lag else LEAD


def _group(
    group: str, listed: Odds, names: tuple[tuple[str, Lags], ...], kinds: Sequence[Kind]
) -> Structures:  # fmt: skip
    count, size = len(names) // 2, len(next(iter(listed)))
    expected = []
    for used in listed:
        seen = [names[c][0] for c in used]
        expected.append([(SHARE[n] if len(set(seen)) == 2 else 1.0) / seen.count(n) for n in seen])
    slow = [max(sum(names[c][1]) for c in used) > SLOW_LAG_MIN for used in listed]
    meant = [[s in k.slow for s in slow] for k in kinds]
    odds = np.where(meant, np.log(STRUCTURE_ODDS[group]) + np.log(list(listed.values())), -np.inf)
    lags, weights, prior = np.array(list(listed)), np.array(expected), np.eye(size) * WEIGHT_SD**-2
    if group != "all":
        lags, weights = np.hstack([lags, lags + count]), np.hstack([weights, np.zeros_like(weights)])
        prior = np.block([[prior, prior], [prior, prior + np.eye(size) * BETWEEN_SD**-2]])
    return _weighed(lags, weights, odds, kinds, np.array([prior + k.of_sum**-2.0 for k in kinds]))


def _weighed(
    lags: np.ndarray, expected: np.ndarray, odds: np.ndarray, kinds: Sequence[Kind], prior: np.ndarray
) -> Structures:
    """Return structures with the prior of their weights; `odds` of the structures (k, s) and `prior`, the precision of
    the weights, are for each kind."""
    totals, of_kind = np.array([k.total for k in kinds]), np.log([k.odds for k in kinds])
    wanted = totals[:, None, None] * expected
    pull = np.einsum("kij,ksj->ksi", prior, wanted)
    off = np.einsum("ksi,ksi->ks", pull, wanted)
    return Structures(lags, of_kind[:, None] + odds, prior, pull, off, 0.5 * np.linalg.slogdet(prior)[1][:, None])
