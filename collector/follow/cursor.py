"""How far a log has been handed on: a place in each file, kept on the disk, that fits the file or is given up.

Only whole lines count. Lines are numbered from 0 (the header), so that whoever receives them can tell what is missing
and what came twice. A log is known by its header and first row: the same log anywhere has the same name.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from collector.joblog import read_between
from collector.whole_file import put_in_place

CURSOR_VERSION = 1
LONGEST_HEAD = 1 << 17
MOST_BYTES = 1 << 20
BEFORE_BYTES = 512


@dataclass(frozen=True)
class Place:
    """Between two lines of a log: `row` lines and `offset` bytes lie before it, the last of them with hash `before`."""

    log: str
    offset: int = 0
    row: int = 0
    before: str = ""


@dataclass(frozen=True)
class Batch:
    """Whole lines without their ends; the first is number `begin.row`, `end` is the place behind the last.

    `header` is the first line of the log.
    """

    begin: Place
    end: Place
    header: str
    lines: tuple[str, ...]


def log_name(head: bytes) -> str | None:
    """Return the name of a log from its first bytes; None until header and first row are whole."""
    header = head.find(b"\n")
    first = head.find(b"\n", header + 1)
    return None if header < 0 or first < 0 else hashlib.sha256(head[: first + 1].replace(b"\r", b"")).hexdigest()[:16]


def read_on(file: Path, place: Place | None, most_lines: int) -> Batch | None:
    """Return the lines behind a place (from the first line where there is none, or it is not of this log).

    None while there is nothing to read: no file, no first row, or a file shorter than the place, which a failing disk
    leaves for as long as the recorder writes the same lines again.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    try:
        log = file.open("rb")
    except FileNotFoundError:
        return None
    with log:
        head = log.read(LONGEST_HEAD)
        name = log_name(head)
        if name is None:
            return None
        if place is None or place.log != name:
            place = Place(name)
        elif place.offset > os.fstat(log.fileno()).st_size:
            return None
        elif _before(log.fileno(), place.offset) != place.before:
            place = Place(name)
        log.seek(place.offset)
        raw = log.read(MOST_BYTES)
        lines = raw[: raw.rfind(b"\n") + 1].split(b"\n")[:-1][:most_lines]
        if not lines:
            return None
        offset = place.offset + sum(len(line) + 1 for line in lines)
        end = Place(name, offset, place.row + len(lines), _before(log.fileno(), offset))
    header, *read = (line.decode("utf-8", "replace").rstrip("\r") for line in (head.split(b"\n", 1)[0], *lines))
    return Batch(place, end, header.removeprefix("\ufeff"), tuple(read))


def place_of_row(file: Path, row: int, upto: Place) -> Place | None:
    """Return the place before line `row` of the log that `upto` is a place in; None where it lies behind `upto`.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    if not 0 <= row <= upto.row:
        return None
    offset = 0
    with file.open("rb") as log:
        for _ in range(row):
            offset += len(log.readline(MOST_BYTES))
        return Place(upto.log, offset, row, _before(log.fileno(), offset))


def _before(descriptor: int, offset: int) -> str:
    before = read_between(descriptor, max(0, offset - BEFORE_BYTES), offset)
    return hashlib.sha256(before).hexdigest()[:16] if before else ""


@dataclass
class Cursor:
    """The places of one job's files at one receiver (`to`), kept in `file`."""

    file: Path
    to: str

    def load(self) -> dict[str, Place]:
        """Return the place in each file; none where nothing that can be used is kept."""
        try:
            kept = json.loads(self.file.read_text(encoding="utf-8"))
            if kept["version"] != CURSOR_VERSION or kept["to"] != self.to:
                return {}
            return {
                str(name): Place(str(p["log"]), int(p["offset"]), int(p["row"]), str(p["before"]))
                for name, p in kept["places"].items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}

    def save(self, places: dict[str, Place]) -> None:
        """Put the places onto the disk, all or none.

        Raises
        ------
        OSError
            The folder cannot be written.
        """
        kept = {"version": CURSOR_VERSION, "to": self.to, "places": {name: asdict(p) for name, p in places.items()}}
        put_in_place(self.file, json.dumps(kept).encode())
