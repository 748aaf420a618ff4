"""The balance of a job, its leak rate and its record."""

from __future__ import annotations

import csv
import datetime
import io
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.fluids import refrigerant
from analysis.leak_rate import (
    Addition,
    applies,
    leak_rates,
    leak_rules,
    parse_history,
    rolling_leak_rate,
)
from analysis.ledger import Ledger, balance, record, record_csv, rows
from analysis.stretch import Stretch
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import parse_job
from tests.support import START, make_stretch

LB = 0.45359237
TODAY = datetime.date(2026, 3, 18)
DAY = datetime.timedelta(days=1)
CYLINDERS = [{"id": n, "tare": "25 kg", "water_capacity": "54 kg"} for n in ("A", "B")]
TABLES: dict[str, Any] = {
    "circuit": {"refrigerant": "R-134a", "charge": "50 kg", "use": "comfort_cooling"},
    "cylinder": [*CYLINDERS, {"id": "N", "tare": "25 kg", "contents": "40 kg"}],
}


def stage(name: str, *loads: tuple[str, float, float], hours: float = 0.0, marked: bool = True) -> Stretch:
    """Return a stage of (cylinder, begin, end) gross weights in kg, 20 min each."""
    shown, marks = [], []
    for cylinder, begin, end in loads:
        marks.append((float(len(shown) + 10), "mark", "cylinder_on", cylinder))
        shown += [*np.full(90, begin), *np.linspace(begin, end, 1000), *np.full(90, end), *np.zeros(60)]
    at = np.arange(len(shown), dtype=float)
    tables = {"job": {"name": "test", "units": "si"}, **TABLES}
    return make_stretch(
        name, at, {"cylinder_weight": ("kg", np.round(shown, 2))}, tables=tables,
        journal=marks if marked else (), start=START + np.timedelta64(int(hours * 3600), "s"),
    )  # fmt: skip


def of(*stages: Stretch) -> Ledger:
    found = balance(SimpleNamespace(stretch=s) for s in stages)
    assert found is not None
    return found


def test_more_recovered_than_charged_is_told_as_it_is() -> None:
    """25 kg out, 15 kg back: the leak rate counts nothing as added, the paper says 10 kg less and not 0."""
    found = of(stage("recovery", ("A", 25, 50)), stage("charging", ("A", 50, 35), hours=24))
    assert found.net_added_kg == 0.0
    text = dict(rows(found, "si"))["Charged less recovered"]
    assert float(text.removesuffix(" kg")) == pytest.approx(-10.0, abs=0.1)


def test_a_whole_job() -> None:
    out = stage("recovery", ("A", 25, 60), ("B", 25, 32))
    back = stage("charging", ("A", 60, 26), ("B", 32, 26), ("N", 65, 55), hours=24)
    found = of(out, back)
    assert found.recovered_kg == pytest.approx(42.0, abs=0.1)
    assert found.charged_kg == pytest.approx(50.0, abs=0.1)
    assert found.returned_kg == pytest.approx(40.0, abs=0.1)
    assert found.added_kg == pytest.approx(10.0, abs=0.1)
    assert found.missing_kg == pytest.approx(8.0, abs=0.1)
    assert found.kept_kg == pytest.approx(2.0, abs=0.1)
    assert found.net_added_kg == pytest.approx(8.0, abs=0.1)
    left = {account.cylinder: account.left_kg for account in found.cylinders}
    assert left == pytest.approx({"A": 1.0, "B": 1.0, "N": 30.0}, abs=0.1)
    assert found.said == ()


def test_cylinder_of_which_part_was_not_seen_is_told_as_unsure() -> None:
    levels = [25.0, 25.0, *np.arange(27.0, 46.0, 2.0), 0.0, 0.0, 25.0, 25.0, *np.arange(26.0, 41.0), 40.0, 40.0, 40.0]
    at = 60.0 * np.arange(len(levels))
    found = of(make_stretch("recovery", at, {"cylinder_weight": ("kg", np.array(levels))}, tables=TABLES))
    told = [text for label, text in rows(found, "si") if label.startswith("Cylinder")]
    assert ["sure only to within" in text for text in told] == [True, False]
    assert found.cylinders[0].doubt_kg == pytest.approx(1.0, abs=0.8)


