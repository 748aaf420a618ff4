"""The trends on the page: drawn whole now and then, between by adding the new points only."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable

from nicegui import ui

from analysis.vocabulary.text import by_hand, words
from collector.follow.tail import seconds_of
from collector.page.charts import MOST_POINTS, Trend, options, trends_of
from collector.page.model import Model
from collector.page.parts import Text, box, button, section
from collector.page.themes import Theme

SHOWN_AT_FIRST = 3
APPEND_EVERY_S = 2.0
MOST_ADDED = MOST_POINTS // 2
REDRAW_EVERY_S = 30.0
"""A plot is drawn whole again after so many added points, or when stages changed, but not more often than this."""
ADD = """
const chart = getElement(%d).chart, added = %s;
const series = chart.getOption().series.map((line, i) => ({data: line.data.concat(added[i])}));
chart.setOption({series}, {lazyUpdate: true});
"""
"""Adds points to the lines of a plot. The library's own ``appendData`` leaves lines undrawn."""
WINDOWS = ("last hour", "this stage", "whole job")


class Trends:
    """Builds the part and keeps it moving."""

    def __init__(self, model: Model, theme: Theme) -> None:
        self._model, self._theme = model, theme
        self._window, self._all = "this stage", False
        self._built: tuple[object, ...] = ()
        self._plots: list[tuple[Trend, ui.echart]] = []
        self._sent = 0
        self._added = 0
        self._drawn_at = self._appended_at = 0.0
        self._spans = ""
        self._windows: dict[str, Text] = {}
        with section("Trends", "trends") as self._part:
            with box("div", "windows", role="group", aria_label="Time shown"):
                for name in WINDOWS:
                    self._windows[name] = button(name.capitalize(), self._choose(name))
            self._box = box("div", "plots")
            self._more = button("Show all trends", self._toggle_all)
        self._press()
        self.refresh()

    def _choose(self, name: str) -> Callable[[], None]:
        def choose() -> None:
            self._window = name
            self._press()
            self._draw()

        return choose

    def _press(self) -> None:
        for name, each in self._windows.items():
            each.props["aria-pressed"] = "true" if name == self._window else "false"
            each.update()

    def _toggle_all(self) -> None:
        self._all = not self._all
        self._more.set_text("Show fewer trends" if self._all else "Show all trends")
        self.refresh()

    def _begin(self) -> float:
        rows = self._model.rows
        last = float(rows.at[-1]) if len(rows) else 0.0
        if self._window == "last hour":
            return last - 3_600.0
        if self._window == "this stage" and self._model.stage is not None:
            phases = self._model.now["spans"][-1]["phases"]
            parts = [self._model.stage, *(each for each in phases if each["kind"] == "judged")]
            return seconds_of(parts[-1]["begin"]) or -math.inf  # beside the filling nothing is seen of a test
        return -math.inf

    def refresh(self) -> None:
        """Bring the part up to date."""
        model, now = self._model, time.monotonic()
        stage = model.running_stage or (model.stage or {}).get("name", "")
        read = [column for column in model.columns if model.channels[column.channel].at is not None]
        trends = trends_of(read, stage)
        self._more.set_visibility(len(trends) > SHOWN_AT_FIRST)
        trends = trends if self._all else trends[:SHOWN_AT_FIRST]
        built = (model.rows, stage, tuple(trends))
        if built != self._built:
            self._built = built
            self._build(trends, stage)
        elif self._added > MOST_ADDED or (
            model.signature("spans") != self._spans and now - self._drawn_at > REDRAW_EVERY_S
        ):
            self._draw()
        elif now - self._appended_at >= APPEND_EVERY_S:
            self._append()

    def _build(self, trends: list[Trend], stage: str) -> None:
        self._box.clear()
        self._plots = []
        with self._box:
            for trend in trends:
                names = ", ".join(words(name) for name in trend.channels)
                with box("figure", "", role="img", aria_label=f"Trend of {names} in {by_hand(trend.unit)}"):
                    Text("figcaption", f"{by_hand(trend.unit)}{' (logarithmic)' if trend.log else ''}")
                    self._plots.append((trend, ui.echart(self._options(trend, stage))))
        self._part.set_visibility(bool(trends))
        self._mark_drawn()

    def _options(self, trend: Trend, stage: str) -> dict[str, object]:
        now = self._model.now
        return options(
            trend,
            self._model.rows,
            begin=self._begin(),
            stage=stage,
            spans=now.get("spans", []),
            targets=now.get("targets", {}),
            theme=self._theme,
        )

    def _draw(self) -> None:
        for trend, chart in self._plots:
            fresh = self._options(trend, str(self._built[1]) if self._built else "")
            chosen = fresh["legend"]
            assert isinstance(chosen, dict)
            chosen.pop("selected")  # what the reader switched on or off stays
            chart.options.clear()
            chart.options.update(fresh)
            chart.update()
        self._mark_drawn()

    def _mark_drawn(self) -> None:
        self._sent = len(self._model.rows)
        self._added = 0
        self._spans = self._model.signature("spans")
        self._drawn_at = self._appended_at = time.monotonic()

    def _append(self) -> None:
        rows = self._model.rows
        first, self._sent = self._sent, len(rows)
        self._appended_at = time.monotonic()
        if first == self._sent:
            return
        self._added += self._sent - first
        at = (rows.at[first:] * 1e3).round().tolist()
        for trend, chart in self._plots:
            added = [
                [
                    [t, float(f"{v:.6g}")]
                    for t, v in zip(at, rows.values(channel)[first:].tolist(), strict=True)
                    if v == v and (v > 0 or not trend.log)
                ]
                for channel in trend.channels
            ]
            if any(added):
                chart.client.run_javascript(ADD % (chart.id, json.dumps(added)))
