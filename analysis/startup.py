"""Start-up: only steady readings mean anything, so find the windows in which the circuit stands steady.

A window opens when load and every figure have moved and scattered little for five minutes; it ends when one
of them leaves the window's level, or begins to swing. Each window gives one set of figures, held against the
limits of the job.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analysis.bins import Bins, bin_medians
from analysis.result import Assessment, Figure, FigureValue, Finding, Span
from analysis.running_figures import running_figures
from analysis.stretch import Stretch
from analysis.vocabulary.job import STARTUP_FIGURES

BIN_S = 20.0
WINDOW_S = 300.0
"""Five minutes without movement make a window (common practice)."""
DEPARTED_S = 60.0
"""Away from the window's level for this long ends it."""
SWINGING_S = 180.0
"""Scattered for this long ends it too."""
LOST_S = 600.0
"""Without readings for this long the window ends with the last of them."""
LEAST_PARTS = 4
"""Bins with readings that a window needs."""


@dataclass(frozen=True)
class Tolerance:
    """How much a quantity may do while steady: `scatter` about its trend, `drift` over a window, `departure`."""

    scatter: float
    drift: float
    departure: float


# Common practice of the trade, no published source: half a kelvin is what a field probe can tell.
TOLERANCES: Mapping[str, Tolerance] = {
    "suction_superheat": Tolerance(0.6, 0.45, 1.2),
    "discharge_superheat": Tolerance(0.9, 0.8, 2.4),
    "subcooling": Tolerance(0.6, 0.45, 1.2),
    "evaporator_approach": Tolerance(0.5, 0.4, 1.0),
    "condenser_approach": Tolerance(0.5, 0.4, 1.0),
    "oil_filter_drop": Tolerance(7e3, 7e3, 20e3),
    "compressor_load": Tolerance(0.015, 0.02, 0.03),
}
RUNNING_LOAD = 0.03
RUNNING_PRESSURE_RATIO = 1.25
"""Where no load is logged: a stopped circuit equalises towards 1, a running one stands well above."""


@dataclass
class _Window:
    begin_s: float
    opened: int
    end_s: float | None = None
    means: dict[str, float] = field(default_factory=dict)


def assess(stretch: Stretch) -> Assessment:
    """Return the steady windows of a running circuit and whether its figures keep to the job's limits.

    Uses the suction, discharge, liquid, water, condenser and oil channels that exist, `compressor_load`
    where there is one, `[circuit] refrigerant` and `[startup] limits`.
    """
    fluid = stretch.fluid
    bins = bin_medians(stretch, [str(channel) for channel in stretch.frame], BIN_S)
    figures = running_figures(bins.medians, fluid)
    why = (
        "" if fluid is not None else " The refrigerant is not stated: superheat, subcooling and approaches are missing."
    )
    if figures.shape[1] == 0:
        return Assessment("never_steady", f"Cannot tell: no pair of channels gives a figure of a running circuit.{why}")
    figures = figures.where(figures.abs() < np.inf)
    judged = [str(name) for name in figures]
    if "compressor_load" in bins.medians:
        figures["compressor_load"] = bins.medians["compressor_load"]
    grid = _on_grid(figures, bins)
    running = _running(bins)
    windows, findings = _walk(stretch, bins, figures, judged, grid, running)
    return _conclude(stretch, bins, figures, judged, grid, running, windows, tuple(findings), why)


@dataclass(frozen=True)
class _Trend:
    """Scatter and drift over the window that ends with each bin; NaN where too few bins hold readings."""

    scatter: pd.DataFrame
    drift: pd.DataFrame
    steady: np.ndarray
    swinging: np.ndarray


