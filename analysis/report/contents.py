"""What the report says, before it becomes HTML or PDF."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd
from matplotlib.figure import Figure as Plot

from analysis.ledger import Ledger, keep_line, record, rows
from analysis.report import (
    at_rest_plot,
    charging_plot,
    evacuation_plot,
    pressure_test_plot,
    recovery_plot,
    startup_plot,
)
from analysis.report.gathered import gathered
from analysis.report.words import CAUTIONS, FIGURE_NAMES, tone_of, verdict_said
from analysis.result import TIME_LEFT, Assessment, Figure, FigureValue, Finding, significant
from analysis.review import Review
from analysis.stretch import Stretch
from analysis.vocabulary.channels import CHANNELS
from analysis.vocabulary.text import likely, words
from analysis.vocabulary.units import UnitSystem, display

PLOTS: Mapping[str, Callable[[Stretch, Assessment], Plot | None]] = {
    "at_rest": at_rest_plot.draw,
    "recovery": recovery_plot.draw,
    "pressure_test": pressure_test_plot.draw,
    "evacuation": evacuation_plot.draw,
    "charging": charging_plot.draw,
    "startup": startup_plot.draw,
}
"""The function that draws each stage."""
UNCERTAINTY = "_uncertainty"
UNCERTAINTY_OF: Mapping[str, str] = {"recovered": "uncertainty", "charged": "uncertainty"}
"""Figures whose uncertainty has a name of its own."""
NOT_LISTED = ("loss_per_day", "phase", "remaining", *TIME_LEFT, "hold_fails_in")
"""Figures that the paper tells in another's place, and those of a moment that it does not show."""
NEVER = ("time_to_target",)
"""Figures that are not known because it did not come to pass."""
LEAKS = ("leak_rate", "leak_g", "leak_oz")


@dataclass(frozen=True)
class StagePage:
    """One stage as the report shows it; `figures` are (name, value with unit) pairs."""

    name: str
    begin: pd.Timestamp
    end: pd.Timestamp | None
    found_by: str
    verdict: str
    tone: str
    text: str
    figures: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]
    plot: Plot | None


def stage_pages(review: Review) -> list[StagePage]:
    """Return the pages of a review, one a stage, in the order of the stages."""
    system = review.job.job.units
    pages = []
    for stage in review.stages:
        stretch, assessment = stage.stretch, stage.assessment
        pages.append(
            StagePage(
                name=stretch.stage,
                begin=stretch.told[0],
                end=stretch.end,
                found_by=stretch.told[1],
                verdict=verdict_said(assessment),
                tone=tone_of(assessment),
                text=assessment.text,
                figures=figure_rows(assessment.figures, system),
                findings=tuple(sorted(assessment.findings, key=lambda finding: finding.time)),
                cautions=CAUTIONS.get(stretch.stage, ()),
                plot=PLOTS[stretch.stage](stretch, assessment) if len(stretch.frame) else None,
            )
        )
    return pages


def figure_rows(figures: Mapping[str, FigureValue], system: UnitSystem) -> tuple[tuple[str, str], ...]:
    """Return figures as (name, value with unit) pairs, those with an uncertainty as ``0.10 ± 0.29 degF``.

    Rates of loss are told by the day, as what is allowed is, with the digits that their interval leaves.
    """
    shown = []
    for name, figure in figures.items():
        unsure = figures.get(UNCERTAINTY_OF.get(name, f"{name}{UNCERTAINTY}"))
        if name.endswith(UNCERTAINTY) and name.removesuffix(UNCERTAINTY) in figures:
            continue
        if name in NOT_LISTED or (name in UNCERTAINTY_OF.values() and any(of in figures for of in UNCERTAINTY_OF)):
            continue
        label = FIGURE_NAMES.get(name, words(name))
        if isinstance(figure, str):
            text = words(figure)
        elif isinstance(unsure, Figure):
            text = _with_error(figure, unsure, system)
        elif figure.kind == "pressure_rate":
            text = _by_day(figure, figures.get("smallest_detectable"), system)
        elif figure.kind == "fraction":
            text = likely(figure.si)
        elif figure.kind in LEAKS and figure.si == 0.0:
            text = "none seen"
        else:
            known = figure.si == figure.si or name not in NEVER
            text = figure.show(system, 4 if figure.kind == "gauge_pressure" else 3) if known else "not reached"
        if name in CHANNELS and isinstance(figure, Figure) and figure.kind.endswith("_difference"):
            label += ", off by"
        shown.append((label, text))
    return tuple(shown)


