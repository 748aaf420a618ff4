"""A circuit that hunts: what a figure does comes and goes with one period."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.startup.steadiness import TOLERANCES, Course
from analysis.vocabulary.text import words

HUNTS_S = (600.0, 2_400.0)
"""So long is looked back for a swing, the shortest first: it may just have set in."""
HUNT_LEAST_S, HUNT_MOST_S = 25.0, 780.0
"""Expansion valves hunt by half a minute to ten (common practice)."""
HUNT_SWING = 0.67
"""A swing with one period shows below the scatter that is allowed, from this part of it on."""
HUNT_CYCLES = 2.5
HUNT_PART = 0.5
"""Cycles that must be seen, and the part of the movement that they must make up."""
LEAST_SEEN = 12
"""Bins with readings in which a swing may be heard."""
LOAD = "compressor_load"
HUNTERS = (LOAD, "suction_superheat", "subcooling", "discharge_superheat", "evaporator_approach")
"""In this order: where the load itself swings it is what swings the rest."""


@dataclass(frozen=True)
class Hunting:
    """A swing with one period, and of which figure; `span_s` how long was looked back to hear it."""

    figure: str
    period_s: float
    span_s: float

    @property
    def cause(self) -> str:
        """Return why nothing stands, in one word: a load that comes and goes is the machine's staging."""
        return "staging" if self.figure == LOAD else "hunting"

    def said(self, verb: str = "hunts") -> str:
        """Return it as words."""
        return f"{words(self.figure)} {verb} with a period of about {self.period_s / 60:.1f} min"


def hunting(course: Course, k: int, since_s: float, among: Sequence[str] = HUNTERS) -> Hunting | None:
    """Return what swings over the last minutes before bin `k`, and its period; None where nothing surely does.

    Looks back ten and forty minutes, never before `since_s`.
    """
    end_s = float(course.end_s[k])
    spans = [(span_s, *course.bins(max(since_s, end_s - span_s), end_s)) for span_s in HUNTS_S]
    firsts, ends = np.array([span[1:] for span in spans]).T
    counts, powers = course.totals.count(firsts, ends), course.totals.variance(firsts, ends)
    row = {name: i for i, name in enumerate(course.values)}
    for name in among:
        if name not in row:
            continue
        least = (HUNT_SWING * TOLERANCES[name].scatter) ** 2
        for (span_s, first, end), count, power in zip(spans, counts[row[name]], powers[row[name]], strict=True):
            if count < LEAST_SEEN or power < least:
                continue
            inside = slice(first, end)
            there = ~np.isnan(course.values[name][inside])
            least_power = least + float(np.mean(course.noises[name][inside][there])) ** 2
            at, values = course.end_s[inside][there], course.values[name][inside][there]
            period_s = _period(at, values, least_power)
            if period_s is not None:
                return Hunting(name, period_s, span_s)
    return None


def _period(at: np.ndarray, values: np.ndarray, least_power: float) -> float | None:
    """Return the period of a swing that makes up most of what `values` do, None where there is none.

    It is that of the sine, fitted beside a parabola by least squares, that explains most (a periodogram for uneven
    times).
    """
    if np.var(values) < least_power:
        return None
    interval, span = float(np.median(np.diff(at))), float(np.ptp(at))
    longest = min(span / HUNT_CYCLES, HUNT_MOST_S)
    shortest = max(HUNT_LEAST_S, 2.1 * interval)
    if longest <= shortest:
        return None
    scaled = 2.0 * (at - at[0]) / span - 1.0
    swing = values - np.polynomial.Polynomial.fit(scaled, values, 2)(scaled)
    power = float(np.mean(swing**2))
    if power < least_power:
        return None
    frequency = np.arange(1.0 / longest, 1.0 / shortest, 0.15 / span)
    phase = 2.0 * np.pi * np.outer(frequency, at)
    cosine, sine = np.cos(phase), np.sin(phase)
    cc, ss, cs = (cosine**2).sum(axis=1), (sine**2).sum(axis=1), (cosine * sine).sum(axis=1)
    xc, xs = cosine @ swing, sine @ swing
    explained = (xc**2 * ss - 2.0 * xc * xs * cs + xs**2 * cc) / np.maximum(cc * ss - cs**2, 1e-9)
    best = int(np.argmax(explained))
    if best == 0 or explained[best] < HUNT_PART * power * len(swing):
        return None  # the slowest of all may be slower still
    at_best = float(frequency[best])
    if best + 1 < len(frequency):  # the top of the parabola through it and its neighbours
        before, top, after = explained[best - 1 : best + 2].tolist()
        at_best += 0.5 * (after - before) / max(2.0 * top - before - after, 1e-9) * float(frequency[1] - frequency[0])
    period_s = 1.0 / at_best
    lately = at > at[-1] - max(1.1 * period_s, 4.0 * interval)
    moves = min(float(np.ptp(swing[lately])), float(np.ptp(values[lately])))
    return period_s if moves > np.sqrt(2.0 * power) else None  # it has not died down
