"""The latest judgement of a growing log, as one file beside it: written whole, read by whoever shows or sends it.

It can be made again from the log at any time; losing it loses nothing.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from analysis.vocabulary.errors import InputError
from collector.whole_file import put_in_place

STATE_FILE = Path(".standwatch") / "state.json"
STATE_VERSION = 1
LARGEST_BYTES = 64 << 20


def write_state(folder: Path, state: dict[str, Any]) -> None:
    """Put the state in place of the one before.

    Raises
    ------
    InputError
        It cannot be written.
    """
    file = folder / STATE_FILE
    try:
        put_in_place(file, json.dumps(state, ensure_ascii=False, allow_nan=False).encode(), synced=False)
    except OSError as error:
        raise InputError(f"{file}: cannot be written ({error.strerror}); the log goes on unjudged") from None


def read_state(folder: Path) -> dict[str, Any] | None:
    """Return the latest state; None when there is none or it is of another version."""
    file = folder / STATE_FILE
    try:
        if file.stat().st_size > LARGEST_BYTES:
            return None
        state = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return state if isinstance(state, dict) and state.get("version") == STATE_VERSION else None
