"""Weight into mass by cylinder, on made weights and on an ensemble of hostile logs."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.cylinders import cylinder_findings
from analysis.result import Assessment
from analysis.scale import weigh
from analysis.stretch import Stretch
from tests.analysis.scale.weights import FILL, SWAP, on, stretch_of, weighed, weights
from tests.benchmarks.scale_ensemble import world
from tests.benchmarks.scale_yard import score as yard_score
from tests.benchmarks.scale_yard import yard
from tests.support import assert_prefix_consistent, cut, make_stretch, rows_told


def test_charging_counts_what_leaves() -> None:
    found = weighed(weights((60, 66, 66), (1200, 66, 26), (60, 26, 26)), stage="charging")
    assert found.total_kg == pytest.approx(40.0, abs=0.1)


@pytest.mark.parametrize("rate", [0.001, 0.002, 0.005])
def test_slow_flow_from_the_first_second_is_no_level(rate: float) -> None:
    bump = np.zeros(900)
    bump[20:24] = 3.0
    found = weighed(24.0 + rate * np.arange(900) + bump, quantum=0.05)
    assert found.total_kg == pytest.approx(rate * 899, abs=0.1 + 15 * rate)


def test_a_last_minute_of_less_flow_is_the_one_in_which_it_was_shut() -> None:
    levels = [24.0, 24.0, *np.arange(26.0, 46.5, 2.0), 47.0, 0.0, 0.0, 22.0, 22.0, 24.0, 26.0, 27.0, 27.0, 27.0]
    found = weighed(np.array(levels), step=60.0)
    assert found.total_kg == pytest.approx(23.0 + 5.0, abs=0.15)
    assert found.unseen_kg < 0.5  # no more than a hand may have made of the last row


def test_flow_that_no_row_saw_makes_the_mass_unsure() -> None:
    levels = [24.0, 24.0, *np.arange(26.0, 46.5, 2.0), np.nan, np.nan, 0.0, 22.0, 22.0, 24.0, 26.0, 27.0, 27.0, 27.0]
    found = weighed(np.array(levels), step=60.0)
    least, most = 22.0 + 5.0, 22.0 + 5.0 + 6.0  # the two rows that are blank, and the one after, hide up to 6 kg
    assert found.total_kg - found.uncertainty_kg <= least + 0.5
    assert found.total_kg + found.uncertainty_kg >= most - 2.5
    assert found.uncertainty_kg > 1.0


def test_charging_by_bursts_with_rows_a_minute_apart() -> None:
    levels = [90.0 - 6.0 * k for k in range(10)]
    bursts = [part for a, b in pairwise(levels) for part in ((120.0, a, b), (180.0, b, b))]
    found = weighed(weights((120, 90, 90), *bursts, step=60.0), step=60.0, stage="charging", quantum=0.02)
    assert found.total_kg == pytest.approx(54.0, abs=0.1)
    assert found.changes == ()
    assert found.uncertainty_kg < 0.15
    assert found.cautions == ()


@pytest.mark.parametrize("begin", [101.0, 103.0, 105.0, 107.0])
@pytest.mark.parametrize("step", [1.0, 2.0])
def test_a_fast_start_that_soon_gets_slow_is_flow(begin: float, step: float) -> None:
    at = np.arange(0.0, 1500.0, step)
    shown = np.where(at < 60.0, 0.0, np.interp(at, [begin, begin + 10.0, begin + 910.0], [20.0, 22.4, 29.9]))
    assert weighed(shown, step=step, quantum=0.01).total_kg == pytest.approx(9.9, abs=0.05)


def test_a_quiet_scale_with_rows_every_second_is_sure() -> None:
    assert weighed(weights(*FILL, *SWAP)).uncertainty_kg < 0.25


@pytest.mark.parametrize(
    ("step", "held"),
    [
        (1.0, ((110, 0, 0), (40, 19.2, 19.2), (30, 21.1, 21.1), (105, 21.1, 32.1), (5, 32.1, 32.1))),
        (20.0, ((80, 0, 0), (40, 30.4, 30.4), (20, 34.1, 34.1), (80, 34.1, 40.3), (40, 40.3, 40.3))),
    ],
)
def test_a_cylinder_that_is_held_set_down_and_filled_at_once(
    step: float, held: tuple[tuple[float, float, float], ...]
) -> None:
    """Held by hand for 40 s, then set down: that comes at once and is no flow, what goes on for a minute is."""
    (_, tare_kg, _), (_, full_kg, _) = held[2], held[4]
    found = weighed(weights(*held, (60, 0, 0), step=step), step=step)
    assert found.total_kg == pytest.approx(full_kg - tare_kg, abs=0.2)
    assert found.loads[0].begin_kg == pytest.approx(tare_kg, abs=0.1)


def test_a_scale_that_hangs_while_liquid_ends_has_weighed_what_flowed_meanwhile() -> None:
    """30 g/s before, 5 g/s after, and 8 g/s while it showed one number for a quarter of an hour."""
    found = weighed(weights((120, 40, 40), (300, 40, 49), (900, 49, 49), (300, 56, 57.5), (120, 57.5, 57.5)))
    assert found.total_kg == pytest.approx(17.5, abs=0.2)


def test_what_stands_there_next_is_not_what_the_one_before_left_with() -> None:
    found = weighed(weights((60, 4, 4), (150, 2, 2), (34, 45, 45), (24, 42, 42), step=2.0), step=2.0)
    assert found.total_kg == pytest.approx(0.0, abs=0.1)


def test_a_blank_scale_says_nothing() -> None:
    found = weighed(np.full(500, np.nan))
    assert np.isnan(found.total_kg)
    assert found.loads == ()
    assert found.moved_kg.isna().all()


def test_no_scale_at_all() -> None:
    stretch = make_stretch("recovery", np.arange(100.0), {"circuit_pressure": ("psig", np.full(100, 60.0))})
    assert weigh(stretch).changes == ()
    assert cylinder_findings(stretch, weigh(stretch)) == ()


def test_rate_and_gross_follow() -> None:
    found = weighed(weights(*FILL))
    assert float(found.rate_kg_per_s.iloc[800]) == pytest.approx(40 / 1200, rel=0.05)
    assert float(found.gross_kg.iloc[-1]) == pytest.approx(66.0, abs=0.1)


def judged(stretch: Stretch) -> Assessment:
    return Assessment("", "", findings=cylinder_findings(stretch, weigh(stretch)))


@pytest.mark.parametrize("seed", [4, 11, 23, 36, 57, 85, 101, 189])
def test_nothing_later_is_used(seed: int) -> None:
    stretch, _ = world(seed)
    cuts = np.random.default_rng(seed).integers(2, len(stretch.frame) + 1, 3).tolist()
    whole = weigh(stretch)
    for n in {*cuts, *rows_told(stretch.frame, cylinder_findings(stretch, whole))}:
        part = weigh(cut(stretch, n))
        assert part.moved_kg.equals(whole.moved_kg.iloc[:n])
        assert part.gross_kg.equals(whole.gross_kg.iloc[:n])
        assert part.load.equals(whole.load.iloc[:n])
    assert_prefix_consistent(judged, stretch, cuts)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(st.integers(5, 90), st.floats(-5, 90)), min_size=3, max_size=25),
    st.sampled_from([0.5, 2.0, 10.0, 45.0]),
)
def test_any_signal_is_followed_causally(parts: list[tuple[int, float]], step: float) -> None:
    shown = np.concatenate([np.full(long, level) for long, level in parts])
    stretch = stretch_of(shown, step, marks=[on(30, "A"), on(200 * step, "B")])
    whole = weigh(stretch)
    for n in (1, 2, len(shown) // 3 + 1, 2 * len(shown) // 3 + 1):
        assert weigh(cut(stretch, n)).moved_kg.equals(whole.moved_kg.iloc[:n])
    moved = sum(load.moved_kg for load in whole.loads)
    assert whole.moved_kg.iloc[-1] == pytest.approx(moved, abs=2.0 + 0.2 * abs(moved))


def test_another_world_of_scales() -> None:
    scores = [yard_score(seed, every_s) for seed in range(2000, 2010) for every_s in (1.0, 5.0, 10.0)]
    seen = [s for s in scores if not s.truth.untellable]
    assert np.mean([abs(s.error) <= 0.01 for s in seen]) >= 0.7
    assert sum(s.found for s in seen) >= 0.9 * sum(len(s.truth.changes) for s in seen)


@pytest.mark.parametrize("seed", [3, 14, 36, 61])
@pytest.mark.parametrize("every_s", [2.0, 60.0])
def test_nothing_later_is_used_in_the_other_world(seed: int, every_s: float) -> None:
    stretch, _ = yard(seed, every_s)
    whole = weigh(stretch)
    for n in np.random.default_rng(seed).integers(2, len(stretch.frame) + 1, 6).tolist():
        part = weigh(cut(stretch, n))
        assert part.moved_kg.equals(whole.moved_kg.iloc[:n])
        assert part.resolution_kg.equals(whole.resolution_kg.iloc[:n])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("step", [0.1, 1.0, 10.0])
@pytest.mark.parametrize("kg_per_min", [1.5, 6.0])
def test_what_flows_until_the_last_row_is_counted_up_to_it(kg_per_min: float, step: float, sign: float) -> None:
    begin, end = (12.0, 24.0) if sign > 0 else (24.0, 12.0)
    shown = weights((60, begin, begin), (12.0 / kg_per_min * 60.0, begin, end), step=step)
    stage = "recovery" if sign > 0 else "charging"
    found = weighed(np.append(shown, end), step=step, stage=stage, quantum=0.01, noise=0.004)
    assert found.total_kg == pytest.approx(12.0, abs=0.06)
