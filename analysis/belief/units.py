"""Channels whose numbers make sense only in another unit than the one they are logged in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from analysis.belief.fault import EMPTY_PA, HOSE, Fault, Readings
from analysis.belief.first_cylinder import scale_in_pounds
from analysis.belief.labels import MINUTES, OF_GAUGE, Label, in_other_units, known_at, only_one_in, relabelled
from analysis.belief.probes import GAUGE_PA, MOST_PA
from analysis.belief.running import load_as_share, out_of_order
from analysis.belief.saturated import against_saturation, right_before
from analysis.bins import row_medians
from analysis.fluids import Refrigerant, refrigerant_of
from analysis.result import Figure
from analysis.vocabulary.channels import (
    AIR_AND_METAL,
    CIRCUIT_PRESSURES,
    EVAPORATOR_WATER,
    LEAST_TOP_PA,
    MICRON_PROBES,
    ROOM_TEMPERATURES,
    USUAL_TOP_PA,
)
from analysis.vocabulary.job import Job
from analysis.vocabulary.text import words
from analysis.vocabulary.units import UNITS, Unit

PROBE = MICRON_PROBES[0]
APART_K = 15.0
NEAR_K = 6.0
FAR = 0.25
NEAR = 0.03
STEP_S, STEP_PART = 120.0, 0.5
"""A display that is switched over steps by most of what it is off, as the first of those minutes begins."""
STATED_NEAR = 0.05
STATED_MINUTES = 60
"""A test may be held at a low pressure first, for a quarter of an hour or so: only after an hour is it no step."""
PROBE_MINUTES, ABOVE_GAUGE, FELL_TIMES, AGREES = 3, 3.0, 3.0, 0.15
"""For so many minutes in all a probe shows more than a gauge, by so many times what that may be off, or less than it
can; by the third it comes down with the circuit, which one valved off on a vacuum does not. At the air's pressure a
probe is nearer to a gauge than the last, a share."""
BELOW_TOP = 0.5
"""A probe that shows less than such a part of the most that it showed is not at its end, where the kind of gas, and its
pressure, make it show more or less (common practice)."""
AT_AIR = 1.05
"""Pressure over the air's by more than this is let out, not pumped."""
SATURATION_K, PULLED_K = 0.75, 3.0
"""Saturation stands this near to what is around the liquid, and lower while vapour is drawn."""
DATUM_K = 5.0
"""What one atmosphere makes less than this is no evidence: water at one end, oil or a pull's beginning do as much. It
is 7 K for R-134a at 60 degF, 5 K for R-22 at 50 degF, and 3 K for R-410A, of which nothing is said."""
ROOM_SPREAD_K = 3.0
LOW_SIDE, HIGH_SIDE = CIRCUIT_PRESSURES[:2], CIRCUIT_PRESSURES[2:]
"""While the compressor runs these lie far apart: pressures of both sides that agree are those of a standing circuit."""

