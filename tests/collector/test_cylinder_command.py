"""`standwatch cylinder`: the sums shown, bad input refused in one line."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from analysis.vocabulary.errors import InputError
from collector.commands.cylinder import run_cylinder


def printed(**given: str) -> str:
    out = io.StringIO()
    arguments = {"refrigerant_name": "R-410A", "water_capacity": "47.6 lb", **given}
    run_cylinder(**arguments, console=Console(file=out, width=140))  # type: ignore[arg-type]
    return out.getvalue()


def test_a_tare_of_a_fifth_of_the_water_capacity_is_that_of_a_small_cylinder_not_to_be_refilled() -> None:
    text = printed(water_capacity="29.7 lb", tare="6 lb")
    assert "tare 6.000 lb" in text
    assert "must never be refilled" in text
    assert "must never be refilled" not in printed(tare="27 lb")


def test_every_sum_and_source() -> None:
    text = printed(tare="27 lb", contents="30 lb", temperature="90 degF", service_pressure="400 psig")
    for part in (
        "0.80 x 47.60 lb x specific gravity 1.060",
        "40.35 lb",
        "> liquid-full at 140 degF",
        "38.86 lb + tare 27.00 lb = 65.86 lb",
        "AHRI Guideline K",
        "49 CFR 173.304a",
        "8.856 lb may still go in",
        "58 % full",
        "400.0 psig is enough",
        "licensed technician come first",
    ):
        assert part in text


def test_the_temperatures_of_the_limits_are_in_the_units_asked_for() -> None:
    text = printed(units="si")
    assert "> liquid-full at 60 degC" in text
    assert "80 % full at 25 degC" in text
    assert "At 55 degC it stands" in text
    assert "At 131 degF it stands" in printed()


def test_what_is_wrong_is_said() -> None:
    weak = printed(service_pressure="350 psig", contents="30 lb")
    assert "too low: do not fill it" in weak
    assert "nothing more may go in" in weak
    assert "may still go in" not in weak
    overfull = printed(contents="45 lb")
    assert "overfull by 6.144 lb" in overfull
    assert "into another cylinder" in overfull
    assert "never vent" in overfull
    assert "DANGER" in printed(contents="60 lb", temperature="90 degF")
    assert "is left out" in printed(refrigerant_name="R-744")


def test_a_temperature_without_liquid_is_refused_in_the_units_of_the_job() -> None:
    with pytest.raises(InputError, match=r"150 degF is not accepted for R-410A; expected -154 degF to 149 degF"):
        printed(temperature="150 degF")


@pytest.mark.parametrize(
    "given",
    [
        {"refrigerant_name": "R-999"},
        {"water_capacity": "47.6 L"},
        {"water_capacity": "0 lb"},
        {"water_capacity": "-3 lb"},
        {"service_pressure": "260 micron"},
        {"service_pressure": "-10 psig"},
        {"water_capacity": "much"},
        {"tare": "200 kg"},
        {"tare": "0 lb"},
        {"water_capacity": "100 kg", "tare": "27 lb"},
        {"tare": "-1 lb"},
        {"temperature": "300 degC"},
        {"temperature": "90 psig"},
        {"contents": "90 lb"},
        {"service_pressure": "400 lb"},
        {"contents": "-5 lb"},
    ],
)
def test_bad_input_is_one_line(given: dict[str, str]) -> None:
    with pytest.raises(InputError) as refused:
        printed(**given)
    assert "\n" not in str(refused.value)
    assert "expected" in str(refused.value)
