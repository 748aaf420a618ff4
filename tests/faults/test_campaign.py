"""The short form of the campaign: every fault once or a few times, every promise kept."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.faults.campaign import Fault, Plan, Tally, faults


@pytest.mark.parametrize("fault", faults(), ids=lambda fault: fault.name)
def test_what_is_promised_is_kept(fault: Fault, tmp_path: Path) -> None:
    tally = fault.run(Plan(tmp_path, random.Random(f"1 {fault.name}")))
    assert tally.broken() == [], tally


def test_a_broken_promise_is_named() -> None:
    assert Tally(1, 10, 0, 0, 0, 4.9).broken() == []
    assert Tally().broken() == ["nothing was tried"]
    assert Tally(1, 10, 1, 2, 3, 5.1).broken() == [
        "1 lost",
        "2 wrong values",
        "3 others disturbed",
        "back after 5.1 s",
    ]
