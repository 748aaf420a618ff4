"""Append-only files: whole lines or none, whatever the disk does."""

from __future__ import annotations

import csv
import datetime
import errno
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.vocabulary.errors import InputError
from collector.joblog import LineFile, RealDisk, csv_line

HEAD = "time,weight [kg]\n"
ROWS = [f"2026-03-14T07:00:0{n}.000Z,{n}.5\n".encode() for n in range(4)]


class FailingDisk(RealDisk):
    """A disk that fails as told: `writes` maps the number of a write to a count of bytes or an error."""

    def __init__(self, writes: dict[int, int | OSError] | None = None, syncs: dict[int, OSError] | None = None) -> None:
        self.writes, self.syncs = writes or {}, syncs or {}
        self.written = self.synced = 0

    def write(self, descriptor: int, data: bytes) -> int:
        self.written += 1
        told = self.writes.get(self.written)
        if isinstance(told, OSError):
            raise told
        return super().write(descriptor, data if told is None else data[:told])

    def sync(self, descriptor: int) -> None:
        self.synced += 1
        if self.synced in self.syncs:
            raise self.syncs[self.synced]
        super().sync(descriptor)


def test_a_new_file_has_its_header_and_grows_by_whole_lines(tmp_path: Path) -> None:
    with LineFile(tmp_path / "r.csv", HEAD) as file:
        assert file.opened.fresh
        file.commit(ROWS[0] + ROWS[1])
    with LineFile(tmp_path / "r.csv", HEAD) as file:
        assert not file.opened.fresh
        assert file.opened.torn == b""
        file.commit(ROWS[2])
    assert (tmp_path / "r.csv").read_bytes() == HEAD.encode() + b"".join(ROWS[:3])


def test_cut_at_every_byte_of_header_and_lines_it_resumes_with_whole_lines(tmp_path: Path) -> None:
    whole = HEAD.encode() + b"".join(ROWS)
    for cut in range(len(whole) + 1):
        path = tmp_path / f"{cut}.csv"
        path.write_bytes(whole[:cut])
        with LineFile(path, HEAD) as file:
            kept = whole[:cut].rfind(b"\n") + 1
            assert file.opened.torn == whole[kept:cut]
            file.commit(ROWS[3])
        expected = whole[:kept] if kept else HEAD.encode()
        assert path.read_bytes() == expected + ROWS[3], cut


@pytest.mark.parametrize("short", [1, 5, 20])
def test_a_short_write_is_gone_on_with(tmp_path: Path, short: int) -> None:
    with LineFile(tmp_path / "r.csv", HEAD, FailingDisk({2: short})) as file:
        file.commit(ROWS[0])
    assert (tmp_path / "r.csv").read_bytes() == HEAD.encode() + ROWS[0]


@pytest.mark.parametrize(
    "disk",
    [
        FailingDisk({2: OSError(errno.ENOSPC, "full")}),
        FailingDisk({2: 7, 3: OSError(errno.ENOSPC, "full")}),
        FailingDisk({2: 0}),
        FailingDisk(syncs={2: OSError(errno.EIO, "broken")}),
    ],
)
def test_what_fails_leaves_whole_lines_and_may_be_tried_again(tmp_path: Path, disk: FailingDisk) -> None:
    with LineFile(tmp_path / "r.csv", HEAD, disk) as file:
        with pytest.raises(OSError):
            file.commit(ROWS[0])
        assert (tmp_path / "r.csv").read_bytes() == HEAD.encode()
        file.commit(ROWS[0])
    assert (tmp_path / "r.csv").read_bytes() == HEAD.encode() + ROWS[0]


@pytest.mark.parametrize(
    ("there", "said"),
    [
        (b"time,vacuum [micron]\nx", "expected the same columns"),
        (b"x" * (2 << 20), "is not a log"),
        (b"precious", "is not a log"),
    ],
    ids=["another header", "no line end", "short"],
)
def test_a_file_of_something_else_is_refused_and_not_changed(tmp_path: Path, there: bytes, said: str) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(there)
    with pytest.raises(InputError, match=said):
        LineFile(path, HEAD)
    assert path.read_bytes() == there


