"""What is known of the liquid at each tick: what the pressure, the water, the scale and the plate say together.

While no liquid boils, what the scale gains is what the vapour in the circuit loses: dm = V d(density). While
liquid boils more arrives than that: the *apparent volume* dm/d(density) is larger than the circuit. The last
liquid may sit apart, in a pocket or in ice-cold standing water, where it boils too slowly to be seen in that
balance. Either the plate's charge is accounted for, or the fall went so deep that even a slow pocket would show, or
a pause shows it: one of them is asked for before liquid is called gone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.recovery.apparent_volume import MEAN_S
from analysis.recovery.balance import (
    CHILL_S,
    CHILLED_S,
    DENSEST_FILL,
    GONE_K,
    SHALLOW,
    even_pace,
    held_on,
    liquid_density,
    look,
)
from analysis.recovery.pauses import Pull, before
from analysis.recovery.shut_gauge import shows_circuit
from analysis.recovery.ticks import Floats, Ticks
from analysis.stretch import stayed
from analysis.vocabulary.job import Job

STAYS_S = 60.0
"""The depression has to stay this long; common practice."""
AT_REST_K = 0.5
"""Liquid is at most this much warmer than the saturation at rest; a water sensor that says more is stale."""
LARGEST_KG = 1000.0
"""Where the job gives neither charge nor volume: larger circuits have, for their size, less surface."""
PLATE_SHORT, PLATE_OVER = 0.0015, 0.01
"""Share of the plate's charge not accounted for, short and over, up to which plate and scale agree."""
VAPOUR_UNSURE = 0.08
"""The vapour's mass is this uncertain by its temperature, to the side that would not hide liquid."""
COLD_VAPOUR = 0.05
"""Vapour is denser than at the water's temperature by up to this share, as an apparent volume beyond the stated one
shows: what is drawn off fast grows colder, by 15 K at this share; common practice. More may be a pocket that boils, and
so may what is more than gas cools by having expanded so far (`Ticks.expanded`)."""
VOLUME_UNSURE, PLATE_DOUBT = 0.1, 0.006
"""A stated volume may be off by that share. Plate and scale are compared by it once that leaves open no more than this
share of the charge."""
PLATE_OPEN = 0.002
"""By mass fitted with density, what may stand at most for all that is left open: a third less than the least pocket,
because what warm air boils does not go with the depression under the water."""
BOILS, BOILS_GUESSED, BOILS_MUCH = 0.5, 0.35, 0.15
"""Self-chilling: this share of what left must have boiled; less where the volume was taken as large as can be, and
less where the plate misses more than pocket and oil hold."""
MUCH = 0.1
"""That share of the plate's charge: so much more is a machine that arrived short."""
POCKET_LEAST, POCKET_SURFACE, POCKET_FILM = 0.003, 10.0, 10.0
"""The least pocket that counts, a share of the charge. The metal round it has at least this many times its volume to
the power 2/3 as surface (a pipe, a sump; a sphere has 4.8); still air brings 10 W/(m2 K) to that; common practice."""
COLD_BOILS, COLD_S, COLD_STAYS_S = 1.3, 600.0, 120.0
"""Freezing: more mass than this many times what the vapour lost, over this time and for so long, is liquid that boils
where the plate leaves room for it, however dry the balance looked before."""
POOL_GONE, QUICK_FALL, STEADY = 3.0, 0.1, 1.2
"""Freezing, no water flowing: a fall of this ln of the density, so many times as fast, is the end of the pool."""
VAPOUR_S = 5400.0
"""Without a scale: vapour alone falls by e within this time with any machine fit for the circuit; common practice."""


@dataclass(frozen=True)
class Evidence:
    """What is known at each tick; arrays of shape (n,).

    depressed, under_dew : the depression has stayed, of the bubble point and also of the dew point.
    depth : ln of standing over present pressure.
    dry : the balance says that no liquid boils, over the fall since `dry_from_s`. dry_soft : it has said so, at least
        roughly, and nothing has spoken against it since. deep : less boils than in the least pocket.
    boils : some of what leaves must be liquid that boils, and the plate leaves room for a pocket.
    still : depressed, no water flows, and nothing shows that liquid is gone. slows : depressed, and without a scale the
        fall has become slower, or is too slow for vapour.
    pocket : what is missing from the plate's charge may stand apart. stands : liquid stands for all that is known.
    wet : more mass leaves than vapour can give, while depressed. against : the balance says that liquid boils.
    beyond : by how much it says so over the shortest fall that is weighed [m3], NaN where none is.
    agrees : plate and scale agree that nothing but vapour is left, by the stated volume or by the one that mass over
        density shows. A pool that chills itself while no water flows looks like a larger circuit, and its plate closes
        in passing: there the volume has to be stated.
    unaccounted : share of the plate's charge neither weighed nor there as vapour.
    fall_s : seconds for a fall by e while pulling.
    least_rise : the share of its pressure by which the least pocket raises it while the machine stands [1/s].
    shown : nothing speaks for a gauge that shows its hose, not the circuit.
    """

    depression_k: Floats
    depressed: np.ndarray
    under_dew: np.ndarray
    depth: Floats
    dry: np.ndarray
    dry_from_s: Floats
    dry_soft: np.ndarray
    boils: np.ndarray
    still: np.ndarray
    slows: np.ndarray
    pocket: np.ndarray
    stands: np.ndarray
    deep: np.ndarray
    wet: np.ndarray
    against: np.ndarray
    beyond: Floats
    agrees: np.ndarray
    unaccounted: Floats
    fall_s: Floats
    least_rise: Floats
    shown: np.ndarray


