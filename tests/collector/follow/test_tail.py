"""Files are followed line by line, whole lines only, whatever the recorder does to them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from collector.follow.tail import JournalTail, ReadingsTail, Tail

HEADER = "time,circuit_pressure [psig],cylinder_weight [lb]\n"


def test_half_a_line_waits_until_it_is_whole(tmp_path: Path) -> None:
    file = tmp_path / "lines"
    tail = Tail(file)
    assert tail.lines() == []
    whole = b"first\r\nsecond\nth"
    for cut in range(len(whole) + 1):
        file.write_bytes(whole[:cut])
        assert Tail(file).lines() == [line.decode() for line in whole[:cut].splitlines()][: whole[:cut].count(b"\n")]
    assert tail.lines() == ["first", "second"]
    with file.open("ab") as more:
        more.write(b"ird\n")
    assert tail.lines() == ["third"]
    assert tail.lines() == []


def test_a_file_put_in_place_of_another_is_read_from_its_begin(tmp_path: Path) -> None:
    file = tmp_path / "lines"
    file.write_text("a\nb\n")
    tail = Tail(file)
    assert tail.lines() == ["a", "b"]
    (tmp_path / "other").write_text("c\nd\ne\n")
    (tmp_path / "other").replace(file)
    assert tail.lines() == ["c", "d", "e"]
    assert tail.fresh == 2
    file.write_text("f\n")  # cut to less than was read
    assert tail.lines() == ["f"]


def test_readings_come_in_the_unit_of_their_column(tmp_path: Path) -> None:
    file = tmp_path / "readings.csv"
    tail = ReadingsTail(file)
    assert tail.rows() == []
    file.write_text(HEADER)
    assert tail.rows() == []
    assert [column.header for column in tail.columns] == ["circuit_pressure [psig]", "cylinder_weight [lb]"]
    with file.open("a") as more:
        more.write("2026-03-14T07:05:31.000Z,62.9,\nnonsense,1,2\n2026-03-14T07:05:32.500Z,ERR,1e999\n")
    (at, first), (later, second) = tail.rows()
    assert later - at == 1.5
    assert first[0] == 62.9
    assert all(math.isnan(value) for value in (first[1], *second))


def test_of_a_header_with_a_wrong_unit_the_other_columns_are_kept(tmp_path: Path) -> None:
    file = tmp_path / "readings.csv"
    file.write_text("time,circuit_pressure [furlong],no unit,cylinder_weight [lb]\n2026-03-14T07:05:31.000Z,1,2,3\n")
    tail = ReadingsTail(file)
    ((_, values),) = tail.rows()
    assert values == [3.0]


@pytest.mark.parametrize("text", ["plain", 'a "quoted" word, and a comma', "<script>alert(1)</script>"])
def test_any_note_in_the_journal_is_read_back_as_it_was(tmp_path: Path, text: str) -> None:
    file = tmp_path / "journal.csv"
    quoted = '"' + text.replace('"', '""') + '"'
    file.write_text(f"time,kind,subject,value,text\n2026-03-14T07:05:31.000Z,note,,,{quoted}\nbad\n")
    (row,) = JournalTail(file).rows()
    assert (row.kind, row.text) == ("note", text)
