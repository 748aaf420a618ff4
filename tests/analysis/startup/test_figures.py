"""Start-up: the figures against known superheat, and the verdict against stated limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.fluids import refrigerant
from analysis.report.words import tone_of
from analysis.review import review
from analysis.startup import assess
from analysis.startup.figures import running_figures
from tests.analysis.startup.plants import PSI, plant, windows
from tests.support import make_log, with_channels


def test_a_filter_is_not_judged_while_its_oil_is_cold() -> None:
    """The drop halves with a lag of 12 min as the oil warms; half a psi of it may be left (0.1 psi gauges)."""
    stretch, _ = plant([(0, 0.8)], 90)
    at = np.arange(len(stretch.frame))
    left_pa = 45e3 * np.exp(-at / 720.0)
    gauges = with_channels(
        make_log(at, {})[0],
        oil_pressure_after_filter=("psig", 700e3 + 0.0 * at),
        oil_pressure_before_filter=("psig", np.round((745e3 + left_pa) / (0.1 * PSI)) * 0.1 * PSI),
    )
    oiled = replace(stretch, frame=stretch.frame.join(gauges.frame), columns={**stretch.columns, **gauges.columns})
    ((begin, _end),) = windows(oiled)
    assert left_pa[int(60.0 * begin)] < 1.3 * PSI


def test_limits_of_the_job_decide_the_verdict() -> None:
    limits = {"limits": {"suction_superheat": ["8 degF", "12 degF"]}}
    low, _ = plant([(0, 0.1)], 40, startup=limits)  # 3.6 K: 6.5 degF
    inside, _ = plant([(0, 0.5)], 40, startup=limits)  # 6 K: 10.8 degF
    assert assess(low).verdict == "steady_out_of_limits"
    assert [f.figures["figure"] for f in assess(low).findings if f.kind == "limit_missed"] == ["suction_superheat"]
    assert assess(inside).verdict == "steady_in_limits"


def test_limits_on_what_is_not_read_are_told_as_such() -> None:
    stretch, _ = plant([(0, 0.5)], 40, startup={"limits": {"oil_filter_drop": ["0 psi", "10 psi"]}})
    result = assess(stretch)
    assert result.text.startswith("Steady, but oil filter drop could not be judged.")
    assert (result.verdict, tone_of(result)) == ("steady_in_limits", "caution")


def test_what_is_steady_without_stated_limits_is_not_called_good() -> None:
    result = assess(plant([(0, 0.5)], 40)[0])
    assert result.text.startswith("Steady, but the job states no limits to judge it by.")
    assert (result.verdict, tone_of(result)) == ("steady_in_limits", "caution")
    within = {"limits": {"suction_superheat": ["8 degF", "12 degF"]}}
    assert tone_of(assess(plant([(0, 0.5)], 40, startup=within)[0])) == "good"


def test_a_blend_uses_dew_for_superheat_and_bubble_for_subcooling() -> None:
    """R-407C glides by 5 to 7 K (ASHRAE Handbook Fundamentals, refrigerant tables, from memory)."""
    fluid = refrigerant("R-407C")
    frame = pd.DataFrame(
        {
            "suction_pressure": [5e5],
            "suction_temperature": [285.0],
            "liquid_pressure": [18e5],
            "liquid_temperature": [305.0],
        }
    )
    figures = running_figures(frame, fluid).iloc[0]
    glide = float(fluid.dew_temperature_k(5e5)) - float(fluid.bubble_temperature_k(5e5))
    assert 5.0 < glide < 7.5
    assert figures["suction_superheat"] == pytest.approx(285.0 - float(fluid.dew_temperature_k(5e5)))
    assert figures["subcooling"] == pytest.approx(float(fluid.bubble_temperature_k(18e5)) - 305.0)


@pytest.mark.parametrize(("off_psi", "agreed_since"), [(4.0, False), (4.0, True), (0.0, False)])
def test_a_gauge_that_disagreed_at_rest_is_named_beside_the_figures_it_is_part_of(
    off_psi: float, agreed_since: bool
) -> None:
    """Common practice: a gauge is held against the others while the circuit stands, before it is believed running."""
    noise, fluid = np.random.default_rng(0), refrigerant("R-134a")
    at = np.arange(0.0, 5400.0, 2.0)
    runs, again = at > 3660.0, at > 1800.0

    def probe(rest_k: float, run_k: float) -> tuple[str, np.ndarray]:
        kelvin = np.where(runs, run_k, rest_k) + noise.normal(0, 0.03, len(at))
        return "degF", np.round(kelvin * 1.8 - 459.67, 1)

    def gauge(rest_k: float, run_k: float, off: np.ndarray | float = 0.0) -> tuple[str, np.ndarray]:
        psi = (fluid.dew_pressure_pa(np.where(runs, run_k, rest_k)) - 101_325.0) / PSI
        return "psig", np.round(psi + off + noise.normal(0, 0.05, len(at)), 1)

    logged = {
        "suction_pressure": gauge(290.0, 276.0, np.where(again & agreed_since, 0.0, off_psi)),
        "discharge_pressure": gauge(290.0, 312.0),
        "liquid_pressure": gauge(290.0, 312.0),
        "suction_temperature": probe(290.0, 282.0),
        "liquid_temperature": probe(290.0, 306.0),
        "discharge_temperature": probe(290.0, 335.0),
        "surface_temperature": probe(290.0, 290.0),
        "ambient_temperature": probe(290.0, 290.0),
    }
    stages = [(0.0, "at_rest"), (1800.0, "at_rest"), (3660.0, "startup")]
    if not agreed_since:
        stages.pop(1)
    journal = [(second, "stage", name, "begin") for second, name in stages]
    if agreed_since:
        journal.append((1790.0, "stage", "at_rest", "end"))
    tables = {
        "circuit": {"refrigerant": "R-134a"},
        "site": {"barometer": "101.325 kPa"},
        "startup": {"limits": {"suction_superheat": ["8 degF", "14 degF"], "subcooling": ["0 degF", "3 degF"]}},
    }
    found = review(*make_log(at, logged, tables=tables, journal=journal))
    text = found.stages[-1].assessment.text
    missed = {str(f.figures["figure"]): f.text for f in found.findings if f.kind == "limit_missed"}
    told = "Suction pressure read 4.0 psi above the others at rest: unless that was put right since, the suction"
    lies = off_psi > 0.0 and not agreed_since
    assert (told in text, told in missed.get("suction_superheat", "")) == (lies, lies), text
    assert "subcooling" in missed
    assert "at rest" not in missed["subcooling"]  # that gauge is no part of it


def test_a_figure_below_zero_is_said_to_be_impossible() -> None:
    """Vapour colder than its dew point; oil that flows from the lower pressure to the higher, its gauges swapped."""
    stretch, _ = plant([(0.0, 0.8)], 40.0)
    assert "cannot be" not in assess(stretch).text
    stretch.frame["suction_temperature"] -= 12.0
    result = assess(stretch)
    assert result.verdict == "steady_in_limits"
    assert "Below zero cannot be: suction superheat. Check gauges and thermometers" in result.text
    stretch.frame["oil_pressure_before_filter"], stretch.frame["oil_pressure_after_filter"] = 700e3, 745e3
    assert "Below zero cannot be: suction superheat and oil filter drop. Check" in assess(stretch).text
