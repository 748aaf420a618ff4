"""Plot of a charging: mass in against the target, and saturation against freezing."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from analysis.charging import target_of
from analysis.report.plotting import INK, LINES, SHADES, draw_line, legend, new_figure, shade, to_days, unit_of
from analysis.result import Assessment
from analysis.stretch import Stretch
from analysis.vocabulary.units import display

MOST_BELOW_FREEZING = 50.0
"""So many degrees of the display are shown below freezing: in the vacuum before, saturation stands anywhere below."""


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when neither mass nor saturation was known."""
    charged, saturation = assessment.traces.get("charged"), assessment.traces.get("saturation")
    has_mass = charged is not None and bool(charged.notna().any())
    has_saturation = saturation is not None and bool(saturation.notna().any())
    if not has_mass and not has_saturation:
        return None
    system = stretch.job.job.units
    figure, axes = new_figure(has_mass + has_saturation, [1.4, 1.0][: has_mass + has_saturation])
    if has_mass and charged is not None:
        ax = axes[0]
        target = target_of(stretch)
        if target is not None:
            low, middle, high = (
                display(target.mass_kg + d, "mass", system)[0] for d in (-target.tolerance_kg, 0.0, target.tolerance_kg)
            )
            ax.axhspan(low, high, color=SHADES["good"], linewidth=0, zorder=0.5)
            ax.axhline(middle, color=INK, linewidth=1.0, linestyle="--", label=f"target {target.said(system)}")
        draw_line(ax, charged, "mass", system, "charged by the scale", LINES[0], linewidth=1.8)
        shade(ax, assessment.spans, {"cylinder": "note"})
        ax.set_ylabel(f"charged [{unit_of('mass', system)}]")
        ax.margins(y=0.12)
        legend(ax)
    if has_saturation and saturation is not None:
        ax = axes[-1]
        draw_line(ax, saturation, "temperature", system, "saturation in the circuit (bubble point)", LINES[1])
        freezes = display(stretch.job.circuit.freezes_at_k, "temperature", system)[0]
        ax.axhline(freezes, color=LINES[4], linewidth=1.0, linestyle="--", label="water side freezes")
        risks = [f.time for f in assessment.findings if f.kind == "freeze_risk"]
        for number, at in enumerate(to_days(pd.DatetimeIndex(risks))):
            ax.axvline(float(at), color=LINES[1], linewidth=1.6, label="_" if number else "freeze risk told")
        ax.set_ylim(bottom=max(ax.get_ylim()[0], freezes - MOST_BELOW_FREEZING))
        ax.set_ylabel(f"temperature [{unit_of('temperature', system)}]")
        legend(ax)
    return figure
