"""Files for others: tables with nothing in them that a spreadsheet would run, and nothing half written."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

from analysis.result import Figure, stamp
from analysis.review import Review

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def csv_text(rows: Iterable[Sequence[object]]) -> str:
    """Return rows as RFC 4180 CSV (CRLF), text cells that a spreadsheet would take for a formula defused by a quote.

    Numbers stay numbers; a leading apostrophe is put before text that begins with one of ``= + - @``, tab or return
    (OWASP, CSV injection).
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    for row in rows:
        writer.writerow(
            [f"'{cell}" if isinstance(cell, str) and cell.startswith(_STARTS_A_FORMULA) else cell for cell in row]
        )
    return buffer.getvalue()


def findings_csv(review: Review) -> str:
    """Return one row a figure of each finding: time, since, stage, kind, level, figure, value, unit, text."""
    rows: list[Sequence[object]] = [("time", "since", "stage", "kind", "level", "figure", "value", "unit", "text")]
    system = review.job.job.units
    for f in review.findings:
        head = (stamp(f.time), stamp(f.since), f.stage, f.kind, f.level)
        for name, figure in f.figures.items() or [("", "")]:
            shown = figure.to_json(system) if isinstance(figure, Figure) else {"value": figure, "unit": ""}
            rows.append((*head, name, shown["value"], shown["unit"], f.text))
    return csv_text(rows)


def write_whole(path: Path, data: str | bytes) -> Path:
    """Write a file so that no reader ever sees half of it; return its path.

    A device or a pipe such as /dev/stdout is written to and never replaced; a link keeps pointing where it points.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    if path.exists() and not path.is_file():
        path.write_bytes(raw)
        return path
    real = path.resolve()
    part = real.with_name(real.name + ".part")
    try:
        part.write_bytes(raw)
        part.replace(real)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    return path
