"""The trends as options for the plotting library: which channels share a plot, which axis, what is shaded."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.vocabulary.channels import MICRON_PROBES, Column
from analysis.vocabulary.text import words
from collector.follow.tail import seconds_of
from collector.page.columns_store import ColumnsStore
from collector.page.themes import DASHES, Theme

MOST_POINTS = 600
"""Points of one line: more than a screen shows side by side."""
LATE_SHARE = 0.8
"""What begins in the last part of a plot is named at its right end, where the name has room."""
FIRST_OF_STAGE: Mapping[str, Sequence[str]] = {
    "recovery": ("circuit_pressure", "cylinder_weight", "leaving_water_temperature"),
    "pressure_test": ("circuit_pressure", "ambient_temperature", "surface_temperature"),
    "evacuation": ("vacuum", "pump_vacuum", "surface_temperature"),
    "charging": ("cylinder_weight", "circuit_pressure", "leaving_water_temperature"),
    "startup": (
        "suction_pressure", "discharge_pressure", "leaving_water_temperature", "suction_temperature", "compressor_load",
    ),
    "at_rest": ("ambient_temperature", "circuit_pressure", "leaving_water_temperature"),
    "": ("circuit_pressure", "vacuum"),
}  # fmt: skip
"""Readings that count most in a stage, and between stages: their plots come first."""
DRAWN_OF_STAGE: Mapping[str, Sequence[str]] = {
    "recovery": (
        "circuit_pressure", "cylinder_pressure", "cylinder_weight", "cylinder_temperature",
        "entering_water_temperature", "leaving_water_temperature",
    ),
    "pressure_test": ("circuit_pressure", "ambient_temperature", "surface_temperature", "barometer"),
    "evacuation": ("vacuum", "pump_vacuum", "surface_temperature", "ambient_temperature"),
    "charging": (
        "circuit_pressure", "cylinder_pressure", "cylinder_weight", "cylinder_temperature",
        "entering_water_temperature", "leaving_water_temperature",
    ),
    "startup": (
        "suction_pressure", "discharge_pressure", "liquid_pressure", "suction_temperature", "discharge_temperature",
        "liquid_temperature", "leaving_water_temperature", "condenser_leaving_temperature",
        "oil_pressure_before_filter", "oil_pressure_after_filter", "compressor_load",
    ),
}  # fmt: skip
"""Channels that are drawn at first; the others of a plot wait in its legend."""


@dataclass(frozen=True)
class Trend:
    """One plot: channels that share a unit. `log` for vacuum, which falls over many powers of ten."""

    unit: str
    channels: tuple[str, ...]
    log: bool


def trends_of(columns: Iterable[Column], stage: str) -> list[Trend]:
    """Return the plots of a log, those that a stage looks at first."""
    groups: dict[tuple[str, bool], list[str]] = {}
    for column in columns:
        log = column.channel in MICRON_PROBES and column.unit.datum == "absolute"
        groups.setdefault((column.unit.symbol, log), []).append(column.channel)
    wanted = DRAWN_OF_STAGE.get(stage, ())
    trends = [
        Trend(unit, tuple(sorted(names, key=lambda name: name not in wanted)), log)
        for (unit, log), names in groups.items()
    ]
    first = FIRST_OF_STAGE.get(stage, ())

    def rank(trend: Trend) -> int:
        return min((first.index(name) for name in trend.channels if name in first), default=len(first))

    return sorted(trends, key=rank)


def drawn(trend: Trend, stage: str) -> dict[str, bool]:
    """Return which lines of a plot are drawn at first, by their name in the legend."""
    wanted = DRAWN_OF_STAGE.get(stage)
    some = wanted is not None and any(name in wanted for name in trend.channels)
    return {words(name): not some or name in (wanted or ()) for name in trend.channels}


def options(
    trend: Trend,
    rows: ColumnsStore,
    *,
    begin: float,
    stage: str,
    spans: Sequence[Mapping[str, Any]],
    targets: Mapping[str, Sequence[Mapping[str, Any]]],
    theme: Theme,
) -> dict[str, Any]:
    """Return the options of one plot from `begin` (seconds since 1970) to the last row."""
    last = float(rows.at[-1]) if len(rows) else begin
    first = max(begin, float(rows.at[0])) if len(rows) else begin
    series = []
    for i, channel in enumerate(trend.channels):
        line = rows.line(channel, begin, MOST_POINTS)
        if trend.log:
            line = [[at, value if value is not None and value > 0 else None] for at, value in line]
        colour = theme.lines[i % len(theme.lines)]
        dash = DASHES[i // len(theme.lines) % len(DASHES)]
        one: dict[str, Any] = {
            "name": words(channel),
            "type": "line",
            "data": line,
            "showSymbol": False,
            "animation": False,
            "connectNulls": False,
            "lineStyle": {"width": 2.5, "color": colour, "type": dash},
            "itemStyle": {"color": colour},
        }
        lines = targets.get(channel, ())
        if lines:
            one["markLine"] = _lines(lines, theme)
        series.append(one)
    if series:
        series[0]["markArea"] = _areas(spans, first, last, theme)
    axis: dict[str, Any] = {
        "type": "log" if trend.log else "value",
        "scale": True,
        "axisLabel": {"color": theme.ink, "fontSize": 15},
        "splitLine": {"lineStyle": {"color": theme.grid}},
        "axisLine": {"lineStyle": {"color": theme.ink}},
    }
    low = smallest(series)
    if trend.log and low is not None:  # down to what is to be reached
        wanted = [line["value"] for channel in trend.channels for line in targets.get(channel, ()) if line["value"] > 0]
        axis["min"] = 10.0 ** math.floor(math.log10(min([low, *wanted])))
    return {
        "animation": False,
        "textStyle": {"color": theme.ink, "fontFamily": "system-ui, sans-serif"},
        "grid": {"left": 70, "right": 16, "top": 44, "bottom": 34},
        "legend": {
            "type": "scroll",
            "top": 4,
            "left": 8,
            "right": 8,
            "itemWidth": 34,
            "textStyle": {"color": theme.ink, "fontSize": 15},
            "inactiveColor": theme.quiet,
            "pageTextStyle": {"color": theme.ink},
            "pageIconColor": theme.ink,
            "selected": drawn(trend, stage),
        },
        "tooltip": {
            "trigger": "axis",
            "renderMode": "richText",
            "confine": True,
            "order": "valueDesc",
            "textStyle": {"fontSize": 15},
        },
        "xAxis": {
            "type": "time",
            "axisLabel": {"color": theme.ink, "fontSize": 15, "hideOverlap": True},
            "axisLine": {"onZero": False, "lineStyle": {"color": theme.ink}},
            "splitLine": {"show": False},
        },
        "yAxis": axis,
        "series": series,
    }


def smallest(series: Sequence[Mapping[str, Any]]) -> float | None:
    """Return the smallest value of all lines; None without any."""
    return min((point[1] for one in series for point in one["data"] if point[1] is not None), default=None)


def _lines(lines: Sequence[Mapping[str, Any]], theme: Theme) -> dict[str, Any]:
    return {
        "silent": True,
        "symbol": "none",
        "animation": False,
        "lineStyle": {"color": theme.target, "type": "dashed", "width": 2},
        "data": [
            {
                "yAxis": line["value"],
                "label": {
                    "formatter": str(line["label"]),
                    "position": ("insideStartTop", "insideEndTop")[number % 2],
                    "color": theme.target,
                    "fontSize": 14,
                },
            }
            for number, line in enumerate(lines)
        ],
    }


def _areas(spans: Sequence[Mapping[str, Any]], first: float, last: float, theme: Theme) -> dict[str, Any]:
    """Return the shading of stages and of the phases within them, cut to what the plot shows."""
    areas: list[list[dict[str, Any]]] = []

    def area(begin: str, end: str | None, label: str, colour: str, place: str, down: int = 0) -> None:
        a, b = seconds_of(begin), last if end is None else seconds_of(end)
        if a is None or b is None or b <= first or a >= last:
            return
        if place == "insideTopLeft" and max(a, first) - first > LATE_SHARE * (last - first):
            place = "insideTopRight"
        style = {
            "itemStyle": {"color": colour},
            "label": {"color": theme.ink, "fontSize": 13, "position": place, "offset": [0, down]},
        }
        areas.append([{"xAxis": max(a, first) * 1e3, "name": label, **style}, {"xAxis": min(b, last) * 1e3}])

    for number, span in enumerate(spans):
        area(span["begin"], span["end"], words(span["stage"]), theme.stage_shades[number % 2], "insideBottomLeft")
        for i, phase in enumerate(span["phases"]):
            area(phase["begin"], phase["end"], phase["label"], theme.phase, "insideTopLeft", 18 * (i % 3))
    return {"silent": True, "data": areas}
