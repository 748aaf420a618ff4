"""Probes that fell off, were moved, or stood in the sun during the night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import Runs, median_of, running_median
from analysis.pressure_test.minutes import Minutes
from analysis.vocabulary.channels import AIR, METAL
from analysis.vocabulary.units import UNITS, Unit

GAS_K = (223.15, 318.15)
"""No gas stands a whole test under or over this: records of the air lie near it, a hot plant room and an attic by night
stay below. A heated sump and degF logged as degC do not, and would correct by what the gas never did (common practice;
68 degF logged as degC makes of a kelvin of the gas 1.5)."""
OTHER_UNIT = {"degC": "degF", "degF": "degC"}
ORDINARY_K, MEANT_K = (278.15, 303.15), (263.15, 318.15)
"""Most circuits stand between the first through a night (41 to 86 degF). Where a thermometer stands beyond them, and
its number in the other unit would lie between the second, that may be its label's fault (common practice)."""
JUMP_K = {METAL: 1.2, AIR: 3.0}
"""A change within five minutes, with and without the trend before it (a cloud turns a trend round), that metal or air
does not make by itself (common practice: metal of a machine has hours of inertia, doors and fans move air)."""
JUMP_SHARED = 0.5
"""No jump of metal where the air moved the same way by more than half as much in the 20 minutes around."""
JUMP_SCATTERS = 7.0
HABIT = 0.6
"""No jump of air that moved by so much of it before: a heater or a door that comes and goes (common practice)."""
CONFIRM_PROBE = 10
SUN_K, SUN_MINUTES = 1.5, 60
"""Sun that reaches the probe, not the gas, warms it by so much within so many minutes, beside the trend of as many
before: a fine day bends by a third of it, a heater that comes on makes gas follow (common practice)."""
SUN_DIGITS = 3.0
"""Less than so many digits of the gauge is not seen in the gas."""
ALIVE = 0.01
"""A gauge whose minutes do not even move by so much of a digit may be the one that is stuck."""
FOLLOWED = 0.2
"""Gas behind metal by two hours has come so far an hour after metal began to rise: x = 1/2 in 1 - (1 - exp(-x)) / x. A
gas that moved by more of it in the last half of that hour, either way, was warmed, too, or is lost: air that warms
tubes and goes back moves the gas before thick metal."""
STOOD_MINUTES, STOOD_USUAL = 90, 4.0
"""A lone probe that moved, and then shows one number for so long, and so many times as long as its numbers usually
lasted, may be stuck or rest; the night says which. One that stood so until it jumped was stuck (common practice)."""
LEAST_STEP_K = 1e-6


@dataclass(frozen=True)
class ProbeFault:
    """A probe moved by `jump_k` from minute `since` on, known at minute `known`; believed until minute `believed`.

    `alone` says that it warmed slowly, without the gas: then it is believed on where that makes the night surer.
    """

    probe: str
    since: int
    known: int
    jump_k: float
    believed: int
    alone: bool = False


def probe_faults(minutes: Minutes) -> list[ProbeFault]:
    """Return the faults of the probes in time order, at most the first jump of each."""
    found = []
    for name, values in minutes.probes.items():
        other = minutes.probes.get(AIR) if name == METAL else None
        found += _jump(name, values, other)
    if METAL in minutes.probes:
        gone = [f.known for f in found if f.probe == METAL]
        found += [f for f in _in_the_sun(minutes) if f.known < min(gone, default=len(minutes))]
    return sorted(found, key=lambda f: f.known)


def can_be_gas(values: np.ndarray) -> bool:
    """Return whether a probe ever showed a temperature that gas in a standing circuit may have."""
    low, high = GAS_K
    return bool(np.any(values <= high) and np.any(values >= low))


def kelvin_in_other_unit(level_k: float, unit: Unit) -> float:
    """Return what a kelvin that a thermometer shows is where its numbers may be of the other unit than its label says,
    each as a share of its level; 0 where it stands as most do, or would stand as none does."""
    if unit.symbol not in OTHER_UNIT or ORDINARY_K[0] <= level_k <= ORDINARY_K[1]:
        return 0.0
    other = UNITS[OTHER_UNIT[unit.symbol]]
    meant_k = float(other.si(unit.number(level_k)))
    if not MEANT_K[0] <= meant_k <= MEANT_K[1]:
        return 0.0
    return other.scale / unit.scale * level_k / meant_k


