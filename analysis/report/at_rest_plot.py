"""Plot of a circuit at rest: temperatures and saturation temperatures of pressures, those that disagree in colour."""

from __future__ import annotations

from matplotlib.figure import Figure

from analysis.report.plotting import LINES, draw_line, legend, new_figure, unit_of
from analysis.result import Assessment
from analysis.stretch import Stretch
from analysis.vocabulary.text import words


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when nothing could be compared."""
    if not assessment.traces:
        return None
    system = stretch.job.job.units
    figure, (ax,) = new_figure(1, [1.6])
    liars = [f.figures.get("channel") for f in assessment.findings if f.kind == "sensor_disagrees"]
    others = [channel for channel in assessment.traces if channel not in liars]
    for number, channel in enumerate(others):
        who = "the others" if liars else "channels"
        label = "_" if number else f"{who} ({len(others)}; of pressures their saturation)"
        draw_line(ax, assessment.traces[channel], "temperature", system, label, LINES[-1], linewidth=0.8, alpha=0.7)
    for number, channel in enumerate(dict.fromkeys(map(str, liars))):
        if channel in assessment.traces:
            label, colour = words(channel), LINES[(number + 1) % (len(LINES) - 1)]
            draw_line(ax, assessment.traces[channel], "temperature", system, label, colour, linewidth=2.2)
    ax.set_ylabel(f"temperature [{unit_of('temperature', system)}]")
    legend(ax)
    return figure
