"""What a log shows of stages that nobody marked, minute by minute: pressure, weight, what runs or was marked to draw.

Everything here looks back only: the value of a minute uses no row after that minute's end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import PIECE_ROWS, Bins, frame_medians, row_medians, running_median
from analysis.fluids import refrigerant_of
from analysis.log import Log
from analysis.startup.steadiness import RUNNING_LOAD, RUNNING_PRESSURE_RATIO
from analysis.stretch import seconds
from analysis.vocabulary.channels import CHANNELS, CIRCUIT_PRESSURES, EVAPORATOR_WATER, LEAST_TOP_PA, ROOM_TEMPERATURES
from analysis.vocabulary.job import Job
from analysis.vocabulary.units import Pressure

MINUTE_S = 60.0
"""Width of a bin: stages last from many minutes to days, and rows may be a minute apart."""
HELD_MINUTES = 10
"""A channel that was blank for longer than this is not known any more."""
ROOM_RANGE_K = (273.15, 313.15)
"""Taken where no temperature is logged: 0 to 40 degC."""
WATER_RANGE_K = (278.15, 303.15)
"""Taken where the job names water and none is logged: 5 to 30 degC (common practice)."""
TEMPERATURES = (
    *ROOM_TEMPERATURES,
    "condenser_entering_temperature",
    "condenser_leaving_temperature",
    "suction_temperature",
    "discharge_temperature",
    "liquid_temperature",
)

RUN_LOAD, RUN_PRESSURES = ["compressor_load"], ["discharge_pressure", "suction_pressure"]
"""What shows that a compressor runs: the pressures where no load is logged."""

GAUGE_FLOOR_PA = 20e3
"""Below this a service gauge says little and the vacuum probe is believed; above it the gauge (common practice)."""
PROBE_TOP_PA = 2.6e3
"""Many probes show 20,000 or 25,000 micron for everything above: alone, such a reading says nothing."""
END_PART = 0.05
"""A gauge that shows the air's pressure within this part of it, and never less so far, may have no scale for vacuum."""
SMALLEST_STEP_PA = 20.0
"""A gauge's number that moves by less only carries a rounding, or the weather of a barometer."""

SWAP_KG = 4.0
"""A scale that moves by more than this in a minute was handled, unless it goes on so (common practice)."""
LEAP_S, LEAP_PART = 15.0, 0.55
"""Unless it never moved by more than this part of that in so short a time: then it flowed."""
ALIKE_OCTAVES = 1.5
"""What moves the scale so much alike in two minutes came through a large hose, not by hands."""
ON_SCALE_KG = 4.0
"""A scale that shows less bears no cylinder; one that shows less than nothing was zeroed under one."""
FLICKER_KG = 0.25
"""A scale may flicker by as much while nothing flows (common practice)."""
FLICKER_MINUTES = 7
"""In fewer minutes one step of pressure looks like its flicker."""
HANDLED_KG = 1.0
"""A cylinder that comes or goes moves the scale by more than this in a minute."""
PUMP_MARKS = ("pump_on", "pump_valve_open")
RECOVERY_MARKS = ("recovery_paused", "recovery_resumed")
OTHER_MARKS = ("pump_off", "vacuum_broken", "liquid_charging", "vapor_charging")
"""Marks that say what draws from the circuit: the vacuum pump, the recovery machine, none of them."""
ONE_WAY = ((3, 1.0), (5, 0.35), (15, 0.5))
"""So much one way [minutes, kg] is refrigerant on its way; scales in the field drift by 0.2 kg in an hour
(common practice)."""


