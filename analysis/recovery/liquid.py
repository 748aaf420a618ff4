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

from analysis.recovery.apparent_volume import SAME, WINDOWS, Span, no_more, spans_of, steady_fall
from analysis.recovery.pauses import HOSE_S, Pull, before
from analysis.recovery.ticks import Ticks
from analysis.vocabulary.job import Job

GONE_K = 2.78
"""5 degF under the leaving water. Common practice in the trade, no published source."""
STAYS_S = 60.0
"""The depression has to stay this long; common practice."""
AT_REST_K = 0.5
"""Liquid is at most this much warmer than the saturation at rest; a water sensor that says more is stale."""
DRY = 1.2
"""Apparent over stated volume up to which no liquid boils; stated volumes are seldom better known than that."""
ROUGHLY = 1.5
"""Where the plate's charge is accounted for as well, the upper bound need be no closer."""
DRY_DEEP = 1.12
"""The same over a long fall."""
DRY_SOFT = 1.4
"""The same, for not warning of freezing any more: what still boils is a small share of what leaves."""
OWN_FALL, OWN_TIGHT = 0.35, 0.15
"""A stated volume gives way to a larger one, up to `ROUGHLY` times, that is known so closely over a fall of this length
and was the same over the fall before: what boils is a growing share."""
SCALE_FAILS = 0.4
"""Apparent over stated volume under which the scale has missed mass, or the volume is wrong: no evidence."""
ALIKE = 0.15
"""Two apparent volumes are the same within this share."""
DENSEST_FILL = 6.0
"""No circuit has more than this many times the volume of its charge as liquid, with room to spare; common practice."""
LARGEST_KG = 1000.0
"""Where the job gives neither charge nor volume: larger circuits have, for their size, less surface."""
PLATE_SHORT, PLATE_OVER = 0.002, 0.01
"""Share of the plate's charge not accounted for, short and over, up to which plate and scale agree."""
SHORT_UNSURE, VAPOUR_UNSURE = 0.02, 0.08
"""The vapour's mass is this uncertain by its temperature, which lies between water and air: to the side that would hide
liquid, and to the other."""
VOLUME_UNSURE, PLATE_DOUBT = 0.1, 0.004
"""A volume may be off by that share: a stated one, and a seen one by what boils slowly in a pocket. Plate and scale are
compared once that leaves open no more than this share of the charge."""
POCKET = 0.06
"""A share missing up to this may well stand in a pocket or in the oil; more of it is a machine that arrived short."""
DEEP, DEEP_POCKET, LONG_FALL = 1.5, 2.0, 0.7
"""ln of the pressure fall after which even a slow pocket shows (the second where the plate misses just what a pocket
holds), over a last part of it of this length or longer."""
DEEP_BOILS, POCKET_BOILS = 0.06, 0.03
"""Share of what leaves that may boil in such a pocket then, and where the plate misses just what a pocket holds."""
SLOWS, SHALLOW = 1.25, 1.0
"""Without a scale: a fall that has become so many times slower is liquid that chills itself. Down from this ln of the
pressure fall the machine itself gets slower, and what boils may come out of the oil; common practice."""
CHILLED, CHILLED_S = 1.3, 180.0
"""Self-chilling: apparent over stated volume from which on much of what leaves boils, and how long it has to."""
BOILS, BOILS_GUESSED, BOILS_MUCH = 0.5, 0.35, 0.15
"""Self-chilling: this share of what left must have boiled; less where the volume was taken as large as can be, and
less where the plate misses more than pocket and oil hold."""
MUCH = 0.1
"""That share of the plate's charge."""
CHILL_K, CHILL_S = 3.89, 300.0
"""Self-chilling: 7 degF, beyond the 5 degF rule (a hose drops pressure too), this long, with more mass than
vapour can give."""

POCKET_LEAST, POCKET_SURFACE, POCKET_FILM = 0.003, 10.0, 10.0
"""The least pocket that counts, a share of the charge. The metal round it has at least this many times its volume to
the power 2/3 as surface (a pipe, a sump; a sphere has 4.8); still air brings 10 W/(m2 K) to that; common practice."""

