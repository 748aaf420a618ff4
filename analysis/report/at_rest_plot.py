"""Plot of a circuit at rest: every temperature, and the saturation temperature of every pressure."""

from __future__ import annotations

from matplotlib.figure import Figure

from analysis.report.plotting import LINES, draw_line, legend, new_figure, unit_of
from analysis.result import Assessment
from analysis.stretch import Stretch


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when nothing could be compared."""
    if not assessment.traces:
        return None
    system = stretch.job.job.units
    figure, (ax,) = new_figure(1, [1.6])
    for number, (channel, trace) in enumerate(assessment.traces.items()):
        label = channel.replace("_", " ").replace("pressure", "pressure, saturation")
        dashes = ("-", "--", ":")[number // len(LINES) % 3]
        draw_line(ax, trace, "temperature", system, label, LINES[number % len(LINES)], linestyle=dashes)
    ax.set_ylabel(f"temperature [{unit_of('temperature', system)}]")
    legend(ax)
    return figure