@dataclass(frozen=True)
class Signals:
    """Minutes of a log, arrays of shape (n,); NaN where nothing was read.

    Attributes
    ----------
    begin_s, end_s, middle_s : the minute and its middle row, in seconds since the first row. Minutes without rows are
        missing. What moves one way is later than the middle row where the minute's median shows nothing of it.
    known : time of the first row after the minute.
    pressure_pa : absolute pressure of the circuit, the vacuum probe's where the gauge is at its floor.
    probe : whether the vacuum probe gave it. seen : whether it was read in this minute, not some minutes before.
    at_end : the gauge stands at the air's pressure and never showed less: it may have no scale for vacuum.
    calm_pa : median of three minutes of it, none of them from before a long break in the log.
    flicker_pa : how much it bends from minute to minute, median of half an hour; 0 while that is not known.
    step_pa : the smallest step in which its gauge moved from row to row so far.
    barometer_pa : atmosphere.
    saturation_low_pa, saturation_high_pa : where the refrigerant would stand, for the coldest and the warmest
        of the room's temperatures; NaN when the refrigerant is not stated.
    weight_kg : scale. on_scale : whether it bears a cylinder. swapped : the scale was handled in this minute.
    restless_kg : by how much the scale went to and fro so far, while nothing else moved it.
    flow_kg : what came onto the scale over the minutes before by a hose, 0 where nothing sure; negative: left.
    running : the compressor runs. run_read : what says so was read in this minute, not some minutes before.
    lift : discharge over suction pressure. load_read : the compressor's load is logged.
    chill_k : by how much more the water leaves cooler than it comes than when it did so least; NaN where one is blank.
    spread_k : how far the temperatures moved in the last 20 minutes, median.
    channels : how many temperatures and pressures had readings.
    pump_s : when somebody last marked that the vacuum pump is at work, -inf where a later mark says something else [s].
    recovers : the last mark of what draws is of a recovery.
    hold_s, target : how long the job wants a vacuum to be held, and which; infinite, and None, where it does not say.
    test_pressure : at which the job wants to test, None where it does not say.
    """

    origin: pd.Timestamp
    begin_s: np.ndarray
    end_s: np.ndarray
    middle_s: np.ndarray
    known: pd.DatetimeIndex
    pressure_pa: np.ndarray
    probe: np.ndarray
    seen: np.ndarray
    at_end: np.ndarray
    calm_pa: np.ndarray
    flicker_pa: np.ndarray
    step_pa: np.ndarray
    barometer_pa: np.ndarray
    saturation_low_pa: np.ndarray
    saturation_high_pa: np.ndarray
    weight_kg: np.ndarray
    on_scale: np.ndarray
    swapped: np.ndarray
    restless_kg: np.ndarray
    flow_kg: np.ndarray
    running: np.ndarray
    run_read: np.ndarray
    lift: np.ndarray
    load_read: np.ndarray
    chill_k: np.ndarray
    spread_k: np.ndarray
    channels: np.ndarray
    pump_s: np.ndarray
    recovers: np.ndarray
    hold_s: float
    target: Pressure | None
    test_pressure: Pressure | None

    def __len__(self) -> int:
        return len(self.end_s)

    def back(self, k: int, minutes: float) -> int:
        """Return the first minute that begins not earlier than `minutes` before the end of minute `k`."""
        return int(self.begin_s.searchsorted(self.end_s[k] - minutes * MINUTE_S - 1e-6))


