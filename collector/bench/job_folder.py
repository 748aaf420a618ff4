"""The demo's job folder: made afresh, and never in place of somebody's own."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE
from analysis.vocabulary.shipped import shipped
from collector.folder_lock import FolderLock

REFERENCE = "SIMULATED two-day job, not a record of any real machine"
"""The reference of every demo job: a folder whose job does not carry it is not overwritten."""


def prepare(folder: Path, instruments: list[dict[str, Any]], interval_s: float) -> None:
    """Make a demo folder with its `job.toml`; an earlier demo there is removed first.

    Raises
    ------
    InputError
        The folder holds something that is not a demo, a demo is being recorded there, or it cannot be written.
    """
    make_ready(folder)
    try:
        with FolderLock(folder):
            for name in (READINGS_FILE, JOURNAL_FILE, "report.html"):
                (folder / name).unlink(missing_ok=True)
            (folder / JOB_FILE).write_text(job_text(instruments, interval_s), encoding="utf-8")
    except OSError as error:
        raise _cannot_be_written(folder, error) from None


def make_ready(folder: Path) -> None:
    """Make a folder where there is none; refuse one that a demo must not, or cannot, write into.

    Raises
    ------
    InputError
        It is neither empty nor an earlier demo, or it cannot be written.
    """
    try:
        if folder.exists() and not (folder.is_dir() and (_is_demo(folder) or not any(folder.iterdir()))):
            raise InputError(f"{folder}: holds something that is not a demo; expected a new folder (--out FOLDER)")
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise _cannot_be_written(folder, error) from None


def _cannot_be_written(folder: Path, error: OSError) -> InputError:
    return InputError(f"{folder}: cannot be written ({error.strerror}); expected a folder of yours")


def job_text(instruments: list[dict[str, Any]], interval_s: float) -> str:
    """Return the demo's `job.toml` with the instruments as they are plugged in now."""
    text = (shipped("config") / "jobs" / "demo.toml").read_text(encoding="utf-8")
    text = text.replace('interval = "30 s"', f'interval = "{interval_s:g} s"')
    tables = [
        "\n".join(["[[instrument]]", *(f"{key} = {_toml(value)}" for key, value in t.items())]) for t in instruments
    ]
    return "\n\n".join([text.rstrip("\n"), *tables]) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)  # a TOML basic string or number is one of JSON


def _is_demo(folder: Path) -> bool:
    try:
        tables = tomllib.loads((folder / JOB_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    job = tables.get("job")
    return isinstance(job, dict) and job.get("simulated") is True and job.get("reference") == REFERENCE
