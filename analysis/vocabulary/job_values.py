"""The values that `job.toml` may hold: each is read from text, held against its bounds, or refused in one line."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.refrigerants import refrigerant_name
from analysis.vocabulary.text import LONGEST_NAME, one_line, words
from analysis.vocabulary.units import Pressure, parse_pressure, parse_quantity, parse_water_capacity

_Value = TypeVar("_Value")

LEAST_AIR_PA = 40e3
"""No site has less air: that of 7,000 m."""


def said(read: Callable[[Any], object], names_key: bool = False) -> BeforeValidator:
    """Wrap a reader of one value so that its one-line refusal reaches the user, whole where it `names_key` itself."""

    def check(value: object) -> object:
        try:
            return read(value)
        except InputError as error:
            if names_key:
                raise PydanticCustomError("table", "{why}", {"why": str(error)}) from None
            accepted = error.accepted or str(error)
            raise PydanticCustomError("quantity", "expected {accepted}", {"accepted": accepted}) from None

    return BeforeValidator(check)


def _within(
    read: Callable[[object], _Value], fits: Callable[[_Value], bool], accepted: str
) -> Callable[[object], _Value]:
    """Return a reader that refuses what does not fit, and says what is accepted."""

    def check(value: object) -> _Value:
        found = read(value)
        if not fits(found):
            raise refused("", value, accepted)
        return found

    return check


def _quantity(dimension: str) -> Callable[[object], float]:
    return lambda value: parse_quantity(value, dimension, "")


def _above_0(dimension: str, read: Callable[[object], float] | None = None) -> BeforeValidator:
    check = _within(read or _quantity(dimension), lambda number: number > 0.0, f"a {dimension} above 0")
    return said(check)


def _not_below_0(dimension: str) -> BeforeValidator:
    accepted = f"a {words(dimension)} not below 0"
    check = _within(_quantity(dimension), lambda number: number >= 0.0, accepted)
    return said(check)


Mass = Annotated[float, _not_below_0("mass")]
SomeMass = Annotated[float, _above_0("mass")]
WaterCapacity = Annotated[float, _above_0("mass", lambda value: parse_water_capacity(value, ""))]
Volume = Annotated[float, _above_0("volume")]
Duration = Annotated[float, _above_0("time")]
Length = Annotated[float, _above_0("length")]
Flow = Annotated[float, _above_0("flow")]
PressureRate = Annotated[float, _not_below_0("pressure_rate")]


def _any_pressure(value: object) -> Pressure:
    return parse_pressure(value, "")


_pressure = _within(_any_pressure, lambda p: not p.absolute or p.pa >= 0.0, "an absolute pressure not below 0")
_vacuum = _within(
    _pressure, lambda p: 0.0 < p.pa < LEAST_AIR_PA if p.absolute else p.pa < 0.0, "a vacuum such as '500 micron'"
)
_above_air = _within(
    _pressure,
    lambda p: p.pa > (LEAST_AIR_PA if p.absolute else 0.0),
    "a pressure above the air's, such as '150 psig'",
)
_barometer = _within(
    _any_pressure, lambda p: p.absolute and LEAST_AIR_PA < p.pa < 115e3, "an absolute pressure from 40 to 115 kPa"
)
_freezes = _within(
    _quantity("temperature"),
    lambda k: 173.15 <= k < 273.16,
    "a freezing point not above that of water, such as '-7 degC'",
)
_elevation = _within(
    _quantity("length"),
    lambda metre: -500.0 <= metre <= 6_000.0,
    "a length from -500 to 6000 m, above the level of the sea",
)
AnyPressure = Annotated[Pressure, said(_pressure)]
Vacuum = Annotated[Pressure, said(_vacuum)]
TestPressure = Annotated[Pressure, said(_above_air)]
Barometer = Annotated[Pressure, said(_barometer)]
FreezePoint = Annotated[float, said(_freezes)]
Elevation = Annotated[float, said(_elevation)]


def _name(value: object) -> object:
    if isinstance(value, str) and len(value) > LONGEST_NAME:
        raise refused("", value, f"at most {LONGEST_NAME} characters")
    return one_line(value) if isinstance(value, str) else value


Name = Annotated[str, said(_name)]
"""What a person is shown: one printable line."""
GivenName = Annotated[str, said(_within(_name, lambda name: not isinstance(name, str) or bool(name.strip()), "a name"))]
Refrigerant = Annotated[str, said(refrigerant_name)]
"""A refrigerant by its own name, whichever way it was typed."""


def _tolerance(value: object) -> float:
    """Return a fraction of the target (``"1 %"``) as float, or the mass in kilogram as a negative float."""
    for dimension, sign in (("fraction", 1.0), ("mass", -1.0)):
        with contextlib.suppress(InputError):
            number = parse_quantity(value, dimension, "")
            if number >= 0.0:
                return sign * number
    raise refused("", value, "a fraction such as '1 %' or a mass such as '0.5 kg', not below 0")


Tolerance = Annotated[float, said(_tolerance)]
