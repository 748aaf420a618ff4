"""A circuit at rest: liars found, sun and weather not taken for liars."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.at_rest import _agrees_now, assess
from analysis.fluids import refrigerant
from analysis.log import Log
from analysis.result import Figure
from analysis.review import review
from analysis.stretch import Stretch
from tests.benchmarks.at_rest_ensemble import make_case, plain
from tests.support import assert_prefix_consistent, make_stretch

# Published pressure-temperature chart values of R-134a, psig at degF (supplier charts, from memory, to 0.1 psi)
PSIG_AT_70F = 71.1


def circuit(
    seed: int = 0,
    hours: float = 1.0,
    step: float = 5.0,
    warm_f: dict[str, float] | None = None,
    psi: float = 0.0,
    **more: object,
) -> Stretch:
    """Return a machine that stands at 70 degF; `warm_f` moves single channels, `psi` the discharge gauge."""
    noise = np.random.default_rng(seed)
    at = np.arange(0.0, hours * 3600.0, step)
    moved = warm_f or {}
    names = ("ambient", "surface", "entering_water", "leaving_water", "suction", "discharge", "liquid")
    logged = {
        f"{name}_temperature": (
            "degF",
            np.round(70.0 + moved.get(name, 0.0) + noise.normal(0, 0.35) + noise.normal(0, 0.1, len(at)), 1),
        )
        for name in names
    }
    for name, offset in (("suction", 0.0), ("discharge", psi), ("liquid", 0.0)):
        logged[f"{name}_pressure"] = (
            "psig",
            np.round(PSIG_AT_70F + offset + noise.normal(0, 0.3) + noise.normal(0, 0.1, len(at)), 1),
        )
    tables = {"circuit": {"refrigerant": "R-134a"}, "site": {"barometer": "101.325 kPa"}, **more}
    return make_stretch("at_rest", at, logged, tables=tables)


def named(stretch: Stretch) -> dict[str, Figure]:
    found = [f for f in assess(stretch).findings if f.kind == "sensor_disagrees"]
    return {str(f.figures["channel"]): f.figures["offset"] for f in found}  # type: ignore[misc]


@pytest.mark.parametrize("seed", range(12))
def test_honest_channels_agree(seed: int) -> None:
    result = assess(circuit(seed))
    assert result.verdict == "agree"
    assert result.findings == ()


def test_the_verdict_says_by_how_much_and_to_which_side() -> None:
    result = assess(circuit(0, warm_f={"leaving_water": -9.0}))
    assert result.verdict == "disagree"
    shown = result.figures["leaving_water_temperature"].show("us", 2)  # type: ignore[union-attr]
    assert f"Leaving water temperature reads {shown.lstrip('-').partition(' ')[0]} ± " in result.text
    assert " below the others" in result.text


@pytest.mark.parametrize("seed", range(6))
def test_two_liars_one_a_gauge(seed: int) -> None:
    found = named(circuit(seed, warm_f={"suction": 5.0}, psi=-6.0))
    assert set(found) == {"suction_temperature", "discharge_pressure"}
    assert found["discharge_pressure"].si / 6894.757 == pytest.approx(-6.0, abs=1.5)


@pytest.mark.parametrize("seed", range(6))
def test_a_sunny_side_is_not_a_liar(seed: int) -> None:
    result = assess(circuit(seed, warm_f={"ambient": 6.0, "surface": 5.0}))
    assert result.verdict == "agree"
    assert "sun" in result.text


def test_what_only_the_sun_explains_is_told_by_name_and_not_counted_with_what_agrees() -> None:
    """Two probes that lie look the same."""
    result = assess(circuit(warm_f={"discharge": 6.0, "liquid": 10.0}))
    assert result.verdict == "agree"
    assert result.text.startswith("8 channels agree at rest. One side is warmer: discharge temperature by 5.8 degF,")
    assert "liquid temperature by 9.7 degF. Where no sun, wind or other room explains it, that is wrong." in result.text


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize("seed", range(4))
def test_air_about_a_machine_full_of_water_is_not_named(seed: int, side: float) -> None:
    """Barrels keep their water's temperature for a day; what hangs on them stands between it and the air."""
    warm = {"ambient": 9.0 * side, "suction": 3.0 * side, "discharge": 3.5 * side}
    assert "ambient_temperature" not in named(circuit(seed, warm_f=warm))
    assert set(named(circuit(seed, warm_f={"ambient": 9.0 * side}))) == {"ambient_temperature"}


def test_pressures_alike_are_no_liars_but_said() -> None:
    stretch = circuit()
    for channel in ("suction_pressure", "discharge_pressure", "liquid_pressure"):
        stretch.frame[channel] -= 20 * 6894.757
    result = assess(stretch)
    assert result.findings == ()
    assert "no liquid left, or air in the circuit, or not the refrigerant stated" in result.text


def test_a_gauge_of_a_circuit_without_liquid_is_off_by_what_the_other_gauges_say() -> None:
    """All gauges of one circuit at rest show one pressure, whatever the thermometers say of saturation."""
    stretch = circuit(psi=9.0)
    for channel in ("suction_pressure", "discharge_pressure", "liquid_pressure"):
        stretch.frame[channel] -= 40 * 6894.757
    found = named(stretch)
    assert list(found) == ["discharge_pressure"]
    assert found["discharge_pressure"].si / 6894.757 == pytest.approx(9.0, abs=1.0)