def _on_grid(figures: pd.DataFrame, bins: Bins) -> _Trend:
    """Return trend and steadiness for every bin, from the five minutes that end with it."""
    place = np.rint(bins.end_s / BIN_S).astype(np.int64)
    full = figures.set_axis(place).reindex(range(int(place[0]), int(place[-1]) + 1)) if len(place) else figures
    length = int(WINDOW_S / BIN_S)
    number = pd.Series(np.arange(len(full), dtype=float), index=full.index)
    scatter, drift = pd.DataFrame(index=full.index), pd.DataFrame(index=full.index)
    steady, known = np.ones(len(full), dtype=bool), np.zeros(len(full), dtype=bool)
    swinging = np.zeros(len(full), dtype=bool)
    for name in full:
        values = full[name]
        there = number.where(values.notna())
        rolled = values.rolling(length, min_periods=LEAST_PARTS)
        variance = rolled.var(ddof=0)
        spread = there.rolling(length, min_periods=LEAST_PARTS).var(ddof=0)
        slope = rolled.cov(there, ddof=0) / spread
        left = (variance - slope**2 * spread).clip(lower=0.0)
        count = values.rolling(length, min_periods=1).count()
        scatter[name] = np.sqrt(left * count / (count - 2.0).clip(lower=1.0))
        drift[name] = slope * length
        wide = there.rolling(length, min_periods=1).max() - there.rolling(length, min_periods=1).min()
        tolerance = TOLERANCES[str(name)]
        noise = 2.0 * scatter[name] * np.sqrt(12.0 / count.clip(lower=1.0))
        moved = (drift[name].abs() - noise).clip(lower=0.0) + 0.5 * np.minimum(drift[name].abs(), noise)
        alone = (scatter[name] <= tolerance.scatter) & (moved <= tolerance.drift) & (wide >= 0.75 * (length - 1))
        swinging |= (scatter[name] > tolerance.scatter).to_numpy(dtype=bool)
        there_enough = (count >= LEAST_PARTS).to_numpy(dtype=bool)
        steady &= alone.to_numpy(dtype=bool) | ~there_enough
        known |= there_enough & (name != "compressor_load")
    steady &= known
    rows = np.searchsorted(full.index.to_numpy(), place)
    return _Trend(scatter.iloc[rows], drift.iloc[rows], steady[rows], swinging[rows])


def _running(bins: Bins) -> np.ndarray:
    """Return for each bin whether the compressor runs, shape (n,)."""
    medians = bins.medians
    if "compressor_load" in medians:
        return medians["compressor_load"].ffill(limit=3).to_numpy(dtype=float) > RUNNING_LOAD
    if "discharge_pressure" in medians and "suction_pressure" in medians:
        ratio = (medians["discharge_pressure"] / medians["suction_pressure"]).ffill(limit=3)
        return ratio.to_numpy(dtype=float) > RUNNING_PRESSURE_RATIO
    return np.ones(len(medians), dtype=bool)


def _walk(
    stretch: Stretch, bins: Bins, figures: pd.DataFrame, judged: list[str], trend: _Trend, running: np.ndarray
) -> tuple[list[_Window], list[Finding]]:
    values = {str(name): figures[name].to_numpy(dtype=float) for name in figures}
    windows: list[_Window] = []
    findings: list[Finding] = []
    open_: _Window | None = None
    away_since: float | None = None
    swing_since: float | None = None
    missed: set[str] = set()
    since_run = -np.inf
    for k in range(len(bins.end_s)):
        end = float(bins.end_s[k])
        begin = end - BIN_S
        if not running[k]:
            since_run = end
        if open_ is None:
            if trend.steady[k] and running[k] and end - WINDOW_S >= since_run:
                open_ = _Window(end - WINDOW_S, k)
                open_.means = _means(values, bins, open_.begin_s, end)
                windows.append(open_)
                away_since = swing_since = None
                missed = set()
                findings.append(_steady(stretch, bins, k, open_, judged))
                findings += _missed(stretch, bins, k, open_, missed)
            continue
        away = not running[k] or any(
            abs(values[name][k] - open_.means[name]) > TOLERANCES[name].departure
            for name in values
            if name in open_.means and not np.isnan(values[name][k])
        )
        away_since = (begin if away_since is None else away_since) if away else None
        swing_since = (begin if swing_since is None else swing_since) if trend.swinging[k] else None
        lost = k > 0 and end - float(bins.end_s[k - 1]) > LOST_S
        ended: float | None = None
        if lost:
            ended = float(bins.end_s[k - 1])
        elif away_since is not None and end - away_since >= DEPARTED_S:
            ended = away_since
        elif swing_since is not None and end - swing_since >= SWINGING_S and away_since is None:
            ended = swing_since
        if ended is not None:
            open_.end_s = ended
            open_.means = _means(values, bins, open_.begin_s, ended) or open_.means
            findings.append(_unsteady(stretch, bins, k, open_, judged, values, running))
            open_ = None
        elif away_since is None:
            open_.means = _means(values, bins, open_.begin_s, end)
            findings += _missed(stretch, bins, k, open_, missed)
    return windows, findings


