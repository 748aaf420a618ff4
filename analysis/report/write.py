"""The report as one self-contained HTML file, made from the review and nothing else."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from analysis.export import write_whole
from analysis.ledger import balance
from analysis.report import channels_plot, contents, timeline
from analysis.report.plotting import svg_data_uri
from analysis.report.words import GENERAL_CAUTION
from analysis.review import Review
from analysis.vocabulary.text import by_hand, words

REPORT_FILE = "report.html"


def render(review: Review, digests: Mapping[str, str]) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    digests : SHA-256 of each file that the review was made from, by file name.
    """
    environment = Environment(
        loader=PackageLoader("analysis.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "between": contents.between,
        "clock": contents.clock,
        "words": words,
        "by_hand": by_hand,
        "svg": lambda plot: None if plot is None else svg_data_uri(plot),
    }
    ledger = balance(review.stages)
    sealed = json.dumps({"digests": dict(digests), "result": review.to_json()}, ensure_ascii=True, allow_nan=False)
    return environment.get_template("report.html.j2").render(
        job=review.job.job,
        particulars=contents.particulars(review),
        stages=contents.stage_pages(review),
        timeline=timeline.draw(review),
        balance=contents.balance_rows(review, ledger),
        record=contents.record_rows(review, ledger),
        log_findings=contents.log_findings(review),
        channels=channels_plot.draw(review),
        cautions=review.cautions,
        notes=contents.notes(review),
        digests=digests,
        general_caution=GENERAL_CAUTION,
        sealed=sealed.replace("<", "\\u003c"),
    )


def digests_of(files: Mapping[str, Path]) -> dict[str, str]:
    """Return the SHA-256 of each file that exists, by the name it is shown under."""
    digests = {}
    for name, path in files.items():
        if path.is_file():
            with path.open("rb") as file:
                digests[name] = hashlib.file_digest(file, "sha256").hexdigest()
    return digests


def write_report(review: Review, folder: Path, files: Mapping[str, Path]) -> Path:
    """Write `report.html` into `folder` (whole or not at all) and return its path.

    `files` are those the review was made from, by the name they are shown under.
    """
    return write_whole(folder / REPORT_FILE, render(review, digests_of(files)))
