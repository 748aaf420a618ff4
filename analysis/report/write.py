"""The report: one self-contained HTML file, made from the review and nothing else."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from matplotlib.figure import Figure as Plot

from analysis.report import (
    at_rest_plot,
    charging_plot,
    evacuation_plot,
    pressure_test_plot,
    recovery_plot,
    startup_plot,
    timeline,
)
from analysis.report.plotting import svg_data_uri
from analysis.report.words import CAUTIONS, FIGURE_NAMES, GENERAL_CAUTION, VERDICT_TONE, words
from analysis.result import Assessment, Figure
from analysis.review import Review
from analysis.stretch import Stretch

PLOTS: Mapping[str, Callable[[Stretch, Assessment], Plot | None]] = {
    "at_rest": at_rest_plot.draw,
    "recovery": recovery_plot.draw,
    "pressure_test": pressure_test_plot.draw,
    "evacuation": evacuation_plot.draw,
    "charging": charging_plot.draw,
    "startup": startup_plot.draw,
}
"""The function that draws each stage."""

REPORT_FILE = "report.html"


def render(review: Review, digests: Mapping[str, str]) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    digests : SHA-256 of each file that the review was made from, by file name.
    """
    environment = Environment(
        loader=PackageLoader("analysis.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["when"] = lambda time: time.strftime("%d %b %Y %H:%M")
    environment.filters["clock"] = lambda time: time.strftime("%d %b %H:%M:%S")
    environment.filters["words"] = words
    plot = timeline.draw(review)
    return environment.get_template("report.html.j2").render(
        job=review.job.job,
        circuit=review.job.circuit,
        review=review,
        stages=[_stage(review, number) for number in range(len(review.stages))],
        timeline=None if plot is None else svg_data_uri(plot),
        digests=digests,
        general_caution=GENERAL_CAUTION,
    )


def _stage(review: Review, number: int) -> dict[str, Any]:
    stage = review.stages[number]
    stretch, assessment = stage.stretch, stage.assessment
    system = review.job.job.units
    plot = PLOTS[stretch.stage](stretch, assessment) if len(stretch.frame) else None
    until = stretch.end
    return {
        "name": stretch.stage,
        "begin": stretch.begin,
        "end": until,
        "found_by": stretch.found_by,
        "verdict": assessment.verdict,
        "tone": VERDICT_TONE.get(assessment.verdict, "caution"),
        "text": assessment.text,
        "figures": [
            (FIGURE_NAMES.get(name, words(name)), figure.show(system) if isinstance(figure, Figure) else words(figure))
            for name, figure in assessment.figures.items()
        ],
        "findings": assessment.findings,
        "cautions": CAUTIONS.get(stretch.stage, ()),
        "plot": None if plot is None else svg_data_uri(plot),
    }


def digest(path: Path) -> str:
    """Return the SHA-256 of a file, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_report(review: Review, folder: Path, files: Mapping[str, Path]) -> Path:
    """Write `report.html` into `folder` (whole or not at all) and return its path.

    `files` are those the review was made from, by the name they are shown under.
    """
    html = render(review, {name: digest(path) for name, path in files.items() if path.is_file()})
    return write_whole(folder / REPORT_FILE, html)


def write_whole(path: Path, text: str) -> Path:
    """Write a text file so that no reader ever sees half of it; return its path."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)
    return path