def _means(values: Mapping[str, np.ndarray], bins: Bins, begin_s: float, end_s: float) -> dict[str, float]:
    """Return the median of each quantity over the bins inside a window, those that have readings there."""
    first = int(np.searchsorted(bins.end_s, begin_s, side="right"))
    last = int(np.searchsorted(bins.end_s, end_s, side="right"))
    inside = {name: v[first:last][~np.isnan(v[first:last])] for name, v in values.items()}
    return {name: float(np.mean(v)) for name, v in inside.items() if len(v)}


def _figures(window: _Window, judged: list[str]) -> dict[str, FigureValue]:
    return {name: Figure(window.means[name], STARTUP_FIGURES[name]) for name in judged if name in window.means}


def _at(stretch: Stretch, seconds: float) -> pd.Timestamp:
    return stretch.begin + pd.Timedelta(seconds=max(0.0, seconds))


def _listed(stretch: Stretch, figures: Mapping[str, FigureValue]) -> str:
    system = stretch.job.job.units
    return ", ".join(f"{n.replace('_', ' ')} {f.show(system)}" for n, f in figures.items() if isinstance(f, Figure))


def _steady(stretch: Stretch, bins: Bins, k: int, window: _Window, judged: list[str]) -> Finding:
    figures = _figures(window, judged)
    return Finding(
        bins.known[k], _at(stretch, window.begin_s), stretch.stage, "steady", "info",
        f"Steady: read now. {_listed(stretch, figures)}.", figures,
    )  # fmt: skip


def _outside(stretch: Stretch, window: _Window) -> dict[str, tuple[float, float, float]]:
    limits = stretch.job.startup.limits
    return {
        name: (window.means[name], low, high)
        for name, (low, high) in limits.items()
        if name in window.means and not low <= window.means[name] <= high
    }


def _missed(stretch: Stretch, bins: Bins, k: int, window: _Window, missed: set[str]) -> list[Finding]:
    findings = []
    system = stretch.job.job.units
    for name, (value, low, high) in _outside(stretch, window).items():
        if name in missed:
            continue
        missed.add(name)
        kind = STARTUP_FIGURES[name]
        text = (
            f"{name.replace('_', ' ')} {Figure(value, kind).show(system)} while steady is"
            f" {'below' if value < low else 'above'} the job's limits of {Figure(low, kind).show(system)}"
            f" to {Figure(high, kind).show(system)}."
        )
        figures: dict[str, FigureValue] = {
            "figure": name, name: Figure(value, kind), "low": Figure(low, kind), "high": Figure(high, kind),
        }  # fmt: skip
        findings.append(
            Finding(
                bins.known[k], _at(stretch, window.begin_s), stretch.stage, "limit_missed", "caution", text, figures
            )
        )
    return findings


def _unsteady(
    stretch: Stretch, bins: Bins, k: int, window: _Window, judged: list[str], values: Mapping[str, np.ndarray],
    running: np.ndarray,
) -> Finding:  # fmt: skip
    figures = _figures(window, judged)
    reason = _reason(bins, k, window, values, running)
    return Finding(
        bins.known[k], _at(stretch, window.end_s or 0.0), stretch.stage, "unsteady", "info",
        f"No longer steady: {reason}. The window before gave {_listed(stretch, figures)}.",
        {"cause": reason, **figures},
    )  # fmt: skip


def _reason(bins: Bins, k: int, window: _Window, values: Mapping[str, np.ndarray], running: np.ndarray) -> str:
    if not running[k]:
        return "the compressor stopped"
    load = values.get("compressor_load")
    level = window.means.get("compressor_load", np.nan)
    if load is not None and abs(load[k] - level) > TOLERANCES["compressor_load"].departure:
        return "the load changed"
    return hunting(bins, k, values) or "the figures moved"