def test_cylinders_hold_what_was_recovered_less_what_was_charged() -> None:
    found = of(stage("recovery", ("A", 25, 60), ("B", 25, 32)), stage("charging", ("A", 60, 30), hours=24))
    held = sum(a.taken_in_kg - a.given_out_kg for a in found.cylinders)
    assert held == pytest.approx(found.recovered_kg - found.charged_kg, abs=1e-9)
    assert found.returned_kg + found.added_kg == pytest.approx(found.charged_kg, abs=1e-9)


def test_a_cylinder_is_told_with_its_safe_fill() -> None:
    """CoolProp: liquid R-134a of 25 degC has 1,206.7 kg/m3; 80 % of 54 kg of water (999 kg/m3) are 52.18 kg."""
    told = dict(rows(of(stage("recovery", ("A", 25, 60), ("B", 25, 83))), "si"))
    assert told["Cylinder A"].endswith("of a safe 52.18 kg")
    assert told["Cylinder B"].endswith("of a safe 52.18 kg: overfull")
    begun = dict(rows(of(stage("recovery", ("A", 67, 80), ("B", 25, 32))), "si"))
    assert begun["Cylinder A"].endswith("left 55.00 kg of a safe 52.18 kg: overfull"), "what it held before counts"
    assert begun["Cylinder B"].endswith("left 7.00 kg"), "one nearly empty is not told so"


def test_a_cylinder_that_lost_some_overnight() -> None:
    found = of(stage("recovery", ("A", 25, 60)), stage("charging", ("A", 57, 30), hours=24))
    assert any("A came back 3.00 kg lighter" in said for said in found.said)
    assert found.cylinders[0].left_kg == pytest.approx(5.0, abs=0.1)


def test_an_unnamed_cylinder_is_the_one_that_left_with_its_weight() -> None:
    out = stage("recovery", ("A", 25.0, 60))
    found = of(out, stage("charging", ("A", 60, 30), hours=24, marked=False))
    assert found.returned_kg == pytest.approx(30.0, abs=0.1)
    assert [account.left_kg for account in found.cylinders] == pytest.approx([5.0], abs=0.1)
    assert found.said == ()
    other = of(out, stage("charging", ("A", 57, 30), hours=24, marked=False))
    assert other.returned_kg == 0.0
    assert any("not named" in said for said in other.said)


def test_an_unnamed_cylinder_that_weighs_as_much_as_others_do_is_none_of_them() -> None:
    """N and M of the job, 65 kg with what they hold, were not on the scale yet; A left it with as much."""
    more = {"id": "M", "tare": "25 kg", "contents": "40 kg"}
    job = parse_job({"job": {"name": "test"}, **TABLES, "cylinder": [*TABLES["cylinder"], more]})
    stages = stage("recovery", ("A", 25.0, 65.2)), stage("charging", ("N", 65.1, 30), hours=24, marked=False)
    found = of(*(replace(one, job=job) for one in stages))
    assert found.returned_kg == 0.0
    assert any("is not named" in said for said in found.said)
    assert found.cylinders[0].left_kg == pytest.approx(40.2, abs=0.1)


def test_no_such_stage_and_no_scale() -> None:
    assert balance([]) is None
    blind = make_stretch("recovery", np.arange(100.0), {"circuit_pressure": ("psig", np.full(100, 50.0))})
    found = of(blind)
    assert np.isnan(found.recovered_kg)
    assert any("was not weighed" in said for said in found.said)
    assert all("nan" not in text for _, text in rows(found, "us"))


# --- leak rate ------------------------------------------------------------------------------------------------


def history(*rows_: tuple[str, float]) -> list[Addition]:
    return [Addition(datetime.date.fromisoformat(day), mass * LB) for day, mass in rows_]


def test_a_threshold_that_is_just_met_is_not_exceeded() -> None:
    """40 CFR 82.157 counts rates above 10 %: 80 of 800 lb in a whole year are 10 %."""
    job = parse_job(
        {"job": {"name": "x"}, "circuit": {"refrigerant": "R-134a", "charge": "800 lb", "use": "comfort_cooling"}}
    )
    for added_lb, exceeded in ((80.0, False), (80.1, True)):
        (rolling,) = (r for r in leak_rates(job, added_lb * LB, TODAY, []) if r.method == "rolling average")
        assert rolling.exceeded == exceeded


