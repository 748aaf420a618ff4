"""Finding out how a log that somebody else's instrument recorded is written: encoding, delimiter, header, decimal sign.

What `[columns]` states goes before what is found.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from analysis.log.clock import TEXT_SIGNS, Clock
from analysis.log.one_table import no_row_for_each_reading, one_time_for_each_row
from analysis.log.rows import Source
from analysis.vocabulary.channels import make_column
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import ColumnsTable

DELIMITERS = (",", ";", "\t", "|")
HEADER_WITHIN_LINES = 60
"""Loggers write their own particulars above the header; it is looked for this far down."""
SAMPLE_BYTES = 1 << 20
SAMPLE_ROWS = 2_000

_BOMS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))


@dataclass(frozen=True)
class Layout:
    """How the file is written: `rows_at` is the byte behind the header, `names` are its cells as they stand."""

    encoding: str
    delimiter: str
    decimal: str
    rows_at: int
    names: tuple[str, ...]


def decoded(sample: bytes) -> tuple[str, str, int]:
    """Return the text of the beginning of a file, its encoding, and how long its byte order mark is."""
    for mark, encoding in _BOMS:
        if sample.startswith(mark):
            return sample[len(mark) :].decode(encoding, errors="replace"), encoding, len(mark)
    for encoding, high in (("utf-16-le", 1), ("utf-16-be", 0)):
        if sample[high:200:2].count(0) > 80:
            return sample.decode(encoding, errors="replace"), encoding, 0
    try:
        return sample[: max(sample.rfind(b"\n"), sample.rfind(b"\r")) + 1].decode("utf-8"), "utf-8", 0
    except UnicodeDecodeError:
        return sample.decode("cp1252", errors="replace"), "cp1252", 0


def bare(cell: str) -> str:
    """Return a cell without odd blanks and without what spreadsheets put around text."""
    return " ".join(cell.strip(TEXT_SIGNS).split())


def records(text: str, delimiter: str) -> Iterator[tuple[list[str], int]]:
    """Yield the records of a CSV, their cells bare, and how much text each ends behind."""
    position = 0

    def lines() -> Iterator[str]:
        nonlocal position
        for line in io.StringIO(text, newline=""):
            position += len(line)
            yield line

    try:
        for cells in csv.reader(lines(), delimiter=delimiter):
            yield [bare(cell) for cell in cells], position
    except csv.Error:
        return


def numbered(names: Sequence[str]) -> list[str]:
    """Return the cells of a header, each that stands there several times with its number behind: ``Value (2)``."""
    return [
        f"{name} ({names[: at + 1].count(name)})" if name and names.count(name) > 1 else name
        for at, name in enumerate(names)
    ]


def positions(names: Sequence[str]) -> dict[str, int]:
    """Return where each name of a header stands first, by its number as well where there are several."""
    return {name: at for each in (numbered(names), names) for at, name in reversed(list(enumerate(each)))}


def beginning(text: str) -> str:
    """Return the lines within which the header is looked for."""
    return "".join(line for _, line in zip(range(HEADER_WITHIN_LINES), io.StringIO(text, newline=""), strict=False))


def find_layout(sample: bytes, wanted: set[str], stated: ColumnsTable, where: str) -> Layout:
    """Return the layout in which the header holds every wanted column.

    Raises
    ------
    InputError
        No line near the top holds them all; the message names the ones that are missing and those that are there.
    """
    text, encoding, mark = decoded(sample)
    wanted = {bare(name) for name in wanted}
    best: tuple[int, str, tuple[str, ...], int] | None = None
    for delimiter in (stated.delimiter,) if stated.delimiter else DELIMITERS:
        for names, end in records(beginning(text), delimiter):
            hits = len(wanted & positions(names).keys())
            if best is None or hits > best[0]:
                best = (hits, delimiter, tuple(names), end)
    if best is None or best[0] < len(wanted):
        there = ", ".join(best[2]) if best is not None and best[0] else text.partition("\n")[0].strip()
        missing = ", ".join(sorted(wanted - positions(best[2] if best is not None else ()).keys()))
        raise InputError(f"{where}: no column {missing}; the header holds {there[:300]!r}, [columns] must name those")
    _, delimiter, header, end = best
    at = positions(header)
    decimal = stated.decimal or decimal_sign(
        (cells for cells, _ in records(text[end:], delimiter)), delimiter, {at[name] for name in wanted}
    )
    return Layout(encoding, delimiter, decimal, mark + len(text[:end].encode(encoding, errors="replace")), header)


def decimal_sign(rows: Iterable[list[str]], delimiter: str, positions: set[int]) -> str:
    """Return the sign before the decimals, by the cells in which only one reading makes sense.

    `12,500` may be twelve thousand: where nothing else decides it is, unless the semicolon says that the comma
    was needed for decimals.
    """
    comma = point = either = 0
    for _, row in zip(range(SAMPLE_ROWS), rows, strict=False):
        for cell in (row[i] for i in positions if i < len(row)):
            either += _THOUSANDS.fullmatch(cell) is not None
            comma += _ends_in_decimals(cell, ",")
            point += _ends_in_decimals(cell, ".")
    if comma == point == 0 and either:
        return "," if delimiter == ";" else "."
    return "," if comma > point else "."


_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+")
_DECIMALS = {
    sign: (
        re.compile(rf"[-+]?(?:\d{{1,3}}(?:[{other}\s'’]\d{{3}})+|\d*)[{sign}]\d+(?![\d{sign}{other}:/-])"),
        re.compile(rf"[-+]?[1-9]\d{{0,2}}[{sign}]\d{{3}}"),
    )
    for sign, other in ((",", "."), (".", ","))
}
"""For each sign a number with it before decimals, and one in which it may as well stand before thousands."""


def _ends_in_decimals(cell: str, sign: str) -> bool:
    """Return whether the sign can only be the decimal one: not between groups of three digits."""
    decimals, thousands = _DECIMALS[sign]
    number = decimals.match(cell)
    return number is not None and thousands.fullmatch(number.group()) is None


def no_decimals_apart(rows: Sequence[list[str]], read: set[int], layout: Layout, path: Path) -> None:
    """Refuse rows whose decimals stand in cells of their own and push blank ones beyond the header.

    Rows that all end in one delimiter more look the same. Decimals are told by a nought before other digits, or
    by rows of which the shorter ones end in a blank, too.
    """
    width = len(layout.names)
    wide = [row for row in rows if len(row) > width and not any(row[width:])]
    even = [row for row in rows if len(row) == width and any(re.match(r"[-+]?\d", row[at]) for at in read)]
    noughts = any(re.fullmatch(r"0\d+", row[at]) for row in wide for at in read)
    if wide and (noughts or (even and not any(row[-1] for row in even))):
        raise InputError(
            f"{path}: {len(wide)} of its first {len(rows)} rows have more cells than the header has columns; expected a"
            f" name for each, and a decimal sign other than {layout.delimiter!r}"
        )


def foreign_source(path: Path, table: ColumnsTable) -> Source:
    """Return where the rows of a foreign log stand and how they are read, by the `[columns]` of the job.

    Raises
    ------
    InputError
        A column, a zone or a delimiter that does not fit the file.
    OSError
        The file cannot be read.
    """
    mapping = table.mapping
    if "time" not in mapping:
        raise InputError(f"{path}: [columns] does not say which column is the time; expected time = {{ column = … }}")
    if table.decimal not in (None, ".", ","):
        raise InputError(f"[columns] decimal: {table.decimal!r} is not accepted; expected '.' or ','")
    if table.delimiter is not None and len(table.delimiter) != 1:
        raise InputError(f"[columns] delimiter: {table.delimiter!r} is not accepted; expected one character")
    with path.open("rb") as file:
        sample = file.read(SAMPLE_BYTES)
    time = mapping["time"]
    layout = find_layout(sample, {*time.stamped, *(entry.column for entry in mapping.values())}, table, str(path))
    at = positions(layout.names)
    for entry in (entry for channel, entry in mapping.items() if channel != "time"):
        same = layout.names.count(bare(entry.column))
        if same > 1:
            raise InputError(
                f"{path}: column {entry.column!r} stands {same} times in the header; [columns] must say which, as in"
                f" {numbered(layout.names)[at[bare(entry.column)]]!r} for the first"
            )
    time_at = tuple(at[bare(name)] for name in time.stamped)
    below = sample[layout.rows_at :].decode(layout.encoding, errors="replace")
    rows = [cells for cells, _ in islice(records(below, layout.delimiter), SAMPLE_ROWS)]
    no_row_for_each_reading(layout.names, rows, time_at, str(path))
    one_time_for_each_row(layout.names, rows, time_at, time, str(path))
    read = {at[bare(entry.column)] for channel, entry in mapping.items() if channel != "time"}
    no_decimals_apart(rows, read, layout, path)
    return Source(
        path=path,
        begin=layout.rows_at,
        encoding=layout.encoding,
        delimiter=layout.delimiter,
        decimal=layout.decimal,
        width=len(layout.names),
        time_at=time_at,
        channels={
            channel: (at[bare(entry.column)], make_column(channel, entry.unit or "", entry.column))
            for channel, entry in mapping.items()
            if channel != "time"
        },
        clock=lambda: Clock(time, str(path)).utc_us,
        time_called=layout.names[time_at[0]],
    )
