"""The command `standwatch`. What is heavy is imported when its command runs."""

from __future__ import annotations

import contextlib
import logging
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, CycloptsError, Parameter

from analysis.vocabulary.errors import InputError, StandwatchError, refused
from collector.terminal import warn

logging.getLogger("matplotlib").setLevel(logging.ERROR)  # a home that cannot be written is no news to the user
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the matrices of a review are small: threads only wait in turn

app = App(
    name="standwatch",
    help="Watches over a chiller or refrigeration repair: records, judges, reports.",
    version=lambda: __import__("importlib.metadata", fromlist=["version"]).version("standwatch"),
    default_parameter=Parameter(negative=()),
    suppress_keyboard_interrupt=False,  # `main` says it
)


JobFolder = Annotated[Path, Parameter(help="folder that holds job.toml")]
LogPath = Annotated[Path, Parameter(help="job folder, or a CSV with --job")]
JobOfCsv = Annotated[Path | None, Parameter(help="job.toml for a CSV that stands alone")]
Signed = Annotated[str, Parameter(allow_leading_hyphen=True)]
"""A quantity that may begin with a minus, such as "-10 degF"."""


@app.command
def record(job: JobFolder, /) -> None:
    """Record a job's instruments until interrupted."""
    import asyncio

    from collector.recorder import Recorder
    from collector.recorder import record as run

    def started(recorder: Recorder) -> None:
        with contextlib.suppress(OSError):  # nobody may be looking any more
            print("\n".join(recorder.about()), flush=True)

    asyncio.run(run(job, started))


@app.command
def watch(job: JobFolder, /, *, headless: bool = False, share: bool = False, port: int | None = None) -> None:
    """Record a job, judge it as it grows, and show it on a page until interrupted.

    Parameters
    ----------
    headless
        no page, a line a minute instead
    share
        let others on this network see the page, with an access code; not encrypted
    port
        port of the page
    """
    from collector.commands.watch import run_watch

    run_watch(job, headless, share, port)


@app.command
def mark(job: JobFolder, subject: str, value: str = "", /, *, text: str = "") -> None:
    """Put a mark into the journal, such as oil_change or cylinder_on with its id.

    Parameters
    ----------
    subject
        what was done, such as oil_change; a word that is not known brings the list of all
    value
        the cylinder's id, for cylinder_on and cylinder_off
    text
        a remark beside it
    """
    _send(job, "mark", subject, value, text)


@app.command
def note(job: JobFolder, text: str, /) -> None:
    """Put a note into the journal.

    Parameters
    ----------
    text
        the note
    """
    _send(job, "note", "", "", text)


@app.command
def acknowledge(job: JobFolder, name: str = "", /) -> None:
    """Acknowledge an alarm by its name, or all that are open: it is not repeated any more.

    Parameters
    ----------
    name
        the alarm as the page and the message name it; all when not given
    """
    from analysis.vocabulary.job import JOURNAL_FILE, load_job
    from collector.follow.alarm_log import meant, open_alarms

    if not load_job(job).alarm:
        raise InputError(f"{job}: no [[alarm]] in the job; expected at least one")
    waiting = open_alarms(job / JOURNAL_FILE)
    if waiting and not any(meant(name, each) for each in waiting):
        raise refused("acknowledge", name, ", ".join(waiting))
    _send(job, "note", "alarm", "acknowledged", name)


@app.command
def alarm_test(job: JobFolder, /) -> None:
    """Send a test message through every target of every alarm of a job."""
    from collector.commands.alarm_test import run_alarm_test

    run_alarm_test(job)


@app.command
def gather(
    out: Path,
    /,
    *,
    broker: str,
    topic: str | None = None,
    ca_file: str | None = None,
    username_env: str | None = None,
    password_env: str | None = None,
    password_file: str | None = None,
    send_env: tuple[str, ...] = (),
) -> None:
    """Write the jobs that many laptops publish into one folder, as they grow.

    Parameters
    ----------
    out
        folder of job folders
    broker
        mqtt://HOST:1883 or mqtts://HOST:8883
    topic
        as in [publish]
    ca_file
        certificates to trust
    username_env
        environment variable that holds the user
    password_env
        environment variable that holds the password
    password_file
        file, mode 600, that holds the password
    send_env
        environment variable that holds an address to tell when a laptop or recorder is gone
    """
    from collector.commands.gather import run_gather

    settings = {"broker": broker, "topic": topic, "ca_file": ca_file, "username_env": username_env}
    run_gather(out, settings | {"password_env": password_env, "password_file": password_file}, send_env)


@app.command
def stage(job: JobFolder, what: Literal["begin", "end"], name: str, /) -> None:
    """Begin or end a stage.

    Parameters
    ----------
    what
        begin or end
    name
        recovery, pressure_test, evacuation, charging, startup or at_rest
    """
    _send(job, "stage", name, what, "")