def test_a_long_tail_of_zeros_is_cut_and_told_shortly(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(HEAD.encode() + ROWS[0] + b"\0" * (3 << 20))
    with LineFile(path, HEAD) as file:
        said = file.opened.torn_words("r.csv")
        assert said.startswith("r.csv: cut 3145728 bytes of a torn last line, beginning with b'\\x00")
        assert len(said) < 1_000
        file.commit(ROWS[1])
    assert path.read_bytes() == HEAD.encode() + ROWS[0] + ROWS[1]


def test_nothing_torn_is_cut_before_the_first_commit(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(HEAD.encode() + ROWS[0] + b"2026-03-14T07")
    with LineFile(path, HEAD) as file:
        assert path.read_bytes().endswith(b"2026-03-14T07")
        file.commit(b"")
    assert path.read_bytes() == HEAD.encode() + ROWS[0]


def test_what_a_power_cut_left_as_a_hole_is_torn_with_all_that_stands_behind_it(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    hole = ROWS[1][:9] + bytes(4096) + ROWS[2][5:] + ROWS[3]
    path.write_bytes(HEAD.encode() + ROWS[0] + hole)
    with LineFile(path, HEAD) as file:
        assert file.opened.torn == hole
        file.commit(ROWS[1])
    assert path.read_bytes() == HEAD.encode() + ROWS[0] + ROWS[1]


def test_a_file_that_went_away_is_waited_for_and_gone_on_with_when_it_is_the_same_log(tmp_path: Path) -> None:
    """As when a stick is pulled, and mounted again as another file system with other file numbers."""
    here, away = tmp_path / "job", tmp_path / "away"
    here.mkdir()
    returned: list[str] = []
    with LineFile(here / "r.csv", HEAD, on_return=lambda: returned.append("asked")) as file:
        file.commit(ROWS[0])
        here.rename(away)
        with pytest.raises(OSError, match="gone from its folder"):
            file.commit(ROWS[1])
        here.mkdir()
        with pytest.raises(OSError, match="gone from its folder"):
            file.commit(ROWS[1])
        (here / "r.csv").write_bytes((away / "r.csv").read_bytes())
        file.commit(ROWS[1] + ROWS[2])
        file.commit(ROWS[3])
    assert returned == ["asked"]
    assert (here / "r.csv").read_bytes() == HEAD.encode() + b"".join(ROWS)
    assert (away / "r.csv").read_bytes() == HEAD.encode() + ROWS[0]


@pytest.mark.parametrize(
    "there", [b"", HEAD.encode(), HEAD.encode() + ROWS[1] + ROWS[2], HEAD.encode() + ROWS[0] + ROWS[3]]
)
def test_another_file_in_its_place_is_never_written(tmp_path: Path, there: bytes) -> None:
    path = tmp_path / "r.csv"
    with LineFile(path, HEAD) as file:
        file.commit(ROWS[0])
        path.rename(tmp_path / "before.csv")
        path.write_bytes(there)
        with pytest.raises(OSError, match=r"another r.csv stands in its place"):
            file.commit(ROWS[1])
        assert path.read_bytes() == there
        (tmp_path / "before.csv").replace(path)
        file.commit(ROWS[1])
    assert path.read_bytes() == HEAD.encode() + ROWS[0] + ROWS[1]


def test_lines_that_somebody_else_added_after_a_failure_are_not_cut(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    with LineFile(path, HEAD, FailingDisk({2: OSError(errno.EIO, "broken")})) as file:
        with pytest.raises(OSError, match="broken"):
            file.commit(ROWS[0])
        with path.open("ab") as other:
            other.write(ROWS[3])
        with pytest.raises(OSError, match=r"another r\.csv"):
            file.commit(ROWS[0] + ROWS[1])
    assert path.read_bytes() == HEAD.encode() + ROWS[3]


def test_a_late_thread_finds_the_file_closed(tmp_path: Path) -> None:
    file = LineFile(tmp_path / "r.csv", HEAD)
    file.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        file.commit(ROWS[0])
    assert (tmp_path / "r.csv").read_bytes() == HEAD.encode()


@pytest.mark.parametrize(
    ("last", "time"),
    [
        (ROWS[1], datetime.datetime(2026, 3, 14, 7, 0, 1, tzinfo=datetime.UTC)),
        (ROWS[1].replace(b"\n", b"\r\n"), datetime.datetime(2026, 3, 14, 7, 0, 1, tzinfo=datetime.UTC)),
        (b"2026-03-14T07:00:01,1\n", None),
        (b"\xff,1\n", None),
        (b"", None),
    ],
)
def test_the_last_stamp_is_known(tmp_path: Path, last: bytes, time: datetime.datetime | None) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(HEAD.encode() + last)
    with LineFile(path, HEAD) as file:
        assert file.opened.last_time == time


@given(st.lists(st.text(), min_size=5, max_size=5))
def test_any_text_is_one_line_and_reads_back_as_five_cells(cells: list[str]) -> None:
    line = csv_line(cells)
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")
    back = next(csv.reader(io.StringIO(line.decode("utf-8"), newline="")))
    assert [len(a) for a in back] == [len(a) for a in cells]
    assert all(a == b for a, b in zip(back, cells, strict=True) if b.isprintable() and b.isascii())