def gather(ticks: Ticks, pulls: list[Pull], job: Job) -> Evidence:
    """Return the evidence at every tick."""
    n = len(ticks)
    standing = np.fmin(ticks.reference_k, ticks.plateau_k + AT_REST_K)
    depression = standing - ticks.bubble_k
    under = depression >= GONE_K
    # the last liquid of a blend boils at the dew point: only a plate that closes does without that depression too
    under_dew = stayed(ticks.at_s, standing - ticks.dew_k >= GONE_K, STAYS_S)
    depth = np.full(n, np.nan)
    if ticks.fluid is not None:
        depth = np.log(np.asarray(ticks.fluid.dew_pressure_pa(standing)) / ticks.pressure_pa)
    stated = job.circuit.internal_volume_m3
    charge = np.nan if job.circuit.charge_kg is None else job.circuit.charge_kg
    share = 1.0 / charge
    seen = look(ticks, pulls, depression, depth, job)
    # a volume looks smaller than stated where the stated one is too large, and where gas is cold from expanding
    volume = seen.volume if stated is None else 0.5 * (stated + np.fmin(seen.volume, stated))
    vapour = np.nan_to_num(volume * ticks.density)
    unaccounted = (charge - ticks.moved_kg - vapour) * share
    shallow, much = depression < GONE_K, unaccounted >= MUCH
    crawls = (even_pace(ticks, CHILL_S) > VAPOUR_S) & np.isnan(ticks.moved_kg) & (depth < SHALLOW) & (seen.run > 0)
    # what was said gives way as soon as the balance says that liquid boils; deep down that may be out of the oil
    quickens = _quickens(ticks, seen.run > 0, under & (ticks.flow == 0.0))
    # a fall too short for the scale does not gainsay the shortest one that it weighs
    boils = seen.against & ~(seen.beyond <= 0.0)
    soft = _latched(seen.soft | quickens, shallow | (boils & (much | (depth < SHALLOW))) | seen.slows)
    enough = np.where(much, BOILS_MUCH, BOILS if stated is not None else BOILS_GUESSED)
    chills = stayed(ticks.at_s, under, CHILL_S) & (seen.boiled > enough)
    wet = ((chills | seen.chilled) & ~soft) | seen.ended
    in_vapour = vapour * share
    over = PLATE_OVER + VAPOUR_UNSURE * in_vapour + ticks.mass_resolution_kg * share
    # what moved where no reading showed it, as in a change of cylinder, may be liquid that stands
    missing, hidden = (charge - seen.whole) * share, ticks.unseen_kg * share
    by_fit = np.maximum(missing, 0.0) + np.hypot(seen.unsure * share, hidden) <= PLATE_OPEN
    # the fit needs a while: a stated volume may tell sooner. What was seen may be gas that is cold, however close it is
    seen_to = np.maximum(0.5 * seen.doubt, COLD_VAPOUR)
    doubt = in_vapour / np.hypot(1.0 / VOLUME_UNSURE, np.nan_to_num(1.0 / seen_to))
    # what one reading of the scale does not see may stand as liquid; many readings see half of it
    short = np.clip(POCKET_LEAST - ticks.mass_resolution_kg * share, 0.5 * PLATE_SHORT, PLATE_SHORT)
    coldest = np.minimum(ticks.expanded, COLD_VAPOUR) * volume
    colder = np.nan_to_num(np.clip(seen.volume - volume, 0.0, coldest) * ticks.density * share)
    closes = (unaccounted - colder <= short) & (unaccounted >= -over) & (np.hypot(doubt, hidden) <= PLATE_DOUBT)
    agrees = (closes & seen.roughly & seen.lately) | (by_fit & (missing >= -over))
    agrees &= (ticks.flow != 0.0) | (stated is not None)
    pocket = ~(unaccounted <= PLATE_SHORT)
    slow = (_boils(ticks, seen.run, np.fmax(volume, seen.smallest), soft) & ~seen.dry) | seen.surely_more
    least, room = _least_pocket(ticks, seen.volume, job)
    return Evidence(
        depression_k=depression,
        depressed=stayed(ticks.at_s, under, STAYS_S),
        depth=depth,
        dry=seen.dry,
        dry_from_s=seen.from_s,
        dry_soft=soft,
        boils=stayed(ticks.at_s, slow & (unaccounted > PLATE_SHORT) & ~much, COLD_STAYS_S),
        still=stayed(ticks.at_s, under & (ticks.flow == 0.0), CHILLED_S) & ~soft,
        slows=stayed(ticks.at_s, under, CHILL_S) & (seen.slows | crawls) & ~soft,
        pocket=pocket,
        stands=_latched(wet, soft | shallow) | shallow,
        under_dew=under_dew,
        deep=under_dew & (seen.slowly <= least),
        wet=wet,
        against=seen.against,
        beyond=seen.beyond,
        agrees=agrees,
        unaccounted=unaccounted,
        fall_s=held_on(seen.fall_s),
        least_rise=least * np.maximum(depression, 0.0) / (room * ticks.density),
        shown=shows_circuit(ticks),
    )


