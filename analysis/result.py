"""What an assessment says: figures, findings, a verdict. SI inside; `to_json` converts for display."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from analysis.vocabulary.channels import Level
from analysis.vocabulary.units import UnitSystem, display


@dataclass(frozen=True)
class Figure:
    """A number with what it is: `kind` is one of `units.DISPLAY_KINDS`, `si` its SI value.

    Gauge pressures are pascal above the barometer; times are seconds; leaks are kg/s; rates are per second.
    """

    si: float
    kind: str

    def to_json(self, system: UnitSystem) -> dict[str, Any]:
        """Return ``{"value", "unit"}`` in the display units, to six significant digits."""
        value, unit = display(self.si, self.kind, system)
        return {"value": float(f"{value:.6g}") if value == value else None, "unit": unit}

    def show(self, system: UnitSystem, digits: int = 3) -> str:
        """Return the figure as text, ``12.3 psia``: `digits` significant digits, never an exponent."""
        value, unit = display(self.si, self.kind, system)
        shown = significant(value, digits)
        if self.kind in TENTHS and abs(value) < 10.0:
            shown = f"{value:z.1f}"
        elif self.kind == "mass" and abs(value) < 0.1:
            shown = f"{round(value, GRAMS):zg}"
        return "not known" if value != value else f"{shown} {unit}".strip()


TENTHS = ("temperature", "temperature_difference")
"""No thermometer of the trade is good for more than a tenth."""
GRAMS = 3
"""No scale of the trade shows more decimals of a kg or lb."""
LONG = 4
"""From ten to this power on the last digits of a number are no more than noise."""


def significant(value: float, digits: int = 3) -> str:
    """Return `value` to `digits` significant digits, without exponent; below 10,000 whole numbers stay whole."""
    if value != value:
        return "unknown"
    if value == 0:
        return "0"
    size = int(f"{abs(value):e}".partition("e")[2])
    if size >= LONG:
        value = round(value, max(digits, 3) - 1 - size)
    return f"{value:,.{max(0, digits - 1 - size)}f}"


FigureValue = Figure | str
"""A figure, or a plain word such as a cause or a channel's name."""
TIME_LEFT = ("time_left", "time_left_low", "time_left_high")
"""The figures of how long something takes yet, and of the range in which that lies."""
NOT_JUDGED = "not_judged"
"""The figure that names what was not judged: what no reading told, or all where the job states no limits.

The verdict is that of the rest."""


@dataclass(frozen=True)
class Finding:
    """One finding. `time`: when the evidence sufficed; `since`: when the condition began."""

    time: pd.Timestamp
    since: pd.Timestamp
    stage: str
    kind: str
    level: Level
    text: str
    figures: Mapping[str, FigureValue] = field(default_factory=dict)

    def to_json(self, system: UnitSystem) -> dict[str, Any]:
        """Return the finding as the JSON result holds it."""
        return {
            "time": stamp(self.time),
            "since": stamp(self.since),
            "stage": self.stage,
            "kind": self.kind,
            "level": self.level,
            "figures": figures_to_json(self.figures, system),
            "text": self.text,
        }


@dataclass(frozen=True)
class Span:
    """A stretch of time to shade in a plot: `kind` such as ``stall``, ``isolation``, ``steady``."""

    kind: str
    begin: pd.Timestamp
    end: pd.Timestamp
    label: str = ""


@dataclass(frozen=True)
class Assessment:
    """What one stage's function returns.

    `text` begins with the one sentence that a tired reader needs now; `figures` are the stage's; `traces` are derived
    series (SI, indexed by time) and `spans` shaded stretches, both for plots only. `left_kg` is the gross weight with
    which each cylinder left the scale, for the stages that follow.
    """

    verdict: str
    text: str
    figures: Mapping[str, FigureValue] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    traces: Mapping[str, pd.Series] = field(default_factory=dict)
    spans: tuple[Span, ...] = ()
    left_kg: Mapping[str, float] = field(default_factory=dict)


def time_left(likely_s: float, low_s: float, high_s: float) -> dict[str, FigureValue]:
    """Return the figures `TIME_LEFT` of these seconds."""
    return {name: Figure(s, "minutes") for name, s in zip(TIME_LEFT, (likely_s, low_s, high_s), strict=True)}


def figures_to_json(figures: Mapping[str, FigureValue], system: UnitSystem) -> dict[str, Any]:
    """Return figures as the JSON result holds them; words stay plain strings."""
    return {name: f if isinstance(f, str) else f.to_json(system) for name, f in figures.items()}


def stamp(time: pd.Timestamp) -> str:
    """Return an RFC 3339 UTC stamp with milliseconds."""
    return time.strftime("%Y-%m-%dT%H:%M:%S.") + f"{time.microsecond // 1000:03d}Z"
