"""Plot of a standing pressure test: pressure raw and corrected, loss by the hour, temperatures, barometer."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.report.plotting import INK, LINES, draw_line, legend, new_figure, shade, to_days, unit_of
from analysis.result import Assessment
from analysis.stretch import Stretch
from analysis.vocabulary.units import UnitSystem, display

SHADES = {"settling": "note", "judged": "good", "bled": "caution"}


def draw(stretch: Stretch, assessment: Assessment) -> Figure | None:
    """Return the plot, or None when no pressure was read."""
    traces = assessment.traces
    if "pressure" not in traces:
        return None
    system = stretch.job.job.units
    temperatures = [
        (name, word)
        for name, word in (("ambient_temperature", "air"), ("surface_temperature", "metal"))
        if stretch.has(name)
    ]
    judged = "loss_estimate" in traces
    barometer = stretch.has("barometer")
    rows = [1.6] + ([1.1] if judged else []) + ([0.8] if temperatures else []) + ([0.6] if barometer else [])
    figure, axes = new_figure(len(rows), rows)
    rest = iter(axes[1:])
    _pressure(axes[0], assessment, system)
    if judged:
        _loss(next(rest), stretch, assessment, system)
    if temperatures:
        ax = next(rest)
        for (name, word), colour in zip(temperatures, LINES[1:], strict=False):
            draw_line(ax, stretch.channel(name), "temperature", system, word, colour)
        ax.set_ylabel(f"temperature\n[{unit_of('temperature', system)}]")
        legend(ax)
    if barometer:
        ax = next(rest)
        draw_line(ax, stretch.channel("barometer"), "pressure", system, "barometer", LINES[5], linewidth=1.0)
        ax.set_ylabel(f"barometer\n[{unit_of('pressure', system)}]")
    return figure


def _pressure(ax: Axes, assessment: Assessment, system: UnitSystem) -> None:
    traces = assessment.traces
    draw_line(ax, traces["pressure"], "gauge_pressure", system, "as read", LINES[5], linewidth=1.0)
    if "corrected_pressure" in traces:
        corrected = traces["corrected_pressure"]
        draw_line(ax, corrected, "gauge_pressure", system, "at the mean gas temperature", LINES[0], linewidth=1.6)
        low, high = (
            [display(float(v), "gauge_pressure", system)[0] for v in traces[name]]
            for name in ("corrected_low", "corrected_high")
        )
        ax.fill_between(
            to_days(corrected.index),
            low,
            high,
            color=LINES[0],
            alpha=0.18,
            linewidth=0,
            label="loss within its interval",
        )
        shown = traces["pressure"][corrected.index[0] : corrected.index[-1]].dropna().to_numpy(dtype=float)
        both = np.concatenate([shown, corrected.dropna().to_numpy(dtype=float)])
        bounds = [display(float(v), "gauge_pressure", system)[0] for v in (both.min(), both.max())]
        room = max(0.15 * (bounds[1] - bounds[0]), 0.2)
        ax.set_ylim(bounds[0] - room, bounds[1] + room)
    shade(ax, assessment.spans, SHADES)
    ax.set_ylabel(f"pressure\n[{unit_of('gauge_pressure', system)}]")
    legend(ax)


def _loss(ax: Axes, stretch: Stretch, assessment: Assessment, system: UnitSystem) -> None:
    """Draw the loss a day and its interval as the hours narrow it, against what is allowed."""
    day = 86_400.0
    traces = assessment.traces

    def shown(rate: float) -> float:
        return display(rate * day, "pressure_difference", system)[0]

    days = to_days(traces["loss_estimate"].index)
    low, high, estimate = (
        np.array([shown(float(v)) for v in traces[name]]) for name in ("loss_low", "loss_high", "loss_estimate")
    )
    ax.fill_between(days, low, high, color=LINES[4], alpha=0.25, linewidth=0, label="interval of the loss")
    ax.plot(days, estimate, color=LINES[4], linewidth=1.4, label="loss")
    allowed = stretch.job.pressure_test.allowed_loss_pa_per_s
    ax.axhline(0.0, color=INK, linewidth=0.8)
    sure = estimate[low > 0.5 * estimate]
    reach = max(2.5 * float(high[-1] - low[-1]), abs(float(estimate[-1])) * 1.3, 1.1 * float(sure.max(initial=0.0)))
    if allowed is not None:
        ax.axhline(shown(allowed), color=LINES[1], linewidth=1.4, linestyle="--", label="allowed")
        reach = max(reach, 2.0 * shown(allowed))
    room_below = reach if low[-1] < 0.0 else 0.1 * reach
    ax.set_ylim(min(-room_below, float(low[-1])), max(reach, float(high[-1])))
    ax.set_ylabel(f"loss\n[{unit_of('pressure_difference', system)}/d]")
    legend(ax)
