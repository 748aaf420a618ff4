"""Units against published conversions, and the line between what a datum allows and what it does not."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.units import (
    DISPLAY_KINDS,
    UNITS,
    Unit,
    convert,
    display,
    parse_pressure,
    parse_quantity,
)


@pytest.mark.parametrize(
    ("value", "unit", "si", "tolerance"),
    [
        # NIST SP 811 (2008), appendix B.8, to the digits printed there
        (1.0, "psia", 6.894757e3, 5e-4),
        (1.0, "Torr", 1.333224e2, 5e-5),
        (1.0, "lb", 4.535924e-1, 5e-8),
        (1.0, "oz", 2.834952e-2, 5e-9),
        (1.0, "gal", 3.785412e-3, 5e-10),
        (1.0, "ft3", 2.831685e-2, 5e-9),
        (1.0, "cfm", 4.719474e-4, 5e-11),
        # trade figures: one atmosphere is 760,000 micron; one inch of mercury is 25,400 micron
        (760_000.0, "micron", 101_325.0, 1e-6),
        (25_400.0, "micron", 3_386.389, 5e-3),
    ],
)
def test_factors_are_the_published_ones(value: float, unit: str, si: float, tolerance: float) -> None:
    assert value * UNITS[unit].scale == pytest.approx(si, abs=tolerance)


def test_fahrenheit_fixed_points() -> None:
    """Ice and steam point by definition of the scale."""
    assert parse_quantity("32 degF", "temperature", "k") == pytest.approx(273.15)
    assert convert(212.0, "degF", "degC") == pytest.approx(100.0)


def test_a_temperature_difference_has_no_offset() -> None:
    assert parse_quantity("8 degF", "temperature_difference", "k") == pytest.approx(4.44, abs=0.005)
    assert parse_quantity("8 degC", "temperature_difference", "k") == 8.0


def test_rates_are_read_by_the_day_and_shown_by_the_hour() -> None:
    assert parse_quantity("0.5 psi/d", "pressure_rate", "k") == pytest.approx(0.5 * 6894.757 / 86400, rel=1e-6)
    assert display(6894.757 / 3600, "pressure_rate", "us") == (pytest.approx(1.0, rel=1e-6), "psi/h")


def test_inches_of_mercury_are_vacuum_below_the_barometer() -> None:
    level = parse_pressure("10 inHg", "k")
    assert not level.absolute
    # 40 CFR 82.156 counts from 29.9 inHg: 10 inHg is 9.78 psia at a standard barometer
    assert level.absolute_pa(101_325.0) / 6894.757 == pytest.approx(9.78, abs=0.005)
    assert convert(10.0, "inHg", "psig") == pytest.approx(-4.91, abs=0.005)


def test_only_a_barometer_turns_gauge_into_absolute() -> None:
    with pytest.raises(InputError, match="do not measure the same thing"):
        convert(1.0, "psig", "psia")


@pytest.mark.parametrize("text", ["118 psi", "118", 118, 118.0, None, "nan kg", "kg", "1e999 kg", "118kg kg", ["1 kg"]])
def test_a_mass_in_anything_else_is_refused_with_what_is_accepted(text: object) -> None:
    with pytest.raises(InputError, match=r"circuit.charge.*expected a mass such as '118 kg'"):
        parse_quantity(text, "mass", "circuit.charge")


@given(st.floats(-1e6, 1e6), st.sampled_from([u.symbol for u in UNITS.values() if u.dimension == "pressure"]))
def test_conversion_and_back_is_the_same(value: float, symbol: str) -> None:
    other = "psia" if UNITS[symbol].datum == "absolute" else "barg"
    assert convert(convert(value, symbol, other), other, symbol) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.floats(50e3, 115e3), st.floats(-1e6, 1e6), st.sampled_from(list(UNITS.values())))
def test_a_number_becomes_si_and_the_same_number_again(barometer_pa: float, number: float, unit: Unit) -> None:
    assert unit.number(unit.si(number, barometer_pa), barometer_pa) == pytest.approx(number, rel=1e-9, abs=1e-3)


@pytest.mark.parametrize(("symbol", "pa"), [("psig", 169_948.0), ("inHg", 67_136.0), ("psia", 68_948.0)])
def test_ten_of_a_unit_at_a_barometer_of_101_kpa(symbol: str, pa: float) -> None:
    """Arithmetic: 10 psi are 68.95 kPa and 10 inHg 33.86 kPa (NIST SP 811), up from the barometer, or down from it."""
    assert UNITS[symbol].si(10.0, 101_000.0) == pytest.approx(pa, abs=1.0)


@pytest.mark.parametrize("kind", sorted(DISPLAY_KINDS))
def test_every_kind_of_figure_shows_in_both_systems(kind: str) -> None:
    for system in ("us", "si"):
        value, unit = display(300.0, kind, system)  # type: ignore[arg-type]
        assert math.isfinite(value)
        assert isinstance(unit, str)
