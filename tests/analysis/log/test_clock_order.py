"""Stamps that do not rise: which rows are kept, and where rows that share a stamp are put."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.log import load
from analysis.log.clock import NOT_A_TIME
from analysis.log.clock_order import PutBack, in_order, journal_put_on, spread

HOUR = 3_600


def us(*seconds: float) -> np.ndarray:
    return np.array([round(s * 1e6) for s in seconds], dtype=np.int64)


@pytest.mark.parametrize(
    ("seconds", "kept", "backward", "ahead"),
    [
        ((0, 1, 2), (0, 1, 2), 0, 0),
        ((0, 1, 1, 0.5, 2), (0, 1, 4), 2, 0),
        ((0, 1, 9e8, 2, 3), (0, 1, 3, 4), 0, 1),
        ((9e8, 1, 2, 3), (1, 2, 3), 0, 1),
        ((0, 1, 9e8, 9.5e8, 2, 3), (0, 1, 4, 5), 0, 2),
        ((0, 1, 9 * HOUR, 9 * HOUR + 1, 9 * HOUR + 2), (0, 1, 2, 3, 4), 0, 0),
        ((0, 1, 9 * HOUR, 9 * HOUR, 9 * HOUR + 1, 9 * HOUR + 2), (0, 1, 2, 4, 5), 1, 0),
        ((5,), (0,), 0, 0),
    ],
)
def test_one_row_that_cannot_be_right_is_left_out(
    seconds: tuple[float, ...], kept: tuple[int, ...], backward: int, ahead: int
) -> None:
    order = in_order(us(*seconds))
    assert tuple(np.flatnonzero(order.kept)) == kept
    assert (order.backward, order.ahead) == (backward, ahead)


def test_last_rows_far_ahead_wait_for_more() -> None:
    assert in_order(us(0, 1, 9 * HOUR, 9 * HOUR + 1)).waits == 2
    assert in_order(us(0, 1, 9 * HOUR, 9 * HOUR + 1, 9 * HOUR + 2)).waits == 0


@given(st.lists(st.one_of(st.integers(0, 40_000), st.just(-1)), max_size=40))
def test_what_is_kept_rises_and_every_row_is_accounted_for(seconds: list[int]) -> None:
    stamps = np.array([NOT_A_TIME if s < 0 else s * 1_000_000 for s in seconds], dtype=np.int64)
    order = in_order(stamps, lambda row, other: row % 5 > 0)
    assert (np.diff(order.stamps_us[order.kept]) > 0).all()
    lost = order.timeless + order.backward + order.ahead + order.waits
    assert np.count_nonzero(order.kept) + lost == len(stamps)


@pytest.mark.parametrize("step", [60, 1])
@pytest.mark.parametrize("start", [0, 1, 4, 5])
def test_rows_that_share_a_stamp_stand_evenly_where_they_were_read(step: int, start: int) -> None:
    at = np.arange(start, 43) * step / 6.0
    spread_us, sharing, step_s = spread(us(*(np.floor(at / step) * step)))
    assert sharing == 6
    assert step_s == step
    assert np.abs(spread_us / 1e6 - at).max() < 1e-5


def test_stamps_that_seldom_repeat_stay() -> None:
    stamps = us(0, 1, 2, 2, 3, 4)
    assert (spread(stamps)[0] == stamps).all()


@pytest.mark.parametrize("newest_first", [False, True])
def test_minutes_of_rows_every_ten_seconds_are_all_read(newest_first: bool, tmp_path: Path) -> None:
    rows = [f"14.03.2026 07:{s // 60:02d};{100 + s}\n" for s in range(0, 1_200, 10)]
    wild = "".join(rows[:: -1 if newest_first else 1]).replace("14.03.2026 07:05;400\n", "14.03.2062 07:05;400\n")
    (tmp_path / "a.csv").write_text("Time;Pressure\n" + wild)
    (tmp_path / "job.toml").write_text(
        '[job]\nname = "n"\n[columns]\ntime = { column = "Time", format = "%d.%m.%Y %H:%M" }\n'
        'circuit_pressure = { column = "Pressure", unit = "kPa" }\n'
    )
    log, _ = load(tmp_path / "a.csv", tmp_path / "job.toml")
    seconds = (log.frame.index - log.frame.index[0]).total_seconds().to_numpy()
    read = log.frame["circuit_pressure"].to_numpy() / 1e3 - 100.0
    assert len(log.frame) == 119
    assert np.abs(seconds - read)[read < 300].max() < 1e-6
    assert np.abs(seconds - read).max() <= 10.0
    assert any("6 rows share each stamp" in said for said in log.cautions)
    assert any("1 row far ahead" in said for said in log.cautions)


def weighed(folder: Path, rows: list[tuple[int, float]], journal: str = "") -> tuple[np.ndarray, np.ndarray, str]:
    """Return seconds and weights that are read from rows of a second and a weight, and what is said."""
    day = np.datetime64("2026-03-14T10:00:00")
    text = "".join(f"{day + np.timedelta64(s, 's')}.000Z,{kg:.2f}\n" for s, kg in rows)
    (folder / "readings.csv").write_text("time,cylinder_weight [kg]\n" + text)
    (folder / "journal.csv").write_text("time,kind,subject,value,text\n" + journal)
    (folder / "job.toml").write_text('[job]\nname = "n"\n')
    log, _ = load(folder)
    seconds = (log.frame.index.tz_localize(None).to_numpy() - day) / np.timedelta64(1, "s")
    return np.asarray(seconds), log.frame["cylinder_weight"].to_numpy(), " ".join(log.cautions)


@pytest.mark.parametrize("back", [600, 3_600, 3_590, 7_200])
def test_the_stamps_of_a_clock_that_was_put_back_go_on(tmp_path: Path, back: int) -> None:
    true = [(s, 80.0 - s / 200.0) for s in range(0, 18_000, 30)]
    at, kg, said = weighed(tmp_path, [(s - back * (s >= 10_800), w) for s, w in true])
    assert at.tolist() == [s for s, _ in true]
    assert kg == pytest.approx([w for _, w in true], abs=0.006)
    assert "put back" in said
    assert "left out" not in said


def test_a_block_that_stands_twice_is_left_out(tmp_path: Path) -> None:
    true = [(s, 80.0 - s / 200.0) for s in range(0, 18_000, 30)]
    at, _, said = weighed(tmp_path, true[:400] + true[280:400] + true[350:])
    assert at.tolist() == [s for s, _ in true]
    assert "put back" not in said


def test_rows_that_come_late_are_left_out(tmp_path: Path) -> None:
    true = [(s, 80.0 - s / 200.0) for s in range(0, 18_000, 30)]
    at, _, said = weighed(tmp_path, true[:200] + true[240:400] + true[200:240] + true[400:])
    assert at.tolist() == [s for s, _ in true[:200] + true[240:]]
    assert "put back" not in said


def test_a_row_is_put_on_by_what_came_before_it_alone() -> None:
    stamps = us(*range(0, 6_000, 30), *range(2_400, 9_000, 30))
    whole = in_order(stamps, lambda row, other: True)
    for rows in range(190, len(stamps), 3):
        part = in_order(stamps[:rows], lambda row, other: True)
        kept = part.stamps_us[part.kept]
        assert (kept == whole.stamps_us[whole.kept][: len(kept)]).all()
        assert len(kept) >= rows - 2


def test_a_journal_kept_by_the_clock_that_was_put_back_goes_on_with_it() -> None:
    step = [PutBack(9_000_000_000, 3_600_000_000)]
    told = us(0, 12_599, 9_001, 9_600, 14_000).tolist()
    assert (
        journal_put_on(told, [False, False, True, False, False], step, False)
        == us(0, 12_599, 12_601, 13_200, 17_600).tolist()
    )
    untold = us(0, 8_000, 14_000).tolist()
    assert journal_put_on(untold, [False] * 3, step, True) == us(0, 8_000, 17_600).tolist()
    assert journal_put_on(untold, [False] * 3, step, False) == untold
