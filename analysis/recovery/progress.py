"""Where a recovery stands: the phase it is in, the time left in it, and whether it has stalled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.recovery.balance import DENSEST_FILL, liquid_density
from analysis.recovery.liquid import Evidence
from analysis.recovery.pauses import Pause, before
from analysis.recovery.ticks import Ticks
from analysis.vocabulary.job import Job

Phase = Literal["liquid", "vapour"]

SHORT_S, LONG_S = 300.0, 1200.0
"""The pace is taken over both times of pulling; the two answers bound the time left."""
LONGER, SHORTER = 1.5, 1.15
"""A machine's displacement falls with the pressure ratio and cylinders are changed, so it takes up to the first longer;
and up to the second less where a pause or a full cylinder cost it time lately; common practice."""
LEAST_S = 60.0
"""A pace is taken over this time of pulling at least."""
STALLED_S = 1200.0
"""A machine that moves nothing for this long, and was not paused by a mark, has stalled; common practice."""


@dataclass(frozen=True)
class Progress:
    """`left_s` with its bounds (the upper one NaN where there is none) is None where it cannot be told; `stalled_s` is
    None where it goes on."""

    phase: Phase
    left_s: tuple[float, float, float] | None
    stalled_s: float | None


def progress(
    ticks: Ticks,
    evidence: Evidence,
    pauses: list[Pause],
    stands: np.ndarray,
    drawn: bool,
    level_pa: float | None,
    job: Job,
) -> Progress | None:
    """Return where the recovery stands at its last tick, None without ticks.

    While liquid stands for all that is known: what the plate's charge still holds as liquid, over the mass rate; that
    is the least while the hose still draws liquid (`drawn`), because the last of it boils off more slowly. Once the
    pressure falls as vapour does: an exponential fall to the level, also where nothing has shown yet that no pocket is
    left. Left open while the machine `stands` (known at each tick).
    """
    if len(ticks) == 0:
        return None
    last = pauses[-1] if pauses and not pauses[-1].over else None
    phase: Phase = "liquid" if evidence.stands[-1] else "vapour"
    if last is not None:
        stood = float(ticks.at_s[-1]) - last.begin_s
        stalls = not last.marked and last.first > 0 and stood >= STALLED_S
        return Progress(phase, None, stood if stalls else None)
    pulled_s = _while(~stands, ticks.at_s)
    # what the pace was while liquid stood says nothing of vapour alone
    turned = int(np.flatnonzero(evidence.stands)[-1]) if phase == "vapour" and evidence.stands.any() else 0
    past = np.array([before(pulled_s, back)[-1] for back in (SHORT_S, LONG_S)])
    past = np.maximum(past[(past >= 0) | (turned > 0)], turned)
    spent = pulled_s[-1] - pulled_s[past]
    if not len(past) or not (spent >= LEAST_S).all():
        return Progress(phase, None, None)
    if phase == "liquid":
        charge = job.circuit.charge_kg
        moved = _while(~stands, ticks.moved_kg)
        rate = (moved[-1] - moved[past]) / spent
        if charge is None or not (rate > 0.0).all():
            return Progress(phase, None, None)
        most = least = float(evidence.unaccounted[-1]) * charge
        if job.circuit.internal_volume_m3 is None:
            # how much of it is vapour is not known: from none to all that fits
            most = charge - float(ticks.moved_kg[-1])
            fits = DENSEST_FILL * charge * np.nan_to_num(ticks.density[-1] / liquid_density(ticks))
            least = max(most - float(fits), 0.0)
        if not most > 0.0:
            return Progress(phase, None, None)
        high = np.nan if drawn else LONGER * most / rate.min()
        return Progress(phase, (0.5 * (least + most) / rate[0], least / rate.max() / SHORTER, high), None)
    fallen = _while(~stands, -np.log(ticks.pressure_pa))
    fall = (fallen[-1] - fallen[past]) / spent
    if level_pa is None or ticks.pressure_pa[-1] <= level_pa or not (fall > 0.0).all():
        return Progress(phase, None, None)
    times = np.log(ticks.pressure_pa[-1] / level_pa) / fall
    # a fall read between two flickering numbers may be steeper than it looks
    flicker = ticks.resolution_pa[-1] / ticks.pressure_pa[-1] / (fall * spent)
    least = float((times / (SHORTER + flicker)).min())
    return Progress(phase, (float(times[0]), least, float(times.max() * LONGER)), None)


def _while(pulls: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return by how much `values` changed since the first tick, but for steps of no pull or no number."""
    return np.cumsum(np.where(pulls, np.nan_to_num(np.diff(values, prepend=values[:1])), 0.0))
