"""Many jobs reviewed at once, on every core or on a cluster, with an index of their verdicts."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import joblib
from jinja2 import Environment, PackageLoader, StrictUndefined
from rich.console import Console
from rich.progress import track

from analysis.log import load
from analysis.report.words import tone_of, verdict_said
from analysis.review import review
from analysis.vocabulary.errors import InputError, StandwatchError
from analysis.vocabulary.text import one_line, words
from collector.commands.results import made_from, make_reports, write_result

INDEX_FILE = "index.html"
CLUSTER_WITHIN_S = 10.0


@dataclass(frozen=True)
class JobLine:
    """One job in the index: its folder's name, its verdicts as (stage, verdict, tone), or why it was refused.

    `about`: where, which circuit, and when, as far as known.
    """

    folder: str
    name: str
    verdicts: tuple[tuple[str, str, str], ...]
    refused: str = ""
    about: str = ""


def review_one(folder: Path) -> JobLine:
    """Review one job folder and write its report; a refusal, or a fault of ours, is a line, never an exception."""
    try:
        log, job = load(folder)
        result = review(log, job)
        make_reports(result, folder, made_from(folder, None))
    except StandwatchError as error:
        return JobLine(folder.name, folder.name, (), str(error).replace(f"{folder}/", ""))
    except Exception as error:  # noqa: BLE001  a fault of the program in one job is no reason to lose the others
        return JobLine(folder.name, folder.name, (), f"something went wrong inside ({type(error).__name__}: {error})")
    verdicts = tuple((words(s.stretch.stage), verdict_said(s.assessment), tone_of(s.assessment)) for s in result.stages)
    days = list(dict.fromkeys(f"{at:%d %b %Y}" for at in log.frame.index[[0, -1]])) if len(log.frame) else []
    which = "" if folder.name == job.job.name else folder.name  # visits to one machine are called alike
    about = " · ".join(filter(None, (which, job.job.site, job.job.circuit, " to ".join(days))))
    return JobLine(folder.name, job.job.name, verdicts, about=about)


@contextlib.contextmanager
def _backend(workers: int, dask: str | None) -> Iterator[None]:
    if dask is None:
        with joblib.parallel_config("loky", n_jobs=workers):
            yield
        return
    try:
        from distributed import Client
    except ImportError:
        raise InputError("--dask: Dask is not installed; expected pip install 'standwatch[fleet]'") from None
    try:
        client = Client(dask, timeout=CLUSTER_WITHIN_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise InputError(f"--dask: no cluster answers at {dask!r} ({error})") from None
    with client, joblib.parallel_config("dask"):
        yield


def review_many(folder: Path, jobs: Sequence[Path], workers: int = -1, dask: str | None = None) -> list[JobLine]:
    """Review every job folder, write `index.html` into `folder`, print a line a job and return the lines.

    Parameters
    ----------
    workers : processes; -1 for every core.
    dask : address of a Dask scheduler whose workers see the same folders, or None.

    Raises
    ------
    InputError
        No cluster at `dask`, or the index cannot be written.
    """
    console = Console()
    with _backend(workers, dask):
        tasks = (joblib.delayed(review_one)(path.resolve()) for path in jobs)
        done = joblib.Parallel(return_as="generator")(tasks) if dask is None else joblib.Parallel()(tasks)
        lines = list(track(done, "Reviewing", len(jobs), console=console))
    for line in lines:
        said = (
            line.refused or ", ".join(f"{stage}: {verdict}" for stage, verdict, _ in line.verdicts) or "no stage known"
        )
        console.print(one_line(f"{line.folder}: {said}"), soft_wrap=True, highlight=False, markup=False)
    environment = Environment(
        loader=PackageLoader("analysis.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    html = environment.get_template("index.html.j2").render(lines=lines)
    write_result(folder / INDEX_FILE, html)
    console.print(f"Index: {folder / INDEX_FILE}", soft_wrap=True, highlight=False, markup=False)
    return lines
