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

from analysis.hunting import HUNTS_S, Hunting, hunting
from analysis.result import Assessment, Figure, FigureValue, Finding, Span
from analysis.steadiness import (
    BIN_S,
    TOLERANCES,
    WINDOW_S,
    Course,
    approaching,
    course_of,
    minutes_left,
    says_running,
    unsteady_figures,
)  # fmt: skip
from analysis.stretch import Stretch
from analysis.vocabulary.job import STARTUP_FIGURES
from analysis.vocabulary.text import about, duration
from analysis.window_edges import arrived, departed, left, load_step

LOAD = "compressor_load"
DEPARTED_S = 60.0
"""Away from the window's level for this long ends it."""
SWINGING_S = 180.0
"""Scattered for this long ends it too."""
MOVING_S = 300.0
"""Moving for this long ends it, however near it is."""
LOST_S = 600.0
"""Without readings for this long the window ends with the last of them."""
LISTEN_S = 60.0


@dataclass
class _Window:
    """A steady window: its mean figures, the least noise in it, and which limits were told as missed."""

    begin_s: float
    noise: dict[str, float]
    means: dict[str, float]
    stood_until: float  # when all stood still last
    end_s: float | None = None
    away_since: int | None = None
    swing_since: float | None = None
    missed: set[str] = field(default_factory=set)


NEVER_BELOW_ZERO = ("suction_superheat", "discharge_superheat", "evaporator_approach")
WRONG_K = 1.0
"""Vapour is never colder than its dew point, nor water than what boils in its tubes; a gauge and a thermometer of the
trade are off by so much together (common practice)."""


def assess(stretch: Stretch) -> Assessment:
    """Return the steady windows of a running circuit and whether its figures keep to the job's limits.

    Uses the suction, discharge, liquid, water, condenser and oil channels that exist, `compressor_load`
    where there is one, `[circuit] refrigerant` and `[startup] limits`.
    """
    why = (
        ""
        if stretch.fluid is not None
        else " The refrigerant is not stated: superheat, subcooling and approaches are missing."
    )
    course = course_of(stretch)
    if not course.judged:
        return Assessment(
            "never_steady", f"Cannot tell: log a pressure of the running circuit and the temperature beside it.{why}"
        )
    walk = _Walk(stretch, course)
    if walk.windows and not says_running(stretch.frame):
        why += " Neither the load nor both pressures are read: that the compressor ran is taken for granted."
    return _conclude(walk, why)


