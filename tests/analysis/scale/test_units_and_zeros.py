"""The button of another unit, the button of zero, and a cradle left on the plate."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.scale import weigh
from analysis.scale.samples import resolution_kg
from analysis.vocabulary.units import UNITS
from tests.analysis.scale.weights import FILL, LB, SWAP, on, weighed, weights
from tests.support import make_stretch


@pytest.mark.parametrize("factor", [LB, 1 / LB])
@pytest.mark.parametrize("long", [15, 100, 500])
def test_the_other_unit_for_some_rows(factor: float, long: int) -> None:
    shown = weights(*FILL)
    shown[500 : 500 + long] *= factor
    found = weighed(shown)
    assert found.total_kg == pytest.approx(40.0, abs=0.4)
    assert found.changes == ()


@pytest.mark.parametrize("stage", ["recovery", "charging"])
@pytest.mark.parametrize("step", [1.0, 10.0])
@pytest.mark.parametrize("rate", [0.02, 0.1, 0.18])
def test_tare_button_while_it_flows_fast(stage: str, step: float, rate: float) -> None:
    moved = np.clip((np.arange(0.0, 500.0, step) - 60.0) * rate, 0.0, None)
    shown = 180.0 + moved if stage == "recovery" else 300.0 - moved
    pressed = round(260.0 / step)
    shown[pressed:] -= shown[pressed]
    found = weighed(shown, stage=stage, step=step)
    assert found.total_kg == pytest.approx(moved[-1], abs=0.1 + 0.004 * moved[-1])
    assert found.changes == ()
    assert any("set to zero" in said for said in found.cautions)


@pytest.mark.parametrize("stage", ["recovery", "charging"])
def test_tare_button_shortly_before_it_is_lifted(stage: str) -> None:
    way = 1.0 if stage == "recovery" else -1.0
    one = weights((60, 30, 30), (1000, 30, 30 + way * 10), (60, 30 + way * 10, 30 + way * 10))
    one[1000:] -= one[1000]  # pressed, and what flows since is too little to be seen as flow
    bare = -(30 + way * 9.4)
    two = weights((100, bare, bare), (60, bare + 40, bare + 40), (400, bare + 40, bare + 40 + way * 5))
    found = weighed(np.concatenate([one, two, np.full(60, bare + 40 + way * 5)]), stage=stage)
    assert found.total_kg == pytest.approx(15.0, abs=0.1)
    assert [round(load.moved_kg, 1) for load in found.loads] == [10.0, 5.0]


@pytest.mark.parametrize(("step", "noise", "quantum"), [(1.0, 0.03, 0.02), (30.0, 0.0, 0.01)])
def test_a_light_cylinder_on_a_plate_that_nobody_set_to_zero(step: float, noise: float, quantum: float) -> None:
    parts = ((90, 12.3, 12.3), (1200, 12.3, 4.35), (90, 4.35, 4.35), (180, 1.4, 1.4))
    parts += ((90, 14.5, 14.5), (600, 14.5, 10.5), (90, 10.5, 10.5))
    found = weighed(weights(*parts, step=step), stage="charging", step=step, noise=noise, quantum=quantum)
    assert found.total_kg == pytest.approx(11.95, abs=0.25)


def test_tare_button_with_the_cylinder_on() -> None:
    shown = weights(*FILL, (60, 0, 0), (600, 24, 44))
    shown[700:] -= shown[700] + 0.0
    found = weighed(shown)
    assert found.by_cylinder()["cylinder 1"] == pytest.approx(40.0, abs=0.8)
    assert any("set to zero" in said for said in found.cautions)


@pytest.mark.parametrize("step", [1.0, 5.0, 20.0])
def test_charging_by_a_scale_set_to_zero_knows_every_gross_weight(step: float) -> None:
    first = ((120, 64, 64), (20, 64, 64), (1200, 64, 34), (60, 34, 34))
    shown = weights(*first, (120, 0, 0), (60, 62, 62), (900, 62, 40), (120, 40, 40), step=step)
    shown[round(130 / step) :] -= 64.0
    found = weighed(shown, step=step, stage="charging")
    assert [load.moved_kg for load in found.loads] == pytest.approx([30.0, 22.0], abs=0.3)
    assert [load.begin_kg for load in found.loads] == pytest.approx([64.0, 62.0], abs=0.3)
    assert len(found.changes) == 1


def test_a_bare_plate_set_to_zero_again_ends_the_old_zero() -> None:
    shown = weights((120, 64, 64), (900, 64, 44), (60, 44, 44), (120, 0, 0), (60, 62, 62), (900, 62, 40), (120, 40, 40))
    shown[60:1140] -= 64.0
    found = weighed(shown, stage="charging")
    assert [load.moved_kg for load in found.loads] == pytest.approx([20.0, 22.0], abs=0.3)
    assert found.loads[1].begin_kg == pytest.approx(62.0, abs=0.3)


def test_flow_that_passes_what_a_cylinder_weighs_in_the_other_unit_is_no_change_of_unit() -> None:
    shown = weights((60, 15.3, 15.3), (530, 15.3, 33.3), (370, 0, 0), (90, 27.0, 31.5), (60, 31.5, 31.5))
    shown[590:960] = np.nan
    cylinders = [{"id": "A", "tare": "15.3 kg"}, {"id": "B", "tare": "13.5 kg"}]
    found = weighed(shown[::10], step=10.0, cylinders=cylinders, marks=[on(20, "A"), on(700, "B")], noise=0.0)
    assert found.loads[-1].end_kg == pytest.approx(31.5, abs=0.1)


@pytest.mark.parametrize("step", [30.0, 60.0])
def test_a_full_cylinder_for_an_empty_one_is_no_other_unit(step: float) -> None:
    one = weights((120, 28, 28), (960, 28, 12.7), (300, 12.7, 12.7), step=step)
    found = weighed(np.concatenate([one, one]), step=step, stage="charging")
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(30.6, abs=0.2)


def test_flow_that_begins_when_the_unit_comes_back_is_counted_in_that_unit() -> None:
    shown = weights((60, 12.4, 12.4), (60, 12.4, 12.4), (900, 12.4, 30.4), (120, 30.4, 30.4))
    shown[40:118] *= LB
    assert weighed(shown, quantum=0.02, noise=0.04).total_kg == pytest.approx(18.0, abs=0.2)


def test_a_cylinder_that_a_slow_display_was_still_showing_as_the_stage_began_was_not_set_to_zero() -> None:
    rises = [1.7, 3.3, 4.75, 6.1, 7.2, 8.2, 9.15, 10.05, 10.9, 11.7, 12.5, 13.15, 13.8, 14.5, 15.05, 15.45, 16, 16.75]
    rises += [17.4, 18, 18.65, 19.15, 19.75, 20.15, 20.75, 21.1, 21.55, 21.85, 21.9, 22.15, 22.25, 22.25, 22.45, 22.5]
    rises += [22.65, 22.65, 22.7, 22.85, 22.9, 22.95, 22.95, 23.05, 23.1, 23.2, 23.15, 23.25, 23.25, 23.35, 23.35]
    found = weighed(
        np.array([*rises, *weights((20, 23.4, 23.7), (60, 23.7, 23.7), (600, 23.7, 34), (60, 34, 34), step=0.5)]),
        step=0.5,
    )
    assert not found.loads[0].zeroed
    assert found.total_kg == pytest.approx(10.3, abs=0.8)  # not 34 kg: all of the cylinder


@pytest.mark.parametrize(("unit", "decimals"), [("kg", 2), ("lb", 2), ("lb", 6), ("oz", 1)])
def test_resolution_is_found_where_the_log_holds_another_unit_than_the_scale_shows(unit: str, decimals: int) -> None:
    weight = np.cumsum(np.random.default_rng(1).uniform(0.0, 0.03, 2000)) + 30.0
    for step in (0.05, 0.1, 0.5 * LB):
        logged = np.round(np.round(weight / step) * step / UNITS[unit].scale, decimals) * UNITS[unit].scale
        found = resolution_kg(pd.Series(logged), UNITS[unit].scale)
        assert found[-1] == pytest.approx(step, rel=0.05)


@pytest.mark.parametrize(("unit", "step"), [("g", 10.0), ("g", 20.0), ("g", 200.0), ("oz", 2.0), ("oz", 5.0)])
def test_resolution_of_a_small_unit_is_many_of_it(unit: str, step: float) -> None:
    weight = np.cumsum(np.random.default_rng(1).uniform(0.0, 0.03, 2000)) / UNITS[unit].scale
    logged = np.round(weight / step) * step * UNITS[unit].scale
    assert resolution_kg(pd.Series(logged), UNITS[unit].scale)[-1] == pytest.approx(step * UNITS[unit].scale)


@pytest.mark.parametrize(("stage", "sign"), [("recovery", 1.0), ("charging", -1.0)])
def test_zeroed_with_the_cylinder_on_before_the_log_began(stage: str, sign: float) -> None:
    shown = sign * weights((120, 0, 0), (1200, 0, 24), (300, 24, 24))
    found = weighed(shown, stage=stage)
    assert found.total_kg == pytest.approx(24.0, abs=0.3)
    assert any("set to zero" in said for said in found.cautions)


@pytest.mark.parametrize("step", [1.0, 10.0, 30.0, 60.0])
def test_a_change_within_one_row_is_no_other_unit(step: float) -> None:
    old, new = 61.0, 61.0 * LB
    shown = weights((300, 26, 26), (1800, 26, old), (300, old, old), (600, new, new), (1800, new, 60), (600, 60, 60))
    shown[(np.arange(len(shown)) >= 2400) & (np.arange(len(shown)) < 2460)] = 0
    found = weighed(shown[:: int(step)], step=step)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(35.0 + 60 - new, abs=0.3)


def test_a_cradle_that_stays_on_the_scale() -> None:
    cradle = weights(*FILL, *SWAP) + 5.0
    found = weighed(cradle)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(60.0, abs=0.2)


def test_the_scale_set_to_zero_between_cylinders() -> None:
    shown = weights(*FILL, *SWAP)
    shown[1400:] -= 1.1
    found = weighed(shown)
    assert len(found.changes) == 1
    assert found.total_kg == pytest.approx(60.0, abs=0.2)


def test_zeroed_with_the_cylinder_on_then_changed() -> None:
    shown = weights((60, 26, 26), (600, 26, 46), (600, 46, 66), (60, 66, 66), (90, 0, 0), (60, 24, 24), (600, 24, 44))
    shown[660:] -= shown[660]
    found = weighed(shown)
    assert found.total_kg == pytest.approx(60.0, abs=1.5)
    assert len(found.changes) == 1


def test_each_zeroed_with_the_cylinder_on_is_another_cylinder() -> None:
    one = weights((60, 0, 0), (600, 0, 20), (60, 20, 20))
    found = weighed(np.concatenate([one, weights((90, -26, -26)), one, weights((90, -30, -30)), one]))
    assert found.total_kg == pytest.approx(60.0, abs=1.0)
    assert [load.cylinder for load in found.loads if load.confirmed] == ["cylinder 1", "cylinder 2", "cylinder 3"]
    assert len(found.changes) == 2


def test_next_cylinder_that_is_zeroed_at_once_is_not_the_one_before() -> None:
    one = weights((60, 26, 26), (600, 26, 46), (60, 46, 46), (120, 0, 0), (2, 0, 30), (3, 30, 30))
    found = weighed(np.concatenate([one, weights((60, 0, 0), (600, 0, 20), (60, 20, 20))]))
    assert found.total_kg == pytest.approx(40.0, abs=0.5)
    assert [load.zeroed for load in found.loads if load.confirmed] == [False, True]
    assert len(found.changes) == 1


def test_zeroed_again_while_it_flows_is_the_same_cylinder() -> None:
    shown = weights((60, 60, 60), (600, 60, 40), (600, 40, 20), (60, 20, 20))
    shown[30:] -= 60.0
    shown[660:] += 20.0
    found = weighed(shown, stage="charging")
    assert found.total_kg == pytest.approx(40.0, abs=1.5)
    assert found.changes == ()


@pytest.mark.parametrize(("next_kg", "loads"), [(13.7, 2), (30.0 * 0.45359237, 1)])
def test_the_next_cylinder_within_a_row_is_no_other_unit_unless_it_is_just_that(next_kg: float, loads: int) -> None:
    gain = 1.0 if loads == 2 else 0.45359237
    shown = weights((60, 13.0, 13.0), (500, 13.0, 30.0), (40, 30.0, 30.0), (40, next_kg, next_kg))
    shown = np.concatenate([shown, next_kg + weights((500, 0.0, 16.0 * gain), (60, 16.0 * gain, 16.0 * gain))])
    found = weighed(np.round(shown, 2))
    assert len([load for load in found.loads if load.confirmed]) == loads
    assert found.total_kg == pytest.approx(33.0, abs=0.1)


@pytest.mark.parametrize("shows", [1 / LB, LB])
def test_a_unit_button_is_no_change_for_a_cylinder_that_weighs_as_much(shows: float) -> None:
    """No hands change a cylinder from one reading to the next; a full one weighs about 2.2 times an empty one."""
    tare = round(49.4 * shows, 1)
    cylinders = [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": f"{tare} kg"}]
    shown = weights(*FILL)
    shown[760:1000] *= shows
    found = weighed(shown, cylinders=cylinders)
    assert found.changes == ()
    assert found.total_kg == pytest.approx(40.0, abs=0.2)


@pytest.mark.parametrize("step", [10.0, 15.0])
def test_a_change_that_is_marked_is_no_other_unit_though_no_bare_plate_was_seen(step: float) -> None:
    filled, next_one = ((600, 11.0, 11.0), (660, 11.0, 24.2), (120, 24.2, 24.2)), ((60, 11.0, 11.0), (400, 11.0, 19.0))
    shown = weights(*filled, *next_one, step=step)
    found = weighed(shown, step=step, quantum=0.01, marks=[on(1_385.0, "B")])
    assert found.total_kg == pytest.approx(21.2, abs=0.4)


def test_zeroed_before_the_first_flow_between_rows_far_apart_is_the_same_cylinder() -> None:
    at = np.arange(0.0, 1200.0, 30.0)
    weight = np.round(np.interp(at, [0, 89, 90, 900], [60.0, 60.0, 0.0, -29.0]), 2)
    weight[at == 660.0] += 9.0  # a hand
    found = weigh(make_stretch("charging", at, {"cylinder_weight": ("kg", weight)}))
    assert found.changes == ()
    assert [round(load.end_kg, 1) for load in found.loads if load.confirmed] == [31.0]


def test_zeroed_with_the_cylinder_on_between_rows_far_apart() -> None:
    found = weighed(weights((60, 30, 30), (900, 2, 38), (120, -30, -30), (60, 24, 24), step=60.0), step=60.0)
    assert found.loads[0].moved_kg == pytest.approx(36.0, abs=3.0)


def test_zero_pressed_again_with_the_next_cylinder_on() -> None:
    fill = weights((60, 22, 22), (10, 0, 0), (1400, 0, 43), (60, 43, 43), step=30.0)
    shown = np.concatenate([fill, weights((3000, 0.5, 20), (120, 20, 20), step=30.0)])
    found = weighed(shown, step=30.0, marks=[on(1540, "B")])
    assert found.total_kg == pytest.approx(63.0, abs=1.0)
    assert len(found.changes) == 1


def test_a_hand_while_a_scale_set_to_zero_begins_to_count() -> None:
    shown = weights((105, 18, 18), (620, 0, 12), (60, 12, 12), (60, -18, -18))
    shown[142:175] -= 0.6
    shown[238:250] += 4.0
    assert weighed(shown).total_kg == pytest.approx(12.0, abs=0.5)


@pytest.mark.parametrize(("step", "bare"), [(1.0, 8.0), (5.0, 5.0), (30.0, 30.0)])
def test_a_light_cylinder_after_a_full_one_is_no_bare_plate(step: float, bare: float) -> None:
    swap = ((bare, 0, 0), (60, 12, 12), (1200, 12, 16), (300, 16, 16))
    found = weighed(weights((300, 12, 12), (1500, 12, 62), (300, 62, 62), *swap, step=step), step=step)
    assert found.total_kg == pytest.approx(54.0, abs=0.2)
    assert len(found.changes) == 1


@pytest.mark.parametrize("stated", [False, True])
def test_a_unit_button_stays_pressed_while_cylinders_change(stated: bool) -> None:
    shown = weights(*FILL, *SWAP)
    pressed = 1350 if stated else 600  # while nothing stands there, or while it flows
    shown[pressed:] /= LB
    marks = [on(1321, "A"), on(1412, "B")] if stated else []
    cylinders = [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": "24 kg"}] if stated else None
    found = weighed(shown, marks=marks, cylinders=cylinders)
    assert found.total_kg == pytest.approx(60.0, abs=0.4)
    assert len(found.changes) == 1


@pytest.mark.parametrize("factor", [1.0 / LB, LB])
@pytest.mark.parametrize("at_s", [120, 700])
def test_a_unit_that_was_wrong_until_the_button_was_pressed_is_told_by_the_tare(factor: float, at_s: int) -> None:
    shown = weights((300, 12, 12), (1200, 12, 36), (120, 36, 36))
    read = shown * np.where(np.arange(len(shown)) < at_s, factor, 1.0)
    found = weighed(read, marks=[on(20, "A")], cylinders=[{"id": "A", "tare": "12 kg"}])
    assert found.total_kg == pytest.approx(24.0, abs=0.1)
    assert found.loads[0].begin_kg == pytest.approx(12.0, abs=0.1)


def test_a_unit_button_pressed_back_between_cylinders_that_are_known() -> None:
    shown = weights(*FILL, *SWAP)
    shown[600:1350] /= LB
    cylinders = [{"id": "A", "tare": "26 kg"}, {"id": "B", "tare": "24 kg"}]
    assert weighed(shown, cylinders=cylinders).total_kg == pytest.approx(60.0, abs=0.4)


def test_a_unit_button_pressed_back_where_an_emptied_cylinder_weighs_about_as_much_in_the_other_unit() -> None:
    """65 kg read in pounds are 29.5 kg; the one that was just emptied weighs 29.0."""
    shown = weights((60, 68, 68), (1200, 68, 29), (60, 29, 29), (90, 0, 0), (60, 65, 65), (600, 65, 51), (120, 51, 51))
    shown[600:1350] /= LB
    cylinders = [{"id": n, "tare": "26 kg", "contents": f"{kg} kg"} for n, kg in (("A", 42), ("B", 39))]
    found = weighed(shown, stage="charging", cylinders=cylinders)
    assert found.total_kg == pytest.approx(53.0, abs=0.4)
    assert [load.cylinder for load in found.loads] == ["A", "B"]


@pytest.mark.parametrize("back", [True, False])
def test_a_unit_button_that_may_be_pressed_back_between_cylinders_of_which_nothing_is_stated(back: bool) -> None:
    shown = weights(*FILL, *SWAP)
    shown[600 : 1350 if back else None] /= LB
    found = weighed(shown)
    assert found.total_kg == pytest.approx(60.0, abs=0.4)
    assert any("unit was switched" in said for said in found.cautions)


def test_a_light_cylinder_that_seemed_a_bare_plate_is_filled() -> None:
    found = weighed(weights((30, 2.9, 2.9), (240, 2.9, 4.9), (150, 4.9, 4.9)), quantum=0.005, noise=0.002)
    assert found.total_kg == pytest.approx(2.0, abs=0.02)
    assert found.uncertainty_kg < 0.04


@pytest.mark.parametrize("gross", [25.6 / LB, 26.0 / LB, 26.5 / LB])
def test_a_full_cylinder_whose_contents_nobody_stated_is_charged_from_in_its_own_unit(gross: float) -> None:
    shown = weights((120, 0, 0), (90, gross, gross), (600, gross, 40.0), (90, 40.0, 40.0), (60, 0, 0))
    found = weighed(shown, stage="charging", marks=[on(121, "A")], cylinders=[{"id": "A", "tare": "26 kg"}])
    assert found.total_kg == pytest.approx(gross - 40.0, abs=0.15)


def test_a_plate_that_comes_to_nothing_after_a_cylinder_was_charged_from_was_not_set_to_zero() -> None:
    """Set to zero with the cylinder on it, it would show less than nothing from then on."""
    lifted = ((4, 0.2, 0.2), (60, 0, 0), (90, 17, 17))
    shown = weights((120, 18.4, 18.4), (281, 18.4, 9.4), *lifted, (280, 17, 8.6), (60, 8.6, 8.6))
    found = weighed(shown, stage="charging", noise=0.0, quantum=0.01)
    assert found.total_kg == pytest.approx(17.4, abs=0.2)
    assert not found.cautions


@pytest.mark.parametrize("kg_per_s", [0.05, 0.1])
def test_a_unit_that_is_switched_shortly_before_the_valve_is_opened(kg_per_s: float) -> None:
    meant = weights((72, 42.75, 42.75), (300, 42.75, 42.75 + 300 * kg_per_s), (60, *(2 * [42.75 + 300 * kg_per_s])))
    shown = np.concatenate([np.zeros(60), meant[:60], LB * meant[60:]])
    found = weighed(shown, noise=0.0, quantum=0.01)
    assert found.total_kg == pytest.approx(300 * kg_per_s, abs=0.2)
    assert not found.changes


def test_fast_flow_that_nobody_saw_is_no_other_unit() -> None:
    """From 21 to 51 kg without readings: 2.4 times as much, and a pound is not 2.4 times less than a kilogram."""
    shown = weights((100, 21, 21), (400, 21, 51), (80, 51, 62.5), (60, 62.5, 62.5))
    shown[90:500] = np.nan
    assert weighed(shown).total_kg == pytest.approx(41.5, abs=0.2)
