"""When liquid may be called gone, out of the evidence while pulling and out of the pauses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.recovery.apparent_volume import SLOWEST_S
from analysis.recovery.liquid import CHILL_S, GONE_K, Evidence
from analysis.recovery.pauses import Pause
from analysis.recovery.ticks import Ticks

FLAT = 0.006
"""A pause in which pressure rises by no more than this shows that nothing boils."""
SHORT_PAUSE_S, LONG_PAUSE_S = 300.0, 600.0
"""How long a flat pause has to be where the balance says the same, and where it says nothing; common practice."""
NOT_ICE_K = 15.0
"""Pressure that stops falling may be ice forming round the tubes, unless saturation is this far under freezing."""

Floats = np.ndarray


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
