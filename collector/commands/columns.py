"""`standwatch columns`: a proposal of how to read a log that somebody else recorded."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import BinaryIO

from analysis.columns import propose_columns
from analysis.log.foreign import SAMPLE_BYTES
from analysis.vocabulary.errors import InputError

PIECES = 16
PIECE_BYTES = 1 << 16


def run_columns(file: Path, *, output: Path | None = None) -> None:
    """Print a `[columns]` table for `file`, or write it as (or append it to) the `job.toml` at `output`.

    Raises
    ------
    InputError
        The file cannot be read as a log, or `output` is no job.toml, or holds a `[columns]` table already.
    """
    try:
        with file.open("rb") as source:
            sample = source.read(SAMPLE_BYTES)
            pieces = _pieces(source, file.stat().st_size)
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror}); expected a log in CSV") from None
    proposal = propose_columns(sample, str(file), pieces)
    table = f"# Proposed from {file.name} by standwatch columns: check each line.\n{proposal.to_toml()}"
    if output is None:
        print(table, end="")
        return
    try:
        before = output.read_text(encoding="utf-8-sig") if output.exists() else _new_job(file)
        if "columns" in tomllib.loads(before):
            raise InputError(f"{output}: holds a [columns] table already; remove it first, or print without --output")
        output.write_text(f"{before.rstrip()}\n\n{table}", encoding="utf-8")
        for doubt in proposal.doubts():
            print(f"Check: {doubt}")
    except (OSError, UnicodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{output}: cannot be added to ({error}); expected a job.toml") from None


def _pieces(source: BinaryIO, size: int) -> list[bytes]:
    """Return pieces of a long file from behind its beginning to its end: an instrument may have come late."""
    pieces = []
    for number in range(1, PIECES + 1):
        begin = SAMPLE_BYTES + (size - SAMPLE_BYTES) * number // PIECES - PIECE_BYTES
        if begin >= SAMPLE_BYTES:
            source.seek(begin - begin % 2)
            pieces.append(source.read(PIECE_BYTES))
    return pieces


def _new_job(file: Path) -> str:
    name = file.stem.replace("\\", "\\\\").replace('"', '\\"')
    return f'[job]\nname = "{name}"\n'
