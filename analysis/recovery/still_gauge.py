"""A gauge that stands still while the machine pulls: at standing liquid rightly, or because it is dead.

Vapour of a known volume falls with what leaves, and its flow with it: a gauge that followed it and stops while the
scale goes on is stuck, and so is one that showed nothing while the flow died away as that vapour's does. Where the
flow merely ended, this gauge cannot tell standing liquid from its own death.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.belief.fault import HOSE
from analysis.belief.patience import STUCK_S
from analysis.belief.stuck import stuck_fault
from analysis.bins import Runs
from analysis.recovery.findings import Maker
from analysis.recovery.liquid import Evidence
from analysis.recovery.pauses import HOSE_S, before
from analysis.recovery.ticks import Floats, Ticks
from analysis.result import Figure, Finding
from analysis.stretch import seconds
from analysis.vocabulary.text import duration

LEAVES, STEPS, LEAST_KG = 0.3, 3.0, 0.2
"""So much of the vapour, what three steps of the display hold, and more than a scale drifts must have left."""
STILL_S = 1_800.0
"""One and the same number for so long may be a dead gauge's (common practice)."""
FLOW_S, DIED = 600.0, 1.0 / 40.0
"""A flow over ten minutes that is this share of the best one has died away: vapour leaves 5 to 20 times as slowly as
liquid."""
TAIL, PARTS, SLOWER = 0.5, 5, 1.15
"""The last of a flow, half of what the circuit holds as vapour, in parts alike: of vapour that falls by e each takes
1.2 times as long as the one before at least. A pull that ends, or a machine that stops, makes one of them longer."""


def still_s(make: Maker) -> Floats:
    """Return how long the gauge has shown its number at each tick [s], shape (n,)."""
    if not len(make.ticks):
        return np.empty(0)
    shown = make.stretch.counted(HOSE)
    there = np.isfinite(shown)
    at = seconds(pd.DatetimeIndex(make.stretch.frame.index), make.stretch.begin)[there]
    runs = Runs(np.round(shown[there], 2))
    began = np.repeat(at[runs.first], runs.count)
    last = np.searchsorted(at, make.ticks.at_s, side="right") - 1
    return np.asarray(make.ticks.at_s - began[np.maximum(last, 0)])


def stopped_dead(make: Maker, evidence: Evidence, stood: Floats) -> list[Finding]:
    """Return each stop of a gauge, which stands since `stood` [s], that vapour of the known volume rules out."""
    ticks, volume = make.ticks, make.stretch.job.circuit.internal_volume_m3
    if volume is None or not len(ticks):
        return []
    begin = np.searchsorted(ticks.at_s, ticks.at_s - stood)
    flows = np.minimum(np.searchsorted(ticks.at_s, ticks.at_s[begin] + HOSE_S), len(ticks) - 1)
    share = np.maximum(LEAVES, STEPS * ticks.resolution_pa / ticks.pressure_pa)
    least = np.maximum(share * volume * ticks.density, LEAST_KG + 4.0 * ticks.mass_resolution_kg)
    followed = evidence.dry[begin] & evidence.depressed[begin]
    long = stood >= STUCK_S
    sure = long & followed & (ticks.moved_kg - ticks.moved_kg[flows] >= least)
    ended = long & _died(ticks)
    for k in np.flatnonzero(ended & ~np.roll(ended, 1)).tolist():
        sure[k] |= _as_vapour(ticks, int(begin[k]), k, TAIL * volume * float(ticks.density[k]))
    found, told_s = [], -np.inf
    for k in np.flatnonzero(sure).tolist():
        since = float(ticks.at_s[begin[k]])
        if since > told_s:
            told_s = since
            why = f"{duration(stood[k])} while the scale went on"
            text = stuck_fault(HOSE, since, float(ticks.at_s[k]), np.inf, why).text
            unknown = Figure(np.nan, "pressure_difference")
            found.append(make(k, since, "channel_stuck", "caution", text, channel=HOSE, offset=unknown))
    return found


def cannot_tell(make: Maker, stood: Floats) -> str:
    """Return why this gauge cannot tell whether liquid stands, empty where it can."""
    ticks = make.ticks
    pulls = np.flatnonzero(ticks.marked != 1.0)
    if stood[-1] < STILL_S or not len(pulls) or not _died(ticks)[pulls[-1]]:
        return ""
    gained = ticks.moved_kg[-1] - ticks.moved_kg[np.searchsorted(ticks.at_s, ticks.at_s[-1] - stood[-1])]
    if not gained >= LEAST_KG + 4.0 * ticks.mass_resolution_kg[-1]:
        return ""
    return (
        f"Cannot tell whether liquid stands: the gauge has shown one and the same number for {duration(stood[-1])} "
        "while the flow died away. Tap it, or hold another gauge beside it."
    )


def _died(ticks: Ticks) -> np.ndarray:
    """Return where the flow is next to nothing beside the best so far, shape (n,) of bool."""
    past = before(ticks.at_s, FLOW_S)
    flow = np.where(past >= 0, ticks.moved_kg - ticks.moved_kg[np.maximum(past, 0)], np.nan)
    return np.asarray(flow <= DIED * np.fmax.accumulate(flow))


def _as_vapour(ticks: Ticks, first: int, last: int, tail_kg: float) -> bool:
    """Return whether the last of what was weighed came ever more slowly, all while the gauge stood."""
    moved = np.fmax.accumulate(ticks.moved_kg[first : last + 1])
    part = tail_kg / PARTS
    if not (moved[-1] - moved[0] >= tail_kg and part >= 2.0 * ticks.mass_resolution_kg[last]):
        return False
    reached = np.searchsorted(moved, moved[-1] - part * np.arange(PARTS, 0, -1))
    took = np.diff(ticks.at_s[first + reached])
    return bool(np.all(took[1:] >= SLOWER * took[:-1]))
