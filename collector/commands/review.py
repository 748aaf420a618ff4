"""`standwatch review`: the log judged, as text, JSON, CSV and report."""

from __future__ import annotations

import json
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.export import findings_csv
from analysis.log import load
from analysis.report.gathered import gathered
from analysis.report.words import GENERAL_CAUTION, tone_of, verdict_said
from analysis.result import Finding
from analysis.review import Review, review
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job import JOB_FILE
from analysis.vocabulary.text import words
from collector.commands.results import kept_apart, made_from, make_reports, write_result

_STYLES = {"good": "green", "caution": "yellow", "alarm": "bold red", "info": "default"}
_MARKS = {"info": " ", "caution": "!", "alarm": "!!"}


def run_review(
    path: Path,
    job: Path | None = None,
    json_file: Path | None = None,
    csv_file: Path | None = None,
    pdf: bool = False,
    workers: int = -1,
    dask: str | None = None,
) -> None:
    """Review a job folder, a CSV with its `job.toml` given apart, or a folder of job folders.

    With `json_file` or `csv_file` only those are made and nothing is written into the job folder; otherwise the
    summary is printed and `report.html` (and `report.pdf`) written there. A folder of jobs is reviewed on
    `workers` processes (-1: every core), or on the Dask cluster at `dask`, and gets an `index.html`.

    Raises
    ------
    InputError
        The input was refused, or a result cannot be written.
    """
    if workers == 0:
        raise refused("--workers", workers, "a number of processes, or -1 for every core")
    if path.is_dir() and job is None and not (path / JOB_FILE).exists():
        jobs = sorted(file.parent for file in path.glob(f"*/{JOB_FILE}"))
        if jobs:
            if json_file is not None or csv_file is not None or pdf:
                raise InputError(f"{path}: holds {len(jobs)} jobs; --json, --csv and --pdf take one job folder")
            from collector.commands.review_many import review_many

            review_many(path, jobs, workers, dask)
            return
    kept_apart([json_file, csv_file], made_from(path, job).values())
    log, settings = load(path, job)
    result = review(log, settings)
    if json_file is not None:
        write_result(json_file, json.dumps(result.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    if csv_file is not None:
        write_result(csv_file, findings_csv(result))
    if json_file is not None or csv_file is not None:
        return
    folder = path if path.is_dir() else path.parent
    console = Console()
    try:
        reports = make_reports(result, folder, made_from(path, job), pdf)
    finally:  # behind the report, because its reader may stop reading; and also where no report can be written
        print_summary(result, console)
    for report in reports:
        console.print(f"Report: {report}", soft_wrap=True, highlight=False, markup=False)


def run_verify(path: Path, job: Path | None = None, report: Path | None = None) -> None:
    """Check a report against the files of its job; say what differs.

    Raises
    ------
    InputError
        Something differs (all of it in one line), or the report cannot be read.
    """
    from analysis.report.verify import differences
    from analysis.report.write import REPORT_FILE

    log, settings = load(path, job)
    folder = path if path.is_dir() else path.parent
    file = report if report is not None else folder / REPORT_FILE
    found = differences(file, review(log, settings), made_from(path, job))
    if found:
        raise InputError(f"{file}: does not hold. {' '.join(found)}")
    Console().print(f"{file}: holds, made from the files as they are.", soft_wrap=True, highlight=False, markup=False)


def print_summary(result: Review, console: Console) -> None:
    """Print verdicts first, then findings, then what was odd about the log."""
    if result.job.job.simulated:
        console.print(Text("SIMULATED DATA", style="reverse"))
    table = Table(title=Text(result.job.job.name), title_justify="left")
    for heading in ("stage", "verdict", "in words"):
        table.add_column(heading)
    for stage in result.stages:
        table.add_row(
            words(stage.stretch.stage),
            Text(verdict_said(stage.assessment), style=_STYLES[tone_of(stage.assessment)]),
            Text(stage.assessment.text),
        )
    if result.stages:
        console.print(table)
    else:
        console.print("No stage is known in this log: nothing was judged.")
    for finding in gathered(result.findings):
        console.print(finding_line(finding))
    for caution in result.cautions:
        console.print(Text(f"Log: {caution}"))
    console.print(Text(GENERAL_CAUTION, style="dim"))


def finding_line(finding: Finding) -> Text:
    """Return one finding as a line for a terminal."""
    line = f"{finding.time:%d %b %H:%M} {_MARKS[finding.level]:2} {words(finding.kind)}: {finding.text}"
    return Text(line, style=_STYLES[finding.level])
