"""What the balance of mass and density shows while the machine pulls: whether no liquid boils, or some does."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from analysis.recovery.apparent_volume import SAME, WINDOWS, Span, Sums, spans_of, standing, steady_fall
from analysis.recovery.pauses import HOSE_S, Pull, before, leaps
from analysis.recovery.ticks import Floats, Ticks
from analysis.stretch import stayed
from analysis.vocabulary.job import Job

GONE_K = 2.78
"""5 degF under the leaving water. Common practice in the trade, no published source."""
DRY = 1.2
"""Apparent over stated volume up to which no liquid boils; stated volumes are seldom better known than that. Surely
beyond it something boils."""
ROUGHLY = 1.5
"""Where the plate's charge is accounted for as well, the upper bound need be no closer."""
DRY_SOFT = 1.4
"""The same, for not warning of freezing any more: what still boils is a small share of what leaves."""
FAR_K = 2.0 * GONE_K
"""Nor is freezing warned of once the pressure fell steadily to so far under the water, with nothing that speaks for
liquid: by the bubble point, as everything that is asked of freezing. By the dew point a blend with glide is at freezing
before it looks far from where it stood; common practice."""
OWN_FALL, OWN_TIGHT = 0.35, 0.15
"""A stated volume gives way to a larger one, up to `ROUGHLY` times, that is known so closely over a fall of this length
and was the same over the fall before: what boils is a growing share."""
SCALE_FAILS = 0.4
"""Apparent over stated volume under which the scale has missed mass, or the volume is wrong: no evidence."""
ALIKE = 0.15
"""Two apparent volumes are the same within this share."""
DENSEST_FILL = 6.0
"""No circuit has more than this many times the volume of its charge as liquid, with room to spare; common practice."""
FALLS_SLOWER, SHALLOW = 1.25, 1.0
"""Without a scale: a fall that has become so many times slower is liquid that chills itself. Down from this ln of the
pressure fall the machine itself gets slower, and what boils may come out of the oil; common practice."""
SURELY_SLOWER, SURELY_S = 1.5, 45.0
"""So many times slower is told so soon, where it falls evenly: a fall round a short stand looks even for less."""
LEAST_FELL, EVENLY = 0.004, 0.35
"""A pressure that falls by this share in half of the time it is looked at is drawn; common practice. It falls evenly
where either half has this share of the fall: a machine that stood for a part of it looks slower by a third at most."""
WEIGHED, SHORTEST = 4.0, 0.12
"""A fall is weighed where the vapour that it takes is so many steps of the scale. Over less of one, in ln of the
density, the lag of gauge and gas tells as much as the circuit; common practice."""
CHILLED_S = 180.0
"""Self-chilling: an apparent volume beyond `ROUGHLY` times the stated one, for so long, is no circuit's."""
CHILL_S = 300.0
"""Self-chilling: so long under the water by the 5 degF rule, with more mass than vapour can give."""


@dataclass(frozen=True)
class Seen:
    """What the balance of mass and density showed while the machine pulled, at each tick; arrays of shape (n,).

    `stated` is the stated volume, or the larger one that it gave way to; `volume` what was seen, rather too large;
    `doubt` the share between the bounds of the best known one; `slowly`, `whole` and `unsure` as in `Standing`, the
    first by a pull alone or through the pauses;
    `soft` says less than `dry`; `roughly` that some fall fits the stated volume, `lately` that the newest one does;
    `beyond` is by how much the volume over the shortest fall that is weighed surely is beyond what vapour alone can
    look like, less than nothing where it is not; NaN where no fall is weighed;
    `slows` that the fall gets slower; `chilled` and `ended` that a depressed pool boiled, while it did and once it had;
    `smallest` the least volume seen so far.
    """

    run: Floats
    dry: np.ndarray
    roughly: np.ndarray
    soft: np.ndarray
    lately: np.ndarray
    surely_more: np.ndarray
    chilled: np.ndarray
    ended: np.ndarray
    against: np.ndarray
    beyond: Floats
    slows: np.ndarray
    from_s: Floats
    fall_s: Floats
    stated: Floats
    volume: Floats
    smallest: Floats
    doubt: Floats
    slowly: Floats
    whole: Floats
    unsure: Floats
    boiled: Floats


