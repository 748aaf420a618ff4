"""A hose that comes off leaves its gauge in the air: that is no pressure of the circuit.

R-410A stands at 1,445 kPa at 20 degC (ASHRAE refrigerant tables); 40 CFR 82.156 asks 27 kg of it for 0 inHg, which is
the air's own pressure.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.recovery import assess
from analysis.result import Figure
from analysis.stretch import Stretch
from tests.support import assert_prefix_consistent, make_stretch


def off(pause_s: float, back: bool = True, marks: bool = True) -> Stretch:
    """Return a recovery that ran for 15 min, whose hose comes off at 2,000 s, long before its liquid is out."""
    seconds = np.arange(0.0, 3_600.0, 10.0)
    stood = 195.0 if back else 0.0
    shown = np.interp(
        seconds, [0, 600, 1_500, 1_600, 2_000, 2_004, 2_900, 2_905], [195, 195, 189, 195, 195, 0, 0, stood]
    )
    journal = [(600.0, "mark", "recovery_resumed", ""), (pause_s, "mark", "recovery_paused", "")]
    channels = {
        "circuit_pressure": ("psig", np.round(shown, 1) - 0.1),
        "cylinder_weight": ("kg", np.round(30.0 + 0.02 * np.clip(seconds - 600.0, 0.0, 900.0), 2)),
    }
    tables = {"circuit": {"refrigerant": "R-410A", "charge": "60 lb", "internal_volume": "60 L"}}
    return make_stretch("recovery", seconds, channels, tables=tables, journal=journal if marks else ())


@pytest.mark.parametrize("back", [True, False])
@pytest.mark.parametrize(("pause_s", "marks"), [(1_500.0, True), (2_100.0, True), (0.0, False)])
def test_a_gauge_in_the_air_shows_nothing_of_the_circuit(pause_s: float, marks: bool, back: bool) -> None:
    result = assess(off(pause_s, back, marks))
    assert result.verdict in ("liquid_remains", "level_not_reached")
    assert not [f.kind for f in result.findings if f.kind not in ("liquid_pull_ended", "cylinder_changed")]
    lowest = result.figures["lowest_pressure"]
    assert isinstance(lowest, Figure)
    assert lowest.si > 1.3e6
    assert "the gauge hung in the air" in result.text


def test_it_is_known_by_nothing_later() -> None:
    assert_prefix_consistent(assess, off(1_500.0))


def test_a_small_circuit_that_is_drawn_to_the_air_s_pressure_has_reached_it() -> None:
    """20 L by 1 L/s fall by e in 20 s; the machine stops itself at 0 psig, as many do (common practice)."""
    seconds = np.arange(0.0, 1_500.0, 10.0)
    shown = np.maximum(145.0 * np.exp(-np.maximum(seconds - 300.0, 0.0) / 20.0), 14.6) - 14.7
    journal = [(300.0, "mark", "recovery_resumed", ""), (350.0, "mark", "recovery_paused", "")]
    channels = {"circuit_pressure": ("psig", np.round(shown, 1))}
    tables = {"circuit": {"refrigerant": "R-410A", "charge": "10 kg"}}
    result = assess(make_stretch("recovery", seconds, channels, tables=tables, journal=journal))
    assert result.verdict == "complete"
