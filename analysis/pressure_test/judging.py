"""Which minutes are judged with which probes at every checkpoint of the night, and the loss found.

Checkpoints lie on a grid fixed to the beginning of the stage and use only minutes up to `CONFIRM` before them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.pressure_test.errors import BIN_MINUTES, LEAST_DIGIT_K, NO_BAROMETER_PA, SegmentData
from analysis.pressure_test.gas import temperature_exponent
from analysis.pressure_test.loss import Loss
from analysis.pressure_test.loss_model import judge
from analysis.pressure_test.minutes import Minutes, first_readings
from analysis.pressure_test.probes import ProbeFault, can_be_gas, kelvin_in_other_unit, standing
from analysis.pressure_test.segments import CONFIRM, Segment, known_at, test_segments
from analysis.pressure_test.structures import LAGS, Lags, twice
from analysis.vocabulary.channels import AIR, METAL

LOOKS = ((0, 15), (180, 30), (720, 60), (2_880, 360), (10_080, 1_440))
"""From minute .. on the loss is judged anew every .. minutes; a log that spans a year is no longer a test."""
BINS = ((0, BIN_MINUTES), (180, 10), (720, 20), (2_880, 60), (10_080, 480), (43_200, 1_440))
"""From minute .. on the bins are .. minutes wide, a third of the looks' distance or less: what is judged takes memory
by the square of their number and time by its cube, so a log of months may not have a bin every 20 min."""
LEAST_BINS = 4
RUSH_MINUTES = 10
"""Right after filling the gas is stirred and streams: nothing of that is judged (common practice)."""
COVERED = 0.8
"""A probe is used when it was read in at least this share of the pressure's minutes (common practice)."""


@dataclass(frozen=True)
class Plan:
    """What is judged: minutes `begin` <= m < `end` of a segment, with these probes; whether the gas had settled.

    `stood` is the minute from which on a lone probe may have been stuck.
    """

    segment_begin: int
    begin: int
    end: int
    probes: tuple[str, ...]
    barometer: bool
    settled: bool
    stood: int | None = None

    def same_data(self) -> tuple[int, bool, tuple[str, ...], bool, int | None]:
        """Return what two plans must share to be judged in one go: all but the end."""
        return self.begin, self.settled, self.probes, self.barometer, self.stood