PARTNERS: Mapping[str, tuple[str, float, float]] = {
    "entering_water_temperature": ("leaving_water_temperature", -15.0, 15.0),
    "leaving_water_temperature": ("entering_water_temperature", -15.0, 15.0),
    "condenser_entering_temperature": ("condenser_leaving_temperature", -15.0, 15.0),
    "condenser_leaving_temperature": ("condenser_entering_temperature", -15.0, 15.0),
    "ambient_temperature": ("surface_temperature", -15.0, 15.0),
    "surface_temperature": ("ambient_temperature", -15.0, 15.0),
    "suction_temperature": ("leaving_water_temperature", -15.0, 15.0),
    "liquid_temperature": ("condenser_leaving_temperature", -12.0, 15.0),
    "discharge_temperature": ("liquid_temperature", -5.0, 90.0),
}
"""Where each stands beside its partner [K], the machine at rest or running (common practice)."""
APART_MOVED_K, STAYS_TIMES = 2.0, 3.0
"""By so much metal and air must come apart or closer, as degF and degC do once both move by 2.5 K, and in the other
unit by a third of it at most. What a heater cycles alone is 1.8 times in one unit what it is in the other."""
ROOM_APART_K = 20.0
"""What is hotter than any water, air or bottle is its neighbour in the other unit when it is so near to it."""
CAN_BE_K = {
    **dict.fromkeys(EVAPORATOR_WATER, (268.15, 323.15)),
    "ambient_temperature": (233.15, 328.15),
    "cylinder_temperature": (243.15, 333.15),
}
"""Water of an evaporator is no ice and not hot. Air has its records. A bottle is made for 55 degC (49 CFR 173.304)."""
COLD_SIDE = (*ROOM_TEMPERATURES, "suction_temperature")
BEYOND_K = 5.0
ROOM_K = (273.15, 318.15)
"""Where one of only two thermometers lies outside of this it is the one in doubt: frost beside a warm room is rare."""
SAME = 0.02
OTHERWISE = 0.05
"""Two gauges of one pressure agree within two hundredths; one that is five away does not."""


def mistaken_units(readings: Readings, job: Job | None) -> Iterator[Fault]:
    """Yield each channel that is logged in a wrong unit. Uses no row after the time at which it is known."""
    if len(readings.minutes) < MINUTES:
        return
    labels: list[Label] = []
    for channel in dict.fromkeys((*ROOM_TEMPERATURES, *PARTNERS, *CAN_BE_K)):
        if channel in readings.values:
            labels += _temperature(channel, readings)
    for channel in CIRCUIT_PRESSURES:
        if channel in readings.values:
            labels += _pressure(channel, readings, job)
    for channel in MICRON_PROBES:
        if channel in readings.values and HOSE in readings.values:
            labels += _probe(channel, readings)
    fluid = refrigerant_of(job)
    if fluid is not None:
        labels += _gauge_as_absolute(readings, fluid)
        labels += against_saturation(readings, fluid)
        labels += out_of_order(readings, fluid)
    faults = [(fault, label.witness) for label in labels for fault in _fault(label, readings)]
    faults += [(fault, "") for fault in (*scale_in_pounds(readings, job), *load_as_share(readings))]
    first: dict[str, Fault] = {}
    for fault, witness in sorted(faults, key=lambda one: one[0].known_s):
        if witness not in first:  # what has a wrong label itself doubts no other
            first.setdefault(fault.channel, fault)
    yield from first.values()


def _temperature(channel: str, readings: Readings) -> Iterator[Label]:
    read = readings.by_minute(channel)
    for meant, other in in_other_units(channel, readings):
        partner = PARTNERS[channel][0] if channel in PARTNERS else ""
        for beside, witness, doubt in (
            ("its neighbours", "", _beside_neighbours),
            ("what stands beside it", partner, _beside_partners),
            ("another thermometer", "", _beyond),
            ("the air or metal beside it", partner, _beside_air),
        ):
            wrong, apart = doubt(channel, read, other, readings)
            if wrong.any():
                wrong &= ~readings.comes_to_rest(channel) & ~right_before(apart, np.abs(apart) < APART_K)
                yield Label(channel, meant, beside, wrong, apart, witness)


