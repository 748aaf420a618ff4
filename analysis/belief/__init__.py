"""Which readings can be believed: what is stuck, jumped, lost, impossible or in the wrong unit is named once and
kept out of every judgement. Channels of other names are nobody's to judge.

A reading is left out only from the moment at which the fault could be known: earlier rows were used live and
stay used, so that a review of a finished log says what a watcher was told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.belief.fault import Fault, Readings
from analysis.belief.jumped import jumped
from analysis.belief.lost import fallen_to_nothing, impossible_in, lost, stages_of
from analysis.belief.probes import nothing_shown, out_of_range, probe_faults
from analysis.belief.stuck import TOLD_S, stuck
from analysis.belief.units import mistaken_units
from analysis.bins import frame_medians
from analysis.fluids import refrigerant_of
from analysis.log import BAROMETER_RANGE_PA, Log
from analysis.result import Figure, FigureValue, Finding
from analysis.stages import from_journal
from analysis.stretch import seconds
from analysis.vocabulary.channels import AIR, CHANNELS, EVAPORATOR_WATER, MICRON_PROBES, Column
from analysis.vocabulary.job import Job

__all__ = ["POSSIBLE", "believe", "stages_of"]

POSSIBLE = {
    "temperature": (173.15, 573.15),
    "pressure": (0.0, 12e6),
    "mass": (-450.0, 4_000.0),
    "fraction": (-0.2, 1.5),
}
"""What field instruments can show: -100 to 300 degC, up to 120 bar, scales to two drums of a ton, and to what a large
cylinder holds under nothing when it was zeroed with one on it. Error codes lie outside."""
WATER_AND_AIR = (*EVAPORATOR_WATER, "condenser_entering_temperature", "condenser_leaving_temperature", AIR)
WATER_MOST_K = 403.15
"""No water, glycol or air beside a chiller is over 130 degC (common practice): a probe that came open shows its end."""
GAUGE_MOST_PA, GAUGE_TIMES = 9e6, 1.6
"""Gauges for refrigerants other than carbon dioxide end at 60 to 70 bar (common practice); for that one further up."""
LEAST_SCALE_KG, LOADS = 250.0, 5.0
"""A scale for the job's cylinders shows no more than five times the heaviest of them, full of water."""
MINUTE_S = 60.0
_DIFFERENCE = {
    "temperature": "temperature_difference",
    "pressure": "pressure_difference",
    "mass": "mass",
    "fraction": "fraction",
}


def believe(log: Log, job: Job | None = None) -> tuple[Log, tuple[Finding, ...]]:
    """Return the log without the readings that cannot be believed, and one finding for each fault.

    Findings carry an empty stage; whoever knows the stages fills it in. Figures: `channel`, and `offset`, unknown
    where the fault is no offset. Uses no row after the time of each finding.
    """
    index = pd.DatetimeIndex(log.frame.index)
    if not len(index):
        return log, ()
    columns = {channel: column for channel, column in log.columns.items() if channel in CHANNELS}
    never, changed = _possible(log, job, columns)
    values = {channel: changed.get(channel, log.frame[channel].to_numpy(dtype=float)) for channel in columns}
    readings = _readings(log, job, columns, values, never)
    faults = _faults(readings, job)
    for fault in faults:
        first, end = np.searchsorted(readings.at, (fault.known_s, fault.end_s)).tolist()
        if first < end:
            if fault.channel not in changed:
                changed[fault.channel] = values[fault.channel].copy()
            changed[fault.channel][first:end] = np.nan
    findings = [_finding(fault, readings, index) for fault in faults]
    believed = {str(name): changed.get(str(name), log.frame[name]) for name in log.frame}
    return replace(log, frame=pd.DataFrame(believed, index=index, copy=False)), tuple(findings)


