"""`standwatch review`: the log judged, as text, JSON, CSV and report."""

from __future__ import annotations

import json
from pathlib import Path

from analysis.export import findings_csv
from analysis.log import load
from analysis.review import review
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job import JOB_FILE
from collector.commands.results import kept_apart, made_from, make_reports, write_result


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
    from rich.console import Console

    from collector.commands.summary import print_summary

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
    from rich.console import Console

    from analysis.report.verify import differences
    from analysis.report.write import REPORT_FILE

    log, settings = load(path, job)
    folder = path if path.is_dir() else path.parent
    file = report if report is not None else folder / REPORT_FILE
    found = differences(file, review(log, settings), made_from(path, job))
    if found:
        raise InputError(f"{file}: does not hold. {' '.join(found)}")
    Console().print(f"{file}: holds, made from the files as they are.", soft_wrap=True, highlight=False, markup=False)