def test_a_machine_that_still_cools_is_not_judged() -> None:
    stretch = circuit()
    hours = np.arange(len(stretch.frame)) * 5.0 / 3600.0
    for number, channel in enumerate(c for c in stretch.frame if c != "ambient_temperature"):
        stretch.frame[channel] += (3 + number) * np.exp(-hours / 0.7) * (2e4 if "pressure" in channel else 1.0)
    result = assess(stretch)
    assert result.findings == ()
    assert result.verdict == "undecided"
    assert result.text.count(",") == 3, "three of all that move are named"
    assert result.text.endswith(" and 5 more.")


@pytest.mark.parametrize("seed", range(4))
def test_a_machine_that_came_to_rest_within_the_hour_is_judged(seed: int) -> None:
    """What cooled with a time constant of ten minutes has half a kelvin left after thirty, nothing after sixty."""
    honest, lying = circuit(seed), circuit(seed, warm_f={"leaving_water": -4.0})
    minutes = np.arange(len(honest.frame)) * 5.0 / 60.0
    for stretch in (honest, lying):
        for number, channel in enumerate(c for c in stretch.frame if c != "ambient_temperature"):
            gain = 18e3 if "pressure" in channel else 1.0  # [Pa/K] of R-134a at 70 degF
            stretch.frame[channel] += (8 + number % 4) * np.exp(-minutes / 10.0) * gain
    assert assess(honest).verdict == "agree"
    assert list(named(lying)) == ["leaving_water_temperature"]


def test_the_gauge_that_is_off_by_a_fifth_is_named_and_not_the_other() -> None:
    """A fifth of 22 bar is 9 K: one gauge far off is likelier than two."""
    fluid = refrigerant("R-410A")
    stretch = circuit(circuit={"refrigerant": "R-410A"})
    at_k = 309.0 + 2.3 * np.arange(len(stretch.frame)) * 5.0 / 3_600.0
    frame = (
        stretch.frame[["ambient_temperature", "suction_temperature", "liquid_temperature"]]
        + (at_k - 294.26)[:, np.newaxis]
    )
    pressure = np.asarray(fluid.bubble_pressure_pa(at_k))
    frame = frame.assign(liquid_pressure=pressure + 2e3, suction_pressure=0.8 * pressure)
    assert list(named(replace(stretch, frame=frame))) == ["suction_pressure"]


def test_a_heated_sump_is_ignored_when_the_job_says_so() -> None:
    stretch = circuit(at_rest={"ignore": ["suction_temperature"]}, warm_f={"suction": 30.0})
    assert assess(stretch).verdict == "agree"


def test_a_channel_to_ignore_that_the_log_does_not_have_is_told() -> None:
    stretch = circuit(at_rest={"ignore": ["suction_temperature", "oil_temprature"]})
    log = Log(stretch.frame, stretch.columns, stretch.journal, stretch.barometer_pa, stretch.barometer_source)
    told = [said for said in review(log, stretch.job).cautions if "ignore" in said]
    assert len(told) == 1
    assert "oil_temprature" in told[0]


@pytest.mark.parametrize("seed", range(4))
def test_a_little_lie_among_many_that_agree_closely_is_named(seed: int) -> None:
    found = named(circuit(seed, warm_f={"suction": -2.7}))
    assert list(found) == ["suction_temperature"]


def test_a_warm_reading_where_the_sun_may_reach_is_named_once_it_surely_stands() -> None:
    stands = circuit(warm_f={"ambient": 7.0})
    assert list(named(stands)) == ["ambient_temperature"]
    moves = circuit()
    at_h = np.arange(len(moves.frame)) * 5.0 / 3_600.0
    moves.frame["ambient_temperature"] += 4.0 * np.sin(np.pi * (at_h + 1.0) / 5.0)
    assert named(moves) == {}
    for channel in ("liquid_temperature", "suction_temperature"):
        pipe = circuit()
        pipe.frame[channel] += 4.0 * np.sin(np.pi * (at_h + 1.0) / 5.0)
        assert named(pipe) == {}


@pytest.mark.parametrize("hours", [0.2, 0.3])
def test_a_warm_reading_that_stands_for_ten_minutes_where_the_sun_would_have_moved_it_is_named(hours: float) -> None:
    """The sun would make 5 K drift by a quarter of a kelvin in ten minutes."""
    assert list(named(circuit(hours=hours, warm_f={"surface": 8.5}))) == ["surface_temperature"]


@pytest.mark.parametrize("seed", range(6))
def test_a_warm_liar_that_the_sun_may_reach_is_named_within_half_an_hour_on_a_noisy_display(seed: int) -> None:
    """Noise of a fifth of a kelvin, a row every 30 s: the sun would make 5 K drift by 0.9 K in half an hour."""
    stretch = circuit(seed, hours=0.5, step=30.0, warm_f={"discharge": 9.0})
    noise = np.random.default_rng(seed)
    for channel in (c for c in stretch.frame if c.endswith("temperature")):
        stretch.frame[channel] += noise.normal(0, 0.2, len(stretch.frame))
    assert list(named(stretch)) == ["discharge_temperature"]