def _possible(
    log: Log, job: Job | None, columns: Mapping[str, Column]
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Return which rows of a channel cannot be, and its readings without them, for the channels that have any.

    The numbers that a micron probe shows out of its range are no readings either, and no fault: they are blank alone.
    """
    at = seconds(pd.DatetimeIndex(log.frame.index))
    impossible: dict[str, np.ndarray] = {}
    possible: dict[str, np.ndarray] = {}
    for channel, column in columns.items():
        shown, unit = log.frame[channel].to_numpy(dtype=float), column.unit
        if channel in MICRON_PROBES:
            wrong, none = _any_of(nothing_shown(shown)), out_of_range(shown, unit)
        else:
            bounds = _bounds(channel, unit.dimension, job)
            wrong, none = _any_of(impossible_in(shown, bounds), fallen_to_nothing(at, shown, unit)), None
        if (never := _any_of(log.impossible.get(channel), wrong)) is not None:
            impossible[channel] = never
        if (blank := _any_of(wrong, none)) is not None:
            possible[channel] = np.where(blank, np.nan, shown)
    return impossible, possible


def _readings(
    log: Log,
    job: Job | None,
    columns: Mapping[str, Column],
    values: dict[str, np.ndarray],
    never: Mapping[str, np.ndarray],
) -> Readings:
    """Return what all looks at the channels share."""
    index = pd.DatetimeIndex(log.frame.index)
    marked = log.journal["time"][log.journal["kind"].isin(("mark", "stage"))]
    slow = [channel for channel, column in columns.items() if column.unit.dimension in ("temperature", "pressure")]
    shown_slowly = pd.DataFrame({channel: values[channel] for channel in slow}, index=index, copy=False)
    bins = frame_medians(shown_slowly, index[0], slow, MINUTE_S)
    return Readings(
        at=seconds(index),
        values=values,
        columns=columns,
        minutes=bins.medians,
        minute_end_s=bins.end_s,
        barometer_pa=log.barometer_pa.to_numpy(dtype=float),
        system="us" if job is None else job.job.units,
        never=never,
        stages_s=_stages(log.journal, index[0]),
        marks_s=np.asarray((marked - index[0]) / pd.Timedelta(seconds=1), dtype=float),
    )


def _faults(readings: Readings, job: Job | None) -> list[Fault]:
    """Return every fault once. What stands still is judged by channels that were not seen to jump themselves."""
    faults: list[Fault] = []
    for channel in readings.columns:
        if channel in MICRON_PROBES:
            faults += probe_faults(channel, readings)
        else:
            faults += lost(channel, readings)
            faults += jumped(channel, readings)
    witnesses = readings.without([fault for fault in faults if fault.known_s - fault.since_s <= TOLD_S])
    for channel in readings.columns:
        faults += stuck(channel, witnesses)
    faults += mistaken_units(readings.left_out(faults), job)
    return _named_once(faults)


def _any_of(*masks: np.ndarray | None) -> np.ndarray | None:
    """Return which rows are in any of some masks, None where no row is."""
    some = [mask for mask in masks if mask is not None and mask.any()]
    return np.asarray(np.logical_or.reduce(some)) if some else None


def _bounds(channel: str, dimension: str, job: Job | None) -> tuple[float, float] | None:
    """Return between which numbers a channel's readings can be: no barometer shows, and no scale bears, as much."""
    if channel == "barometer":
        return BAROMETER_RANGE_PA
    low, high = POSSIBLE.get(dimension, (-np.inf, np.inf))
    if channel in WATER_AND_AIR:
        high = WATER_MOST_K
    if channel == "cylinder_weight" and job is not None:
        full = [(c.tare_kg or 0.0) + max(c.water_capacity_kg or 0.0, c.contents_kg) for c in job.cylinder]
        high = min(high, max(LEAST_SCALE_KG, LOADS * max(full, default=high)))
    fluid = refrigerant_of(job) if dimension == "pressure" else None
    if fluid is not None:
        high = min(high, max(GAUGE_MOST_PA, GAUGE_TIMES * fluid.range_pa[1]))
    return low, high


def _named_once(faults: Sequence[Fault]) -> list[Fault]:
    """Return the faults in the order of their time, without those of a channel that is left out already."""
    kept: list[Fault] = []
    out_until: dict[str, float] = {}
    for fault in sorted(faults, key=lambda f: (f.known_s, f.channel)):
        if fault.known_s >= out_until.get(fault.channel, -np.inf):
            kept.append(fault)
            out_until[fault.channel] = fault.end_s
    return kept


def _stages(journal: pd.DataFrame, begin: pd.Timestamp) -> tuple[tuple[str, float, float], ...]:
    def after(time: pd.Timestamp | None) -> float:
        return np.inf if time is None else (time - begin).total_seconds()

    return tuple((span.stage, after(span.begin), after(span.end)) for span in from_journal(journal)[0])


def _finding(fault: Fault, readings: Readings, index: pd.DatetimeIndex) -> Finding:
    unknown = Figure(np.nan, _DIFFERENCE.get(readings.dimension(fault.channel), "count"))
    figures: dict[str, FigureValue] = {"channel": fault.channel, "offset": fault.offset or unknown}
    since = index[0] + pd.Timedelta(seconds=fault.since_s)
    known = index[int(np.searchsorted(readings.at, fault.known_s))]
    return Finding(known, since, "", fault.kind, "caution", fault.text, figures)
