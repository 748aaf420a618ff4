"""Which alarms stand, as the journal says: notes with subject ``alarm`` and value raised, acknowledged or cleared."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from collector.entries import Entry
from collector.follow.tail import JournalRow, JournalTail

SUBJECT = "alarm"


@dataclass
class Raised:
    """An alarm that was raised at a time [s since 1970] and not cleared."""

    at: float
    acknowledged: bool = False


@dataclass
class AlarmLog:
    """Follows the journal. `raised` holds what stands by its name, the rule's name first: ``lost: scale``."""

    raised: dict[str, Raised] = field(default_factory=dict)

    def heard(self, row: JournalRow) -> None:
        """Take one row of the journal."""
        if row.kind != "note" or row.subject != SUBJECT:
            return
        if row.value == "raised":
            self.raised[row.text] = Raised(row.at)
        elif row.value == "cleared":
            self.raised.pop(row.text, None)
        elif row.value == "acknowledged":
            for name, alarm in self.raised.items():
                alarm.acknowledged |= meant(row.text, name)

    def unanswered(self) -> list[tuple[str, float]]:
        """Return what nobody has acknowledged, newest first: (name, when it was raised)."""
        found = [(name, alarm.at) for name, alarm in self.raised.items() if not alarm.acknowledged]
        return sorted(found, key=lambda each: -each[1])


def open_alarms(journal: Path) -> list[str]:
    """Return the names of the alarms that a journal leaves open, acknowledged or not, oldest first."""
    log, tail = AlarmLog(), JournalTail(journal)
    while rows := tail.rows():
        for row in rows:
            log.heard(row)
    return list(log.raised)


def meant(text: str, name: str) -> bool:
    """Return whether an acknowledgement means an alarm: by its name, by its rule's name, or all when it is empty."""
    return text in ("", name) or name.startswith(f"{text}: ")


def acknowledgement(name: str) -> Entry:
    """Return the row that acknowledges an alarm."""
    return Entry("note", SUBJECT, "acknowledged", name)


def without_stamp(text: str) -> str:
    """Return a text without the RFC 3339 stamps in it, for people to read."""
    return re.sub(r"\b\d{4}-\d\d-\d\dT[\d:.]+Z ?", "", text)
