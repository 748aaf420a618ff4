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

from analysis.belief.fault import AIR_PA, HOSE, Fault, Readings
from analysis.belief.patience import (
    CHANGES,
    STUCK_READINGS,
    STUCK_S,
    patience_of_noise,
    patience_of_walk,
)
from analysis.belief.witnesses import (
    GAS_LAGS_S,
    NEVER_STUCK,
    STANDS_IN,
    another_stands,
    flowed,
    gas_moved,
    gone_without,
    moved_elsewhere,
    others_go_on,
    others_moved,
    restless_beside,
    twin_moved,
    weighs_on,
)
from analysis.bins import Runs
from analysis.vocabulary.text import duration, words

LOOK_S = 300.0
WORLD_S, WORLD_K = 1_200.0, 1.5
ALONE_S = 3_600.0
"""Named when another that was as restless still is, or refrigerant flows on through a hose, when a temperature
elsewhere moved by 1.5 K, or a gauge after an hour: its noise is its own, that of air or water may come to rest. Not
where another that was as restless came to rest with it: a machine that cycled, or a valve that hunted, does no more."""
SWING_S = 5.0
"""A valve hunts by half a minute or more (common practice): what is read so often shows its swing, which is no noise.
Two gauges that come to rest together then are one box that froze."""
LATELY_S = 3_600.0
FOLLOWS = 20
"""A scale that changed so often in the hour before followed the mass."""
MUCH = 2.0
"""A scale that followed the mass and did not flicker is asked for twice as much."""
TOLD_S = 400.0
"""A witness that jumps is named within so long: what it did since then is not looked at."""
ALIVE_CHANGES = 3
STEPS, LEAST_STEPS = 200, 5
"""So many of the last changes, and at least so many, tell the step of the display."""


@dataclass(frozen=True)
class _Still:
    """One and the same number since `begin` [s], and how the channel came to it.

    `pascal` is what it shows where it is a pressure, `step` that of its display; `patience` and `walks` are how long
    readings that changed so may stand still, infinite where they may for ever; `before` is when its last changes began,
    `followed` whether there were many, `every` how often it was read meanwhile [s].
    """

    channel: str
    readings: Readings
    begin: float
    pascal: float
    step: float
    patience: float
    walks: float
    before: float
    followed: bool
    every: float

    def why(self, look: float, *, many: bool) -> tuple[str, bool]:
        """Return why it cannot stand so until `look`, empty when it may, and whether another that was as restless
        goes on; `many` readings show it."""
        channel, readings, begin, seen = self.channel, self.readings, self.begin, look - TOLD_S
        lasted = look - begin
        restless = many and lasted >= self.patience
        if channel == "cylinder_weight":
            follows = restless or self.followed
            moves = follows and flowed(readings, begin, seen, 1.0 if restless else MUCH)
            return "while the circuit's pressure moved, which takes refrigerant" if moves else "", False
        beside = restless_beside(channel, readings, self.before, begin, look) if restless else []
        alone = any(beside) or (restless and channel == HOSE and weighs_on(readings, begin, seen))
        restless = restless and (alone or not beside or self.every <= SWING_S)
        why = ""
        if alone or (restless and lasted >= ALONE_S and not np.isnan(self.pascal)):
            why = "after readings that never stood still"
        elif lasted < WORLD_S:
            pass
        elif restless and moved_elsewhere(channel, readings, begin, seen) >= WORLD_K:
            why = "while temperatures moved"
        elif (
            lasted >= self.walks
            and _in_use(channel, readings, begin, look)
            and others_go_on(channel, readings, begin, seen)
        ):
            why = "after it moved steadily, while the others go on"
        elif twin_moved(channel, readings, begin, seen, self.step):
            why = "while the other end of the same barrel moved"
        elif lasted >= self.walks and gone_without(channel, readings, begin, seen, self.step):
            why = "while a thermometer that had moved with it went on"
        elif others_moved(channel, readings, begin, seen, self.pascal, self.step):
            why = "while the other gauges on the circuit moved"
        elif lasted >= GAS_LAGS_S[-1] and gas_moved(channel, readings, begin, seen, self.pascal, self.step):
            why = "while the temperatures around moved, which a closed pressure follows"
        return why, alone


def stuck(channel: str, readings: Readings) -> Iterator[Fault]:
    """Yield each run of one and the same number that cannot be. Uses no row after the time at which it is known."""
    dimension = readings.dimension(channel)
    if channel in NEVER_STUCK or not (channel == "cylinder_weight" or dimension in ("temperature", "pressure")):
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
        if readings.open_or_empty(still.pascal, begin, AIR_PA):
            continue
        for look in np.arange(begin + STUCK_S, float(times[end - 1]) + 1e-6, LOOK_S).tolist():
            position = int(np.searchsorted(times, look))
            if position >= end:
                break
            why, alone = still.why(look, many=position - first >= STUCK_READINGS)
            if why and (alone or not another_stands(channel, readings, begin, look, still.pascal)):
                until = alive_again(times, starts, run)
                yield stuck_fault(channel, begin, float(times[position]), until, f"{duration(look - begin)} {why}")
                break


def _still(
    channel: str, readings: Readings, times: np.ndarray, values: np.ndarray, changes: np.ndarray, first: int
) -> _Still:
    """Return how a channel came to the number that it shows from reading `first` on, by all its changes so far."""
    begin, at_change = float(times[first]), first == changes[-1]
    pascal = _pascal(channel, readings, begin) if readings.dimension(channel) == "pressure" else np.nan
    before = changes[-CHANGES - 1 :]
    lately = changes[-STEPS - 1 :]
    steps = np.abs(np.diff(values[lately]))
    step = float(np.quantile(steps, 0.25)) if len(steps) >= LEAST_STEPS else np.nan
    walking = readings.dimension(channel) == "temperature" and at_change and not _may_be_held(readings, begin)
    return _Still(
        channel,
        readings,
        begin,
        pascal,
        step,
        patience=patience_of_noise(times, values, changes),
        walks=patience_of_walk(times[lately], values[lately], step) if walking else np.inf,
        before=float(times[before[0]]),
        followed=len(changes) > FOLLOWS and bool(times[changes[-FOLLOWS - 1]] >= begin - LATELY_S),
        every=float(np.ptp(times[before]) / max(np.ptp(before), 1)),
    )


def stuck_fault(channel: str, since_s: float, known_s: float, end_s: float, stood: str) -> Fault:
    """Return that a channel is stuck: `stood` says for how long, and how that is known."""
    text = f"{words(channel)} has shown the very same number for {stood}: it is stuck and is left out."
    return Fault("channel_stuck", channel, since_s, known_s, end_s, f"{text} Check the instrument.")


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


def _in_use(channel: str, readings: Readings, begin: float, look: float) -> bool:
    """Return whether a probe follows anything: a bottle that was put aside comes to rest."""
    return channel != "cylinder_temperature" or readings.at_stage(begin, look, "recovery", "charging")


def _may_be_held(readings: Readings, begin: float) -> bool:
    """Return whether a running machine may hold a temperature where it came to rest."""
    runs = "compressor_load" in readings.values or "discharge_pressure" in readings.values
    return runs and not readings.at_stage(begin, begin, *STANDS_IN)
