"""Required levels against 40 CFR 82.156 Table 1, read from the published text (levels in inHg of vacuum)."""

from __future__ import annotations

import pytest

from analysis.recovery.required_level import required_level
from analysis.vocabulary.job import parse_job
from analysis.vocabulary.units import UNITS

INHG_PA = UNITS["inHg"].scale
PSI_PA = UNITS["psia"].scale


def level_of(refrigerant: str, charge: str | None = "100 lb", made: object = 2015, **more: object):
    circuit = {"refrigerant": refrigerant, **({} if charge is None else {"charge": charge})}
    recovery = {**({} if made is None else {"equipment_made": made}), **more}
    return required_level(parse_job({"job": {"name": "test"}, "circuit": circuit, "recovery": recovery}))


# 40 CFR 82.156 Table 1: class, charge, before 15 Nov 1993, on or after.
TABLE_1 = [
    ("R-32", "100 lb", 0, 0),  # very high-pressure (359.5 psia at 104 degF, over the 355 of 82.152)
    ("R-32", "300 lb", 0, 0),
    ("R-22", "199 lb", 0, 0),  # high-pressure, under 200 lb
    ("R-410A", "100 lb", 0, 0),
    ("R-407C", "200 lb", 4, 10),  # high-pressure, 200 lb or more
    ("R-404A", "300 lb", 4, 10),
    ("R-134a", "199 lb", 4, 10),  # medium-pressure, under 200 lb
    ("R-134a", "200 lb", 4, 15),  # medium-pressure, 200 lb or more
    ("R-513A", "900 lb", 4, 15),
]


@pytest.mark.parametrize(("name", "charge", "old", "new"), TABLE_1)
def test_table_1_counts_from_the_standard_atmosphere(name: str, charge: str, old: int, new: int) -> None:
    for made, inches in ((1990, old), (2015, new)):
        found = level_of(name, charge, made)
        assert found.level is not None
        assert found.level.absolute
        assert found.missing == ()
        # the table is in whole inches of mercury from 29.921
        assert found.level.pa == pytest.approx((29.921 - inches) * INHG_PA, abs=0.001 * INHG_PA)


@pytest.mark.parametrize("made", [1990, 2015])
@pytest.mark.parametrize("name", ["R-123", "R-1233zd(E)", "R-11"])
def test_low_pressure_is_25_mm_of_mercury_absolute(name: str, made: int) -> None:
    found = level_of(name, "600 lb", made)
    assert found.level is not None
    assert found.level.pa == pytest.approx(25 * 133.322, rel=1e-5)


@pytest.mark.parametrize(("inches", "psia"), [(4, 12.73), (10, 9.78), (15, 7.33)])
def test_absolute_equivalents(inches: int, psia: float) -> None:
    """Arithmetic: 29.921 inHg less the level, 14.696 psia to the atmosphere; rounded to 0.01 psia."""
    of = {4: ("R-134a", "300 lb", 1990), 10: ("R-134a", "100 lb", 2015), 15: ("R-134a", "300 lb", 2015)}
    level = level_of(*of[inches]).level
    assert level is not None
    assert level.pa / PSI_PA == pytest.approx(psia, abs=0.005 + 1e-3)


def test_the_day_on_which_the_columns_part() -> None:
    import datetime

    before = level_of("R-134a", "300 lb", datetime.date(1993, 11, 14)).level
    since = level_of("R-134a", "300 lb", datetime.date(1993, 11, 15)).level
    assert before is not None
    assert since is not None
    assert before.pa == pytest.approx(25.921 * INHG_PA)
    assert since.pa == pytest.approx(14.921 * INHG_PA)


def test_what_is_not_said_asks_for_the_deepest_and_is_named() -> None:
    found = level_of("R-134a", None, None)
    assert found.level is not None
    assert found.level.pa == pytest.approx(14.921 * INHG_PA)
    assert found.missing == ("charge", "year of the recovery equipment")
    # a year alone does not say on which side of the day it was made
    assert "year of the recovery equipment" in level_of("R-134a", "300 lb", 1993).missing
    # a row that is the same either way leaves nothing open
    assert level_of("R-123", None, None).missing == ()


def test_a_circuit_held_at_least_what_came_out_of_it() -> None:
    tables = {"circuit": {"refrigerant": "R-134a"}, "recovery": {"equipment_made": 2015}}
    job = parse_job({"job": {"name": "test"}, **tables})
    for kg, inches in ((90.0, 10.0), (91.0, 15.0)):  # 200 lb: 90.7 kg
        found = required_level(job, kg)
        assert found.level is not None
        assert found.mildest is not None
        assert found.level.pa == pytest.approx(14.921 * INHG_PA)
        assert found.mildest.pa == pytest.approx((29.921 - inches) * INHG_PA)


def test_leaking_is_never_above_0_psig() -> None:
    """40 CFR 82.156: leaking components as low as can be had, in no case above 0 psig (gauge, at the site)."""
    level = level_of("R-134a", "300 lb", 2015, leaking=True).level
    assert level is not None
    assert not level.absolute
    assert level.absolute_pa(84_500.0) == pytest.approx(84_500.0)


def test_a_stated_class_goes_before_the_refrigerant() -> None:
    found = required_level(
        parse_job({"job": {"name": "t"}, "circuit": {"pressure_class": "low", "refrigerant": "R-134a"}})
    )
    assert found.level is not None
    assert found.level.pa == pytest.approx(25 * 133.322, rel=1e-5)


def test_levels_of_the_european_file_are_marked_as_from_memory() -> None:
    """EN 378-4, from memory: 0.6 bar absolute up to 200 L of internal volume, 0.3 bar from there."""

    def of(volume: str) -> object:
        circuit = {"refrigerant": "R-134a", "internal_volume": volume}
        tables = {"job": {"name": "t"}, "circuit": circuit, "recovery": {"rules": "en-378-4"}}
        return required_level(parse_job(tables))

    small, large = of("150 L"), of("420 L")
    assert small.rules.from_memory
    assert small.level.pa == pytest.approx(60e3)
    assert large.level.pa == pytest.approx(30e3)
