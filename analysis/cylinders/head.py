"""Head pressure of the cylinder on the scale: on its way to the cut-out, too hot, or air in it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analysis.bins import Bins, bin_medians, frame_medians, median_of
from analysis.cylinders.safe_fill import air_excess_pa, cylinder_limits
from analysis.cylinders.stays import Stay, fluid_of, stay_at
from analysis.fluids import Refrigerant
from analysis.result import Figure, FigureValue, Finding
from analysis.scale import Weighing
from analysis.scale.standing import SCREWED_ON_KG
from analysis.stretch import Stretch, episodes
from analysis.vocabulary.channels import Level
from analysis.vocabulary.text import about

BIN_S = 60.0
TREND_BINS = 10
"""Trends of the head pressure are taken over ten minutes; common practice."""
HEAD_SHARE, FALLEN = 0.7, 0.85
"""Under the first share of the cut-out a rising head pressure is only the machine starting; it is told anew once it
fell under the second of that. Common practice."""
COOLED_K = 3.0
"""A hot cylinder is told anew once it was cooler by so much."""
TRICKLE_KG_PER_S = 0.05 / 1000.0
"""More than this into a cylinder keeps its vapor warmer than its wall: about 10 W of condensing; plain physics."""
RISE_SHARE = 0.03
"""A rise under this share of the cut-out in the time of a trend is no trend; common practice."""


def heating(stretch: Stretch, stays: list[Stay]) -> Iterator[Finding]:
    """Yield when the cylinder is hot, or the head pressure will reach the machine's cut-out soon; once an episode."""
    channels = [c for c in ("cylinder_pressure", "cylinder_temperature") if c in stretch.frame]
    if not channels or not len(stretch.frame):
        return
    bins = bin_medians(stretch, channels, BIN_S)
    stay = stay_at(stretch, stays, bins)
    names = ["The cylinder" if number < 0 else stays[number].name for number in stay.tolist()]
    if "cylinder_temperature" in channels:
        yield from _hot(stretch, bins, names)
    if "cylinder_pressure" in channels:
        yield from _near_cutout(stretch, bins, stay, names)


def _hot(stretch: Stretch, bins: Bins, names: list[str]) -> Iterator[Finding]:
    """Yield when the cylinder is too hot to be filled."""
    hottest_k, hot = cylinder_limits().hottest_k, bins.medians["cylinder_temperature"].to_numpy(float)
    for k, _ in episodes(bins.end_s, hot >= hottest_k, hot < hottest_k - COOLED_K):
        shown = Figure(float(hot[k]), "temperature")
        text = (
            f"{names[k]} is at {shown.show(stretch.job.job.units)}: stop, cool it with water or air, let "
            "it rest. A hot cylinder must not be filled further."
        )
        figures: dict[str, FigureValue] = {"temperature": shown, "cylinder": names[k]}
        yield Finding(bins.known[k], bins.known[k], stretch.stage, "cylinder_heating", "alarm", text, figures)


def _near_cutout(stretch: Stretch, bins: Bins, stay: np.ndarray, names: list[str]) -> Iterator[Finding]:
    """Yield when the head pressure is near the machine's cut-out, or on its way there."""
    cutout, rule, system = stretch.job.recovery.high_pressure_cutout, cylinder_limits(), stretch.job.job.units
    if cutout is None:
        return
    rows = stretch.frame.index.searchsorted(bins.known)
    barometer = stretch.barometer_pa.to_numpy(dtype=float)[rows]
    head = bins.medians["cylinder_pressure"].to_numpy(float)
    at = np.array([cutout.absolute_pa(pa) for pa in barometer.tolist()])
    gauge, full = head - barometer, at - barometer
    high, near = gauge >= HEAD_SHARE * full, gauge >= rule.heating_near * full
    left_s = np.full(len(head), np.inf)
    for k in np.flatnonzero(high).tolist():
        slope = _slope(bins.end_s, head, stay, k, RISE_SHARE * float(full[k]))
        left_s[k] = (at[k] - head[k]) / slope if slope > 0.0 else np.inf
    for k, _ in episodes(bins.end_s, high & (near | (left_s <= rule.heating_s)), gauge < FALLEN * HEAD_SHARE * full):
        stands, ends = Figure(float(gauge[k]), "gauge_pressure"), Figure(float(full[k]), "gauge_pressure")
        figures: dict[str, FigureValue] = {"pressure": stands, "cutout": ends, "cylinder": names[k]}
        soon = "and close to it now"
        if np.isfinite(left_s[k]):
            figures["time_left"] = Figure(float(max(left_s[k], 0.0)), "minutes")
            soon = f"and will reach it in {about(left_s[k])}"
        text = (
            f"Head pressure stands at {stands.show(system)}, cut-out {ends.show(system)}, {soon}. "
            f"Cool {names[k]} with water or air, or change it; look for air in it."
        )
        level: Level = "alarm" if near[k] else "caution"
        since = bins.known[max(0, k - TREND_BINS)]
        yield Finding(bins.known[k], since, stretch.stage, "cylinder_heating", level, text, figures)


