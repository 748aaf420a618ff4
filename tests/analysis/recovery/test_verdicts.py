"""Whole recoveries, and what is said of them."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.recovery import assess
from analysis.report.recovery_plot import draw
from tests.analysis.recovery.cases import WITHOUT_SCALE, found, judged, minutes_late
from tests.benchmarks.recovery_circuit import Case, simulate
from tests.support import assert_prefix_consistent, make_stretch, value


def test_a_plain_recovery_is_complete() -> None:
    run, assessment = judged(Case())
    assert assessment.verdict == "complete"
    assert 0.0 <= minutes_late(run, assessment) <= 5.0
    assert value(assessment, "recovered") == pytest.approx(run.recovered, rel=0.01)
    # 40 CFR 82.156 Table 1, medium-pressure, 200 lb or more: 15 inHg
    assert value(assessment, "required_level") == pytest.approx((29.921 - 15) * 3386.389, rel=1e-4)
    assert value(assessment, "lowest_pressure") == pytest.approx(run.pressure.min(), rel=0.03)
    kinds = [f.kind for f in assessment.findings]
    assert kinds.index("liquid_pull_ended") < kinds.index("liquid_gone") < kinds.index("required_level_reached")
    for kind in ("self_chilling", "pressure_rebound", "freeze_risk"):
        assert kind not in kinds
    for finding in assessment.findings:
        if "level" in finding.kind:
            assert "Local codes and the licensed technician come first" in finding.text


def test_what_was_weighed_is_told_without_a_circuit_pressure() -> None:
    at = np.arange(0.0, 1300.0)
    shown = np.round(np.interp(at, [60.0, 1200.0], [26.0, 66.0]), 1)
    assessment = assess(make_stretch("recovery", at, {"cylinder_weight": ("kg", shown)}))
    assert value(assessment, "recovered") == pytest.approx(40.0, abs=0.1)
    assert "no scale" not in assessment.text
    assert assessment.verdict == "undecided"
    blank = assess(make_stretch("recovery", at, {"cylinder_weight": ("kg", np.full(len(at), np.nan))}))
    assert "column is blank" in blank.text


def test_the_plot_shows_how_far_each_cylinder_may_be_filled() -> None:
    """R-134a, 120 lb of water: 116.0 lb by 80 % at 77 degF; the second holds 20 lb already, so 96 lb more."""
    minute = np.arange(90.0)
    gross = np.interp(minute, [0, 10, 39, 40, 42, 43, 50, 80, 89], [58, 58, 98, 0, 0, 78, 78, 88, 88])
    tables = {
        "job": {"name": "n", "units": "us"},
        "circuit": {"refrigerant": "R-134a"},
        "cylinder": [{"id": n, "water_capacity": "120 lb", "tare": "58 lb"} for n in ("A", "B")],
    }
    marks = [(0.0, "mark", "cylinder_on", "A"), (2580.0, "mark", "cylinder_on", "B")]
    logged = {"circuit_pressure": ("psig", np.full(90, 50.0)), "cylinder_weight": ("lb", gross)}
    stretch = make_stretch("recovery", 60.0 * minute, logged, tables=tables, journal=marks)
    plot = draw(stretch, assess(stretch))
    assert plot is not None
    heights = [line.get_segments()[0][0][1] for line in plot.axes[-1].collections if hasattr(line, "get_segments")]
    assert heights == pytest.approx([116.0, 40.0 + 96.0], abs=0.5)


def test_liquid_that_still_stands_at_the_end_is_said() -> None:
    _, assessment = judged(Case(longest=1500.0))
    assert assessment.verdict == "liquid_remains"
    assert "pull on until saturation stays 5.0 degF under the leaving water" in assessment.text
    _, still = judged(Case(longest=1500.0, flow_off_at=0.0))
    assert still.verdict == "liquid_remains"
    assert "No water flows: get it flowing" in still.text


def test_nothing_to_go_by() -> None:
    empty = make_stretch("recovery", np.arange(0.0, 600.0), {"ambient_temperature": ("degC", np.full(600, 20.0))})
    assert assess(empty).verdict == "undecided"
    assert draw(empty, assess(empty)) is None
    blank = make_stretch("recovery", [0.0, 1.0], {"circuit_pressure": ("psig", np.array([np.nan, np.nan]))})
    assert assess(blank).verdict == "undecided"
    pressure = {"circuit_pressure": ("psig", np.linspace(50.0, -9.0, 4000))}
    bare = make_stretch("recovery", np.arange(4000.0), pressure)
    assert "no refrigerant" in assess(bare).text
    assert found(assess(bare), "liquid_gone") is None


@pytest.mark.parametrize(
    "case",
    [
        Case(),
        Case(flow_off_at=0.0, marks=False, sample=10.0),
        Case(oil=20.0, pressure_step=0.5, sample=30.0, marks=False),
        Case(refrigerant="R-407C", volume_known=False, channels=(*WITHOUT_SCALE, "ambient_temperature")),
        Case(pocket=2.0, charged=0.9, channels=("circuit_pressure", "cylinder_weight")),
        Case(pocket=4.0, pocket_conductance=0.5, sample=10.0),
        Case(conductance=2000.0, hose=0.0, sample=10.0),
    ],
)
def test_findings_use_nothing_later(case: Case) -> None:
    stretch = simulate(case).stretch
    assert_prefix_consistent(assess, stretch, np.random.default_rng(1).integers(2, len(stretch.frame), 3))


def test_the_plot_can_be_drawn() -> None:
    run, assessment = judged(Case(flow_off_at=0.0))
    plot = draw(run.stretch, assessment)
    assert plot is not None
    assert len(plot.axes) == 3
