"""A stopped, equalised circuit is a free calibration: air, metal, water and saturation temperatures agree.

Every temperature, and the saturation temperature of every pressure, is one estimate of the same number. The
largest group of estimates that agree is the consensus; what stays away from it, without moving, is named.
What is still moving is not judged yet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import Bins, bin_medians
from analysis.fluids import Refrigerant
from analysis.result import Assessment, Figure, FigureValue, Finding
from analysis.stretch import Stretch
from analysis.vocabulary.units import UnitSystem

TEMPERATURES = (
    "ambient_temperature",
    "surface_temperature",
    "entering_water_temperature",
    "leaving_water_temperature",
    "condenser_entering_temperature",
    "condenser_leaving_temperature",
    "suction_temperature",
    "discharge_temperature",
    "liquid_temperature",
    "oil_temperature",
)
PRESSURES = (
    "circuit_pressure",
    "suction_pressure",
    "discharge_pressure",
    "liquid_pressure",
    "oil_pressure_before_filter",
    "oil_pressure_after_filter",
)
EXPOSED = (
    "ambient_temperature",
    "surface_temperature",
    "condenser_entering_temperature",
    "condenser_leaving_temperature",
)
"""Where sun and wind reach: two of these warm together are a sunny side, not two bad probes."""

BIN_S = 60.0
WINDOW_S = 1_800.0
"""Half an hour is looked back upon (common practice: let a machine stand that long before comparing)."""
LEAST_S = 600.0
"""Ten minutes of readings before anything is said."""
CHECK_S = 300.0
CHECKS_AGREEING = 2
"""Checks in a row that must say the same before a channel is named."""
CHECKS_EXPOSED = 6
"""The same for a channel that sun and wind reach: half an hour."""

AGREEMENT_K = 0.8
"""Estimates within this of each other agree (common practice: a field probe is good to 0.5 K)."""
DISAGREEMENT_K = 1.5
"""Nothing nearer than this to the consensus is named (common practice, about 3 degF)."""
SPREADS = 4.0
"""… nor nearer than this many times the spread of those that agree."""
STILL_K_PER_H = 1.0
"""A channel that moves faster against the consensus is not at rest yet (common practice)."""
AIR_LAG_H = 1.0
"""Metal and water follow the air by about this long: weather that moves the air is allowed for by as much."""
PRESSURE_AGREEMENT = 0.02
"""Pressures of an equalised circuit agree within this part of the absolute pressure (two gauges of class 1.0)."""


@dataclass(frozen=True)
class _Check:
    """What one look back said: consensus [K], its spread [K], offset of each settled channel [K]."""

    consensus_k: float | None
    spread_k: float
    offsets_k: Mapping[str, float]
    moving: tuple[str, ...]
    disagreeing: tuple[str, ...]


def assess(stretch: Stretch) -> Assessment:
    """Return which channels agree on a circuit at rest, and the offset of each from the consensus.

    Uses temperatures [K] and pressures [Pa absolute] of the running circuit's channels; `[at_rest] ignore`
    leaves channels out (a heated sump). Pressures are compared through the saturation temperature of
    `[circuit] refrigerant`, midway between bubble and dew point.
    """
    ignored = set(stretch.job.at_rest.ignore)
    channels = [c for c in (*TEMPERATURES, *PRESSURES) if stretch.has(c) and c not in ignored]
    fluid = stretch.fluid
    if fluid is None:
        channels = [c for c in channels if c not in PRESSURES]
    if len(channels) < 2:
        return Assessment("undecided", _too_few(fluid))
    bins = bin_medians(stretch, channels, BIN_S)
    estimates = _as_temperatures(bins.medians, fluid)
    findings: list[Finding] = []
    in_a_row: dict[str, int] = {}
    named: set[str] = set()
    check: _Check | None = None
    for last in _check_bins(bins):
        check = _look_back(bins, estimates, last)
        for channel in channels:
            in_a_row[channel] = in_a_row.get(channel, 0) + 1 if channel in check.disagreeing else 0
            needed = CHECKS_EXPOSED if channel in EXPOSED else CHECKS_AGREEING
            if in_a_row[channel] >= needed and channel not in named:
                named.add(channel)
                findings.append(_finding(stretch, bins, last, channel, check, fluid))
    return _conclude(stretch, check, named, tuple(findings), fluid, estimates, bins)


def _too_few(fluid: Refrigerant | None) -> str:
    why = "" if fluid is not None else " The refrigerant is not stated, so pressures could not be compared."
    return f"Cannot tell: at least two temperatures or pressures of the circuit are needed.{why}"


def _as_temperatures(medians: pd.DataFrame, fluid: Refrigerant | None) -> pd.DataFrame:
    estimates = medians.copy()
    for channel in PRESSURES:
        if channel in estimates and fluid is not None:
            pressure = estimates[channel].to_numpy(dtype=float)
            estimates[channel] = (fluid.bubble_temperature_k(pressure) + fluid.dew_temperature_k(pressure)) / 2.0
    return estimates


def _check_bins(bins: Bins) -> list[int]:
    """Return the positions of the bins at which a look back is due."""
    if len(bins.end_s) == 0:
        return []
    due = np.floor(bins.end_s / CHECK_S)
    fresh = np.diff(due, prepend=0.0) > 0
    return [int(i) for i in np.flatnonzero(fresh & (bins.end_s >= LEAST_S))]


def _look_back(bins: Bins, estimates: pd.DataFrame, last: int) -> _Check:
    first = int(np.searchsorted(bins.end_s, bins.end_s[last] - WINDOW_S, side="right"))
    window = estimates.iloc[first : last + 1]
    hours = bins.end_s[first : last + 1] / 3_600.0
    levels: dict[str, float] = {}
    rates: dict[str, float] = {}
    for channel in window:
        values = window[channel].to_numpy(dtype=float)
        there = ~np.isnan(values)
        if there.sum() < 3 or hours[there][-1] < hours[-1] - LEAST_S / 3_600.0:
            continue
        levels[str(channel)] = float(np.median(values[there][-10:]))
        rates[str(channel)] = _rate(hours[there], values[there])
    if len(levels) < 2:
        return _Check(None, 0.0, {}, (), ())
    drift = float(np.median(list(rates.values())))
    moving = tuple(c for c in levels if abs(rates[c] - drift) > STILL_K_PER_H)
    still = {c: v for c, v in levels.items() if c not in moving}
    group = _largest_group(still)
    if group is None:
        return _Check(None, 0.0, {}, moving, ())
    inside = np.array([still[c] for c in group])
    consensus = float(np.median(inside))
    spread = float(1.4826 * np.median(np.abs(inside - consensus)))
    offsets = {c: v - consensus for c, v in still.items()}
    air = abs(rates.get("ambient_temperature", drift)) * AIR_LAG_H
    limit = max(DISAGREEMENT_K, SPREADS * spread) + air
    apart = [c for c, offset in offsets.items() if abs(offset) > limit]
    return _Check(consensus, spread, offsets, moving, tuple(c for c in apart if not _explained(c, offsets, apart)))


def _rate(hours: np.ndarray, values: np.ndarray) -> float:
    """Return the drift over a window [K/h] from the medians of its first and last third."""
    third = max(1, len(values) // 3)
    span = float(np.median(hours[-third:]) - np.median(hours[:third]))
    return float(np.median(values[-third:]) - np.median(values[:third])) / span if span > 0 else 0.0


def _largest_group(levels: Mapping[str, float]) -> tuple[str, ...] | None:
    """Return the channels of the one largest group that agrees, None when no group is a majority.

    Two groups of pressures and temperatures of the same size leave it open which one is right.
    """
    groups = {tuple(c for c, v in levels.items() if abs(v - centre) <= AGREEMENT_K) for centre in levels.values()}
    if not groups:
        return None
    best = max(groups, key=lambda g: (len(g), -float(np.std([levels[c] for c in g]))))
    return best if len(best) >= 2 and len(best) * 2 > len(levels) else None


def _explained(channel: str, offsets: Mapping[str, float], apart: list[str]) -> bool:
    """Return whether something else than this channel explains that it stands apart.

    A sunny side warms two exposed channels or more; a circuit without liquid, or with air in it, moves all of
    its pressures alike.
    """
    offset = offsets[channel]
    if channel in EXPOSED and offset > 0:
        return any(c != channel and c in EXPOSED and offsets[c] > 0.5 * offset for c in offsets)
    if channel in PRESSURES:
        others = [c for c in offsets if c in PRESSURES and c != channel]
        return bool(others) and all(c in apart and offsets[c] * offset > 0 for c in others)
    return False


def _finding(
    stretch: Stretch, bins: Bins, last: int, channel: str, check: _Check, fluid: Refrigerant | None
) -> Finding:
    needed = CHECKS_EXPOSED if channel in EXPOSED else CHECKS_AGREEING
    since = stretch.begin + pd.Timedelta(seconds=float(bins.end_s[last] - (needed - 1) * CHECK_S - LEAST_S))
    offset = _offset(channel, check, fluid)
    system = stretch.job.job.units
    apart = _said_offset(channel, offset, check, system)
    advice = (
        "Check the gauge at the port and its zero; is there air or no liquid in the circuit?"
        if channel in PRESSURES
        else "Check where the probe sits; correct it by that offset, or change it."
    )
    figures: dict[str, FigureValue] = {"channel": channel, "offset": offset}
    if check.consensus_k is not None:
        figures["consensus"] = Figure(check.consensus_k, "temperature")
    return Finding(
        time=bins.known[last],
        since=max(since, stretch.begin),
        stage=stretch.stage,
        kind="sensor_disagrees",
        level="caution",
        text=f"{channel.replace('_', ' ')} {apart} the others at rest. {advice}",
        figures=figures,
    )


def _offset(channel: str, check: _Check, fluid: Refrigerant | None) -> Figure:
    """Return the offset of a channel: a temperature difference, or a pressure difference at the consensus."""
    offset_k = check.offsets_k[channel]
    if channel not in PRESSURES or fluid is None or check.consensus_k is None:
        return Figure(offset_k, "temperature_difference")
    middle = [
        (fluid.bubble_pressure_pa(t) + fluid.dew_pressure_pa(t)) / 2.0
        for t in (check.consensus_k + offset_k, check.consensus_k)
    ]
    return Figure(middle[0] - middle[1], "pressure_difference")


def _said_offset(channel: str, offset: Figure, check: _Check, system: UnitSystem) -> str:
    side = "above" if offset.si > 0 else "below"
    shown = Figure(abs(offset.si), offset.kind).show(system, 2)
    if offset.kind == "temperature_difference":
        return f"reads {shown} {side}"
    saturation = Figure(abs(check.offsets_k[channel]), "temperature_difference").show(system, 2)
    return f"reads {shown} ({saturation} of saturation) {side}"


def _conclude(
    stretch: Stretch,
    check: _Check | None,
    named: set[str],
    findings: tuple[Finding, ...],
    fluid: Refrigerant | None,
    estimates: pd.DataFrame,
    bins: Bins,
) -> Assessment:
    traces = {
        str(c): pd.Series(
            estimates[c].to_numpy(dtype=float), index=stretch.begin + pd.to_timedelta(bins.end_s, unit="s")
        )
        for c in estimates
    }
    if check is None:
        return Assessment("undecided", "Cannot tell yet: ten minutes at rest are needed.", traces=traces)
    figures: dict[str, FigureValue] = {}
    if check.consensus_k is not None:
        figures["consensus"] = Figure(check.consensus_k, "temperature")
        figures["spread"] = Figure(check.spread_k, "temperature_difference")
    figures |= {channel: _offset(channel, check, fluid) for channel in check.offsets_k}
    names = ", ".join(sorted(c.replace("_", " ") for c in named))
    waiting = ", ".join(c.replace("_", " ") for c in check.moving)
    if named:
        verdict, text = "disagree", f"At rest, {names} disagrees with the others."
    elif check.consensus_k is None:
        verdict, text = (
            "undecided",
            "Cannot tell: no majority of the channels agrees. Wait, or bring a trusted thermometer.",
        )
    elif check.moving and len(check.moving) >= len(check.offsets_k):
        verdict, text = "undecided", "The circuit has not equalised yet: wait until the temperatures stand still."
    elif check.disagreeing:
        verdict, text = "undecided", "A channel stands apart; a few more minutes decide."
    elif len(check.offsets_k) < 3:
        verdict, text = (
            "undecided",
            "Only two channels could be compared: they agree, which of two is right cannot be told.",
        )
    else:
        verdict, text = "agree", f"{len(check.offsets_k)} channels agree at rest."
        apart = [c for c, k in check.offsets_k.items() if abs(k) > max(DISAGREEMENT_K, SPREADS * check.spread_k)]
        if any(c in PRESSURES for c in apart):
            text += " Saturation stands apart in all pressures alike: no liquid left, or air in the circuit."
        if any(c in EXPOSED for c in apart):
            text += " One side stands in the sun or wind."
    if waiting:
        text += f" Still moving, not judged: {waiting}."
    if fluid is None:
        text += " Pressures were not compared: the refrigerant is not stated."
    return Assessment(verdict, text, figures, findings, traces)
