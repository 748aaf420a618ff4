"""Start-up: where steady windows begin and end, against load steps of known time."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from analysis.fluids import refrigerant
from analysis.startup import assess
from tests.analysis.startup.plants import PSI, plant, windows
from tests.benchmarks.startup_ensemble import found_windows, make_case, overlap
from tests.support import assert_prefix_consistent, make_stretch, value


@pytest.mark.parametrize(("step", "with_load"), [(1.0, True), (10.0, True), (60.0, True), (1.0, False), (0.5, True)])
def test_windows_between_load_steps(step: float, with_load: bool) -> None:
    stretch, superheat = plant([(0, 0.5), (40, 0.9)], 80, step, with_load=with_load)
    found = windows(stretch)
    assert len(found) == 2
    assert found[0][0] < 12
    assert found[0][1] == pytest.approx(40.0, abs=1.5)
    assert 40 < found[1][0] < 52
    figure = value(assess(stretch), "suction_superheat")
    assert figure == pytest.approx(superheat, abs=0.3)


def test_a_stair_of_loads_that_nobody_logs_is_a_window_each() -> None:
    stretch, _ = plant([(0, 0.4), (15, 0.6), (30, 0.8), (45, 1.0)], 60, 5.0, lag_s=45.0, with_load=False, opens_k=3.0)
    found = windows(stretch)
    assert [end for _, end in found] == [pytest.approx(minute, abs=1.0) for minute in (15.0, 30.0, 45.0)] + [None]
    assert {f.figures["cause"] for f in assess(stretch).findings if f.kind == "unsteady"} == {"staging"}


@pytest.mark.parametrize("with_load", [True, False])
def test_a_window_opens_soon_after_the_compressor_stops_cycling(with_load: bool) -> None:
    cycles = [(1.5 * i, 0.5 + 0.5 * (i % 2)) for i in range(14)]
    stretch, superheat = plant(cycles, 45, 2.0, lag_s=45.0, with_load=with_load)
    ((begin, end),) = windows(stretch)
    assert begin == pytest.approx(21.0, abs=3.0)  # the last of them at 19.5 min
    assert end is None
    assert assess(stretch).figures["suction_superheat"].si == pytest.approx(superheat, abs=0.3)  # type: ignore[union-attr]


def test_a_stage_that_cycles_on_gives_no_chain_of_short_windows() -> None:
    """No load is logged, and each stage shows minutes after it came: what was told within them is taken back."""
    loads = [(0.0, 0.7), *[(20.0 + 3.0 * i, 0.58 + 0.12 * (i % 2)) for i in range(8)]]
    stretch, _ = plant(loads, 50.0, 2.0, lag_s=30.0, with_load=False, opens_k=1.0)
    findings = assess(stretch).findings
    pairs = [(one, then) for one, then in pairwise(findings) if (one.kind, then.kind) == ("steady", "unsteady")]
    short = [then.text for one, then in pairs if then.since - one.since < pd.Timedelta(minutes=4)]
    assert short
    assert all(text.startswith("Not steady since this window began") for text in short)


@pytest.mark.parametrize(("lag_s", "step"), [(180.0, 1.0), (240.0, 1.0), (240.0, 10.0)])
def test_a_window_begins_when_little_of_an_approach_is_left(lag_s: float, step: float) -> None:
    """Within half a kelvin, what a field probe can tell: superheat rises by 6.4 K with the lag."""
    stretch, _ = plant([(0, 0.8)], 70, step, lag_s=lag_s, opens_k=8.0)
    ((begin, _end),) = windows(stretch)
    assert 0.2 < 6.4 * np.exp(-60.0 * begin / lag_s) < 0.48


def test_a_discharge_that_warms_with_its_compressor_keeps_nothing_back() -> None:
    """Its superheat follows in 6 min, by 0.6 K in the last five of a stage whose suction has long stood."""
    stretch, superheat = plant([(0.0, 0.8)], 13.0)
    condensing = refrigerant("R-134a").dew_temperature_k(stretch.frame["discharge_pressure"].to_numpy())
    minutes = np.arange(len(stretch.frame)) / 60.0
    stretch.frame["discharge_temperature"] = condensing + 20.0 - 4.0 * np.exp(-minutes / 6.0)
    result = assess(stretch)
    assert result.verdict == "steady_in_limits"
    assert value(result, "suction_superheat") == pytest.approx(superheat, abs=0.3)
    assert value(result, "discharge_superheat") == pytest.approx(20.0, abs=1.0)


def test_a_load_that_changed_just_now_is_said_to() -> None:
    result = assess(plant([(0, 0.5), (20, 0.8)], 24)[0])
    assert result.text.startswith("Was steady"), "what stood then is no news of now"
    assert "Since then not steady: the load changed 4 min ago; suction superheat moves by" in result.text


def test_steps_of_a_gauge_are_not_taken_for_movement() -> None:
    """A gauge in steps of 1 psi on a low-pressure refrigerant moves its saturation by 3 K at once."""
    fluid = refrigerant("R-1233zd(E)")
    at = np.arange(0.0, 5_400.0, 1.0)
    dew = 278.0 + 0.4 * np.sin(at / 3_000.0)
    psi = (np.asarray(fluid.dew_pressure_pa(dew)) - 101_325.0) / PSI + np.random.default_rng(5).normal(0, 0.2, len(at))
    logged = {
        "suction_pressure": ("psig", np.round(psi)),
        "suction_temperature": ("degF", np.round((dew + 5.0) * 1.8 - 459.67, 1)),
        "compressor_load": ("%", np.full(len(at), 70.0)),
    }
    stretch = make_stretch("startup", at, logged, tables={"circuit": {"refrigerant": "R-1233zd(E)"}})
    assert len(windows(stretch)) == 1
    assert windows(stretch)[0][1] is None
    assert assess(stretch).figures["suction_superheat"].si == pytest.approx(5.0, abs=0.5)  # type: ignore[union-attr]


def test_windows_and_figures_of_the_ensemble() -> None:
    """A few of its start-ups; see its table for all of them."""
    cases = [make_case(seed) for seed in range(500, 508)]
    both = [overlap(found_windows(case)[0], case.steady, float(case.seconds[-1])) for case in cases]
    assert np.mean(both) >= 0.85


@pytest.mark.parametrize("rows", [0, 1, 12])
def test_hardly_any_rows_are_looked_at_too(rows: int) -> None:
    stretch, _ = plant([(0, 0.5)], 1)
    result = assess(replace(stretch, frame=stretch.frame.iloc[:rows], barometer_pa=stretch.barometer_pa.iloc[:rows]))
    assert result.verdict == "never_steady"
    assert "Cannot tell" in result.text


def test_a_stopped_machine_is_not_steady() -> None:
    stretch, _ = plant([(0, 0.0)], 40)
    assert assess(stretch).verdict == "never_steady"
    assert "does not run" in assess(stretch).text


def test_no_window_opens_before_the_start_where_one_side_alone_is_read() -> None:
    """Until it starts after ten minutes the water is as warm as the refrigerant boils: no heat flows."""
    stretch, _ = plant([(10, 0.7)], 40, with_load=False)
    water = stretch.frame["leaving_water_temperature"] - np.where(np.arange(len(stretch.frame)) < 600, 2.0, 0.0)
    side = stretch.frame[["suction_pressure", "suction_temperature"]].assign(leaving_water_temperature=water)
    found = windows(replace(stretch, frame=side))
    assert len(found) == 1
    assert found[0][0] >= 10
    assert "taken for granted" in assess(replace(stretch, frame=side)).text
    assert "taken for granted" not in assess(stretch).text


def test_no_window_opens_before_the_start_where_a_closed_valve_keeps_the_pressures_apart() -> None:
    """Until it starts after ten minutes each side is as warm as what stands beside it: no heat flows."""
    stretch, _ = plant([(10, 0.7)], 40, with_load=False)
    rests = np.arange(len(stretch.frame)) < 600
    beside = {"leaving_water_temperature": -2.0, "liquid_temperature": 5.0}
    still = {channel: stretch.frame[channel] + np.where(rests, by_k, 0.0) for channel, by_k in beside.items()}
    found = windows(replace(stretch, frame=stretch.frame.assign(**still)))
    assert len(found) == 1
    assert found[0][0] >= 10


def test_findings_use_no_later_row() -> None:
    stretch, _ = plant([(0, 0.5), (25, 0.8), (50, 0.0)], 60, startup={"limits": {"subcooling": ["20 degF", "30 degF"]}})
    whole = assert_prefix_consistent(assess, stretch, np.random.default_rng(2).integers(1, len(stretch.frame), 5))
    assert {f.kind for f in whole.findings} == {"steady", "unsteady", "limit_missed"}


def test_a_probe_that_is_lost_does_not_stop_the_rest() -> None:
    stretch, superheat = plant([(0, 0.5)], 60)
    lost = stretch.frame["liquid_temperature"].where(np.arange(len(stretch.frame)) < 600)
    result = assess(replace(stretch, frame=stretch.frame.assign(liquid_temperature=lost)))
    assert result.verdict == "steady_in_limits"
    assert result.figures["suction_superheat"].si == pytest.approx(superheat, abs=0.3)  # type: ignore[union-attr]


@pytest.mark.parametrize("step", [1.0, 10.0])
def test_a_load_step_that_nobody_logs_and_no_figure_shows_ends_the_window(step: float) -> None:
    stretch, _ = plant([(0, 0.5), (30, 0.9)], 60, step, with_load=False, opens_k=0.0)
    (_, first_end), (second, _) = windows(stretch)
    assert first_end == pytest.approx(30.0, abs=2.0)
    assert second == pytest.approx(30.0, abs=6.0)
    (ended,) = [f for f in assess(stretch).findings if f.kind == "unsteady"]
    assert ended.figures["cause"] == "staging"
    assert_prefix_consistent(
        assess, stretch, range(1500, len(stretch.frame), 862) if step == 1.0 else range(180, 360, 51)
    )


def test_a_pull_down_is_no_load_step() -> None:
    """Water and suction pressure sink and discharge pressure rises, ever slower, while nothing stages."""
    stretch, _ = plant([(0, 0.5)], 40, 30.0, lag_s=20.0, with_load=False, opens_k=0.0)
    left = np.exp(-np.arange(len(stretch.frame)) * 30.0 / 500.0)
    fluid = refrigerant("R-134a")
    dew = np.asarray(fluid.dew_temperature_k(stretch.frame["suction_pressure"].to_numpy()))
    condensing = np.asarray(fluid.dew_temperature_k(stretch.frame["discharge_pressure"].to_numpy()))
    moved = {
        "suction_pressure": np.asarray(fluid.dew_pressure_pa(dew + 8.0 * left)),
        "discharge_pressure": np.asarray(fluid.dew_pressure_pa(condensing - 4.0 * left)),
        "suction_temperature": stretch.frame["suction_temperature"] + 8.0 * left,
        "leaving_water_temperature": stretch.frame["leaving_water_temperature"] + 8.0 * left,
        "liquid_temperature": stretch.frame["liquid_temperature"] - 4.0 * left,
    }
    result = assess(replace(stretch, frame=stretch.frame.assign(**moved)))
    assert [f.kind for f in result.findings] == ["steady"]


def test_a_load_step_is_placed_where_it_was_while_the_condenser_warms() -> None:
    stretch, _ = plant([(0, 0.5), (30, 0.9)], 60, 2.0, lag_s=45.0, with_load=False, opens_k=0.0)
    fluid = refrigerant("R-134a")
    condensing = np.asarray(fluid.dew_temperature_k(stretch.frame["discharge_pressure"].to_numpy()))
    warmer = 0.25 * np.clip(np.arange(len(stretch.frame)) * 2.0 / 60.0 - 15.0, 0.0, None)
    frame = stretch.frame.assign(
        discharge_pressure=np.asarray(fluid.dew_pressure_pa(condensing + warmer)),
        liquid_temperature=stretch.frame["liquid_temperature"] + warmer,
    )
    (_, first_end), *_ = windows(replace(stretch, frame=frame))
    assert first_end == pytest.approx(30.0, abs=0.75)


def test_water_that_warms_is_no_load_step() -> None:
    stretch, _ = plant([(0, 0.5)], 60, 5.0, with_load=False, opens_k=0.0)
    warmer = np.clip((np.arange(len(stretch.frame)) * 5.0 - 1_800.0) / 120.0, 0.0, 1.0)
    moved = {name: stretch.frame[name] * (1.0 + 0.03 * warmer) for name in stretch.frame if name.endswith("_pressure")}
    moved |= {name: stretch.frame[name] + warmer for name in stretch.frame if name.endswith("_temperature")}
    result = assess(replace(stretch, frame=stretch.frame.assign(**moved)))
    assert "staging" not in {f.figures.get("cause") for f in result.findings}
    assert result.verdict == "steady_in_limits"


@pytest.mark.parametrize("back_s", [np.inf, 3_000.0])
def test_what_is_not_read_when_a_window_opens_counts_from_then_on(back_s: float) -> None:
    """The suction probe falls off a minute after the load stepped, when superheat had not come to its level yet."""
    stretch, superheat = plant([(0, 0.3), (20, 1.0)], 70, 5.0, opens_k=8.0)
    at = np.arange(len(stretch.frame)) * 5.0
    lost = (at >= 1_260.0) & (at < back_s)
    stretch.frame["suction_temperature"] = stretch.frame["suction_temperature"].where(~lost)
    opened = [f for f in assess(stretch).findings if f.kind == "steady"]
    assert "suction_superheat" not in opened[-1].figures
    told = assess(stretch).figures.get("suction_superheat")
    assert told is None if back_s == np.inf else told.si == pytest.approx(superheat, abs=0.3)  # type: ignore[union-attr]
