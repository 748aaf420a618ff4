"""Reading what was added to a file of lines since the last look; half a line waits until it is whole."""

from __future__ import annotations

import csv
import datetime
import math
import os
from dataclasses import dataclass
from pathlib import Path

from analysis.vocabulary.channels import JOURNAL_COLUMNS, Column, parse_header
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.text import one_line

MOST_AT_ONCE = 4 << 20
"""Bytes taken in one look, so that a long log does not stand in memory as text."""


class Tail:
    """Follows one file. `lines` returns the whole lines that were added, without their ends.

    `fresh` counts how often the file was found new or replaced; whoever keeps what was read starts anew then.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.fresh = 0
        self._offset = 0
        self._inode = -1

    def lines(self) -> list[str]:
        """Return whole lines added since the last call, at most `MOST_AT_ONCE` bytes of them; none without a file."""
        try:
            with self.path.open("rb") as file:
                found = os.fstat(file.fileno())
                size, inode = found.st_size, found.st_ino
                if inode != self._inode or size < self._offset:
                    self._inode, self._offset = inode, 0
                    self.fresh += 1
                file.seek(self._offset)
                raw = file.read(min(size - self._offset, MOST_AT_ONCE))
        except OSError:
            return []
        whole = raw.rfind(b"\n") + 1
        if not whole and len(raw) == MOST_AT_ONCE:  # no line of ours: passed over, so that what follows is read
            whole = len(raw)
        self._offset += whole
        text = raw[:whole].decode("utf-8", "replace")
        return [line.rstrip("\r") for line in text.split("\n")[:-1]]


class ReadingsTail(Tail):
    """Follows `readings.csv`. `columns` are its channels in the order of the cells, empty until the header is there."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.columns: list[Column] = []
        self._places: list[int] = []
        self._seen = 0

    def rows(self) -> list[tuple[float, list[float]]]:
        """Return rows added since the last call: (seconds since 1970, one value a column, NaN where blank).

        Values stay in the unit of their column. Lines that cannot be read are left out; the review says so.
        """
        lines = self.lines()
        if self.fresh != self._seen:
            self.columns, self._places = [], []
            if not lines:
                return []  # the header is not there yet
            self._seen = self.fresh
            self._read_header(lines.pop(0))
        found = []
        for line in lines:
            cells = cells_of(line)
            at = seconds_of(cells[0]) if cells else None
            if at is not None:
                found.append((at, [number(cells[i]) if i < len(cells) else math.nan for i in self._places]))
        return found

    def _read_header(self, line: str) -> None:
        """Take the columns that can be read; the review refuses a log with others."""
        head = cells_of(line.removeprefix("\ufeff"))
        for place, name in enumerate(head[1:], start=1):
            try:
                column = parse_header(name)
            except InputError:
                continue
            if column is not None:
                self.columns.append(column)
                self._places.append(place)


@dataclass(frozen=True)
class JournalRow:
    """One row of the journal; `at` in seconds since 1970."""

    at: float
    kind: str
    subject: str
    value: str
    text: str


class JournalTail(Tail):
    """Follows `journal.csv`."""

    def rows(self) -> list[JournalRow]:
        """Return rows added since the last call; header and lines that cannot be read are left out."""
        found = []
        for line in self.lines():
            row = [*cells_of(line), *[""] * len(JOURNAL_COLUMNS)][: len(JOURNAL_COLUMNS)]
            at = seconds_of(row[0])
            if at is not None:
                found.append(JournalRow(at, *map(one_line, row[1:])))
        return found


def cells_of(line: str) -> list[str]:
    """Return the cells of one line of CSV; none when it is not one."""
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return []


def seconds_of(stamp: str) -> float | None:
    """Return an RFC 3339 stamp as seconds since 1970; None when it is none."""
    try:
        time = datetime.datetime.fromisoformat(stamp.strip())
    except ValueError:
        return None
    return (time if time.tzinfo is not None else time.replace(tzinfo=datetime.UTC)).timestamp()


def number(cell: str) -> float:
    """Return a cell as a number; NaN where it is blank, none, or not finite."""
    try:
        value = float(cell)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan
