"""Slow displays, coarse steps, rows far apart."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.scale import weigh
from analysis.scale.display import come_to_rest
from tests.analysis.scale.weights import FILL, LB, SWAP, stretch_of, weighed, weights
from tests.support import make_stretch


def displayed(meant: np.ndarray, step: float, lag_s: float) -> np.ndarray:
    """Return what a smoothed display shows of a weight."""
    shown, share = meant.copy(), 1.0 - np.exp(-step / lag_s)
    for k in range(1, len(shown)):
        shown[k] = shown[k - 1] + share * (meant[k] - shown[k - 1])
    return shown


@pytest.mark.parametrize("lag_s", [7.7, 9.0])
@pytest.mark.parametrize("comes", [15.0, 17.0, 30.0])
def test_a_slow_display_of_a_cylinder_that_comes(lag_s: float, comes: float) -> None:
    parts = ((60, 14, 14), (300, 14, 28), (40, 28, 28), (94, 0, 0))
    parts += ((20, comes, comes), (1200, comes, comes + 16), (60, comes + 16, comes + 16))
    shown = displayed(weights(*parts, step=2.0), 2.0, lag_s)
    assert weighed(shown, step=2.0, noise=0.0, quantum=0.001).total_kg == pytest.approx(30.0, abs=0.2)


@pytest.mark.parametrize("over_s", [12, 20, 27])
@pytest.mark.parametrize("shut_s", [9, 11, 13])
def test_an_averaging_display_of_a_cylinder_that_is_lifted_is_no_flow(over_s: int, shut_s: int) -> None:
    """What it shows then falls straight, as it does while a charge flows out, but quicker."""
    one = ((120, 19.8, 19.8), (270, 19.8, 10.4), (over_s + shut_s, 10.4, 10.4), (120, 0, 0))
    meant = np.concatenate([np.full(over_s - 1, 19.8), weights(*one, *one)])
    shown = np.convolve(meant, np.full(over_s, 1.0 / over_s), mode="valid")
    found = weighed(shown, stage="charging", noise=0.0, quantum=0.01)
    assert found.total_kg == pytest.approx(18.8, abs=0.2)
    assert len(found.changes) == 1


@pytest.mark.parametrize("every", [30, 40, 60])
@pytest.mark.parametrize("step", [1.0, 5.0])
def test_a_scale_whose_old_number_is_written_again_until_it_has_a_new_one(every: int, step: float) -> None:
    one = ((180, 20, 20), (900, 20, 47), (180, 47, 47), (180, 0, 0))
    shown, times = weights((180, 0, 0), *one, *one, step=step), int(every / step)
    found = weighed(np.repeat(shown[::times], times)[: len(shown)], step=step, noise=0.0, quantum=0.01)
    assert found.total_kg == pytest.approx(54.0, abs=0.54)
    assert len(found.changes) == 1


def test_a_level_in_rows_a_minute_apart_that_come_a_little_early_or_late_is_seen() -> None:
    """Of rows a minute apart each is new, also one that shows the number before a little early."""
    one = ((120, 45, 45), (600, 45, 20), (120, 20, 20), (120, 0, 0))
    shown = weights((180, 0, 0), *one, *one)
    for seed in range(8):
        at = np.arange(0.0, len(shown) - 1.0, 60.0)
        at += np.random.default_rng(seed).uniform(0.0, 0.5, len(at))
        read = {"cylinder_weight": ("kg", np.round(shown[at.astype(int)], 2))}
        found = weigh(make_stretch("charging", at, read, tables={"circuit": {"refrigerant": "R-134a"}}))
        assert found.total_kg == pytest.approx(50.0, abs=0.5)


def test_what_is_recovered_quicker_than_by_usual_hoses_is_no_averaging_display() -> None:
    shown = weights((60, 0, 0), (100, 20, 20), (20, 20, 40), (150, 40, 40), (120, 0, 0), step=5.0)
    assert weighed(shown, step=5.0, noise=0.0, quantum=0.1).total_kg == pytest.approx(20.0, abs=0.2)


def test_rows_that_come_a_little_early_or_late_are_no_stairs() -> None:
    rng = np.random.default_rng(3)
    at = np.arange(0.0, 1500.0, 5.0) + rng.uniform(0.0, 0.2, 300)
    shown = np.round(np.interp(at, [300.0, 330.0, 600.0, 1200.0], [26.0, 28.6, 28.6, 60.0]) / 0.05) * 0.05
    found = weigh(make_stretch("recovery", at, {"cylinder_weight": ("kg", shown)}))
    moved = found.moved_kg.to_numpy()
    assert moved[at.searchsorted(345.0)] == pytest.approx(2.6, abs=0.2)
    assert moved[-1] == pytest.approx(34.0, abs=0.1)


def test_sparse_rows_and_coarse_steps() -> None:
    found = weighed(weights(*FILL, *SWAP, step=30.0), step=30.0)
    assert found.total_kg == pytest.approx(60.0, abs=0.8)
    assert len(found.changes) == 1
    coarse = weighed(weights(*FILL, *SWAP), quantum=LB)
    assert coarse.total_kg == pytest.approx(60.0, abs=2 * LB)


def test_resolution_is_the_step_of_the_scale() -> None:
    assert weighed(weights(*FILL), quantum=0.2, noise=0.1).resolution_kg.iloc[-1] == pytest.approx(0.2)
    assert weighed(weights(*FILL), quantum=0.02, noise=0.02).resolution_kg.iloc[-1] == pytest.approx(0.02)


@pytest.mark.parametrize("step", [1.0, 5.0])
def test_a_display_that_hangs_while_it_flows(step: float) -> None:
    shown = weights((60, 66, 66), (1200, 66, 26), (60, 26, 26), step=step)
    hung = slice(round(400 / step), round(500 / step))
    shown[hung] = shown[hung][0]
    found = weighed(shown, step=step, stage="charging", noise=0.0)
    assert found.total_kg == pytest.approx(40.0, abs=0.2)


@pytest.mark.parametrize(("start", "kg_per_s"), [(9.9, 0.005), (9.9, 0.0066), (9.91, 0.0045)])
def test_flow_in_steps_of_the_scale_from_the_first_row_does_not_stand(start: float, kg_per_s: float) -> None:
    """Rows 5 s apart, in steps of a twentieth of a pound: now and then two of them show the same."""
    shown = start + kg_per_s * np.arange(0.0, 1800.0, 5.0)
    found = weighed(shown, step=5.0, quantum=0.05 * LB)
    assert found.total_kg == pytest.approx(shown[-1] - start, abs=0.05)


@pytest.mark.parametrize("bare", [20.0, 90.0])
@pytest.mark.parametrize("gross", [3.0, 12.6, 36.0])
def test_a_scale_that_settles_slowly_has_seen_no_flow(bare: float, gross: float) -> None:
    true = weights(
        (60, 26, 26), (600, 26, 46), (60, 46, 46), (bare, 0, 0), (60, gross, gross), (600, gross, gross + 10)
    )
    settled = [true[0]]
    for weight in true[1:]:
        settled.append(settled[-1] + (weight - settled[-1]) * (1.0 - np.exp(-1.0 / 5.0)))
    assert weighed(np.array(settled)).total_kg == pytest.approx(30.0, abs=0.45)


def lagged(true: np.ndarray, step: float, lag: float) -> np.ndarray:
    """Return what a smoothed display with a time constant shows of a weight."""
    fine = np.repeat(true, round(step / 0.1))
    shown = np.empty_like(fine)
    now = fine[0]
    for k, weight in enumerate(fine):
        now += (1.0 - np.exp(-0.1 / lag)) * (weight - now)
        shown[k] = now
    return shown[:: round(step / 0.1)]


CHARGED = ((60, 0, 0), (60, 24, 24), (360, 24, 12), (60, 12, 12), (60, 0, 0), (60, 25, 25), (360, 25, 13), (60, 13, 13))


@pytest.mark.parametrize("lag", [5.0, 10.0])
@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
def test_a_display_that_creeps_is_no_flow(lag: float, step: float) -> None:
    shown = lagged(weights(*CHARGED, (60, 0, 0), step=step), step, lag)
    stretch = stretch_of(shown, step=step, stage="charging", quantum=0.01)
    found = weigh(stretch)
    assert found.total_kg == pytest.approx(24.0, abs=0.15)
    assert len(found.changes) == 1


@pytest.mark.parametrize("lag", [4.0, 10.0])
def test_what_is_still_to_come_of_a_leap_is_added(lag: float) -> None:
    at = np.arange(0.0, 100.0)
    shown = np.where(at < 20, 0.0, 24.0 * -np.expm1(-(at - 19.5) / lag)) + 0.01 * np.sin(7.0 * at)
    rest = come_to_rest(at, shown, np.full(100, 0.01))
    assert np.abs(rest[35:] - 24.0).max() < 0.2
    assert shown[35] < 23.6
    for rows in (24, 30, 50):
        assert come_to_rest(at[:rows], shown[:rows], np.full(rows, 0.01)).tolist() == rest[:rows].tolist()


@pytest.mark.parametrize(("quick_s", "rate"), [(0.0, 0.1), (0.0, 0.0), (10.0, 0.0), (10.0, 0.25)])
def test_flow_and_averages_are_no_approach(quick_s: float, rate: float) -> None:
    at = np.arange(0.0, 120.0)
    shown = 20.0 * np.clip((at - 20.0) / max(quick_s, 1e-3), 0, 1) + rate * np.maximum(at - 20.0, 0)
    assert come_to_rest(at, shown, np.full(120, 0.01)) == pytest.approx(shown, abs=0.05)


@pytest.mark.parametrize(("comes", "lean"), [(1043, 8), (1043, 16), (1046, 12), (1046, 16)])
def test_a_hand_on_a_slow_display_while_a_charge_flows_out_is_no_other_cylinder(comes: int, lean: float) -> None:
    """When it lets go the display falls as the charge does, but quicker, and from a weight that never flowed."""
    meant = weights((60, 125, 125), (600, 125, 89), (400, 89, 89), (290, 89, 50), (120, 50, 50))
    meant[comes : comes + 20] += lean
    found = weighed(displayed(meant, 1.0, 10.0)[::10], step=10.0, stage="charging", noise=0.0, quantum=0.1)
    assert not found.changes
    assert found.total_kg == pytest.approx(75.0, abs=0.75)


@pytest.mark.parametrize("lag_s", [5.0, 10.0])
def test_a_slow_display_that_the_recorder_reads_more_often_than_it_changes(lag_s: float) -> None:
    """A new number each 5 s, written each second: the cylinder set down is not what the display showed on its way."""
    meant = weights((90, 0, 0), (75, 21.8, 21.8), (1800, 21.8, 40.8), (60, 40.8, 40.8))
    shown = np.repeat(displayed(meant, 1.0, lag_s)[::5], 5)
    assert weighed(shown, noise=0.0, quantum=0.02).total_kg == pytest.approx(19.0, abs=0.1)
