"""When liquid may be called gone, out of the evidence while pulling and out of the pauses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import lambertw

from analysis.bins import running_median
from analysis.recovery.apparent_volume import SLOWEST_S
from analysis.recovery.balance import CHILL_S, GONE_K
from analysis.recovery.liquid import Evidence
from analysis.recovery.pauses import HOSE_S, Pause, before
from analysis.recovery.shut_gauge import Leap, leap_after
from analysis.recovery.ticks import Floats, Ticks

FLATTEST, BEHIND_FOAM = 0.03, 0.5
"""A pause shows that nothing boils when the pressure surely rises by less in 10 min than the least pocket would raise
it, and by no more than this share, which a coarse gauge can still show. Where it is weighed, half of what the pocket
would is enough: in a pipe behind 25 mm of foam it gets two thirds, most of it along the pipe; common practice. Metal
that is chilled with it, and would slow the rise, shows in the balance before as it chills."""
COLD_GAS = 0.02
"""Gas that was cold from expanding may bring back this share in 10 min: a pause is worth its time once the least pocket
surely brings back more; common practice."""
SEEN = 0.008
"""A share by which the pressure rises is a rise, with any gauge and any warming of the gas; common practice."""
FLAT_S, SHOWS, SURE = 600.0, 0.75, 2.5
"""The rise is sure to so many standard errors, and that share of what the least pocket would do."""
QUICK_PAUSE_S, SHORT_PAUSE_S, LONG_PAUSE_S = 120.0, 300.0, 600.0
"""How long a flat pause has to be: at least, where the least pocket would have shown by then; where plate and scale
agree nearly; and where they do not, or the machine may run; common practice."""
LONGEST_S = 1200.0
"""Nobody is asked for a longer pause than this: further pulling makes it shorter; common practice."""
LONG_SEEN_S = 540.0
"""Of the longest of them rows a minute apart show so much."""
WARMS_S = (0.0, 120.0, 300.0)
"""Flat may be what comes after one of these times."""
FELL = 0.02
"""A pause that nobody marked, or one without a balance: the pressure fell by this share within `FELL_S` before it. Else
it may fall no further because as much boils as the machine takes: a mark may come minutes early, or by mistake."""
FELL_S = 300.0
NEWEST_FALL = 0.2
"""What boiled before the last fall of this ln of the pressure may be gone, where the balance over that one is clear."""
STILL_GAINS = 0.5
"""Nor is it one while the scale gains at this share of the rate before."""
NOT_ICE_K = 15.0
"""Pressure that stops falling may be ice forming round the tubes, unless saturation is this far under freezing."""


@dataclass(frozen=True)
class Call:
    """A tick at which something was sure, since when it was so, by what, and the leap that takes it back."""

    tick: int
    since_s: float
    by: str
    leap: Leap | None


def liquid_gone(ticks: Ticks, evidence: Evidence, pauses: list[Pause], freezes_at_k: float) -> list[Call]:
    """Return each tick at which liquid could be called gone; a later one is there where all before are taken back."""
    calls: list[Call] = []
    after = 0
    while (call := _first_call(ticks, evidence, pauses, freezes_at_k, after)) is not None:
        calls.append(call)
        if call.leap is None:
            break
        after = call.leap.tick
    return calls


def _first_call(ticks: Ticks, evidence: Evidence, pauses: list[Pause], freezes_at_k: float, after: int) -> Call | None:
    """Return when liquid could first be called gone, from tick `after` on, None while it could not.

    Asked for is the depression, staying, and one of: a balance that says nothing boils with a plate that agrees; the
    same over a fall so deep that a pocket would show; a flat pause with that balance, or after a quick fall. A scale
    that gained nothing says nothing: a machine that runs draws its suction down, too. Nor does a gauge that shows no
    circuit.
    """
    gained = _weighed(ticks)
    sure = evidence.depressed & (evidence.agrees | evidence.deep) & gained & evidence.shown
    sure &= np.arange(len(ticks)) >= after
    calls = []
    hit = np.flatnonzero(sure)
    if len(hit):
        by = "plate" if evidence.agrees[hit[0]] else "balance"
        calls.append((int(hit[0]), by))
    for pause in pauses:
        if pause.base is None or pause.first <= after:
            continue
        prior = pause.first - 1
        lately = slice(max(0, int(np.searchsorted(ticks.at_s, pause.begin_s - CHILL_S))), prior + 1)
        by_balance = bool(evidence.dry[lately].any())
        quick = evidence.fall_s[prior] <= SLOWEST_S and evidence.depth[prior] >= 0.2
        if not pause.marked and not gained[prior]:
            quick = quick and ticks.bubble_k[prior] < freezes_at_k - NOT_ICE_K
        newest = evidence.depth[lately] > evidence.depth[prior] - NEWEST_FALL
        clear = np.fmax.reduce(evidence.beyond[lately][newest], initial=np.nan) <= 0.0
        blind = quick and (clear or not evidence.against[lately].any())
        if not (by_balance or blind) or not ((by_balance and pause.marked) or _fell(ticks, pause)):
            continue
        k = np.arange(pause.base, pause.last + 1)
        flat = _flat(ticks, evidence, k, pause.begin_s, by_balance or (pause.marked and not gained[prior]))
        if not pause.marked:
            flat &= ~_pulls(ticks, pause, k)
        hit = k[flat & evidence.under_dew[k] & evidence.shown[k] & (k >= pause.first)]
        if len(hit):
            calls.append((int(hit[0]), "pause"))
            break
    if not calls:
        return None
    tick, by = min(calls)
    # what mass over density shows goes on through a pause, by the gauge as it stands there
    within = [pause for pause in pauses if pause.first <= tick <= pause.last]
    leap = leap_after(ticks, within[0], tick) if within and by != "plate" else None
    shallow = np.flatnonzero(evidence.depression_k[: tick + 1] < GONE_K)
    since = ticks.at_s[shallow[-1]] if len(shallow) else ticks.at_s[0]
    balance = evidence.dry_from_s[: tick + 1]
    balance = balance[np.isfinite(balance)]
    return Call(tick, float(max(since, balance[0]) if len(balance) else since), by, leap)


def _weighed(ticks: Ticks) -> np.ndarray:
    """Return at which ticks the scale has gained something, shape (n,) of bool."""
    return np.asarray(ticks.moved_kg > 2.0 * ticks.mass_resolution_kg)


def _fell(ticks: Ticks, pause: Pause) -> bool:
    """Return whether the pressure fell before a pause, until it began."""
    old, begin = np.searchsorted(ticks.at_s, [pause.begin_s - FELL_S, pause.begin_s])
    fell = ticks.pressure_pa[old] - ticks.pressure_pa[begin]
    return bool(fell > max(FELL * ticks.pressure_pa[begin], 3.0 * ticks.resolution_pa[begin]))


def _pulls(ticks: Ticks, pause: Pause, k: np.ndarray) -> np.ndarray:
    """Return at which ticks `k` of a pause that nobody marked the machine may still pull.

    The scale gains, or the pressure has fallen: ever more slowly, where as much boils as is drawn.
    """
    weight, pressure = minute_median(ticks.moved_kg), minute_median(ticks.pressure_pa[k])
    begin = min(int(np.searchsorted(ticks.at_s, pause.begin_s + HOSE_S)), len(ticks) - 1)
    earlier = max(int(before(ticks.at_s, FLAT_S)[begin]), 0)
    rate = (weight[begin] - weight[earlier]) / max(ticks.at_s[begin] - ticks.at_s[earlier], 1.0)
    pulled = STILL_GAINS * rate * (ticks.at_s[k] - ticks.at_s[begin])
    gains = weight[k] - weight[begin] > np.maximum(pulled, 0.5 * ticks.mass_resolution_kg[k])
    return np.asarray(gains | (pressure < pressure[0] - 2.0 * ticks.resolution_pa[k]))


def _asked(ticks: Ticks, evidence: Evidence, k: np.ndarray, stands: bool) -> tuple[Floats, Floats]:
    """Return how much a flat pressure may rise, as a share in `FLAT_S`, and how long it has to be so, at ticks `k`.

    `stands`: by the balance, or by a mark where no scale could show one, the machine did not draw what boils.
    """
    power = np.nan_to_num(evidence.least_rise[k]) * FLAT_S
    most = np.where(_weighed(ticks)[k], np.maximum(FLATTEST, BEHIND_FOAM * power), FLATTEST)
    allowed = np.minimum(SHOWS * power, most)
    known = np.where(evidence.pocket[k], LONG_PAUSE_S, SHORT_PAUSE_S)
    shows = np.maximum(SEEN * FLAT_S / np.maximum(power, 1e-9), QUICK_PAUSE_S)
    return allowed, np.minimum(known, shows) if stands else np.full(len(k), LONG_PAUSE_S)


def _flat(ticks: Ticks, evidence: Evidence, k: np.ndarray, begin_s: float, stands: bool) -> np.ndarray:
    """Return at which ticks `k` of a pause begun at `begin_s` its pressure has stood long enough; (len(k),) of bool."""
    allowed, enough = _asked(ticks, evidence, k, stands)
    pressure = minute_median(ticks.pressure_pa[k])
    came_back = np.maximum.accumulate(pressure / pressure[0] - 1.0) - ticks.resolution_pa[k] / pressure[0]
    flat = np.zeros(len(k), dtype=bool)
    # gas that was cold from expanding warms for some minutes
    for wait in WARMS_S:
        start = int(np.searchsorted(ticks.at_s[k], ticks.at_s[k[0]] + wait))
        if start == len(k):
            break
        long = ticks.at_s[k[start:]] - begin_s - wait
        # nor is one that falls: vapour condenses on liquid that stands colder than the water, or the machine runs on
        rise, unsure = rise_of(ticks, k[start:])
        level = (rise + unsure <= allowed[start:]) & (rise >= -np.minimum(allowed[start:], FLATTEST))
        flat[start:] |= level & (long >= np.minimum(enough[start:], LONG_SEEN_S))
    # nor may a pocket bring back at once what is too much: only so much is gas that warms
    warms = np.where(_weighed(ticks)[k], ticks.expanded[k[0]], 0.0)
    return np.asarray(flat & (came_back <= allowed + warms))


def rise_of(ticks: Ticks, k: np.ndarray) -> tuple[Floats, Floats]:
    """Return by what share in `FLAT_S` the pressure rises since the first of the ticks `k`, and how unsure that is."""
    at, pressure = ticks.at_s[k] - ticks.at_s[k[0]], ticks.pressure_pa[k] / ticks.pressure_pa[k[0]] - 1.0
    count = np.arange(1.0, len(k) + 1.0)
    t, p = np.cumsum(at) / count, np.cumsum(pressure) / count
    tt, tp = np.cumsum(at * at) / count - t * t, np.cumsum(at * pressure) / count - t * p
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = tp / tt
        scatter = np.sqrt(np.maximum(np.cumsum(pressure * pressure) / count - p * p - slope * tp, 0.0))
        error = SURE * scatter / np.sqrt(np.maximum(count - 2.0, 0.0) * tt)
        # a number that stands still between two steps of the gauge has no scatter to show how unsure it is
        unseen = np.maximum(ticks.resolution_pa[k] / ticks.pressure_pa[k[0]] - 2.0 * scatter, 0.0) / at
        return slope * FLAT_S, (error + unseen) * FLAT_S


@dataclass(frozen=True)
class AskedPause:
    """The pause that would show whether liquid stands: how much longer, and by how much the pressure may rise in it.

    `left_s` is infinite where the least pocket brings back too little yet, before the pressure is down to `from_pa`,
    which takes `pull_s` more (both NaN where that cannot be told).
    """

    left_s: float
    rise_pa: float
    runs: bool
    from_pa: float = np.nan
    pull_s: float = np.nan


def asked_pause(ticks: Ticks, evidence: Evidence, pauses: list[Pause]) -> AskedPause:
    """Return the pause that would decide at the last tick; `runs`: the machine stands already."""
    last = len(ticks) - 1
    now = pauses[-1] if pauses and not pauses[-1].over else None
    begin_s = ticks.at_s[last] if now is None else now.begin_s
    lately = slice(int(np.searchsorted(ticks.at_s, begin_s - CHILL_S)), last + 1)
    stands = bool(evidence.dry[lately].any()) or (now is not None and now.marked and not _weighed(ticks)[last])
    allowed, enough = _asked(ticks, evidence, np.array([last]), stands)
    pressure = float(ticks.pressure_pa[last])
    unseen = float(ticks.resolution_pa[last]) / pressure
    share = float(allowed[0])
    long = max(float(enough[0]), HOSE_S + unseen / share * FLAT_S) if share > 0.0 else np.inf
    if long > LONGEST_S or (now is None and share < COLD_GAS):
        # what the least pocket brings back goes with the depression, about as the depth does, over the density
        depth = float(evidence.depth[last])
        more = float(lambertw(depth * np.exp(depth) * COLD_GAS / share).real) - depth if share > 0.0 else np.nan
        return AskedPause(
            np.inf, np.nan, now is not None, pressure * np.exp(-more), more * float(evidence.fall_s[last])
        )
    rise = max(share * long / FLAT_S, unseen) * pressure
    return AskedPause(long - float(ticks.at_s[last] - begin_s), rise, now is not None)


def minute_median(values: Floats) -> Floats:
    """Return the median of the last six ticks at each, shape (n,)."""
    return running_median(values, 6)
