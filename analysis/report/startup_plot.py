"""Plot of a start-up: the judged figures with the steady windows shaded, and the load."""

from __future__ import annotations

from matplotlib.figure import Figure

from analysis.report.plotting import LINES, draw_line, legend, new_figure, shade, unit_of
from analysis.result import Assessment
from analysis.stretch import Stretch
from analysis.vocabulary.job import STARTUP_FIGURES
from analysis.vocabulary.text import words


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when the circuit gave no figure."""
    system = stretch.job.job.units
    differences = [n for n in assessment.traces if STARTUP_FIGURES.get(n) == "temperature_difference"]
    others = [n for n in ("oil_filter_drop", "compressor_load") if n in assessment.traces]
    if not differences and not others:
        return None
    rows = ([1.5] if differences else []) + [0.7] * len(others)
    figure, axes = new_figure(len(rows), rows)
    if differences:
        for number, name in enumerate(differences):
            draw_line(
                axes[0],
                assessment.traces[name],
                "temperature_difference",
                system,
                words(name),
                LINES[number],
            )
        axes[0].set_ylabel(f"difference [{unit_of('temperature_difference', system)}]")
        legend(axes[0])
    for ax, name in zip(axes[len(rows) - len(others) :], others, strict=True):
        kind = "fraction" if name == "compressor_load" else "pressure_difference"
        draw_line(ax, assessment.traces[name], kind, system, words(name), LINES[0])
        ax.set_ylabel(f"{words(name).replace('compressor ', '')} [{unit_of(kind, system)}]", fontsize=8)
    for ax in axes:
        shade(ax, assessment.spans if ax is axes[0] else (), {"steady": "good"})
    return figure