@dataclass(frozen=True)
class Judged:
    """The loss at a checkpoint. Rates in Pa/s at the mean gas temperature; `gas_k` by minute of the plan.

    `warmed` says that from the plan's end on something warms the circuit that no probe sees, `doubted` that longer
    readings, of which the plan takes no more for a probe's sake, may be a loss beyond what is allowed.
    """

    checkpoint: int
    plan: Plan
    loss: Loss
    pa_per_k_min: float
    pressure_pa: float
    exponent: float
    reference_k: float
    lag_names: tuple[tuple[str, Lags], ...]
    warmed: bool = False
    doubted: bool = False

    def rate(self, loss: float) -> float:
        """Return a loss of the model [K/min] as pressure [Pa/s] at the mean gas temperature."""
        return loss * self.pa_per_k_min / 60.0

    def loss_of(self, rate_pa_per_s: float) -> float:
        """Return a loss rate [Pa/s] as one of the model [K/min]."""
        return rate_pa_per_s * 60.0 / self.pa_per_k_min

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the interval of the loss rate [Pa/s]."""
        low, high = self.loss.interval(confidence)
        return self.rate(low), self.rate(high)

    def surely_above(self, rate_pa_per_s: float) -> float:
        """Return the probability that the loss rate is above `rate_pa_per_s`."""
        return 1.0 - self.loss.below(self.loss_of(rate_pa_per_s))

    @property
    def hours(self) -> float:
        """Length of the judged period in hours."""
        return (self.plan.end - self.plan.begin) / 60.0


def checkpoints(count: int) -> list[int]:
    """Return the checkpoints [min] up to minute `count`."""
    until = [since for since, _ in LOOKS[1:]] + [count]
    return [
        m
        for (since, step), end in zip(LOOKS, until, strict=True)
        for m in range(since + step, min(end, count) + 1, step)
    ]


def plans_at(
    minutes: Minutes,
    segments: list[Segment],
    faults: list[ProbeFault],
    held_pa: np.ndarray,
    checkpoint: int,
    wanted_pa: float | None,
) -> list[Plan]:
    """Return what can be judged at a checkpoint, the longest segment first.

    Of a segment that has not settled for long enough, all of it: what filling left in the gas is then most of what is
    unsure, and only a big leak shows.
    """
    usable = checkpoint - CONFIRM
    found = []
    if usable <= 0:
        return []
    zero = 0.0 if minutes.gauge else float(minutes.barometer_pa[usable - 1])
    recorded = np.isfinite(minutes.logged_pa)
    known = test_segments(known_at(segments, usable), float(held_pa[usable - 1]), wanted_pa, zero)
    for segment in known:
        least = LEAST_BINS * BIN_MINUTES
        read = np.flatnonzero(recorded[: segment.end])
        begin, end, settled = segment.begin + RUSH_MINUTES, int(read[-1]) + 1 if len(read) else 0, False
        if segment.settled is not None and end - segment.settled >= least:
            begin, settled = segment.settled, True
        shown = {n: values for n, values in minutes.probes.items() if can_be_gas(values[begin:end])}
        seen = {n: [f for f in faults if f.probe == n and f.known < usable and f.since < end] for n in shown}
        whole = tuple(
            n
            for n, values in shown.items()
            if all(f.alone for f in seen[n]) and _covered(values[begin:end], recorded[begin:end])
        )
        plans = [(end, whole)]
        for name, values in shown.items():
            fresh = np.flatnonzero(np.isfinite(values[:end]))
            until = min([*(f.believed for f in seen[name]), int(fresh[-1]) + 1 if len(fresh) else 0])
            short = name not in whole or any(f.alone for f in seen[name])
            if short and until - begin >= 60 and _covered(values[begin:until], recorded[begin:until]):
                plans.append((until, tuple(n for n in shown if n in whole or n == name)))
        for until, probes in plans:
            if until - begin < least:
                continue
            fresh = minutes.barometer_fresh[begin:until][recorded[begin:until]]
            barometer = not minutes.gauge or bool(fresh.any() and _longest_blank(fresh) < 120)
            stood = standing(minutes.probes[probes[0]][:until], begin) if len(probes) == 1 else None
            found.append(Plan(segment.begin, begin, until, probes, barometer, settled, stood))
    return sorted(found, key=lambda p: p.begin - p.end)


def judge_all(minutes: Minutes, plans: Mapping[int, list[Plan]]) -> dict[int, list[Judged]]:
    """Return the loss of every plan at every checkpoint."""
    groups: dict[tuple[object, ...], list[tuple[int, int, Plan]]] = {}
    for checkpoint, listed in plans.items():
        for place, plan in enumerate(listed):
            groups.setdefault(plan.same_data(), []).append((checkpoint, place, plan))
    found: dict[int, dict[int, Judged]] = {c: {} for c in plans}
    for members in groups.values():
        longest = max((plan for _, _, plan in members), key=lambda p: p.end)
        data, ends, facts = segment_data(minutes, longest)
        counts = {plan.end: int(np.searchsorted(ends, plan.end, side="right")) for _, _, plan in members}
        wanted = sorted({n for n in counts.values() if n >= LEAST_BINS})
        if not wanted:
            continue
        reference_k, exponent = facts
        losses = dict(zip(wanted, judge(data, longest.probes, wanted), strict=True))
        for checkpoint, place, plan in members:
            if counts[plan.end] not in losses:
                continue
            pressure = float(np.nanmean(minutes.pressure_pa[plan.begin : plan.end]))
            found[checkpoint][place] = Judged(
                checkpoint,
                plan,
                losses[counts[plan.end]],
                pressure * exponent / reference_k,
                pressure,
                exponent,
                reference_k,
                data.lag_names,
            )
    return {c: [of[place] for place in sorted(of)] for c, of in found.items()}


def as_labelled(minutes: Minutes, judged: Judged) -> Judged | None:
    """Return the judgement as it were if the thermometers surely counted in the unit of their label, None where nothing
    speaks against that."""
    data, ends, _ = segment_data(minutes, judged.plan)
    if not data.other_unit:
        return None
    (loss,) = judge(replace(data, other_unit=0.0), judged.plan.probes, [len(ends)])
    return replace(judged, loss=loss)


def segment_data(minutes: Minutes, plan: Plan) -> tuple[SegmentData, np.ndarray, tuple[float, float]]:
    """Return the bins of a plan, the end minute of each, and (reference temperature, exponent)."""
    begin, end = plan.begin, plan.end
    first_pa = first_readings(minutes.pressure_pa[begin:end])
    reference = [first_readings(minutes.probes[n][begin:end]) for n in plan.probes]
    reference_k = float(np.mean(reference)) if reference and np.isfinite(reference).all() else 293.15
    exponent = temperature_exponent(first_pa, reference_k)
    span = slice(begin, end)
    gas = reference_k / exponent * np.log(np.maximum(minutes.pressure_pa[span], 1.0) / first_pa)
    names = [(n, lag) for n in plan.probes for lag in LAGS[n]]
    names += [(n, twice(lag)) for n, lag in names]
    columns = [reference_k * np.log(minutes.lagged(n, lag)[span] / reference_k) for n, lag in names]
    table = np.column_stack([gas, *columns])
    table[~np.isfinite(table).all(axis=1)] = np.nan
    edges = _edges(begin, end)
    at, width, means, ends = [], [], [], []
    for low, high in pairwise(edges):
        rows = table[low - begin : high - begin]
        there = np.flatnonzero(np.isfinite(rows[:, 0]))
        if len(there) * 2 < high - low:
            continue
        if len(there) >= 5:
            # what a unit makes of the last digits of a number does not tell minutes apart
            ranked = np.argsort(np.round(rows[there, 0] / LEAST_DIGIT_K), kind="stable")
            there = np.sort(there[ranked[1:-1]])
        at.append(low - begin + float(there.mean()) + 0.5)
        width.append(float(len(there)))
        means.append(rows[there].mean(axis=0))
        ends.append(high)
    found = np.array(means).reshape(-1, 1 + len(names))
    pa_to_k = reference_k / exponent / first_pa
    digit_pa = _digit(minutes.quantum_pa, minutes.scatter_pa, begin)
    data = SegmentData(
        at_min=np.array(at),
        width_min=np.array(width),
        gas_k=found[:, 0],
        lagged_k=found[:, 1:],
        lag_names=tuple(names),
        digit_k=digit_pa * pa_to_k,
        probe_digits_k=tuple(
            _digit(minutes.probe_quantum_k[n], minutes.probe_scatter_k[n], begin) for n in plan.probes
        ),
        barometer_sd_k=0.0 if plan.barometer else NO_BAROMETER_PA * pa_to_k,
        settled=plan.settled,
        fell_k=_fell_k(minutes, plan, pa_to_k),
        waited_min=float(plan.begin - plan.segment_begin),
        exponent=exponent,
        other_unit=_in_other_unit(minutes, plan, reference_k),
        stood_min=None if plan.stood is None else float(plan.stood - plan.begin),
    )
    return data, np.array(ends), (reference_k, exponent)


def _in_other_unit(minutes: Minutes, plan: Plan, level_k: float) -> float:
    """Return what a kelvin that the probes show is if all count in the other unit, 0 where they hardly do."""
    units = {minutes.probe_units[name] for name in plan.probes}
    return kelvin_in_other_unit(level_k, units.pop()) if len(units) == 1 else 0.0


def _fell_k(minutes: Minutes, plan: Plan, pa_to_k: float) -> float:
    """Return how far the gas fell [K] between filling and judging, beside the probe nearest to it."""

    def fell(values: np.ndarray) -> float:
        before = values[plan.segment_begin : plan.begin]
        return first_readings(before, 3) - first_readings(before[::-1], 3)

    nearest = next((fell(minutes.probes[n]) for n in (METAL, AIR) if n in plan.probes), 0.0)
    found = abs(fell(minutes.pressure_pa) * pa_to_k - nearest)
    return found if np.isfinite(found) else 0.0


def _digit(quanta: np.ndarray, scatters: np.ndarray, begin: int) -> float:
    """Return the quantum that averaging leaves, by the half hour before minute `begin`."""
    quantum = float(np.nan_to_num(quanta[begin]))
    seen = scatters[max(0, begin - 30) : begin]
    seen = np.sort(seen[np.isfinite(seen)] ** 2)
    rounded = float(np.mean(seen[: max(1, int(0.9 * len(seen)))])) if len(seen) else 0.0
    return dithered(quantum, np.sqrt(max(rounded - quantum**2 / 12.0, 0.0)))


def dithered(quantum: float, scatter: float) -> float:
    """Return the quantum that is left after averaging noisy readings.

    The first harmonic of a rounded signal's error shrinks by exp(-2 pi^2 (s/q)^2) under normal noise s (theory of
    dither; Widrow and Kollár, Quantization Noise, 2008).
    """
    return quantum * float(np.exp(-2.0 * np.pi**2 * (scatter / quantum) ** 2)) if quantum > 0 else 0.0


def _edges(begin: int, end: int) -> list[int]:
    """Return bin edges [min] on the stage's grid, as wide as `BINS`."""
    edges = []
    m = begin + (-begin) % BIN_MINUTES
    while m <= end:
        edges.append(m)
        step = next(width for since, width in reversed(BINS) if m >= since)
        m += step - m % step
    return edges


def _covered(values: np.ndarray, recorded: np.ndarray) -> bool:
    return bool(recorded.any()) and float(np.isfinite(values[recorded]).mean()) >= COVERED


def _longest_blank(fresh: np.ndarray) -> int:
    seen = np.flatnonzero(np.concatenate([[True], fresh, [True]]))
    return int(np.diff(seen).max())
