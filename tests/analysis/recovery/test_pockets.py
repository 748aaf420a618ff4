"""Liquid that hides: pockets, and what the plate says of them."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.fluids import refrigerant
from analysis.recovery import assess
from analysis.recovery.apparent_volume import Sums, spans_of, standing
from analysis.recovery.liquid import POCKET_FILM, POCKET_LEAST, POCKET_SURFACE
from analysis.recovery.ticks import make_ticks
from analysis.scale import weigh
from analysis.stretch import Stretch
from tests.analysis.recovery.cases import found, judged, minutes_late, paused, weighed
from tests.benchmarks.recovery_circuit import Case
from tests.support import assert_prefix_consistent, make_stretch


def test_a_slow_pocket_is_waited_for() -> None:
    run, assessment = judged(Case(pocket=3.0, pocket_conductance=1.5))
    call = found(assessment, "liquid_gone")
    assert call is None or run.liquid_share_at(call.time) <= 0.003


def test_a_pocket_that_brings_the_pressure_back_may_freeze_the_tubes() -> None:
    _, assessment = judged(Case(pocket=4.0, pocket_conductance=0.5))
    rebound, freeze = found(assessment, "pressure_rebound"), found(assessment, "freeze_risk")
    assert rebound is not None
    assert freeze is not None
    assert freeze.level == "caution"


def test_a_pool_that_came_back_is_no_pocket_once_it_is_gone() -> None:
    _, assessment = judged(Case(conductance=2000.0, hose=0.0))
    assert found(assessment, "pressure_rebound") is not None
    assert found(assessment, "freeze_risk") is None


def test_refrigerant_out_of_the_oil_brings_the_pressure_back() -> None:
    _, assessment = judged(Case(oil=20.0))
    assert assessment.verdict == "level_not_held"
    assert found(assessment, "pressure_rebound") is not None
    assert found(assessment, "required_level_held") is None
    assert found(assessment, "self_chilling") is None


def test_a_machine_that_arrived_short_is_still_called_dry() -> None:
    run, assessment = judged(Case(charged=0.85))
    assert minutes_late(run, assessment) >= 0.0
    assert assessment.verdict == "complete"


def vapour_alone(weight_step: float, minutes: float = 20.0) -> Stretch:
    """Return a fall of vapour alone out of 0.4 m3, at 285 K, by e in 10 min, after 10 min of rest."""
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 60.0 * minutes + 600.0, 5.0)
    pressure = 420e3 * np.exp(-np.maximum(seconds - 600.0, 0.0) / 600.0)
    density = np.asarray(fluid.vapor_density_at(pressure, 285.0))
    weight = 30.0 + 0.4 * (density[0] - density)
    return weighed(seconds, pressure / 1e3, np.round(weight / weight_step) * weight_step)


@pytest.mark.parametrize("weight_step", [0.001, 0.05, 0.5])
def test_the_apparent_volume_of_vapour_alone_holds_the_circuits(weight_step: float) -> None:
    stretch = vapour_alone(weight_step)
    ticks = make_ticks(stretch, weigh(stretch))
    spans = spans_of(Sums(ticks, slice(61, len(ticks)), ticks.reference_k - ticks.bubble_k))
    half = next(span for span in spans if span.window == 0.5)
    there = np.isfinite(half.middle)
    assert there.sum() >= 60
    assert np.mean((half.low <= 0.4) & (half.high >= 0.4), where=there) >= 0.9
    # a scale that shows it in a few steps leaves the volume open
    assert half.known[there].all() == (weight_step < 0.5)


def with_plate(seconds: np.ndarray, pressure_pa: np.ndarray, gross_kg: np.ndarray, charge_kg: float) -> Stretch:
    """Return a recovery out of 400 L beside water of 285 K, with the charge of its plate."""
    return make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", pressure_pa / 1e3),
            "cylinder_weight": ("kg", np.round(gross_kg, 2)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
        },
        tables={
            "circuit": {"refrigerant": "R-134a", "charge": f"{charge_kg:.3f} kg", "internal_volume": "400 L"},
        },
    )


@pytest.mark.parametrize("pocket_kg", [0.0, 1.5])
def test_vapour_that_grows_cold_as_it_is_drawn_keeps_no_plate_from_closing(pocket_kg: float) -> None:
    """Colder by 6 K with a time constant of 150 s; a pocket that does not boil stays missing all the same."""
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 5400.0, 2.0)
    drawn_s = np.maximum(seconds - 1800.0, 0.0)
    pressure = 440e3 * np.exp(-drawn_s / 600.0)
    vapour = 0.4 * np.asarray(fluid.vapor_density_at(pressure, 285.0 - 6.0 * (1.0 - np.exp(-drawn_s / 150.0))))
    gross = 20.0 + 0.05 * np.clip(seconds - 300.0, 0.0, 1200.0) + vapour[0] - vapour
    stretch = with_plate(seconds, pressure, gross, 60.0 + vapour[0] + pocket_kg)
    gone = next((f for f in assess(stretch).findings if f.kind == "liquid_gone"), None)
    closed = gone is not None and gone.figures["evidence"] == "plate"
    assert closed == (pocket_kg == 0.0)
    text = "" if gone is None else gone.text
    assert ("rests on the stated" in text) == closed
    assert ("14.1 ft3" in text) == closed
    assert gone is None or pocket_kg or (gone.time - stretch.begin).total_seconds() < 1800.0 + 300.0


def test_a_volume_is_seen_no_better_than_gas_may_be_cold() -> None:
    """A fifth of the charge stands as vapour: a twentieth of it, by which gas may be denser, hides a pocket."""
    seconds = np.arange(0.0, 4200.0, 4.0)
    pressure = 440e3 * np.exp(-np.maximum(seconds - 1800.0, 0.0) / 1200.0)
    vapour = 0.4 * np.asarray(refrigerant("R-134a").vapor_density_at(pressure, 285.0))
    gross = 20.0 + 0.05 * np.clip(seconds - 300.0, 0.0, 680.0) + vapour[0] - vapour
    charge = 34.0 + vapour[0]
    stretch = with_plate(seconds, pressure, gross, charge)
    gone = found(assess(stretch), "liquid_gone")
    assert gone is not None
    assert gone.figures["evidence"] == "plate"
    assert np.interp((gone.time - stretch.begin).total_seconds(), seconds, vapour) <= 0.14 * charge


def test_a_pocket_that_boils_away_is_no_vapour_that_grew_cold() -> None:
    """Half a kilogram boils away while vapour falls by e in 30 min: gas that expands so slowly stays warm."""
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 5400.0, 2.0)
    drawn_s = np.maximum(seconds - 1800.0, 0.0)
    pressure = 440e3 * np.exp(-drawn_s / 1800.0)
    vapour = 0.4 * np.asarray(fluid.vapor_density_at(pressure, 285.0))
    pocket = np.maximum(0.5 - drawn_s * 0.5 / 600.0, 0.0)
    gross = 20.0 + 0.05 * np.clip(seconds - 300.0, 0.0, 1200.0) + vapour[0] - vapour + 0.5 - pocket
    charge = 60.5 + vapour[0]
    stretch = with_plate(seconds, pressure, gross, charge)
    gone = found(assess(stretch), "liquid_gone")
    assert gone is not None
    assert pocket[seconds <= (gone.time - stretch.begin).total_seconds()][-1] <= 0.003 * charge


def with_a_change_of_cylinder(row: int, until_s: int = 5400, **circuit: str | None) -> Stretch:
    """Return a recovery of 60 kg and the vapour of 400 L, of which a row every `row` seconds is kept."""
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, float(until_s), 1.0)
    pressure = 440e3 * np.exp(-np.maximum(seconds - 1800.0, 0.0) / 600.0)
    density = np.asarray(fluid.vapor_density_at(pressure, 285.0))
    pulled = np.minimum(np.clip(seconds - 300.0, 0.0, 600.0) + np.clip(seconds - 1080.0, 0.0, 600.0), 1200.0)
    moved = 0.05 * pulled + 0.4 * (density[0] - density)
    gross = np.where(seconds < 920.0, 20.0 + moved, np.where(seconds < 1070.0, 0.0, moved - 10.0))
    told = {"charge": f"{60.0 + 0.4 * density[0]:.3f} kg", "internal_volume": "400 L"} | circuit
    return weighed(
        seconds[::row],
        pressure[::row] / 1e3,
        np.round(gross[::row], 2),
        **{key: value for key, value in told.items() if value is not None},
    )


@pytest.mark.parametrize(("row", "by"), [(2, "plate"), (30, "balance")])
def test_a_plate_closes_only_as_well_as_a_change_of_cylinder_was_seen(row: int, by: str) -> None:
    gone = next(f for f in assess(with_a_change_of_cylinder(row)).findings if f.kind == "liquid_gone")
    assert gone.figures["evidence"] == by


@pytest.mark.parametrize(
    ("row", "told", "why"),
    [
        (30, {}, "let the weight rest before a cylinder is lifted"),
        (2, {"internal_volume": None}, "With the circuit's internal volume stated"),
        (2, {"internal_volume": None, "charge": "80 kg"}, None),
        (2, {"internal_volume": None, "charge": None}, None),
    ],
)
def test_what_keeps_plate_and_scale_from_telling_is_said(
    row: int, told: dict[str, str | None], why: str | None
) -> None:
    """Four minutes after the last liquid; of a machine that arrived short neither would tell it."""
    text = assess(with_a_change_of_cylinder(row, until_s=2040, **told)).text
    assert "for 10 min" in text
    for said in ("let the weight rest before a cylinder is lifted", "With the circuit's internal volume stated"):
        assert (said in text) == (said == why)


def with_pocket(boils: float, seed: int = 0) -> Stretch:
    """Return a fall by e in 10 min out of 0.4 m3, at 285 K, with a pocket that boils slowly [kg/(K s)].

    A pool of 0.6 kg ends as the fall begins, 10 min after the pull; the plate says 60 kg, of which a tenth was there.
    """
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 3600.0, 5.0)
    fall = np.maximum(seconds - 1200.0, 0.0)
    pressure = 420e3 * np.exp(-fall / 600.0)
    density = np.asarray(fluid.vapor_density_at(pressure, 285.0))
    cold = np.maximum(285.0 - np.asarray(fluid.bubble_temperature_k(pressure)), 0.0)
    pool = 0.01 * np.clip(seconds - 600.0, 0.0, 600.0) + 0.6 * (1.0 - np.exp(-fall / 60.0))
    weight = 30.0 + 0.4 * (density[0] - density) + pool + boils * np.cumsum(cold * 5.0)
    shown = weight + np.random.default_rng(seed).normal(0.0, 0.02, len(seconds))
    return weighed(
        seconds, np.round(pressure / 1e3, 1), np.round(shown / 0.02) * 0.02, charge="60 kg", internal_volume="400 L"
    )


@pytest.mark.parametrize("boils", [0.0, 2e-6, 8e-6])
def test_what_a_pocket_boils_is_under_its_bound(boils: float) -> None:
    stretch = with_pocket(boils)
    ticks = make_ticks(stretch, weigh(stretch))
    part = slice(125, len(ticks))
    depression = ticks.reference_k - ticks.bubble_k
    most = standing(Sums(ticks, part, depression), ticks.at_s[part] < 1500.0).slowly
    there = np.isfinite(most)
    assert there.sum() >= 120
    assert np.mean(most[there] >= boils) >= 0.95
    assert most[-1] <= boils + 2e-6


@pytest.mark.parametrize("boils", [0.0, 2e-6, 8e-6])
def test_what_vapour_there_is_can_be_told_without_a_volume(boils: float) -> None:
    stretch = with_pocket(boils)
    ticks = make_ticks(stretch, weigh(stretch))
    part = slice(125, len(ticks))
    stands = standing(Sums(ticks, part, ticks.reference_k - ticks.bubble_k), ticks.at_s[part] < 1500.0)
    vapour = stands.whole - ticks.moved_kg[part]
    told = np.isfinite(vapour)
    assert told.sum() >= 30
    assert np.mean((np.abs(vapour - 0.4 * ticks.density[part]) <= stands.unsure + 0.02)[told]) >= 0.95
    assert stands.unsure[told][-1] <= 0.002 * 60.0


@pytest.mark.parametrize(("share", "boils"), [(0.0, 0.0), (0.0036, 4e-5), (0.004, 4e-5), (0.005, 2e-5), (0.005, 4e-5)])
def test_plate_and_volume_that_are_exact_hide_no_pocket(share: float, boils: float) -> None:
    """44 kg of R-134a in 250 L; a share of it in a pocket from which `boils` kg/(K s) come, gas as warm as the water.

    What boils looks like gas that is denser for being cold.
    """
    fluid, water, pull = refrigerant("R-134a"), 290.0, 1_200.0
    seconds = np.arange(0.0, 4_000.0, 2.0)
    for fall_s in (400.0, 800.0):
        falling = np.maximum(seconds - pull, 0.0)
        pressure = float(fluid.dew_pressure_pa(water - 0.5)) * np.exp(-falling / fall_s)
        cold = np.maximum(water - np.asarray(fluid.bubble_temperature_k(pressure)), 0.0) * (falling > 0.0)
        pocket = np.maximum(share * 44.0 - boils * np.cumsum(cold) * 2.0, 0.0)
        left = 0.25 * np.asarray(fluid.vapor_density_at(pressure, water)) + pocket
        pool = np.interp(seconds, [120.0, pull], [44.0 - left[0], 0.0])
        stretch = weighed(
            seconds,
            np.round(pressure / 1e3, 1),
            np.round(70.0 - left - pool, 2),
            water - 273.15,
            charge="44 kg",
            internal_volume="250 L",
        )
        call = found(assess(stretch), "liquid_gone")
        assert call is not None
        at = (call.time - stretch.begin).total_seconds()
        assert np.interp(at, seconds, pocket) <= 0.003 * 44.0
        if not share:
            assert at - pull <= 180.0


@pytest.mark.parametrize("boils", [0.0, 4e-6, 8e-6])
def test_a_short_machine_is_called_dry_once_the_least_pocket_would_show(boils: float) -> None:
    # 0.3 % of 60 kg in a pipe under still air: 1.5e-6 kg/(K s)
    for seed in range(4):
        stretch = with_pocket(boils, seed)
        call = found(assess(stretch), "liquid_gone")
        assert (call is not None) == (boils == 0.0)
        if call is not None:
            assert call.figures["evidence"] == "balance"
            assert 600.0 <= (call.time - stretch.begin).total_seconds() - 1200.0 <= 1500.0


@pytest.mark.parametrize("boils", [0.0, 4e-6])
def test_a_pause_hides_nothing_of_the_fall_before_it(boils: float) -> None:
    """Vapour out of 0.4 m3 at 285 K falls by e in 10 min, but for 5 min in which the machine stands; a pocket boils on.

    The plate misses much: only mass, density and the time spent cold tell whether something boils.
    """
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 3000.0, 10.0)
    runs = (seconds >= 1200.0) & ~((seconds >= 1800.0) & (seconds < 2100.0))
    levels = np.geomspace(5e3, 420e3, 400)
    densities = np.asarray(fluid.vapor_density_at(levels, 285.0))
    saturations = np.asarray(fluid.bubble_temperature_k(levels))
    density, out = densities[-1], 0.0
    shown = []
    for second, pulls in zip(seconds, runs, strict=True):
        shown.append((np.interp(density, densities, levels), out + 0.01 * np.clip(second - 600.0, 0.0, 600.0)))
        drawn = 0.4 * density / 60.0 if pulls else 0.0
        boiled = boils * 10.0 * max(285.0 - np.interp(density, densities, saturations), 0.0)
        density, out = density + (boiled - drawn) / 0.4, out + drawn
    pressure, gained = np.array(shown).T
    flicker = np.random.default_rng(0).normal(0.0, 0.02, len(seconds))
    weight = np.round((30.0 + gained + flicker) / 0.02) * 0.02
    stretch = weighed(seconds, np.round(pressure / 1e3, 1), weight, charge="60 kg", internal_volume="400 L")
    call = found(assess(stretch), "liquid_gone")
    assert (call is not None) == (boils == 0.0)
    if call is not None:
        assert call.figures["evidence"] == "balance"
        assert (call.time - stretch.begin).total_seconds() - 1200.0 <= 1560.0


def test_a_scale_that_gained_nothing_does_not_call_the_liquid_gone() -> None:
    """A compressor that starts draws its suction down, and it stands: nothing of the charge has left."""
    seconds = np.arange(0.0, 2400.0, 5.0)
    suction = 170.0 + 250.0 * np.exp(-np.maximum(seconds - 300.0, 0.0) / 120.0)
    flicker = np.random.default_rng(1).normal(0.0, 0.008, len(seconds))
    weight = np.round((30.0 + flicker) / 0.02) * 0.02
    assert found(assess(weighed(seconds, np.round(suction, 1), weight)), "liquid_gone") is None


def test_a_machine_that_draws_what_a_pocket_boils_is_not_paused() -> None:
    # the fall ends at a twentieth, nobody marked a pause, and the scale goes on
    seconds = np.arange(0.0, 9600.0, 5.0)
    pressure = 420e3 * (0.05 + 0.95 * np.exp(-np.maximum(seconds - 600.0, 0.0) / 1500.0))
    density = np.asarray(refrigerant("R-134a").vapor_density_at(pressure, 285.0))
    weight = 30.0 + np.cumsum(np.where(seconds > 600.0, 0.4 * density / 1500.0, 0.0) * 5.0)
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(0.0, 1.0, (2, len(seconds)))
        gauge = (pressure - 101_325.0) / 6894.757 + 0.05 * noise[0]
        stretch = make_stretch(
            "recovery",
            seconds,
            {
                "circuit_pressure": ("psig", np.round(gauge, 1)),
                "cylinder_weight": ("kg", np.round(weight + 0.03 * noise[1], 2)),
                "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
            },
            tables={"circuit": {"refrigerant": "R-134a", "charge": "120 kg", "internal_volume": "400 L"}},
        )
        assert found(assess(stretch), "liquid_gone") is None


def ended(
    missing: float, boils: float, minutes: float, told: str = "400 L", cools: float = 0.0, plate: bool = True
) -> Stretch:
    """Boiling 7 K under the water, at 5 degC, until 30 min; then vapour by e in 13 min, beside `boils` [kg/s].

    Out of 400 L, of which `told` is stated; for some 20 min the vapour is denser by up to the share `cools`.
    """
    fluid = refrigerant("R-134a")
    seconds = np.arange(0.0, 60.0 * minutes, 5.0)
    warm, cold = (float(fluid.bubble_pressure_pa(kelvin)) for kelvin in (285.0, 278.0))
    pressure = np.interp(seconds, [600.0, 720.0], [warm, cold]) * np.exp(-np.maximum(seconds - 1800.0, 0.0) / 800.0)
    density = np.asarray(fluid.vapor_density_at(pressure, 285.0))
    fall = np.maximum(seconds - 1800.0, 0.0)
    colder = density * (1.0 + cools * fall / 600.0 * np.exp(1.0 - fall / 600.0))
    weight = 30.0 + 0.4 * (density[0] - colder) + 0.01 * np.clip(seconds - 600.0, 0.0, 1200.0)
    weight = weight + boils * fall
    charge = (weight[-1] - 30.0 + 0.4 * density[-1]) / (1.0 - missing)
    shown = weight + np.random.default_rng(0).normal(0.0, 0.01, len(seconds))
    return weighed(
        seconds,
        np.round(pressure / 1e3, 1),
        np.round(shown / 0.02) * 0.02,
        internal_volume=told,
        **({"charge": f"{charge:.2f} kg"} if plate else {}),
    )


@pytest.mark.parametrize(
    ("missing", "told", "cools"),
    [(0.01, "400 L", 0.0), (0.03, "400 L", 0.0), (0.05, "400 L", 0.0), (0.03, "370 L", 0.06)],
)
def test_a_pool_that_just_ended_is_no_pocket_that_may_freeze(missing: float, told: str, cools: float) -> None:
    # gas that grew cold and warms again looks like more than a stated volume that is a little too small
    assessment = assess(ended(missing, 0.0, 50.0, told, cools))
    assert found(assessment, "self_chilling") is not None
    assert found(assessment, "freeze_risk") is None


@pytest.mark.parametrize(("missing", "boils"), [(0.03, 0.002), (0.08, 0.001)])
def test_a_pocket_that_the_balance_shows_for_some_minutes_may_freeze(missing: float, boils: float) -> None:
    stretch = ended(missing, boils, 70.0)
    assert found(assess(stretch), "freeze_risk") is not None
    assert_prefix_consistent(assess, stretch, [600, 645, 765, 800])


def test_without_a_plate_what_boils_deep_down_may_as_well_come_out_of_the_oil() -> None:
    assert found(assess(ended(0.03, 0.002, 70.0, plate=False)), "freeze_risk") is None


@pytest.mark.parametrize("gauge_step", [0.1, 1.0, 10.0])
def test_a_pause_in_which_a_pocket_may_boil_is_not_flat(gauge_step: float) -> None:
    # 60 kg in 400 L at a depression of 50 K: the least pocket brings back 6 % in 10 min
    assert found(assess(paused(0.06, gauge_step)), "liquid_gone") is None
    if gauge_step == 10.0:
        assert found(assess(paused(0.0, gauge_step)), "liquid_gone") is None


@pytest.mark.parametrize("told", [0.75, 1.0])
def test_a_stated_volume_that_falls_show_to_be_larger_gives_way(told: float) -> None:
    run, assessment = judged(Case(volume_stated=told, stop_at=0.8))
    call = found(assessment, "liquid_gone")
    assert call is not None
    assert run.liquid_share_at(call.time) == 0.0
    assert found(assessment, "freeze_risk") is None


@pytest.mark.parametrize(("boils", "told"), [(0.0, True), (1.0, False)])
def test_gas_that_warms_in_a_pause_hides_no_pocket_nor_is_it_one(boils: float, told: bool) -> None:
    """R-134a out of 120 L falls by e in 10 min; at .6 of it, the machine stands for 20 min.

    Gas that expands cools by R/cp of the fall of its pressure: 8.314 / (0.102 * 850), from memory; its surroundings
    warm it with a time constant of 2 min, common practice. So 1.3 % come back after the first 45 s. The pocket boils by
    what the least one gets from still air.
    """
    fluid = refrigerant("R-134a")
    seconds, step, water = np.arange(0.0, 3600.0, 5.0), 5.0, 290.0
    runs = (seconds >= 900.0) & (seconds < 1260.0)
    standing_pa = float(fluid.dew_pressure_pa(water))
    dense = float(fluid.vapor_density_at(standing_pa, water))
    surface = POCKET_SURFACE * (POCKET_LEAST * 60.0 / float(fluid.liquid_density(283.15))) ** (2.0 / 3.0)
    mass, gas, pressure = 0.12 * dense, water, standing_pa
    pascal, drawn = np.zeros(len(seconds)), np.zeros(len(seconds))
    for k, pulls in enumerate(runs):
        out = mass / 600.0 * step if pulls else 0.0
        cold = max(water - float(fluid.bubble_temperature_k(pressure)), 0.0)
        boiled = boils * POCKET_FILM * surface * cold / 190e3 * step
        mass, before = mass - out + boiled, pressure
        pressure = standing_pa * mass / (0.12 * dense) * gas / water
        gas += 8.314 / (0.102 * 850.0) * gas * np.log(pressure / before) + (water - gas) / 120.0 * step
        pascal[k], drawn[k] = pressure, out
    weight = 30.0 + 0.06 * np.clip(seconds - 60.0, 0.0, 700.0) + np.cumsum(drawn)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pascal / 1e3, 1)),
            "cylinder_weight": ("kg", np.round(weight / 0.02) * 0.02),
            "leaving_water_temperature": ("degC", np.full(len(seconds), water - 273.15)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "60 kg"}},
        journal=[(1260.0, "mark", "recovery_paused", "")],
    )
    gone = found(assess(stretch), "liquid_gone")
    assert (gone is not None) == told
    assert gone is None or gone.figures["evidence"] == "pause"