def standing(values: np.ndarray, begin: int) -> int | None:
    """Return since when a probe showed one number for longest, None where it never did for `STOOD_MINUTES`, or did from
    the beginning."""
    there = np.flatnonzero(np.isfinite(values))
    first = Runs(np.round(values[there] / LEAST_STEP_K)).first
    lasted = np.append(first[1:], len(there)) - np.maximum(first, np.searchsorted(there, begin))
    longest = int(np.argmax(lasted))
    if longest == 0 or lasted[longest] < max(STOOD_MINUTES, STOOD_USUAL * median_of(np.diff(first[: longest + 1]))):
        return None
    return int(there[first[longest]])


def _in_the_sun(minutes: Minutes) -> list[ProbeFault]:
    """Return when lone metal began to warm without the gas. Air beside it tells the model as much."""
    metal, gas_pa = (running_median(values, 5) for values in (minutes.probes[METAL], minutes.pressure_pa))
    lone = int(np.argmax(np.isfinite(minutes.probes[AIR]))) if AIR in minutes.probes else len(metal)
    m = np.arange(2 * SUN_MINUTES, lone - 1)
    to_k = metal[m] / gas_pa[m]
    warmed, followed = (
        values[m] - 2.0 * values[m - SUN_MINUTES] + values[m - 2 * SUN_MINUTES] for values in (metal, gas_pa)
    )
    least = np.maximum(SUN_K, SUN_DIGITS * minutes.quantum_pa[m] * to_k)
    shown = pd.Series(minutes.logged_pa).rolling(SUN_MINUTES, min_periods=1)
    lives = (shown.max() - shown.min()).to_numpy()[m] > ALIVE * minutes.quantum_pa[m]
    gas = np.fmin.accumulate(metal)[m] <= GAS_K[1]
    went_k = pd.Series(np.abs(followed * to_k)).rolling(SUN_MINUTES // 2, min_periods=1).max().to_numpy()
    alone = np.flatnonzero(gas & lives & (warmed > least) & (went_k < FOLLOWED * warmed))
    if not len(alone):
        return []
    at = int(m[alone[0]])
    return [ProbeFault(METAL, at - SUN_MINUTES, at + 1, float(warmed[alone[0]]), at - SUN_MINUTES, alone=True)]


def _jump(name: str, values: np.ndarray, other: np.ndarray | None) -> list[ProbeFault]:
    count = len(values)
    if count < 60:
        return []
    middle = running_median(values, 5)
    m = np.arange(60 - CONFIRM_PROBE, count - CONFIRM_PROBE)
    before, earlier, after, later = middle[m - 1], middle[m - 16], middle[m + 5], middle[m + 9]
    trend = (before - earlier) / 15.0
    off = after - before - 6.0 * trend
    moved = np.minimum(np.abs(after - before), np.abs(later - before))
    stays = np.minimum.reduce([moved, np.abs(off), np.abs(later - before - 10.0 * trend)])
    step = np.abs(np.diff(middle, prepend=np.nan))
    habit = pd.Series(step).rolling(240, min_periods=20).mean().to_numpy()
    habit = np.where(np.isfinite(habit), habit, 0.0)[m - 2]
    limit = np.maximum(JUMP_K[name], JUMP_SCATTERS * np.sqrt(6.0) * habit)
    alone = np.ones(len(m), dtype=bool)
    if other is not None:
        shared = np.sign(off) * (other[m + 8] - other[m - 11])
        alone = ~(shared > JUMP_SHARED * np.abs(off))
    for i in np.flatnonzero((stays > limit) & alone):
        at = int(m[i])
        moved_before = np.nanmax(np.abs(middle[6 : at - 4] - middle[: at - 10]), initial=0.0)
        if name != AIR or moved_before < HABIT * stays[i]:
            stood = standing(values[:at], 0)
            if stood is None or np.nanmax(values[stood:at]) - np.nanmin(values[stood:at]) > LEAST_STEP_K:
                stood = at
            return [ProbeFault(name, at, at + CONFIRM_PROBE, float(off[i]), stood)]
    return []
