"""`standwatch columns`: a proposal of how to read a log that somebody else recorded."""

from __future__ import annotations

from pathlib import Path

from analysis.column_guess import propose_columns
from analysis.vocabulary.errors import InputError

SAMPLE_BYTES = 1 << 20


def run_columns(file: Path, *, output: Path | None = None) -> None:
    """Print a `[columns]` table for `file`, or write it as (or append it to) the `job.toml` at `output`.

    Raises
    ------
    InputError
        The file cannot be read as a log, or `output` holds a `[columns]` table already.
    """
    try:
        with file.open("rb") as source:
            sample = source.read(SAMPLE_BYTES)
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror}); expected a log in CSV") from None
    proposal = propose_columns(sample, str(file))
    table = f"# Proposed from {file.name} by standwatch columns: check each line.\n{proposal.to_toml()}"
    if output is None:
        print(table, end="")
        return
    try:
        before = output.read_text(encoding="utf-8") if output.exists() else _new_job(file)
        if any(line.strip() == "[columns]" for line in before.splitlines()):
            raise InputError(f"{output}: holds a [columns] table already; remove it first, or print without --output")
        output.write_text(f"{before.rstrip()}\n\n{table}", encoding="utf-8")
    except (OSError, UnicodeError) as error:
        raise InputError(f"{output}: cannot be written ({error}); expected a job.toml") from None


def _new_job(file: Path) -> str:
    name = file.stem.replace("\\", "\\\\").replace('"', '\\"')
    return f'[job]\nname = "{name}"\n'