@pytest.mark.parametrize("seed", range(4))
def test_air_that_warms_ahead_of_a_machine_full_of_water_is_not_called_a_liar(seed: int) -> None:
    """Air 2.5 K above the water in the barrel, 0.3 K/h more of it through the morning: two honest thermometers."""
    stretch = circuit(seed, hours=0.75)
    stretch.frame["ambient_temperature"] += 2.5 + 0.3 * np.arange(len(stretch.frame)) * 5.0 / 3_600.0
    assert named(stretch) == {}


def test_what_creeps_without_a_step_is_shown_finely_and_seen_to_keep_its_distance() -> None:
    """Neither noise nor rounding, 0.3 K/h in rows of a second: no step is seen, and none hides half a kelvin."""
    at = np.arange(0.0, 1_500.0)
    levels_k = {"surface": 296.0, "suction": 293.0, "discharge": 293.1, "entering_water": 293.1, "leaving_water": 293.0}
    logged = {f"{name}_temperature": ("K", level_k + 0.3 * at / 3_600.0) for name, level_k in levels_k.items()}
    assert list(named(make_stretch("at_rest", at, logged))) == ["surface_temperature"]


def test_two_that_are_warm_alike_all_night_are_no_sunny_side() -> None:
    """The sun has an arc; within the first hours it is the likelier cause, and is said."""
    warm = {"ambient": 5.4, "surface": 5.4}
    assert named(circuit(hours=3.0, step=30.0, warm_f=warm)) == {}
    assert set(named(circuit(hours=9.0, step=30.0, warm_f=warm))) == {"ambient_temperature", "surface_temperature"}


@pytest.mark.parametrize("channels", [("surface", "suction"), ("discharge", "entering_water")])
def test_what_comes_after_hours_of_agreement_and_goes_is_the_sun(channels: tuple[str, str]) -> None:
    stretch = circuit(hours=10.0, step=30.0)
    at_h = np.arange(len(stretch.frame)) * 30.0 / 3_600.0
    arc_k = 5.0 * np.sin(np.pi * np.clip((at_h - 4.0) / 5.0, 0.0, 1.0))
    for part, name in zip((1.0, 0.7), channels, strict=True):
        stretch.frame[f"{name}_temperature"] += part * arc_k
    assert named(stretch) == {}


@pytest.mark.parametrize("seed", range(4))
def test_a_display_of_whole_degrees_that_flickers_shows_a_warm_liar(seed: int) -> None:
    stretch = circuit(seed, hours=0.6, warm_f={"liquid": 4.0})
    noise = np.random.default_rng(seed)
    for channel in (c for c in stretch.frame if c.endswith("temperature")):
        degrees = stretch.frame[channel] * 1.8 + noise.normal(0, 0.4, len(stretch.frame))
        stretch.frame[channel] = np.round(degrees - 0.67) / 1.8 + 0.67 / 1.8
    found = named(stretch)
    assert list(found) == ["liquid_temperature"]
    assert found["liquid_temperature"].si == pytest.approx(4.0 / 1.8, abs=0.6)


def test_what_moves_in_the_sun_does_not_outvote_what_stands_still() -> None:
    """Two in the sun pass where one liar stands, and two that are right stand below."""
    stretch = circuit(hours=3.0, warm_f={"leaving_water": 3.6})
    rise_k = 5.0 * np.cos(np.pi * np.arange(len(stretch.frame)) * 5.0 / 3_600.0 / 9.0)
    frame = stretch.frame[[f"{c}_temperature" for c in ("entering_water", "leaving_water", "suction")]]
    sunny = {f"{c}_temperature": stretch.frame[f"{c}_temperature"] + rise_k for c in ("ambient", "liquid")}
    found = named(replace(stretch, frame=frame.assign(**sunny)))
    assert set(found) <= {"leaving_water_temperature"}


def test_a_gauge_beside_two_others_is_told_while_the_weather_warms_all() -> None:
    stretch = circuit(psi=-4.0)
    warmer_k = np.arange(len(stretch.frame)) * 5.0 / 3_600.0
    for channel in stretch.frame:
        gain = 1.0 if channel.endswith("temperature") else 18e3  # [Pa/K] of R-134a at 70 degF
        stretch.frame[channel] += gain * warmer_k
    assert list(named(stretch)) == ["discharge_pressure"]


def test_what_still_moves_and_stands_apart_is_not_said_to_agree() -> None:
    stretch = circuit()
    at_h = np.arange(len(stretch.frame)) * 5.0 / 3_600.0
    stretch.frame["ambient_temperature"] += 6.0 * np.exp(-at_h)
    assert assess(stretch).verdict == "undecided"


def standing(hours: float, step: float, at_k: Mapping[str, np.ndarray | float]) -> Stretch:
    """Return a machine of R-134a whose thermometers show `at_k` and its gauges saturation there."""
    fluid, noise = refrigerant("R-134a"), np.random.default_rng(0)
    at = np.arange(0.0, hours * 3600.0, step)
    logged = {}
    for channel, kelvin in at_k.items():
        shown = kelvin + noise.normal(0, 0.02, len(at))
        if channel.endswith("pressure"):
            logged[channel] = ("kPa", np.round(fluid.bubble_pressure_pa(shown) / 1e3, 1))
        else:
            logged[channel] = ("K", np.round(shown, 2))
    return make_stretch("at_rest", at, logged, tables={"circuit": {"refrigerant": "R-134a"}})


