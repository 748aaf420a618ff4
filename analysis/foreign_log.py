"""Reading a log that somebody else's instrument recorded, by the `[columns]` of the job.

Delimiter, decimal comma, encoding and the line of the header are found from the file; what `[columns]` states
goes before what is found. Times are local to `zone` (an IANA name, default UTC): in the repeated autumn hour
the order of the rows decides, in the missing spring hour the clock is taken not to have been put forward.
"""

from __future__ import annotations

import csv
import io
import re
import zoneinfo
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.vocabulary.channels import Column, make_column
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import ColumnMapping, ColumnsTable

DELIMITERS = (",", ";", "\t", "|")
HEADER_WITHIN_LINES = 60
"""Loggers write their own particulars above the header; it is looked for this far down."""

_SAMPLE_BYTES = 1 << 20
_NUMBER = re.compile(r"[-+]?(?:\d[\d.,' ]*\d|\d|[.,]\d+)(?:[eE][-+]?\d+)?")


@dataclass(frozen=True)
class Layout:
    """How the file is written: `header_line` counts from 0, `names` are the header's cells as they stand."""

    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    names: tuple[str, ...]


def find_layout(sample: bytes, wanted: set[str], stated: ColumnsTable, where: str) -> Layout:
    """Return the layout in which the header holds every wanted column.

    Raises
    ------
    InputError
        No line near the top holds them all; the message names the ones that are missing and those that are there.
    """
    encoding = _encoding(sample)
    lines = sample.decode(encoding, errors="replace").splitlines()[:HEADER_WITHIN_LINES]
    best: tuple[int, str, int, tuple[str, ...]] | None = None
    for delimiter in (stated.delimiter,) if stated.delimiter else DELIMITERS:
        for number, line in enumerate(lines):
            names = tuple(name.strip() for name in next(csv.reader([line], delimiter=delimiter), []))
            hits = len(wanted & set(names))
            if best is None or hits > best[0]:
                best = (hits, delimiter, number, names)
    if best is None or best[0] < len(wanted):
        there = ", ".join(best[3]) if best is not None and best[0] else (lines[0] if lines else "")
        missing = ", ".join(sorted(wanted - set(best[3] if best is not None else ())))
        raise InputError(f"{where}: no column {missing}; the header holds {there[:300]!r}, [columns] must name those")
    _, delimiter, number, names = best
    decimal = stated.decimal or _decimal(lines[number + 1 :], delimiter)
    return Layout(encoding, delimiter, decimal, number, names)


def _encoding(sample: bytes) -> str:
    if sample.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        sample[: sample.rfind(b"\n") + 1].decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _decimal(lines: list[str], delimiter: str) -> str:
    if delimiter == ",":
        return "."
    cells = [cell.strip() for row in csv.reader(lines, delimiter=delimiter) for cell in row]
    # a semicolon is chosen where the comma is the decimal sign; elsewhere "12,500" may be twelve thousand
    thousands = r"(?!\d{1,3}(?:,\d{3})+$)" if delimiter != ";" else ""
    comma = sum(re.fullmatch(rf"[-+]?{thousands}\d+,\d+", cell) is not None for cell in cells)
    point = sum(re.fullmatch(r"[-+]?\d+\.\d+", cell) is not None for cell in cells)
    return "," if comma > point else "."


def read_foreign(
    path: Path, table: ColumnsTable
) -> tuple[pd.DatetimeIndex, pd.DataFrame, dict[str, Column], list[str]]:
    """Return times (UTC, NaT where unreadable), values in the logged units, columns and cautions.

    Raises
    ------
    InputError
        A column, a zone or a time format that does not fit the file.
    """
    mapping = table.mapping
    if "time" not in mapping:
        raise InputError(f"{path}: [columns] does not say which column is the time; expected time = {{ column = … }}")
    if table.decimal not in (None, ".", ","):
        raise InputError(f"[columns] decimal: {table.decimal!r} is not accepted; expected '.' or ','")
    if table.delimiter is not None and len(table.delimiter) != 1:
        raise InputError(f"[columns] delimiter: {table.delimiter!r} is not accepted; expected one character")
    with path.open("rb") as file:
        sample = file.read(_SAMPLE_BYTES)
    wanted = {entry.column.strip() for entry in mapping.values()}
    layout = find_layout(sample, wanted, table, str(path))
    body = path.read_bytes()
    torn = not body.endswith((b"\n", b"\r", b"\n\x00", b"\x00\n"))
    raw = pd.read_csv(
        io.BytesIO(body),
        sep=layout.delimiter,
        encoding=layout.encoding,
        encoding_errors="replace",
        skiprows=layout.header_line + 1,
        header=None,
        names=[str(i) for i in range(len(layout.names))],
        usecols=sorted({str(layout.names.index(name)) for name in wanted}, key=int),
        index_col=False,
        dtype={str(layout.names.index(mapping["time"].column.strip())): "str"},
        decimal=layout.decimal,
        on_bad_lines="skip",
        skip_blank_lines=True,
        low_memory=False,
    )
    cautions: list[str] = []
    if torn and len(raw):
        raw = raw.iloc[:-1]
        cautions.append(f"{path.name}: the last line is torn and was left out.")
    cells = {name: raw[str(layout.names.index(entry.column.strip()))] for name, entry in mapping.items()}
    time = read_times(cells["time"], mapping["time"], str(path))
    values = pd.DataFrame(index=raw.index)
    columns: dict[str, Column] = {}
    for channel, entry in mapping.items():
        if channel == "time":
            continue
        columns[channel] = make_column(channel, entry.unit or "", entry.column)
        values[channel], unread = _numbers(cells[channel], layout.decimal)
        if unread:
            cautions.append(f"{entry.column}: {unread} cells are not numbers and count as missing.")
    return time, values, columns, cautions


