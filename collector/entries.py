"""What may be written into the journal from outside: checked once, here, whoever asks."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from analysis.vocabulary.channels import LEVELS, MARKS, STAGES
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.text import LONGEST_NAME, LONGEST_TEXT, words
from collector.joblog import csv_line


@dataclass(frozen=True)
class Entry:
    """One journal row without its time."""

    kind: str
    subject: str = ""
    value: str = ""
    text: str = ""

    def line(self, time: datetime.datetime) -> bytes:
        """Return the row as a line of the journal."""
        return csv_line((stamp(time), self.kind, self.subject, self.value, self.text))


def stamp(time: datetime.datetime) -> str:
    """Return an RFC 3339 UTC stamp, to the nearest millisecond."""
    time += datetime.timedelta(microseconds=500)
    return time.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{time.microsecond // 1000:03d}Z"


def checked(entry: Entry) -> Entry:
    """Return an entry from outside when it may stand in the journal.

    Raises
    ------
    InputError
        Unknown kind, stage, mark or level, or a text that is too long.
    """
    if entry.kind == "mark":
        if entry.subject not in MARKS:
            raise refused("mark", entry.subject, MARKS)
    elif entry.kind == "stage":
        if entry.subject not in STAGES:
            raise refused("stage", entry.subject, STAGES)
        if entry.value not in ("begin", "end"):
            raise refused(f"stage {entry.subject}", entry.value, ("begin", "end"))
    elif entry.kind == "finding":
        if entry.value not in LEVELS:
            raise refused("finding level", entry.value, LEVELS)
    elif entry.kind == "note":
        if not (entry.subject or entry.text.strip()):
            raise refused("note", entry.text, "some words")
    else:
        raise refused("journal kind", entry.kind, ("mark", "stage", "note", "finding"))
    for cell, longest in ((entry.subject, LONGEST_NAME), (entry.value, LONGEST_NAME), (entry.text, LONGEST_TEXT)):
        if len(cell) > longest:
            raise InputError(f"{entry.kind}: {len(cell):,} characters are too long; expected at most {longest:,}")
    return entry


def said(entry: Entry) -> str:
    """Return an entry in words, as its sender is answered."""
    if entry.kind == "stage":
        return f"{words(entry.subject)} {'begun' if entry.value == 'begin' else 'ended'}"
    if entry.kind == "note" and not entry.subject:
        return f"note: {entry.text}"
    return f"{words(entry.subject)} {entry.value}".strip()
