"""Cylinders: near and at the safe fill, unfit ones, heat, air."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cylinders import cylinder_cautions, cylinder_findings
from analysis.cylinders.safe_fill import cylinder_limits, liquid_share, retest_date, safe_fill, unfit
from analysis.fluids import refrigerant
from analysis.result import Assessment, Finding
from analysis.scale import weigh
from analysis.stretch import Stretch, Weighed
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import CylinderTable
from tests.support import assert_prefix_consistent, cut, make_stretch, value

LB = 0.45359237
FIFTY: dict[str, object] = {"id": "A", "tare": "27 lb", "water_capacity": "47.6 lb", "refrigerant": "R-410A"}


def filled(
    to_lb: float,
    *,
    cylinder: dict[str, object] | None = None,
    refrigerant_name: str = "R-410A",
    begin_lb: float = 27.0,
    stage: str = "recovery",
    more: dict[str, tuple[str, np.ndarray]] | None = None,
    marks: Iterable[tuple[float, str, str, str]] = ((5, "mark", "cylinder_on", "A"),),
    tables: dict[str, object] | None = None,
    seconds: int = 2000,
) -> Stretch:
    """Return a cylinder that goes from `begin_lb` to `to_lb` gross between 2 min and 20 s before the end."""
    at = np.arange(0, seconds, 2.0)
    weight = np.interp(at, [0, 120, seconds - 20, seconds], [begin_lb, begin_lb, to_lb, to_lb])
    weight = np.round(weight + np.random.default_rng(0).normal(0, 0.02, len(at)), 1)
    logged = {"cylinder_weight": ("lb", weight), **(more or {})}
    job = {
        "circuit": {"refrigerant": refrigerant_name},
        "cylinder": [FIFTY if cylinder is None else cylinder],
        "site": {"barometer": "101.325 kPa"},
        **(tables or {}),
    }
    return make_stretch(stage, at, logged, tables=job, journal=marks)


def told(stretch: Stretch) -> list[Finding]:
    def judged(part: Stretch) -> Assessment:
        return Assessment("", "", findings=cylinder_findings(part, weigh(part)))

    rows = len(stretch.frame)
    whole = assert_prefix_consistent(judged, stretch, np.random.default_rng(1).integers(2, rows, 3).tolist())
    return list(whole.findings)


def test_near_then_at_the_limit() -> None:
    near, at = told(filled(67.0))
    assert (near.kind, near.level) == ("cylinder_near_limit", "caution")
    assert (at.kind, at.level) == ("cylinder_at_limit", "alarm")
    limit = value(at, "gross_limit")
    assert limit / LB == pytest.approx(27.0 + 38.86, abs=0.05)
    assert "liquid-full" in at.text  # for R-410A the 80 % rule does not bind
    assert near.time < at.time
    left = value(near, "time_left")
    assert left == pytest.approx((at.time - near.time).total_seconds(), abs=40.0)


def test_under_the_limit_nothing_is_said() -> None:
    assert told(filled(60.0)) == []


def test_what_was_in_it_before_counts() -> None:
    kinds = [f.kind for f in told(filled(66.5, begin_lb=47.0, cylinder={**FIFTY, "contents": "20 lb"}))]
    assert kinds == ["cylinder_near_limit", "cylinder_at_limit"]


def test_an_unnamed_cylinder_gets_the_lowest_limit_that_it_may_have_and_the_text_says_so() -> None:
    found = told(filled(67.0, begin_lb=30.0, marks=()))
    assert [f.kind for f in found] == ["cylinder_near_limit", "cylinder_at_limit"]
    assert all("not known which" in f.text for f in found)


@pytest.mark.parametrize("marks", [(), ((5, "mark", "cylinder_on", "Z"),)])
def test_a_cylinder_that_is_none_of_the_jobs_has_no_limit_and_that_is_told(marks: tuple[()]) -> None:
    found = told(filled(67.0, begin_lb=24.0, marks=marks))
    assert [(f.kind, f.level, f.figures["cause"]) for f in found] == [
        ("cylinder_changed", "caution", "unknown" if marks else "tare")
    ]
    assert ("less than any tare" in found[0].text) is not bool(marks)
    found = told(filled(67.0, cylinder={"id": "B"}, marks=marks))
    assert [(f.kind, f.level, f.figures["cause"]) for f in found] == [("cylinder_changed", "caution", "unknown")]


def test_a_change_for_an_unknown_cylinder_is_told_once_with_its_caution() -> None:
    at = np.arange(0, 2400, 2.0)
    gross = np.interp(at, [0, 300, 900, 1000, 1001, 1060, 1061, 1200, 2400], [27, 27, 55, 55, 0, 0, 40, 40, 70])
    columns = {"cylinder_weight": ("lb", np.round(gross, 1))}
    tables = {"circuit": {"refrigerant": "R-410A"}, "cylinder": [FIFTY]}
    found = told(make_stretch("recovery", at, columns, tables=tables))
    changes = [f for f in found if f.kind == "cylinder_changed"]
    assert [(f.level, f.figures["cause"], f.figures["previous"]) for f in changes] == [("caution", "unknown", "A")]


def test_that_a_cylinder_is_unknown_stays_told_when_it_is_changed_for_later() -> None:
    at = np.arange(0, 3600, 2.0)
    gross = np.interp(
        at, [100, 900, 1000, 1001, 1060, 1061, 1900, 2000, 2001, 2060, 2061, 3500],
        [27, 45, 45, 0, 0, 30, 50, 50, 0, 0, 45, 60],
    )  # fmt: skip
    marks = [(when, "mark", "cylinder_on", name) for when, name in ((5, "Z"), (1_062, "A"), (2_062, "Z"))]
    tables = {"circuit": {"refrigerant": "R-410A"}, "cylinder": [FIFTY]}
    stretch = make_stretch(
        "recovery", at, {"cylinder_weight": ("lb", np.round(gross, 1))}, tables=tables, journal=marks
    )
    early = cylinder_findings(cut(stretch, 400), weigh(cut(stretch, 400)))
    assert [(f.kind, f.figures["cause"]) for f in early] == [("cylinder_changed", "unknown")]
    assert told(stretch)[0] == early[0]


def test_what_may_go_into_a_cylinder_is_no_question_of_a_charging() -> None:
    stretch = filled(8.0, begin_lb=30.0, stage="charging", cylinder={**FIFTY, "tare": "6 lb"})
    assert told(stretch) == []
    assert cylinder_cautions(stretch, weigh(stretch)) == ()
    assert [f.kind for f in told(filled(40.0, cylinder={**FIFTY, "tare": "6 lb"}))] == ["cylinder_changed"]


def test_an_overfull_cylinder_at_charging() -> None:
    found = told(filled(30.0, begin_lb=70.0, stage="charging"))
    assert [f.kind for f in found] == ["cylinder_at_limit"]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"refrigerant": "R-22"}, "mixed"),
        ({"service_pressure": "350 psig"}, "service pressure"),
        ({"retest_due": datetime.date(2025, 1, 1)}, "retest"),
    ],
)
def test_unfit_cylinders_are_refused_at_once(change: dict[str, object], word: str) -> None:
    found = told(filled(40.0, cylinder={**FIFTY, **change}))
    assert [(f.kind, f.level) for f in found] == [("cylinder_changed", "alarm")]
    assert word in found[0].text
    late = told(filled(40.0, cylinder={**FIFTY, **change}, marks=((90, "mark", "cylinder_on", "A"),), begin_lb=31.0))
    assert [f.level for f in late] == ["alarm"]


def test_an_old_retest_date_does_not_keep_a_cylinder_from_being_emptied() -> None:
    old = {**FIFTY, "retest_due": datetime.date(2025, 1, 1)}
    assert told(filled(40.0, begin_lb=60.0, cylinder=old, stage="charging")) == []
    wrong = told(filled(40.0, begin_lb=60.0, cylinder={**FIFTY, "refrigerant": "R-22"}, stage="charging"))
    assert [(f.kind, f.level) for f in wrong] == [("cylinder_changed", "alarm")]


def test_a_tare_above_gross_is_told_at_once_and_not_computed_with() -> None:
    found = told(filled(67.0, cylinder={**FIFTY, "tare": "40 lb"}))
    assert [(f.kind, f.level, f.figures["cause"]) for f in found] == [("cylinder_changed", "caution", "tare")]


def test_a_water_capacity_in_another_unit_is_not_computed_with() -> None:
    for stated in ("47.6 oz", "47.6 kg"):
        found = told(filled(67.0, cylinder={**FIFTY, "water_capacity": stated}))
        assert [(f.kind, f.level, f.figures["cause"]) for f in found] == [("cylinder_changed", "caution", "stated")]


def test_fit_cylinders_are_not() -> None:
    fluid = refrigerant("R-410A")
    day = datetime.date(2026, 3, 14)
    table = CylinderTable.model_validate({**FIFTY, "service_pressure": "400 psig", "retest_due": "2026-03"})
    assert unfit(table, fluid, day, "us") == ()
    assert retest_date("02/2028") == datetime.date(2028, 2, 29)
    assert retest_date("soon") is None


@pytest.mark.parametrize(
    ("cylinder", "word"),
    [
        ({"id": "A", "tare": "27 lb"}, "water capacity not given"),
        ({"id": "A", "tare": "0 lb", "water_capacity": "47.6 lb"}, "check both and their units"),
        ({"id": "A", "tare": "27 lb", "water_capacity": "47.6 kg"}, "check both and their units"),
        ({**FIFTY, "tare": "40 lb"}, "less than its stated tare"),
    ],
)
def test_contradictions_are_told_and_the_log_is_still_judged(cylinder: dict[str, object], word: str) -> None:
    stretch = filled(45.0, cylinder=cylinder)
    told(stretch)
    assert any(word in said for said in cylinder_cautions(stretch, weigh(stretch)))


def test_a_cylinder_that_must_not_be_refilled_is_judged_and_told_by_its_light_tare() -> None:
    light = {**FIFTY, "tare": "9.5 lb", "water_capacity": "47.6 lb"}
    stretch = filled(39.5, begin_lb=9.5, cylinder=light)
    assert "cylinder_changed" not in [f.kind for f in told(stretch)]
    assert any("must never be refilled" in said for said in cylinder_cautions(stretch, weigh(stretch)))
    emptied = filled(9.5, begin_lb=39.5, stage="charging", cylinder={**light, "contents": "30 lb"})
    assert cylinder_cautions(emptied, weigh(emptied)) == ()
    large = filled(60.0, begin_lb=24.0, cylinder={**light, "tare": "24 lb", "water_capacity": "119 lb"})
    assert [f.kind for f in told(large)] == ["cylinder_changed"]  # a tare in kilograms; no single-use one is so large


def test_cylinders_that_lack_the_same_are_told_in_one_sentence() -> None:
    tables = [{"id": name, "water_capacity": "47.6 lb"} for name in "ABC"]
    stretch = filled(45.0, tables={"cylinder": [*tables, {**FIFTY, "id": "D", "tare": "0 lb"}]})
    said = cylinder_cautions(stretch, weigh(stretch))
    assert "A, B, C: tare not given, so their safe fill is not judged." in said
    assert sum("safe fill is not judged" in each for each in said) == 2


def test_hours_until_a_cylinder_is_full_are_no_hundreds_of_minutes() -> None:
    ton = {**FIFTY, "tare": "400 lb", "water_capacity": "1200 lb"}
    stretch = filled(1_390.0, begin_lb=400.0, cylinder=ton, seconds=150_000)
    near, *_ = cylinder_findings(stretch, weigh(stretch))
    assert near.kind == "cylinder_near_limit"
    assert "about 2 h" in near.text


def test_without_a_stated_cylinder_no_fill_is_judged_which_is_said() -> None:
    stretch = filled(45.0, tables={"cylinder": []})
    assert told(stretch) == []
    assert any("no safe fill is known" in said for said in cylinder_cautions(stretch, weigh(stretch)))


def test_water_capacity_of_nothing_is_refused() -> None:
    for nothing in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(InputError, match="water capacity"):
            safe_fill(refrigerant("R-134a"), nothing)


def head(psig: np.ndarray) -> dict[str, tuple[str, np.ndarray]]:
    return {"cylinder_pressure": ("psig", np.round(psig, 0))}


def test_head_pressure_on_its_way_to_the_cutout() -> None:
    at = np.arange(0, 3600, 2.0)
    cutout = {"recovery": {"high_pressure_cutout": "500 psig"}}
    rising = filled(45, seconds=3600, more=head(np.interp(at, [0, 300, 3600], [220, 250, 520])), tables=cutout)
    found = [f for f in told(rising) if f.kind == "cylinder_heating"]
    assert len(found) == 1
    left = value(found[0], "time_left")
    pressure = value(found[0], "pressure")
    assert left == pytest.approx((500 - pressure / 6894.757) / (270 / 3300), rel=0.2)
    levelling = filled(45, seconds=3600, more=head(390 - 150 * np.exp(-at / 200.0)), tables=cutout)
    assert [f for f in told(levelling) if f.kind == "cylinder_heating"] == []


def test_a_hot_cylinder() -> None:
    at = np.arange(0, 2000, 2.0)
    warm = {"cylinder_temperature": ("degF", np.round(np.interp(at, [0, 1500], [80, 135]), 0))}
    found = [f for f in told(filled(45, more=warm)) if f.kind == "cylinder_heating"]
    assert [f.level for f in found] == ["alarm"]


def rested(excess_psi: float, refrigerant_name: str = "R-134a") -> Stretch:
    at = np.arange(0, 4000, 2.0)
    room = 77.0 + 0.1 * np.sin(at / 3000)
    fluid = refrigerant(refrigerant_name)
    psig = np.asarray(fluid.bubble_pressure_pa((room + 459.67) / 1.8)) / 6894.757 - 14.696 + excess_psi
    more = {
        "cylinder_pressure": ("psig", np.round(psig, 1)),
        "cylinder_temperature": ("degF", np.round(room, 1)),
    }
    cylinder = {**FIFTY, "refrigerant": refrigerant_name}
    return filled(45, begin_lb=45, seconds=4000, more=more, cylinder=cylinder, refrigerant_name=refrigerant_name)


def test_air_in_a_rested_cylinder() -> None:
    found = told(rested(6.0))
    assert [f.kind for f in found] == ["cylinder_air"]
    excess = value(found[0], "excess")
    assert excess / 6894.757 == pytest.approx(6.0, abs=0.3)
    assert told(rested(1.0)) == []
    assert told(rested(2.5)) == []  # over what 1.5 % of air gives, but a probe may be off by as much
    assert told(rested(-5.0)) == []


def test_gauges_on_a_cylinder_that_no_scale_weighs() -> None:
    """Nothing shows that it rested, so nothing is said of air in it."""
    whole = rested(6.0)
    assert told(replace(whole, frame=whole.frame.drop(columns="cylinder_weight"))) == []


@pytest.mark.parametrize("stage", ["recovery", "charging"])
@pytest.mark.parametrize(("excess_psi", "other_kg", "told_of"), [(6.0, 0.0, 1), (1.0, 0.0, 0), (6.0, 5.0, 0)])
def test_air_in_a_cylinder_that_rested_before_the_stage(
    stage: str, excess_psi: float, other_kg: float, told_of: int
) -> None:
    """It rested for half an hour, has its hose, and is opened as the stage begins; else another one rested there."""
    whole = rested(excess_psi)
    begin, opened = whole.frame.index[900], np.arange(len(whole.frame)) - 905
    way = {"recovery": 1.0, "charging": -1.0}[stage]
    whole.frame["cylinder_weight"] += way * 0.02 * np.maximum(opened, 0) + np.where(opened < -30, other_kg - 0.2, 0.0)
    inside = whole.frame.index >= begin
    stood = whole.frame[~inside]
    stretch = replace(
        whole, stage=stage, begin=begin, known_from=begin, frame=whole.frame[inside],
        barometer_pa=whole.barometer_pa[inside],
        weighed=Weighed(before=stood["cylinder_weight"], stood=stood),
    )  # fmt: skip
    air = [finding for finding in told(stretch) if finding.kind == "cylinder_air"]
    assert len(air) == told_of
    assert all(begin <= finding.time < begin + pd.Timedelta(minutes=1) and finding.since < begin for finding in air)


def test_air_is_not_judged_while_it_is_filled() -> None:
    stretch = rested(8.0)
    weight = stretch.frame["cylinder_weight"] + np.linspace(0, 8, len(stretch.frame))
    stretch.frame["cylinder_weight"] = weight
    assert [f.kind for f in told(stretch)] == []


def test_air_is_not_judged_while_a_trickle_goes_in() -> None:
    stretch = rested(6.0)
    slowly = np.linspace(0, 4000 / 60.0 * 0.006, len(stretch.frame))  # 6 g a minute
    stretch.frame["cylinder_weight"] = np.round((stretch.frame["cylinder_weight"] + slowly) / 0.02) * 0.02
    assert [f.kind for f in told(stretch)] == []


def test_how_full_it_is() -> None:
    fluid = refrigerant("R-134a")
    rule = cylinder_limits()
    fill = safe_fill(fluid, 50.0)
    assert liquid_share(fluid, 50.0, fill.net_kg, rule.guideline_temperature_k) == pytest.approx(0.8, abs=0.01)
    assert liquid_share(fluid, 50.0, 60.0, rule.guideline_temperature_k) > 0.99
    assert liquid_share(fluid, 50.0, 0.1, rule.guideline_temperature_k) == 0.0


@pytest.mark.parametrize("to_lb", [66.0, 68.0])
def test_a_cylinder_that_nobody_named_is_held_against_those_that_weigh_as_it_did(to_lb: float) -> None:
    """Its own limit is 67.5 lb gross if it is B, a little more if C; the light one that it cannot be allows 63.9."""
    others = [FIFTY | {"id": name, "tare": f"{tare} lb"} for name, tare in (("A", 25.0), ("B", 28.6), ("C", 28.9))]
    found = told(filled(to_lb, begin_lb=28.7, marks=(), tables={"cylinder": others}))
    over = [finding for finding in found if finding.kind == "cylinder_at_limit"]
    assert len(over) == (to_lb > 67.5)
    assert all(value(finding, "gross_limit") / LB == pytest.approx(28.6 + 38.86, abs=0.05) for finding in found)
    assert all("not known which cylinder" in finding.text for finding in found)