def test_a_gauge_that_shows_the_cold_barrel_beside_it_is_no_liar() -> None:
    """Liquid gathers where it is coldest: after a stop the water stays cold for hours, and the pressure with it."""
    hours = np.arange(0.0, 8.0, 60.0 / 3600.0)
    cold = 286.0 - 8.0 * np.exp(-hours / 6.0)
    result = assess(standing(8.0, 60.0, {
        "entering_water_temperature": cold, "leaving_water_temperature": cold - 0.1, "liquid_pressure": cold,
        "condenser_entering_temperature": 286.0 + 7.0 * np.exp(-hours / 4.0),
        "liquid_temperature": 286.0 + 3.0 * np.exp(-hours / 4.0),
        "suction_temperature": 286.0 - 5.0 * np.exp(-hours / 3.0),
        "discharge_temperature": 286.0 + 9.0 * np.exp(-hours),
    }))  # fmt: skip
    assert result.findings == ()
    assert "barrel that holds the liquid is colder than the rest" in result.text


def test_a_cold_barrel_that_still_warms_is_not_said_to_agree() -> None:
    hours = np.arange(0.0, 1.2, 30.0 / 3600.0)
    cold = 299.0 - 5.0 * np.exp(-hours / 5.0)
    names = ("entering_water_temperature", "leaving_water_temperature", "suction_pressure")
    room = ("condenser_leaving_temperature", "discharge_temperature", "liquid_temperature")
    result = assess(standing(1.2, 30.0, {**dict.fromkeys(names, cold), **dict.fromkeys(room, 299.0)}))
    assert result.verdict == "undecided"
    assert "these stand still, within 0.7 degF an hour of the others: entering water temperature" in result.text


@pytest.mark.parametrize("settles_h", [1.5, 3.0])
@pytest.mark.parametrize("apart_k", [3.0, 4.0])
def test_a_pipe_read_in_half_kelvins_is_not_named_while_the_water_beside_it_still_warms(
    settles_h: float, apart_k: float
) -> None:
    """After a stop all closes on the room alike; between the steps of its display the pipe seems to stand."""
    left = apart_k * np.exp(-np.arange(0.0, 2.5, 60.0 / 3600.0) / settles_h)
    parts = {
        "surface_temperature": 0.5, "entering_water_temperature": -1.0, "leaving_water_temperature": -1.1,
        "condenser_entering_temperature": 0.8, "condenser_leaving_temperature": 1.0, "liquid_temperature": 0.9,
        "discharge_temperature": 1.5, "suction_pressure": -0.5,
    }  # fmt: skip
    shown = {channel: 303.0 + part * left for channel, part in parts.items()}
    pipe = np.round(2.0 * (302.5 - 0.4 * left)) / 2.0
    result = assess(standing(2.5, 60.0, {"ambient_temperature": 303.0, "suction_temperature": pipe, **shown}))
    assert result.findings == ()


def test_what_was_named_and_agrees_now_is_not_said_to_disagree() -> None:
    stretch = circuit(hours=4.0, warm_f={"leaving_water": -9.0})
    stretch.frame.loc[stretch.frame.index[1_440] :, "leaving_water_temperature"] += 9.0 / 1.8
    result = assess(stretch)
    assert result.verdict == "disagree"
    assert "water temperature disagrees" not in result.text
    assert "Leaving water temperature was off before; it agrees now." in result.text


@pytest.mark.parametrize(("offset_k", "unsure_k", "agrees"), [(0.3, 0.5, True), (0.6, 0.5, False), (2.0, 2.5, False)])
def test_what_is_far_off_does_not_agree_because_nothing_is_sure(offset_k: float, unsure_k: float, agrees: bool) -> None:
    look: Any = SimpleNamespace(channels=("oil",), offset_k=lambda _: offset_k, unsure_k=lambda _: unsure_k)
    assert _agrees_now("oil", look) is agrees


def test_no_pipe_is_named_while_others_stand_as_warm_beside_it() -> None:
    """While the air warms a pipe follows it, and a barrel with its gauges lags, as one thermometer that lies does."""
    drift = 0.8 * np.arange(0.0, 1.0, 10.0 / 3600.0)
    levels = {
        "ambient_temperature": 291.8, "suction_temperature": 291.6, "liquid_temperature": 290.3,
        "condenser_entering_temperature": 290.7, "condenser_leaving_temperature": 290.75,
        "entering_water_temperature": 288.3, "leaving_water_temperature": 288.2, "surface_temperature": 288.3,
        "circuit_pressure": 288.4, "discharge_pressure": 288.4,
    }  # fmt: skip
    result = assess(standing(1.0, 10.0, {channel: level + drift for channel, level in levels.items()}))
    assert result.findings == ()


def test_pipes_are_not_named_because_insulated_barrels_stayed_warm_behind_cooling_air() -> None:
    """What a barrel loses by 1.32 K/h while it is 6.6 K warmer than the air lags by five hours."""
    at_h = np.arange(0.0, 2.0, 30.0 / 3600.0)
    pipe, barrel = 283.0 - 1.8 * at_h, 289.6 - 1.32 * at_h
    result = assess(standing(2.0, 30.0, {
        "surface_temperature": pipe, "suction_temperature": pipe + 0.4, "liquid_temperature": pipe + 0.1,
        "entering_water_temperature": barrel, "leaving_water_temperature": barrel + 0.1,
        "condenser_entering_temperature": barrel, "discharge_pressure": barrel,
    }))  # fmt: skip
    assert result.findings == ()
    assert result.verdict == "undecided"


