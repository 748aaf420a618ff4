"""Whether the recorder runs and which instruments do not answer it, as the journal says."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from analysis.vocabulary.job import READINGS_FILE
from collector.follow.tail import JournalRow

RUNS = ("started", "resumed", "stopped")
"""What a recorder says of its own run; its other rows speak of disk and clock."""


@dataclass
class RecorderLog:
    """Follows the journal. `last` is one of `RUNS`, empty before any; `lost` the row by which an instrument went."""

    last: str = ""
    lost: dict[str, JournalRow] = field(default_factory=dict)

    def heard(self, row: JournalRow) -> None:
        """Take one row of the journal."""
        if row.kind == "recorder" and row.value in RUNS:
            self.last = row.value
            self.lost.clear()
        elif row.kind == "instrument" and row.value == "lost":
            self.lost[row.subject] = row
        elif row.kind == "instrument" and row.value == "back":
            self.lost.pop(row.subject, None)


def rows_age_s(folder: Path, now: float) -> float | None:
    """Return how long ago rows were last written, at `now` [s since 1970]; None where there are none."""
    try:
        return now - (folder / READINGS_FILE).stat().st_mtime
    except OSError:
        return None
