"""`standwatch demo`: a two-day repair of an invented chiller, simulated, through real wires into a real recorder."""

from __future__ import annotations

import asyncio
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.text import Text

from analysis.log import load
from analysis.result import Finding
from analysis.review import review
from analysis.vocabulary.errors import InputError
from collector.bench.job_folder import make_ready
from collector.bench.play import SEED, moment
from collector.bench.reviewer import Reviewer
from collector.bench.scenario import DURATION_S, START_S
from collector.bench.session import run_session
from collector.commands.results import made_from, make_reports
from collector.commands.summary import finding_line, print_summary

LOOK_EVERY_S = 2.0
"""Real seconds between two looks at the growing log."""


@dataclass(frozen=True)
class Pace:
    """How fast the demo runs and how often it records, in simulated seconds."""

    speed: float
    interval_s: float


USUAL = Pace(speed=1_000.0, interval_s=30.0)
FAST = Pace(speed=3_000.0, interval_s=60.0)


def run_demo(out: Path, *, seed: int = SEED, fast: bool = False, console: Console | None = None) -> Path:
    """Play the demo into a folder, saying what is found as it goes; return the report's path.

    Raises
    ------
    InputError
        The folder holds something that is not a demo, or cannot be written.
    """
    make_ready(out)
    console = Console() if console is None else console
    console.print(Text("SIMULATED DATA", style="reverse"), "An invented chiller, two days in a few minutes.")
    console.print(f"Job folder: {out}", soft_wrap=True, highlight=False, markup=False)
    try:
        asyncio.run(_play(out, seed, FAST if fast else USUAL, console))
    except KeyboardInterrupt:
        console.print(f"Stopped. What was recorded is in {out}", soft_wrap=True, highlight=False, markup=False)
        raise
    result = review(*load(out))
    print_summary(replace(result, findings=()), console)
    (report,) = make_reports(result, out, made_from(out, None))
    console.print(f"Report: {report.resolve()}", soft_wrap=True, highlight=False, markup=False)
    return report


async def _play(folder: Path, seed: int, pace: Pace, console: Console) -> None:
    bar = Progress(
        TextColumn("{task.fields[now]}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn(),
        console=console, transient=True, refresh_per_second=4, disable=not console.is_terminal,
    )  # fmt: skip
    with bar, closing(Reviewer()) as reviewer:
        task = bar.add_task("", total=DURATION_S, now="")
        seen: set[tuple[object, ...]] = set()
        watching = asyncio.create_task(_watch(folder, reviewer, seen, console), name="reviewer")
        try:
            await run_session(
                folder, seed=seed, speed=pace.speed, interval_s=pace.interval_s,
                tick=lambda seconds: _tick(bar, task, seconds),
            )  # fmt: skip
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)
        _tell(await reviewer.findings(folder), seen, console)


def _tick(bar: Progress, task: TaskID, seconds: float) -> None:
    bar.update(task, completed=seconds - START_S, now=f"{moment(seconds):%d %b %H:%M}")


async def _watch(folder: Path, reviewer: Reviewer, seen: set[tuple[object, ...]], console: Console) -> None:
    """Say what is new in the growing log."""
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        with suppress(InputError):  # no row yet
            _tell(await reviewer.findings(folder), seen, console)


def _tell(findings: tuple[Finding, ...], seen: set[tuple[object, ...]], console: Console) -> None:
    for finding in findings:
        key = (finding.time, finding.stage, finding.kind, finding.text)
        if key in seen:
            continue
        seen.add(key)
        console.print(finding_line(finding))
