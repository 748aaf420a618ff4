"""One cylinder after another: when each came and went, and which it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.scale import weigh
from analysis.scale.names import Load, Names
from analysis.stretch import Weighed
from tests.analysis.scale.weights import FILL, SWAP, on, stretch_of, weighed, weights
from tests.benchmarks.scale_ensemble import score


def test_one_cylinder_that_is_filled_is_one_load() -> None:
    found = weighed(weights(*FILL))
    assert found.total_kg == pytest.approx(40.0, abs=0.1)
    assert len(found.loads) == 1
    assert found.changes == ()


def test_a_swap_without_marks() -> None:
    found = weighed(weights(*FILL, *SWAP))
    assert found.total_kg == pytest.approx(60.0, abs=0.15)
    assert [(c.old, c.new) for c in found.changes] == [("cylinder 1", "cylinder 2")]
    assert found.by_cylinder() == pytest.approx({"cylinder 1": 40.0, "cylinder 2": 20.0}, abs=0.15)


def test_names_by_marks_late_and_by_tare() -> None:
    cylinders = [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": "24 kg"}]
    by_tare = weighed(weights(*FILL, *SWAP), cylinders=cylinders)
    assert [(load.cylinder, load.named_by) for load in by_tare.loads] == [("A", "tare"), ("B", "tare")]
    by_mark = weighed(weights(*FILL, *SWAP), marks=[on(20, "X"), on(1600, "Y")])
    assert [(load.cylinder, load.named_by) for load in by_mark.loads] == [("X", "mark"), ("Y", "mark")]


def test_a_cylinder_put_back_is_no_change_and_counts_once() -> None:
    back = ((40, 0, 0), (60, 66, 66), (300, 66, 72), (60, 72, 72))
    found = weighed(weights(*FILL, *back))
    assert found.total_kg == pytest.approx(46.0, abs=0.15)
    assert found.changes == ()
    assert found.by_cylinder() == pytest.approx({"cylinder 1": 46.0}, abs=0.15)


def test_a_reused_cylinder_keeps_its_name() -> None:
    cylinders = [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": "24 kg"}]
    again = ((90, 0, 0), (60, 66, 66), (100, 66, 68), (60, 68, 68))
    found = weighed(weights(*FILL, *SWAP, *again), cylinders=cylinders)
    assert [c.new for c in found.changes] == ["B", "A"]
    assert found.by_cylinder() == pytest.approx({"A": 42.0, "B": 20.0}, abs=0.2)


def test_a_cylinder_set_down_within_a_row_loses_nothing_of_its_first_flow() -> None:
    parts = ((60, 9, 9), (120, 9, 20), (60, 20, 20), (25, 9.4, 9.4), (75, 9.4, 16.04), (90, 16.04, 16.04), (60, 0, 0))
    found = weighed(weights(*parts, step=5.0), step=5.0, noise=0.0, quantum=0.005)
    assert [load.moved_kg for load in found.loads] == pytest.approx([11.0, 6.64], abs=0.05)


def test_cylinder_shut_in_a_hurry_leaves_with_what_stood_briefly() -> None:
    wobble = 66 - 0.6 + 0.3 * np.sin(np.arange(12))
    shown = np.concatenate([weights((60, 26, 26), (1200, 26, 66), (8, 66, 66)), wobble, weights(*SWAP)])
    assert weighed(shown).loads[0].moved_kg == pytest.approx(40.0, abs=0.15)


def test_flow_until_the_cylinder_is_lifted_counts() -> None:
    found = weighed(weights((60, 26, 26), (800, 26, 46), (120, 46, 46), (30, 46, 48), *SWAP))
    assert found.loads[0].moved_kg == pytest.approx(22.0, abs=0.4)


def test_a_marked_cylinder_of_as_many_kilograms_as_the_last_had_pounds_is_another() -> None:
    fill = np.linspace(60.0, 27.4, 30)
    shown = np.concatenate([[60.0, 60.0], fill, [60.4, 60.4], fill, [27.4]])
    found = weighed(shown, step=60.0, stage="charging", marks=[on(0, "A"), on(32 * 60.0 - 20.0, "B")])
    assert [(c.old, c.new) for c in found.changes] == [("A", "B")]
    assert found.total_kg == pytest.approx(65.2, abs=1.0)


@pytest.mark.parametrize("cylinders", [1, 3])
def test_cylinders_lifted_in_full_flow_all_at_the_last_moment_are_covered(cylinders: int) -> None:
    fill = [24.0, 24.0, *np.arange(27.0, 55.0, 3.0), 0.0, 0.0]  # as much flowed once more when it was lifted
    found = weighed(np.array([*fill * cylinders, 24.0, 24.0, 24.0]), step=60.0)
    moved = found.total_kg, found.uncertainty_kg
    assert moved[0] == pytest.approx((30.0 + 0.5 * 3.0 * 45.0 / 60.0) * cylinders, abs=0.5)
    assert moved[0] + moved[1] >= 33.0 * cylinders
    assert moved[1] < 1.9 * cylinders + 0.5


@pytest.mark.parametrize("cylinders", [None, [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": "23 kg"}]])
def test_what_an_outage_across_a_change_hides_is_bounded_by_tares(cylinders: list[dict[str, str]] | None) -> None:
    shown = weights(
        (60, 26, 26), (600, 26, 66), (60, 66, 66), (200, 24, 24), (100, 24, 28), (300, 28, 40), (60, 40, 40)
    )
    at = np.arange(len(shown))
    shown[(at > 700) & (at < 1_025)] = np.nan
    found = weighed(shown, cylinders=cylinders)
    assert found.total_kg == pytest.approx(56.0, abs=found.uncertainty_kg)
    assert found.uncertainty_kg < 23.0  # A may have gone on for up to 20 kg; in B are no 28.6 kg, as it stands there


def test_between_rows_far_apart_a_cylinder_was_likely_shut_before_it_was_lifted_but_may_have_flowed() -> None:
    flows = [0, 0, 8.0, 8.0, *np.arange(9.0, 24.0, 1.5), 0, 0, 8.2, 8.2, 8.2, 8.2]
    found = weighed(np.array(flows), step=30.0, quantum=0.1, noise=0.0)
    shut_at_once, flowed_on = 22.5 - 8.0, 24.0 - 8.0
    assert found.total_kg == pytest.approx(shut_at_once + 0.5 * 1.5 * 0.5, abs=0.1)
    assert found.total_kg - found.uncertainty_kg < shut_at_once < flowed_on < found.total_kg + found.uncertainty_kg


@pytest.mark.parametrize("step", [1.0, 2.0])
@pytest.mark.parametrize("bare_s", [60.0, 62.0, 64.0])
def test_what_flows_until_it_is_lifted_counts_until_then(step: float, bare_s: float) -> None:
    """100 g/s from the row in which it was set down until it was lifted, four times."""
    found = weighed(weights(*[(bare_s, 0, 0), (180, 10, 28)] * 4, (60, 0, 0), step=step), step=step)
    assert found.total_kg == pytest.approx(4 * 18.0, abs=0.3)
    assert found.uncertainty_kg < 4 * 2 * 0.1 * (step + 1.0)


def test_flow_that_ended_before_the_second_row_may_have_begun_before_the_first() -> None:
    """Rows of a minute: 10 kg/min in the first cylinder, 7 kg until the second row of the next, and nothing after."""
    flows = [0, 0, 60, 60, *np.arange(50.0, 19.0, -10.0), 0, 0, 55.0, 48.0, 48.0, 48.0, 48.0]
    found = weighed(np.array(flows), step=60.0, stage="charging", noise=0.0)
    seen_kg, minute_kg = 40.0 + 7.0, 10.0
    assert found.total_kg == pytest.approx(seen_kg, abs=minute_kg)
    assert found.total_kg - found.uncertainty_kg < seen_kg + 0.5
    assert found.total_kg + found.uncertainty_kg > seen_kg + 1.5 * minute_kg


def test_one_reading_that_is_off_at_the_end_tells_no_level() -> None:
    shown = weights((60, 24, 24), (900, 24, 33), (120, 33, 33), step=5.0)
    shown[-1] += 0.2
    assert weighed(shown, step=5.0, noise=0.08).total_kg == pytest.approx(9.0, abs=0.12)


def test_a_cylinder_that_weighs_what_one_should_is_not_named_another_that_flow_would_lead_from() -> None:
    names = Names([], {"A": 8.0, "B": 9.15})
    stamp = pd.Timestamp("2026-05-04T08:00:00Z")
    load = Load("", "order", None, stamp, None, 8.9, 8.9, 1.0)
    assert names.who(load, [], 0.0, 0.15, 1.0) == ("cylinder 3", "order")
    load.begin_kg = 8.4
    assert names.who(load, [], 0.0, 0.15, 1.0) == ("A", "tare")


def test_lost_while_flowing_is_counted_from_the_same_cylinder() -> None:
    shown = weights(*FILL)
    shown[500:900] = np.nan
    found = weighed(shown)
    assert found.total_kg == pytest.approx(40.0, abs=0.2)
    assert found.changes == ()


def test_a_swap_while_lost_is_found_and_told() -> None:
    shown = weights(*FILL, *SWAP)
    shown[1250:1430] = np.nan
    found = weighed(shown)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(60.0, abs=1.5)
    marked = weighed(shown, marks=[on(5, "A"), on(1412, "B")])
    assert [c.new for c in marked.changes] == ["B"]
    assert any("no readings while A was changed for B" in said for said in marked.cautions)


@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
def test_a_scale_that_is_blank_without_a_load_hides_no_flow(step: float) -> None:
    filled = [(180, 14, 32), (120, np.nan, np.nan), (180, 15, 33), (120, np.nan, np.nan), (180, 14.5, 32.5)]
    found = weighed(weights((60, 14, 14), *filled, (60, 32.5, 32.5), step=step), step=step)
    assert len(found.changes) == 2
    assert found.total_kg == pytest.approx(54.0, abs=0.4 * max(step, 5.0))  # four edges of a sample each, at 0.1 kg/s
    assert any("what moved then is not counted" in said for said in found.cautions)


@pytest.mark.parametrize("way", ["recovery", "charging"])
@pytest.mark.parametrize("marked", [False, True])
@pytest.mark.parametrize("step", [1.0, 10.0])
def test_what_stood_before_and_after_a_silence_is_not_flow(way: str, marked: bool, step: float) -> None:
    first, second = ((10, 14), (18, 20)) if way == "recovery" else ((20, 18), (14, 10))
    stood = [(a, b) for pair in (first, second) for a, b in ((pair[0],) * 2, pair, (pair[1],) * 2)]
    parts = [(long, *levels) for long, levels in zip((60, 600, 90, 90, 600, 60), stood, strict=True)]
    shown = weights(*parts[:3], (120, np.nan, np.nan), *parts[3:], step=step)
    marks = [on(5, "A"), on(875, "B")] if marked else []
    found = weighed(shown, step=step, stage=way, marks=marks)
    assert len(found.changes) == 1
    moved = sum(abs(b - a) for a, b in (first, second))
    assert found.total_kg == pytest.approx(moved, abs=0.15)


def test_a_row_on_the_pace_of_its_flow_is_no_other_cylinder() -> None:
    first, second = np.arange(140.0, 70.0, -15.0), np.arange(149.0, 70.0, -15.0)
    shown = np.array([0.0, 140.0, *first, 0.0, 0.0, 0.0, 149.0, *second, 0.0, 0.0, 0.0, 120.0, 120.0, 120.0])
    found = weighed(shown, step=60.0, stage="charging", quantum=0.05, noise=0.0)
    assert abs(second[-1] - found.loads[0].end_kg) < 1.0
    assert found.loads[1].moved_kg == pytest.approx(149.0 - 74.0 + 0.5 * 0.25 * 45.0, abs=0.2)  # shut at any moment


def test_a_swap_to_nearly_the_same_weight_is_known_by_the_mark() -> None:
    shown = weights((60, 30, 30), (600, 30, 50), (60, 50, 50), (90, 0, 0), (60, 50.1, 50.1), (600, 50.1, 60))
    assert weighed(shown).changes == ()
    found = weighed(shown, marks=[on(5, "A"), on(815, "B")])
    assert [(c.old, c.new) for c in found.changes] == [("A", "B")]
    assert found.total_kg == pytest.approx(29.9, abs=0.2)


def test_a_mark_alone_is_believed_when_the_scale_shows_nothing() -> None:
    found = weighed(weights(*FILL), marks=[on(5, "A"), on(700, "B")])
    assert [(c.new, c.seen) for c in found.changes] == [("B", "mark")]
    assert found.total_kg == pytest.approx(40.0, abs=0.2)


@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
def test_a_cylinder_that_is_held_for_a_while_begins_when_it_is_set_down(step: float) -> None:
    held = ((90, 0, 0), (30, 22.8, 22.8), (100, 25.75, 25.75), (600, 25.75, 45.75), (120, 45.75, 45.75))
    found = weighed(weights(*FILL, *held, step=step), step=step)
    assert found.total_kg == pytest.approx(60.0, abs=0.3)
    assert found.loads[1].begin_kg == pytest.approx(25.75, abs=0.1)
    assert found.uncertainty_kg < 1.0


@pytest.mark.parametrize(("tare", "known"), [("20 kg", False), ("22 kg", True)])
def test_a_cylinder_that_came_unseen_may_have_flowed_unless_it_weighs_what_it_should(tare: str, known: bool) -> None:
    shown = weights((60, 60, 60), (600, 60, 21), (120, 21, 21), (900, np.nan, np.nan), (300, 42, 42))
    table = [{"id": "A", "tare": "20 kg", "contents": "40 kg"}, {"id": "B", "tare": tare, "contents": "20 kg"}]
    marks = [on(0, "A"), on(1600, "B")]
    found = weigh(stretch_of(shown, stage="charging", marks=marks, cylinders=table))
    assert found.total_kg == pytest.approx(39.0, abs=0.1)
    assert (found.uncertainty_kg < 1.1) == known  # 1 kg is left in the first one, and may have flowed, too
    assert any("gave no readings for" in said for said in found.cautions) != known


@pytest.mark.parametrize("shown", [np.zeros(600), -weights(*FILL), weights(*FILL) / 1000.0], ids=["0", "minus", "g"])
def test_a_scale_that_shows_no_cylinder_has_weighed_nothing(shown: np.ndarray) -> None:
    found = weighed(shown)
    assert np.isnan(found.total_kg)
    assert np.isnan(found.uncertainty_kg)


def test_most_hostile_logs_are_weighed_to_one_percent_with_their_swaps() -> None:
    scores = [score(seed) for seed in range(1000, 1060)]
    seen = [s for s in scores if not s.truth.blind and float(s.truth.hostile[0].split()[0]) <= 10]
    assert np.mean([abs(s.error) <= 0.01 for s in seen]) >= 0.9
    swaps = sum(len(s.truth.swaps) for s in scores)
    assert sum(s.found for s in scores) >= 0.98 * swaps
    assert sum(s.invented for s in scores) <= 0.04 * len(scores)


def test_two_cylinders_on_the_plate_while_they_are_changed() -> None:
    shown = weights(*FILL, (20, 90, 90), (60, 24, 24), (600, 24, 44), (120, 44, 44))
    found = weighed(shown)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(60.0, abs=0.2)


def test_two_days_of_seconds_with_a_cylinder_every_24_minutes() -> None:
    shown = np.tile(weights(*FILL, (120, 0, 0)), 120)[:172_800]
    stretch = stretch_of(shown)
    found = weigh(stretch)
    assert len(found.loads) > 100


def test_lighter_cylinder_slid_onto_the_scale_unmarked_is_another_one() -> None:
    found = weighed(weights((60, 26, 26), (1200, 26, 66), (60, 66, 66), (4, 66, 24), (60, 24, 24), (600, 24, 44)))
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(60.0, abs=0.4)


def test_flow_into_a_cylinder_that_nobody_saw_put_on_is_known_by_its_tare() -> None:
    shown = weights(*FILL, (90, 0, 0), (60, 24, 24), (900, 24, 54), (120, 54, 54))
    shown[1250:1750] = np.nan
    cylinders = [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": "24 kg"}]
    found = weighed(shown, cylinders=cylinders, marks=[on(5, "A"), on(1412, "B")])
    assert found.by_cylinder()["B"] == pytest.approx(30.0, abs=0.3)


def test_a_mark_of_taking_off_names_what_stood_there() -> None:
    found = weighed(weights(*FILL, *SWAP), marks=[(1330.0, "mark", "cylinder_off", "A")])
    assert [load.cylinder for load in found.loads] == ["A", "cylinder 2"]


def test_flow_that_was_not_believed_before_the_cylinder_was_off_is_counted_once() -> None:
    """Rows half a minute apart: what still flowed is taken in as the cylinder leaves, each of its samples once."""
    flows, bare, after = (56.88, 55.2, 52.62, 52.34, 52.34), (0.0, 0.0, 0.0), weights((600, 36.6, 36.6), step=30.0)
    shown = np.concatenate([weights((2400, 57.47, 57.47), step=30.0), flows, bare, after])
    found = weighed(shown, step=30.0, stage="charging", quantum=0.1)
    assert found.total_kg == pytest.approx(57.47 - 52.34, abs=0.2)


def test_a_cylinder_that_flows_as_it_is_first_seen_began_with_its_weight() -> None:
    found = weighed(weights((60, 0, 0), (240, 13, 33), (120, 0, 0), step=60.0), step=60.0)
    assert found.loads[0].begin_kg == pytest.approx(13.0, abs=2.6)  # half of what may have flowed before its first row
    assert not found.loads[0].zeroed


@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_what_flows_from_being_put_on_until_being_lifted_off_is_counted(step: float, sign: float) -> None:
    """Nobody waits between valve and scale: three cylinders of 25 kg at 3 kg/min, a minute and some between them."""
    first, last = (12.3, 37.3) if sign > 0 else (37.3, 12.3)
    times = weights((120, first, first), *[(500, first, last), (73, 0, 0)] * 3, (60, 0, 0), step=1.0)[:: int(step)]
    found = weighed(times, step=step, stage="recovery" if sign > 0 else "charging")
    assert len(found.changes) == 2
    assert found.total_kg == pytest.approx(75.0, rel=0.015 if step > 5.0 else 0.01)


def test_what_stood_until_a_late_mark_is_what_it_began_with() -> None:
    shown = weights((60, 28, 28), (400, 28, 14), (30, 14, 14), (20, 28.7, 28.7), (200, 28.7, 13.7), (60, 13.7, 13.7))
    found = weighed(shown, stage="charging", marks=[on(2, "A"), on(535, "B")])
    assert found.total_kg == pytest.approx(29.0, abs=0.15)


def test_a_known_cylinder_held_in_its_first_row_begins_with_what_it_should_weigh() -> None:
    tables = [{"id": "A", "tare": "20 kg", "contents": "40 kg", "water_capacity": "54 kg"}]
    shown = weights((120, 0, 0), (60, 61, 61), (600, 58.5, 28.5), (120, 28, 28), step=60.0)
    found = weighed(shown, step=60.0, stage="charging", marks=[on(125, "A")], cylinders=tables)
    assert found.total_kg == pytest.approx(32.0, abs=0.3)


def test_a_cylinder_still_being_set_down_in_a_single_row_begins_with_what_stood_then() -> None:
    fill = [24.0, 24.0, *np.linspace(24.0, 44.0, 20), 44.0, 44.0]
    shown = np.array([0.0, 0.0, 21.0, *fill, 0.0])
    tables = [{"id": "A", "tare": "24 kg"}]
    bare, listed = (weighed(shown, step=60.0, cylinders=one) for one in (None, tables))
    assert bare.total_kg == pytest.approx(20.0, abs=0.15)
    assert bare.uncertainty_kg > 2.5  # it may have flowed before
    assert listed.total_kg == pytest.approx(20.0, abs=0.15)
    assert listed.uncertainty_kg < 0.6


def test_a_cylinder_seen_half_set_down_begins_with_what_it_should_weigh_though_it_flows_from_the_next_row_on() -> None:
    first = [24.0, 24.0, 24.0, *np.linspace(27.0, 68.0, 16), 68.0, 68.0]
    shown = np.array([0.0, *first, 0.0, 0.0, 21.0, 24.05, 24.45, *np.linspace(28.8, 68.0, 12), 68.0, 68.0, 0.0])
    tables = [{"id": name, "tare": "24 kg"} for name in "AB"]
    found = weighed(shown, step=60.0, cylinders=tables, marks=[on(50.0, "A"), on(24 * 60.0 - 2.0, "B")])
    assert found.total_kg == pytest.approx(88.0, abs=0.3)
    assert found.uncertainty_kg < 0.9


@pytest.mark.parametrize("marks", [[], [on(60, "A"), on(940, "B")]])
def test_small_cans_are_charged_from(marks: list[tuple[float, str, str, str]]) -> None:
    cans = weights(
        (60, 0, 0), (60, 3.2, 3.2), (640, 3.2, 1.0), (120, 1.0, 1.0), (60, 0, 0), (60, 3.1, 3.1), (480, 3.1, 1.1),
        (60, 1.1, 1.1), (60, 0, 0),
    )  # fmt: skip
    found = weighed(cans, stage="charging", marks=marks, quantum=0.01, noise=0.003)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(4.2, abs=0.03)


@pytest.mark.parametrize("kg_per_min", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("step", [0.5, 1.0, 5.0])
def test_slow_flow_from_the_first_second_to_the_last_is_no_level_that_stood(kg_per_min: float, step: float) -> None:
    fill_s = 8.0 / kg_per_min * 60.0
    cylinders = [((60.3, 0.0, 0.0), (fill_s, gross, gross + 8.0)) for gross in (12.0, 12.7, 11.6)]
    shown = weights((60, 0, 0), *(part for cylinder in cylinders for part in cylinder), (60, 0, 0), step=step)
    assert weighed(shown, step=step, noise=0.02).total_kg == pytest.approx(24.0, abs=0.24)


@pytest.mark.parametrize("seed", range(4))
def test_what_stood_before_the_stage_is_what_it_begins_with_when_it_flows_at_once(seed: int) -> None:
    shown = 24.3 + np.clip(0.008 * (np.arange(0.0, 2400.0, 5.0) - 300.0), 0.0, 15.0)
    shown = shown + np.random.default_rng(seed).normal(0.0, 0.03, len(shown))
    whole = stretch_of(shown, step=5.0, noise=0.0, quantum=0.02)
    inside = whole.frame.index >= whole.begin + pd.Timedelta(seconds=300.0)
    before = whole.frame.loc[~inside, "cylinder_weight"]
    stretch = replace(
        whole, frame=whole.frame[inside], begin=whole.frame.index[inside][0], weighed=Weighed(before=before)
    )
    assert weigh(stretch).total_kg == pytest.approx(15.0, abs=0.1)


@pytest.mark.parametrize("step", [5.0, 30.0])
@pytest.mark.parametrize("beside", [0.0, 0.3])
def test_a_marked_cylinder_that_weighs_what_the_one_before_did_is_another_one(beside: float, step: float) -> None:
    gross = 17.0 + beside
    shown = weights(
        (90, 12, 12), (600, 12, 17), (90, 17, 17), (30, 0, 0), (90, gross, gross), (600, gross, gross + 5),
        (90, gross + 5, gross + 5), step=step,
    )  # fmt: skip
    found = weighed(shown, step=step, marks=[on(0, "A"), on(805, "B")])
    assert [change.new for change in found.changes] == ["B"]
    assert found.by_cylinder() == pytest.approx({"A": 5.0, "B": 5.0}, abs=0.1)


def test_a_known_cylinder_that_came_while_nothing_was_read_is_emptied_in_a_minute() -> None:
    blank = np.full(400, np.nan)
    shown = np.concatenate(
        [
            weights((60, 12, 12), (90, 12, 7), (60, 7, 7)),
            blank,
            weights((25, 12.5, 12.5), (70, 12.5, 7.9), (60, 7.9, 7.9), (60, 0, 0)),
        ]
    )
    cylinders = [{"id": "A", "tare": "6.5 kg", "contents": "5.5 kg"}, {"id": "B", "tare": "7 kg", "contents": "5.5 kg"}]
    found = weighed(shown, stage="charging", cylinders=cylinders)
    assert found.by_cylinder() == pytest.approx({"A": 5.0, "B": 4.6}, abs=0.05)


def test_a_cylinder_that_may_have_flowed_on_unseen_before_it_was_changed_is_unsure_by_it() -> None:
    """It stood, but so it did when the recovery was paused before; 6 kg flowed into it while nothing was read."""
    shown = weights((60, 20, 20), (400, 20, 50), (60, 50, 50), (390, np.nan, np.nan), (60, 20, 20), (200, 20, 30))
    table = [{"id": "A", "tare": "20 kg"}, {"id": "B", "tare": "20 kg"}]
    found = weigh(stretch_of(shown, marks=[on(0, "A"), on(905, "B")], cylinders=table))
    assert found.uncertainty_kg > 6.0


@pytest.mark.parametrize("halfway", [0.2, 0.6, 0.95])
def test_a_weight_halfway_to_the_cylinder_is_no_moment_from_which_it_flows(halfway: float) -> None:
    """Rows of 5 s: 150 g/s from when a cylinder of 60 kg stands there, which a display takes three rows to show."""
    comes = [0.0, 60.0 * halfway * 0.5, 60.0 * halfway]
    flows = [*np.arange(60.0, 30.0, -0.75), 30.0, 0.0, 0.0, 0.0, 0.0]
    found = weighed(np.array([0.0] * 6 + (comes + flows) * 3), step=5.0, stage="charging", noise=0.0)
    assert found.total_kg == pytest.approx(90.0, abs=3 * 2 * 0.15 * 3.0)
    assert found.total_kg - found.uncertainty_kg < 90.0 < found.total_kg + found.uncertainty_kg