def _send(job: Path, kind: str, subject: str, value: str, text: str) -> None:
    from analysis.vocabulary.job import load_job
    from collector.control import send
    from collector.entries import Entry, said

    known = [cylinder.id for cylinder in load_job(job).cylinder]
    named = subject == "cylinder_on" or (subject == "cylinder_off" and value)
    if named and known and value not in known:
        raise refused(subject, value, "a [[cylinder]] id of the job: " + ", ".join(known))
    entry = Entry(kind, subject, value, text)
    send(job, entry)
    print(f"in the journal: {said(entry)}")


@app.command
def review(
    path: Path,
    /,
    *,
    job: JobOfCsv = None,
    json: Path | None = None,
    csv: Path | None = None,
    pdf: bool = False,
    workers: int = -1,
    dask: str | None = None,
) -> None:
    """Judge a log: summary and report, or only the JSON or CSV.

    Parameters
    ----------
    path
        job folder, a CSV with --job, or a folder of job folders
    json
        write the whole result there and nothing else
    csv
        write the findings there and nothing else
    pdf
        make report.pdf as well
    workers
        processes for a folder of jobs, -1 for every core
    dask
        address of a Dask scheduler to review a folder of jobs on
    """
    from collector.commands.review import run_review

    run_review(path, job, json, csv, pdf, workers, dask)


@app.command
def verify(path: LogPath, /, *, job: JobOfCsv = None, report: Path | None = None) -> None:
    """Check a report against the files it was made from.

    Parameters
    ----------
    report
        the report, when it is not the folder's report.html
    """
    from collector.commands.review import run_verify

    run_verify(path, job, report)


@app.command
def ledger(path: LogPath, /, *, job: JobOfCsv = None, history: Path | None = None, csv: Path | None = None) -> None:
    """Show what was recovered, charged and kept, the leak rates, and the record to keep.

    Parameters
    ----------
    history
        CSV of what was added before: date,added [lb]
    csv
        write the record there instead
    """
    from collector.commands.ledger import run_ledger

    run_ledger(path, job=job, history=history, csv_file=csv)


@app.command
def cylinder(
    refrigerant: str,
    *,
    water_capacity: Signed,
    tare: Signed | None = None,
    temperature: Signed | None = None,
    service_pressure: Signed | None = None,
    contents: Signed | None = None,
    units: Literal["us", "si"] = "us",
) -> None:
    """Tell how much a cylinder may hold, with the sums and their sources.

    Parameters
    ----------
    refrigerant
        such as R-410A
    water_capacity
        as stamped, such as "47.6 lb"
    tare
        empty weight as stamped
    temperature
        of the cylinder now, such as "80 degF"
    service_pressure
        as stamped, such as "400 psig"
    contents
        net weight now
    units
        us or si
    """
    from collector.commands.cylinder import run_cylinder

    run_cylinder(
        refrigerant_name=refrigerant,
        water_capacity=water_capacity,
        tare=tare,
        temperature=temperature,
        service_pressure=service_pressure,
        contents=contents,
        units=units,
    )


@app.command
def columns(file: Path, /, *, output: Path | None = None) -> None:
    """Propose the [columns] table for a log that somebody else recorded.

    Parameters
    ----------
    file
        the log
    output
        job.toml to write it to, or to add it to; printed when not given
    """
    from collector.commands.columns import run_columns

    run_columns(file, output=output)


@app.command
def demo(*, out: Path = Path("standwatch-demo"), seed: int = 2026, fast: bool = False) -> None:
    """Play a simulated two-day repair through real wires into a real recorder, and review it.

    Parameters
    ----------
    out
        new folder for the job (an earlier demo there is replaced)
    seed
        another number gives other weather and noise
    fast
        under a minute, with a row a minute instead of two
    """
    from collector.commands.demo import run_demo

    run_demo(out, seed=seed, fast=fast)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run one command. Exit codes: 0 done, 2 refused, 1 a fault of the program; every failure is one line."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        app(given, exit_on_error=False, print_error=False, result_action="return_value")
    except StandwatchError as error:
        _fail(str(error), 2)
    except CycloptsError as error:
        _fail(" ".join(str(error).split()), 2)
    except PermissionError as error:
        _fail(f"{error.filename}: {error.strerror}; expected a file or folder that is yours to use", 2)
    except KeyboardInterrupt:
        _fail("interrupted", 130)
    except Exception as error:  # noqa: BLE001  the last place before the user: a line, not a traceback
        if isinstance(error, BrokenPipeError) and _nobody_reads():
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            sys.exit(0)
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", prefix="standwatch-", suffix=".txt", delete=False
        ) as file:
            traceback.print_exc(file=file)
        _fail(
            f"something went wrong inside ({type(error).__name__}); what was recorded is kept. Details: {file.name}", 1
        )


def _nobody_reads() -> bool:
    """Return whether it is the standard output that broke, such as into `head`; what could not be written is still in
    it."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        return True
    return False


def _fail(line: str, code: int) -> None:
    warn(line)
    sys.exit(code)


if __name__ == "__main__":
    main()