def _numbers(cells: pd.Series, decimal: str) -> tuple[np.ndarray, int]:
    """Return cells as float64, and how many that are not blank could not be read."""
    numbers = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan).copy()
    odd = np.flatnonzero(np.isnan(numbers) & cells.notna().to_numpy())
    unread = 0
    group = "." if decimal == "," else ","
    for i in odd.tolist():
        match = _NUMBER.search(str(cells.iloc[i]))
        text = "" if match is None else re.sub(r"[' ]", "", match.group().replace(group, "")).replace(decimal, ".")
        try:
            numbers[i] = float(text)
        except ValueError:
            unread += bool(str(cells.iloc[i]).strip())
    return numbers, unread


def read_times(cells: pd.Series, entry: ColumnMapping, where: str) -> pd.DatetimeIndex:
    """Return a column of times as UTC, NaT where a cell cannot be read.

    Without `format`: ISO 8601, seconds since 1970, or a spreadsheet's day number, whichever the cells are.
    """
    text = cells.astype("str").str.strip()
    number = pd.to_numeric(text, errors="coerce")
    local: pd.DatetimeIndex
    if entry.format is None and len(number) and number.notna().mean() > 0.9:
        middle = float(number.median())
        if 20_000 < middle < 100_000:  # days since 1899-12-30, as spreadsheets count; local time
            local = pd.DatetimeIndex(pd.to_datetime(number, unit="D", origin="1899-12-30").dt.round("ms"))
        else:
            scale = "ms" if middle > 1e11 else "s"
            return pd.DatetimeIndex(pd.to_datetime(number, unit=scale, utc=True))  # type: ignore[call-overload]
    else:
        kept = pd.to_datetime(text, format=entry.format or "ISO8601", errors="coerce", utc=_has_offset(text, entry))
        local = pd.DatetimeIndex(kept)
        if len(local) and local.isna().all():
            raise InputError(
                f"{where}: column {entry.column!r} holds {text.iloc[0]!r}, which is not a time"
                f" in {entry.format or 'ISO 8601'}; expected [columns] time to give its format"
            )
    if local.tz is not None:
        return local
    try:
        zone = zoneinfo.ZoneInfo(entry.zone or "UTC")
    except (zoneinfo.ZoneInfoNotFoundError, ValueError):
        raise InputError(f"[columns] time zone: {entry.zone!r} is not accepted; expected an IANA name") from None
    return local.tz_localize(zone, ambiguous=_first_pass(local), nonexistent=pd.Timedelta(hours=1)).tz_convert("UTC")


def _has_offset(text: pd.Series, entry: ColumnMapping) -> bool:
    """Return whether the times carry their own offset from UTC."""
    if entry.format is not None:
        return "%z" in entry.format
    return bool(text.head(50).str.contains(r"(?:Z|[+-]\d\d:?\d\d)$").any())


def _first_pass(local: pd.DatetimeIndex) -> np.ndarray:
    """Return for each row whether the repeated autumn hour is run through for the first time (daylight time).

    The second time begins where the rows step back by more than a quarter of an hour; uses no later row.
    """
    minutes = (local.as_unit("us").asi8 / 60e6).astype(float)
    minutes[local.isna()] = np.nan
    steps = np.diff(minutes, prepend=minutes[:1])
    at_jump = pd.Series(np.where(steps < -15.0, minutes, np.nan)).ffill().to_numpy()
    since = minutes - at_jump
    return ~((since >= 0) & (since < 180.0))