COLD_BOILS, COLD_S, COLD_STAYS_S, COLD_SURE = 1.3, 600.0, 300.0, 1.1
"""Freezing: more mass than this many times what the vapour lost, over this time and for so long, is liquid that boils
where the plate leaves room for it, however dry the balance looked before; so is an apparent volume that is surely so
many times the stated one."""
COLD_SHORT = 0.003
"""Share of the plate's charge that has to be missing for that."""

Floats = np.ndarray


@dataclass(frozen=True)
class Evidence:
    """What is known at each tick; arrays of shape (n,).

    depressed, under_dew : the depression has stayed, of the bubble point and also of the dew point.
    depth : ln of standing over present pressure.
    dry : the balance says that no liquid boils, over the fall since `dry_from_s`. dry_soft : it has said so, at least
        roughly, and nothing has spoken against it since. deep : over a long fall nothing boils, not even slowly, and
        the plate does not miss just what a pocket holds.
    boils : some of what leaves must be liquid that boils, and the plate leaves room for a pocket.
    still : depressed, no water flows, and nothing shows that liquid is gone.
    pocket : what is missing from the plate's charge may stand apart. stands : liquid stands for all that is known.
    wet : more mass leaves than vapour can give, while depressed. against : the balance says that liquid boils.
    agrees : plate and scale agree that nothing but vapour is left. A pool that chills itself while no water flows looks
        like a larger circuit, and its plate closes in passing: there the volume has to be stated.
    unaccounted : share of the plate's charge neither weighed nor there as vapour.
    fall_s : seconds for a fall by e while pulling.
    least_rise : the share of its pressure by which the least pocket raises it while the machine stands [1/s].
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
    pocket: np.ndarray
    stands: np.ndarray
    deep: np.ndarray
    wet: np.ndarray
    against: np.ndarray
    agrees: np.ndarray
    unaccounted: Floats
    fall_s: Floats
    least_rise: Floats


@dataclass(frozen=True)
class _Seen:
    """What the balance of mass and density showed while the machine pulled, at each tick; arrays of shape (n,).

    `stated` is the stated volume, or the larger one that it gave way to; `volume` what was seen, rather too large;
    `doubt` the share between the bounds of the best known one;
    `slowly` the largest share of what leaves that may boil slowly; `roughly` and `soft` say less than `dry`, `lately`
    that the newest fall says it; `long` says it over a long fall; `slows` that the fall gets slower; `chilled` and
    `ended` that a depressed pool boiled, while it did and once it had; `smallest` the least volume seen so far.
    """

    run: Floats
    dry: np.ndarray
    roughly: np.ndarray
    soft: np.ndarray
    lately: np.ndarray
    long: np.ndarray
    surely_more: np.ndarray
    chilled: np.ndarray
    ended: np.ndarray
    against: np.ndarray
    slows: np.ndarray
    from_s: Floats
    fall_s: Floats
    stated: Floats
    volume: Floats
    smallest: Floats
    doubt: Floats
    slowly: Floats
    boiled: Floats


def gather(ticks: Ticks, pulls: list[Pull], job: Job) -> Evidence:
    """Return the evidence at every tick."""
    n = len(ticks)
    standing = np.fmin(ticks.reference_k, ticks.plateau_k + AT_REST_K)
    depression = standing - ticks.bubble_k
    under = depression >= GONE_K
    # the last liquid of a blend boils at the dew point: only a plate that closes does without that depression too
    under_dew = _stayed(ticks.at_s, under & (standing - ticks.dew_k >= GONE_K), STAYS_S)
    depth = np.full(n, np.nan)
    if ticks.fluid is not None:
        depth = np.log(np.asarray(ticks.fluid.dew_pressure_pa(standing)) / np.maximum(ticks.pressure_pa, 1.0))
    stated, charge = job.circuit.internal_volume_m3, job.circuit.charge_kg
    share = np.nan if charge is None or charge <= 0.0 else 1.0 / charge
    seen = _look(ticks, pulls, depression, depth, job)
    # a volume looks smaller than stated where the stated one is too large, and where gas is cold from expanding
    volume = seen.volume if stated is None else 0.5 * (stated + np.fmin(seen.volume, stated))
    vapour = np.nan_to_num(volume * ticks.density)
    unaccounted = ((charge or 0.0) - ticks.moved_kg - vapour) * share
    shallow, much = depression < GONE_K, unaccounted >= MUCH
    # what was said gives way as soon as the balance says that liquid boils; deep down that may be out of the oil
    soft = _latched(seen.soft, shallow | (seen.against & (much | (depth < SHALLOW))) | seen.slows)
    enough = np.where(much, BOILS_MUCH, BOILS if stated is not None else BOILS_GUESSED)
    chills = _stayed(ticks.at_s, depression >= CHILL_K, CHILL_S) & (seen.boiled > enough)
    wet = ((chills | seen.chilled) & ~soft) | seen.ended
    in_vapour = vapour * share
    over = PLATE_OVER + VAPOUR_UNSURE * in_vapour + ticks.mass_resolution_kg * share
    both = 1.0 / np.hypot(1.0 / VOLUME_UNSURE, np.nan_to_num(2.0 / seen.doubt))
    doubt = (np.fmax(seen.doubt, VOLUME_UNSURE) if stated is None else both) * in_vapour
    # what one reading of the scale does not see may stand as liquid; many readings see half of it
    unseen = ticks.mass_resolution_kg * share
    short = np.clip(POCKET_LEAST - unseen, 0.5 * PLATE_SHORT, PLATE_SHORT) + SHORT_UNSURE * in_vapour
    closes = (unaccounted <= short) & (unaccounted >= -over) & (doubt <= PLATE_DOUBT)
    pocket = (unaccounted > PLATE_SHORT) & (unaccounted < POCKET)
    room_left = ~((unaccounted <= COLD_SHORT) | (unaccounted >= POCKET))
    slow = (_boils(ticks, seen.run, np.fmax(volume, seen.smallest), under) & ~seen.dry) | seen.surely_more
    slowest = np.where(_stayed(ticks.at_s, ~pocket, CHILL_S), DEEP_BOILS, POCKET_BOILS)
    deep = seen.long & (seen.slowly <= slowest) & (depth >= np.where(pocket, DEEP_POCKET, DEEP))
    return Evidence(
        depression_k=depression,
        depressed=_stayed(ticks.at_s, under, STAYS_S),
        depth=depth,
        dry=seen.dry,
        dry_from_s=seen.from_s,
        dry_soft=soft,
        boils=_stayed(ticks.at_s, slow & room_left, COLD_STAYS_S),
        still=_stayed(ticks.at_s, under & (ticks.flow == 0.0), CHILLED_S) & ~soft,
        pocket=pocket | np.isnan(unaccounted) | (unaccounted >= POCKET),
        stands=_latched(wet, soft | shallow) | shallow,
        under_dew=under_dew,
        deep=under_dew & deep,
        wet=wet,
        against=seen.against,
        agrees=closes & seen.roughly & seen.lately & ((ticks.flow != 0.0) | (stated is not None)),
        unaccounted=unaccounted,
        fall_s=_held_on(seen.fall_s),
        least_rise=_least_rise(ticks, depression, seen.volume, job),
    )


def _look(ticks: Ticks, pulls: list[Pull], depression: Floats, depth: Floats, job: Job) -> _Seen:
    n = len(ticks)
    told_m3, charge = job.circuit.internal_volume_m3, job.circuit.charge_kg
    stated_m3 = np.full(n, np.nan if told_m3 is None else told_m3)
    flags = [np.zeros(n, dtype=bool) for _ in range(10)]
    dry, roughly, soft, lately, long, surely, chilled, ended, against, slows = flags
    run, from_s, fall_s, boiled = np.zeros(n), np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    volume, doubt = np.full(n, np.nan), np.full(n, np.nan)
    slowly = np.full(n, np.inf)
    least = [np.inf] * len(WINDOWS)
    for number, pull in enumerate(pulls, start=1):
        start = int(np.searchsorted(ticks.at_s, ticks.at_s[pull.first] + (HOSE_S if pull.first else 0.0)))
        part = slice(start, pull.last + 1)
        if pull.last - start < 2:
            continue
        run[part] = number
        at, density, moved = ticks.at_s[part], ticks.density[part], ticks.moved_kg[part]
        spans = spans_of(ticks, part, depression)
        by_window = dict(zip(WINDOWS, spans, strict=True))
        near, half = by_window[0.12], by_window[0.5]
        steady = steady_fall(near, by_window[0.25])
        fall_s[part] = near.seconds / np.log(near.ratio)
        if told_m3 is not None:
            stated_m3[part] = _larger(spans, stated_m3[start], told_m3)
            stated_m3[part.stop :] = stated_m3[pull.last]
        stated = stated_m3[part]
        room = DRY * stated if told_m3 is not None else DENSEST_FILL * _charge(charge, moved) / _liquid_density(ticks)
        newest = np.full(len(at), np.nan)
        for span in spans:
            newest = np.where(np.isfinite(newest), newest, span.middle)
            volume[part] = np.fmin(volume[part], np.where(span.known, 0.5 * (span.middle + span.high), np.nan))
            doubt[part] = np.fmin(doubt[part], np.where(span.known, span.spread, np.nan))
            earlier_since = depression[span.before] >= CHILL_K
            lasted = ticks.at_s[span.begin] - ticks.at_s[span.before] >= CHILLED_S
            ended[part] |= span.broke & span.known & earlier_since & lasted
        slowly[part] = np.fmin.reduce([span.boils for span in spans if span.window >= LONG_FALL])
        smallest = np.fmin.accumulate(volume)[part]
        if told_m3 is not None:
            for span in reversed(spans):
                enough = span.high >= SCALE_FAILS * stated
                hit = enough & (span.high <= DRY * stated)
                dry[part] |= hit
                from_s[part] = np.where(hit, at - span.seconds, from_s[part])
                soft[part] |= enough & (span.high <= DRY_SOFT * stated)
                since = depression[span.begin] >= GONE_K
                surely[part] |= since & (span.low > COLD_SURE * np.fmax(stated, smallest))
                chills = depression[span.begin] >= CHILL_K
                chilled[part] |= chills & span.known & (span.low > CHILLED * stated) & (span.seconds >= CHILLED_S)
            for span in spans:
                roughly[part] |= (span.middle <= DRY * told_m3) & (span.high <= ROUGHLY * told_m3)
            lately[part] = newest <= DRY * told_m3
            grew = half.low > (1.0 + SAME) * half.earlier
            for span in spans:
                far = (span.window >= LONG_FALL) & (span.high >= SCALE_FAILS * stated)
                long[part] |= far & (span.high <= DRY_DEEP * stated) & ~grew
        else:
            for i, span in enumerate(spans):
                grew_not, least[i] = no_more(span, least[i])
                lately[part] |= grew_not
                tight = span.known & (span.middle <= room)
                alike = tight & ((np.abs(span.earlier - span.middle) <= ALIKE * span.middle) | span.broke)
                dry[part] |= alike
                roughly[part] |= alike
                long[part] |= alike & grew_not
                from_s[part] = np.where(alike, at - 2.0 * span.seconds, from_s[part])
                # a pool that chills itself looks alike, too, from one short fall to the next
                soft[part] |= alike & ((span.window >= OWN_FALL) | span.broke)
        against[part] = near.low > (DRY_SOFT / DRY if told_m3 is not None else 1.0) * room
        pace = np.where(depth[part] < SHALLOW, near.seconds / np.log(near.ratio), np.nan)
        slower = ~np.isfinite(moved) & (pace > SLOWS * np.fmin.accumulate(pace)) & (ticks.flow[part] != 1.0)
        slows[part] = _stayed(at, slower, CHILL_S)  # a pause is known sooner
        flowing = ticks.flow[part] != 0.0
        soft[part] |= flowing & steady & (depth[part] > 0.2) & ~against[part] & ~slows[part]
        past = np.maximum(before(at, CHILL_S), 0)
        gained = moved - moved[past]
        vapour = room * np.maximum(density[past] - density, 0.0)
        weighed = gained > 4.0 * ticks.mass_resolution_kg[part]
        with np.errstate(divide="ignore", invalid="ignore"):
            boiled[part] = np.where(weighed, 1.0 - vapour / gained, np.nan)
    return _Seen(
        run=run,
        dry=dry,
        roughly=roughly,
        soft=soft,
        lately=lately,
        long=long,
        surely_more=surely,
        chilled=chilled,
        ended=ended,
        against=against,
        slows=slows,
        from_s=from_s,
        fall_s=fall_s,
        stated=stated_m3,
        # what boils slowly makes it look larger, the more the lower the pressure
        volume=np.fmin.accumulate(volume) if n and told_m3 is None else _held_on(volume),
        smallest=np.fmin.accumulate(volume),
        doubt=_held_on(doubt),
        slowly=slowly,
        boiled=boiled,
    )


def _boils(ticks: Ticks, run: Floats, volume: Floats, under: np.ndarray) -> np.ndarray:
    """Return where more than vapour left over `COLD_S` of one pull (`run`: its number, 0 between), all `under`."""
    past = before(ticks.at_s, COLD_S)
    old = np.maximum(past, 0)
    gained = ticks.moved_kg - ticks.moved_kg[old]
    lost = volume * (ticks.density[old] - ticks.density)
    seen = (past >= 0) & under[old] & (run > 0) & (run == run[old]) & (gained > 6.0 * ticks.mass_resolution_kg)
    return np.asarray(seen & (lost > 0.0) & (gained > COLD_BOILS * lost))


def _least_rise(ticks: Ticks, depression: Floats, volume: Floats, job: Job) -> Floats:
    """Return the share of its pressure by which the least pocket would raise it in a pause [1/s], shape (n,)."""
    if ticks.fluid is None:
        return np.full(len(ticks), np.nan)
    stated, charge, density = job.circuit.internal_volume_m3, job.circuit.charge_kg, _liquid_density(ticks)
    room = volume if stated is None else np.fmax(volume, stated)
    if charge is None:
        liquid = np.where(np.isfinite(room), room / DENSEST_FILL, LARGEST_KG / density)
    else:
        liquid = np.full(len(ticks), charge / density)
    room = np.where(np.isfinite(room), room, DENSEST_FILL * liquid)
    conductance = POCKET_FILM * POCKET_SURFACE * (POCKET_LEAST * liquid) ** (2.0 / 3.0)
    heat = conductance * np.maximum(depression, 0.0)
    return np.asarray(heat / np.asarray(ticks.fluid.latent_heat_j_per_kg(ticks.bubble_k)) / (room * ticks.density))


def _larger(spans: list[Span], known: float, told: float) -> Floats:
    """Return the volume to compare with at each tick: `known` so far, or the least larger one that falls show since."""
    shown = np.full(len(spans[0].middle), np.inf)
    for span in spans:
        same = np.abs(span.earlier - span.middle) <= SAME * span.middle
        sure = (
            span.known & (span.spread <= OWN_TIGHT) & same & (span.low > DRY * told) & (span.middle <= ROUGHLY * told)
        )
        shown = np.fmin(shown, np.where(sure & (span.window >= OWN_FALL), span.middle, np.inf))
    least = np.minimum.accumulate(shown)
    if known > told:
        return np.minimum(least, known)
    return np.where(np.isfinite(least), least, told)


def _charge(charge: float | None, moved: Floats) -> Floats | float:
    return np.fmax(np.fmax.accumulate(moved), 0.0 if charge is None else charge)


def _liquid_density(ticks: Ticks) -> float:
    return np.nan if ticks.fluid is None else float(ticks.fluid.liquid_density(283.15))


def _stayed(at_s: Floats, ok: np.ndarray, long_s: float) -> np.ndarray:
    """Return where `ok` has held for `long_s` without a break, shape (n,)."""
    last = np.maximum.accumulate(np.where(ok, -np.inf, at_s))
    begun = at_s[0] if len(at_s) else 0.0
    return np.asarray(ok & (at_s - np.maximum(last, begun) >= long_s))


def _latched(on: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Return where `on` has been seen since `off` last was, shape (n,)."""
    order = np.arange(len(on))
    return np.asarray(np.maximum.accumulate(np.where(on, order, -1)) > np.maximum.accumulate(np.where(off, order, -1)))


def _held_on(values: Floats) -> Floats:
    """Return each value, or the newest one before it."""
    i = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), -1))
    return np.where(i >= 0, values[np.maximum(i, 0)], np.nan)
