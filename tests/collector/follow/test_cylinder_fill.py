"""What each cylinder holds while the work goes on."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.result import Assessment
from analysis.review import StageReview
from collector.follow.cylinder_fill import cylinders_now
from tests.support import make_stretch


@pytest.mark.parametrize(
    ("stage", "gross", "contents", "expected"),
    [
        ("charging", (70.0, 50.0), "0 kg", 24.0),  # nobody stated what is in a new one
        ("charging", (70.0, 50.0), "44 kg", 24.0),
        ("recovery", (36.0, 60.0), "0 kg", 34.0),  # it was not empty
        ("recovery", (20.0, 38.0), "0 kg", 18.0),  # lighter than its tare: only what moved is known
    ],
)
def test_a_cylinder_holds_what_it_weighs_beyond_its_tare(
    stage: str, gross: tuple[float, float], contents: str, expected: float
) -> None:
    shown = np.concatenate([np.full(90, gross[0]), np.linspace(*gross, 900), np.full(120, gross[1])])
    table = {"id": "A", "tare": "26 kg", "contents": contents, "water_capacity": "54 kg"}
    stretch = make_stretch(
        stage, np.arange(len(shown)), {"cylinder_weight": ("kg", shown)}, ended=False,
        tables={"circuit": {"refrigerant": "R-134a"}, "cylinder": [table]},
        journal=[(1.0, "mark", "cylinder_on", "A")],
    )  # fmt: skip
    (fill,) = cylinders_now([StageReview(stretch, Assessment("undecided", ""))], stretch.job)
    assert fill.net_kg == pytest.approx(expected, abs=0.1)
    assert fill.on_scale


@pytest.mark.parametrize("tables", [[], [{"id": "cylinder 1", "water_capacity": "54 kg"}]])
def test_what_a_cylinder_holds_is_not_known_where_more_came_out_than_anybody_stated(
    tables: list[dict[str, str]],
) -> None:
    shown = np.concatenate([np.full(90, 60.0), np.linspace(60.0, 46.0, 900), np.full(120, 46.0)])
    stretch = make_stretch(
        "charging", np.arange(len(shown)), {"cylinder_weight": ("kg", shown)}, ended=False,
        tables={"circuit": {"refrigerant": "R-134a"}, "cylinder": tables},
    )  # fmt: skip
    (fill,) = cylinders_now([StageReview(stretch, Assessment("undecided", ""))], stretch.job)
    assert np.isnan(fill.net_kg)


@pytest.mark.parametrize("silent_s", [60, 200])
def test_nobody_knows_when_a_cylinder_is_full_that_no_scale_shows_any_more(silent_s: int) -> None:
    shown = np.concatenate([np.full(90, 26.0), np.linspace(26.0, 56.0, 900), np.full(silent_s, np.nan)])
    table = {"id": "A", "tare": "26 kg", "contents": "0 kg", "water_capacity": "54 kg"}
    stretch = make_stretch(
        "recovery", np.arange(len(shown)), {"cylinder_weight": ("kg", shown)}, ended=False,
        tables={"circuit": {"refrigerant": "R-134a"}, "cylinder": [table]},
        journal=[(1.0, "mark", "cylinder_on", "A")],
    )  # fmt: skip
    (fill,) = cylinders_now([StageReview(stretch, Assessment("undecided", ""))], stretch.job)
    assert fill.on_scale
    assert np.isfinite(fill.seconds_left) == (silent_s < 120)
