"""A first proposal of `[columns]` for a log that somebody else recorded, to be checked by the reader.

Names are read by their words, units from the header or else from the numbers; what is not sure says so in a
comment beside it, and what cannot be told is left out in a comment of its own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
import pandas as pd

from analysis.columns.channels import Guess, guess_channel, one_each, own_column
from analysis.columns.clock import MOST, ZONE_SAID, TimeGuess, guess_time
from analysis.log.clock import Clock
from analysis.log.clock_order import newest_first
from analysis.log.foreign import DELIMITERS, SAMPLE_ROWS, Layout, beginning, decimal_sign, decoded, numbered, records
from analysis.log.one_table import (
    cells_of,
    no_block_for_each_channel,
    no_row_for_each_reading,
    one_time_for_each_row,
    row_for_each_reading,
)
from analysis.log.rows import number_in, numbers
from analysis.log.words import DAY_FIRST, is_unit, meanings, words
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import ColumnMapping
from analysis.vocabulary.units import UnitSystem

HEADER_ROWS = 4
"""So many rows below the names may say what they are: their units, how they were averaged."""


@dataclass(frozen=True)
class Proposal:
    """How to read a log of somebody else."""

    layout: Layout
    time: TimeGuess
    guesses: tuple[Guess, ...]

    def doubts(self) -> list[str]:
        """Return what is not sure, a sentence each."""
        said = [] if self.time.zone_known else [_NO_ZONE]
        said += self.time.doubts
        return said + [
            f"{g.column} as {g.channel} [{g.unit}]: {g.doubt}" for g in self.guesses if g.channel and g.doubt
        ]

    def to_toml(self) -> str:
        """Return the `[columns]` table; comments say what to check."""
        time = self.time
        lines = ["[columns]", f"delimiter = {_quoted(self.layout.delimiter)}", f'decimal = "{self.layout.decimal}"']
        lines += [f"# {said}" for said in ([] if time.zone_known else [_NO_ZONE]) + list(time.doubts)]
        zone = time.zone or ("" if time.zone_known else "UTC")
        stated: dict[str, str | tuple[str, ...]] = {
            "clock": time.clock, "format": time.format, "unit": time.unit, "start": time.start,
            "zone": zone,
        }  # fmt: skip
        said_too = "".join(f", {key} = {_stated(said)}" for key, said in stated.items() if said)
        lines.append(f"time = {{ column = {_quoted(time.column)}{said_too} }}")
        for guess in self.guesses:
            if guess.channel:
                doubt = f"  # not sure: {guess.doubt}" if guess.doubt else ""
                entry = f"{{ column = {_quoted(guess.column)}, unit = {_quoted(guess.unit)} }}"
                lines.append(f"{guess.channel} = {entry}{doubt}")
            else:
                lines.append(f"# not used: {_quoted(guess.column)} ({guess.doubt})")
        return "\n".join(lines) + "\n"


_NO_ZONE = "The log does not say its time zone: UTC is taken. State the place, as in Europe/Berlin."


def propose_columns(sample: bytes, where: str, later: Sequence[bytes] = ()) -> Proposal:
    """Return the proposal for a log of which `sample` is the beginning and `later` are pieces from further on.

    Raises
    ------
    InputError
        It names its own channels already, has no header, or no time.
    """
    text, encoding, mark = decoded(sample)
    names, delimiter, end, first = _header(text, where)
    rows = [cells for cells, _ in records(text[end:], delimiter)]
    rows = [row for row in (rows if text.endswith(("\n", "\r")) else rows[:-1] or rows) if any(row)]
    above = _said_below(rows)
    units_below = [*next(filter(_is_unit_row, rows[:above]), []), *[""] * len(names)]
    begin = rows[above:]
    rows = begin[:SAMPLE_ROWS] + begin[SAMPLE_ROWS :: max(1, len(begin) // SAMPLE_ROWS)]
    titles, names = _titles(names, text[:first], delimiter), tuple(numbered(names))
    for piece in later:
        whole = piece.decode(encoding, errors="replace").partition("\n")[2].rpartition("\n")[0]
        rows += [cells for cells, _ in islice(records(whole, delimiter), SAMPLE_ROWS // 10)]
    cells = {name: cells_of(rows, i) for i, name in enumerate(names) if name or not i}
    american = None
    if any(DAY_FIRST & set(words(name)) for name in names):
        american = False
    elif any(re.search(r"psi|[°(\[ _]F\b", f"{name} {unit}") for name, unit in zip(names, units_below, strict=False)):
        american = True
    time = guess_time(names, cells, text[:first], american, where)
    used = {time.column, *time.clock}
    decimal = decimal_sign(rows, delimiter, {i for i, name in enumerate(names) if name and name not in used})
    if american and decimal == ",":  # nobody who puts the month first writes so
        time = guess_time(names, cells, text[:first], False, where)
    _one_table(names, begin, time, where)
    ours = delimiter == "," and decimal == "." and encoding == "utf-8" and not text[:first] and names[0] == "time"
    if ours and time == TimeGuess("time", zone_known=True) and any(own_column(name) for name in names[1:]):
        raise InputError(f"{where}: names its own channels and units; no [columns] is needed")
    readings = {
        name: numbers(pd.Series(cells[name], dtype="str"), decimal, None)[0]
        for name in names
        if name not in {*used, ""} and not any(re.search(r"\d:\d\d", cell) for cell in cells[name])
    }

    units_said = {name: units_below[i] or _unit_in(cells[name]) for i, name in enumerate(names) if name in readings}

    def guessed(units: UnitSystem | None) -> list[Guess]:
        return [
            replace(guess_channel(titles[names.index(name)], said, readings[name], units), column=name)
            for name, said in units_said.items()
        ]

    guesses = guessed(None)
    us, si = (sum(guess.unit == unit for guess in guesses) for unit in ("degF", "degC"))
    if us != si and max(us, si) >= 2 * min(us, si):
        guesses = guessed("us" if us > si else "si")  # what does not say its unit is in those of its neighbours
    if not any(guess.channel for guess in guesses):
        _no_long_table(cells, where)
    layout = Layout(encoding, delimiter, decimal, mark + len(text[:end].encode(encoding, errors="replace")), names)
    return Proposal(layout, time, one_each(guesses))


def _one_table(names: Sequence[str], rows: Sequence[Sequence[str]], guess: TimeGuess, where: str) -> None:
    """Refuse a log that is no table with a row for each time."""
    time_at = [names.index(name) for name in (guess.column, *guess.clock)]
    entry = ColumnMapping(
        column=guess.column, format=guess.format or None, unit=guess.unit or None, start=guess.start or None
    )
    no_row_for_each_reading(names, rows[:SAMPLE_ROWS], time_at, where)
    one_time_for_each_row(names, rows[:SAMPLE_ROWS], time_at, entry, where)
    shown = {" ".join(row) for row in rows}
    stamps = {tuple(row[at] for at in time_at if at < len(row)) for row in rows}
    if len(shown) > len(stamps):
        try:
            stamps_us = Clock(entry, where).utc_us([pd.Series(cells_of(rows, at), dtype="str") for at in time_at])
        except InputError:  # a count whose start is not said
            return
        no_block_for_each_channel(stamps_us[::-1] if newest_first(stamps_us) else stamps_us, where)


def _no_long_table(cells: Mapping[str, list[str]], where: str) -> None:
    """Refuse a table that has a row for each reading, and the name of its channel in a cell."""
    for column, shown in cells.items():
        named = {cell for cell in shown if cell and not _is_reading(cell)}
        if len(named) > 1 and all(guess_channel(name, "", np.full(1, 2.0)).choices for name in named):
            raise row_for_each_reading(column, named, where)


def _stated(said: str | tuple[str, ...]) -> str:
    texts = [_quoted(each) for each in ((said,) if isinstance(said, str) else said)]
    return texts[0] if len(texts) == 1 else f"[{', '.join(texts)}]"


def _quoted(text: str) -> str:
    """Return a TOML basic string; what is not printable is escaped."""
    plain = {'"': '\\"', "\\": "\\\\", "\t": "\\t"}
    signs = (plain.get(c, c if c.isprintable() else f"\\U{ord(c):08X}") for c in text)
    return f'"{"".join(signs)}"'


def _header(text: str, where: str) -> tuple[tuple[str, ...], str, int, int]:
    """Return the names of the header, the delimiter, and where in the text the header ends and begins."""
    best, score = None, (0, 0)
    top = beginning(text)
    for delimiter in DELIMITERS:
        rows = [((), 0), *((tuple(cells), end) for cells, end in records(top, delimiter) if any(cells))]
        for number, (names, end) in enumerate(rows):
            if sum(bool(name) for name in names) < 2 or _is_unit_row(names) or any(_is_reading(n) for n in names):
                continue
            below = [[cell for cell, name in zip(row, names, strict=False) if name] for row, _ in rows[number + 1 :]]
            said = _said_below(below)
            at_once = len(below) > said and all(map(_is_unit_row, below[:said]))
            below = below[said:]
            numbers = sum(_is_number(cell) for row in below[:5] for cell in row)
            fits = (numbers, sum(bool(meanings(name)) for name in names))
            blank = at_once and all(any(map(_is_reading, row)) for row in below[:5])  # a gauge that shows nothing yet
            if (numbers or blank) and fits > score:
                best, score = (names, delimiter, end, rows[number - 1][1]), fits
    if best is None:
        raise InputError(f"{where}: no line with names of columns above lines of numbers; expected a log in CSV")
    return best


def _titles(names: Sequence[str], above: str, delimiter: str) -> list[str]:
    """Return what the lines above the header call each of its columns, or else its name: ``CH1,Suction pressure``."""
    called = {cells[0].rstrip(":"): cells[1] for cells, _ in records(above, delimiter) if len(cells) > 1}
    titles = [called.get(name, "") for name in names]
    if {"SP", "DP"} <= {name[:2] for name in names if _LETTERS.match(name)}:
        names = [_LETTERS.sub(lambda said: _PRESSURES[said[0]] + " ", name) for name in names]
    return [t if t and len(meanings(t)) >= len(meanings(n)) else n for t, n in zip(titles, names, strict=True)]


_PRESSURES = {"SP": "suction pressure", "DP": "discharge pressure", "LP": "liquid pressure"}
_LETTERS = re.compile(r"^[SDL]P(?=[ _-]?(?:\d|[A-D])?[ _,]*(?:$|[(\[]|(?i:psi|bar|kpa|mpa)))")
"""What two letters mean side by side; alone LP is a low pressure, DP a difference, SP a set point."""


def _said_below(rows: Sequence[Sequence[str]]) -> int:
    """Return how many of the first rows below the names hold no reading, and say what the columns are."""
    return next((i for i, row in enumerate(rows[:HEADER_ROWS]) if any(map(_is_reading, row))), 0)


def _is_reading(cell: str) -> bool:
    return _is_number(cell) or re.search(r"\d:\d\d|\d{4}-\d\d-\d\d", ZONE_SAID.sub("", cell)) is not None


def _is_number(cell: str) -> bool:
    return number_in(cell, ".") is not None or number_in(cell, ",") is not None


def _unit_in(cells: Sequence[str]) -> str:
    """Return the unit that stands behind most numbers of a column, nothing where none does."""
    behind = pd.Series([cell for cell in cells if cell], dtype="str").str.extract(r"^[-+]?\d[\d.,'’\s]*(\D.*)$")[0]
    usual = behind.mode()
    said = "" if usual.empty or (behind == usual[0]).mean() < MOST else str(usual[0]).strip()
    return said if is_unit(said) else ""


def _is_unit_row(row: Sequence[str]) -> bool:
    cells = [cell for cell in row if cell.strip()]
    return bool(cells) and 2 * sum(map(is_unit, cells)) >= len(cells)
