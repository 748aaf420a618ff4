"""Channels that show the very same number while it must have changed.

Standing still is no proof: a coarse reading of something steady rightly stands still. It is one where the readings
were restless just before (noise of more than one step of the display cannot vanish in a live instrument), or
where the gas law rules it out: a closed pressure follows its temperature by p dT / T.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.belief.fault import COARSE_PA, EMPTY_PA, HOSE, Fault, Readings, name_of
from analysis.belief.patience import CHANGES, LEVELS, OFTEN, noise_of, patience_of_noise, patience_of_walk
from analysis.bins import Runs
from analysis.vocabulary.channels import CIRCUIT_PRESSURES, EVAPORATOR_WATER, MICRON_PROBES, ROOM_TEMPERATURES
from analysis.vocabulary.text import duration

STUCK_S = 600.0
STUCK_READINGS = 20
LOOK_S = 300.0
WORLD_S, WORLD_K = 1_200.0, 1.5
ALONE_S = 3_600.0
"""Named when another that was as restless still is, when a temperature elsewhere moved by 1.5 K, or after an hour."""
AS_RESTLESS = 0.5
"""Another is as restless as before when it still changes half as often, and by half as much."""
GAS_LAGS_S = (300.0, 3_600.0)
"""The gas follows what is around it at once or within about an hour (common practice): by each it must have moved."""
COOLED_STEPS, WARMED_STEPS = 4.0, 8.0
"""Half of the move of the temperatures around may not have reached the gas, and two steps must show. A leak may hide
a warming for some time, so more is asked for there."""
OPEN_PA = 4e3
"""A gauge open to the air, or in a vacuum, rightly stands at one number."""
BESIDE_S = 300.0
BESIDE_SHARE = 0.02
BESIDE_STEPS, BESIDE_MOVE = 6.0, 0.006
STANDS_SHARE = 0.003
"""Gauges on one standing circuit agree within 2 %; one that moved by less than 0.3 % says that the pressure stands, two
that moved by six digits and 0.6 % that it does not."""
LEAP_WITHIN_S, LEFT_SHARE = 65.0, 0.25
"""A leap by a quarter between two readings leaves a circuit whose other gauge does not move by as much meanwhile."""
TWIN_K, TWIN_STEPS = 1.0, 8.0
STANDS_IN = ("recovery", "pressure_test", "evacuation", "charging", "at_rest")
"""While the machine stands nothing holds the water at one end of a barrel: both ends move (common practice)."""
FLOW_PA, FLOW_SHARE = 100e3, 0.25
"""As vapour alone that is 0.2 kg in a circuit of 50 L (R-134a), and by far more where there is liquid."""
LATELY_S = 3_600.0
MUCH = 2.0
"""A scale that followed the mass and did not flicker is asked for twice as much."""
TOLD_S = 400.0
"""A witness that jumps is named within so long: what it did since then is not looked at."""
GO_ON_K, GO_ON_SHARE, GO_ON_PART = 0.6, 0.02, 0.5
"""Others go on when they move by so much, and half as far as in as long a time before."""
ALIVE_CHANGES = 3
STEPS, LEAST_STEPS = 200, 5
"""So many of the last changes, and at least so many, tell the step of the display."""

_LEFT_OUT = (*MICRON_PROBES, "barometer")
"""Channels that rightly show one number for long: an over-range probe, a slow barometer."""


@dataclass(frozen=True)
class _Still:
    """One and the same number since `begin` [s], and how the channel came to it.

    `pascal` is what it shows where it is a pressure, `step` that of its display, `left` what it showed before it leapt
    off the circuit, else 0; `patience` and `walks` are how long readings that changed so may stand still, infinite
    where they may for ever; `before` is when its last changes began, `followed` whether there were many.
    """

    channel: str
    readings: Readings
    begin: float
    pascal: float
    step: float
    left: float
    patience: float
    walks: float
    before: float
    followed: bool

    def why(self, look: float, *, many: bool) -> tuple[str, bool]:
        """Return why it cannot stand so until `look`, empty when it may, and whether another that was as restless
        goes on; `many` readings show it."""
        channel, readings, begin, seen = self.channel, self.readings, self.begin, look - TOLD_S
        lasted = look - begin
        restless = many and lasted >= self.patience
        if channel == "cylinder_weight":
            follows = restless or self.followed
            flowed = follows and _flowed(readings, begin, seen, 1.0 if restless else MUCH)
            return "while the circuit's pressure moved, which takes refrigerant" if flowed else "", False
        alone = restless and _another_restless(channel, readings, self.before, begin, look)
        why = ""
        if self.left and many and _others_stayed(channel, readings, begin, seen, self.left):
            why = "since it leapt there in one reading, while the other gauges on the circuit stayed"
        elif alone or (restless and lasted >= ALONE_S):
            why = "after readings that never stood still"
        elif lasted < WORLD_S:
            pass
        elif restless and _elsewhere(channel, readings, begin, seen) >= WORLD_K:
            why = "while temperatures moved"
        elif (
            lasted >= self.walks
            and _in_use(channel, readings, begin, look)
            and _others_go_on(channel, readings, begin, seen)
        ):
            why = "after it moved steadily, while the others go on"
        elif _twin_moved(channel, readings, begin, seen, self.step):
            why = "while the other end of the same barrel moved"
        elif _others_moved(channel, readings, begin, seen, self.pascal, self.step):
            why = "while the other gauges on the circuit moved"
        elif lasted >= GAS_LAGS_S[-1] and _gas_moved(channel, readings, begin, seen, self.pascal, self.step):
            why = "while the temperatures around moved, which a closed pressure follows"
        return why, alone


def stuck(channel: str, readings: Readings) -> Iterator[Fault]:
    """Yield each run of one and the same number that cannot be. Uses no row after the time at which it is known."""
    dimension = readings.dimensions[channel]
    if channel in _LEFT_OUT or not (channel == "cylinder_weight" or dimension in ("temperature", "pressure")):
        return
    times, values = readings.shown(channel)
    if len(values) < STUCK_READINGS:
        return
    runs = Runs(values)
    starts = runs.first
    until = -np.inf
    long = runs.lasting(times, STUCK_S).tolist()
    parts = [(n, *part) for n in long for part in _unbroken(times, int(starts[n]), runs.end(n))]
    for run, first, end in parts:
        begin = float(times[first])
        if begin < until:
            continue
        still = _still(channel, readings, times, values, starts[: run + 1], first)
        if not still.left and readings.open_or_empty(still.pascal, begin, OPEN_PA):
            continue
        for look in np.arange(begin + STUCK_S, float(times[end - 1]) + 1e-6, LOOK_S).tolist():
            position = int(np.searchsorted(times, look))
            if position >= end:
                break
            why, alone = still.why(look, many=position - first >= STUCK_READINGS)
            if why and (alone or not _another_stands(channel, readings, begin, look, still.pascal)):
                until = alive_again(times, starts, run)
                yield Fault(
                    "channel_stuck", channel, begin, float(times[position]), until,
                    f"{name_of(channel)} has shown the very same number for {duration(look - begin)} {why}: "
                    "it is stuck and is left out. Check the instrument.",
                )  # fmt: skip
                break


def _still(
    channel: str, readings: Readings, times: np.ndarray, values: np.ndarray, changes: np.ndarray, first: int
) -> _Still:
    """Return how a channel came to the number that it shows from reading `first` on, by all its changes so far."""
    begin, at_change = float(times[first]), first == changes[-1]
    pascal = _pascal(channel, readings, begin) if readings.dimensions[channel] == "pressure" else np.nan
    left = at_change and len(changes) > 1 and _left_the_circuit(channel, readings, times, values, first, pascal)
    before = changes[-CHANGES - 1 :]
    lately = changes[-STEPS - 1 :]
    steps = np.abs(np.diff(values[lately]))
    step = float(np.quantile(steps, 0.25)) if len(steps) >= LEAST_STEPS else np.nan
    walking = readings.dimensions[channel] == "temperature" and at_change and not _may_be_held(readings, begin)
    return _Still(
        channel,
        readings,
        begin,
        pascal,
        step,
        left=float(left),
        patience=patience_of_noise(times, values, changes),
        walks=patience_of_walk(times[lately], values[lately], step) if walking else np.inf,
        before=float(times[before[0]]),
        followed=bool(times[before[0]] >= begin - LATELY_S and len(before) > CHANGES),
    )


def alive_again(times: np.ndarray, starts: np.ndarray, run: int) -> float:
    """Return when a channel that stood still in a run has changed often enough to be believed again [s]."""
    again = run + ALIVE_CHANGES
    return float(times[starts[again]]) if again < len(starts) else np.inf


def _unbroken(times: np.ndarray, first: int, end: int) -> Iterator[tuple[int, int]]:
    """Yield the parts of a run in which the number was shown all the time."""
    edges = [first, *(first + 1 + np.flatnonzero(np.diff(times[first:end]) > STUCK_S)).tolist(), end]
    yield from pairwise(edges)


def _pascal(channel: str, readings: Readings, begin: float) -> float:
    return float(readings.values[channel][int(np.searchsorted(readings.at, begin))])


def _beside(channel: str, readings: Readings, begin: float, look: float, pascal: float) -> list[float]:
    """Return where the other pressures of a standing circuit went [Pa] that agreed with this one."""
    others = (c for c in CIRCUIT_PRESSURES if c in readings.values and c != channel and channel in CIRCUIT_PRESSURES)
    agreed = (c for c in others if abs(readings.lagged(c, begin, BESIDE_S) - pascal) < BESIDE_SHARE * pascal)
    return [move for c in agreed if not np.isnan(move := readings.move(c, begin, look))]


def _others_moved(channel: str, readings: Readings, begin: float, look: float, pascal: float, step: float) -> bool:
    """Return whether two others at least went on together: one alone may be this one valved off."""
    moves = _beside(channel, readings, begin, look, pascal)
    least = max(BESIDE_STEPS * (COARSE_PA if np.isnan(step) else step), BESIDE_MOVE * pascal)
    near, far = sorted((min(moves), max(moves)), key=abs) if len(moves) >= 2 else (0.0, 0.0)
    return abs(near) >= least and 0.0 < near * far < 1.5 * near**2


def _left_the_circuit(
    channel: str, readings: Readings, times: np.ndarray, values: np.ndarray, first: int, pascal: float
) -> float:
    """Return what a gauge showed [Pa] before it leapt far in one reading to a number at which it stands; else 0.

    Flow takes a gauge down, and its noise with it, as a pull begins: only one that was restless, or that comes to the
    atmosphere, is doubted. The one at the hose leaps by what flows: it has to go against that.
    """
    if channel not in CIRCUIT_PRESSURES or pascal < EMPTY_PA or times[first] - times[first - 1] > LEAP_WITHIN_S:
        return 0.0
    begin = float(times[first])
    earlier = values[np.searchsorted(times, begin - BESIDE_S) : first]
    barometer = float(readings.barometer_pa[int(np.searchsorted(readings.at, begin))])
    was = float(np.median(earlier)) + (barometer if channel in readings.gauges else 0.0)
    whole = values[first] - np.median(earlier)
    in_one = (values[first] - values[first - 1]) / whole if whole else 0.0
    changes = bool(np.count_nonzero(np.diff(earlier)) >= OFTEN * (len(earlier) - 1))
    opened = abs(pascal - barometer) < OPEN_PA
    far = abs(pascal - was) > LEFT_SHARE * was and in_one > 1.0 - LEFT_SHARE and abs(was - barometer) > 3.0 * OPEN_PA
    if channel == HOSE and not opened and readings.at_stage(begin, begin, "recovery", "charging"):
        changes = changes and readings.against_the_flow(pascal, begin, begin + BESIDE_S)
    return was if far and len(earlier) >= ALIVE_CHANGES and (changes or opened) else 0.0


def _others_stayed(channel: str, readings: Readings, begin: float, look: float, was: float) -> bool:
    """Return whether a gauge that agreed before went on as it was."""
    moves = _beside(channel, readings, begin, look, was)
    return any(abs(move) < LEFT_SHARE * was for move in moves)


def _in_use(channel: str, readings: Readings, begin: float, look: float) -> bool:
    """Return whether a probe follows anything: a bottle that was put aside comes to rest."""
    return channel != "cylinder_temperature" or readings.at_stage(begin, look, "recovery", "charging")


def _may_be_held(readings: Readings, begin: float) -> bool:
    """Return whether a running machine may hold a temperature where it came to rest."""
    runs = "compressor_load" in readings.values or "discharge_pressure" in readings.values
    return runs and not readings.at_stage(begin, begin, *STANDS_IN)


def _twin_moved(channel: str, readings: Readings, begin: float, look: float, step: float) -> bool:
    """Return whether the water at the other end of a barrel moved far, in no single leap, while the machine stands."""
    twin = next((c for c in EVAPORATOR_WATER if c != channel), "") if channel in EVAPORATOR_WATER else ""
    if twin not in readings.minutes or np.isnan(step) or not readings.at_stage(begin, look, *STANDS_IN):
        return False
    moved = abs(readings.move(twin, begin, look)) - readings.leap(twin, begin, look)
    return bool(moved >= max(TWIN_K, TWIN_STEPS * step))


def _another_stands(channel: str, readings: Readings, begin: float, look: float, pascal: float) -> bool:
    """Return whether another gauge on the same circuit says that the pressure does stand."""
    if np.isnan(pascal):
        return False
    return any(abs(move) < STANDS_SHARE * pascal for move in _beside(channel, readings, begin, look, pascal))


def _flowed(readings: Readings, begin: float, look: float, times: float) -> bool:
    """Return whether the circuit gave what a scale must show, in a recovery, or took it, in a charging.

    A pressure that comes back in a pause, or condenses, says nothing of the scale.
    """
    gave = readings.at_stage(begin, look, "recovery")
    if HOSE not in readings.values or not (gave or readings.at_stage(begin, look, "charging")):
        return False
    moved, before = readings.move(HOSE, begin, look), readings.lagged(HOSE, begin, BESIDE_S)
    moved = -moved if gave else moved
    return bool(moved >= times * max(FLOW_PA, FLOW_SHARE * before))


def _another_restless(channel: str, readings: Readings, before_s: float, begin_s: float, look_s: float) -> bool:
    """Return whether another channel of the kind that was restless too goes on: nothing has come to rest."""
    dimension = readings.dimensions[channel]
    for other in readings.values:
        if other == channel or other in _LEFT_OUT or readings.dimensions[other] != dimension:
            continue
        times, values = readings.shown(other)
        first, middle, last = np.searchsorted(times, (before_s, begin_s, look_s), side="right").tolist()
        was, now = values[first:middle], values[middle:last]
        if len(now) < STUCK_READINGS or len(np.unique(was)) < LEVELS:
            continue
        rate = np.count_nonzero(np.diff(was)) / max(len(was) - 1, 1)
        goes_on = np.count_nonzero(np.diff(now)) / (len(now) - 1) >= AS_RESTLESS * rate
        if rate >= OFTEN and goes_on and noise_of(now) >= AS_RESTLESS * noise_of(was):
            return True
    return False


def _others_go_on(channel: str, readings: Readings, begin: float, look: float) -> bool:
    """Return whether two others at least move on as they did before."""
    goes_on = 0
    for other in map(str, readings.minutes):
        if other == channel or other in _LEFT_OUT:
            continue
        moved, before = readings.reach(other, begin, look), readings.reach(other, 2.0 * begin - look, begin)
        pressure = readings.dimensions[other] == "pressure"
        least = GO_ON_SHARE * readings.lagged(other, begin, BESIDE_S) if pressure else GO_ON_K
        goes_on += moved >= max(least, GO_ON_PART * before)
    return goes_on >= 2


def _elsewhere(channel: str, readings: Readings, begin: float, look: float) -> float:
    """Return how far the temperature moved that moved most elsewhere."""
    others = (c for c, dimension in readings.dimensions.items() if dimension == "temperature" and c != channel)
    return max((abs(move) for c in others if not np.isnan(move := readings.move(c, begin, look))), default=0.0)


def _gas_moved(channel: str, readings: Readings, begin: float, look: float, pressure_pa: float, step: float) -> bool:
    """Return whether a closed pressure must have shown the move of every temperature around it."""
    if channel not in CIRCUIT_PRESSURES:
        return False
    rooms = [c for c in ROOM_TEMPERATURES if c in readings.values]
    shares = [readings.lagged(c, look, lag) / readings.lagged(c, begin, lag) - 1.0 for c in rooms for lag in GAS_LAGS_S]
    shares = [share for share in shares if not np.isnan(share)]
    if len(shares) < 2 * len(GAS_LAGS_S) or min(shares) < 0.0 < max(shares):
        return False
    expected = pressure_pa * min(abs(share) for share in shares)
    steps = WARMED_STEPS if shares[0] > 0.0 else COOLED_STEPS
    return bool(expected >= steps * (COARSE_PA if np.isnan(step) else step))
