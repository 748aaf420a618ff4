"""Evacuation: a small draw of the ensemble, so that what is promised of many logs is watched in every run."""

from __future__ import annotations

import pytest

from analysis.evacuation import assess
from tests.benchmarks.evacuation_ensemble import Run, measure, runs
from tests.support import assert_prefix_consistent


@pytest.fixture(scope="module")
def drawn() -> dict[int, Run]:
    return runs([seed for seed in range(5_000, 5_072) if seed % 12 != 1])


def test_stalls_causes_and_holds_on_a_small_draw(drawn: dict[int, Run]) -> None:
    tally, delays, wrong = measure(drawn)
    stall, call, hold = tally["stall"], tally["call"], tally["hold"]
    assert stall["found"] >= 0.94 * stall.total(), wrong
    assert call["right"] >= 0.95 * call.total(), wrong
    assert sorted(delays)[len(delays) // 2] < 14 * 60.0
    decidable, undecidable = tally["cause, decidable"], tally["cause, undecidable"]
    assert decidable["right"] >= 0.8 * decidable.total(), wrong
    assert undecidable["wrong"] <= 0.05 * undecidable.total(), wrong
    assert hold["right"] >= 0.9 * hold.total(), wrong
    assert hold["FALSE PASS"] == 0, wrong
    hand = tally["hand rule, call"]
    assert call["false"] / call.total() < hand["false"] / hand.total()


def test_findings_of_the_draw_use_no_later_row(drawn: dict[int, Run]) -> None:
    found = 0
    for seed in (5_002, 5_004, 5_006, 5_008, 5_009, 5_010):
        stretch = drawn[seed].stretch
        whole = assert_prefix_consistent(assess, stretch, [len(stretch.frame) // 2])
        found += len(whole.findings)
    assert found >= 8