def _quickens(ticks: Ticks, pulls: np.ndarray, chills: np.ndarray) -> np.ndarray:
    """Return where the density falls `POOL_GONE` times as fast as it has done while it `chills`, shape (n,) of bool.

    A pool that no water warms chills itself ever more slowly; once it is gone, vapour alone is drawn. What came back
    in a pause and is drawn again says neither: only a fall to where it has not been counts, and the time pulled.
    """
    index = pd.to_timedelta(ticks.at_s, unit="s")
    density = pd.Series(ticks.density, index=index).rolling(f"{MEAN_S:.0f}s").mean().to_numpy()
    # a pressure beyond the tables has no density: nothing was denser before the first that has one
    lowest = pd.Series(np.fmin.accumulate(density)).bfill().to_numpy()
    j = np.searchsorted(-lowest, -lowest * np.exp(QUICK_FALL), side="right") - 1
    pulled_s = np.cumsum(np.where(pulls, np.diff(ticks.at_s, prepend=ticks.at_s[:1]), 0.0))
    spent = np.where((j >= 0) & chills & (density <= lowest), pulled_s - pulled_s[np.maximum(j, 0)], np.nan)
    steady = spent[j] <= STEADY * spent
    return np.asarray(steady & (spent * POOL_GONE < np.fmax.accumulate(spent)))


def _boils(ticks: Ticks, run: Floats, volume: Floats, dry: np.ndarray) -> np.ndarray:
    """Return where more than vapour left over `COLD_S` of one pull (`run`: its number, 0 between) that began `dry`."""
    past = before(ticks.at_s, COLD_S)
    old = np.maximum(past, 0)
    gained = ticks.moved_kg - ticks.moved_kg[old]
    lost = volume * (ticks.density[old] - ticks.density)
    seen = (past >= 0) & dry[old] & (run > 0) & (run == run[old]) & (gained > 6.0 * ticks.mass_resolution_kg)
    return np.asarray(seen & (lost > 0.0) & (gained > COLD_BOILS * lost))


def _least_pocket(ticks: Ticks, volume: Floats, job: Job) -> tuple[Floats, Floats]:
    """Return what boils in the least pocket [kg/(K s)], and the room that its vapour fills [m3]; shapes (n,)."""
    if ticks.fluid is None:
        return np.full(len(ticks), np.nan), np.full(len(ticks), np.nan)
    stated, charge, density = job.circuit.internal_volume_m3, job.circuit.charge_kg, liquid_density(ticks)
    room = volume if stated is None else np.fmax(volume, stated)
    if charge is None:
        liquid = np.where(np.isfinite(room), room / DENSEST_FILL, LARGEST_KG / density)
    else:
        liquid = np.full(len(ticks), charge / density)
    room = np.where(np.isfinite(room), room, DENSEST_FILL * liquid)
    conductance = POCKET_FILM * POCKET_SURFACE * (POCKET_LEAST * liquid) ** (2.0 / 3.0)
    return conductance / np.asarray(ticks.fluid.latent_heat_j_per_kg(ticks.bubble_k)), room


def _latched(on: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Return where `on` has been seen since `off` last was, shape (n,)."""
    order = np.arange(len(on))
    return np.asarray(np.maximum.accumulate(np.where(on, order, -1)) > np.maximum.accumulate(np.where(off, order, -1)))