def _beside_neighbours(
    channel: str, read: np.ndarray, other: np.ndarray, readings: Readings
) -> tuple[np.ndarray, np.ndarray]:
    """Return in which minutes two neighbours at least agree with the other unit alone, and how far off this one is.

    While the machine runs a hot pipe or warm air beside cold water is none: only the odd label among all is doubted.
    A cylinder has no neighbours: filled it grows hot, emptied it grows cold. Nor has a room beside chilled water alone.
    """
    minutes = readings.minutes
    others = [c for c in ROOM_TEMPERATURES if c in minutes and c != channel] if channel in ROOM_TEMPERATURES else []
    if len(others) < 2:
        temperatures = readings.others(channel, "temperature")
        others = [c for c in temperatures if c not in ("oil_temperature", "cylinder_temperature")]
    if len(others) < 2 or channel == "cylinder_temperature":
        return np.zeros(len(read), dtype=bool), read
    rest = readings.side_by_side(others)
    middle = row_medians(rest)
    close = np.fmax.reduce(rest, axis=1) - np.fmin.reduce(rest, axis=1) < APART_K
    wrong = (np.abs(read - middle) > APART_K) & (np.abs(other - middle) < NEAR_K) & close
    wrong &= np.count_nonzero(~np.isnan(rest), axis=1) >= 2
    if channel == "ambient_temperature" and set(others) <= set(EVAPORATOR_WATER):
        wrong &= (read < ROOM_K[0]) | (read > ROOM_K[1])
    if not (channel in COLD_SIDE and _only_in_its_unit(channel, readings)):
        wrong &= ~_may_run(readings)
    return wrong, read - middle


def _may_run(readings: Readings) -> np.ndarray:
    """Return in which minutes the compressor may run: while it is started, and where nothing says what is done."""
    return readings.within("startup") | (readings.unsaid() & ("discharge_pressure" in readings.values))


def _beyond(channel: str, read: np.ndarray, other: np.ndarray, readings: Readings) -> tuple[np.ndarray, np.ndarray]:
    """Return in which minutes a reading cannot be what it is labelled, and is beside any other as something else."""
    low, high = CAN_BE_K.get(channel, (0.0, np.inf))
    water = (*EVAPORATOR_WATER, "suction_temperature")
    others = [c for c in (*COLD_SIDE, "cylinder_temperature") if c in readings.minutes and c != channel]
    middle = row_medians(readings.side_by_side(others)) if others else np.full(len(read), np.nan)
    wet = [c for c in others if c in water]
    running = row_medians(readings.side_by_side(wet)) if wet else np.full(len(read), np.nan)
    middle = np.where(_may_run(readings), running, middle)
    too_cold = (read < low) & _only_in_its_unit(channel, readings)  # brine is where all are in one unit
    near = np.where(read > high, ROOM_APART_K, NEAR_K)
    wrong = (too_cold | (read > high)) & (np.abs(other - middle) < near) & (np.abs(read - middle) > APART_K)
    return wrong, read - middle


def _only_in_its_unit(channel: str, readings: Readings) -> bool:
    own = readings.unit(channel).symbol
    return not any(readings.unit(c).symbol in (own, "K") for c in readings.others(channel, "temperature"))


def _beside_partners(
    channel: str, read: np.ndarray, other: np.ndarray, readings: Readings
) -> tuple[np.ndarray, np.ndarray]:
    """Return the same by what it belongs to, for the only thermometer that is logged in its unit."""
    temperatures = readings.others(channel, "temperature")
    partner, low, high = PARTNERS.get(channel, ("", 0.0, 0.0))
    if partner not in readings.minutes or not _only_in_its_unit(channel, readings):
        return np.zeros(len(read), dtype=bool), read
    beside = readings.by_minute(partner)
    apart = read - beside
    wrong = ((apart < low - BEYOND_K) | (apart > high + BEYOND_K)) & (other - beside > low) & (other - beside < high)
    if len(temperatures) == 1:
        return wrong & ((read < ROOM_K[0]) | (read > ROOM_K[1])), apart
    every = readings.side_by_side(temperatures)
    far, farther = (row_medians(np.abs(every - v[:, None])) for v in (other, read))
    return wrong & (far < farther), apart  # else the partner is the odd one


