"""Files that are no table with a row for each time and a column for each channel are refused, by both commands."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.columns import propose_columns
from analysis.log import load
from analysis.vocabulary.errors import InputError

ROWS = 30


def clock(second: int) -> str:
    return f"2026-03-14 08:{second // 60:02d}:{second % 60:02d}"


def reading(channel: int, row: int) -> str:
    return f"{channel + row / 10:.1f}"


def written(folder: Path, text: str) -> tuple[Path, Path]:
    """Write a log and a job that reads one of its columns; return both."""
    file, job = folder / "theirs.csv", folder / "job.toml"
    job.write_text(
        '[job]\nname = "n"\n[columns]\ntime = { column = "Time" }\n'
        'circuit_pressure = { column = "Value", unit = "bar" }\n',
        encoding="utf-8",
    )
    file.write_text(text, encoding="utf-8")
    return file, job


def blocks(*heads: str) -> str:
    return "".join(
        head + "".join(f"{clock(row)},{reading(3 * at, row)}\n" for row in range(ROWS)) for at, head in enumerate(heads)
    )


LONG = "Time,Point,Value\n" + "".join(
    f"{clock(row)},{name},{reading(at, row)}\n"
    for row in range(ROWS)
    for at, name in enumerate(("AI-1", "AI-2", "AI-3"))
)
SORTED = "Time,Point,Value\n" + "".join(
    f"{clock(row)},{name},{reading(at, row)}\n" for at, name in enumerate(("AI-1", "AI-2")) for row in range(ROWS)
)
OWN_TIMES = "Time,Value,Time,Other (C)\n" + "".join(
    f"{clock(row)},{reading(0, row)},{clock(5 * row)},{reading(1, row)}\n" for row in range(ROWS)
)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (LONG, "column 'Point' says what each row reads .AI-1, AI-2, AI-3, .*: a pivot table of 'Point' makes one"),
        (SORTED, "column 'Point' says what each row reads"),
        (blocks("Time,Value\n", "\nSuction\nTime,Value\n"), "run through the same times again"),
        (blocks("Time,Value\n", ""), "run through the same times again"),
        (OWN_TIMES, "hold different times, one for each channel"),
    ],
)
def test_what_would_be_read_as_one_channel_is_refused(tmp_path: Path, text: str, said: str) -> None:
    file, job = written(tmp_path, text)
    with pytest.raises(InputError, match=said):
        load(file, job)
    with pytest.raises(InputError, match=said):
        propose_columns(text.encode(), "theirs.csv")


def test_states_beside_rows_that_share_a_stamp_and_a_clock_that_lags_are_no_such_thing(tmp_path: Path) -> None:
    """Four rows a second with whole seconds, a word for each row, and the local time beside it."""
    text = "Time,Value,State,Local time\n" + "".join(
        f"{clock(row // 4)},{reading(0, row)},{'pull' if row % 8 else 'rest'},{clock(60 + row // 4)}\n"
        for row in range(4 * ROWS)
    )
    assert len(load(*written(tmp_path, text))[0].frame) == 4 * ROWS
    assert propose_columns(text.encode(), "theirs.csv").time.column == "Time"


def test_a_number_for_each_row_and_a_time_for_each_lot_of_rows_are_no_such_thing(tmp_path: Path) -> None:
    """Ten rows are sent at a time, each with a name of its own and the time at which it was read."""
    text = "Time,Value,Id,Read time\n" + "".join(
        f"{clock(10 * (row // 10))},{reading(0, row)},R{row:04d},{clock(row)}\n" for row in range(4 * ROWS)
    )
    assert len(load(*written(tmp_path, text))[0].frame) == 4 * ROWS


def test_the_same_rows_exported_twice_are_left_out_once(tmp_path: Path) -> None:
    text = blocks("Time,Value\n")
    assert len(load(*written(tmp_path, text + text.partition("\n")[2]))[0].frame) == ROWS
