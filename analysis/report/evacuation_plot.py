"""Plot of an evacuation: the vacuum on a log axis with stalls, closings, oil changes, target, and where water boils."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from analysis.report.plotting import INK, LINES, draw_line, legend, new_figure, shade, to_days, unit_of
from analysis.result import Assessment, significant
from analysis.result import Figure as Asked
from analysis.stretch import Stretch
from analysis.vocabulary.text import words
from analysis.vocabulary.units import display

_SHADES = {"stall": "caution", "closed": "note", "hold_passed": "good", "hold_failed": "alarm"}


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when no vacuum was logged."""
    vacuum = assessment.traces.get("vacuum")
    if vacuum is None or vacuum.dropna().empty:
        return None
    system = stretch.job.job.units
    figure, (ax,) = new_figure(1, [1.9])
    ax.set_yscale("log")
    if "water_vapor_pressure" in assessment.traces:
        boils = assessment.traces["water_vapor_pressure"]
        draw_line(ax, boils, "vacuum", system, "water boils at the coldest metal", LINES[4], linestyle="--")
    if "pump_vacuum" in assessment.traces:
        draw_line(ax, assessment.traces["pump_vacuum"], "vacuum", system, "at the pump", LINES[2], linewidth=1.0)
    draw_line(ax, vacuum, "vacuum", system, "circuit", LINES[0], linewidth=1.8)
    for name, colour in (("target", LINES[1]), ("hold_limit", LINES[5])):
        level = assessment.figures.get(name)
        if isinstance(level, Asked):
            height = display(level.si, "vacuum", system)[0]
            ax.axhline(height, color=colour, linewidth=1.5, linestyle="--", label=words(name))
    shade(ax, (s for s in assessment.spans if s.kind != "oil_change"), _SHADES)
    for span in assessment.spans:
        if span.kind == "oil_change":
            at = to_days(pd.DatetimeIndex([span.begin]))[0]
            ax.axvline(at, color=INK, linewidth=1.0, linestyle="-.")
            plain = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}
            ax.text(
                at,
                0.8,
                "oil change",
                fontsize=8,
                color=INK,
                transform=ax.get_xaxis_transform(),
                ha="center",
                bbox=plain,
            )
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: significant(value, 1)))
    ax.yaxis.set_minor_formatter(NullFormatter())
    ax.set_ylabel(f"vacuum [{unit_of('vacuum', system)}]")
    legend(ax)
    return figure
