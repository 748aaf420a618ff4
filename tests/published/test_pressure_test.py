"""The gas law of the standing test and the leaks it tells, against published values and reference libraries."""

from __future__ import annotations

import CoolProp.CoolProp as CP
import pytest

from analysis.fluids.leak import leak_kg_per_s, leak_pa_m3_per_s
from analysis.pressure_test.gas import temperature_exponent

PSI = 6_894.757293168
ATMOSPHERE_PSI = 14.696
YEAR_S = 365.25 * 86_400.0


def kelvin(degf: float) -> float:
    return (degf + 459.67) / 1.8


def corrected_psig(psig: float, from_degf: float, to_degf: float) -> float:
    """Return a gauge pressure at another temperature by one exponent, as the assessment corrects a night."""
    absolute, ratio = psig + ATMOSPHERE_PSI, kelvin(to_degf) / kelvin(from_degf)
    return absolute * ratio ** temperature_exponent(absolute * PSI, kelvin(from_degf)) - ATMOSPHERE_PSI


@pytest.mark.parametrize(
    ("psig", "from_degf", "to_degf", "ideal", "real"),
    [(300.0, 75.0, 60.0, 291.17, 290.72), (150.0, 75.0, 60.0, 145.38, 145.255), (150.0, 70.0, 85.0, 154.66, 154.791)],
)
def test_worked_corrections(psig: float, from_degf: float, to_degf: float, ideal: float, real: float) -> None:
    """Worked corrections: ideal gas as printed in the trade (two decimals), real N2 by CoolProp to 0.01 psi.

    The ideal one is that of nitrogen so thin (1 kPa) that it is ideal, applied to the absolute pressure.
    """
    absolute, ratio = psig + ATMOSPHERE_PSI, kelvin(to_degf) / kelvin(from_degf)
    thin = temperature_exponent(1e3, kelvin(from_degf))
    assert absolute * ratio**thin - ATMOSPHERE_PSI == pytest.approx(ideal, abs=0.006)
    corrected = corrected_psig(psig, from_degf, to_degf)
    assert corrected == pytest.approx(real, abs=0.01)
    assert abs(corrected - real) < 0.1 * abs(ideal - real)


@pytest.mark.parametrize(("psig", "per_degf"), [(150.0, 0.319), (300.0, 0.625), (500.0, 1.054)])
def test_psi_per_degree(psig: float, per_degf: float) -> None:
    """Psi a degree Fahrenheit at 70 degF, real N2 by CoolProp, to three decimals."""
    absolute = (psig + ATMOSPHERE_PSI) * PSI
    slope = temperature_exponent(absolute, kelvin(70.0)) * absolute / PSI / kelvin(70.0) / 1.8
    assert slope == pytest.approx(per_degf, abs=0.0006)


def test_ufgs_three_tenths_of_a_psi() -> None:
    """UFGS 15182: 0.3 psi per degF at 150 psig, given to one decimal."""
    absolute = (150.0 + ATMOSPHERE_PSI) * PSI
    slope = temperature_exponent(absolute, kelvin(70.0)) * absolute / PSI / (kelvin(70.0) * 1.8)
    assert round(slope, 1) == 0.3


def test_ashrae_journal_500_psig() -> None:
    """ASHRAE Journal, January 2021: 500 psig nitrogen, +6 degF is about +6 psi (to the whole psi)."""
    assert round(corrected_psig(500.0, 70.0, 76.0) - 500.0) == 6


@pytest.mark.parametrize(("bar", "temperature_k"), [(5.0, 280.0), (11.0, 295.0), (25.0, 310.0), (40.0, 285.0)])
def test_exponent_against_coolprop(bar: float, temperature_k: float) -> None:
    """d ln P/d ln T at constant density from CoolProp's own derivative."""
    pressure = bar * 1e5
    by_t = CP.PropsSI("d(P)/d(T)|D", "P", pressure, "T", temperature_k, "Nitrogen")
    assert temperature_exponent(pressure, temperature_k) == pytest.approx(by_t * temperature_k / pressure, abs=2e-4)


def test_pfeiffer_pressure_lost() -> None:
    """Pfeiffer Vacuum, know-how book, 7.1.2: 1e5 Pa lost from 4 L in 30 d is 1.5e-4 Pa m3/s (two digits)."""
    leak = leak_pa_m3_per_s(1e5 / (30 * 86_400.0), 4e-3)
    assert float(f"{leak:.1e}") == 1.5e-4


def test_pfeiffer_refrigerant() -> None:
    """Same, 10 g of R-134a in ten years is 7.1e-7 Pa m3/s at 0 degC (two digits); molar mass 102.03 g/mol."""
    mass = leak_kg_per_s(7.1e-7, 0.10203, 273.15) * 10.0 * YEAR_S
    assert mass * 1e3 == pytest.approx(10.0, rel=0.05 / 7.1 + 0.005)


def test_one_psi_a_day_and_200_micron_in_half_an_hour() -> None:
    """1 psi a day in 0.5 m3 is 0.0399 Pa m3/s, 200 micron in half an hour 7.41e-3 (arithmetic)."""
    assert leak_pa_m3_per_s(PSI / 86_400.0, 0.5) == pytest.approx(0.0399, abs=5e-5)
    assert leak_pa_m3_per_s(200 * 101_325 / 760_000 / 1_800, 0.5) == pytest.approx(7.41e-3, abs=5e-6)


def test_one_ounce_a_year() -> None:
    """R-134a at 20 degC: 1 oz/yr is 2.15e-5 Pa m3/s (arithmetic, three digits)."""
    leak = leak_kg_per_s(2.15e-5, 0.10203, 293.15) * YEAR_S / (0.45359237 / 16)
    assert leak == pytest.approx(1.0, abs=0.004)
