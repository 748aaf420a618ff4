"""Which look the verdict of the standing test stands on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.pressure_test.judging import Judged, Plan
from analysis.pressure_test.loss import Coefficients, Loss
from analysis.pressure_test.night import _foreseen
from analysis.pressure_test.standing import EVEN, LIKELY, TWICE, hours_more, limit_of, side_of, verdicts

ALLOWED = 1.0


def nothing() -> Coefficients:
    return Coefficients(np.zeros(0), np.zeros(0))


def look(loss: float, deviation: float, at: int = 0) -> Judged:
    """Return a look at which the loss is normal, in pascal a second."""
    one = Loss(np.ones(1), np.array([loss]), np.array([deviation]), nothing)
    return Judged(at, Plan(0, 30, 90 + at, (), True, True), one, 60.0, 1e6, 1.0, 293.15, ())


def letters(
    *looks: tuple[float, float], told: bool = False, ended: bool = False, after: int = 240, allowed: float = ALLOWED
) -> str:
    """Return the first letters of the verdict after each (loss, deviation), an hour and `after` minutes on."""
    listed = [look(loss, deviation, after + i) for i, (loss, deviation) in enumerate(looks)]
    return "".join(verdict[0] for verdict, _ in verdicts(listed, allowed, 0.95, told, ended))


def test_one_sure_look_is_not_enough() -> None:
    assert letters((0.0, 0.42), (0.5, 0.6), (0.0, 0.42), (0.0, 0.42)) == "uuut"
    assert letters((2.0, 0.36), (0.0, 0.42), (2.0, 0.36), (2.0, 0.36)) == "uuul"


def test_one_very_sure_look_decides() -> None:
    assert letters((0.0, 0.3)) == "t"
    assert letters((2.0, 0.32)) == "l"


def test_leaking_asks_for_much_more_in_the_first_four_hours() -> None:
    """What is left of a slow filling loses pressure, too; later a leak need not wait so long for its alarm."""
    assert letters((2.0, 0.36), (2.0, 0.36), after=0) == "uu"
    assert letters((2.0, 0.36), (2.0, 0.36), after=239) == "ul"
    assert letters((2.0, 0.32), after=0) == "u"
    assert letters((2.0, 0.32), (2.0, 0.32), after=0) == "ul"


def test_leaking_asks_for_more_while_people_would_be_woken() -> None:
    assert letters((0.0, 0.42), (0.0, 0.42)) == "ut"
    assert letters((2.0, 0.42), (2.0, 0.42)) == "uu"
    assert letters((2.0, 0.42), (2.0, 0.42), told=True) == "ul"


def test_the_look_at_the_end_decides_by_its_interval() -> None:
    assert letters((2.0, 0.5), (2.0, 0.5)) == "uu"
    assert letters((2.0, 0.6), (2.0, 0.5), told=True, ended=True) == "ul"
    assert letters((2.0, 0.5), (2.0, 0.52), told=True, ended=True) == "uu"
    assert letters((0.0, 0.3), (0.1, 0.52), told=True) == "tt"
    assert letters((0.0, 0.3), (0.7, 0.3), told=True) == "tu"


def test_a_leak_that_the_end_is_not_sure_of_was_a_slow_filling_as_likely() -> None:
    assert letters((2.0, 0.28), (2.0, 0.28), (1.9, 0.5), told=True) == "lll"
    assert letters((2.0, 0.28), (2.0, 0.28), (1.9, 0.5), told=True, ended=True) == "llu"
    assert letters((2.0, 0.28), (2.0, 0.28), (1.9, 0.44), told=True, ended=True) == "lll"
    assert letters((0.0, 0.3), (0.1, 0.3), (0.1, 0.52), told=True, ended=True) == "ttt"


@pytest.mark.parametrize("ended", [False, True])
def test_hours_that_longer_readings_speak_against_are_not_tight(ended: bool) -> None:
    tight, doubted = look(0.0, 0.3, 240), replace(look(0.0, 0.3, 241), doubted=True)
    found = [verdict for verdict, _ in verdicts([tight, doubted, doubted], ALLOWED, 0.95, True, ended)]
    assert found == ["tight", "undecided", "undecided"]


def test_leaking_is_told_of_a_running_test_when_the_look_before_agrees() -> None:
    assert letters((2.0, 0.5), (2.0, 0.44), told=True) == "uu"
    assert letters((2.0, 0.44), (2.0, 0.44), told=True) == "ul"


@pytest.mark.parametrize("told", [False, True])
def test_what_the_newest_look_said_is_what_is_remembered_of_it(told: bool) -> None:
    """Else a running test says tight at one look, undecided at the next and tight again at the third."""
    assert letters((0.0, 0.5), (0.0, 0.5), (0.3, 0.5), (0.1, 0.5), told=True) == "uttt"
    dice = np.random.default_rng(7)
    looks = [look(float(dice.normal(1.0, 1.2)), float(dice.uniform(0.1, 0.6)), 235 + i) for i in range(40)]
    whole = verdicts(looks, ALLOWED, 0.95, told)
    assert {verdict for verdict, _ in whole} == {"tight", "leaking", "undecided"}
    assert [verdicts(looks[: i + 1], ALLOWED, 0.95, told)[-1] for i in range(40)] == whole


def test_a_large_loss_that_three_looks_are_sure_of_needs_no_early_share() -> None:
    """By the hour in kelvins: two are more than a circuit half outdoors cools by in a clear night, 0.9 are not."""
    assert letters(*[(2.0 / 60.0, 0.36 / 60.0)] * 4, after=0, allowed=1.0 / 60.0) == "uull"
    assert letters(*[(0.9 / 60.0, 0.162 / 60.0)] * 4, after=0, allowed=0.45 / 60.0) == "uuuu"


def test_early_in_a_running_test_leaking_is_told_as_an_alarm_is() -> None:
    """What is left of a slow filling loses pressure, too."""
    assert letters((2.0, 0.42), (2.0, 0.42), told=True, after=0) == "uu"
    assert letters((2.0, 0.32), (2.0, 0.32), told=True, after=0) == "ul"
    assert letters((2.0, 0.28), told=True, after=0) == "l"
    assert letters((2.0, 0.42), (2.0, 0.42), told=True, ended=True, after=0) == "ul"
    assert letters((0.0, 0.5), (0.0, 0.5), told=True, after=0) == "ut"


def test_tight_is_told_of_a_running_test_when_the_look_before_agrees() -> None:
    assert letters((0.0, 0.5), (0.0, 0.5)) == "uu"
    assert letters((0.0, 0.5), (0.0, 0.5), told=True) == "ut"
    assert letters((0.0, 0.6), (0.0, 0.5), told=True) == "uu"
    assert letters((0.0, 0.6), (0.0, 0.5), told=True, ended=True) == "ut"
    assert letters((0.0, 0.6), (0.0, 0.52), told=True, ended=True) == "uu"
    assert letters((0.0, 0.5), told=True) == "u"


def test_a_look_that_tells_less_takes_nothing_away() -> None:
    found = verdicts([look(0.0, 0.3, 0), look(0.1, 0.5, 1), look(0.2, 0.55, 2)], ALLOWED, 0.95)
    assert [verdict for verdict, _ in found] == ["tight"] * 3
    assert [stands.checkpoint for _, stands in found if stands is not None] == [0, 0, 0]
    assert letters((2.0, 0.28), (1.9, 0.5), (1.8, 0.5)) == "lll"


def test_evidence_against_it_ends_a_verdict() -> None:
    assert letters((0.0, 0.3), (0.7, 0.3), (0.0, 0.6)) == "tuu"
    assert letters((2.0, 0.28), (1.2, 0.3), (0.5, 0.3)) == "luu"
    assert letters((0.0, 0.3), (2.0, 0.28)) == "tl"


def test_pressure_that_gains_is_never_tight() -> None:
    assert side_of(look(-2.0, 0.3), ALLOWED, 0.95) == "gaining"
    assert letters((0.0, 0.3), (-2.0, 0.3), (-2.0, 0.3)) == "tuu"


def test_a_coarse_test_is_not_tight_because_it_errs_towards_gaining() -> None:
    assert side_of(look(-1.2, 0.9), ALLOWED, 0.95, TWICE) == ""
    assert side_of(look(0.2, 0.3), ALLOWED, 0.95, TWICE) == "tight"


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_the_verdict_at_the_end_is_that_of_its_interval(confidence: float) -> None:
    dice = np.random.default_rng(6)
    told = set()
    for _ in range(300):
        last = look(float(dice.uniform(-0.5, 2.5)), float(dice.uniform(0.05, 0.45)), 240)
        low, high = last.interval(confidence)
        verdict, _ = verdicts([last, last], ALLOWED, confidence, told=True, ended=True)[-1]
        assert (verdict == "leaking") == (low > ALLOWED)
        if high > -0.2 * ALLOWED and high - low < 2.0 * ALLOWED:
            assert (verdict == "tight") == (high < ALLOWED)
        told.add(verdict)
    assert told == {"tight", "leaking", "undecided"}


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_a_verdict_agrees_with_the_interval_of_its_look(confidence: float) -> None:
    dice = np.random.default_rng(5)
    looks = [look(float(dice.normal(1.0, 1.5)), float(dice.uniform(0.05, 0.6)), i) for i in range(300)]
    told = verdicts(looks, ALLOWED, confidence)
    assert {verdict for verdict, _ in told} == {"tight", "leaking", "undecided"}
    for verdict, stands in told:
        if stands is None:
            assert verdict == "undecided"
            continue
        low, high = stands.interval(confidence)
        assert high < ALLOWED if verdict == "tight" else low > ALLOWED


def test_without_an_allowed_loss_only_a_sure_leak_is_told() -> None:
    limit = limit_of(look(0.0, 1.0), None)
    assert limit == pytest.approx(0.005 * 1e6 / 86_400.0)
    assert side_of(look(0.0, 0.1 * limit), None, 0.95) == ""
    assert side_of(look(2.0 * limit, 0.1 * limit), None, 0.95) == "leaking"


@pytest.mark.parametrize(
    ("loss", "deviation", "odds"),
    [
        *((*of, LIKELY) for of in ((0.2, 0.6), (0.3, 0.9), (3.0, 1.5), (2.0, 0.8), (0.6, 0.7))),
        *((*of, EVEN) for of in ((0.3, 0.9), (0.6, 0.7), (0.0, 1.2), (2.0, 1.5))),
    ],
)
def test_the_hours_told_decide_as_often_as_is_said(loss: float, deviation: float, odds: float) -> None:
    """The estimate of a test moves, as its interval narrows, by what was unsure of it; it narrows as it did in 120
    simulated nights of fifty hours."""
    dice = np.random.default_rng(8)
    now = look(loss, deviation)
    more = hours_more(now, ALLOWED, 0.95, odds)
    assert more is not None
    then = deviation * (now.hours / (now.hours + more)) ** 0.9
    moved = dice.normal(loss, np.sqrt(deviation**2 - then**2), 1000)
    decided = [side_of(look(float(m), then), ALLOWED, 0.95) in ("tight", "leaking", "gaining") for m in moved]
    assert odds - 0.03 < np.mean(decided) < odds + 0.1


def test_a_longer_way_needs_more_hours_and_the_border_takes_too_many() -> None:
    far, near = hours_more(look(0.0, 0.6), ALLOWED, 0.95), hours_more(look(0.0, 1.2), ALLOWED, 0.95)
    assert far is not None
    assert near is not None
    assert near > far
    assert hours_more(look(1.0, 0.3, 1200), ALLOWED, 0.95) is None


def test_no_hours_are_told_that_a_running_test_cannot_keep() -> None:
    """On the very edge of tight a quarter of an hour would do, but two looks have to agree while the test runs."""
    assert hours_more(look(0.0, 0.512), ALLOWED, 0.95) == 1.0


def test_the_hours_of_even_odds_are_told_where_they_are_fewer() -> None:
    assert _foreseen(16.0, 6.0).endswith("about 16 h more would most likely decide, about 6 h as likely as not.")
    assert _foreseen(1.25, 1.0).endswith("about 1 h more would most likely decide.")
    assert _foreseen(None, 20.0).endswith("about 20 h more would decide as likely as not; it may take over three days.")
    assert _foreseen(None, None).endswith("not even three more days would most likely decide.")
