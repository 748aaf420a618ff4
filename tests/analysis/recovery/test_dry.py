"""What is no longer said of a circuit once its pool is gone, by the signals that a technician's instruments show."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.fluids import refrigerant
from analysis.recovery import assess, liquid
from analysis.recovery.balance import Seen, _largest, look
from analysis.recovery.liquid import _quickens
from analysis.recovery.pauses import split, standing
from analysis.recovery.ticks import make_ticks
from analysis.result import Finding
from analysis.scale import weigh
from analysis.stretch import Stretch
from tests.analysis.recovery.cases import weighed
from tests.support import assert_prefix_consistent, make_stretch

ROWS_S = 10.0


def recovery(
    pressure_pa: np.ndarray,
    water_c: np.ndarray | float,
    fluid: str = "R-134a",
    journal: list[tuple[float, str, str, str]] | None = None,
    weight_kg: np.ndarray | None = None,
    **circuit: str,
) -> Stretch:
    seconds = ROWS_S * np.arange(len(pressure_pa))
    channels = {
        "circuit_pressure": ("kPa", np.round(pressure_pa / 1e3, 1)),
        "leaving_water_temperature": ("degC", np.round(np.full(len(seconds), water_c), 1)),
    }
    if weight_kg is not None:
        channels["cylinder_weight"] = ("kg", np.round(weight_kg, 2))
    return make_stretch(
        "recovery", seconds, channels, tables={"circuit": {"refrigerant": fluid} | circuit}, journal=journal or []
    )


def found(stretch: Stretch, kind: str) -> Finding | None:
    return next((f for f in assess(stretch).findings if f.kind == kind), None)


def pressure_at(kelvin: float | np.ndarray, fluid: str = "R-134a") -> np.ndarray:
    return np.asarray(refrigerant(fluid).bubble_pressure_pa(np.asarray(kelvin)), dtype=float)


@pytest.mark.parametrize("dries", [True, False])
def test_a_pool_without_water_flow_is_gone_when_the_fall_quickens(dries: bool) -> None:
    """Saturation falls ever more slowly from 17 to 5 degC; then vapour alone falls by e in 12 min, without a scale."""
    seconds = np.arange(0.0, 5400.0, ROWS_S)
    fall = np.clip(seconds - 600.0, 0.0, None)
    chilled = 290.0 - 14.0 * (1.0 - np.exp(-np.minimum(fall, 2400.0) / 1200.0))
    if not dries:
        chilled = chilled - 0.004 * np.maximum(fall - 2400.0, 0.0)
    pressure = pressure_at(chilled) * (np.exp(-np.maximum(fall - 2400.0, 0.0) / 720.0) if dries else 1.0)
    stretch = recovery(pressure, 16.9, journal=[(30.0, "mark", "water_flow_off", "")])
    assert found(stretch, "self_chilling") is not None
    assert (found(stretch, "freeze_risk") is None) == dries
    assert_prefix_consistent(assess, stretch, [200, 310, 320, 330, 400])


def test_a_log_that_begins_with_pressures_beyond_the_tables_quickens_as_any_other() -> None:
    """Chilled for 50 min at a fall by e in 100 min, then by e in 8 min; before that no density, for 150 min."""
    at = np.arange(10.0, 20_000.0, 10.0)
    chilled = np.maximum(at - 9_000.0, 0.0)
    density = 25.0 * np.exp(-np.minimum(chilled, 3_000.0) / 6_000.0 - np.maximum(chilled - 3_000.0, 0.0) / 500.0)
    density[at < 9_000.0] = np.nan

    def quickens(rows: int) -> np.ndarray:
        ticks: Any = SimpleNamespace(at_s=at[:rows], density=density[:rows])
        return _quickens(ticks, np.ones(rows, dtype=bool), np.ones(rows, dtype=bool))

    whole = quickens(len(at))
    assert 12_000.0 < at[whole][0] < 12_200.0
    for rows in (1_230, 1_300, 1_400):
        assert (quickens(rows) == whole[:rows]).all()


def test_no_circuit_is_too_large_where_vapour_is_nearly_as_dense_as_liquid() -> None:
    # carbon dioxide at 20 degC: 194 kg/m3, beside 861 kg/m3 of liquid at 10 degC; R-134a at 20 degC: 27.8 and 1261
    moved = np.array([1.0, 5.0])
    assert (_largest(None, moved, np.full(2, 194.0), 861.0) > 1.0).all()
    assert _largest(None, moved, np.full(2, 27.8), 1_261.0) == pytest.approx(6.0 * moved / (1_261.0 - 6.0 * 27.8))


def test_a_pool_that_quickens_little_by_little_is_not_gone() -> None:
    # the less it wets, the less it is warmed: the fall gets faster all the time, with liquid there
    seconds = np.arange(0.0, 4500.0, ROWS_S)
    fall = np.clip(seconds - 600.0, 0.0, None)
    stretch = recovery(
        pressure_at(
            290.0 - 10.0 * np.minimum(fall / 1800.0, 1.0) - 10.0 * (np.maximum(fall - 1800.0, 0.0) / 1200.0) ** 2
        ),
        16.9,
        journal=[(30.0, "mark", "water_flow_off", "")],
    )
    assert found(stretch, "freeze_risk") is not None


def test_water_that_stood_in_a_warm_pipe_flows_again() -> None:
    seconds = np.arange(0.0, 3600.0, ROWS_S)
    enters = np.full(len(seconds), 12.2)
    leaves = 12.0 + np.where((seconds > 900.0) & (seconds < 2100.0), np.minimum((seconds - 900.0) / 120.0, 8.0), 0.0)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.full(len(seconds), 420.0)),
            "leaving_water_temperature": ("degC", np.round(leaves, 1)),
            "entering_water_temperature": ("degC", enters),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
    )
    assert np.isnan(make_ticks(stretch, None).flow).all()


def test_dense_vapour_is_of_the_charge_that_nobody_stated() -> None:
    """R-410A at 26 degC: 47 kg have left when vapour alone, 23 kg of it in 350 L, falls by e in 18 min."""
    fluid = refrigerant("R-410A")
    seconds = np.arange(0.0, 3600.0, ROWS_S)
    pressure = pressure_at(298.0, "R-410A") * np.exp(-np.maximum(seconds - 1200.0, 0.0) / 1080.0)
    density = np.asarray(fluid.vapor_density_at(pressure, 299.0))
    weight = 30.0 + 0.039 * np.minimum(seconds, 1200.0) + 0.35 * (density[0] - density)
    assert found(recovery(pressure, 26.0, "R-410A", weight_kg=weight), "freeze_risk") is None


@pytest.mark.parametrize(("beyond_m3", "dry"), [(-0.01, True), (0.01, False), (np.nan, False)])
def test_a_fall_too_short_for_the_scale_does_not_gainsay_one_that_it_weighs(
    monkeypatch: pytest.MonkeyPatch, beyond_m3: float, dry: bool
) -> None:
    """A machine that arrived short: vapour alone in 220 L of R-410A, then two steps of the scale within a minute."""
    seconds = np.arange(0.0, 4800.0, ROWS_S)
    pressure = pressure_at(290.0, "R-410A") * np.exp(-np.maximum(seconds - 1200.0, 0.0) / 2400.0)
    density = np.asarray(refrigerant("R-410A").vapor_density_at(pressure, 290.5))
    weight = 30.0 + 0.025 * np.minimum(seconds, 1200.0) + 0.22 * (density[0] - density)
    stretch = recovery(pressure, 17.3, "R-410A", weight_kg=weight, charge="60 kg", internal_volume="220 L")
    ticks = make_ticks(stretch, weigh(stretch))
    last = np.arange(len(ticks)) == len(ticks) - 1

    def stepped(*args: Any) -> Seen:
        seen = look(*args)
        return replace(seen, against=last, beyond=np.where(last, beyond_m3, seen.beyond), soft=seen.soft & ~last)

    monkeypatch.setattr(liquid, "look", stepped)
    soft = liquid.gather(ticks, split(ticks, standing(ticks))[1], stretch.job).dry_soft
    assert soft[-2]
    assert soft[-1] == dry


def test_what_boils_deep_down_comes_out_of_the_oil_and_chills_nothing() -> None:
    """A machine that arrived short; some of what leaves comes out of the oil, and more of it deep down."""
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 4800.0, ROWS_S)
    fall = np.clip(seconds - 1200.0, 0.0, None)
    oil = np.maximum(fall - 1200.0, 0.0)
    pressure = pressure_at(288.0) * np.exp(-np.minimum(fall, 1200.0) / 900.0 - oil / 2400.0)
    density = np.asarray(fluid.vapor_density_at(pressure, 288.0))
    weight = 30.0 + 0.03 * np.minimum(seconds, 1200.0) + 0.4 * (density[0] - density)
    weight = weight + 0.002 * (fall + oil)
    stretch = recovery(pressure, 15.0, weight_kg=weight, charge="80 kg", internal_volume="400 L")
    assert found(stretch, "self_chilling") is None


def test_a_pool_that_came_back_whole_is_no_pocket_once_it_is_gone() -> None:
    """It looked dry, came back to the water in a pause, and has boiled away when the pressure falls again."""
    seconds = np.arange(0.0, 5400.0, ROWS_S)
    log = np.interp(seconds, [600.0, 960.0, 1020.0, 1620.0, 3000.0, 4800.0], [0.0, -0.4, -0.39, -0.02, -0.03, -2.0])
    marks = [(960.0, "mark", "recovery_paused", ""), (1620.0, "mark", "recovery_resumed", "")]
    stretch = recovery(pressure_at(288.0) * np.exp(log), 15.0, journal=marks)
    assert found(stretch, "pressure_rebound") is not None
    assert found(stretch, "freeze_risk") is None


@pytest.mark.parametrize(("minutes", "told"), [(2.0, False), (4.0, True)])
def test_what_is_under_freezing_for_two_minutes_freezes_no_tube(minutes: float, told: bool) -> None:
    seconds = np.arange(0.0, 3600.0, ROWS_S)
    kelvin = np.interp(seconds, [600.0, 2400.0], [283.0, 274.0])
    cold = (seconds >= 2400.0) & (seconds < 2400.0 + 60.0 * minutes)
    stretch = recovery(pressure_at(np.where(cold, 272.5, kelvin)), 10.0, journal=[(30.0, "mark", "water_flow_off", "")])
    assert (found(stretch, "freeze_risk") is not None) == told


@pytest.mark.parametrize("weighed", [True, False])
def test_two_minutes_under_freezing_are_told_where_the_balance_says_that_liquid_boils(weighed: bool) -> None:
    seconds = np.arange(0.0, 3600.0, ROWS_S)
    kelvin = np.interp(seconds, [600.0, 2400.0, 2500.0, 2540.0], [283.0, 273.2, 272.6, 277.0])
    weight = 30.0 + 0.01 * np.clip(seconds - 600.0, 0.0, 1900.0)
    stretch = recovery(
        pressure_at(kelvin),
        10.0,
        journal=[(30.0, "mark", "water_flow_off", "")],
        weight_kg=weight if weighed else None,
        internal_volume="400 L",
    )
    assert (found(stretch, "freeze_risk") is not None) == weighed


@pytest.mark.parametrize(
    ("share", "boils", "fall_s"),
    [(0.0, 0.0, 700.0), (0.006, 2.5e-5, 400.0), (0.006, 2.5e-5, 700.0), (0.006, 1.4e-5, 700.0)],
)
def test_without_a_stated_volume_a_pocket_that_boils_like_vapour_is_waited_for(
    share: float, boils: float, fall_s: float
) -> None:
    """50 kg of R-134a in 200 L that nobody stated; a share of it in a pocket from which `boils` kg/(K s) come.

    What boils makes the seen volume larger, and its vapour hides the pocket from the plate.
    """
    fluid, water, pull = refrigerant("R-134a"), 290.0, 1_200.0
    seconds = np.arange(0.0, 5_400.0, 5.0)
    pressure = pressure_at(water - 0.5) * np.exp(-np.maximum(seconds - pull, 0.0) / fall_s)
    cold = np.maximum(water - np.asarray(fluid.bubble_temperature_k(pressure)), 0.0) * (seconds >= pull)
    pocket = np.maximum(share * 50.0 - boils * np.cumsum(cold) * 5.0, 0.0)
    left = 0.2 * np.asarray(fluid.vapor_density_at(pressure, np.full(len(seconds), water))) + pocket
    pool = np.interp(seconds, [120.0, pull], [50.0 - left[0], 0.0])
    stretch = weighed(
        seconds, np.round(pressure / 1e3, 1), np.round(70.0 - left - pool, 2), water - 273.15, charge="50 kg"
    )
    call = found(stretch, "liquid_gone")
    assert call is not None
    at = (call.time - stretch.begin).total_seconds()
    assert np.interp(at, seconds, pocket) <= 0.001 * 50.0
    if not share:
        assert at - pull <= 420.0
    assert_prefix_consistent(assess, stretch, [300, 400, int(at // 5), int(at // 5) + 40])


def test_without_a_stated_volume_cold_gas_is_not_taken_for_what_stands() -> None:
    """The same without a pocket, read with noise; gas left behind cools by expanding, and warms again in 120 s.

    Colder gas is denser: what is weighed over the first falls looks like a smaller circuit, and the plate like more.
    """
    fluid, water, pull, fall_s = refrigerant("R-134a"), 290.0, 1_200.0, 800.0
    seconds = np.arange(0.0, 4_800.0, 5.0)
    falling = np.maximum(seconds - pull, 0.0)
    pressure = pressure_at(water - 0.5) * np.exp(-falling / fall_s)
    gas = water - 0.1 * water * (120.0 / fall_s) * (1.0 - np.exp(-falling / 120.0))
    left = 0.2 * np.asarray(fluid.vapor_density_at(pressure, gas))
    pool = np.interp(seconds, [120.0, pull], [50.0 - left[0], 0.0])
    late = []
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0.0, 1.0, (2, len(seconds)))
        stretch = make_stretch(
            "recovery",
            seconds,
            {
                "circuit_pressure": ("psig", np.round((pressure - 101_325.0) / 6_894.757 + 0.03 * noise[0], 1)),
                "cylinder_weight": ("kg", np.round(70.0 - left - pool + 0.01 * noise[1], 2)),
                "leaving_water_temperature": ("degC", np.full(len(seconds), water - 273.15)),
            },
            tables={"circuit": {"refrigerant": "R-134a", "charge": "50 kg"}},
        )
        call = found(stretch, "liquid_gone")
        assert call is not None
        late.append((call.time - stretch.begin).total_seconds() - pull)
    assert min(late) >= 0.0
    assert np.median(late) <= 720.0


@pytest.mark.parametrize("stands_s", [0.0, 60.0, 120.0, 180.0, 240.0, None])
def test_without_a_scale_a_strong_machine_that_chills_the_liquid_is_told_of_within_minutes(
    stands_s: float | None,
) -> None:
    """Saturation falls by 22 K in 10 min, ever more slowly; or vapour falls by e in 10 min and the machine stands once.

    Nobody marked that it stood, nor that water flows.
    """
    fall = np.arange(0.0, 1_200.0, ROWS_S) - 300.0
    if stands_s is None:
        pressure = pressure_at(290.0 - 23.0 * -np.expm1(-np.maximum(fall, 0.0) / 220.0))
    else:
        pulled = np.clip(fall, 0.0, 400.0) + np.maximum(fall - 400.0 - stands_s, 0.0)
        pressure = pressure_at(290.0) * np.exp(-pulled / 600.0)
    stretch = recovery(pressure, 16.9)
    chills, freezes = found(stretch, "self_chilling"), found(stretch, "freeze_risk")
    if stands_s is not None:
        assert chills is None
        return
    assert chills is not None
    assert chills.figures["evidence"] == "fall"
    assert (chills.time - stretch.begin).total_seconds() <= 300.0 + 480.0
    assert freezes is not None
    assert (freezes.time - stretch.begin).total_seconds() <= 300.0 + 600.0
    assert_prefix_consistent(assess, stretch, [60, 70, 80, 100])


@pytest.mark.parametrize(("fall_s", "told"), [(300.0, False), (900.0, True)])
def test_gas_that_was_drawn_off_fast_comes_back_as_it_warms(fall_s: float, told: bool) -> None:
    """R-134a falls to a ninth, by e in that time; then 4 % come back in some minutes."""
    seconds = np.arange(0.0, 4_800.0, ROWS_S)
    stands = 300.0 + 2.2 * fall_s
    pressure = pressure_at(290.0) * np.exp(-np.clip(seconds - 300.0, 0.0, 2.2 * fall_s) / fall_s)
    pressure = pressure * (1.0 - 0.042 * np.expm1(-np.maximum(seconds - stands, 0.0) / 300.0))
    stretch = recovery(pressure, 16.9, journal=[(stands, "mark", "recovery_paused", "")])
    assert (found(stretch, "pressure_rebound") is not None) == told


def test_cold_gas_that_warms_in_the_last_hold_is_no_freeze_risk_once_liquid_is_gone() -> None:
    """Vapour alone falls by e in 10 min; the machine then stands, and what is left comes back by 6 %."""
    seconds = np.arange(0.0, 3_600.0, ROWS_S)
    fall, stood = np.clip(seconds - 300.0, 0.0, 1_500.0), np.maximum(seconds - 1_800.0, 0.0)
    pressure = pressure_at(290.0) * np.exp(-fall / 600.0) * (1.0 - 0.06 * np.expm1(-stood / 300.0))
    density = np.asarray(refrigerant("R-134a").vapor_density_at(pressure_at(290.0) * np.exp(-fall / 600.0), 290.0))
    stretch = recovery(
        pressure,
        16.9,
        journal=[(1_800.0, "mark", "recovery_paused", "")],
        weight_kg=20.0 + 0.2 * (density[0] - density),
        charge=f"{0.2 * density[0]:.2f} kg",
        internal_volume="200 L",
    )
    rebound, gone = found(stretch, "pressure_rebound"), found(stretch, "liquid_gone")
    assert rebound is not None
    assert gone is not None
    assert gone.time < rebound.time
    assert found(stretch, "freeze_risk") is None