def _by_day(rate: Figure, half: FigureValue | None, system: UnitSystem) -> str:
    """Return a rate of loss by the day, with the digits that half its interval leaves."""
    value, unit = display(24.0 * rate.si, rate.kind, system)
    if not math.isfinite(value):
        return rate.show(system)
    shown = significant(value)
    if isinstance(half, Figure) and 0.0 < half.si < math.inf:
        shown = _rounded(value, display(24.0 * half.si, half.kind, system)[0])
    return f"{shown} {unit.removesuffix('h')}d"


def _with_error(figure: Figure, unsure: Figure, system: UnitSystem) -> str:
    value, unit = display(figure.si, figure.kind, system)
    error = abs(display(unsure.si, unsure.kind, system)[0])
    if not (math.isfinite(value) and 0.0 < error < math.inf):
        return figure.show(system)
    return f"{_rounded(value, error)} ± {_rounded(error, error)} {unit}"


def _rounded(value: float, error: float) -> str:
    """Return a number with two digits of its error."""
    decimals = max(0, 1 - math.floor(math.log10(error)))
    return f"{round(value, decimals) + 0.0:,.{decimals}f}"


def particulars(review: Review) -> list[tuple[str, str]]:
    """Return what the paper is headed with, (label, text) pairs, only what is known."""
    job, index = review.job.job, review.log.frame.index
    rows = [
        ("Site", job.site),
        ("Circuit", job.circuit),
        ("Technician", job.technician),
        ("Reference", job.reference),
        ("Refrigerant", review.job.circuit.refrigerant or ""),
    ]
    if len(index):
        until = f"{index[-1]:%H:%M}" if index[-1].date() == index[0].date() else when(index[-1])
        rows.append(("Recorded", f"{when(index[0])} to {until} UTC, {len(index):,} rows"))
    return [(label, text) for label, text in rows if text]


def log_findings(review: Review) -> list[Finding]:
    """Return the findings that no stage's page shows, channels that failed at one moment gathered into one."""
    shown = [f for stage in review.stages for f in stage.assessment.findings]
    return gathered(f for f in review.findings if f not in shown)


def balance_rows(review: Review, ledger: Ledger | None) -> list[tuple[str, str]]:
    """Return the balance of refrigerant as (label, text) pairs, nothing where none was moved."""
    if ledger is None:
        return []
    return [*rows(ledger, review.job.job.units), *(("Note", said) for said in ledger.said)]


def record_rows(review: Review, ledger: Ledger | None) -> list[tuple[str, str]]:
    """Return the record to keep as (label, text) pairs, nothing where no refrigerant was moved."""
    if ledger is None:
        return []
    kept = record(review.job, ledger, review.log.frame.index[-1].date())
    return [*kept.lines, *([("Not known", ", ".join(kept.missing))] if kept.missing else []), keep_line(kept)]


def notes(review: Review) -> list[tuple[pd.Timestamp, str]]:
    """Return the technician's notes from the journal, (time, text)."""
    journal = review.log.journal
    rows = journal[journal["kind"] == "note"]
    return [(t, str(text or value)) for t, text, value in zip(rows["time"], rows["text"], rows["value"], strict=True)]


def when(time: pd.Timestamp) -> str:
    """Return a time to the minute, ``14 Mar 2026 07:05``."""
    return time.strftime("%d %b %Y %H:%M")


def between(begin: pd.Timestamp, end: pd.Timestamp | None) -> str:
    """Return a stretch of time to the minute, ``14 Mar 07:05 to 09:40``; without an end it still runs."""
    if end is None:
        return f"{begin:%d %b %H:%M} to now (still running)"
    return f"{begin:%d %b %H:%M} to {end.strftime('%H:%M' if end.date() == begin.date() else '%d %b %H:%M')}"


def clock(time: pd.Timestamp) -> str:
    """Return a time to the second, ``14 Mar 07:05:31``."""
    return time.strftime("%d %b %H:%M:%S")