class _Walk:
    """The way through the bins, once: the windows, their findings, and what hunted before the first of them."""

    def __init__(self, stretch: Stretch, course: Course) -> None:
        self.stretch, self.course = stretch, course
        self.rows, self.noises = (np.transpose(list(one.values())).tolist() for one in (course.values, course.noises))
        self.windows: list[_Window] = []
        self.findings: list[Finding] = []
        self.before: Hunting | None = None
        self.open: _Window | None = None
        self.idle_s = 0.0  # until then the compressor stood, or the last window lasted
        self.stepped_s = 0.0  # when another stage was last seen in the pressures
        self.swung_s = 0.0  # until then something hunted
        self.nearing_s = 0.0  # until then a figure had too far to go
        self.ear = _Ear(course)
        for k in range(len(course.end_s)):
            if not course.running[k]:
                self.idle_s = float(course.end_s[k])
            if self.open is None:
                self._between(k)
            else:
                self._within(k, self.open)

    def _between(self, k: int) -> None:
        """Open a window when all has stood still for long enough, or hear what hunts."""
        course, end = self.course, float(self.course.end_s[k])
        same_s = max(self.stepped_s, _same_load_since(course, k))
        since_s = max(end - float(course.stood_s[k]), self.idle_s, self.swung_s, self.nearing_s)
        still = course.stood_s[k] > 0.0 and course.running[k] and end - since_s >= WINDOW_S - BIN_S / 2.0
        if still and (step_s := load_step(course, k, since_s)) is not None:
            self.idle_s, self.stepped_s, still = step_s, step_s, False
        if still:
            since_s = arrived(course, since_s, k)
            still = end - since_s >= WINDOW_S - BIN_S / 2.0
        now: Hunting | None = None
        if still or (k > 0 and end // LISTEN_S > course.end_s[k - 1] // LISTEN_S):
            now = hunting(course, k, same_s)
            self.swung_s = self.swung_s if now is None else end - now.period_s
        if still and now is None and approaching(course, k, max(self.idle_s, same_s, self.swung_s)):
            self.nearing_s = end - WINDOW_S + BIN_S
        elif still and now is None:
            self._begin(k, arrived(course, since_s, k, nearly=False))
        elif course.running[k]:
            rang_s = max(same_s, 0.0 if self.windows else self.idle_s) + WINDOW_S  # until then it rings, no hunting
            new = self.ear.at(k, max(self.idle_s, rang_s))
            if new is not None and self.windows:
                self.findings.append(_hunts(self.stretch, course, k, new, self.windows[-1]))
            elif new is not None:
                self.before = new

    def _begin(self, k: int, since_s: float) -> None:
        end = float(self.course.end_s[k])
        means = _means(self.course, since_s, end)
        self.open = _Window(since_s, dict.fromkeys(self.course.values, np.inf), means, stood_until=end)
        self.windows.append(self.open)
        self.ear.forget()
        self.findings.append(_steady(self.stretch, self.course, k, self.open))
        self.findings += _missed(self.stretch, self.course, k, self.open)

    def _within(self, k: int, window: _Window) -> None:
        """Follow a window, and end it when it is over."""
        course, end = self.course, float(self.course.end_s[k])
        # a step makes neighbouring rows look noisy: the least noise since it opened counts
        pairs = zip(window.noise.items(), self.noises[k], strict=True)
        window.noise = {name: min(one, now) for (name, one), now in pairs}
        away = not course.running[k] or any(
            abs(now - window.means.get(name, np.nan)) > TOLERANCES[name].departure + 2.0 * window.noise[name]
            for name, now in zip(course.values, self.rows[k], strict=True)
        )
        window.away_since = (k if window.away_since is None else window.away_since) if away else None
        window.stood_until = end if course.stood_s[k] > 0.0 else window.stood_until
        swung = end - BIN_S if window.swing_since is None else window.swing_since
        window.swing_since = swung if course.swinging[k] else None
        step_s = load_step(course, k, window.begin_s)
        ended = self._over(k, window, step_s)
        if ended is not None:
            window.end_s = max(ended, window.begin_s + BIN_S)
            window.means = _means(course, window.begin_s, window.end_s) or window.means
            self.findings.append(_unsteady(self.stretch, course, k, window, stepped=step_s is not None))
            cause = self.findings[-1].figures["cause"]
            self.idle_s = max(self.idle_s, window.end_s)
            self.stepped_s = window.end_s if cause == "staging" else self.stepped_s
            self.ear.forget(told=cause == "hunting")
            self.open = None
        elif window.away_since is None:
            window.means = _means(course, window.begin_s, end)
            self.findings += _missed(self.stretch, course, k, window)

    def _over(self, k: int, window: _Window, step_s: float | None) -> float | None:
        """Return when a window ended by what bin `k` shows, None while it goes on; `step_s`: when the load stepped."""
        course, end, begin = self.course, float(self.course.end_s[k]), window.begin_s
        if k > 0 and end - float(course.end_s[k - 1]) > LOST_S:
            return float(course.end_s[k - 1])
        if window.away_since is not None and end - course.end_s[window.away_since] + BIN_S >= DEPARTED_S:
            return departed(course, begin, window.means, k) or left(course, begin, window.away_since)
        near = window.away_since is None
        if near and window.swing_since is not None and end - window.swing_since >= SWINGING_S:
            return left(course, begin, k, WINDOW_S + SWINGING_S)
        if step_s is not None:
            return step_s
        if near and end - window.stood_until >= MOVING_S:
            return departed(course, begin, window.means, k) or left(course, begin, k, WINDOW_S + MOVING_S)
        if (heard := self.ear.at(k, begin)) is None:
            return None
        self.swung_s = end - heard.period_s
        return left(course, begin, k, heard.span_s)


def _same_load_since(course: Course, k: int) -> float:
    """Return since when the load has been what it is at bin `k` [s]; 0 where it is not logged, or longer than anybody
    looks back."""
    load = course.values.get(LOAD)
    if load is None:
        return 0.0
    first, _ = course.bins(course.end_s[k] - HUNTS_S[-1], course.end_s[k])
    other = np.flatnonzero(np.abs(load[first : k + 1] - load[k]) > TOLERANCES[LOAD].departure)
    return float(course.end_s[first + other[-1]]) if len(other) else 0.0


class _Ear:
    """Hears hunting between two windows: looks every minute, and believes what it hears twice in the same figure."""

    def __init__(self, course: Course) -> None:
        self.course = course
        self.forget()

    def forget(self, *, told: bool = False) -> None:
        """Begin anew, at a window's begin or end; `told` when its end already said what swings."""
        self.told = told
        self.last_s = -np.inf
        self.before: Hunting | None = None

    def at(self, k: int, since_s: float) -> Hunting | None:
        """Return a hunting that was not told yet."""
        if self.told or self.course.end_s[k] - self.last_s < LISTEN_S:
            return None
        self.last_s = float(self.course.end_s[k])
        now, before = hunting(self.course, k, since_s), self.before
        self.before = now
        if now is None or before is None or now.figure != before.figure:
            return None
        self.told = True
        return now


def _means(course: Course, begin_s: float, end_s: float) -> dict[str, float]:
    """Return the mean of each quantity over the bins inside a window, those that have readings there."""
    means = course.totals.mean(*course.bins(begin_s, end_s)).tolist()
    return {name: mean for name, mean in zip(course.values, means, strict=True) if mean == mean}


def _figures(window: _Window) -> dict[str, FigureValue]:
    return {name: Figure(value, STARTUP_FIGURES[name]) for name, value in window.means.items() if name != LOAD}


def _at(stretch: Stretch, seconds: float) -> pd.Timestamp:
    return stretch.begin + pd.Timedelta(seconds=max(0.0, seconds))


def _name(figure: str) -> str:
    return figure.replace("_", " ")


def _listed(stretch: Stretch, figures: Mapping[str, FigureValue]) -> str:
    system = stretch.job.job.units
    return ", ".join(f"{_name(n)} {f.show(system)}" for n, f in figures.items() if isinstance(f, Figure))


def _steady(stretch: Stretch, course: Course, k: int, window: _Window) -> Finding:
    figures = _figures(window)
    return Finding(
        course.known[k], _at(stretch, window.begin_s), stretch.stage, "steady", "info",
        f"Steady, read now: {_listed(stretch, figures)}.", figures,
    )  # fmt: skip


def _outside(stretch: Stretch, window: _Window) -> dict[str, tuple[float, float, float]]:
    limits = stretch.job.startup.limits
    return {
        name: (window.means[name], low, high)
        for name, (low, high) in limits.items()
        if name in window.means and not low <= window.means[name] <= high
    }


def _missed(stretch: Stretch, course: Course, k: int, window: _Window) -> list[Finding]:
    findings = []
    system = stretch.job.job.units
    for name, (value, low, high) in _outside(stretch, window).items():
        if name in window.missed:
            continue
        window.missed.add(name)
        kind = STARTUP_FIGURES[name]
        text = (
            f"{_name(name)} {Figure(value, kind).show(system)} while steady is"
            f" {'below' if value < low else 'above'} the job's limits of {Figure(low, kind).show(system)}"
            f" to {Figure(high, kind).show(system)}."
        )
        figures: dict[str, FigureValue] = {
            "figure": name, name: Figure(value, kind), "low": Figure(low, kind), "high": Figure(high, kind),
        }  # fmt: skip
        since = _at(stretch, window.begin_s)
        findings.append(Finding(course.known[k], since, stretch.stage, "limit_missed", "caution", text, figures))
    return findings


def _unsteady(stretch: Stretch, course: Course, k: int, window: _Window, *, stepped: bool) -> Finding:
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
        shown["cause"], why = "moved", f"{_names(unsteady_figures(course, k)[:2]) or 'the figures'} moved"
    figures = _figures(window)
    return Finding(
        course.known[k], _at(stretch, window.end_s or 0.0), stretch.stage, "unsteady", "info",
        f"No longer steady: {why}. The window before gave {_listed(stretch, figures)}.", {**shown, **figures},
    )  # fmt: skip


def _hunts(stretch: Stretch, course: Course, k: int, heard: Hunting, window: _Window) -> Finding:
    """Return a cause learnt after the window was over."""
    figures: dict[str, FigureValue] = {
        "cause": "hunting", "figure": heard.figure, "period": Figure(heard.period_s, "minutes"),
    }  # fmt: skip
    return Finding(
        course.known[k], _at(stretch, window.end_s or 0.0), stretch.stage, "unsteady", "info",
        f"Not steady: {heard.said()}. Nothing can be judged until it stands.", figures,
    )  # fmt: skip


def _names(figures: list[str]) -> str:
    return " and ".join(_name(figure) for figure in figures)


def _conclude(walk: _Walk, why: str) -> Assessment:
    stretch, course, before = walk.stretch, walk.course, walk.before
    windows, findings = walk.windows, tuple(walk.findings)
    index = stretch.begin + pd.to_timedelta(course.end_s, unit="s")
    traces = {name: pd.Series(values, index=index) for name, values in course.values.items()}
    last_s = float(course.end_s[-1]) if len(course.end_s) else 0.0
    spans = tuple(
        Span("steady", _at(stretch, w.begin_s), _at(stretch, w.end_s if w.end_s is not None else last_s))
        for w in windows
    )
    if not windows:
        waiting, trend = _waiting(stretch, course, 0.0)
        if before is not None and "hunting_period" not in trend:
            waiting += f" Earlier {before.said('hunted')}."
            trend["hunting_period"] = Figure(before.period_s, "minutes")
        never = "Not steady yet" if stretch.end is None else "Never steady"
        text = waiting if waiting.startswith("Cannot") else f"{never}: {waiting}"
        return Assessment("never_steady", text + why, trend, findings, traces, spans)
    window = windows[-1]
    shown = _figures(window)
    outside = _outside(stretch, window)
    limits = set(stretch.job.startup.limits)
    text = f"Steady: {_listed(stretch, shown)}."
    if outside:
        text = (
            f"Steady, but out of the job's limits: {', '.join(map(_name, outside))}. Read: {_listed(stretch, shown)}."
        )
    elif not limits:
        text += " No limits are stated in the job: the figures are given, not judged."
    if missing := sorted(limits - set(shown)):
        text += f" Could not be judged: {', '.join(map(_name, missing))}."
    if below := [name for name in NEVER_BELOW_ZERO if name in window.means and window.means[name] < -WRONG_K]:
        text += f" Below zero cannot be: {_names(below)}. Check gauge and thermometer, and the refrigerant stated."
    if before is not None:
        text += f" Before it first stood, {before.said('hunted')}."
    if window.end_s is not None:
        waiting, trend = _waiting(stretch, course, window.end_s)
        shown |= trend
        text += f" Since then not steady: {waiting}"
    return Assessment(
        "steady_out_of_limits" if outside else "steady_in_limits", text + why, shown, findings, traces, spans
    )


def _waiting(stretch: Stretch, course: Course, since_s: float) -> tuple[str, dict[str, FigureValue]]:
    """Return what still moves, by how much and for how long at this trend; and the longest of those times."""
    if len(course.end_s) == 0 or course.end_s[-1] < WINDOW_S:
        return "Cannot tell yet: five minutes of readings are needed.", {}
    last = len(course.end_s) - 1
    if not course.running[last]:
        return "the compressor does not run.", {}
    heard = hunting(course, last, since_s)
    if heard is not None:
        told: dict[str, FigureValue] = {"hunting_period": Figure(heard.period_s, "minutes")}
        return f"{heard.said()}. Nothing can be judged until it stands.", told
    same_s = float(course.end_s[last]) - _same_load_since(course, last)
    parts, times, system = [], [], stretch.job.job.units
    for name in unsteady_figures(course, last):
        drift, scatter = (
            Figure(float(one[name][last]), STARTUP_FIGURES[name]) for one in (course.drift, course.scatter)
        )
        if abs(drift.si) > TOLERANCES[name].drift:
            parts.append(f"{_name(name)} moves by {drift.show(system, 2)} in 5 min")
            times.append(minutes_left(course, name, last))
        else:
            parts.append(f"{_name(name)} goes to and fro by ± {scatter.show(system, 2)}")
            times.append(None)
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
