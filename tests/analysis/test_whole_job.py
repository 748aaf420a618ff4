"""Several stages of one job that move refrigerant: what the later ones know of the earlier. Mass in kg."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.ledger import balance, rows
from analysis.result import Figure
from analysis.review import Review, review
from analysis.scale import weigh
from analysis.stages import StageSpan, stretch_of
from tests.analysis.scale.test_displays import displayed
from tests.support import make_log, sample_review

Stay = tuple[str, float, float]  # cylinder, gross weight at its begin and end
OUT, PULL = 350.0, 0.05  # kPa of the circuit while a recovery runs, and under vacuum


def job_of(
    *parts: tuple[str, list[Stay]],
    marked: bool = True,
    first_s: float = 0.0,
    late_s: float = 0.0,
    early_s: float = 0.0,
    stays_on: bool = False,
    **tables: Any,
) -> Review:
    """Return the review of stages in order, each cylinder standing for 100 s, 600 s of flow and 100 s.

    Each stage is marked `late_s` late, and `early_s` early as over. `stays_on`: nobody lifts a cylinder off.
    """
    weight: list[float] = []
    pressure: list[float] = []
    journal: list[tuple[float, str, str, str]] = []
    for name, stays in parts:
        journal.append((len(weight) + late_s, "stage", name, "begin"))
        for cylinder, begin, end in stays:
            if marked:
                journal.append((float(len(weight)), "mark", "cylinder_on", cylinder))
            weight += [
                *np.full(100, begin),
                *np.linspace(begin, end, 600),
                *np.full(100, end),
                *np.full(60, end if stays_on else 0.0),
            ]
        weight += [0.0] * (0 if stays else 1800)
        pressure += [PULL if name == "evacuation" else OUT] * (len(weight) - len(pressure))
        journal.append((len(weight) - early_s, "stage", name, "end"))
        weight += [weight[-1]] * 300
        pressure += [pressure[-1]] * 300
    at = np.arange(len(weight))
    shown = at >= first_s
    logged = {
        "cylinder_weight": ("kg", np.round(weight, 2)[shown]),
        "circuit_pressure": ("kPa", np.array(pressure)[shown]),
    }
    base = {
        "job": {"name": "test", "units": "si"},
        "circuit": {"refrigerant": "R-134a"},
        "site": {"barometer": "101.3 kPa"},
    }
    return review(*make_log(at[shown], logged, tables=base | tables, journal=journal))


def figure(found: Review, number: int, name: str) -> float:
    told = found.stages[number].assessment.figures[name]
    assert isinstance(told, Figure)
    return told.si


CYLINDERS = [{"id": name, "tare": "25 kg", "water_capacity": "54 kg"} for name in ("A", "B")]


def test_a_charge_in_two_stages_is_held_against_the_target_as_one() -> None:
    first, second = ("charging", [("A", 65.0, 50.0)]), ("charging", [("A", 50.0, 40.2)])
    found = job_of(first, second, charging={"target": "25 kg"})
    assert [stage.assessment.verdict for stage in found.stages] == ["short", "on_target"]
    assert figure(found, 1, "charged") == pytest.approx(9.8, abs=0.05)
    assert figure(found, 1, "charged_before") == pytest.approx(15.0, abs=0.05)
    assert [f.kind for f in found.stages[1].assessment.findings if f.kind.startswith("charge")] == [
        "charge_near", "charge_reached",
    ]  # fmt: skip


def test_a_circuit_that_was_evacuated_since_holds_nothing_of_the_charge_before() -> None:
    charge = ("charging", [("A", 65.0, 45.0)])
    found = job_of(charge, ("recovery", [("A", 45.0, 64.0)]), ("evacuation", []), charge, charging={"target": "20 kg"})
    assert [stage.assessment.verdict for stage in found.stages if stage.stretch.stage == "charging"] == [
        "on_target"
    ] * 2


def test_what_was_charged_too_much_and_recovered_is_not_in() -> None:
    found = job_of(
        ("charging", [("A", 65.0, 43.0)]), ("recovery", [("B", 25.0, 28.0)]), ("charging", [("A", 43.0, 42.0)]),
        charging={"target": "20 kg"},
    )  # fmt: skip
    assert [stage.assessment.verdict for stage in found.stages if stage.stretch.stage == "charging"] == [
        "over", "on_target",
    ]  # fmt: skip


def test_a_cylinder_is_known_by_what_it_weighed_when_it_left_an_earlier_stage() -> None:
    out, back = (
        ("recovery", [("A", 25.0, 55.1), ("B", 27.0, 44.0)]),
        ("charging", [("B", 44.0, 28.0), ("A", 55.1, 40.0)]),
    )
    cylinders = [CYLINDERS[0], {"id": "B", "tare": "27 kg", "water_capacity": "54 kg"}]
    for tables in ({"cylinder": cylinders}, {}):
        found = job_of(out, ("evacuation", []), back, marked=False, **tables)
        names = [
            f.figures["cylinder"] for f in found.findings if f.kind == "cylinder_changed" and "previous" in f.figures
        ]
        assert names == (["B", "A"] if tables else ["cylinder 2", "cylinder 1"])
        ledger = balance(found.stages)
        assert ledger is not None
        assert ledger.returned_kg == pytest.approx(31.1, abs=0.1)
        assert len(ledger.cylinders) == 2


def test_a_cylinder_filled_before_is_no_empty_one_in_the_other_unit() -> None:
    found = job_of(("recovery", [("A", 25.0, 55.1)]), ("recovery", [("A", 55.1, 60.0)]), cylinder=CYLINDERS)
    assert figure(found, 1, "recovered") == pytest.approx(4.9, abs=0.05)


def test_a_balance_tells_nothing_of_what_was_not_done_or_not_weighed() -> None:
    def labels(found: Review) -> list[str]:
        ledger = balance(found.stages)
        assert ledger is not None
        return [label for label, _ in rows(ledger, "si")]

    assert labels(job_of(("charging", [("N", 65.0, 45.0)]))) == ["Charged", "Charged less recovered", "Cylinder N"]
    assert labels(job_of(("recovery", [("A", 25.0, 45.0)]))) == [
        "Recovered", "Recovered and kept in cylinders", "Cylinder A",
    ]  # fmt: skip
    unweighed = job_of(("recovery", []), ("evacuation", []), ("charging", [("A", 65.0, 45.0)]))
    assert labels(unweighed) == ["Charged", "Cylinder A"]


def test_rows_that_begin_within_a_charging_do_not_call_it_short() -> None:
    late = job_of(("charging", [("A", 65.0, 40.0)]), first_s=400.0, charging={"target": "25 kg"})
    assert late.stages[0].assessment.verdict == "undecided"
    assert "began before" in late.stages[0].assessment.text


BEFORE, AFTER = "before the stage was marked", "after the stage was marked as over"


@pytest.mark.parametrize("stays_on", [False, True])
@pytest.mark.parametrize(
    ("late_s", "early_s", "said"),
    [(60.0, 0.0, []), (250.0, 0.0, [BEFORE]), (0.0, 310.0, [AFTER]), (250.0, 310.0, [BEFORE, AFTER])],
)
def test_what_flowed_beside_the_marks_of_a_stage_is_counted(
    late_s: float, early_s: float, said: list[str], stays_on: bool
) -> None:
    """The same cylinder is filled and then emptied, 20 kg in 600 s each: what flows is the flow of its own stage."""
    out, back = ("recovery", [("A", 25.0, 45.0)]), ("charging", [("A", 45.0, 25.0)])
    marks = {"late_s": late_s, "early_s": early_s, "stays_on": stays_on}
    found = job_of(out, back, **marks, cylinder=CYLINDERS, charging={"target": "20 kg"})
    for number, name in ((0, "recovered"), (1, "charged")):
        assert figure(found, number, name) == pytest.approx(20.0, abs=0.1)
        told = re.findall(r"([0-9.]+) kg flowed (.*?); that is counted", found.stages[number].assessment.text)
        assert [when for _, when in told] == said
        assert [float(kg) for kg, _ in told] == pytest.approx([5.0] * len(said), abs=0.1)
    assert found.stages[1].assessment.verdict == "on_target"
    for stage in found.stages:
        assert all(f.time >= stage.stretch.begin for f in stage.assessment.findings)


def test_where_nobody_marked_stages_what_flowed_before_a_charging_was_seen_is_of_the_charging() -> None:
    """The recovery's cylinder is put back on the scale and charged from, three minutes before that is seen."""
    at = np.arange(0.0, 9_000.0, 2.0)
    gross = np.interp(at, [900, 3_300, 6_000, 7_500], [30.0, 54.0, 54.0, 30.0])
    gross[(at > 5_200.0) & (at < 5_960.0)] = 0.0
    log, job = make_log(at, {"cylinder_weight": ("kg", np.round(gross, 2))})
    begin, seen, end = (log.frame.index[0] + pd.Timedelta(seconds=s) for s in (900.0, 6_180.0, 8_998.0))
    spans = [
        StageSpan("recovery", begin, seen, "signals", begin, seen),
        StageSpan("charging", seen, end, "signals", seen, end),
    ]
    out, back = (weigh(stretch_of(span, log, job, None, spans)) for span in spans)
    assert out.total_kg == pytest.approx(24.0, abs=0.1)
    assert back.total_kg == pytest.approx(24.0, abs=0.1)


@pytest.mark.parametrize("long", [15, 25, 40])
def test_a_hand_on_a_slow_display_did_not_flow_back(long: int) -> None:
    """Nobody marked the recovery; somebody leans on the cylinder while little flows."""
    at = np.arange(0.0, 9_000.0)
    gross = np.interp(at, [900, 3_300, 8_400], [30.0, 54.0, 55.0])
    gross[6_000 : 6_000 + long] += 2.0
    log, job = make_log(at, {"cylinder_weight": ("kg", np.round(displayed(gross, 1.0, 5.0), 2))})
    begin, end = (log.frame.index[0] + pd.Timedelta(seconds=s) for s in (900.0, 8_998.0))
    span = StageSpan("recovery", begin, end, "signals", begin, end)
    assert weigh(stretch_of(span, log, job, None, [span])).total_kg == pytest.approx(25.0, abs=0.1)


def test_the_sample_job_comes_to_the_same_verdicts_without_its_journal() -> None:
    marked, bare = (
        [(s.stretch.stage, s.assessment.verdict) for s in sample_review(marked).stages] for marked in (True, False)
    )
    assert marked == bare