def read_signals(log: Log, job: Job) -> Signals:
    """Return the minutes of a log; a last minute that is not over yet is left out."""
    index = pd.DatetimeIndex(log.frame.index)
    empty = pd.Timestamp(0, tz="UTC")
    origin = index[0] if len(index) else empty
    frame = log.frame[[name for name in CHANNELS if name in log.frame]].assign(_barometer=log.barometer_pa)
    bins = frame_medians(frame, origin, [str(name) for name in frame], MINUTE_S)
    medians = _held(bins.medians, bins.end_s)
    n = len(medians)

    def channel(name: str) -> np.ndarray:
        return medians[name].to_numpy(dtype=float) if name in medians else np.full(n, np.nan)

    pressure, probe, seen, at_end = _pressure(bins, channel("_barometer"))
    lift = channel("discharge_pressure") / np.maximum(channel("suction_pressure"), 1e3)
    running = _running(channel, lift, channel("_barometer"))
    load_read = ~np.isnan(channel("compressor_load"))
    by_load, by_lift = (
        bins.medians.reindex(columns=names).notna().all(axis=1).to_numpy() for names in (RUN_LOAD, RUN_PRESSURES)
    )
    weight = channel("cylinder_weight")
    swapped, flow = _flow(weight, _leaps(frame, bins), bins.end_s)
    temperatures = [channel(name) for name in TEMPERATURES if name in medians]
    low, high = _saturation(medians, job)
    pump_s, recovers = _marked(log.journal, origin, bins.end_s)
    present = [channel(name) for name in (*TEMPERATURES, *CIRCUIT_PRESSURES) if name in medians]
    return Signals(
        origin=origin,
        begin_s=bins.end_s - MINUTE_S,
        end_s=bins.end_s,
        middle_s=seconds(index[bins.runs.first + (bins.runs.count - 1) // 2], origin),
        known=bins.known,
        pressure_pa=pressure,
        probe=probe,
        seen=seen,
        at_end=at_end,
        calm_pa=_calm(pressure, bins.end_s),
        flicker_pa=_flicker(pressure),
        step_pa=_step(frame, bins),
        barometer_pa=channel("_barometer"),
        saturation_low_pa=low,
        saturation_high_pa=high,
        weight_kg=weight,
        on_scale=np.abs(np.nan_to_num(weight, nan=0.0)) > ON_SCALE_KG,
        swapped=swapped,
        restless_kg=_restless(weight),
        flow_kg=flow,
        running=running,
        run_read=np.where(load_read, by_load, by_lift),
        lift=lift,
        load_read=load_read,
        chill_k=_chill(channel),
        spread_k=_spread(temperatures, n),
        channels=np.sum([~np.isnan(c) for c in present], axis=0) if present else np.zeros(n, dtype=int),
        pump_s=pump_s,
        recovers=recovers,
        hold_s=np.inf if job.evacuation.hold_s is None else job.evacuation.hold_s,
        target=job.evacuation.target,
        test_pressure=job.pressure_test.pressure,
    )


def _marked(journal: pd.DataFrame, origin: pd.Timestamp, end_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return when the pump was last marked to be at work, and whether a recovery is what was marked last instead."""
    marks = journal[(journal["kind"] == "mark") & journal["subject"].isin(PUMP_MARKS + RECOVERY_MARKS + OTHER_MARKS)]
    marks = marks.sort_values("time", kind="stable")
    at_s = seconds(pd.DatetimeIndex(marks["time"]), origin)
    last = np.searchsorted(at_s, end_s)  # none that a later row of the log would come before
    said = np.append("", marks["subject"].to_numpy(dtype=str))[last]
    return np.where(np.isin(said, PUMP_MARKS), np.append(-np.inf, at_s)[last], -np.inf), np.isin(said, RECOVERY_MARKS)


def _held(medians: pd.DataFrame, end_s: np.ndarray) -> pd.DataFrame:
    """Return the medians with blanks bridged by the last reading for `HELD_MINUTES`; minutes, not rows, count."""
    held = medians.ffill()
    for name in medians:
        there = medians[name].notna().to_numpy()
        last = pd.Series(np.where(there, end_s, np.nan)).ffill().to_numpy()
        held.loc[~(end_s - last <= HELD_MINUTES * MINUTE_S), name] = np.nan
    return held


def _pressure(bins: Bins, barometer_pa: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the pressure by the first gauge that reads, or the probe, whether that is the probe, whether it read,
    and whether a gauge stands where one without a scale for vacuum ends.

    A probe that shows nothing is out of its range, so it is never bridged.
    """
    gauges = bins.medians.reindex(columns=[name for name in CIRCUIT_PRESSURES if name in bins.medians])
    now = gauges.bfill(axis=1).iloc[:, :1].to_numpy(dtype=float).ravel() if len(gauges.columns) else None
    read = np.full(len(bins.medians), np.nan) if now is None else now
    gauge = _held(pd.DataFrame({"gauge": read}), bins.end_s)["gauge"].to_numpy(dtype=float)
    probe = bins.medians["vacuum"].to_numpy(dtype=float) if "vacuum" in bins.medians else np.full(len(read), np.nan)
    probe = np.where(_at_its_top(probe), np.nan, probe)
    blank = np.isnan(gauge) & ((probe < PROBE_TOP_PA) | (now is None))
    with np.errstate(invalid="ignore"):
        above = gauge / barometer_pa - 1.0
        at_end = (above < END_PART) & (np.fmin.accumulate(above) > -END_PART) if len(above) else blank
    tells = (probe < GAUGE_FLOOR_PA) & (gauge < GAUGE_FLOOR_PA)
    deep = ~np.isnan(probe) & (tells | (probe < PROBE_TOP_PA) & at_end | (probe < GAUGE_FLOOR_PA) & blank)
    only = np.isnan(gauge) & ((probe < PROBE_TOP_PA) | (probe > GAUGE_FLOOR_PA))
    by_probe = deep | only
    return np.where(by_probe, probe, np.maximum(gauge, 0.0)), by_probe, by_probe | ~np.isnan(read), at_end


def _at_its_top(probe: np.ndarray) -> np.ndarray:
    """Return in which minutes a probe stands still at the highest that it ever showed, above what is held."""
    highest = np.fmax.accumulate(probe) if len(probe) else probe
    with np.errstate(invalid="ignore"):
        still = np.abs(np.diff(probe, prepend=probe[:1])) <= 1e-3 * probe
        return still & (probe >= 0.999 * highest) & (probe > LEAST_TOP_PA)


def _running(read: Callable[[str], np.ndarray], lift: np.ndarray, barometer_pa: np.ndarray) -> np.ndarray:
    load = read("compressor_load")
    with np.errstate(invalid="ignore"):
        apart = (lift > RUNNING_PRESSURE_RATIO) & (read("discharge_pressure") > 1.3 * barometer_pa)
        return np.where(np.isnan(load), apart, load > RUNNING_LOAD)


def _leaps(frame: pd.DataFrame, bins: Bins) -> np.ndarray:
    """Return the largest change of the scale within `LEAP_S`, or between two rows, lately at each minute [kg]."""
    if "cylinder_weight" not in frame or not len(bins.end_s):
        return np.zeros(len(bins.end_s))
    weight = frame["cylinder_weight"].iloc[: bins.runs.rows].ffill().to_numpy(dtype=float)
    at_us = pd.DatetimeIndex(frame.index[: bins.runs.rows]).as_unit("us").asi8
    leaps = np.empty(len(weight))
    for begin in range(0, len(weight), PIECE_ROWS):
        rows = np.arange(begin, min(begin + PIECE_ROWS, len(weight)))
        before = np.minimum(np.searchsorted(at_us, at_us[rows] - int(LEAP_S * 1e6)), np.maximum(rows - 1, 0))
        leaps[rows] = np.abs(np.nan_to_num(weight[rows] - weight[before]))
    largest = np.maximum.reduceat(leaps, bins.runs.first)
    lately: np.ndarray = np.maximum(largest, np.append(0.0, largest[:-1]))
    return lately


def _flow(weight: np.ndarray, leaps: np.ndarray, end_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return in which minutes the scale was handled, and what flowed over the last minutes [kg, signed]."""
    n = len(weight)
    step = np.diff(weight, prepend=weight[:1]) if n else weight
    minutes = np.maximum(np.diff(end_s, prepend=end_s[:1]) / MINUTE_S, 1.0) if n else end_s
    came_or_went = np.diff(np.isnan(weight).astype(float), prepend=1.0 if n and np.isnan(weight[0]) else 0.0) != 0
    size = np.abs(np.nan_to_num(step))
    leapt = leaps > LEAP_PART * size
    before = np.nan_to_num(step / minutes)[np.maximum(np.arange(n) - 1, 0)]
    with np.errstate(invalid="ignore", divide="ignore"):
        alike = np.abs(np.log2(np.nan_to_num(step / minutes) / before)) < ALIKE_OCTAVES
    bears = np.abs(np.nan_to_num(weight)) > ON_SCALE_KG
    poured = bears & (size > HANDLED_KG) & ~leapt
    changed = np.diff(bears.astype(float), prepend=float(bears[0]) if n else 0.0) != 0
    swapped = came_or_went | ((size > SWAP_KG * minutes) & leapt & ~alike) | (changed & (size > HANDLED_KG))
    last_swap = pd.Series(np.where(swapped, np.arange(n), np.nan)).ffill().fillna(-1).to_numpy()
    flow = np.zeros(n)
    for length, least in ONE_WAY:
        if n <= length:
            continue
        k = np.arange(length, n)
        moved = weight[length:] - weight[:-length]
        steps = np.lib.stride_tricks.sliding_window_view(np.nan_to_num(step[1:]), length)
        fits = (k - last_swap[length:] > length) & (end_s[length:] - end_s[:-length] < 1.7 * length * MINUTE_S)
        for sign in (1.0, -1.0):
            onward = np.count_nonzero(steps * sign > 0, axis=1)
            largest = np.max(steps * sign, axis=1)
            sure = fits & (sign * moved >= least) & (onward >= 3) & (largest <= 0.75 * sign * moved)
            sure &= np.max(-steps * sign, axis=1) <= 0.34 * sign * moved
            flow[length:] = np.where(sure & (flow[length:] == 0.0), moved, flow[length:])
    flow = np.where(swapped, 0.0, np.append(0.0, flow)[:n])  # a minute later: hands may have come in the last one
    twice = poured[1:] & poured[:-1] & ~swapped[1:] & ~swapped[:-1] & (step[1:] * step[:-1] > 0.0)
    flow[1:] = np.where(twice & (flow[1:] == 0.0), step[1:] + step[:-1], flow[1:])  # no hands: nothing leapt
    flow[np.isnan(flow)] = 0.0
    return swapped, flow


def _calm(pressure_pa: np.ndarray, end_s: np.ndarray) -> np.ndarray:
    breaks = np.cumsum(np.diff(end_s, prepend=end_s[:1]) > HELD_MINUTES * MINUTE_S)
    medians = pd.Series(pressure_pa).groupby(breaks).rolling(3, min_periods=1).median()
    return medians.to_numpy()


def _flicker(pressure_pa: np.ndarray) -> np.ndarray:
    bends = pd.Series(pressure_pa).diff().diff().abs()
    return bends.rolling(30, min_periods=FLICKER_MINUTES).median().fillna(0.0).to_numpy()


def _step(frame: pd.DataFrame, bins: Bins) -> np.ndarray:
    """Return the smallest step so far of the first gauge that moved, over the air's pressure or over nothing.

    Over which of the two it shows its numbers is the one over which its steps are coarser.
    """
    step = np.full(len(bins.end_s), np.nan)
    air = frame["_barometer"].to_numpy(dtype=float)
    nothing = np.broadcast_to(0.0, len(air))
    for name in reversed([name for name in CIRCUIT_PRESSURES if name in frame]):
        read = frame[name].to_numpy(dtype=float)
        coarser = np.fmax(*(_smallest_step(read, over, bins) for over in (nothing, air)))
        step = np.where(np.isnan(coarser), step, coarser)
    known: np.ndarray = np.nan_to_num(step)
    return known


def _smallest_step(read_pa: np.ndarray, over_pa: np.ndarray, bins: Bins) -> np.ndarray:
    moved = np.full(bins.runs.rows, np.nan, dtype=np.float32)
    for begin in range(1, len(moved), PIECE_ROWS):
        rows = slice(begin - 1, min(begin + PIECE_ROWS, len(moved)))
        by = np.abs(np.diff(read_pa[rows] - over_pa[rows]))
        moved[begin : rows.stop] = np.where(by > SMALLEST_STEP_PA, by, np.nan)
    smallest: np.ndarray = (
        np.fmin.accumulate(bins.runs.least(moved)) if len(moved) else np.full(len(bins.end_s), np.nan)
    )
    return smallest


def _restless(weight: np.ndarray) -> np.ndarray:
    """Return the largest small step so far that was taken back by the next one, minute by minute [kg]."""
    steps = np.nan_to_num(np.diff(weight, prepend=np.nan))
    moved = np.flatnonzero(steps)
    one, next_ = steps[moved[:-1]], steps[moved[1:]]
    back = np.where(one * next_ < 0.0, np.minimum(np.abs(one), np.abs(next_)), 0.0)
    found = np.zeros(len(weight))
    found[moved[1:]] = np.where(np.maximum(np.abs(one), np.abs(next_)) < FLICKER_KG, back, 0.0)
    return np.maximum.accumulate(found)


def _chill(read: Callable[[str], np.ndarray]) -> np.ndarray:
    leaving, entering = (read(name) for name in EVAPORATOR_WATER)
    cooler = running_median(entering - leaving, 3)
    return cooler - np.fmin.accumulate(cooler) if len(cooler) else cooler


def _spread(temperatures: list[np.ndarray], n: int) -> np.ndarray:
    if not temperatures:
        return np.zeros(n)
    table = pd.DataFrame(np.column_stack(temperatures)).rolling(20, min_periods=5)
    return row_medians((table.max() - table.min()).to_numpy())


def _saturation(medians: pd.DataFrame, job: Job) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest and the highest pressure [Pa] at which the job's refrigerant would stand with liquid."""
    nothing = np.full(len(medians), np.nan)
    fluid = refrigerant_of(job)
    if fluid is None:
        return nothing, nothing
    rooms = medians[[name for name in ROOM_TEMPERATURES if name in medians]]
    if job.circuit.water is not None and not set(EVAPORATOR_WATER) & set(medians):
        rooms = rooms.assign(cold=WATER_RANGE_K[0], warm=WATER_RANGE_K[1])
    cold = rooms.min(axis=1).fillna(ROOM_RANGE_K[0]).to_numpy(dtype=float)
    warm = rooms.max(axis=1).fillna(ROOM_RANGE_K[1]).to_numpy(dtype=float)
    return np.asarray(fluid.dew_pressure_pa(cold)), np.asarray(fluid.bubble_pressure_pa(warm))
