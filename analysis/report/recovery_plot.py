"""Plot of a recovery: circuit pressure and required level, saturation against the water, mass recovered."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.cylinders.stays import limit_of_load
from analysis.report.plotting import (
    INK,
    LETTER_WIDTH,
    LINES,
    SHADES,
    draw_line,
    legend,
    new_figure,
    shade,
    to_days,
    unit_of,
)
from analysis.result import Assessment, Finding, Span
from analysis.result import Figure as Number
from analysis.scale import weigh
from analysis.stretch import Stretch
from analysis.vocabulary.channels import EVAPORATOR_WATER
from analysis.vocabulary.text import words
from analysis.vocabulary.units import display

_SHADES = {"pause": "note"}
_TOLD = {
    "liquid_pull_ended": "liquid pull ended",
    "liquid_gone": "liquid gone",
    "self_chilling": "self-chilling",
    "pressure_rebound": "rebound",
    "freeze_risk": "freeze risk",
    "required_level_reached": "level reached",
    "required_level_held": "level held",
}
"""Findings that are marked in the plot, and how they are called there."""
_PHASES = (("liquid pull", "#dbe7f5"), ("boiling off", "#eef4fb"), ("vapour", SHADES["good"]))
"""What a recovery goes through, as far as its findings tell, and the shade of each."""
LONG_WORD = 0.15
"""The longest of these covers this share of a plot's width: nearer to its end it stands left of its line."""


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when the circuit's pressure was not logged."""
    system = stretch.job.job.units
    traces = {name: series for name, series in assessment.traces.items() if series.notna().any()}
    if "pressure" not in traces:
        return None
    lower = [name for name in ("saturation", "recovered") if name in traces]
    figure, axes = new_figure(1 + len(lower), [1.4] + [0.9] * len(lower))
    top = axes[0]
    draw_line(top, traces["pressure"], "pressure", system, "circuit pressure")
    top.set_ylabel(f"pressure [{unit_of('pressure', system)}]")
    top.set_ylim(bottom=0.0)
    level = assessment.figures.get("required_level")
    if isinstance(level, Number):
        height = display(level.si, "pressure", system)[0]
        top.axhline(
            height, color=LINES[1], linewidth=1.2, linestyle="--", label="required level; local codes come first"
        )
    legend(top)
    for ax, name in zip(axes[1:], lower, strict=True):
        if name == "saturation":
            draw_line(ax, traces["saturation"], "temperature", system, "saturation (bubble point)")
            if "reference" in traces:
                draw_line(ax, traces["reference"], "temperature", system, _reference(stretch), LINES[3])
            freezes = display(stretch.job.circuit.freezes_at_k, "temperature", system)[0]
            ax.axhline(freezes, color=LINES[1], linewidth=1.0, linestyle=":", label="water side freezes")
            ax.set_ylabel(f"temperature [{unit_of('temperature', system)}]")
            _phases(ax, stretch, assessment)
            legend(ax)
        else:
            draw_line(ax, traces["recovered"], "mass", system, "recovered by the scale", LINES[2])
            _bounds(ax, stretch, traces["recovered"])
            ax.margins(y=0.2)
            ax.set_ylabel(f"recovered [{unit_of('mass', system)}]")
    for ax in axes:
        shade(ax, assessment.spans if ax is axes[-1] else [_unnamed(s) for s in assessment.spans], _SHADES)
    _mark(top, [f for f in assessment.findings if f.kind in _TOLD])
    return figure


def _phases(ax: Axes, stretch: Stretch, assessment: Assessment) -> None:
    """Shade from when to when liquid was pulled, boiled off, and vapour was left, each with its word at the bottom."""
    told = {finding.kind: finding.time for finding in reversed(assessment.findings)}
    end = stretch.frame.index[-1]
    after = assessment.figures.get("liquid_gone_after")  # of the one that is not taken back
    gone = stretch.begin + pd.Timedelta(seconds=after.si) if isinstance(after, Number) and after.si >= 0.0 else end
    pulled = min(told.get("liquid_pull_ended", gone), gone)
    edges = (stretch.begin, pulled, gone, end)
    low, high = ax.get_xlim()
    free = low
    for (word, colour), begin, until in zip(_PHASES, edges, edges[1:], strict=False):
        if until <= begin or (word == "liquid pull" and "liquid_pull_ended" not in told):
            continue
        start, stop = to_days(pd.DatetimeIndex([begin, until]))
        ax.axvspan(start, stop, color=colour, zorder=-1, linewidth=0)
        ax.text(
            start,
            0.03,
            f" {word}\n" if start < free else f" {word}",
            transform=ax.get_xaxis_transform(),
            fontsize=8,
            color=INK,
            va="bottom",
            clip_on=True,
        )
        free = start + LETTER_WIDTH * (len(word) + 2) * (high - low)


def _bounds(ax: Axes, stretch: Stretch, recovered: pd.Series) -> None:
    """Draw up to where each cylinder may be filled, as long as it stood on the scale, and its name."""
    system, label = stretch.job.job.units, "safe fill of the cylinder"
    for load in weigh(stretch).loads:
        limit = limit_of_load(load, stretch.job)
        before = recovered.loc[: load.begin].dropna()
        if limit is None or not load.confirmed:
            continue
        full_kg = (before.iloc[-1] if len(before) else 0.0) + limit[1] - load.begin_kg
        end = stretch.frame.index[-1] if load.end is None else load.end
        start, stop = to_days(pd.DatetimeIndex([load.begin, end]))
        height = display(full_kg, "mass", system)[0]
        ax.hlines(height, start, stop, color=LINES[1], linewidth=1.2, linestyle="--", label=label)
        ax.text(start, height, f" {load.cylinder}", fontsize=8, color=LINES[1], va="bottom", clip_on=True)
        label = "_"
    legend(ax)


def _unnamed(span: Span) -> Span:
    return replace(span, label=" ")


def _reference(stretch: Stretch) -> str:
    for channel in EVAPORATOR_WATER:
        if stretch.has(channel):
            return words(channel.removesuffix("_temperature"))
    return "standing saturation (no water temperature)"


def _mark(ax: Axes, findings: list[Finding]) -> None:
    """Mark findings with a thin line and their word, one height after the other so that words stay apart."""
    low, high = ax.get_xlim()
    for number, finding in enumerate(findings):
        (day,) = to_days(pd.DatetimeIndex([finding.time]))
        late = day > high - LONG_WORD * (high - low)
        ax.axvline(day, color=INK, linewidth=0.7, alpha=0.6)
        ax.text(
            day,
            0.93 - 0.085 * (number % 6),
            f"{_TOLD[finding.kind]} " if late else f" {_TOLD[finding.kind]}",
            transform=ax.get_xaxis_transform(),
            fontsize=8,
            color=LINES[1] if finding.level != "info" else INK,
            va="top",
            ha="right" if late else "left",
            clip_on=True,
        )
