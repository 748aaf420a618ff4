"""What every plot of the report shares: size, colours, thinning, time axis, shaded spans.

Colours are chosen to stay apart for colour-blind readers and in grey print; a line is always named
beside its colour. Figures are made without pyplot, so nothing global is kept.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure

from analysis.result import Span
from analysis.vocabulary.text import by_hand, words
from analysis.vocabulary.units import UnitSystem, display

INK = "#1c2430"
LINES = ("#15616d", "#c8553d", "#7a5195", "#8a7a1f", "#3d6fb6", "#5b6470")
"""Line colours in order of use."""
SHADES = {"good": "#d7ebdf", "note": "#e4e8ef", "caution": "#f7e3b5", "alarm": "#f3c9c1"}
"""Backgrounds of shaded spans by what they mean."""
MOST_POINTS = 3000
WORD_WIDTH = 0.08
LETTER_WIDTH = 0.0085
"""A short word, and a letter of one, cover these shares of a plot's width."""


def new_figure(rows: int = 1, heights: Iterable[float] | None = None) -> tuple[Figure, list[Axes]]:
    """Return a figure of report width with `rows` plots that share the time axis."""
    ratios = list(heights) if heights is not None else [1.0] * rows
    figure = Figure(figsize=(8.2, 1.2 + 2.1 * sum(ratios)), layout="constrained")
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios})[:, 0]
    for ax in axes:
        ax.grid(True, color="#d9dde3", linewidth=0.6)
        ax.spines[["top", "right"]].set_visible(False)
        ax.tick_params(colors=INK, labelsize=9)
        ax.ticklabel_format(axis="y", useOffset=False)  # a barometer that hardly moves is read as what it shows
    locator = AutoDateLocator(minticks=4, maxticks=9)  # type: ignore[no-untyped-call]
    axes[-1].xaxis.set_major_locator(locator)
    axes[-1].xaxis.set_major_formatter(ConciseDateFormatter(locator, tz="UTC"))  # type: ignore[no-untyped-call]
    axes[-1].set_xlabel("time (UTC)", fontsize=9)
    return figure, list(axes)


def thin(series: pd.Series, most: int = MOST_POINTS) -> pd.Series:
    """Return at most about `most` points of a series, keeping the lowest and highest of every bin, in time order."""
    series = series.dropna()
    if len(series) <= most:
        return series
    values = series.to_numpy(dtype=float)
    bins = np.array_split(np.arange(len(values)), most // 2)
    kept = {0, len(values) - 1}
    for part in bins:
        kept.update((int(part[values[part].argmin()]), int(part[values[part].argmax()])))
    return series.iloc[sorted(kept)]


def draw_line(
    ax: Axes, series: pd.Series, kind: str, system: UnitSystem, label: str, colour: str = LINES[0], **style: Any
) -> None:
    """Draw an SI series in the display units of figures of `kind`."""
    shown = thin(series)
    values = [display(float(v), kind, system)[0] for v in shown.to_numpy(dtype=float)]
    options: dict[str, Any] = {"linewidth": 1.4, **style}
    ax.plot(to_days(shown.index), values, color=colour, label=label, **options)


def to_days(index: pd.Index) -> np.ndarray:
    """Return stamps as matplotlib's day numbers, shape (n,)."""
    days: np.ndarray = date2num(pd.DatetimeIndex(index).tz_localize(None).to_numpy())  # type: ignore[no-untyped-call]
    return days


def unit_of(kind: str, system: UnitSystem) -> str:
    """Return the display unit of a kind, for an axis label."""
    return by_hand(display(0.0, kind, system)[1])


def shade(ax: Axes, spans: Iterable[Span], shades: dict[str, str]) -> None:
    """Shade spans behind the lines, each with its word at the top; `shades` maps a span's kind to a key of `SHADES`.

    To be called when the lines are drawn: a word that would stand on the same one before it is left out, on another one
    goes under it, and one that would run out at the right stands at that edge.
    """
    low, high = ax.get_xlim()
    named: dict[str, float] = {}
    free, under = -math.inf, False
    for span in sorted(spans, key=lambda span: span.begin):
        colour = SHADES[shades.get(span.kind, "note")]
        begin, end = to_days(pd.DatetimeIndex([span.begin, span.end]))
        ax.axvspan(begin, end, color=colour, zorder=0, linewidth=0)
        word = span.label or words(span.kind)
        if begin - named.get(word, -math.inf) < WORD_WIDTH * (high - low):
            continue
        named[word] = begin
        last = high - begin < WORD_WIDTH * (high - low)
        under = begin < free and not under
        free = max(free, begin + LETTER_WIDTH * (len(word) + 2) * (high - low))
        ax.text(
            high if last else begin,
            0.98,
            f"\n {word}" if under else f" {word}",
            transform=ax.get_xaxis_transform(),
            va="top",
            ha="right" if last else "left",
            fontsize=8,
            color=INK,
            clip_on=True,
        )


def legend(ax: Axes, columns: int = 5) -> None:
    """Put a quiet legend above the plot, where it covers nothing."""
    if ax.get_legend_handles_labels()[0]:
        ax.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns, fontsize=8, frameon=False, borderpad=0.1,
            handlelength=1.6, columnspacing=1.2,
        )  # fmt: skip


def svg_data_uri(figure: Figure) -> str:
    """Return the figure as a data URI, the same bytes for the same figure."""
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "standwatch", "svg.fonttype": "path"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
