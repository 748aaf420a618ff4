"""Rows of a CSV into columns in SI, chunk after chunk: a log may be larger than the text of it that fits in memory."""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pandas as pd

from analysis.log.clock import CLOCKS_SHOW_US, NOT_A_TIME, SECOND_US
from analysis.log.clock_order import Order, PutBack, in_order, newest_first, spread
from analysis.log.one_table import no_block_for_each_channel, no_other_table
from analysis.log.words import UNIT_SPELLINGS, UNSAID_DATUM, spelling
from analysis.vocabulary.channels import Column
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.text import counted

CHUNK_ROWS = 25_000
"""What is read of so many rows stays near the processor: of four times as many a row takes a fifth longer to read."""
BLOCK_BYTES = 1 << 20
GOOD_BEHIND = re.compile(r"(?:^|[\s;,|(\[]+)(?:good|ok|valid|gut)[)\]]?$", re.IGNORECASE)
"""What historians write behind a number that is to be believed; one with another word is not read."""
COARSEST_S = 300.0
"""Rows that share one stamp are spread over so much (historians stamp every five minutes; common practice): of stamps
that tell less nobody knows where they begin and end."""
LARGEST = 1e12
"""No instrument shows more than this in any unit of the log."""


@dataclass(frozen=True)
class Source:
    """Where the rows stand in a file and how they are to be read.

    Attributes
    ----------
    begin : byte behind the header.
    width : how many columns the header names.
    time_at : positions of the columns that hold the time.
    channels : position and column of each channel.
    clock : begins a reading of the times; what it returns turns the cells of each chunk, in their order, into
        microseconds since 1970, `NOT_A_TIME` where they are none.
    """

    path: Path
    begin: int
    encoding: str
    delimiter: str
    decimal: str
    width: int
    time_at: tuple[int, ...]
    channels: Mapping[str, tuple[int, Column]]
    clock: Callable[[], Callable[[Sequence[pd.Series]], np.ndarray]]
    time_called: str = "time"
    """What the header calls the time; a row that says so again is another header."""


@dataclass
class Rows:
    """Rows in rising time. `values` are SI, gauge pressures still above the barometer, NaN where nothing was read."""

    index: pd.DatetimeIndex
    values: dict[str, np.ndarray]
    cautions: list[str] = field(default_factory=list)
    put_back: tuple[PutBack, ...] = ()