def hunting(bins: Bins, k: int, values: Mapping[str, np.ndarray]) -> str:
    """Return what swings and its period over the last quarter of an hour, or an empty string.

    The period is that of the first peak of the autocorrelation; a swing counts when the peak is above 0.5.
    """
    first = int(np.searchsorted(bins.end_s, bins.end_s[k] - 900.0, side="right"))
    at = bins.end_s[first : k + 1]
    for name in ("suction_superheat", "subcooling", "discharge_superheat", "compressor_load"):
        series = values.get(name)
        if series is None:
            continue
        there = ~np.isnan(series[first : k + 1])
        if there.sum() < 20:
            continue
        grid = np.arange(at[0], at[-1] + 1.0, BIN_S)
        even = np.interp(grid, at[there], series[first : k + 1][there])
        line = np.polynomial.Polynomial.fit(grid, even, 1)(grid)
        swing = even - line
        power = float(np.mean(swing**2))
        if np.sqrt(power) < TOLERANCES[name].scatter:
            continue
        lags = range(2, len(swing) // 2)
        correlation = [float(np.mean(swing[lag:] * swing[:-lag])) / power for lag in lags]
        peaks = [
            i for i in range(1, len(correlation) - 1)
            if correlation[i] > 0.5 and correlation[i - 1] <= correlation[i] >= correlation[i + 1]
        ]  # fmt: skip
        if peaks:
            return f"{name.replace('_', ' ')} hunts with a period of about {(peaks[0] + 2) * BIN_S / 60:.1f} min"
    return ""


def _conclude(
    stretch: Stretch,
    bins: Bins,
    figures: pd.DataFrame,
    judged: list[str],
    trend: _Trend,
    running: np.ndarray,
    windows: list[_Window],
    findings: tuple[Finding, ...],
    why: str,
) -> Assessment:
    index = stretch.begin + pd.to_timedelta(bins.end_s, unit="s")
    traces = {str(name): pd.Series(figures[name].to_numpy(dtype=float), index=index) for name in figures}
    last_s = float(bins.end_s[-1]) if len(bins.end_s) else 0.0
    spans = tuple(
        Span("steady", _at(stretch, w.begin_s), _at(stretch, w.end_s if w.end_s is not None else last_s))
        for w in windows
    )
    if not windows:
        return Assessment(
            "never_steady", _not_yet(bins, figures, judged, trend, running) + why, {}, findings, traces, spans
        )
    window = windows[-1]
    shown = _figures(window, judged)
    outside = _outside(stretch, window)
    listed = _listed(stretch, shown)
    if outside:
        names = ", ".join(name.replace("_", " ") for name in outside)
        return Assessment(
            "steady_out_of_limits", f"Steady, but out of the job's limits: {names}. {listed}.{why}", shown, findings,
            traces, spans,
        )  # fmt: skip
    limits = set(stretch.job.startup.limits)
    unjudged = "" if limits & set(shown) else " No limits are stated in the job: the figures are given, not judged."
    missing = sorted(limits - set(shown))
    if missing:
        unjudged += f" Could not be judged: {', '.join(n.replace('_', ' ') for n in missing)}."
    return Assessment("steady_in_limits", f"Steady: {listed}.{unjudged}{why}", shown, findings, traces, spans)


def _not_yet(bins: Bins, figures: pd.DataFrame, judged: list[str], trend: _Trend, running: np.ndarray) -> str:
    """Return why nothing was steady, and where a trend allows it, how long it may take."""
    if len(bins.end_s) == 0 or bins.end_s[-1] < WINDOW_S:
        return "Cannot tell yet: five minutes of readings are needed."
    if not running[-1]:
        return "Never steady: the compressor does not run."
    swings = hunting(bins, len(bins.end_s) - 1, {str(n): figures[n].to_numpy(dtype=float) for n in figures})
    if swings:
        return f"Never steady: {swings}. Nothing can be judged until it stands."
    drifts = {str(n): trend.drift[n].abs().to_numpy(dtype=float) / TOLERANCES[str(n)].drift for n in trend.drift}
    worst = max(drifts, key=lambda n: np.nan_to_num(drifts[n][-1], nan=-1.0))
    excess = float(drifts[worst][-1])
    before = float(drifts[worst][int(np.searchsorted(bins.end_s, bins.end_s[-1] - WINDOW_S))])
    text = f"Never steady: {worst.replace('_', ' ')} still moves."
    if 1.0 < excess < 0.9 * before:
        minutes = WINDOW_S / 60.0 * np.log(excess) / np.log(before / excess)
        text += f" At this trend it may stand in about {minutes:.0f} min."
    return text
