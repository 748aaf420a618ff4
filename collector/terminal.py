"""One line to whoever looks at the terminal; one that went away changes nothing."""

from __future__ import annotations

import contextlib
import datetime
import sys

from analysis.vocabulary.text import one_line


def say(line: str) -> None:
    """Print one line with the time of day."""
    with contextlib.suppress(OSError):
        print(one_line(f"{datetime.datetime.now():%H:%M:%S}  {line}"), flush=True)


def warn(line: str) -> None:
    """Print one line on standard error, as this program's."""
    with contextlib.suppress(OSError):
        print(one_line(f"standwatch: {line}"), file=sys.stderr, flush=True)
