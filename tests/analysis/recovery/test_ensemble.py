"""A quick draw of the recovery ensemble: the rates that matter."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.recovery_ensemble import GENERATORS, JUDGED, Outcome, judge


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [judge(GENERATORS["circuit"](seed)) for seed in range(28)]


def test_liquid_is_never_called_gone_early(outcomes: list[Outcome]) -> None:
    assert [o.run.case.seed for o in outcomes if o.liquid_share > 0.003] == []


def test_what_is_there_is_found(outcomes: list[Outcome]) -> None:
    asked = sum(v is True for o in outcomes for v in o.asked.values())
    missed = [(o.run.case.seed, o.missed) for o in outcomes if o.missed]
    assert asked >= 10
    assert len(missed) <= 0.1 * asked, missed


def test_what_is_not_there_is_not_found(outcomes: list[Outcome]) -> None:
    asked = sum(o.asked[what] is False for o in outcomes for what in JUDGED)
    # What boils cold out of the oil cannot be told from a pocket, and is said.
    false = [(o.run.case.seed, o.false) for o in outcomes if o.false and o.run.case.name != "oil"]
    assert sum(len(what) for _, what in false) <= 0.04 * asked, false


def test_the_recovered_mass_is_mostly_right_to_one_percent(outcomes: list[Outcome]) -> None:
    errors = np.array([abs(o.mass_error) for o in outcomes if np.isfinite(o.mass_error)])
    assert np.mean(errors < 0.01) >= 0.95


def test_the_liquid_pull_is_never_said_to_end_early(outcomes: list[Outcome]) -> None:
    delays = np.array([o.pull_delay_s for o in outcomes])
    told = np.isfinite(delays)
    assert told.sum() >= 20
    assert (delays[told] >= 0.0).all()


@pytest.fixture(scope="module")
def textbook() -> list[Outcome]:
    return [judge(GENERATORS["shapes"](seed)) for seed in range(16)]


@pytest.fixture(scope="module")
def other_physics(textbook: list[Outcome]) -> list[Outcome]:
    return [*textbook, *(judge(GENERATORS["vessel"](seed)) for seed in range(8))]


def test_by_other_physics_too_liquid_is_never_called_gone_early(other_physics: list[Outcome]) -> None:
    assert [(o.run.case.name, o.run.case.seed) for o in other_physics if o.liquid_share > 0.003] == []


def test_by_other_physics_too_what_is_there_is_found_and_nothing_else(other_physics: list[Outcome]) -> None:
    wrong = [(o.run.case.name, o.run.case.seed, o.missed, o.false) for o in other_physics if o.missed or o.false]
    # a pool that chilled itself and ended just before its water would have frozen may be warned of
    assert len(wrong) <= 2, wrong
    assert sum(o.asked["self_chilling"] is True for o in other_physics) >= 3


def test_a_textbook_recovery_is_called_within_five_minutes(textbook: list[Outcome]) -> None:
    plain = [o for o in textbook if o.run.case.name in ("plain", "no pause") and np.isfinite(o.run.due_s)]
    delays = np.nan_to_num([o.due_delay_s for o in plain], nan=np.inf)
    assert len(plain) >= 8
    assert np.median(delays) <= 300.0
