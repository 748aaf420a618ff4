"""Vacuum formulas against published worked examples and tables."""

from __future__ import annotations

import math

import pytest

from analysis.evacuation import flow
from analysis.rules import load_rules


@pytest.mark.parametrize(("to_mbar", "seconds", "digit"), [(500, 6.9, 0.05), (100, 23, 0.5), (10, 46, 0.5)])
def test_evacuation_times(to_mbar: float, seconds: float, digit: float) -> None:
    """1 m3 at 0.1 m3/s from 1,000 mbar: published vacuum evacuation-time table, to its digits."""
    assert flow.pump_down_time(1.0, 0.1, 1e5, to_mbar * 100.0) == pytest.approx(
        seconds, abs=0.5 if seconds > 10 else 0.05
    )


def test_a_pump_never_gets_below_its_ultimate() -> None:
    assert flow.pump_down_time(1.0, 0.1, 1e5, 5.0, 5.0) == math.inf


def test_molecular_conductance_and_parts_in_series() -> None:
    """Pfeiffer Vacuum, know-how book 7.3.2: bore 0.07 m, length 2.47 m, c 471 m/s: 0.0171 m3/s; with 0.0297: 0.0109."""
    conductance = flow.molecular_conductance(0.07, 2.47, 471.0)
    assert conductance == pytest.approx(0.0171, abs=5e-5)
    assert flow.in_series(conductance, 0.0297) == pytest.approx(0.0109, abs=5e-5)


def test_leak_rates() -> None:
    """Pfeiffer Vacuum, know-how book 7.1.2: 1e5 Pa lost from 4 L in 30 days is 1.5e-4 Pa m3/s; 10 g of R-134a in
    10 years is 7.1e-7 Pa m3/s at 0 degC."""
    assert flow.leak_rate(4e-3, 1e5 / (30 * 86_400)) == pytest.approx(1.5e-4, abs=5e-6)
    mass_rate = flow.leak_mass_rate(7.1e-7, 0.10203, 273.15)
    assert mass_rate * 10 * 365.25 * 86_400 == pytest.approx(0.010, abs=1e-4)


def test_conductance_goes_from_molecular_to_laminar() -> None:
    """Leybold, Fundamentals of Vacuum Technology: 12.1 d^3/l and 135 d^4 p/l, air at 20 degC, cm, mbar, L/s."""
    assert flow.hose_conductance(0.01, 1.0, 1e-4) * 1e3 == pytest.approx(12.1 / 100.0, rel=1e-3)
    assert flow.hose_conductance(0.01, 1.0, 1e4) * 1e3 == pytest.approx(135.0 * 100.0 / 100.0, rel=1e-2)


@pytest.mark.parametrize(
    ("rules", "target", "hold_s", "limit"),
    [
        ("ufgs-15182", 300, 3600, 500),  # UFGS 15182
        ("ufgs-15741n", 300, 7200, 300),  # UFGS 15741N
        ("ashrae-15-vacuum", 500, 600, 1500),  # ANSI/ASHRAE 15-2022, from memory
    ],
)
def test_acceptance_rules(rules: str, target: float, hold_s: float, limit: float) -> None:
    table = load_rules(rules).table("evacuation")
    pressures = [table.pressure(key) for key in ("target", "hold_limit")]
    assert [p.pa / 0.1333224 for p in pressures if p is not None] == pytest.approx([target, limit], rel=1e-4)
    assert table.quantity("hold", "time") == hold_s