def look(ticks: Ticks, pulls: list[Pull], depression: Floats, depth: Floats, job: Job) -> Seen:
    """Return what every pull showed, tick by tick."""
    told_m3, charge = job.circuit.internal_volume_m3, job.circuit.charge_kg
    seen = _nothing_seen(len(ticks), told_m3)
    even_s = even_pace(ticks, CHILLED_S)
    least_so_far_s = np.inf
    for number, pull in enumerate(pulls, start=1):
        start = int(np.searchsorted(ticks.at_s, ticks.at_s[pull.first] + (HOSE_S if pull.first else 0.0)))
        part = slice(start, pull.last + 1)
        if pull.last - start < 2:
            continue
        seen.run[part] = number
        at, density, moved = ticks.at_s[part], ticks.density[part], ticks.moved_kg[part]
        sums = Sums(ticks, part, depression)
        spans = spans_of(sums)
        by_window = dict(zip(WINDOWS, spans, strict=True))
        near = by_window[SHORTEST]
        seen.fall_s[part] = near.seconds / np.log(near.ratio)
        if told_m3 is not None:
            seen.stated[part] = _larger(spans, seen.stated[start], told_m3)
            seen.stated[part.stop :] = seen.stated[pull.last]
            room: Floats | float = DRY * seen.stated[part]
        else:
            room = _largest(charge, moved, density, liquid_density(ticks))
        too_large = (DRY_SOFT / DRY if told_m3 is not None else 1.0) * room
        seen.against[part] = near.low > too_large
        for span in reversed(spans):
            weighed = (span.window >= SHORTEST) & (too_large * span.lost > WEIGHED * ticks.mass_resolution_kg[part])
            seen.beyond[part] = np.where(weighed & np.isfinite(span.low), span.low - too_large, seen.beyond[part])
        for span in spans:
            seen.volume[part] = np.fmin(
                seen.volume[part], np.where(span.known, 0.5 * (span.middle + span.high), np.nan)
            )
            seen.doubt[part] = np.fmin(seen.doubt[part], np.where(span.known, span.spread, np.nan))
            earlier_since = depression[span.before] >= GONE_K
            lasted = ticks.at_s[span.begin] - ticks.at_s[span.before] >= CHILLED_S
            seen.ended[part] |= span.broke & span.known & earlier_since & lasted
        if told_m3 is not None:
            pool = seen.against[part] & (depth[part] < SHALLOW)
            _beside_stated(seen, part, at, spans, depression, pool, told_m3)
        else:
            _beside_itself(seen, part, at, spans, room)
        stands = standing(sums, seen.against[part] | ~(depression[part] >= GONE_K))
        seen.slowly[part], seen.whole[part], seen.unsure[part] = stands.slowly, stands.whole, stands.unsure
        pace = np.where(depth[part] < SHALLOW, seen.fall_s[part], np.nan)
        # a pool that chilled itself before a pause goes on after it
        least = np.fmin(np.fmin.accumulate(pace), least_so_far_s)
        least_so_far_s = least[-1]
        least_s = np.where(~np.isfinite(moved) & (ticks.flow[part] != 1.0), least, np.nan)
        surely = even_s[part] > SURELY_SLOWER * least_s
        # a pause is known sooner
        slower = stayed(at, pace > FALLS_SLOWER * least_s, CHILL_S)
        seen.slows[part] = slower | stayed(at, surely & (depth[part] < SHALLOW), SURELY_S)
        steady = steady_fall(near, by_window[0.25]) & (ticks.flow[part] != 0.0)
        seen.soft[part] |= steady & (depression[part] > FAR_K) & ~seen.against[part] & ~seen.slows[part]
        past = np.maximum(before(at, CHILL_S), 0)
        gained = moved - moved[past]
        vapour = room * np.maximum(density[past] - density, 0.0)
        weighed = gained > 4.0 * ticks.mass_resolution_kg[part]
        with np.errstate(divide="ignore", invalid="ignore"):
            seen.boiled[part] = np.where(weighed, 1.0 - vapour / gained, np.nan)
    # what boils goes on while the machine stands, and mass and vapour with it: a pause parts slow boiling from the fall
    # unless its gauge stood on a hose that was shut, or looked elsewhere, as it shows by a leap
    unseen = np.diff(ticks.unseen_kg, prepend=ticks.unseen_kg[:1]) > ticks.mass_resolution_kg
    through = standing(
        Sums(ticks, slice(0, len(ticks)), depression), seen.against | ~(depression >= GONE_K) | unseen | leaps(ticks)
    )
    smallest = np.fmin.accumulate(seen.volume)
    # what boils slowly makes it look larger, the more the lower the pressure
    volume = smallest if told_m3 is None else held_on(seen.volume)
    slowly = np.minimum(seen.slowly, through.slowly)
    return replace(seen, volume=volume, smallest=smallest, doubt=held_on(seen.doubt), slowly=slowly)


def _nothing_seen(n: int, told_m3: float | None) -> Seen:
    """Return what is known before anything was seen, to be filled pull by pull."""
    known: dict[str, np.ndarray] = {
        field.name: np.full(n, np.nan) if field.type == "Floats" else np.zeros(n, dtype=bool) for field in fields(Seen)
    }
    stated = np.full(n, np.nan if told_m3 is None else told_m3)
    return Seen(**{**known, "run": np.zeros(n), "stated": stated, "slowly": np.full(n, np.inf)})


