"""Refusing what is no table with a row for each time and a column for each channel: it would be read as one channel.

Other software writes a row for each reading, a block for each channel, or a time for each column.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.log.clock import NOT_A_TIME, TEXT_SIGNS, Clock
from analysis.log.words import meanings
from analysis.vocabulary.channels import Column
from analysis.vocabulary.errors import InputError, quoted
from analysis.vocabulary.job import ColumnMapping

EXPECTED = "expected one table with a column for each channel"
ENOUGH_ROWS = 10
MOST, SHARED = 0.9, 2 / 3
"""So large a share of the rows counts as all of them; where no more than that share are different, they come again."""


def cells_of(rows: Sequence[Sequence[str]], at: int) -> list[str]:
    """Return the cells of one column, blank where a row is too short for it."""
    return [row[at] if at < len(row) else "" for row in rows]


def no_row_for_each_reading(
    names: Sequence[str], rows: Sequence[Sequence[str]], time_at: Sequence[int], where: str
) -> None:
    """Refuse rows that share their times and say in a word what each of them reads.

    `rows` are the cells of some rows; a word is one that is neither a number nor a time, and comes again.
    """
    whole = [row for row in rows if len(row) >= len(names) and any(row[at] for at in time_at)]
    time = pd.Series([" ".join(row[at] for at in time_at) for row in whole], dtype="str")
    if len(whole) < ENOUGH_ROWS or time.nunique() > SHARED * len(whole):
        return
    for at in sorted(set(range(len(names))) - set(time_at)):
        said = pd.Series([row[at] for row in whole], dtype="str")
        words = said.str.contains(r"[^\W\d_]") & ~said.str.match(r"[-+]?[\d.,]")
        shared = pd.DataFrame({"time": time, "said": said})
        again = 1 < said.nunique() <= SHARED * len(whole)
        if words.mean() > MOST and again and shared.duplicated().mean() < 1.0 - MOST:
            raise row_for_each_reading(names[at], said.unique().tolist(), where)


def row_for_each_reading(name: str, said: Iterable[str], where: str) -> InputError:
    """Return the refusal of a table whose column `name` has `said` what each row reads."""
    some = ", ".join(sorted(said)[:3])
    return InputError(
        f"{where}: column {quoted(name)} says what each row reads ({some}, …), a row for each reading; {EXPECTED}:"
        f" a pivot table of {quoted(name)} makes one"
    )


def one_time_for_each_row(
    names: Sequence[str], rows: Sequence[Sequence[str]], time_at: Sequence[int], entry: ColumnMapping, where: str
) -> None:
    """Refuse a table in which another column holds times that go at another pace than those of `entry`."""
    if len(time_at) != 1 or entry.start is not None:
        return

    def times(at: int) -> np.ndarray:
        return Clock(entry, where).utc_us([pd.Series(cells_of(rows, at), dtype="str")])

    for at, name in enumerate(names):
        if at in time_at or "time" not in meanings(name):
            continue
        try:
            first, other = times(time_at[0]), times(at)
        except InputError:  # this one is no time, or counts
            continue
        both = (first != NOT_A_TIME) & (other != NOT_A_TIME)
        if np.count_nonzero(both) < ENOUGH_ROWS:
            continue
        steps, paces = np.diff(first[both]), np.diff(other[both])
        apart = np.median(np.abs(paces - steps)) > np.median(np.abs(steps)) / 2
        if apart and np.mean((steps > 0) & (paces > 0)) > MOST:
            raise InputError(
                f"{where}: columns {quoted(names[time_at[0]])} and {quoted(name)} hold different times, one for each"
                f" channel; {EXPECTED} and one time for all of them, or each channel in a file of its own"
            )


def no_block_for_each_channel(stamps_us: np.ndarray, where: str) -> None:
    """Refuse stamps that run through the very same times again: another channel stands there, no later time."""
    known = stamps_us[stamps_us != NOT_A_TIME]
    back = np.flatnonzero(np.diff(known) < 0)
    blocks = list(zip(known[[0, *(back + 1)]].tolist(), known[[*back, -1]].tolist(), strict=True)) if len(back) else []
    if len(set(blocks)) < len(blocks):
        raise InputError(
            f"{where}: the rows run through the same times again and show something else there: a block for each"
            f" channel; {EXPECTED}, or each block in a file of its own"
        )


def no_other_table(
    chunk: pd.DataFrame,
    time_us: np.ndarray,
    time: tuple[int, str],
    channels: Mapping[str, tuple[int, Column]],
    path: Path,
) -> None:
    """Refuse rows below a header that names other columns than the first; `time` is where it stands and its name."""
    timeless = time_us == NOT_A_TIME
    if not timeless.any():
        return
    headers = chunk[timeless]
    headers = headers[headers[str(time[0])].str.strip(TEXT_SIGNS) == time[1]]
    for position, column in channels.values():
        for cell in headers[str(position)].dropna().astype("str").unique():
            again, first = (" ".join(name.strip(TEXT_SIGNS).split()) for name in (cell, column.header))
            if not (first.startswith(again) or again.startswith(first)):  # the unit may be left out
                raise InputError(
                    f"{path}: further down another table begins, with {cell.strip()!r} where {column.header!r}"
                    f" stood; {EXPECTED}, or each table in a file of its own"
                )
