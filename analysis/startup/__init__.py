"""Start-up: only steady readings mean anything, so find the windows in which the circuit stands steady.

A window opens when load and every figure have moved and scattered little for five minutes; it ends when one
of them leaves the window's level, or begins to swing. Each window gives one set of figures, held against the
limits of the job.
"""

from __future__ import annotations

import numpy as np

from analysis.result import Assessment, Finding
from analysis.startup.hunting import LOAD, Hunting, hunting
from analysis.startup.steadiness import (
    BIN_S,
    TOLERANCES,
    WINDOW_S,
    Course,
    approaching,
    course_of,
    creeping,
    says_running,
)
from analysis.startup.told import (
    Window,
    conclude,
    hunts_told,
    missed_told,
    same_load_since,
    steady_told,
    unsteady_told,
)
from analysis.startup.window_edges import arrived, departed, left, load_step
from analysis.stretch import Stretch

DEPARTED_S = 60.0
"""Away from the window's level for this long ends it."""
SWINGING_S = 180.0
"""Scattered for this long ends it too."""
MOVING_S = 300.0
"""Moving for this long ends it, however near it is."""
LOST_S = 600.0
"""Without readings for this long the window ends with the last of them."""
LISTEN_S = 60.0


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
    return conclude(stretch, course, walk.windows, tuple(walk.findings), walk.before, why)


class _Walk:
    """The way through the bins, once: the windows, their findings, and what hunted before the first of them."""

    def __init__(self, stretch: Stretch, course: Course) -> None:
        self.stretch, self.course = stretch, course
        self.rows, self.noises = (np.transpose(list(one.values())).tolist() for one in (course.values, course.noises))
        self.windows: list[Window] = []
        self.findings: list[Finding] = []
        self.before: list[Hunting] = []
        self.open: Window | None = None
        self.idle_s = 0.0  # until then the compressor stood, or the last window lasted
        self.stepped_s = 0.0  # when another stage was last seen in the pressures
        self.swung_s = 0.0  # until then something hunted, perhaps a figure that is read no more
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
        same_s = max(self.stepped_s, same_load_since(course, k))
        since_s = max(end - float(course.stood_s[k]), self.idle_s, self.swung_s)
        still = course.stood_s[k] > 0.0 and course.running[k] and end - since_s >= WINDOW_S - BIN_S / 2.0
        if still and (step_s := load_step(course, k, since_s)) is not None:
            self.idle_s, self.stepped_s, still = step_s, step_s, False
        if still:
            since_s = arrived(course, since_s, k)
            still = end - since_s >= WINDOW_S - BIN_S / 2.0
        if still or self._each_minute(k):
            swings = hunting(course, k, same_s)
            self.swung_s = self.swung_s if swings is None else end - swings.period_s
            still = still and swings is None
        under_s = max(self.idle_s, same_s)
        crept_s = max(same_s, min([self.idle_s, *(window.crept_s for window in self.windows[-1:])]))
        if still and not (approaching(course, k, under_s) or creeping(course, k, crept_s)):
            self._begin(k, arrived(course, since_s, k, nearly=False))
        elif course.running[k]:
            rang_s = max(same_s, 0.0 if self.windows else self.idle_s) + WINDOW_S  # until then it rings, no hunting
            new = self.ear.at(k, max(self.idle_s, rang_s), self.idle_s)
            if new is not None and self.windows:
                self.findings.append(hunts_told(self.stretch, course, k, new, self.windows[-1]))
            elif new is not None:
                self.before.append(new)

    def _each_minute(self, k: int) -> bool:
        return k > 0 and self.course.end_s[k] // LISTEN_S > self.course.end_s[k - 1] // LISTEN_S

    def _begin(self, k: int, since_s: float) -> None:
        end = float(self.course.end_s[k])
        noise, read = dict.fromkeys(self.course.values, np.inf), _means(self.course, end - WINDOW_S / 2.0, end)
        self.open = Window(since_s, end, frozenset(read), noise, {}, stood_until=end)
        self.open.means = self._means_of(self.open, end)
        self.windows.append(self.open)
        self.ear.forget()
        self.findings.append(steady_told(self.stretch, self.course, k, self.open))
        self.findings += missed_told(self.stretch, self.course, k, self.open)

    def _within(self, k: int, window: Window) -> None:
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
            # over a minute before it was told, and before five were: it never was one
            stood = ended > min(window.opened_s - DEPARTED_S, window.begin_s + WINDOW_S - BIN_S)
            window.end_s = ended if stood else window.begin_s + BIN_S
            window.means = self._means_of(window, window.end_s) or window.means
            told = unsteady_told(self.stretch, course, k, window, stepped=step_s is not None, stood=stood)
            self.findings.append(told)
            cause = told.figures["cause"]
            self.stepped_s = ended if cause == "staging" else self.stepped_s
            self.ear.forget(end if cause == "hunting" else -np.inf)
            self.open = None
            if stood:
                self.idle_s = max(self.idle_s, ended)
            else:
                self.swung_s = end
                self.windows.pop()
        elif window.away_since is None:
            window.means = self._means_of(window, end)
            self.findings += missed_told(self.stretch, course, k, window)

    def _means_of(self, window: Window, end_s: float) -> dict[str, float]:
        """Return the mean of each quantity in a window; what was not read when it opened may have moved before."""
        whole = _means(self.course, window.begin_s, end_s)
        if window.read.issuperset(whole):
            return whole
        later = _means(self.course, window.opened_s, end_s)
        return {name: mean for name, mean in whole.items() if name in window.read} | {
            name: mean for name, mean in later.items() if name not in window.read
        }

    def _over(self, k: int, window: Window, step_s: float | None) -> float | None:
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
        if near and self._each_minute(k) and (creeps := creeping(course, k, begin)) is not None:
            looked_s = 3.0 * creeps[1]
            window.crept_s = max(begin, end - looked_s)
            return begin if end - begin <= looked_s + BIN_S else left(course, begin, k, looked_s)
        if near and end - window.stood_until >= MOVING_S:
            return departed(course, begin, window.means, k) or left(course, begin, k, WINDOW_S + MOVING_S)
        if (heard := self.ear.at(k, begin)) is None:
            return None
        return left(course, begin, k, heard.span_s)


class _Ear:
    """Hears hunting between two windows: looks every minute, and believes what it hears twice."""

    def __init__(self, course: Course) -> None:
        self.course = course
        self.forget()

    def forget(self, told_s: float = -np.inf) -> None:
        """Begin anew, at a window's begin or end; what swung until `told_s` is told."""
        self.told_s, self.last_s = told_s, -np.inf
        self.heard, self.staged = False, False

    def at(self, k: int, since_s: float, staged_s: float = np.inf) -> Hunting | None:
        """Return a hunting since `since_s`, all of which came after what was told: the load changed in between.

        A load that comes and goes since `staged_s` is told before all else, and once.
        """
        end = float(self.course.end_s[k])
        if end - self.last_s < LISTEN_S:
            return None
        self.last_s = end
        now = None if self.staged else hunting(self.course, k, staged_s, (LOAD,))
        if now is None and since_s > self.told_s:
            now = hunting(self.course, k, since_s)
        again, self.heard = self.heard, now is not None
        if now is None or not again:
            return None
        self.told_s, self.staged = end, self.staged or now.figure == LOAD
        return now


def _means(course: Course, begin_s: float, end_s: float) -> dict[str, float]:
    """Return the mean of each quantity over the bins inside a window, those that have readings there."""
    means = course.totals.mean(*course.bins(begin_s, end_s)).tolist()
    return {name: mean for name, mean in zip(course.values, means, strict=True) if mean == mean}
