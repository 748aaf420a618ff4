"""`standwatch review`: the log judged, as text, JSON and report."""

from __future__ import annotations

import json
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.log import load
from analysis.report.words import GENERAL_CAUTION, VERDICT_TONE, words
from analysis.report.write import write_report, write_whole
from analysis.review import Review, review
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE

_STYLES = {"good": "green", "caution": "yellow", "alarm": "bold red", "info": "default"}


def run_review(path: Path, job: Path | None = None, json_file: Path | None = None) -> None:
    """Review a job folder, or a CSV with its `job.toml` given apart.

    With `json_file` only the JSON result is made; otherwise the summary is printed and `report.html` written
    into the folder.

    Raises
    ------
    InputError
        The input was refused, or the result cannot be written.
    """
    log, settings = load(path, job)
    result = review(log, settings)
    if json_file is not None:
        text = json.dumps(result.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        try:
            write_whole(json_file, text)
        except OSError as error:
            raise InputError(f"{json_file}: cannot be written ({error.strerror})") from None
        return
    console = Console()
    print_summary(result, console)
    folder = path if path.is_dir() else path.parent
    readings = folder / READINGS_FILE if path.is_dir() else path
    files = {JOB_FILE: job or folder / JOB_FILE, readings.name: readings, JOURNAL_FILE: folder / JOURNAL_FILE}
    try:
        report = write_report(result, folder, files)
    except OSError as error:
        raise InputError(f"{folder}: the report cannot be written ({error.strerror})") from None
    console.print(f"Report: {report}", soft_wrap=True, highlight=False, markup=False)


def print_summary(result: Review, console: Console) -> None:
    """Print verdicts first, then findings, then what was odd about the log."""
    if result.job.job.simulated:
        console.print(Text("SIMULATED DATA", style="reverse"))
    table = Table(title=Text(result.job.job.name), title_justify="left", show_lines=False)
    for heading in ("stage", "verdict", "in words"):
        table.add_column(heading)
    for stage in result.stages:
        verdict = stage.assessment.verdict
        table.add_row(
            words(stage.stretch.stage),
            Text(words(verdict), style=_STYLES[VERDICT_TONE.get(verdict, "caution")]),
            Text(stage.assessment.text),
        )
    if result.stages:
        console.print(table)
    else:
        console.print("No stage is known in this log: nothing was judged.")
    for finding in result.findings:
        mark = {"info": " ", "caution": "!", "alarm": "!!"}[finding.level]
        line = f"{finding.time:%d %b %H:%M} {mark:2} {words(finding.kind)}: {finding.text}"
        console.print(Text(line, style=_STYLES[finding.level]))
    for caution in result.cautions:
        console.print(Text(f"Log: {caution}"))
    console.print(Text(GENERAL_CAUTION, style="dim"))