def _beside_stated(
    seen: Seen, part: slice, at: Floats, spans: list[Span], depression: Floats, pool: np.ndarray, told_m3: float
) -> None:
    """Hold the apparent volume of a pull against the stated one; `pool` is where something boils for sure."""
    stated, smallest = seen.stated[part], np.fmin.accumulate(seen.volume)[part]
    pool_at = np.maximum.accumulate(np.where(pool, np.arange(part.start, part.stop), -1))
    newest = np.full(len(at), np.nan)
    for span in reversed(spans):
        enough = span.high >= SCALE_FAILS * stated
        hit = enough & (span.high <= DRY * stated)
        seen.dry[part] |= hit
        seen.from_s[part] = np.where(hit, at - span.seconds, seen.from_s[part])
        seen.soft[part] |= enough & (span.high <= DRY_SOFT * stated)
        since = depression[span.begin] >= GONE_K
        seen.surely_more[part] |= since & (span.begin > pool_at) & (span.low > DRY * np.fmax(stated, smallest))
        large = since & span.known & (span.low > ROUGHLY * stated)
        seen.chilled[part] |= large & (span.seconds >= CHILLED_S)
        seen.roughly[part] |= (span.middle <= DRY * told_m3) & (span.high <= ROUGHLY * told_m3)
        newest = np.where(np.isfinite(span.middle), span.middle, newest)
    seen.lately[part] = newest <= DRY * told_m3


def _beside_itself(seen: Seen, part: slice, at: Floats, spans: list[Span], room: Floats | float) -> None:
    """Hold the apparent volumes of a pull against each other, where none is stated."""
    for span in spans:
        tight = span.known & (span.middle <= room)
        alike = tight & ((np.abs(span.earlier - span.middle) <= ALIKE * span.middle) | span.broke)
        seen.dry[part] |= alike
        seen.from_s[part] = np.where(alike, at - 2.0 * span.seconds, seen.from_s[part])
        # a pool that chills itself looks alike, too, from one short fall to the next
        seen.soft[part] |= alike & ((span.window >= OWN_FALL) | span.broke)


def _larger(spans: list[Span], known: float, told: float) -> Floats:
    """Return the volume to compare with at each tick: `known` so far, or the least larger one that falls show since."""
    shown = np.full(len(spans[0].middle), known if known > told else np.inf)
    for span in spans:
        same = np.abs(span.earlier - span.middle) <= SAME * span.middle
        sure = (span.spread <= OWN_TIGHT) & same & (span.low > DRY * told) & (span.middle <= ROUGHLY * told)
        shown = np.fmin(shown, np.where(sure & (span.window >= OWN_FALL), span.middle, np.inf))
    least = np.minimum.accumulate(shown)
    return np.where(np.isfinite(least), least, told)


def _largest(charge: float | None, moved: Floats, density: Floats, liquid: float) -> Floats:
    """Return the most that a circuit of that charge holds [m3]; without a plate it is what left and is vapour yet.

    Vapour as dense as warm carbon dioxide's may be a whole charge: no circuit is too large for that.
    """
    if charge is None:
        return np.asarray(DENSEST_FILL * np.fmax.accumulate(moved) / np.maximum(liquid - DENSEST_FILL * density, 1.0))
    return np.asarray(DENSEST_FILL * np.fmax(np.fmax.accumulate(moved), charge) / liquid)


def liquid_density(ticks: Ticks) -> float:
    """Return the density of the liquid, near what a machine room has [kg/m3]."""
    return np.nan if ticks.fluid is None else float(ticks.fluid.liquid_density(283.15))


def even_pace(ticks: Ticks, long_s: float) -> Floats:
    """Return the seconds for a fall by e over the last `long_s`, NaN where it was not even, shape (n,).

    It falls in either half of the time: else the machine stood in it, and nobody marked that.
    """
    log = np.log(ticks.pressure_pa)
    past, half = (np.maximum(before(ticks.at_s, back_s), 0) for back_s in (long_s, 0.5 * long_s))
    fell, slower = log[past] - log, np.minimum(log[past] - log[half], log[half] - log)
    least = np.maximum(np.maximum(LEAST_FELL, EVENLY * fell), 2.0 * ticks.resolution_pa / ticks.pressure_pa)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(slower > least, (ticks.at_s - ticks.at_s[past]) / fell, np.nan)


def held_on(values: Floats) -> Floats:
    """Return each value, or the newest one before it."""
    i = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), -1))
    return values[np.maximum(i, 0)]
