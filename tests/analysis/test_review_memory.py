"""A long review fits into the memory of a small machine: what it holds is in proportion to the cells of the log."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.benchmarks.review_speed import drawn_out, peak_bytes

ROWS = (300_000, 900_000)
LONG_ROWS, MOST_BYTES = 10_000_000, 2e9


@pytest.mark.skipif(sys.platform != "linux", reason="asks /proc for the peak")
def test_ten_million_rows_of_fourteen_channels_take_less_than_two_gigabytes(tmp_path: Path) -> None:
    """By what a row more takes: the frame's fourteen numbers, its time, its barometer, and what is worked out."""
    peaks = []
    for rows in ROWS:
        folder = tmp_path / str(rows)
        folder.mkdir()
        drawn_out(folder, rows, 0.1, channels=14)
        peaks.append(peak_bytes(folder))
    a_row = (peaks[1] - peaks[0]) / (ROWS[1] - ROWS[0])
    assert peaks[0] + a_row * (LONG_ROWS - ROWS[0]) < MOST_BYTES, f"{a_row / 8.0:.1f} numbers a row"
