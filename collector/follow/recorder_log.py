"""Whether the recorder runs and which instruments do not answer it, as the journal says."""

from __future__ import annotations

from dataclasses import dataclass, field

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
