"""What stages ask of their rows."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.stretch import stayed


@pytest.mark.parametrize(
    ("rows_s", "ok", "expected"),
    [
        (60.0, [False, True, False], [False, False, False]),
        (60.0, [False, True, True], [False, False, True]),
        (10.0, [True, True, True, True, False, True], [False, False, True, True, False, False]),
    ],
)
def test_what_one_row_alone_shows_has_not_stayed(rows_s: float, ok: list[bool], expected: list[bool]) -> None:
    assert stayed(rows_s * np.arange(len(ok)), np.array(ok), 20.0).tolist() == expected
