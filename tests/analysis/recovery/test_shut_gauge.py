"""A valve closed between gauge and circuit: the machine empties the hose, and the gauge shows a vacuum.

R-410A boils at 16 degC at 1,328 kPa, where a cubic metre of its vapour weighs some 50 kg (ASHRAE refrigerant tables).
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.recovery import assess
from analysis.stretch import Stretch
from tests.support import assert_prefix_consistent, make_stretch


def drawn(fall_s: float, vapour_kg: float, marks: bool = True) -> Stretch:
    """Return a recovery of 13.6 kg whose gauge falls at 1,600 s, `vapour_kg` coming meanwhile, and stands."""
    over_s = 1_600.0 + fall_s
    seconds = np.arange(0.0, over_s + 1_200.0, 10.0)
    shown = np.interp(seconds, [0.0, 300.0, 1_600.0, over_s], [195.0, 185.0, 178.0, -5.0])
    weight = np.interp(seconds, [300.0, 1_600.0, over_s], [30.0, 43.6, 43.6 + vapour_kg])
    journal = [(300.0, "mark", "recovery_resumed", ""), (over_s + 60.0, "mark", "recovery_paused", "")]
    channels = {
        "circuit_pressure": ("psig", np.round(shown, 1)),
        "cylinder_weight": ("kg", np.round(weight, 2)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 19.0)),
    }
    tables = {"circuit": {"refrigerant": "R-410A", "charge": "60 lb"}}
    return make_stretch("recovery", seconds, channels, tables=tables, journal=journal if marks else ())


@pytest.mark.parametrize("marks", [True, False])
@pytest.mark.parametrize("fall_s", [10.0, 300.0])
def test_a_hose_that_is_emptied_alone_shows_no_level(fall_s: float, marks: bool) -> None:
    """13.6 kg filled 13 L as liquid, and 13 L hold 0.6 kg of vapour: none of it comes."""
    result = assess(drawn(fall_s, 0.0, marks))
    assert result.verdict == "undecided"
    assert "closed valve" in result.text
    assert not {"liquid_gone", "required_level_reached", "required_level_held"} & {f.kind for f in result.findings}


def test_a_circuit_whose_vapour_comes_shows_it() -> None:
    result = assess(drawn(300.0, 3.0))
    assert result.verdict == "complete"
    assert "required_level_held" in [f.kind for f in result.findings]


def test_it_is_known_by_nothing_later() -> None:
    assert_prefix_consistent(assess, drawn(300.0, 0.4))
