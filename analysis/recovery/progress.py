"""Where a recovery stands: the phase it is in, the time left in it, and whether it has stalled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.recovery.liquid import Evidence
from analysis.recovery.pauses import Pause, before
from analysis.recovery.ticks import Ticks
from analysis.vocabulary.job import Job

Phase = Literal["liquid", "vapour"]

SHORT_S, LONG_S = 300.0, 1200.0
"""The pace is taken over both times of pulling; the two answers bound the time left."""
SLOWS = 1.5
"""A machine's displacement falls with the pressure ratio, so a fall takes up to this much longer; common practice."""
STALLED_S = 1200.0
"""A machine that moves nothing for this long, and was not paused by a mark, has stalled; common practice."""


@dataclass(frozen=True)
class Progress:
    """`left_s` with its bounds is None where it cannot be told; `stalled_s` is None where it goes on."""

    phase: Phase
    left_s: tuple[float, float, float] | None
    stalled_s: float | None


def progress(
    ticks: Ticks, evidence: Evidence, pauses: list[Pause], level_pa: float | None, job: Job
) -> Progress | None:
    """Return where the recovery stands at its last tick, None without ticks.

    While liquid stands for all that is known: what the plate's charge still holds as liquid, over the mass rate. Once
    the pressure falls as vapour does: an exponential fall to the level, also where nothing has shown yet that no pocket
    is left. Left open while the machine stands.
    """
    if len(ticks) == 0:
        return None
    last = pauses[-1] if pauses and not pauses[-1].over else None
    phase: Phase = "liquid" if evidence.stands[-1] else "vapour"
    if last is not None:
        stood = float(ticks.at_s[-1]) - last.begin_s
        stalls = not last.marked and last.first > 0 and stood >= STALLED_S
        return Progress(phase, None, stood if stalls else None)
    pulls = np.ones(len(ticks), dtype=bool)
    for pause in pauses:
        pulls &= (ticks.at_s <= pause.begin_s) | (np.arange(len(ticks)) > pause.last)
    pulled_s = _while(pulls, ticks.at_s)
    past = np.array([before(pulled_s, back)[-1] for back in (SHORT_S, LONG_S)])
    past = past[past >= 0]
    if not len(past):
        return Progress(phase, None, None)
    spent = pulled_s[-1] - pulled_s[past]
    if phase == "liquid":
        charge = job.circuit.charge_kg
        moved = _while(pulls, ticks.moved_kg)
        rate = (moved[-1] - moved[past]) / spent
        left = np.nan if charge is None else float(evidence.unaccounted[-1]) * charge
        if not np.isfinite(left) or left <= 0.0 or not (rate > 0.0).all():
            return Progress(phase, None, None)
        times = left / rate
    else:
        fallen = _while(pulls, -np.log(ticks.pressure_pa))
        fall = (fallen[-1] - fallen[past]) / spent
        if level_pa is None or ticks.pressure_pa[-1] <= level_pa or not (fall > 0.0).all():
            return Progress(phase, None, None)
        times = np.log(ticks.pressure_pa[-1] / level_pa) / fall
    return Progress(phase, (float(times[0]), float(times.min()), float(times.max() * SLOWS)), None)


def _while(pulls: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return by how much `values` changed since the first tick, but for steps of no pull or no number."""
    return np.cumsum(np.where(pulls, np.nan_to_num(np.diff(values, prepend=values[:1])), 0.0))
