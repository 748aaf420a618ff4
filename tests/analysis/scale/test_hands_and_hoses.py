"""Hands, hoses and things left on the plate are no flow."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.scale import weigh
from analysis.scale.samples import Sample
from analysis.scale.standing import Standing
from tests.analysis.scale.weights import FILL, SWAP, stretch_of, weighed, weights
from tests.support import cut, make_stretch


@pytest.mark.parametrize("lean", [-6.0, 3.0, 12.0, 30.0])
@pytest.mark.parametrize("long", [3, 20, 60, 100])
def test_a_hand_that_leans_counts_for_nothing(lean: float, long: int) -> None:
    shown = weights(*FILL)
    shown[600 : 600 + long] += lean
    found = weighed(shown)
    assert found.total_kg == pytest.approx(40.0, abs=0.25)
    assert found.changes == ()


def test_a_thing_left_on_the_scale_counts_for_nothing() -> None:
    shown = weights(*FILL)
    shown[400:1000] += 9.0  # a bag of ice on the cylinder for ten minutes
    found = weighed(shown)
    assert found.total_kg == pytest.approx(40.0, abs=0.3)
    assert found.changes == ()


def test_single_wild_readings_count_for_nothing() -> None:
    shown = weights(*FILL)
    shown[np.random.default_rng(3).integers(60, 1300, 60)] += 40.0
    assert weighed(shown).total_kg == pytest.approx(40.0, abs=0.2)


def test_a_swap_between_two_rows_whose_next_cylinder_fills_beyond_the_one_before() -> None:
    found = weighed(weights((60, 14, 14), (150, 14, 30), (60, 30, 30), (55, 15, 15), (230, 15, 40), (100, 40, 40)))
    assert [round(load.moved_kg) for load in found.loads] == [16, 25]


def test_a_swap_between_two_rows_soon_after_a_fast_flow_is_no_hand_that_went() -> None:
    parts = ((60, 31, 31), (170, 31, 54), (60, 54, 54), (60, 34, 34), (210, 34, 63), (60, 63, 63))
    for step in (1.0, 5.0, 15.0):
        found = weighed(weights(*parts, step=step), step=step, noise=0.0, quantum=0.005)
        assert [round(load.moved_kg) for load in found.loads] == [23, 29], step


@pytest.mark.parametrize("step", [15.0, 20.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_hand_in_the_last_of_rows_some_seconds_apart_is_no_flow(sign: int, step: float) -> None:
    first = 30 - 15 * sign
    shown = weights((120, 0, 0), (60, first, first), (900, first, first + 30 * sign), (180, 0, 0), step=step)
    shown[np.flatnonzero(shown)[-1]] += sign  # goes twice as fast as anything before
    found = weighed(shown, stage="recovery" if sign > 0 else "charging", step=step, noise=0.0, quantum=0.01)
    assert found.total_kg == pytest.approx(30.0, abs=found.uncertainty_kg)
    assert found.uncertainty_kg < 2.0


@pytest.mark.parametrize("hose", [-0.12, 0.12, 0.25])
@pytest.mark.parametrize("hand", [-0.8, 0.8])
@pytest.mark.parametrize("sign", [1, -1])
def test_hose_that_is_screwed_on_is_no_flow(hose: float, hand: float, sign: int) -> None:
    end, hold, half = 40 + hose + 12 * sign, 40 + hand, 40 + hand / 3
    screws = ((30, 40, 40), (5, 40, hold), (5, hold, half), (20, 40 + hose, 40 + hose))
    shown, how = weights(*screws, (600, 40 + hose, end), (60, end, end)), "recovery" if sign > 0 else "charging"
    stretch = stretch_of(shown, stage=how, quantum=0.01)
    found = weigh(stretch)
    assert found.total_kg == pytest.approx(12.0, abs=0.04)
    for n in (35, 45, 52, 60, 75, 300):
        assert weigh(cut(stretch, n)).moved_kg.equals(found.moved_kg.iloc[:n])


@pytest.mark.parametrize("lean", [-0.33, 0.33, 1.5])
def test_hands_that_shut_a_cylinder_are_not_in_what_it_leaves_with(lean: float) -> None:
    hands = (12, 66 + lean, 66 + lean)
    found = weighed(weights((60, 26, 26), (1200, 26, 66), (40, 66, 66), hands, *SWAP))
    assert found.loads[0].moved_kg == pytest.approx(40.0, abs=0.1)


@pytest.mark.parametrize("hand", [-6.0, 5.0])
def test_rows_a_minute_apart_a_hand_at_either_end_of_a_cylinder(hand: float) -> None:
    fill = [26.0, *np.linspace(26.0, 66.0, 40), 66.0]
    shown = np.array([0.0, 0.0, 26.0 + hand, *fill, 66.0 + hand, 0.0, 0.0, *fill, 66.0])
    found = weighed(shown, step=60.0)
    assert [load.moved_kg for load in found.loads] == pytest.approx([40.0, 40.0], abs=0.8)


@pytest.mark.parametrize("stands", [13.5, 14.8])
def test_a_small_cylinder_filled_in_minutes_and_swapped_between_rows_is_no_hand(stands: float) -> None:
    first = [13.6, 13.6, 13.6, 15.4, 17.7, 19.9, 22.1, 24.2, 26.3, 28.3, 30.3]
    second = [stands + 1.1, stands, stands, stands, stands, *np.arange(stands + 1.0, stands + 12.0, 2.2)]
    found = weighed(np.array([*first, *second, *second[-1:] * 4]), step=30.0)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(30.3 - 13.6 + second[-1] - stands, abs=found.uncertainty_kg)
    assert found.uncertainty_kg < 2.5


def test_a_hand_on_what_stood_is_no_flow_between_rows_half_a_minute_apart() -> None:
    fill = [24.0, 24.0, *np.arange(25.0, 46.5, 2.0), 45.0, 45.0, 45.0, 46.2, 0.0, 0.0]
    found = weighed(np.array([*fill, *fill[:-3], 45.0]), step=30.0)
    assert found.total_kg == pytest.approx(42.0, abs=0.1)


def test_a_hand_on_a_cylinder_just_set_down_is_not_its_beginning() -> None:
    levels = [28.3, 28.3, 0.0, 70.1, 70.1, 70.1, 72.8, 70.1, *np.arange(69.1, 40.0, -1.0), 40.0, 40.0, 40.0, 40.0]
    found = weighed(np.array([28.3] * 6 + levels), step=10.0, stage="charging")
    assert found.total_kg == pytest.approx(30.1, abs=0.2)


@pytest.mark.parametrize(("lead", "first", "rests"), [(28, 10, 12), (30, 8, 12), (32, 6, 12)])
@pytest.mark.parametrize("hand", [-0.55, 0.3, 0.57])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_hand_that_rests_on_a_cylinder_just_set_down_and_goes_again_is_no_level(
    lead: int, first: int, rests: int, hand: float, sign: int
) -> None:
    end = 40 + 12 * sign
    shown = weights((lead, 0, 0), (first, 40, 40), (rests, 40 + hand, 40 + hand), (60, 40, 40), (600, 40, end))
    stretch = stretch_of(shown, stage="recovery" if sign > 0 else "charging", quantum=0.01, noise=0.005)
    found = weigh(stretch)
    assert found.total_kg == pytest.approx(12.0, abs=0.06)
    for n in (50, 58, 70, 90, 120):
        assert weigh(cut(stretch, n)).moved_kg.equals(found.moved_kg.iloc[:n])


def test_a_hand_on_a_slow_display_that_had_not_shown_all_of_the_cylinder_yet_is_no_level() -> None:
    comes = [23.46, 42.29, 45.85, 46.53, 48.60, 49.32, 48.36, 47.05, 46.78, 46.74]
    shown = np.array([*[0.0] * 12, *comes, *[46.73] * 15, *np.linspace(46.73, 34.73, 120), *[34.73] * 12])
    found = weighed(shown, step=5.0, stage="charging", quantum=0.01, noise=0.005)
    assert found.total_kg == pytest.approx(12.0, abs=0.1)


def test_what_flowed_before_a_hand_came_is_not_taken_for_the_hand() -> None:
    """Slow flow, a hand that holds the cylinder up, let go, and the flow on down to where the hand had held it."""
    weights_kg = [24.4] * 4 + [24.3] * 4 + [24.2] * 4 + [23.8] * 2 + [24.2] * 3 + [23.9] * 3
    standing, begin_kg = Standing(-1.0), 24.4
    for k, kg in enumerate(weights_kg):
        held = 12 <= k < 14
        sample = Sample(5.0 * k, k, kg, kg, 0.0, 0.1, kg, 0.5 if held else 0.0, 4.0)
        begin_kg = standing.begin_kg(begin_kg, sample, 0.11)
    assert begin_kg == 24.4


def test_slow_flow_that_passes_what_a_hand_showed_before_goes_on_counting() -> None:
    shown = weights((30, 0, 0), (20, 40, 40), (10, 40.45, 40.45), (60, 40, 40), (600, 40, 43))
    assert weighed(shown, step=2.0, noise=0.02).total_kg == pytest.approx(3.0, abs=0.1)


@pytest.mark.parametrize(
    ("step", "stood", "hand", "rests", "after"),
    [(1.0, 9, 0.5, 6, 5), (1.0, 11, 1.0, 10, 7), (1.0, 13, -0.6, 10, 5), (5.0, 9, 0.5, 6, 5), (5.0, 11, 1.0, 10, 7)],
)
def test_a_hand_that_goes_again_before_the_cylinder_is_lifted_is_not_what_it_leaves_with(
    step: float, stood: int, hand: float, rests: int, after: int
) -> None:
    ends = ((stood, 66, 66), (rests, 66 + hand, 66 + hand), (after, 66, 66))
    shown = weights((60, 26, 26), (800, 26, 66), *ends, *SWAP, step=step)
    found = weighed(shown, step=step, quantum=0.1, noise=0.05)
    assert found.loads[0].moved_kg == pytest.approx(40.0, abs=0.2)


@pytest.mark.parametrize("step", [1.0, 5.0, 30.0])
def test_what_is_quickly_taken_back_makes_the_mass_unsure(step: float) -> None:
    shown = weights((120, 80, 80), (1500, 80, 40), (120, 40, 40), (60, 40, 44), (600, 44, 44), step=step)
    found = weighed(shown, step=step, stage="charging")
    assert abs(found.total_kg - 36.0) < found.uncertainty_kg + 0.2
    assert found.uncertainty_kg < 5.0


@pytest.mark.parametrize("step", [1.0, 10.0])
def test_what_is_slowly_taken_back_counts(step: float) -> None:
    shown = weights((120, 80, 80), (1500, 80, 40), (120, 40, 40), (300, 40, 44), (600, 44, 44), step=step)
    assert weighed(shown, step=step, stage="charging").total_kg == pytest.approx(36.0, abs=0.15)


def test_hose_pulls_and_lets_go() -> None:
    shown = weights(*FILL)
    shown[300:340] -= 0.8
    shown[700:900] += 0.6
    assert weighed(shown).total_kg == pytest.approx(40.0, abs=0.2)


def test_bursts_of_charging_by_hand_are_counted() -> None:
    burst = [(60.0, 30.0, 30.0)]
    level = 30.0
    for _ in range(10):
        burst += [(12.0, level, level - 1.0), (150.0, level - 1.0, level - 1.0)]
        level -= 1.0
    assert weighed(weights(*burst), stage="charging").total_kg == pytest.approx(10.0, abs=0.1)


def test_noise_that_is_no_weight_is_said() -> None:
    shown = 40.0 + np.random.default_rng(5).normal(0, 15.0, 60_000)
    found = weighed(shown)
    assert any("shakes" in said for said in found.cautions)


@pytest.mark.parametrize("every", [3, 12, 30])
@pytest.mark.parametrize("pace", [0.02, 0.1])
def test_a_slow_scale_whose_old_number_is_written_again(every: int, pace: float) -> None:
    kg = 36.0
    shown = weights(
        (90, 26, 26), (kg / pace, 26, 26 + kg), (90, 62, 62), (150, 0, 0), (150, 24, 24), (300, 24, 40), (150, 40, 40)
    )
    rng = np.random.default_rng(2)
    held = np.round((shown + rng.normal(0, 0.03, len(shown))) / 0.05)[np.arange(len(shown)) // every * every] * 0.05
    stretch = make_stretch("recovery", np.arange(len(held), dtype=float), {"cylinder_weight": ("kg", held)})
    found = weigh(stretch)
    assert found.total_kg == pytest.approx(52.0, abs=0.2)
    assert len(found.changes) == 1
    for n in np.random.default_rng(4).integers(2, len(held), 5).tolist():
        assert weigh(cut(stretch, n)).moved_kg.equals(found.moved_kg.iloc[:n])


def test_hands_on_the_first_row_are_no_flow() -> None:
    first = weights((60, 60, 60), (600, 60, 25), (60, 25, 25), step=10.0)
    second = weights((10, 30.9, 30.9), (30, 30.5, 30.5), (600, 30.5, 10.5), (60, 10.5, 10.5), step=10.0)
    found = weighed(np.concatenate([first, second]), step=10.0, stage="charging")
    assert found.total_kg == pytest.approx(55.0, abs=0.15)


def test_what_was_lifted_off_is_not_what_an_odd_row_undoes() -> None:
    first = weights((60, 30.4, 30.4), (210, 30.4, 14), (90, 12, 12), step=30.0)
    first[5] += 5.0
    found = weighed(
        np.concatenate([first, weights((30, 0, 0), (60, 30.4, 30.4), (300, 30.4, 19.3), (90, 19.3, 19.3), step=30.0)]),
        step=30.0,
        stage="charging",
    )
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(29.5, abs=1.0)


def test_what_is_laid_on_after_a_flow_is_no_hung_display() -> None:
    shown = weights((60, 26, 26), (900, 26, 56), (60, 56, 56), (600, 58, 58))
    assert weighed(shown).total_kg == pytest.approx(30.0, abs=0.2)


def test_a_hand_on_the_first_row_between_rows_far_apart() -> None:
    shown = weights((150, 0, 0), (30, 34.4, 34.4), (180, 28.6, 13.6), (90, 12.6, 12.6), step=30.0)
    found = weighed(shown, step=30.0, stage="charging")
    assert found.total_kg == pytest.approx(16.5, abs=1.0)


def test_a_hand_in_the_last_row_of_a_flow_that_had_slowed_does_not_count_for_sure() -> None:
    shown = np.array([0.0, 24.0, 24.0, *np.linspace(27.0, 66.0, 14), 67.4, 68.1, 72.1, 0.0, 0.0])
    found = weighed(shown, step=60.0)
    assert abs(found.total_kg - 44.1) < found.uncertainty_kg < 6.0
    assert found.total_kg == pytest.approx(44.1, abs=0.6)


def test_a_hand_that_leans_long_while_it_slowly_begins_to_flow() -> None:
    shown = weights((60, 0, 0), (150, 22.5, 23.2), (30, 27, 27.1), (600, 23.4, 33.4), (60, 33.4, 33.4))
    assert weighed(shown, quantum=0.2).total_kg == pytest.approx(10.9, abs=0.4)


@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("kg_per_min", [20.0, 40.0])
def test_a_large_hose_fills_in_minutes(step: float, kg_per_min: float) -> None:
    fill = 60.0 * 60.0 / kg_per_min
    swap = ((60, 0, 0), (60, 21, 21), (fill, 21, 81), (90, 81, 81))
    found = weighed(weights((120, 21, 21), (fill, 21, 81), (90, 81, 81), *swap, *swap, step=step), step=step)
    assert found.total_kg == pytest.approx(180.0, abs=0.5)
    assert len(found.changes) == 2


GROSS_KG, HOSE_KG = 15.13, 0.27  # what a charging hose with its valve weighs, by an estimate: .2 to .4 kg


@pytest.mark.parametrize("stage", ["recovery", "charging"])
def test_a_hose_that_hangs_on_while_it_flows_is_no_mass(stage: str) -> None:
    """What is weighed is the cylinder: bare to bare where both ends were seen (common practice of the trade)."""
    way = 1.0 if stage == "recovery" else -1.0
    end, hung = GROSS_KG + 4.0 * way, GROSS_KG + HOSE_KG
    shown = weights(
        (60, 0, 0), (40, GROSS_KG, GROSS_KG), (10, GROSS_KG, hung), (40, hung, hung), (900, hung, end + HOSE_KG),
        (60, end + HOSE_KG, end + HOSE_KG), (10, end + HOSE_KG, end), (40, end, end), (60, 0, 0),
    )  # fmt: skip
    assert weighed(shown, stage=stage, noise=0.0, quantum=0.01).total_kg == pytest.approx(4.0, abs=0.04)


def test_a_step_of_flow_that_is_as_large_as_the_hose_is_none_that_came_off() -> None:
    """Between two pauses as much may flow as a hose weighs; what is off the cylinder gives nothing more."""
    hung = GROSS_KG + HOSE_KG
    paused, again = hung - 2.0, hung - 2.0 - HOSE_KG
    shown = weights(
        (60, 0, 0), (40, GROSS_KG, GROSS_KG), (10, GROSS_KG, hung), (40, hung, hung), (300, hung, paused),
        (60, paused, paused), (20, paused, again), (60, again, again), (120, again, hung - 3.0),
        (60, hung - 3.0, hung - 3.0), (60, 0, 0),
    )  # fmt: skip
    assert weighed(shown, stage="charging", noise=0.0, quantum=0.01).total_kg == pytest.approx(3.0, abs=0.04)


@pytest.mark.parametrize("seed", range(2, 6))
def test_what_stands_for_long_in_noise_keeps_what_it_began_with(seed: int) -> None:
    shown = weights((1200, 27.0, 27.0), (1200, 27.0, 37.0), (300, 37.0, 37.0))
    shown += np.random.default_rng(seed).normal(0.0, 0.15, len(shown))
    assert weighed(shown, noise=0.0).total_kg == pytest.approx(10.0, abs=0.2)


@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
def test_a_tool_laid_on_a_cylinder_before_its_first_flow_and_taken_off_again_is_no_flow(step: float) -> None:
    tool = ((60, 0, 0), (30, 12, 12), (40, 16.1, 16.1), (70, 12, 12))
    found = weighed(weights(*tool, (300, 12, 35), (60, 35, 35), step=step), step=step)
    assert found.total_kg == pytest.approx(23.0, abs=0.15)
    assert len(found.loads) == 1


def test_what_leans_on_a_cylinder_when_its_flow_has_stopped_undoes_nothing() -> None:
    """What was held up before is back where it was; only its flow had stopped, so nothing is owed to it."""
    hands = ((35, 32, 32), (35, 29, 29), (25, 32, 32), (25, 36.5, 36.5))
    found = weighed(weights((100, 15, 15), (140, 15, 32), *hands, (60, 0, 0), step=5.0), step=5.0)
    assert found.total_kg == pytest.approx(17.0, abs=0.15)


def test_a_cylinder_lifted_a_little_while_it_fills_is_back_when_hands_let_go() -> None:
    shown = weights((60, 11, 11), (500, 11, 36), (60, 36, 36), step=5.0)
    shown[60:63] -= 1.65
    assert weighed(shown, step=5.0).total_kg == pytest.approx(25.0, abs=0.15)


def test_what_leans_as_readings_come_back_goes_again() -> None:
    shown = weights((100, 26, 26), (1200, 26, 66), (300, 66, 66))
    shown[400:900] = np.nan
    shown[900:906] += 7.3
    found = weighed(shown)
    assert found.total_kg == pytest.approx(40.0, abs=0.15)
    assert len(found.loads) == 1


def test_what_flowed_from_one_row_to_the_next_as_it_flowed_on_was_seen() -> None:
    """Rows a minute apart: the first shows little, as the valve was opened just before; 0.13 kg/s from then on."""
    shown = np.array([25.8, 25.8, 25.75, 25.75, 25.7, 25.75, 27.4, 35.1, 42.6, 46.2, 0.0, 0.0, 0.0, 0.0])
    found = weighed(shown, step=60.0, noise=0.0)
    assert found.total_kg == pytest.approx(20.4, abs=max(0.3, found.uncertainty_kg))
    assert found.uncertainty_kg < 5.0


def test_a_hand_that_comes_as_slowly_as_flow_and_lets_go_to_where_the_flow_went_on_to_is_no_flow() -> None:
    shown = weights((60, 0, 0), (60, 31, 31), (400, 31, 15), (600, 15, 15), step=5.0)
    shown[43:46] -= [1.24, 1.65, 1.76]
    found = weighed(shown, stage="charging", step=5.0, noise=0.0)
    assert found.total_kg == pytest.approx(16.0, abs=found.uncertainty_kg)
    assert found.uncertainty_kg < 0.3


@pytest.mark.parametrize("hose", [0.2, 0.4])
def test_a_hose_seen_at_one_end_only_leaves_the_mass_unsure_however_fast_it_flowed(hose: float) -> None:
    off = ((8, 15, 15 - hose), (60, 15 - hose, 15 - hose))
    found = weighed(weights((90, 0, 0), (60, 45, 45), (300, 45, 15), (60, 15, 15), *off), stage="charging")
    assert found.total_kg == pytest.approx(30.0, abs=found.uncertainty_kg)
    assert found.uncertainty_kg < hose + 0.15