class _Part(io.RawIOBase):
    """The bytes of a file from where it stands, `size` of them."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self._file = file
        self._left = size

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        got = self._file.read(min(len(buffer), self._left))
        buffer[: len(got)] = got
        self._left -= len(got)
        return len(got)


def read_rows(source: Source) -> Rows:
    """Return the rows of a source. Torn, unreadable, backward and repeated rows are left out with a caution.

    Raises
    ------
    InputError
        No row has a time.
    pandas.errors.ParserError
        The rows are no CSV.
    """
    with source.path.open("rb") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore", pd.errors.ParserWarning)  # of cells beyond the header, which are counted here
        end, torn, most, even = _extent(file, source)
        beyond = 0 if even else source.width
        try:
            rows = _collect(file, source, end, most, beyond, csv.QUOTE_MINIMAL)
        except pd.errors.ParserError:  # a stray quote swallows all that follows it
            rows = _collect(file, source, end, most, beyond, csv.QUOTE_NONE)
    if torn:
        rows.cautions.insert(0, f"{source.path.name}: the last line is torn and was left out.")
    return rows


def _extent(file: BinaryIO, source: Source) -> tuple[int, bool, int, bool]:
    """Return the byte behind the last whole line, whether anything stands behind it, and at most how many rows.

    Last whether, as far as bytes tell, each line has as many cells as the header, so that nobody need look at cells.
    """
    ends = [sign.encode(source.encoding) for sign in ("\n", "\r")]
    cells = source.delimiter.encode(source.encoding)
    other, even = bytes(set(range(256)) - {*cells, *ends[0]}), True
    line, left = cells * (source.width - 1) + ends[0], b""
    file.seek(source.begin)
    position, last, lines = source.begin, [source.begin, source.begin], 0
    while block := file.read(BLOCK_BYTES):
        for i, sign in enumerate(ends):
            lines += block.count(sign)
            if sign in block:
                last[i] = position + block.rfind(sign) + len(sign)
        position += len(block)
        if even:
            left += block.translate(None, other)
            whole = len(left) // len(line)
            even, left = left.startswith(line * whole), left[whole * len(line) :]
    end = last[0] if last[0] > source.begin else last[1]
    return end, end < position, lines, even and ends[0] not in left


def _chunks(file: BinaryIO, source: Source, end: int, looked_beyond: int, quoting: int) -> Iterator[pd.DataFrame]:
    """Yield the cells up to byte `end`, columns named by their position, some rows at a time."""
    if end <= source.begin or not source.width:
        return
    used = {*source.time_at, *(position for position, _ in source.channels.values())}
    file.seek(source.begin)
    yield from pd.read_csv(  # type: ignore[call-overload]
        io.BufferedReader(_Part(file, end - source.begin), BLOCK_BYTES),  # type: ignore[type-var]
        sep=source.delimiter,
        encoding=source.encoding,
        encoding_errors="replace",
        header=None,
        names=[str(i) for i in range(source.width + looked_beyond)],
        usecols=None if looked_beyond else sorted(used),
        index_col=False,
        dtype={str(position): "str" for position in source.time_at},
        decimal=source.decimal,
        quoting=quoting,
        on_bad_lines="skip",
        skip_blank_lines=True,
        low_memory=False,
        chunksize=CHUNK_ROWS,
    )


def _collect(file: BinaryIO, source: Source, end: int, most: int, looked_beyond: int, quoting: int) -> Rows:
    """Return the rows; one with a number in the `looked_beyond` cells behind those of the header is not read.

    A comma as decimal sign shifts what follows, and so does a header that does not name its first column.
    """
    beyond = [str(source.width + i) for i in range(looked_beyond)]
    stamps = np.empty(most, dtype=np.int64)
    values = {channel: np.empty(most) for channel in source.channels}
    unread = dict.fromkeys(source.channels, 0)
    utc_us = source.clock()
    filled = shifted = 0
    for chunk in _chunks(file, source, end, looked_beyond, quoting):
        time = utc_us([chunk[str(position)] for position in source.time_at])
        no_other_table(chunk, time, (source.time_at[0], source.time_called), source.channels, source.path)
        known = (time >= CLOCKS_SHOW_US[0]) & (time < CLOCKS_SHOW_US[1])
        time = np.where(known, time, NOT_A_TIME)
        rows = slice(filled, filled + len(time))
        stamps[rows] = time
        surplus = chunk[beyond].dropna(axis=1, how="all")
        behind = [numbers(surplus[each], source.decimal, None)[0] for each in surplus]
        whole = np.isnan(behind).all(axis=0) if behind else np.ones(len(chunk), dtype=bool)
        shifted += int(np.count_nonzero(~whole & known))
        for channel, (position, column) in source.channels.items():
            read, odd = numbers(chunk[str(position)], source.decimal, column.unit.symbol)
            unread[channel] += int(np.count_nonzero(odd & known & whole)) if odd is not None else 0
            values[channel][rows] = column.unit.si(np.where((np.abs(read) < LARGEST) & whole, read, np.nan))
        filled = rows.stop
    for channel in values:
        values[channel] = values[channel][:filled]
    return _in_time(source, stamps[:filled], values, _unread_words(source, unread, shifted, filled))


def _unread_words(source: Source, unread: Mapping[str, int], shifted: int, rows: int) -> list[str]:
    """Return how many cells of each channel hold no number, and how many rows have too many cells, as sentences."""
    said = [
        f"{source.channels[channel][1].header}: {counted(count, 'cell')} without a number, taken as missing."
        for channel, count in unread.items()
        if count
    ]
    if 2 * shifted > rows:
        raise InputError(
            f"{source.path}: {shifted} of {rows} rows have more cells than the header has columns; expected a name"
            f" for each, and a decimal sign other than {source.delimiter!r}"
        )
    if shifted:
        said.append(
            f"{source.path.name}: {shifted} rows have more cells than the header has columns and count as missing; is"
            " a comma the decimal sign?"
        )
    return said


def _in_time(source: Source, stamps: np.ndarray, values: dict[str, np.ndarray], cautions: list[str]) -> Rows:
    """Return the rows as their stamps put them; `values` is changed, as a long log is not to be held twice."""
    if newest_first(stamps):
        stamps = stamps[::-1]
        for channel in values:
            values[channel] = values[channel][::-1]
        cautions.append(f"{source.path.name}: the rows stand newest first: they were turned round.")
    stamps, sharing, step_s = spread(stamps)
    if sharing > 2.0 and step_s > COARSEST_S:
        raise InputError(
            f"{source.path}: {round(sharing)} rows share each stamp, one every {step_s:g} s; expected stamps that show"
            " the minute at least, as they do where their column was saved as text"
        )

    def differ(row: int, other: int) -> bool:
        return any(
            abs(shown[row] - shown[other]) > 0.0 for shown in values.values()
        )  # false where one of them is blank

    order = in_order(stamps, differ, round(sharing))
    if order.put_back:
        no_block_for_each_channel(stamps, str(source.path))
    if 0 < len(stamps) == order.timeless:
        raise InputError(
            f"{source.path}: none of its {len(stamps)} rows has a readable time; expected such as"
            " 2026-03-14T07:05:31.000Z, or [columns] time in the job to say how the log writes it"
        )
    index = pd.DatetimeIndex(order.stamps_us[order.kept].view("M8[us]"), name="time").tz_localize("UTC")
    if not order.kept.all():
        for channel in values:
            values[channel] = values[channel][order.kept]
    return Rows(index, values, cautions + _odd(order, sharing, step_s, source.path.name), order.put_back)


def _odd(order: Order, sharing: float, step_s: float, name: str) -> list[str]:
    """Return what is odd about the stamps, as sentences."""
    said = []
    if sharing > 1.0:
        said.append(
            f"{name}: about {sharing:.0f} rows share each stamp, one every {step_s:g} s: they were spread evenly"
            " up to the next."
        )
    if order.timeless:
        said.append(f"{name}: {counted(order.timeless, 'row')} without a readable time left out.")
    for step in order.put_back:
        at = np.datetime64(step.first_us, "us").astype("M8[s]")
        said.append(
            f"{name}: the clock was put back at {at}Z: {step.by_us / SECOND_US:g} s are added from there on, so that"
            " the stamps go on."
        )
    if order.backward:
        said.append(f"{name}: {counted(order.backward, 'row')} that went back in time or repeated a stamp left out.")
    if order.ahead:
        said.append(f"{name}: {counted(order.ahead, 'row')} far ahead of those that follow left out.")
    if order.waits:
        said.append(f"{name}: the last {order.waits} rows lie far ahead of those before; they count once more follow.")
    return said


def numbers(cells: pd.Series, decimal: str, unit: str | None) -> tuple[np.ndarray, np.ndarray | None]:
    """Return cells as float64, and which of them that are not blank could not be read (None: all could)."""
    if cells.dtype.kind in "fiu":
        return cells.to_numpy(dtype=float), None
    text = cells.astype("str").str.strip()
    plain = (
        text.where(~text.str.contains(".", regex=False).fillna(False)).str.replace(",", ".") if decimal == "," else text
    )
    read = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=float, na_value=np.nan).copy()
    odd = np.isnan(read) & (cells.notna() & (text != "") & (text.str.lower() != "nan")).to_numpy(dtype=bool)
    for i in np.flatnonzero(odd).tolist():
        number = number_in(str(text.iloc[i]), decimal, unit)
        if number is not None:
            read[i] = number
            odd[i] = False
    return read, odd


@lru_cache(maxsize=4096)
def number_in(text: str, decimal: str, unit: str | None = None) -> float | None:
    """Return the number that a cell holds, None for anything else.

    It may have groups of thousands, its unit (None: any) and that it is good behind it, and stand as text does in
    spreadsheets; what stands in parentheses there is less than nothing.
    """
    group = "." if decimal == "," else ","
    match = re.fullmatch(
        rf"[=\"'\s]*([-+−]?)(\d{{1,3}}(?:[{group}'’\s]\d{{3}})+|\d*)(?:[{decimal}](\d*))?([eE][-+]?\d+)?\s*([^\d\s].*)?",
        re.sub(r"^\(([^()]*)\)$", r"-\1", text.strip().rstrip("\"'")),
    )
    if match is None and re.fullmatch(r"[-+]?\d+\.\d+", text):  # a point that cannot stand between thousands
        return float(text)
    if match is None or not (match[2] or match[3]):
        return None
    sign, whole, part, power, behind = (each or "" for each in match.groups())
    digits = "".join(character for character in whole if character.isdigit())
    key = spelling(GOOD_BEHIND.sub("", behind))
    meant = {UNIT_SPELLINGS.get(key), *UNSAID_DATUM.get(key, ())} - {None}
    if key and (unit not in meant if unit is not None else not meant):
        return None
    return float(f"{'-' if sign in ('-', '−') else ''}{digits or '0'}.{part or '0'}{power}")