def _beside_air(channel: str, read: np.ndarray, other: np.ndarray, readings: Readings) -> tuple[np.ndarray, np.ndarray]:
    """Return the same by the air or the metal of a circuit under test: not by how far off it is alone, for a heated
    sump is as warm, but by how it moves. A heated part goes as far as the air or stands; in the other unit it would not
    stay beside it."""
    partner = PARTNERS[channel][0] if channel in AIR_AND_METAL else ""
    if partner not in readings.minutes:
        return np.zeros(len(read), dtype=bool), read
    beside, tested = readings.by_minute(partner), readings.within("pressure_test")
    moved, moves = (_reach_so_far(np.where(tested, each - beside, np.nan)) for each in (read, other))
    apart = read - beside
    wrong = tested & (np.abs(apart) > APART_K) & (np.abs(other - beside) < NEAR_K)
    return wrong & (moved >= APART_MOVED_K) & (moves < moved / STAYS_TIMES), apart


def _reach_so_far(values: np.ndarray) -> np.ndarray:
    return np.asarray(np.fmax.accumulate(values) - np.fmin.accumulate(values))


def _beside_gauge(channel: str, read: np.ndarray, readings: Readings) -> Iterator[Label]:
    """Yield the label of the only gauge in its unit, beside one of the same side of the circuit."""
    own, gauges = readings.unit(channel), readings.other_gauges(channel)
    side = LOW_SIDE if channel in LOW_SIDE else HIGH_SIDE
    for meant in only_one_in(own, {readings.unit(c) for c in gauges} if len(gauges) > 1 else set()):
        other = relabelled(read, own, meant, readings.minute_barometer_pa)  # of two either may be the one mislabelled
        for partner in (c for c in gauges if c in side):
            beside = readings.by_minute(partner)
            wrong = (np.abs(other / beside - 1.0) < SAME) & (np.abs(read / beside - 1.0) > OTHERWISE)
            yield Label(channel, meant, "the gauge beside it", wrong, read - beside)


def _pressure(channel: str, readings: Readings, job: Job | None) -> Iterator[Label]:
    read, barometer = readings.by_minute(channel), readings.minute_barometer_pa
    ways, gauge = list(in_other_units(channel, readings)), readings.unit(channel).from_barometer
    if not ways:
        return
    yield from _beside_gauge(channel, read, readings)
    if channel == HOSE and PROBE in readings.minutes:
        yield from _beside_probe(read, ways, readings)
    for beside, low, high in _expected(channel, readings, job):
        none = gauge & (low < barometer) & (high > barometer)  # in every unit of a gauge
        for meant, other in ways:
            wrong = ~none & (other > low) & (other < high) & ((read < low * (1.0 - FAR)) | (read > high * (1.0 + FAR)))
            yield Label(channel, meant, beside, wrong, read - 0.5 * (low + high))


def _beside_probe(read: np.ndarray, ways: Sequence[tuple[Unit, np.ndarray]], readings: Readings) -> Iterator[Label]:
    """Yield the label of the circuit's gauge beside a vacuum probe that shows none of the pressure that it shows.

    One that stood at the air's pressure in another unit, as a circuit does that is open or let out, and shows nothing
    in it now; behind a valve, or in the air, it would not. One that shows nothing while the probe shows no vacuum yet
    ends at the air's pressure.
    """
    probe = readings.by_minute(PROBE)
    below_top = probe < BELOW_TOP * np.fmax.accumulate(probe)  # some end at a Torr or two, and stand there in the air
    empty = below_top & (probe < GAUGE_PA)
    for meant, other in ways:
        at_air = np.abs(other / readings.minute_barometer_pa - 1.0) < AT_AIR - 1.0
        came_down = np.cumsum(at_air) >= PROBE_MINUTES
        nothing = np.abs(other) < GAUGE_PA
        ends_there = np.cumsum(nothing & ~below_top) >= PROBE_MINUTES
        wrong = empty & came_down & nothing & ~ends_there & (read > ABOVE_GAUGE * GAUGE_PA)
        yield Label(HOSE, meant, "the vacuum probe", wrong, read - other, PROBE)


