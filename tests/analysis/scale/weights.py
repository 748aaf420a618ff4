"""Made weights, in rows of a second unless told otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch
from tests.support import make_stretch

LB = 0.45359237


def weights(*parts: tuple[float, float, float], step: float = 1.0) -> np.ndarray:
    """Return a weight that goes from one value to another in each (seconds, from, to)."""
    return np.concatenate([np.linspace(a, b, round(long / step), endpoint=False) for long, a, b in parts])


def weighed(shown: np.ndarray, **how: Any) -> Weighing:
    return weigh(stretch_of(shown, **how))


def stretch_of(
    shown: np.ndarray,
    step: float = 1.0,
    stage: str = "recovery",
    marks: Iterable[tuple[float, str, str, str]] = (),
    cylinders: list[dict[str, str]] | None = None,
    quantum: float = 0.05,
    noise: float = 0.01,
) -> Stretch:
    rng = np.random.default_rng(1)
    read = np.round((shown + rng.normal(0, noise, len(shown))) / quantum) * quantum
    tables = {"circuit": {"refrigerant": "R-134a"}, **({"cylinder": cylinders} if cylinders else {})}
    at = np.arange(len(shown)) * step
    return make_stretch(stage, at, {"cylinder_weight": ("kg", read)}, tables=tables, journal=marks)


FILL = ((60, 26, 26), (1200, 26, 66), (60, 66, 66))
SWAP = ((90, 0, 0), (60, 24, 24), (600, 24, 44), (120, 44, 44))


def on(at: float, name: str) -> tuple[float, str, str, str]:
    return (at, "mark", "cylinder_on", name)
