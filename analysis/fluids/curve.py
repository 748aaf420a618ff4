"""What the property modules share: where tables lie, an even cubic spline, and float in, float out."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Value = TypeVar("Value", float, NDArray[np.float64])
"""A float, or an array of floats: what goes in comes out."""

TABLES = Path(__file__).parent / "tables"
GAS_CONSTANT = 8.31446261815324
"""J/(mol K), exact (SI, 2019)."""

_EDGE = 1e-6
"""Share of a knot spacing by which rounding may put an end point outside."""


def like(value: ArrayLike, given: Value, *others: ArrayLike) -> Value:
    """Return `value` as a float when everything it was computed from was a scalar, else as an array of its shape."""
    scalar = all(isinstance(number, float) or np.ndim(number) == 0 for number in (given, *others))
    return cast(Value, float(np.asarray(value)) if scalar else np.asarray(value))


class Curve:
    """Cubic spline through `y` at ``start + step * i``, not-a-knot at both ends; NaN outside.

    With evenly spaced knots the interval is found by arithmetic, which is what makes a million look-ups
    cheap. Equations: de Boor, A Practical Guide to Splines, chapter IV.
    """

    def __init__(self, start: float, step: float, y: Floats) -> None:
        n = y.size
        rise = np.diff(y)
        system = 4.0 * np.eye(n) + np.eye(n, k=1) + np.eye(n, k=-1)
        system[0, :2] = system[-1, :-3:-1] = 1.0, 2.0
        right = np.concatenate(
            [
                [2.5 * rise[0] + 0.5 * rise[1]],
                3.0 * (rise[1:] + rise[:-1]),
                [2.5 * rise[-1] + 0.5 * rise[-2]],
            ]
        )
        slope = np.linalg.solve(system, right)
        bend = 3.0 * rise - 2.0 * slope[:-1] - slope[1:]
        twist = slope[:-1] + slope[1:] - 2.0 * rise
        self._start, self._step = start, step
        self._cubics = np.column_stack([y[:-1], slope[:-1], bend, twist])
        self._listed = self._cubics.tolist()

    def __call__(self, x: Floats) -> Floats:
        """Return the spline at `x`, any shape; NaN for NaN and outside the knots."""
        if x.ndim == 0:
            return np.asarray(self._at(float(x)))
        place = (x - self._start) / self._step
        count = len(self._cubics)
        inside = (place >= -_EDGE) & (place <= count + _EDGE)
        place = np.where(inside, place, 0.0)
        interval = np.clip(place.astype(np.intp), 0, count - 1)
        u = place - interval
        y0, slope, bend, twist = np.moveaxis(self._cubics[interval], -1, 0)
        return np.where(inside, y0 + u * (slope + u * (bend + u * twist)), np.nan)

    def _at(self, x: float) -> float:
        """Return the same at one place, several times as fast as by arrays: a review asks for many a single value."""
        place = (x - self._start) / self._step
        count = len(self._listed)
        if not -_EDGE <= place <= count + _EDGE:
            return np.nan
        interval = min(max(int(place), 0), count - 1)
        u = place - interval
        y0, slope, bend, twist = self._listed[interval]
        return float(y0 + u * (slope + u * (bend + u * twist)))


def inverse(start: float, step: float, y: Floats) -> Curve:
    """Return the curve of x against y for the rising `Curve` of ``(start, step, y)``."""
    forward = Curve(start, step, y)
    fine_x = np.linspace(start, start + step * (y.size - 1), 16 * y.size)
    fine_y = forward(fine_x)
    knots = np.linspace(y[0], y[-1], 4 * y.size)
    x = np.interp(knots, fine_y, fine_x)
    slope = np.interp(x, fine_x, np.gradient(fine_y, fine_x))
    for _ in range(3):
        x = np.clip(x + (knots - forward(x)) / slope, fine_x[0], fine_x[-1])
    return Curve(float(knots[0]), float(knots[1] - knots[0]), x)
