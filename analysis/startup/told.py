"""What is told of a start-up: each window when it opens and when it ends, and all of them at the last row."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analysis.result import NOT_JUDGED, Assessment, Figure, FigureValue, Finding, Span
from analysis.startup.figures import channels_of
from analysis.startup.hunting import HUNTS_S, LOAD, Hunting, hunting
from analysis.startup.steadiness import TOLERANCES, WINDOW_S, Course, creeping, minutes_left, unsteady_figures
from analysis.stretch import Stretch
from analysis.vocabulary.job import STARTUP_FIGURES
from analysis.vocabulary.text import about, duration, unit_once, words

NEVER_BELOW_ZERO = {
    "suction_superheat": 1.0,
    "discharge_superheat": 1.0,
    "evaporator_approach": 1.0,
    "oil_filter_drop": 14e3,
}
"""Vapour is never colder than its dew point, nor water than what boils in its tubes, nor does oil flow uphill; a gauge
and a thermometer of the trade are off by 1 K together, and two gauges by 2 psi (common practice)."""


@dataclass
class Window:
    """A steady window: what was read when it opened, its mean figures, the least noise in it, since when something
    creeps if that ended it, and which limits were told as missed."""

    begin_s: float
    opened_s: float
    read: frozenset[str]
    noise: dict[str, float]
    means: dict[str, float]
    stood_until: float  # when all stood still last
    end_s: float | None = None
    away_since: int | None = None
    swing_since: float | None = None
    crept_s: float = np.inf
    missed: set[str] = field(default_factory=set)


def same_load_since(course: Course, k: int) -> float:
    """Return since when the load has been what it is at bin `k` [s]; 0 where it is not logged, or longer than anybody
    looks back."""
    load = course.values.get(LOAD)
    if load is None:
        return 0.0
    first, _ = course.bins(course.end_s[k] - HUNTS_S[-1], course.end_s[k])
    other = np.flatnonzero(np.abs(load[first : k + 1] - load[k]) > TOLERANCES[LOAD].departure)
    return float(course.end_s[first + other[-1]]) if len(other) else 0.0


def _figures(window: Window) -> dict[str, FigureValue]:
    return {name: Figure(value, STARTUP_FIGURES[name]) for name, value in window.means.items() if name != LOAD}


def _at(stretch: Stretch, seconds: float) -> pd.Timestamp:
    return stretch.begin + pd.Timedelta(seconds=max(0.0, seconds))


def _listed(stretch: Stretch, figures: Mapping[str, FigureValue]) -> str:
    system = stretch.job.job.units
    return ", ".join(f"{words(n)} {f.show(system)}" for n, f in figures.items() if isinstance(f, Figure))


def steady_told(stretch: Stretch, course: Course, k: int, window: Window) -> Finding:
    """Return that a window opened at bin `k`, with its figures."""
    figures = _figures(window)
    return Finding(
        course.known[k], _at(stretch, window.begin_s), stretch.stage, "steady", "info",
        f"Steady, read now: {_listed(stretch, figures)}.", figures,
    )  # fmt: skip


def _outside(stretch: Stretch, window: Window) -> dict[str, tuple[float, float, float]]:
    limits = stretch.job.startup.limits
    return {
        name: (window.means[name], low, high)
        for name, (low, high) in limits.items()
        if name in window.means and not low <= window.means[name] <= high
    }


def _disagreed(stretch: Stretch, figures: Iterable[str]) -> str:
    """Return what is said of the readings that disagreed at rest and are part of these figures; with its own space."""
    said, pairs = "", channels_of(stretch.frame)
    for channel, offset in stretch.disagreed.items():
        off = [figure for figure in figures if channel in pairs.get(figure, ())]
        if off:
            side = "above" if offset.si > 0.0 else "below"
            by = Figure(abs(offset.si), offset.kind).show(stretch.job.job.units, 2)
            said += (
                f" {words(channel).capitalize()} read {by} {side} the others at rest: unless that was put right since,"
                f" the {_names(off)} told here {'is' if len(off) == 1 else 'are'} off by it."
            )
    return said


def missed_told(stretch: Stretch, course: Course, k: int, window: Window) -> list[Finding]:
    """Return which limits of the job a window misses by bin `k`, each told once."""
    findings = []
    system = stretch.job.job.units
    for name, (value, low, high) in _outside(stretch, window).items():
        if name in window.missed:
            continue
        window.missed.add(name)
        kind = STARTUP_FIGURES[name]
        text = (
            f"{words(name)} {Figure(value, kind).show(system)} while steady is"
            f" {'below' if value < low else 'above'} the job's limits of"
            f" {unit_once(Figure(low, kind).show(system), 'to', Figure(high, kind).show(system))}."
            f"{_disagreed(stretch, [name])}"
        )
        figures: dict[str, FigureValue] = {
            "figure": name, name: Figure(value, kind), "low": Figure(low, kind), "high": Figure(high, kind),
        }  # fmt: skip
        since = _at(stretch, window.begin_s)
        findings.append(Finding(course.known[k], since, stretch.stage, "limit_missed", "caution", text, figures))
    return findings


def unsteady_told(stretch: Stretch, course: Course, k: int, window: Window, *, stepped: bool, stood: bool) -> Finding:
    """Return that a window is over at bin `k`, and why.

    `stepped` where the pressures moved as at another load, `stood` where it was one.
    """
    shown: dict[str, FigureValue] = {}
    load = course.values.get(LOAD)
    if not course.running[k]:
        shown["cause"], why = "stopped", "the compressor stopped"
    elif load is not None and abs(load[k] - window.means.get(LOAD, np.nan)) > TOLERANCES[LOAD].departure:
        shown["cause"], why = "staging", "the load changed"
    elif stepped:
        shown["cause"], why = "staging", "suction and discharge pressure moved as at another load"
    elif (heard := hunting(course, k, window.begin_s)) is not None:
        shown |= {"cause": "hunting", "figure": heard.figure, "period": Figure(heard.period_s, "minutes")}
        why = heard.said()
    else:
        creeps = creeping(course, k, window.begin_s)
        moved = unsteady_figures(course, k)[:2] or ([creeps[0]] if creeps else [])
        shown["cause"], why = "moved", f"{_names(moved) or 'the figures'} moved"
    figures = _figures(window) if stood else {}
    text = f"Not steady since this window began: {why}. Nothing can be judged until it stands."
    if stood:
        text = f"No longer steady: {why}. The window before gave {_listed(stretch, figures)}."
    return Finding(
        course.known[k], _at(stretch, window.end_s or 0.0), stretch.stage, "unsteady", "info",
        text, {**shown, **figures},
    )  # fmt: skip


def hunts_told(stretch: Stretch, course: Course, k: int, heard: Hunting, window: Window) -> Finding:
    """Return a cause learnt after the window was over."""
    figures: dict[str, FigureValue] = {
        "cause": heard.cause, "figure": heard.figure, "period": Figure(heard.period_s, "minutes"),
    }  # fmt: skip
    return Finding(
        course.known[k], _at(stretch, window.end_s or 0.0), stretch.stage, "unsteady", "info",
        f"Not steady: {heard.said()}. Nothing can be judged until it stands.", figures,
    )  # fmt: skip


def _names(figures: list[str]) -> str:
    return " and ".join(words(figure) for figure in figures)


def conclude(
    stretch: Stretch,
    course: Course,
    windows: Sequence[Window],
    findings: tuple[Finding, ...],
    before: Sequence[Hunting],
    why: str,
) -> Assessment:
    """Return what all windows say; `before` hunted before the first of them, `why` is what could not be judged."""
    index = stretch.begin + pd.to_timedelta(course.end_s, unit="s")
    traces = {name: pd.Series(values, index=index) for name, values in course.values.items()}
    last_s = float(course.end_s[-1]) if len(course.end_s) else 0.0
    spans = tuple(
        Span("steady", _at(stretch, w.begin_s), _at(stretch, w.end_s if w.end_s is not None else last_s))
        for w in windows
    )
    if not windows:
        waiting, trend = _waiting(stretch, course, 0.0, 0.0)
        if before and "hunting_period" not in trend:
            waiting += f" Earlier {_hunted(before)}."
            trend |= _swings(before[-1])
        never = "Not steady yet" if stretch.end is None else "Never steady"
        text = waiting if waiting.startswith("Cannot") else f"{never}: {waiting}"
        return Assessment("never_steady", text + why, trend, findings, traces, spans)
    window = windows[-1]
    shown = _figures(window)
    outside = _outside(stretch, window)
    limits = set(stretch.job.startup.limits)
    stood = "Steady" if window.end_s is None else "Was steady"
    read = _listed(stretch, shown)
    missing = ", ".join(map(words, sorted(limits - set(shown)))) if limits else "all figures"
    if outside:
        missed = ", ".join(map(words, outside))
        text = f"{stood}, but out of the job's limits: {missed}. Read: {read}."
        text += f" {missing.capitalize()} could not be judged." if missing else ""
    elif not limits:
        text = f"{stood}, but the job states no limits to judge it by. Read: {read}."
    elif missing:
        text = f"{stood}, but {missing} could not be judged. Read: {read}."
    else:
        text = f"{stood} in limits: {read}."
    if missing:
        shown[NOT_JUDGED] = missing
    if below := [name for name, off in NEVER_BELOW_ZERO.items() if window.means.get(name, 0.0) < -off]:
        text += f" Below zero cannot be: {_names(below)}. Check gauges and thermometers, and the refrigerant stated."
    text += _disagreed(stretch, shown)
    if before:
        text += f" Before it first stood, {_hunted(before)}."
    if window.end_s is not None:
        waiting, trend = _waiting(stretch, course, window.end_s, min(window.end_s, window.crept_s))
        shown |= trend
        text += f" Since then not steady: {waiting}"
    return Assessment(
        "steady_out_of_limits" if outside else "steady_in_limits", text + why, shown, findings, traces, spans
    )


def _hunted(before: Sequence[Hunting]) -> str:
    return ", then ".join(heard.said("hunted") for heard in before)


def _swings(heard: Hunting) -> dict[str, FigureValue]:
    return {"cause": heard.cause, "hunting_period": Figure(heard.period_s, "minutes")}


def _waiting(stretch: Stretch, course: Course, since_s: float, crept_s: float) -> tuple[str, dict[str, FigureValue]]:
    """Return what still moves, by how much and for how long at this trend; and what swings, or the longest of those
    times. What swings is looked for since `since_s`, what creeps since `crept_s`."""
    if len(course.end_s) == 0 or course.end_s[-1] < WINDOW_S:
        return "Cannot tell yet: five minutes of readings are needed.", {}
    last = len(course.end_s) - 1
    if not course.running[last]:
        return "the compressor does not run.", {}
    heard = hunting(course, last, since_s)
    if heard is not None:
        return f"{heard.said()}. Nothing can be judged until it stands.", _swings(heard)
    same_s = float(course.end_s[last]) - same_load_since(course, last)
    parts, times, system = [], [], stretch.job.job.units
    for name in unsteady_figures(course, last):
        drift, scatter = (
            Figure(float(one[name][last]), STARTUP_FIGURES[name]) for one in (course.drift, course.scatter)
        )
        if abs(drift.si) > TOLERANCES[name].drift:
            parts.append(f"{words(name)} moves by {drift.show(system, 2)} in 5 min")
            times.append(minutes_left(course, name, last))
        else:
            parts.append(f"{words(name)} goes to and fro by ± {scatter.show(system, 2)}")
            times.append(None)
    if not parts and (creeps := creeping(course, last, crept_s)) is not None:
        name = creeps[0]
        drift = Figure(float(course.drift[name][last]), STARTUP_FIGURES[name])
        parts, times = [f"{words(name)} goes on moving, by {drift.show(system, 2)} in 5 min"], [None]
    text = f"{', '.join(parts)}." if parts else "all has stood still for less than five minutes."
    if same_s < WINDOW_S:
        text = f"the load changed {duration(same_s)} ago; {text}"
    if not parts:
        return text, {}
    known = [minutes for minutes in times if minutes is not None]
    if len(known) < len(times):
        return text, {}
    return f"{text} At this trend it may stand in {about(60.0 * max(known))}.", {
        "time_to_steady": Figure(60.0 * max(known), "minutes")
    }
