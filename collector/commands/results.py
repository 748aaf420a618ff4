"""What a review is made from, and what is written of it: files kept apart, whole, refused in one line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from analysis.export import write_whole
from analysis.review import Review
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE


def made_from(path: Path, job: Path | None) -> dict[str, Path]:
    """Return the files that a review of `path` reads, by the name a report shows."""
    folder = path if path.is_dir() else path.parent
    readings = folder / READINGS_FILE if path.is_dir() else path
    settings = folder / JOB_FILE if job is None else job / JOB_FILE if job.is_dir() else job
    return {JOB_FILE: settings, readings.name: readings, JOURNAL_FILE: folder / JOURNAL_FILE}


def kept_apart(results: Iterable[Path | None], sources: Iterable[Path]) -> None:
    """Refuse a result that would be written over what it is made from, or over another result.

    Raises
    ------
    InputError
        It would.
    """
    taken = {source.resolve() for source in sources}
    for file in (file for file in results if file is not None):
        if file.resolve() in taken:
            raise InputError(f"{file}: is read or written already; expected another file for the result")
        taken.add(file.resolve())


def write_result(file: Path, text: str) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    InputError
        It cannot be written.
    """
    try:
        write_whole(file, text)
    except OSError as error:
        raise InputError(f"{file}: cannot be written ({error.strerror})") from None


def make_reports(result: Review, folder: Path, files: Mapping[str, Path], pdf: bool = False) -> list[Path]:
    """Write the report into `folder`, as HTML and when asked as PDF; return the paths.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    from analysis.report.write import write_report

    try:
        reports = [write_report(result, folder, files)]
        if pdf:
            from analysis.report.pdf import PDF_FILE, render_pdf
            from analysis.report.write import digests_of

            reports.append(write_whole(folder / PDF_FILE, render_pdf(result, digests_of(files))))
    except OSError as error:
        raise InputError(f"{folder}: the report cannot be written ({error.strerror})") from None
    return reports
