"""`standwatch ledger`: the balance of a job, its leak rates, and the record to keep."""

from __future__ import annotations

import csv
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.leak_rate import parse_history
from analysis.ledger import balance, record, record_csv
from analysis.log import load
from analysis.review import review
from analysis.vocabulary.errors import InputError
from collector.commands.results import kept_apart, made_from, write_result


def run_ledger(
    path: Path, *, job: Path | None = None, history: Path | None = None, csv_file: Path | None = None
) -> None:
    """Print the record of a job, or write it as CSV.

    Parameters
    ----------
    path : job folder, or a CSV with its `job`.
    history : CSV of what was added before, ``date,added [lb]``.

    Raises
    ------
    InputError
        A file was refused, or the job moved no refrigerant.
    """
    kept_apart([csv_file], [*made_from(path, job).values(), *([] if history is None else [history])])
    try:
        earlier = [] if history is None else parse_history(history.read_text(encoding="utf-8-sig"), str(history))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise InputError(f"{history}: cannot be read; expected a CSV with date,added [lb]") from None
    log, settings = load(path, job)
    ledger = balance(review(log, settings).stages)
    if ledger is None:
        raise InputError(f"{path}: no recovery and no charging in this log; expected one of them")
    kept = record(settings, ledger, log.frame.index[-1].date(), earlier)
    if csv_file is not None:
        write_result(csv_file, record_csv(kept))
        return
    table = Table(title="Record of the service", title_justify="left", show_header=False)
    for what, value in kept.lines:
        table.add_row(Text(what), Text(value))
    console = Console()
    console.print(table)
    for said in ledger.said:
        console.print(Text(said))
    if kept.missing:
        console.print(Text(f"Not known: {', '.join(kept.missing)}."))
    console.print(Text(f"Keep for {kept.keep_years} years (from memory; check the rule that binds you)."))
