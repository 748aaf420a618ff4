"""Which readings can be believed: what is stuck, jumped, lost, impossible or in the wrong unit is named once and
kept out of every judgement.

A reading is left out only from the moment at which the fault could be known: earlier rows were used live and
stay used, so that a review of a finished log says what a watcher was told.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.log import Log
from analysis.result import Figure, FigureValue, Finding
from analysis.stretch import seconds
from analysis.vocabulary.units import UnitSystem

POSSIBLE = {
    "temperature": (173.15, 573.15),
    "pressure": (0.0, 12e6),
    "mass": (-100.0, 20_000.0),
    "fraction": (-0.2, 1.5),
}
"""What field instruments can show: -100 to 300 degC, up to 120 bar, scales to 20 t. Error codes lie outside."""

LOST_S = 120.0
LOST_INTERVALS = 20.0
"""Lost: blank for two minutes and for twenty of its own usual intervals."""

JUMP_K = 5.0
JUMP_NOISES = 15.0
JUMP_WITHIN_S = 15.0
JUMP_STAYS_S = 120.0
"""No probe in water, air or on metal moves by 5 K between two readings at most 15 s apart and then stays (common
practice: a field probe takes 20 s or more to follow)."""
JUMP_BAROMETER_PA = 800.0
"""No weather moves a barometer by 8 hPa between two readings a few seconds apart."""

STUCK_S = 1_200.0
STUCK_CHANGES = 30.0
STUCK_HISTORY_S = 3_600.0
STUCK_WORLD_K = 1.5
"""Stuck: the very same number for twenty minutes, in which it should have changed thirty times by its own habit of
the last hour, while a temperature elsewhere moved by 1.5 K."""
STUCK_LOOK_S = 300.0

UNIT_APART_K = 15.0
UNIT_NEAR_K = 6.0
UNIT_S = 900.0

_CANNOT_BE_STUCK = ("vacuum", "pump_vacuum", "cylinder_weight", "compressor_load", "barometer", "cylinder_pressure")
"""Channels that rightly show one number for long: a locked scale, an over-range probe, a fixed load."""
_MAY_BE_BLANK = ("vacuum", "pump_vacuum")
"""Micron probes show nothing above their range."""
_ROOM = ("ambient_temperature", "surface_temperature", "entering_water_temperature", "leaving_water_temperature")
"""Channels that stay within some kelvin of each other, so that a mistaken unit shows."""


@dataclass(frozen=True)
class _Fault:
    """A fault of one channel: rows with `begin_s` <= time < `end_s` are not believed."""

    kind: str
    channel: str
    since_s: float
    known_s: float
    end_s: float
    text: str
    offset: Figure | None = None


def believe(log: Log, system: UnitSystem = "us") -> tuple[Log, tuple[Finding, ...]]:
    """Return the log without the readings that cannot be believed, and one finding for each fault.

    Findings carry an empty stage; whoever knows the stages fills it in. Figures: `channel`, and `offset`
    where the fault is an offset. Uses no row after the time of each finding.
    """
    index = pd.DatetimeIndex(log.frame.index)
    at = seconds(index)
    frame = log.frame.copy()
    faults: list[_Fault] = []
    for channel, column in log.columns.items():
        values = frame[channel].to_numpy(dtype=float).copy()
        low, high = POSSIBLE.get(column.unit.dimension, (-np.inf, np.inf))
        impossible = (values < low) | (values > high)
        values[impossible] = np.nan
        frame[channel] = values
        if len(values):
            faults += _lost(channel, at, values, impossible)
    temperatures = [c for c, column in log.columns.items() if column.unit.dimension == "temperature"]
    for channel in log.columns:
        there = frame[channel].notna().to_numpy()
        times, values = at[there], frame[channel].to_numpy(dtype=float)[there]
        if len(values) < 10:
            continue
        if channel in temperatures or channel == "barometer":
            faults += _jumped(channel, times, values, system)
        if channel in temperatures or log.columns[channel].unit.dimension == "pressure":
            faults += _stuck(channel, times, values, at, frame, temperatures, log)
    faults += _mistaken_units(at, frame, log, system)
    for fault in faults:
        bad = (at >= fault.known_s) & (at < fault.end_s)
        frame.loc[bad, fault.channel] = np.nan
    findings = [_finding(fault, index, at) for fault in sorted(faults, key=lambda f: (f.known_s, f.channel))]
    return replace(log, frame=frame), tuple(findings)


def _finding(fault: _Fault, index: pd.DatetimeIndex, at: np.ndarray) -> Finding:
    figures: dict[str, FigureValue] = {"channel": fault.channel}
    if fault.offset is not None:
        figures["offset"] = fault.offset
    since = index[0] + pd.Timedelta(seconds=fault.since_s)
    known = index[int(np.searchsorted(at, fault.known_s))]
    return Finding(known, since, "", fault.kind, "caution", fault.text, figures)


def _name(channel: str) -> str:
    return channel.replace("_", " ")


def _lost(channel: str, at: np.ndarray, values: np.ndarray, impossible: np.ndarray) -> Iterator[_Fault]:
    """Yield each stretch in which a channel that had readings gave none while rows went on."""
    there = np.flatnonzero(~np.isnan(values))
    if len(there) < 10 or channel in _MAY_BE_BLANK:
        return
    pauses = np.append(np.diff(at[there]), at[-1] - at[there[-1]])
    usual = pd.Series(pauses[:1_000]).expanding().median().to_numpy()
    for i in np.flatnonzero(pauses >= LOST_S).tolist():
        if i < 9:
            continue
        limit = max(LOST_S, LOST_INTERVALS * float(usual[min(i, len(usual)) - 1]))
        first = int(there[i])
        known = int(np.searchsorted(at, at[first] + limit))
        came_back = int(there[i + 1]) if i + 1 < len(there) else len(at)
        if known >= came_back or known - first <= 3:  # a pause of all rows is a gap of the log, not a lost channel
            continue
        why = "gives numbers that cannot be" if impossible[first + 1 : known].any() else "gives no readings any more"
        yield _Fault(
            "channel_lost", channel, float(at[first]), float(at[known]), float(at[known]),
            f"{_name(channel)} {why}: check the instrument and its line. Nothing is judged by it meanwhile.",
        )  # fmt: skip


def _jumped(channel: str, times: np.ndarray, values: np.ndarray, system: UnitSystem) -> Iterator[_Fault]:
    """Yield each step that the thing measured cannot have made, and that stayed."""
    steps = np.diff(values)
    limit = JUMP_BAROMETER_PA if channel == "barometer" else JUMP_K
    kind = "pressure_difference" if channel == "barometer" else "temperature_difference"
    until = -np.inf
    for i in np.flatnonzero((np.abs(steps) >= limit) & (np.diff(times) <= JUMP_WITHIN_S)).tolist():
        at = float(times[i + 1])
        if at <= until:
            continue
        before = values[np.searchsorted(times, at - 120.0) : i + 1]
        stay = int(np.searchsorted(times, at + JUMP_STAYS_S))
        after = values[i + 1 : stay + 1]
        if stay >= len(times) or len(before) < 5 or len(after) < 5:
            continue
        level, new = float(np.median(before)), float(np.median(after))
        noise = 1.4826 * float(np.median(np.abs(before - level)))
        moved = new - level
        if abs(moved) < max(limit, JUMP_NOISES * noise) or np.any(np.abs(after - level) < 0.5 * abs(moved)):
            continue
        known = float(times[stay])
        back = np.flatnonzero(np.abs(values[stay:] - level) < 0.25 * abs(moved))
        until = float(times[stay + back[0]]) if len(back) else np.inf
        offset = Figure(moved, kind)
        yield _Fault(
            "channel_jumped", channel, at, known, until,
            f"{_name(channel)} jumped by {offset.show(system, 2)} between two readings and stayed: "
            "has the probe come off, or was it moved? It is left out until it is back.",
            offset,
        )  # fmt: skip


def _stuck(
    channel: str, times: np.ndarray, values: np.ndarray, at: np.ndarray, frame: pd.DataFrame,
    temperatures: list[str], log: Log,
) -> Iterator[_Fault]:  # fmt: skip
    """Yield each run of one and the same number that the channel's own habit and the world rule out."""
    if channel in _CANNOT_BE_STUCK:
        return
    changed = np.flatnonzero(np.diff(values) != 0.0) + 1
    starts = np.concatenate([[0], changed])
    ends = np.concatenate([changed, [len(values)]])
    long = np.flatnonzero(times[ends - 1] - times[starts] >= STUCK_S)
    for first, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
        begin = float(times[first])
        history = int(np.searchsorted(times, begin - STUCK_HISTORY_S))
        seen = first - history
        if seen < 60:
            continue
        rate = float(np.count_nonzero(np.diff(values[history : first + 1]))) / seen
        pascal = float(values[first])
        if channel not in temperatures and abs(pascal - float(log.barometer_pa.iloc[0])) < 4e3:
            continue  # open to the air: a gauge rightly stands at zero
        if rate <= 0.02:
            continue
        others = [c for c in temperatures if c != channel]
        looks = np.arange(begin + STUCK_S, float(times[end - 1]) + 1e-6, STUCK_LOOK_S)
        for look in looks.tolist():
            position = int(np.searchsorted(times, look))
            if position >= end:
                break
            if (position - first) * rate < STUCK_CHANGES:
                continue
            if any(_moved(at, frame[c].to_numpy(dtype=float), begin, look) >= STUCK_WORLD_K for c in others):
                yield _Fault(
                    "channel_stuck", channel, begin, float(times[position]),
                    float(times[end]) if end < len(times) else np.inf,
                    f"{_name(channel)} has shown the very same number for {(look - begin) / 60:.0f} min while "
                    "temperatures moved: it is stuck and is left out. Check the instrument.",
                )  # fmt: skip
                break


