"""Plot of the channels that nothing is judged by, and of every channel of a log in which no stage is known."""

from __future__ import annotations

from matplotlib.figure import Figure

from analysis.report.plotting import LINES, legend, new_figure, thin, to_days
from analysis.review import Review
from analysis.vocabulary.channels import CHANNELS
from analysis.vocabulary.text import by_hand, words

MOST_PLOTS, MOST_LINES, LONGEST_LABEL = 6, 10, 30


def draw(review: Review) -> Figure | None:
    """Return one plot a unit, in the units of the log, or None where there is nothing to draw."""
    log = review.log
    groups: dict[str, list[str]] = {}
    for name, column in log.columns.items():
        if (name not in CHANNELS or not review.stages) and log.frame[name].notna().any():
            groups.setdefault(column.unit.symbol, []).append(name)
    shown = list(groups.items())[:MOST_PLOTS]
    if not shown:
        return None
    figure, axes = new_figure(len(shown), [0.8] * len(shown))
    for ax, (unit, names) in zip(axes, shown, strict=True):
        for number, name in enumerate(names[:MOST_LINES]):
            series = thin(log.columns[name].unit.number(log.frame[name], log.barometer_pa))
            label = words(name) if len(name) <= LONGEST_LABEL else f"{words(name)[: LONGEST_LABEL - 1]}…"
            colour, style = LINES[number % len(LINES)], "-" if number < len(LINES) else "--"
            ax.plot(to_days(series.index), series.to_numpy(), color=colour, linestyle=style, linewidth=1.2, label=label)
        ax.set_ylabel(f"[{by_hand(unit)}]")
        legend(ax, 3)
    return figure
