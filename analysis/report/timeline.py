"""The job at a glance: which stage ran when, and where something was found."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from analysis.report.plotting import INK, LINES, SHADES, new_figure, to_days
from analysis.review import Review
from analysis.vocabulary.text import words

_MARKERS = {"info": ("o", LINES[0], 0.16), "caution": ("^", LINES[3], 0.0), "alarm": ("X", LINES[1], -0.16)}
"""Sign, colour and how far under the middle of its stage each level stands: in one minute none covers another."""


def draw(review: Review) -> Figure | None:
    """Return the timeline, or None when no stage is known."""
    if not review.stages:
        return None
    names = list(dict.fromkeys(stage.stretch.stage for stage in review.stages))
    figure, (ax,) = new_figure(1, [0.2 + 0.14 * len(names)])
    last = review.log.frame.index[-1] if len(review.log.frame) else review.stages[-1].stretch.begin
    for stage in review.stages:
        begin, end = to_days(pd.DatetimeIndex([stage.stretch.begin, stage.stretch.end or last]))
        ax.barh(names.index(stage.stretch.stage), end - begin, left=begin, height=0.55, color=SHADES["note"], zorder=1)
    for level, (marker, colour, under) in _MARKERS.items():
        found = [f for f in review.findings if f.level == level and f.stage in names]
        if found:
            ax.scatter(
                to_days(pd.DatetimeIndex([f.time for f in found])),
                [names.index(f.stage) + under for f in found],
                marker=marker,
                color=colour,
                s=34,
                zorder=3,
                label=level,
            )
    ax.set_yticks(range(len(names)), [words(name) for name in names], color=INK)
    ax.set_ylim(len(names) - 0.4, -0.6)
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="upper center", bbox_to_anchor=(0.5, 1.22), ncols=3, fontsize=8, frameon=False)
    return figure