def _moved(at: np.ndarray, values: np.ndarray, begin: float, end: float) -> float:
    """Return how far a channel went between two moments: medians of 2 min after the first and before the last."""
    first = values[np.searchsorted(at, begin) : np.searchsorted(at, begin + 120.0)]
    last = values[np.searchsorted(at, end - 120.0) : np.searchsorted(at, end)]
    first, last = first[~np.isnan(first)], last[~np.isnan(last)]
    return abs(float(np.median(last)) - float(np.median(first))) if len(first) and len(last) else 0.0


def _mistaken_units(at: np.ndarray, frame: pd.DataFrame, log: Log, system: UnitSystem) -> Iterator[_Fault]:
    """Yield temperatures that make sense only when read in the other unit."""
    rooms = [c for c in _ROOM if c in frame]
    if len(rooms) < 3 or not len(at):
        return
    number = np.floor(at / 60.0).astype(np.int64)
    minutes = frame[rooms].groupby(number).median()
    minutes = minutes[(minutes.index.to_numpy() + 1) * 60.0 <= at[-1]]
    if minutes.empty:
        return
    for channel in rooms:
        symbol = log.columns[channel].unit.symbol
        if symbol not in ("degF", "degC"):
            continue
        read = minutes[channel].to_numpy(dtype=float)
        as_number = (read - 273.15) if symbol == "degC" else (read * 1.8 - 459.67)
        other = as_number + 273.15 if symbol == "degF" else (as_number + 459.67) / 1.8
        rest = minutes[[c for c in rooms if c != channel]]
        middle = rest.median(axis=1).to_numpy(dtype=float)
        close = (rest.max(axis=1) - rest.min(axis=1)).to_numpy(dtype=float) < UNIT_APART_K
        wrong = (np.abs(read - middle) > UNIT_APART_K) & (np.abs(other - middle) < UNIT_NEAR_K)
        wrong &= close & (rest.notna().sum(axis=1).to_numpy() >= 2)
        run = int(UNIT_S / 60.0)
        whole = np.flatnonzero(np.convolve(wrong, np.ones(run), "full")[: len(wrong)] >= run - 0.5)
        if not len(whole):
            continue
        end = (float(minutes.index[int(whole[0])]) + 1.0) * 60.0
        known = float(at[np.searchsorted(at, end)])
        meant = "degC" if symbol == "degF" else "degF"
        offset = Figure(float(np.median((read - middle)[whole[0] - run + 1 : whole[0] + 1])), "temperature_difference")
        yield _Fault(
            "channel_jumped", channel, max(0.0, end - UNIT_S), known, np.inf,
            f"{_name(channel)} is logged as {symbol} but agrees with its neighbours only as {meant} "
            f"({offset.show(system, 2)} apart as it stands): correct the unit in the job. It is left out.",
            offset,
        )  # fmt: skip