def _probe(channel: str, readings: Readings) -> Iterator[Label]:
    """Yield the label of a vacuum probe that the circuit's gauge puts in doubt.

    It shows far more than a gauge that stands beside it in another unit, and did so from the first: one that showed
    what the gauge does stands elsewhere now, at a pump that was vented or behind a valve. Or it never showed the least
    that such probes reach, though it was read while the gauge came down from more than a vacuum, and came down with it:
    where some reach no more, to less than the pump can have left by then.
    """
    read, gauge = readings.by_minute(channel), readings.by_minute(HOSE)
    most = np.fmax.accumulate(np.nan_to_num(read))
    before = np.cumsum((gauge > EMPTY_PA) & (read > 0.0)) >= PROBE_MINUTES
    fell = before & (gauge < EMPTY_PA) & (most < USUAL_TOP_PA) & (read < most / FELL_TIMES)
    fell &= (most < LEAST_TOP_PA) | (read < _least_left(gauge, readings) / FELL_TIMES)
    apart = ABOVE_GAUGE * GAUGE_PA
    moved, fallen = (np.abs(np.diff(each, prepend=np.nan)) for each in (read, gauge))
    together = (fallen < GAUGE_PA) | (moved > 0.5 * fallen)  # a gauge that falls goes by a probe that is at its end
    agreed = np.maximum.accumulate(together & (np.abs(read - gauge) < np.maximum(apart, AGREES * gauge)))
    for meant, other in in_other_units(channel, readings):
        reached = most / readings.unit(channel).scale * meant.scale
        above = (read > gauge + apart) & (np.abs(other - gauge) < 0.5 * GAUGE_PA) & ~agreed
        doubted = above | fell & (reached > USUAL_TOP_PA) & (reached < MOST_PA)
        wrong = (np.cumsum(doubted) >= PROBE_MINUTES) & np.isfinite(read)
        yield Label(channel, meant, "the circuit's gauge", wrong, read - other, HOSE)


def _least_left(gauge: np.ndarray, readings: Readings) -> np.ndarray:
    """Return the least that a pump can have left in each minute since the gauge last told it well [Pa].

    It takes the same part of it every minute, and less where hoses, oil or water hold it back, so as much as it took in
    the quickest minute so far is the most. NaN where the gauge was not read as it went on from there.
    """
    minute = readings.minute_end_s / 60.0
    fell = -np.diff(np.log(np.where(gauge > 0.0, gauge, np.nan)), prepend=np.nan)
    told = gauge > EMPTY_PA
    pumped = np.append(False, (told & (gauge < AT_AIR * readings.minute_barometer_pa))[:-1])
    quickest = np.maximum.accumulate(np.where(pumped, np.fmax(fell, 0.0), 0.0))
    last = np.maximum.accumulate(np.where(told, np.arange(len(gauge)), 0))
    least = gauge[last] * np.exp(-quickest * (minute - minute[last]))
    return np.where(np.isnan(fell[np.minimum(last + 1, len(gauge) - 1)]), np.nan, least)


def _gauge_as_absolute(readings: Readings, fluid: Refrigerant) -> Iterator[Label]:
    """Yield the label of an absolute column that holds gauge values, which makes every pressure too low.

    What stood from the first minute on is saturated where it is coldest. Less than that is a circuit without liquid, or
    one that is drawn from, but it hardly stands by chance at just one atmosphere less.
    """
    rooms = [c for c in ROOM_TEMPERATURES if c in readings.minutes]
    if HOSE not in readings.minutes or len(rooms) < 2 or readings.unit(HOSE).symbol not in OF_GAUGE:
        return
    read, own = readings.minutes[HOSE], readings.unit(HOSE)
    pascal, meant = read.to_numpy(dtype=float), UNITS[OF_GAUGE[own.symbol]]
    other = relabelled(pascal, own, meant, readings.minute_barometer_pa)
    cold = readings.minutes[rooms].min(axis=1).to_numpy(dtype=float)
    stood = (read.cummax() - read.cummin() < NEAR * read).to_numpy(dtype=bool)
    stood = stood & readings.within("at_rest", "recovery", first=2 * MINUTES)
    saturated = (other > fluid.dew_pressure_pa(cold - SATURATION_K)) & (
        other < fluid.bubble_pressure_pa(cold + SATURATION_K)
    )
    wrong = stood & saturated & (pascal < fluid.dew_pressure_pa(cold - DATUM_K))
    yield Label(HOSE, meant, "the refrigerant at its temperature", np.asarray(wrong), pascal - other)