def _slope(end_s: np.ndarray, values: np.ndarray, stay: np.ndarray, k: int, least: float) -> float:
    """Return the trend of the last `TREND_BINS` bins on one cylinder [1/s], 0 when there is none that goes on."""
    first = max(0, k - TREND_BINS)
    window = slice(first, k + 1)
    x, y = end_s[window], values[window]
    if (
        first == 0
        or not np.isfinite(y).all()
        or (stay[window] != stay[k]).any()
        or x[-1] - x[0] > 2 * TREND_BINS * BIN_S
    ):
        return 0.0
    half = len(y) // 2
    rise = median_of(y[-3:]) - median_of(y[:3])
    late = median_of(y[-3:]) - median_of(y[half - 1 : half + 2])
    if rise < least or late < 0.35 * rise:
        return 0.0
    centred = x - x.mean()
    return float(centred @ y / (centred @ centred))


def air(stretch: Stretch, weighing: Weighing, stays: list[Stay], fluid: Refrigerant | None) -> Iterator[Finding]:
    """Yield once for a cylinder that has rested and stands above saturation by more than AHRI 700 allows.

    The first one may have rested on the scale before the stage began.
    """
    channels = ["cylinder_pressure", "cylinder_temperature"]
    shown = [*channels, "cylinder_weight"]
    if not all(stretch.has(c) for c in shown):
        return
    rule = cylinder_limits()
    system = stretch.job.job.units
    stood = stretch.weighed.stood
    whole = pd.concat([stood[shown], stretch.frame[shown]]) if len(stood) else stretch.frame
    bins = frame_medians(whole, stretch.begin, shown, BIN_S)
    stay = stay_at(stretch, stays, bins)
    rows = stretch.frame.index.searchsorted(bins.known)
    moved, steps = (series.to_numpy(dtype=float)[rows] for series in (weighing.moved_kg, weighing.resolution_kg))
    earlier = bins.end_s <= 0.0
    weights = bins.medians["cylinder_weight"].to_numpy(dtype=float)
    moved[earlier] = weights[earlier] - (stays[0].gross_kg if stays else np.nan)
    steps[earlier] = weighing.resolution_kg.iloc[0]
    stay[earlier] = np.where(np.abs(moved[earlier]) <= SCREWED_ON_KG + 2.0 * steps[earlier], 0, -1)
    pressure, temperature = (bins.medians[c].to_numpy(dtype=float) for c in channels)
    filled = [fluid_of(s.table, fluid) for s in stays]
    back = np.searchsorted(bins.end_s, bins.end_s - rule.rest_s + 1e-6, side="right") - 1
    still_s = np.maximum(rule.rest_s, steps / TRICKLE_KG_PER_S)  # a coarse scale shows a trickle only after so long
    still = np.searchsorted(bins.end_s, bins.end_s - still_s + 1e-6, side="right") - 1
    told: set[str] = set()
    for k in np.flatnonzero((still >= 0) & (stay >= 0)).tolist():
        here, holds = stays[stay[k]], filled[stay[k]]
        window = slice(int(back[k]), k + 1)
        p, t, m = pressure[window], temperature[window], moved[int(still[k]) : k + 1]
        if here.name in told or holds is None or (stay[int(still[k]) : k + 1] != stay[k]).any() or len(p) < 4:
            continue
        whole = np.isfinite(p).all() and np.isfinite(t).all() and bins.end_s[k] - bins.end_s[back[k]] < 2 * rule.rest_s
        if not whole or np.ptp(m) > max(0.15, 2.0 * steps[k]):
            continue
        trickled_kg = abs(median_of(m[-3:]) - median_of(m[:3]))
        if trickled_kg > 0.75 * TRICKLE_KG_PER_S * still_s[k]:
            continue
        p_now, t_now = median_of(p[-3:]), median_of(t[-3:])
        saturation = float(holds.bubble_pressure_pa(t_now))
        swing = float(holds.bubble_temperature_k(float(p.max())) - holds.bubble_temperature_k(float(p.min())))
        if not (np.isfinite(saturation) and swing < 0.7 and float(t.max() - t.min()) < 0.7):
            continue
        doubt = float(holds.bubble_pressure_pa(t_now + rule.temperature_trusted_k)) - saturation
        excess, allowed = p_now - saturation, air_excess_pa(saturation)
        if excess <= allowed + doubt + 0.005 * p_now:
            continue
        told.add(here.name)
        figures: dict[str, FigureValue] = {
            "cylinder": here.name,
            "excess": Figure(excess, "pressure_difference"),
            "allowed": Figure(allowed, "pressure_difference"),
            "temperature": Figure(t_now, "temperature"),
        }
        text = (
            f"{here.name} has rested and stands {Figure(excess, 'pressure_difference').show(system, 2)} above "
            f"saturation of {holds.name} at {Figure(t_now, 'temperature').show(system)}; 1.5 % of air by volume would "
            f"give {Figure(allowed, 'pressure_difference').show(system, 2)} (AHRI 700). Air or another refrigerant is "
            "in it, or the probe reads low: check before it is used again."
        )
        time, since = max(bins.known[k], here.naming.time), bins.known[back[k]]
        yield Finding(time, since, stretch.stage, "cylinder_air", "caution", text, figures)
