"""A channel that fails gives no wrong verdict: that of the other readings, or that it cannot be told."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.result import Assessment, Figure
from analysis.review import Review, review
from analysis.vocabulary.channels import STAGES
from tests.support import make_log

JOB = {
    "job": {"name": "n"},
    "site": {"barometer": "14.7 psia"},
    "circuit": {"refrigerant": "R-134a"},
    "cylinder": [{"id": "A", "water_capacity": "120 kg", "tare": "40 kg", "contents": "60 kg"}],
    "charging": {"target": "50 kg"},
    "startup": {"suction_superheat": ["3 degC", "8 degC"]},
}


def reviewed(
    stage: str, logged: dict[str, tuple[str, np.ndarray]], step: float = 60.0, **tables: dict[str, object]
) -> Review:
    rows = len(next(iter(logged.values()))[1])
    marks = [(0.0, "stage", stage, "begin"), (step * (rows - 1), "stage", stage, "end")]
    if stage == "charging":
        marks.append((0.0, "mark", "cylinder_on", "A"))
    return review(*make_log(step * np.arange(rows), logged, tables={**JOB, **tables}, journal=marks))


def charged(number: float | None) -> Review:
    """Return the review of 50 kg charged in an hour, with a scale that shows but `number` from half of it on."""
    minute = np.arange(100.0)
    weight = 100.0 - np.clip((minute - 5.0) / 60.0, 0.0, 1.0) * 50.0
    if number is not None:
        weight[35:] = number
    pressure = np.minimum(30.0 + 2.0 * minute, 60.0) + 0.1 * np.random.default_rng(0).integers(-1, 2, 100)
    return reviewed("charging", {"cylinder_weight": ("kg", weight.round(2)), "circuit_pressure": ("psig", pressure)})


@pytest.mark.parametrize("number", [np.nan, 9_999.0, 32_767.0, -999.0])
def test_a_charge_whose_scale_fails_half_way_is_not_called_short(number: float) -> None:
    assert charged(None).stages[0].assessment.verdict == "on_target"
    failed = charged(number)
    assert [f.figures["channel"] for f in failed.findings if f.kind == "channel_lost"] == ["cylinder_weight"]
    assert failed.stages[0].assessment.verdict == "undecided"


def test_a_scale_that_falls_to_nothing_while_it_flows_makes_no_charge_short() -> None:
    """A valve that is closed, and the cylinder lifted some minutes later, does."""
    assert charged(0.0).stages[0].assessment.verdict == "undecided"
    minute = np.arange(100.0)
    weight = 100.0 - np.clip((minute - 5.0) / 60.0, 0.0, 0.5) * 50.0
    weight[45:] = 0.0
    assert reviewed("charging", {"cylinder_weight": ("kg", weight.round(2))}).stages[0].assessment.verdict == "short"


@pytest.mark.parametrize("failed", [False, True])
def test_a_recovery_whose_gauge_fails_is_not_said_to_hold_liquid_hours_later(failed: bool) -> None:
    """R-134a at 12 degC: 49 psig, while water of 13 degC flows and liquid is drawn."""
    minute = np.arange(100.0)
    dice = np.random.default_rng(2)
    pressure = 49.0 + 0.1 * dice.integers(-1, 2, 100)
    if failed:
        pressure[50:] = np.nan
    result = reviewed(
        "recovery",
        {
            "circuit_pressure": ("psig", pressure),
            "leaving_water_temperature": ("degC", 13.0 + 0.1 * dice.integers(-1, 2, 100)),
            "cylinder_weight": ("kg", (60.0 + 0.2 * minute).round(2)),
        },
    )
    assert result.stages[0].assessment.verdict == ("undecided" if failed else "liquid_remains")
    assert ("not believed since" in result.stages[0].assessment.text) == failed


def pulled(column: str, shown: Callable[[np.ndarray], np.ndarray], rows: int = 180) -> Assessment:
    """Return what is said of R-134a pulled from 12 degC to 21 psia, held, and on to 6 psia, by what a gauge shows.

    The circuit holds 100 L.
    """
    minute = np.arange(180.0)
    fallen = 64.0 * np.exp(-np.maximum(0.0, minute - 20.0) / 25.0)
    psia = np.where(minute < 90.0, np.maximum(21.0, fallen), np.maximum(6.0, 21.0 - 0.5 * (minute - 90.0)))
    noise = 0.1 * np.random.default_rng(3).integers(-1, 2, 180)
    logged = {"circuit_pressure": (column, (shown(psia) + noise).round(1)[:rows])}
    return (
        reviewed("recovery", logged, circuit={"refrigerant": "R-134a", "internal_volume": "100 L"}).stages[0].assessment
    )


def is_known(assessment: Assessment, name: str) -> bool:
    figure = assessment.figures[name]
    return isinstance(figure, Figure) and np.isfinite(figure.si)


def test_nothing_stands_by_gauge_values_in_an_absolute_column_once_below_nothing() -> None:
    """A gauge shows 9 psi under the air, as no absolute one can: 6.3 psia that held were 21 (40 CFR 82.156: 7.33)."""
    held = pulled("psia", lambda psia: psia - 14.7, rows=85)
    assert held.verdict == "complete"
    assert is_known(held, "lowest_pressure")
    failed = pulled("psia", lambda psia: psia - 14.7)
    assert failed.verdict == "undecided"
    assert "below absolute zero" in failed.text
    assert not is_known(failed, "lowest_pressure")
    assert not is_known(failed, "vapor_left")
    right = pulled("psig", lambda psia: psia - 14.7)
    assert is_known(right, "lowest_pressure")
    assert is_known(right, "vapor_left")


@pytest.mark.parametrize(
    ("refrigerant", "column", "first_psia", "named"),
    [
        ("R-134a", "psia of a gauge", 64.2, True),
        ("R-134a", "psia", 64.2, False),
        ("R-134a", "psig", 64.2, False),
        ("R-134a", "psia", 54.0, False),  # no liquid
        ("R-410A", "psia of a gauge", 166.6, False),  # 3 K are not told from a circuit that was drawn from before
    ],
)
def test_gauge_values_in_an_absolute_column_are_seen_by_what_stands_first(
    refrigerant: str, column: str, first_psia: float, named: bool
) -> None:
    """At 12 degC saturation is 64.2 psia (R-134a) and 166.6 psia (R-410A; CoolProp), half an hour before the pull.

    What is held in the end is 16 psia, where no number is below nothing.
    """
    minute = np.arange(120.0)
    psia = np.maximum(16.0, first_psia * np.exp(-np.maximum(0.0, minute - 30.0) / 20.0))
    shown = psia - 14.7 * (column != "psia") + 0.1 * np.random.default_rng(5).integers(-1, 2, 120)
    logged = {
        "circuit_pressure": (column.split()[0], shown.round(1)),
        "leaving_water_temperature": ("degC", 12.0 + 0.1 * np.random.default_rng(6).integers(-1, 2, 120)),
        "ambient_temperature": ("degC", 19.0 + 0.1 * np.random.default_rng(7).integers(-1, 2, 120)),
    }
    result = reviewed("recovery", logged, circuit={"refrigerant": refrigerant})
    texts = [f.text for f in result.findings if f.kind == "channel_jumped"]
    assert ["only as psig" in text for text in texts] == ([True] if named else [])
    assert result.stages[0].assessment.verdict != "complete" or not named


def test_a_gauge_whose_wire_breaks_at_last_takes_back_no_level_that_was_held() -> None:
    broken = pulled("psia", lambda psia: np.where(np.arange(180) < 80, psia - 14.7, -14.7))
    assert broken.verdict == "complete"
    assert is_known(broken, "lowest_pressure")


@pytest.mark.parametrize("leap", [0.0, 8.0])
def test_a_gauge_that_leaps_while_the_machine_runs_puts_no_figure_out_of_its_limits(leap: float) -> None:
    """R-134a: 35 psig boil at 4 degC, 10 degC at the bulb; with 43 psig there would be hardly any superheat."""
    dice = np.random.default_rng(1)
    minute = np.arange(90)
    suction = 35.0 + 0.1 * dice.integers(-1, 2, 90)
    suction[60:] += leap
    result = reviewed(
        "startup",
        {
            "suction_pressure": ("psig", suction),
            "circuit_pressure": ("psig", 35.0 + 0.1 * dice.integers(-1, 2, 90)),
            "suction_temperature": ("degC", 10.0 + 0.1 * dice.integers(-1, 2, 90)),
            "discharge_pressure": ("psig", 130.0 + 0.1 * dice.integers(-1, 2, 90)),
            "compressor_load": ("%", 75.0 + 0.0 * minute),
        },
    )
    assert result.stages[0].assessment.verdict == "steady_in_limits"
    named = [f.figures["channel"] for f in result.findings if f.kind == "channel_jumped"]
    assert named == (["suction_pressure"] if leap else [])


def started(lost: str = "", hunts: bool = False) -> Review:
    """Return the review of an hour of R-134a at 4 and 40 degC, superheat 5 K; `lost` fails after a quarter of it."""
    second = np.arange(0.0, 3_600.0, 5.0)
    dice = np.random.default_rng(4)

    def near(value: float, noise: float) -> np.ndarray:
        return value + noise * dice.normal(size=len(second))

    superheat = 1.5 * np.sin(2.0 * np.pi * second / 120.0) if hunts else 0.0
    logged = {
        "suction_pressure": ("kPa", near(337.7, 0.3).round(1)),
        "suction_temperature": ("degC", (near(9.0, 0.03) + superheat).round(1)),
        "discharge_pressure": ("kPa", near(1_016.6, 0.3).round(1)),
        "liquid_temperature": ("degC", near(35.0, 0.03).round(1)),
        "compressor_load": ("%", np.full(len(second), 75.0)),
    }
    if lost:
        logged[lost][1][len(second) // 4 :] = 9_999.0
    return reviewed("startup", logged, 5.0)


def test_a_machine_whose_load_is_not_read_any_more_runs_by_its_pressures() -> None:
    review_ = started("compressor_load")
    assert [f.figures["channel"] for f in review_.findings if f.kind == "channel_lost"] == ["compressor_load"]
    assert started().stages[0].assessment.verdict == "steady_in_limits"
    assert review_.stages[0].assessment.verdict == "steady_in_limits"


def test_a_start_is_not_called_steady_without_the_figure_that_failed() -> None:
    """Superheat hunts until its gauge fails: what is left stands still and says nothing of it."""
    assert started(hunts=True).stages[0].assessment.verdict == "never_steady"
    failed = started("suction_pressure", hunts=True).stages[0].assessment
    assert failed.verdict == "never_steady"
    assert "not believed" in failed.text


@pytest.mark.parametrize(
    ("channel", "unit", "level"), [("suction_temperature", "degC", 12.0), ("liquid_temperature", "degF", 70.0)]
)
def test_a_thermometer_that_shows_nothing_from_one_row_to_the_next_is_lost(
    channel: str, unit: str, level: float
) -> None:
    shown = level + 0.1 * np.random.default_rng(5).integers(-1, 2, 240)
    shown[100:160] = 0.0
    named = [(f.kind, f.figures["channel"]) for f in reviewed("at_rest", {channel: (unit, shown)}, 10.0).findings]
    assert named == [("channel_lost", channel)]
    slow = np.maximum(np.linspace(level, -1.0, 240).round(1), 0.0)
    assert reviewed("at_rest", {channel: (unit, slow)}, 10.0).findings == ()


@pytest.mark.parametrize(("shown", "named"), [(1.0, False), (1.0 / 0.45359237, True)])
def test_a_scale_that_begins_with_a_stated_cylinder_in_the_other_unit_is_named(shown: float, named: bool) -> None:
    """The cylinder of `JOB` stands there with 100 kg: 220 on a display in pounds that is logged as kilograms."""
    weight = shown * (100.0 - np.clip(np.arange(100.0) - 5.0, 0.0, 60.0) * 50.0 / 60.0)
    charge = reviewed("charging", {"cylinder_weight": ("kg", weight.round(2))})
    assert [f.figures["channel"] for f in charge.findings if f.kind == "channel_jumped"] == ["cylinder_weight"] * named
    assert charge.stages[0].assessment.verdict == ("undecided" if named else "on_target")


@pytest.mark.parametrize(("gross", "named"), [(88.2, True), (85.0, False), (40.0, False)])
def test_a_scale_that_begins_with_an_empty_cylinder_in_pounds_is_named(gross: float, named: bool) -> None:
    """40 kg are 88.2 lb; what is in a cylinder whose contents nobody stated may weigh as much, but hardly just that."""
    weight = gross + np.clip(np.arange(100.0) - 5.0, 0.0, 60.0) * 0.5
    bare = [{"id": "A", "water_capacity": "120 kg", "tare": "40 kg"}]
    drawn = reviewed("recovery", {"cylinder_weight": ("kg", weight.round(2))}, cylinder=bare)
    assert [f.figures["channel"] for f in drawn.findings if f.kind == "channel_jumped"] == ["cylinder_weight"] * named
    # 40 kg of steel with 48 kg in it
    given = reviewed("charging", {"cylinder_weight": ("kg", 2.0 * gross - weight.round(2))}, cylinder=bare)
    assert not [f for f in given.findings if f.kind == "channel_jumped"]


@pytest.mark.parametrize("unit", ["degC", "degF"])
def test_air_that_would_boil_is_in_the_other_unit_also_beside_cold_water(unit: str) -> None:
    dice = np.random.default_rng(6)
    logged = {
        "ambient_temperature": (unit, 73.0 + 0.1 * dice.integers(-1, 2, 100)),
        "leaving_water_temperature": ("degF", 50.0 + 0.1 * dice.integers(-1, 2, 100)),
        "entering_water_temperature": ("degF", 52.0 + 0.1 * dice.integers(-1, 2, 100)),
    }
    named = [f.figures["channel"] for f in reviewed("recovery", logged).findings if f.kind == "channel_jumped"]
    assert named == ["ambient_temperature"] * (unit == "degC")


def test_a_metal_that_turns_and_comes_to_rest_is_not_stuck() -> None:
    """Chilled while liquid boiled and warm again, it stands in the end; the water and the air go on."""
    waits = [*[4] * 25, 7, 8, 4, 4, 6, 11, 150]  # rows of 30 s for each two steps of 0.1 degF
    ways = [*[-1] * 25, *[1] * 6, 0]
    metal = [58.0]
    for wait, way in zip(waits, ways, strict=True):
        for part in range(wait):
            metal.append(metal[-1] + 0.1 * way * ((part == wait - 1) + (part == wait // 2 - 1)))
    minute = np.arange(len(metal)) / 2.0
    logged = {
        "surface_temperature": ("degF", np.round(metal, 1)),
        "leaving_water_temperature": ("degF", (52.0 + 0.1 * minute).round(1)),
        "ambient_temperature": ("degF", (60.0 + 0.1 * minute).round(1)),
    }
    assert reviewed("recovery", logged, 30.0).findings == ()


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_that_was_marked_in_a_log_without_rows_is_reviewed(stage: str) -> None:
    """A recorder that never got a row: the journal tells a stage, and nothing is known of it."""
    logged = {name: ("psig", np.array([])) for name in ("circuit_pressure", "suction_pressure")}
    logged["cylinder_weight"] = ("kg", np.array([]))
    marks = [(0.0, "stage", stage, "begin"), (60.0, "stage", stage, "end")]
    found = review(*make_log([], logged, tables=JOB, journal=marks))
    assert [one.assessment.verdict for one in found.stages] == ["never_steady" if stage == "startup" else "undecided"]
    assert not found.findings
