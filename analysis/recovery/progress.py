"""Where a recovery stands: the phase it is in, the time left in it, and whether it has stalled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.recovery.calls import Call
from analysis.recovery.liquid import Evidence
from analysis.recovery.pauses import Pause, before
from analysis.recovery.ticks import Ticks
from analysis.vocabulary.job import Job

Phase = Literal["liquid", "vapour"]

SHORT_S, LONG_S = 300.0, 1200.0
"""The pace is taken over both times; the two answers bound the time left."""
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
    ticks: Ticks, evidence: Evidence, call: Call | None, pauses: list[Pause], level_pa: float | None, job: Job
) -> Progress | None:
    """Return where the recovery stands at its last tick, None without ticks.

    While liquid stands: what the plate's charge still holds as liquid, over the mass rate. After that: an
    exponential fall from the present pressure to the level. Left open while the machine stands.
    """
    if len(ticks) == 0:
        return None
    last = pauses[-1] if pauses and not pauses[-1].over else None
    phase: Phase = "liquid" if call is None else "vapour"
    if last is not None:
        stood = float(ticks.at_s[-1]) - last.begin_s
        stalls = not last.marked and last.first > 0 and stood >= STALLED_S
        return Progress(phase, None, stood if stalls else None)
    past = np.array([before(ticks.at_s, back)[-1] for back in (SHORT_S, LONG_S)])
    past = past[past >= 0]
    if not len(past):
        return Progress(phase, None, None)
    spent = ticks.at_s[-1] - ticks.at_s[past]
    if call is None:
        charge = job.circuit.charge_kg
        rate = (ticks.moved_kg[-1] - ticks.moved_kg[past]) / spent
        left = np.nan if charge is None else float(evidence.unaccounted[-1]) * charge
        if not np.isfinite(left) or left <= 0.0 or not (rate > 0.0).all():
            return Progress(phase, None, None)
        times = left / rate
    else:
        fall = np.log(ticks.pressure_pa[past] / ticks.pressure_pa[-1]) / spent
        if level_pa is None or ticks.pressure_pa[-1] <= level_pa or not (fall > 0.0).all():
            return Progress(phase, None, None)
        times = np.log(ticks.pressure_pa[-1] / level_pa) / fall
    return Progress(phase, (float(times[0]), float(times.min()), float(times.max() * SLOWS)), None)
