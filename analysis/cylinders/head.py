"""Head pressure of the cylinder on the scale: on its way to the cut-out, too hot, or air in it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analysis.bins import bin_medians, frame_medians
from analysis.cylinders.safe_fill import air_excess_pa, cylinder_limits
from analysis.cylinders.stays import Stay, fluid_of, stay_at
from analysis.fluids import Refrigerant
from analysis.result import Figure, FigureValue, Finding
from analysis.scale import Weighing
from analysis.scale.standing import SCREWED_ON_KG
from analysis.stretch import Stretch
from analysis.vocabulary.channels import Level
from analysis.vocabulary.text import about

BIN_S = 60.0
TREND_BINS = 10
"""Trends of the head pressure are taken over ten minutes; common practice."""
HEAD_SHARE = 0.7
"""Under this share of the cut-out a rising head pressure is only the machine starting; common practice."""
TRICKLE_KG_PER_S = 0.05 / 1000.0
"""More than this into a cylinder keeps its vapor warmer than its wall: about 10 W of condensing; plain physics."""
RISE_SHARE = 0.03
"""A rise under this share of the cut-out in the time of a trend is no trend; common practice."""


def heating(stretch: Stretch, stays: list[Stay]) -> Iterator[Finding]:
    """Yield when the head pressure will reach the machine's cut-out soon, or the cylinder is hot; once an episode."""
    rule = cylinder_limits()
    system = stretch.job.job.units
    cutout = stretch.job.recovery.high_pressure_cutout
    channels = [c for c in ("cylinder_pressure", "cylinder_temperature") if c in stretch.frame]
    if not channels or not len(stretch.frame):
        return
    bins = bin_medians(stretch, channels, BIN_S)
    stay = stay_at(stretch, stays, bins)
    barometer = stretch.barometer_pa.to_numpy(dtype=float)[
        pd.DatetimeIndex(stretch.frame.index).get_indexer(bins.known)
    ]
    hot = bins.medians["cylinder_temperature"].to_numpy(float) if "cylinder_temperature" in channels else None
    head = bins.medians["cylinder_pressure"].to_numpy(float) if "cylinder_pressure" in channels else None
    armed_hot = armed_head = True
    for k in range(len(stay)):
        since = bins.known[max(0, k - TREND_BINS)]
        name = "The cylinder" if stay[k] < 0 else stays[stay[k]].name
        if hot is not None and hot[k] >= rule.hottest_k and armed_hot:
            armed_hot = False
            text = (
                f"{name} is at {Figure(hot[k], 'temperature').show(system)}: stop, cool it with water or air, let "
                "it rest. A hot cylinder must not be filled further."
            )
            yield Finding(
                bins.known[k], bins.known[k], stretch.stage, "cylinder_heating", "alarm", text,
                {"temperature": Figure(float(hot[k]), "temperature"), "cylinder": name},
            )  # fmt: skip
        elif hot is not None and hot[k] < rule.hottest_k - 3.0:
            armed_hot = True
        if head is None or cutout is None:
            continue
        at = cutout.absolute_pa(float(barometer[k]))
        gauge, full = head[k] - barometer[k], at - barometer[k]
        if gauge < 0.85 * HEAD_SHARE * full:
            armed_head = True
        if not armed_head or not gauge >= HEAD_SHARE * full:
            continue
        near = gauge >= rule.heating_near * full
        slope = _slope(bins.end_s, head, stay, k, RISE_SHARE * full)
        left_s = (at - head[k]) / slope if slope > 0.0 else np.inf
        if not near and left_s > rule.heating_s:
            continue
        armed_head = False
        stands, ends = Figure(float(gauge), "gauge_pressure"), Figure(float(full), "gauge_pressure")
        figures: dict[str, FigureValue] = {"pressure": stands, "cutout": ends, "cylinder": name}
        soon = "and close to it now"
        if np.isfinite(left_s):
            figures["time_left"] = Figure(float(max(left_s, 0.0)), "minutes")
            soon = f"and will reach it in {about(left_s)}"
        text = (
            f"Head pressure stands at {stands.show(system)}, cut-out {ends.show(system)}, {soon}. "
            f"Cool {name} with water or air, or change it; look for air in it."
        )
        level: Level = "alarm" if near else "caution"
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
    rise = float(np.median(y[-3:]) - np.median(y[:3]))
    late = float(np.median(y[-3:]) - np.median(y[half - 1 : half + 2]))
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
    rows = pd.DatetimeIndex(stretch.frame.index).get_indexer(bins.known)
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
        trickled_kg = abs(float(np.nanmedian(m[-3:]) - np.nanmedian(m[:3])))
        if trickled_kg > 0.75 * TRICKLE_KG_PER_S * still_s[k]:
            continue
        p_now, t_now = float(np.median(p[-3:])), float(np.median(t[-3:]))
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
