"""`standwatch demo`: a two-day repair of an invented chiller, simulated, through real wires into a real recorder."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.text import Text

from analysis.log import load
from analysis.result import Finding
from analysis.review import Review, review
from analysis.vocabulary.errors import InputError
from collector.bench.job_folder import refuse_foreign
from collector.bench.play import SEED, moment
from collector.bench.scenario import DURATION_S, START_S
from collector.bench.session import run_session
from collector.commands.review import finding_line, made_from, make_reports, print_summary

DEFAULT_FOLDER = Path("standwatch-demo")
LOOK_EVERY_S = 2.0
"""Real seconds between two looks at the growing log."""


@dataclass(frozen=True)
class Pace:
    """How fast the demo runs and how often it records, in simulated seconds."""

    speed: float
    interval_s: float


USUAL = Pace(speed=1_000.0, interval_s=30.0)
FAST = Pace(speed=3_000.0, interval_s=60.0)


def run_demo(
    out: Path = DEFAULT_FOLDER, *, seed: int = SEED, fast: bool = False, console: Console | None = None
) -> Path:
    """Play the demo into a folder, saying what is found as it goes; return the report's path.

    Raises
    ------
    InputError
        The folder holds something that is not a demo.
    """
    refuse_foreign(out)
    console = Console() if console is None else console
    console.print(Text("SIMULATED DATA", style="reverse"), "An invented chiller, two days in a few minutes.")
    console.print(f"Job folder: {out}", soft_wrap=True, highlight=False, markup=False)
    asyncio.run(_play(out, seed, FAST if fast else USUAL, console))
    result = _look(out)
    print_summary(replace(result, findings=()), console)
    (report,) = make_reports(result, out, made_from(out, None))
    console.print(f"Report: {report.resolve()}", soft_wrap=True, highlight=False, markup=False)
    return report


async def _play(folder: Path, seed: int, pace: Pace, console: Console) -> None:
    bar = Progress(
        TextColumn("{task.fields[now]}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn(),
        console=console, transient=True, refresh_per_second=4, disable=not console.is_terminal,
    )  # fmt: skip
    # spawned, not forked: this process has threads and open wires
    context = multiprocessing.get_context("spawn")
    with bar, ProcessPoolExecutor(1, mp_context=context, initializer=_quiet) as reviewer:
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
        _tell(await asyncio.get_running_loop().run_in_executor(reviewer, _findings, folder), seen, console)


def _tick(bar: Progress, task: TaskID, seconds: float) -> None:
    bar.update(task, completed=seconds - START_S, now=f"{moment(seconds):%d %b %H:%M}")


async def _watch(folder: Path, reviewer: Executor, seen: set[tuple[object, ...]], console: Console) -> None:
    """Review the growing log again and again, in a process of its own, and say what is new."""
    loop = asyncio.get_running_loop()
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        with suppress(InputError):  # no row yet
            _tell(await loop.run_in_executor(reviewer, _findings, folder), seen, console)


def _quiet() -> None:
    """Leave Ctrl-C to the parent, and the processor to the recorder."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(10)


def _look(folder: Path) -> Review:
    log, job = load(folder)
    return review(log, job)


def _findings(folder: Path) -> tuple[Finding, ...]:
    return _look(folder).findings


def _tell(findings: tuple[Finding, ...], seen: set[tuple[object, ...]], console: Console) -> None:
    for finding in findings:
        key = (finding.time, finding.stage, finding.kind, finding.text)
        if key in seen:
            continue
        seen.add(key)
        console.print(finding_line(finding))