def test_of_two_gauges_apart_on_a_blend_half_boiled_off_none_is_named_by_chance() -> None:
    """Which of them shows saturation hangs on how much of the blend is liquid, which nobody knows."""
    fluid, noise = refrigerant("R-407C"), np.random.default_rng(0)
    at = np.arange(0.0, 900.0, 10.0)
    between_pa = float(0.4 * fluid.bubble_pressure_pa(293.15) + 0.6 * fluid.dew_pressure_pa(293.15))
    logged = {
        f"{name}_temperature": ("degC", 20.0 + noise.normal(0, 0.1) + noise.normal(0, 0.02, len(at)))
        for name in ("ambient", "surface", "entering_water", "leaving_water", "suction", "discharge", "liquid")
    }
    for name, part in (("discharge", 1.0), ("circuit", 1.05)):
        logged[f"{name}_pressure"] = ("kPa", part * between_pa / 1e3 + noise.normal(0, 0.3, len(at)))
    result = assess(make_stretch("at_rest", at, logged, tables={"circuit": {"refrigerant": "R-407C"}}))
    assert result.findings == ()
    assert result.verdict == "undecided"
    assert "circuit pressure or discharge pressure. Wait until" in result.text
    assert "compare with a second gauge." in result.text
    assert "sun" not in result.text


def test_of_a_doubtful_thermometer_what_the_sun_reaches_is_to_be_shaded() -> None:
    assert "sun" not in assess(circuit(warm_f={"entering_water": 2.0})).text
    told = assess(circuit(warm_f={"liquid": 2.1})).text
    assert "Cannot tell yet whether liquid temperature is wrong. Shade what the sun reaches and wait until" in told
    assert "compare with a second thermometer." in told


def test_what_stands_far_apart_is_not_said_to_agree_though_it_may_lag() -> None:
    """Water in a barrel may be two hours late: 4 K while the weather warms by 2 K an hour."""
    stretch = circuit(warm_f={"leaving_water": -7.2})
    warmer_k = 2.0 * np.arange(len(stretch.frame)) * 5.0 / 3_600.0
    frame = stretch.frame[[f"{name}_temperature" for name in ("ambient", "leaving_water", "liquid")]]
    result = assess(replace(stretch, frame=frame + warmer_k[:, np.newaxis]))
    assert result.findings == ()
    assert result.verdict == "undecided"
    assert "Leaving water temperature may lag the weather" in result.text


def test_a_cold_side_and_a_warm_one_with_one_pipe_between_do_not_agree() -> None:
    cold = dict.fromkeys(("entering_water_temperature", "suction_pressure", "discharge_pressure"), 289.0)
    warm = {"discharge_temperature": 297.0, "liquid_temperature": 298.5, "condenser_entering_temperature": 296.0}
    result = assess(standing(1.0, 20.0, {**cold, "suction_temperature": 293.0, **warm}))
    assert (result.verdict, result.findings) == ("undecided", ())
    assert result.text.startswith("Cannot tell: hardly any channels agree. Shade what the sun reaches and wait")
    assert "liquid temperature by 9.9 degF" in result.text


def test_two_channels_cannot_say_which_is_right() -> None:
    at = np.arange(0.0, 3600.0, 5.0)
    logged = {
        name: ("degF", np.full(len(at), value))
        for name, value in (("ambient_temperature", 70.0), ("liquid_temperature", 80.0))
    }
    assert assess(make_stretch("at_rest", at, logged)).verdict == "undecided"