def _expected(channel: str, readings: Readings, job: Job | None) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Yield what tells the pressure of a standing circuit, with its bounds in each minute (NaN: not told)."""
    minutes = readings.minutes
    if job is None:
        return
    if job.pressure_test.pressure is not None and channel == "circuit_pressure":
        test = np.array([job.pressure_test.pressure.absolute_pa(pa) for pa in readings.minute_barometer_pa.tolist()])
        held = minutes[channel].rolling(STATED_MINUTES)
        steady = (held.max() - held.min() < NEAR * held.max()).to_numpy(dtype=bool)
        test = np.where(steady & readings.within("pressure_test"), test, np.nan)
        yield "the stated test pressure", test * (1.0 - STATED_NEAR), test * (1.0 + STATED_NEAR)
    water = [c for c in EVAPORATOR_WATER if c in minutes]
    rooms = water if len(water) > 1 else [c for c in ROOM_TEMPERATURES if c in minutes]
    fluid = refrigerant_of(job)
    if fluid is None or len(rooms) < 2:
        return
    cold = minutes[rooms].min(axis=1).to_numpy(dtype=float) - PULLED_K
    warm = minutes[rooms].max(axis=1).to_numpy(dtype=float) + SATURATION_K
    told = (warm - cold < ROOM_SPREAD_K + SATURATION_K + PULLED_K) & readings.within(
        "at_rest", "recovery", first=2 * MINUTES
    )
    yield (
        "the refrigerant at its temperature",
        np.where(told, np.asarray(fluid.dew_pressure_pa(cold)), np.nan),
        np.where(told, np.asarray(fluid.bubble_pressure_pa(warm)), np.nan),
    )


def _fault(label: Label, readings: Readings) -> Iterator[Fault]:
    """Yield the fault once the label was wrong for long enough."""
    channel, wrong = label.channel, label.wrong
    last = known_at(wrong)
    if last is None:
        return
    far = float(np.median(label.apart[last - MINUTES + 1 : last + 1]))
    offset = Figure(far, f"{readings.dimension(channel)}_difference")
    yield Fault(
        "channel_jumped", channel, _since(channel, readings, last - MINUTES + 1, far), readings.known_s(last), np.inf,
        f"{words(channel)} is logged as {readings.unit(channel).symbol} but agrees with {label.beside} only as "
        f"{label.meant.symbol} ({offset.show(readings.system, 2)} apart as it stands): correct the unit in the job. It "
        "is left out.",
        offset,
    )  # fmt: skip


def _since(channel: str, readings: Readings, minute: int, far: float) -> float:
    """Return since when the numbers are in that unit: their step as its minutes began, else from the first."""
    times, values = readings.of(channel)
    begin_s = readings.minute_end_s[minute] - STEP_S
    before, first, last = np.searchsorted(times, (begin_s - STEP_S, begin_s, begin_s + 2.0 * STEP_S)).tolist()
    steps = np.abs(np.diff(values[before:last]))
    if first - before < 2 or not np.max(steps, initial=0.0) > STEP_PART * abs(far):
        return float(readings.at[0] if channel in MICRON_PROBES else times[0])  # a probe is blank above its range
    return float(times[before + 1 + int(np.argmax(steps))])
