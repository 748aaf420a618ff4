"""Whether liquid still stands: what the pressure, the water, the scale, the plate and the pauses say together.

While no liquid boils, what the scale gains is what the vapour in the circuit loses: dm = V d(density). While
liquid boils more arrives than that: the *apparent volume* dm/d(density) is larger than the circuit. The last
liquid may sit apart, in a pocket or in ice-cold standing water, where it boils too slowly to be seen in that
balance. Either the plate's charge is accounted for, or the fall was such that what is missing would have boiled
visibly had it been liquid, or a pause shows it: one of them is asked for before liquid is called gone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.recovery.apparent_volume import (
    SAME,
    SLOWEST_S,
    TIGHT,
    WINDOWS,
    flashed_share,
    no_more,
    spans_of,
    steady_fall,
)
from analysis.recovery.pauses import HOSE_S, Pause, Pull, before
from analysis.recovery.ticks import Ticks
from analysis.vocabulary.job import Job

GONE_K = 2.78
"""5 degF under the leaving water. Common practice in the trade, no published source."""
LEFT_K = 1.0
"""A depression from which on pressure has left what it stood at."""
STAYS_S = 60.0
"""The depression has to stay this long; common practice."""
AT_REST_K = 0.5
"""Liquid is at most this much warmer than the saturation at rest; a water sensor that says more is stale."""
DRY = 1.2
"""Apparent over stated volume up to which no liquid boils; stated volumes are seldom better known than that."""
DRY_DEEP = 1.12
"""The same over a long fall, where the apparent volume must also not have grown."""
DRY_SOFT = 1.4
"""The same, for not warning of freezing any more: what still boils is a small share of what leaves."""
SEEN_MORE, PLATE_MORE = 1.02, 0.02
"""Before plate and scale are said to agree: no fall since the depression may surely show more than so many times the
stated volume, and the best known apparent volume exceeds it by no more than this share."""
SCALE_FAILS = 0.4
"""Apparent over stated volume under which the scale has missed mass, or the volume is wrong: no evidence."""
ALIKE = 0.15
"""Two apparent volumes are the same within this share."""
DENSEST_FILL = 6.0
"""No circuit has more than this many times the volume of its charge as liquid, with room to spare; common practice."""
PLATE_SHORT, PLATE_OVER = 0.002, 0.005
"""Share of the plate's charge not accounted for, short and over, up to which plate and scale agree."""
POCKET = 0.06
"""A share missing up to this may well stand in a pocket or in the oil; more of it is a machine that arrived short."""
UNSEEN_S, UNSEEN = 180.0, 0.01
"""A scale that gains nothing for this long while the machine pulls has missed what is more than this share of the
charge at the pace before: what is missing from the plate then says nothing."""
PLATE_DOUBT = 0.005
"""Before they agree, the apparent volume of the fall since the depression is known so well that what it leaves open of
the vapour is no more than this share of the charge."""
FLASHES = 2.5
"""Liquid cools as the pressure falls, by boiling. If what the plate misses were liquid, the apparent volume would
exceed the circuit's by what then boils; it is not there when the excess is this many times less, and it is known."""
LEAST, LEAST_EXCESS = 0.85, 0.05
"""The least that the circuit can have, over the stated volume (gas laws, cold vapour, volumes out of a book), and the
least excess that can be told."""
GUESSED = 0.1
"""Share by which a volume that only the scale gave may be too large, because a little still boiled meanwhile."""
HALF = 1.0
"""ln of the pressure fall from which such a volume is good enough to compare with the plate."""
LITTLE_VAPOUR = 0.03
"""Share of the charge up to which vapour is too little to weigh, and to matter when the plate agrees."""
DEEP = 1.5
"""ln of the pressure fall after which even a slow pocket shows in the apparent volume."""
FLAT = 0.006
"""A pause in which pressure rises by no more than this shows that nothing boils."""
SHORT_PAUSE_S, LONG_PAUSE_S = 300.0, 600.0
"""How long a flat pause has to be where the balance says the same, and where it says nothing; common practice."""
NOT_ICE_K = 15.0
"""Pressure that stops falling may be ice forming round the tubes, unless saturation is this far under freezing."""
BOILS, BOILS_GUESSED, BOILS_MUCH = 0.5, 0.35, 0.15
"""Self-chilling: this share of what left must have boiled; less where the volume was taken as large as can be, and
less where the plate misses more than pocket and oil hold."""
MUCH = 0.1
"""That share of the plate's charge."""
CHILL_K, CHILL_S = 5.0, 300.0
"""Self-chilling: a depression well beyond the 5 degF rule, this long, with more mass than vapour can give."""

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
        roughly, and nothing has spoken against it since. deep : the same over a long fall, and nothing boils slowly.
    boils : some of what leaves must be liquid that boils, and the plate leaves room for a pocket.
    pocket : what is missing from the plate's charge may stand apart.
    wet : more mass leaves than vapour can give, while chilled. against : the balance says that liquid boils.
    agrees : plate and scale agree that nothing but vapour is left.
    short : nothing boils, nothing chilled itself before, and more is missing than a pocket holds: it arrived short.
    unaccounted : share of the plate's charge neither weighed nor there as vapour.
    fall_s : seconds for a fall by e while pulling. volume : stated, else apparent [m3].
    """

    depression_k: Floats
    depressed: np.ndarray
    under_dew: np.ndarray
    depth: Floats
    dry: np.ndarray
    dry_from_s: Floats
    dry_soft: np.ndarray
    boils: np.ndarray
    pocket: np.ndarray
    deep: np.ndarray
    wet: np.ndarray
    against: np.ndarray
    agrees: np.ndarray
    short: np.ndarray
    unaccounted: Floats
    fall_s: Floats
    volume: Floats


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
        depth = np.log(np.asarray(ticks.fluid.dew_pressure_pa(standing)) / ticks.pressure_pa)
    stated = job.circuit.internal_volume_m3
    charge = job.circuit.charge_kg
    share = np.nan if charge is None or charge <= 0.0 else 1.0 / charge
    dry, soft, shape, deep, against, more, sure, lately = (np.zeros(n, dtype=bool) for _ in range(8))
    absent, boiled = np.full(n, np.inf), np.full(n, np.nan)
    from_s, fall_s = np.full(n, np.nan), np.full(n, np.nan)
    volume = np.full(n, np.nan if stated is None else stated)
    run, seen = np.zeros(n), np.full(n, np.nan)
    most, least = -np.inf, [np.inf] * len(WINDOWS)
    for number, pull in enumerate(pulls, start=1):
        start = int(np.searchsorted(ticks.at_s, ticks.at_s[pull.first] + (HOSE_S if pull.first else 0.0)))
        part = slice(start, pull.last + 1)
        if pull.last - start < 2:
            continue
        run[part] = number
        at, density, moved = ticks.at_s[part], ticks.density[part], ticks.moved_kg[part]
        spans = spans_of(ticks, part)
        fall_s[part] = spans[0].seconds / np.log(spans[0].ratio)
        room = _most_volume(stated, charge, ticks, part)
        if stated is not None:
            for span in reversed(spans):
                enough = span.high >= SCALE_FAILS * stated
                hit = enough & (span.high <= DRY * stated)
                dry[part] |= hit
                from_s[part] = np.where(hit, at - span.seconds, from_s[part])
                soft[part] |= enough & (span.high <= DRY_SOFT * stated)
            lately[part] = spans[0].middle <= DRY * stated
            for span in reversed(spans):
                since = depression[span.begin] >= LEFT_K
                doubt = 0.5 * (span.high - span.low) * density * share
                seen[part] = np.where(since & (doubt <= PLATE_DOUBT), span.middle, seen[part])
                more[part] |= since & (span.low > SEEN_MORE * stated)
                sure[part] |= since & (span.low > COLD_SURE * stated)
            half, whole = spans[2], spans[3]
            excess = np.maximum(half.high - LEAST * stated, LEAST_EXCESS * stated)
            usable = (half.high >= SCALE_FAILS * stated) & (depression[half.begin] >= GONE_K) & steady_fall(spans)
            absent[part] = np.where(
                usable, FLASHES * excess * half.lost / flashed_share(ticks, half.begin, part), np.inf
            )
            grew = half.low > (1.0 + SAME) * half.earlier
            deep[part] |= (whole.high >= SCALE_FAILS * stated) & (whole.high <= DRY_DEEP * stated) & ~grew
        else:
            low = np.where(np.isfinite(spans[0].low), spans[0].low, -np.inf)
            knee = np.maximum(most, np.maximum.accumulate(low))
            most = float(knee[-1])
            same = []
            for i, span in enumerate(spans[:3]):
                ok, least[i] = no_more(span, least[i])
                same.append(ok)
            lately[part] = same[1]
            for span, grew_not in zip(spans[:3], same, strict=True):
                tight = (span.low > 0.0) & (span.high - span.low <= TIGHT * span.middle) & (span.middle <= room)
                alike = tight & (np.abs(span.earlier - span.middle) <= ALIKE * span.middle)
                dry[part] |= alike
                deep[part] |= alike & grew_not
                from_s[part] = np.where(alike, at - 2.0 * span.seconds, from_s[part])
                soft[part] |= alike
                shape[part] |= tight & (knee >= 2.5 * span.middle)
                volume[part] = np.where(tight, span.middle, volume[part])
        against[part] = spans[0].low > (DRY_SOFT / DRY if stated is not None else 1.0) * room
        shape[part] |= steady_fall(spans) & (depth[part] > 0.2) & ~against[part]
        past = np.maximum(before(at, CHILL_S), 0)
        gained = moved - moved[past]
        vapour = room * np.maximum(density[past] - density, 0.0)
        weighed = gained > 4.0 * ticks.mass_resolution_kg[part]
        with np.errstate(divide="ignore", invalid="ignore"):
            boiled[part] = np.where(weighed, 1.0 - vapour / gained, np.nan)
    volume = _held_on(volume)
    vapour = np.where(np.isfinite(volume), volume * ticks.density, 0.0) * (1.0 if stated is not None else 1.0 - GUESSED)
    unaccounted = ((charge or 0.0) - ticks.moved_kg - vapour) * share
    shallow, much = depression < GONE_K, unaccounted >= MUCH
    soft = _latched(soft, shallow | (against & much)) | _latched(shape, shallow | against)
    enough = np.where(much, BOILS_MUCH, BOILS if stated is not None else BOILS_GUESSED)
    wet = _stayed(ticks.at_s, depression >= CHILL_K, CHILL_S) & (boiled > enough)
    # a stated volume that is too large would stand for liquid: where the balance shows less, the mean of both counts
    less = np.fmax(1.0 - _held_on(seen) / volume, 0.0) / 2.0
    closes = unaccounted + np.nan_to_num(less) * vapour * share
    agrees = (closes <= PLATE_SHORT) & (closes >= -PLATE_OVER)
    agrees &= ~more & ~(_held_on(seen) > (1.0 + PLATE_MORE) * volume)
    well = np.isfinite(seen) if stated is not None else depth >= HALF
    agrees &= (dry & lately & well) | (soft & lately & (vapour * share <= LITTLE_VAPOUR))
    room_left = ~((unaccounted <= COLD_SHORT) | (unaccounted >= POCKET))
    pocket_boils = _stayed(ticks.at_s, ((_boils(ticks, run, volume) & ~dry) | sure) & room_left, COLD_STAYS_S)
    lowest = np.minimum.accumulate(ticks.pressure_pa) + 2.0 * ticks.resolution_pa
    chilled_before = np.maximum.accumulate(wet & ~soft) if n else wet
    short = (
        ~_missed(ticks, run, charge)
        & dry
        & lately
        & (unaccounted * (charge or np.nan) >= absent)
        & (ticks.pressure_pa <= lowest)
        & ~chilled_before
        & (ticks.flow != 0.0)
    )
    return Evidence(
        depression_k=depression,
        depressed=_stayed(ticks.at_s, under, STAYS_S),
        depth=depth,
        dry=dry,
        dry_from_s=from_s,
        dry_soft=soft,
        boils=pocket_boils,
        pocket=(unaccounted > PLATE_SHORT) & (unaccounted < POCKET),
        under_dew=under_dew,
        deep=deep & under_dew & (depth >= DEEP),
        wet=wet & ~soft,
        against=against,
        agrees=agrees,
        short=short & under_dew,
        unaccounted=unaccounted,
        fall_s=_held_on(fall_s),
        volume=volume,
    )


def _missed(ticks: Ticks, run: Floats, charge: float | None) -> np.ndarray:
    """Return where the scale has by then missed a notable share of the charge, shape (n,) of bool."""
    past = before(ticks.at_s, UNSEEN_S)
    old = np.maximum(past, 0)
    gained = np.where(past >= 0, ticks.moved_kg - ticks.moved_kg[old], np.nan)
    index = pd.to_timedelta(ticks.at_s, unit="s")
    lately = pd.Series(gained, index=index).rolling("1200s").max().to_numpy(dtype=float)
    idle = (run > 0) & (run == run[old]) & (gained <= 2.0 * ticks.mass_resolution_kg)
    missed = idle & (lately > UNSEEN * (charge or np.inf))
    return np.maximum.accumulate(missed) if len(missed) else missed


def _boils(ticks: Ticks, run: Floats, volume: Floats) -> np.ndarray:
    """Return where more than vapour left the circuit over `COLD_S` of one pull (`run`: its number, 0 between)."""
    past = before(ticks.at_s, COLD_S)
    old = np.maximum(past, 0)
    gained = ticks.moved_kg - ticks.moved_kg[old]
    lost = volume * (ticks.density[old] - ticks.density)
    seen = (past >= 0) & (run > 0) & (run == run[old]) & (gained > 6.0 * ticks.mass_resolution_kg)
    return np.asarray(seen & (lost > 0.0) & (gained > COLD_BOILS * lost))


def _most_volume(stated: float | None, charge: float | None, ticks: Ticks, part: slice) -> Floats | float:
    if stated is not None:
        return DRY * stated
    return DENSEST_FILL * _charge(charge, ticks.moved_kg[part]) / _liquid_density(ticks)


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


@dataclass(frozen=True)
class Call:
    """A tick at which something was sure, since when it was so, and by what."""

    tick: int
    since_s: float
    by: str


def liquid_gone(ticks: Ticks, evidence: Evidence, pauses: list[Pause], freezes_at_k: float) -> Call | None:
    """Return when liquid could first be called gone, None while it could not.

    Asked for is the depression, staying, and one of: a balance that says nothing boils with a plate that agrees; the
    same over a fall in which what the plate misses would have shown, were it liquid; the same over a fall so deep
    that a pocket would show; a flat pause with that balance; a flat pause of 10 min after a quick fall where there
    is no scale to say anything.
    """
    sure = evidence.depressed & (evidence.agrees | evidence.short | evidence.deep)
    calls = []
    hit = np.flatnonzero(sure)
    if len(hit):
        by = "plate" if evidence.agrees[hit[0]] else "short" if evidence.short[hit[0]] else "balance"
        calls.append((int(hit[0]), by))
    for pause in pauses:
        if pause.base is None or pause.first == 0:
            continue
        k = np.arange(pause.base, pause.last + 1)
        level = minute_median(ticks.pressure_pa[k])
        base = level[min(2, len(level) - 1)]
        allowed = np.maximum(FLAT * base, np.minimum(1.2 * ticks.resolution_pa[k], 5.0 * FLAT * base))
        flat = np.maximum.accumulate(level - base) <= allowed
        long = ticks.at_s[k] - ticks.at_s[pause.base]
        prior = pause.first - 1
        lately = slice(max(0, int(np.searchsorted(ticks.at_s, pause.begin_s - CHILL_S))), prior + 1)
        by_balance = bool(evidence.dry[lately].any())
        quick = evidence.fall_s[prior] <= SLOWEST_S and evidence.depth[prior] >= 0.2
        if not pause.marked and not np.isfinite(ticks.moved_kg[prior]):
            quick = quick and ticks.bubble_k[prior] < freezes_at_k - NOT_ICE_K
        blind = quick and not evidence.against[lately].any()
        enough = (by_balance & (long >= np.where(evidence.pocket[k], LONG_PAUSE_S, SHORT_PAUSE_S))) | (
            blind & (long >= LONG_PAUSE_S)
        )
        hit = k[flat & enough & evidence.under_dew[k] & (k >= pause.first)]
        if len(hit):
            calls.append((int(hit[0]), "pause"))
            break
    if not calls:
        return None
    tick, by = min(calls)
    shallow = np.flatnonzero(evidence.depression_k[: tick + 1] < GONE_K)
    since = ticks.at_s[shallow[-1]] if len(shallow) else ticks.at_s[0]
    balance = evidence.dry_from_s[: tick + 1]
    balance = balance[np.isfinite(balance)]
    return Call(tick, float(max(since, balance[0]) if len(balance) else since), by)


def minute_median(values: Floats) -> Floats:
    """Return the median of the last six ticks at each, shape (n,)."""
    return np.asarray(pd.Series(values).rolling(6, min_periods=1).median(), dtype=float)