def test_a_gauge_is_told_from_its_two_neighbours() -> None:
    """Two psi are half of what a thermometer could tell, but three gauges of one circuit show the same."""
    found = named(circuit(psi=-3.5))
    assert list(found) == ["discharge_pressure"]
    assert found["discharge_pressure"].si / 6894.757 == pytest.approx(-3.5, abs=1.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_gauge_a_little_off_its_neighbours_is_named_though_no_thermometer_could_tell(seed: int) -> None:
    """Seven psi are 1.2 K of R-410A, and more than class 1 allows of a gauge for its condenser."""
    fluid = refrigerant("R-410A")
    stretch = circuit(seed, psi=-7.0, circuit={"refrigerant": "R-410A"})
    for channel in ("suction_pressure", "discharge_pressure", "liquid_pressure"):
        stretch.frame[channel] += float(fluid.bubble_pressure_pa(294.26)) - PSIG_AT_70F * 6894.757 - 101_325.0
    found = named(stretch)
    assert list(found) == ["discharge_pressure"]
    assert found["discharge_pressure"].si / 6894.757 == pytest.approx(-7.0, abs=1.0)


@pytest.mark.parametrize("psi", [-2.2, 2.2])
def test_one_gauge_that_differs_as_class_1_allows_is_not_named(psi: float) -> None:
    """Class 1 of the 260 psi that R-134a reaches at 65 degC is 2.6 psi (EN 837-1; pressure from memory)."""
    assert all(named(circuit(seed, psi=psi)) == {} for seed in range(4))


def test_gauges_of_class_1_that_differ_as_their_class_allows_are_not_named() -> None:
    """Class 1 of 500 psi, which a condenser needs, is 5 psi to either side (EN 837-1 counts in parts of the span)."""
    stretch = circuit()
    for channel, psi in (("suction_pressure", -2.0), ("discharge_pressure", 3.5), ("liquid_pressure", -1.0)):
        stretch.frame[channel] += psi * 6894.757
    assert named(stretch) == {}


@pytest.mark.parametrize("psi", [-7.0, 7.0])
def test_a_gauge_that_thermometers_alone_contradict_by_what_class_1_6_allows_is_not_named(psi: float) -> None:
    """Class 1.6 of the 500 psi that the condenser of R-410A needs is 8 psi (EN 837-1); one other gauge is no judge."""
    stretch = circuit(psi=psi, circuit={"refrigerant": "R-410A"})
    del stretch.frame["liquid_pressure"]
    fluid = refrigerant("R-410A")
    for channel in ("suction_pressure", "discharge_pressure"):
        stretch.frame[channel] += float(fluid.bubble_pressure_pa(294.26)) - PSIG_AT_70F * 6894.757 - 101_325.0
    assert named(stretch) == {}


@pytest.mark.parametrize("low", [("suction_pressure",), ("suction_pressure", "liquid_pressure")])
def test_a_low_side_that_was_pumped_down_is_no_bad_gauge(low: tuple[str, ...]) -> None:
    """The solenoid closes, the compressor pumps to its cut-out and stops: vapour far below saturation stays behind."""
    stretch = circuit()
    for channel in low:
        stretch.frame[channel] -= 55.0 * 6894.757
    found = assess(stretch)
    assert named(stretch) == {}
    assert found.verdict == "undecided"
    assert len(low) > 1 or "shut off from the rest of the circuit" in found.text


@pytest.mark.parametrize("channel", ["discharge_pressure", "liquid_pressure", "circuit_pressure"])
@pytest.mark.parametrize("part", [0.0, 0.5])
def test_a_gauge_that_reads_nothing_or_half_is_bad_where_both_sides_show_saturation(channel: str, part: float) -> None:
    """No valve is closed between sides that show the same pressure, so what shows less is bad (common practice)."""
    stretch = circuit()
    for name in ("discharge_pressure", "circuit_pressure"):
        stretch.frame[name] = stretch.frame["liquid_pressure"] + 2e3
    stretch.frame[channel] = 101_325.0 + part * PSIG_AT_70F * 6894.757 + 0.0 * stretch.frame["liquid_pressure"]
    found = assess(stretch)
    assert list(named(stretch)) == [channel]
    assert "its port is open" in found.findings[0].text


@pytest.mark.parametrize(("as_cold", "liar"), [(False, ["discharge_temperature"]), (True, [])])
def test_a_low_side_that_was_pumped_down_excuses_no_cold_thermometer_but_one_as_cold(
    as_cold: bool, liar: list[str]
) -> None:
    """What the vapour behind a closed valve would boil at is no part's temperature, unless one is there."""
    stretch = circuit()
    stretch.frame["suction_pressure"] -= 55.0 * 6894.757
    low_k = refrigerant("R-134a").bubble_temperature_k(stretch.frame["suction_pressure"].to_numpy())
    beside_k = stretch.frame["liquid_temperature"] - 2.0
    stretch.frame["discharge_temperature"] = low_k if as_cold else beside_k
    assert list(named(stretch)) == liar


@pytest.mark.parametrize(("pace", "liars"), [(-0.9, ["entering_water_temperature"]), (0.9, [])])
def test_cold_water_may_come_to_rest_where_it_warms_and_lies_where_it_goes_away(pace: float, liars: list[str]) -> None:
    names = ("ambient", "surface", "leaving_water", "suction", "liquid")
    rest = dict.fromkeys([f"{name}_temperature" for name in names] + ["suction_pressure", "liquid_pressure"], 293.0)
    hours = np.arange(0.0, 1.0, 20.0 / 3600.0)
    assert list(named(standing(1.0, 20.0, {**rest, "entering_water_temperature": 290.0 + pace * hours}))) == liars


def test_a_sump_that_cools_is_not_named_before_its_drift_is_known() -> None:
    """Three hours after the stop a sump of three hours is 6 K warm and sinks by .4 K in twelve minutes."""
    at_h = np.arange(0.0, 0.2, 60.0 / 3_600.0)
    rest = dict.fromkeys(("ambient", "surface", "suction", "liquid", "discharge"), 294.26)
    at_k = {f"{name}_temperature": kelvin for name, kelvin in rest.items()}
    flicker = np.random.default_rng(0).normal(0.0, 0.08, len(at_h))
    oil_k = np.round(294.26 + 6.0 * np.exp(-at_h / 3.0) + flicker, 1)
    stretch = standing(0.2, 60.0, {**at_k, "suction_pressure": 294.26, "oil_temperature": oil_k})
    assert named(stretch) == {}


def test_gauges_without_liquid_keep_no_thermometer_company() -> None:
    """The saturation of vapour alone is no part's temperature: it excuses no thermometer that stands below the rest."""
    stretch = circuit()
    for channel in ("suction_pressure", "discharge_pressure", "liquid_pressure"):
        stretch.frame[channel] -= 50.0 * 6894.757
    stretch.frame["discharge_temperature"] = stretch.frame["liquid_temperature"] - 2.0
    assert list(named(stretch)) == ["discharge_temperature"]


def test_two_of_three_gauges_that_lie_alike_are_told_by_the_thermometers() -> None:
    stretch = circuit(psi=5.0)
    stretch.frame["suction_pressure"] += 9.0 * 6894.757
    assert set(named(stretch)) == {"discharge_pressure", "suction_pressure"}


@pytest.mark.parametrize("seed", range(4))
def test_what_lags_is_warm_while_the_air_cools_and_what_is_cold_then_lies(seed: int) -> None:
    """All of it cools by 1 K an hour: a pipe an hour late is 1 K warmer than the air, never colder."""

    def cooling(**warm_f: float) -> Stretch:
        stretch = circuit(seed, 2.0, warm_f=warm_f)
        fluid = refrigerant("R-134a")
        cooler = np.arange(len(stretch.frame)) * 5.0 / 3600.0
        for channel in stretch.frame:
            gauge = "pressure" in channel
            slope = float(fluid.bubble_pressure_pa(294.0) - fluid.bubble_pressure_pa(293.0)) if gauge else 1.0
            stretch.frame[channel] -= cooler * slope
        return stretch

    assert named(cooling(liquid=1.8)) == {}
    assert list(named(cooling(liquid=-3.2))) == ["liquid_temperature"]


def test_a_lone_gauge_far_from_every_thermometer_is_named() -> None:
    stretch = circuit(psi=9.0)
    alone = stretch.frame.drop(columns=["suction_pressure", "liquid_pressure"])
    assert list(named(replace(stretch, frame=alone))) == ["discharge_pressure"]


def test_two_against_two_cannot_be_told() -> None:
    stretch = circuit(warm_f={"suction": 6.0, "liquid": 6.0})
    keep = ["suction_temperature", "liquid_temperature", "surface_temperature", "leaving_water_temperature"]
    result = assess(replace(stretch, frame=stretch.frame[keep]))
    assert result.verdict == "undecided"
    assert result.findings == ()


def test_a_blend_at_rest_stands_at_its_bubble_point() -> None:
    """R-407C glides by 5 to 7 K, so a dew point would be a liar by that much."""
    fluid = refrigerant("R-407C")
    for part in (0.0, 0.3):
        stretch = circuit(circuit={"refrigerant": "R-407C"})
        bubble, dew = fluid.bubble_pressure_pa(294.26), fluid.dew_pressure_pa(294.26)
        for channel in ("suction_pressure", "discharge_pressure", "liquid_pressure"):
            stretch.frame[channel] += float(bubble - part * (bubble - dew)) - stretch.frame[channel].median()
        result = assess(stretch)
        assert result.verdict == "agree"
        assert "no liquid left" not in result.text


def test_a_lone_gauge_of_a_blend_is_shown_against_what_the_thermometers_say_and_not_against_itself() -> None:
    """How much of the blend is liquid is unknown, bubble and dew point are 5 to 7 K apart; the gauge is off by 2 K."""
    fluid = refrigerant("R-407C")
    stretch = circuit(circuit={"refrigerant": "R-407C"})
    alone = stretch.frame.drop(columns=["suction_pressure", "liquid_pressure"])
    right_pa = float(fluid.bubble_pressure_pa(294.26))
    lied_pa = float(fluid.bubble_pressure_pa(294.26 - 2.0)) - right_pa
    alone["discharge_pressure"] += right_pa + lied_pa - alone["discharge_pressure"].median()
    result = assess(replace(stretch, frame=alone))
    assert result.findings == ()
    offset, unsure = (result.figures[f"discharge_pressure{end}"] for end in ("", "_uncertainty"))
    assert isinstance(offset, Figure)
    assert isinstance(unsure, Figure)
    assert abs(offset.si - lied_pa) < unsure.si < 2.5 * abs(lied_pa)
    assert offset.si < 0.4 * lied_pa


def test_water_warmer_than_the_room_is_no_pair_of_liars() -> None:
    result = assess(circuit(warm_f={"entering_water": 7.0, "leaving_water": 6.5}))
    assert result.verdict == "agree"
    assert "water is not as warm" in result.text


def test_one_liar_is_named_with_its_offset_and_an_uncertainty_that_covers_the_truth() -> None:
    covered = []
    for seed in range(12):
        result = assess(circuit(seed, warm_f={"leaving_water": -4.0}))
        told = [f.figures for f in result.findings if f.kind == "sensor_disagrees"]
        assert [figures["channel"] for figures in told] == ["leaving_water_temperature"]
        assert told[0]["offset"].si == pytest.approx(-4.0 / 1.8, abs=0.6)  # type: ignore[union-attr]
        offset, unsure = (result.figures[f"leaving_water_temperature{end}"] for end in ("", "_uncertainty"))
        assert isinstance(offset, Figure)
        assert isinstance(unsure, Figure)
        assert 0.0 < unsure.si < 0.8
        covered.append(abs(offset.si + 4.0 / 1.8) < unsure.si + 0.4)  # this probe's own honest error besides
    assert np.mean(covered) >= 0.9


INDOORS = ("entering_water_temperature", "leaving_water_temperature", "suction_temperature")
OUTDOORS = ("ambient_temperature", "condenser_entering_temperature", "discharge_temperature", "liquid_temperature")


@pytest.mark.parametrize("outdoors_k", [283.0, 307.0])
@pytest.mark.parametrize("indoors", [INDOORS, INDOORS[:2], INDOORS[:1]])
def test_parts_in_two_rooms_do_not_lie(outdoors_k: float, indoors: tuple[str, ...]) -> None:
    """A split system: two rooms 11 to 13 K apart, saturation is that of the colder."""
    cold_k = min(294.0, outdoors_k)
    rooms = {**dict.fromkeys(indoors, 294.0), **dict.fromkeys(OUTDOORS, outdoors_k), "circuit_pressure": cold_k}
    result = assess(standing(1.5, 30.0, rooms))
    assert result.findings == ()


def test_what_may_stand_in_another_room_is_said_and_what_decides() -> None:
    rooms = {"entering_water_temperature": 294.0, "circuit_pressure": 286.0}
    result = assess(standing(1.5, 30.0, {**rooms, **dict.fromkeys(OUTDOORS[:2], 286.0)}))
    assert result.findings == ()
    assert result.verdict == "undecided"
    assert "entering water temperature is wrong or stands in another place" in result.text
    assert "second thermometer" in result.text


def test_what_may_stand_in_another_room_is_said_beside_a_liar_too() -> None:
    rooms = {"entering_water_temperature": 294.0, "circuit_pressure": 286.0, **dict.fromkeys(OUTDOORS, 286.0)}
    result = assess(standing(1.5, 30.0, {**rooms, "discharge_temperature": 280.0}))
    assert result.text.startswith("At rest, discharge temperature disagrees")
    assert "entering water temperature is wrong or stands in another place" in result.text


@pytest.mark.parametrize(("warm_k", "said"), [(4.0, True), (0.0, False)])
def test_what_stands_far_off_and_may_lie_is_said_beside_a_liar_too(warm_k: float, said: bool) -> None:
    """Whether the sun or a lie warms the air probe is not known, but nobody may take it for one that agrees."""
    stretch = circuit(psi=-9.0)
    at_h = np.arange(len(stretch.frame)) * 5.0 / 3_600.0
    stretch.frame["ambient_temperature"] += warm_k * np.sin(np.pi * (at_h + 1.0) / 5.0)
    result = assess(stretch)
    assert result.text.startswith("At rest, discharge pressure disagrees")
    assert ("whether ambient temperature is wrong, too. Shade what the sun reaches and wait" in result.text) == said


def test_what_is_colder_than_saturation_lies_wherever_it_stands() -> None:
    rooms = {"entering_water_temperature": 288.0, "circuit_pressure": 294.0}
    result = assess(standing(1.5, 30.0, {**rooms, **dict.fromkeys(OUTDOORS[1:], 294.0)}))
    assert [f.figures["channel"] for f in result.findings] == ["entering_water_temperature"]


def test_what_stands_apart_from_its_own_side_lies() -> None:
    at_k = {**dict.fromkeys((*INDOORS, *OUTDOORS, "circuit_pressure"), 294.0), "leaving_water_temperature": 299.0}
    result = assess(standing(1.5, 30.0, at_k))
    assert [f.figures["channel"] for f in result.findings] == ["leaving_water_temperature"]


def test_metal_that_stands_apart_from_three_others_lies_whichever_side_they_are_of() -> None:
    at_k = {**dict.fromkeys((*INDOORS[:1], INDOORS[2], "ambient_temperature"), 294.0), "surface_temperature": 301.0}
    result = assess(standing(1.5, 30.0, {**at_k, "circuit_pressure": 294.0}))
    assert [f.figures["channel"] for f in result.findings] == ["surface_temperature"]


def test_a_gauge_alone_may_show_a_colder_part_that_has_no_thermometer() -> None:
    rooms = dict.fromkeys((INDOORS[0], "surface_temperature", "ambient_temperature"), 294.0)
    result = assess(standing(1.5, 30.0, {**rooms, "circuit_pressure": 286.0}))
    assert result.findings == ()
    assert "shows the coldest part, which may have no thermometer" in result.text


def test_liars_are_found_and_nobody_else_is_named() -> None:
    """Machines of the ensemble whose sensors stand out of the sun, settled: see its table for all of them."""
    cases = [case for case in map(make_case, range(2000, 2022)) if not case.sun and not case.settling]
    lies = [(case, channel) for case in cases for channel in case.lies if plain(case, channel)]
    found = {id(case): {str(f.figures["channel"]) for f in assess(case.stretch).findings} for case in cases}
    assert len(lies) >= 8
    assert np.mean([channel in found[id(case)] for case, channel in lies]) >= 0.8
    assert all(found[id(case)] <= set(case.lies) for case in cases)


def test_findings_use_no_later_row() -> None:
    stretch = circuit(warm_f={"suction": 5.0, "ambient": 5.0}, psi=9.0)
    whole = assert_prefix_consistent(assess, stretch, np.random.default_rng(1).integers(1, len(stretch.frame), 5))
    assert len(whole.findings) == 3