def test_leak_rates_of_a_job() -> None:
    job = parse_job(
        {"job": {"name": "x"}, "circuit": {"refrigerant": "R-134a", "charge": "800 lb", "use": "comfort_cooling"}}
    )
    both = leak_rates(job, 40 * LB, TODAY, history(("2026-01-04", 20)))
    assert [rate.method for rate in both] == ["annualising", "rolling average"]
    assert [round(100 * rate.share, 6) for rate in both] == [25.0, 7.5]
    assert [rate.exceeded for rate in both] == [True, False]
    visited = leak_rates(job, 40 * LB, TODAY, history(("2026-01-04", 20), ("2026-03-01", 0)))
    assert visited == both  # a visit that added nothing is no addition
    assert leak_rates(parse_job({"job": {"name": "x"}}), 1.0, TODAY) == []


def test_only_the_last_year_counts() -> None:
    days = history(("2024-01-01", 100), ("2025-03-18", 7), ("2025-03-19", 5), ("2026-03-19", 50))
    assert rolling_leak_rate(days, 100 * LB, TODAY) == pytest.approx(0.05)


def test_size_of_the_rule() -> None:
    def charge(name: str, mass: str) -> bool | None:
        return applies(parse_job({"job": {"name": "x"}, "circuit": {"refrigerant": name, "charge": mass}}))

    assert charge("R-410A", "15 lb") is True
    assert charge("R-410A", "14 lb") is False
    assert charge("R-22", "49 lb") is False
    assert charge("R-22", "50 lb") is True
    assert charge("R-454C", "20 lb") is True  # an olefin with an HFC
    for neither in ("R-717", "744", "R-290", "R-1234yf", "R-1233zd(E)"):
        assert charge(neither, "200 lb") is False
    assert applies(parse_job({"job": {"name": "x"}})) is None


def test_refrigerants_of_the_rule_are_known_by_these_names() -> None:
    rules = leak_rules()
    for name in (*rules.ozone_depleting, *rules.neither):
        assert refrigerant(name).name == name


def test_a_history_is_read_whatever_its_unit_order_and_other_columns() -> None:
    read = parse_history("\ufeffby,date, added [kg]\r\nJ,2026-01-04,9.07\n\nK,2025-06-01, 1,new valve\n")
    assert [(a.date.isoformat(), a.added_kg) for a in read] == [("2025-06-01", 1.0), ("2026-01-04", 9.07)]
    assert parse_history("date,added [lb]\n2026-01-04,10\n")[0].added_kg == pytest.approx(10 * LB)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: '' is not accepted; expected a header with date and added [lb], each once"),
        ("day,added [lb]\n", "line 1: 'day,added [lb]'"),
        ("date,added\n", "line 1: 'date,added'"),
        ("date,added [lb],added [kg]\n", "each once"),
        ("date,added [psi]\n", "line 1: 'added [psi]' is not accepted; expected a unit of mass"),
        ("date,added [lb]\n14.3.2026,1\n", "line 2: '14.3.2026'"),
        ("date,added [lb]\n2026-03-14,much\n", "line 2 added"),
        ("date,added [lb]\n2026-03-14,-3\n", "not below 0"),
        ("date,added [lb]\n2026-03-14\n", "line 2 added"),
    ],
)
def test_a_bad_history_is_refused_in_one_line(text: str, says: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_history(text)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


# --- the record -----------------------------------------------------------------------------------------------


def test_record_and_its_csv() -> None:
    found = of(stage("recovery", ("A", 25, 60)), stage("charging", ("A", 60, 26), ("N", 65, 50), hours=24))
    job = parse_job({"job": {"name": '=HYPERLINK("x")', "site": "+1", "units": "si"}, **TABLES})
    assert "History not counted" not in dict(record(job, found, TODAY, history((str(TODAY - DAY), 1.0))).lines)
    same_day = dict(record(job, found, TODAY, history((str(TODAY), 1.0), (str(TODAY + DAY), 1.0))).lines)
    assert same_day["History not counted"].startswith("2 of its rows")
    kept = record(job, found, TODAY)
    said = dict(kept.lines)
    assert said["Charged"] == "49.00 kg"
    assert said["Leak rate, annualising"].startswith("28.0 % a year")
    assert "exceeded" in said["Leak rate, annualising"]
    assert "Technician" in kept.missing
    read = list(csv.reader(io.StringIO(record_csv(kept))))
    assert "taken as none" in said["What was added before"]
    assert "What was added before" not in same_day
    assert ["Job", '\'=HYPERLINK("x")'] in read
    assert ["Site", "'+1"] in read
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in read for cell in row)
