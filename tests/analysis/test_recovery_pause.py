"""What a pause can show: only what the least pocket would have brought back in it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.recovery.calls import _flat
from analysis.recovery.pauses import HOSE_S


def pause(rise: float, least: float) -> bool:
    """Return whether a pause of 15 min counts as flat; both are shares of the pressure in 10 min."""
    at = np.arange(0.0, 900.0, 10.0)
    pressure = 9e5 * (1.0 + rise * at / 600.0)
    n = len(at)
    ticks: Any = SimpleNamespace(at_s=at, pressure_pa=pressure, resolution_pa=np.full(n, 30.0))
    evidence: Any = SimpleNamespace(least_rise=np.full(n, least / 600.0), pocket=np.ones(n, dtype=bool))
    return bool(_flat(ticks, evidence, np.arange(n), at[0] - HOSE_S, by_balance=True)[-1])


@pytest.mark.parametrize(
    ("rise", "least", "flat"),
    [(0.0034, 0.0008, False), (0.0034, 0.01, True), (0.0, 0.0008, True), (0.009, 0.01, False), (0.035, 0.2, False)],
)
def test_flat_is_a_rise_that_the_least_pocket_exceeds(rise: float, least: float, flat: bool) -> None:
    assert pause(rise, least) is flat
