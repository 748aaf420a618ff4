"""Secrets that a job names and never holds: in an environment variable, or in a file of its owner's."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from analysis.vocabulary.errors import InputError

LARGEST_SECRET = 4_096


def from_environment(key: str, variable: str) -> str:
    """Return what an environment variable holds.

    Raises
    ------
    InputError
        It is not set.
    """
    if variable not in os.environ:
        raise InputError(f"{key}: {variable!r} is not set; expected the name of an environment variable that is")
    return os.environ[variable]


def from_file(key: str, file: Path) -> str:
    """Return the first line of a file that nobody but its owner can read.

    Raises
    ------
    InputError
        Not there, empty, or open to others.
    """
    try:
        with file.open("rb") as secret:
            mode = os.fstat(secret.fileno()).st_mode
            if os.name != "nt" and mode & (stat.S_IRWXG | stat.S_IRWXO):
                raise InputError(f"{key}: others may read {str(file)!r} (mode {mode & 0o777:03o}); expected mode 600")
            text = secret.read(LARGEST_SECRET).decode("utf-8", "replace")
    except OSError as error:
        raise InputError(f"{key}: {str(file)!r} cannot be read ({error.strerror}); expected a file, mode 600") from None
    line = text.splitlines()[0] if text else ""
    if not line:
        raise InputError(f"{key}: {str(file)!r} has an empty first line; expected the secret there")
    return line
