"""Units of the log, the settings and the display.

Everything inside is SI: pascal, kelvin, kilogram, metre, second. Conversion happens here, at the edges.
A pressure has a *datum*: absolute, gauge (above the barometer) or vacuum (below it); only a barometer
turns one into another. A temperature and a temperature difference are two dimensions.

Factors are exact by definition (NIST SP 811, 2008, appendix B) unless a comment says otherwise.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Literal

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.text import words

Datum = Literal["absolute", "gauge", "vacuum"]

STANDARD_ATMOSPHERE_PA = 101_325.0
"""Standard atmosphere (ISO 2533)."""

_PSI = 6_894.757293168
_INHG = 3_386.389  # conventional inch of mercury at 0 degC (NIST SP 811)
_MICRON = 101_325.0 / 760_000.0  # one micron = 1 mTorr; 760,000 to the atmosphere
_LB = 0.45359237
_FT = 0.3048
_YEAR = 365.25 * 86_400.0


@dataclass(frozen=True)
class Unit:
    """A unit: SI value = number x `scale` + `offset`, down from the barometer where `datum` is vacuum.

    `datum` stands only with pressures. `si` and `number` take one value or an array, and use the barometer only
    where the unit counts from it.
    """

    symbol: str
    dimension: str
    scale: float
    offset: float = 0.0
    datum: Datum | None = None

    @property
    def from_barometer(self) -> bool:
        """Whether its numbers count from the barometer, up or down."""
        return self.datum in ("gauge", "vacuum")

    def si(self, number: Any, barometer_pa: Any = 0.0) -> Any:
        """Return the SI value of a number as an instrument shows it; a pressure absolute [Pa]."""
        value = number * (-self.scale if self.datum == "vacuum" else self.scale) + self.offset
        return value + barometer_pa if self.from_barometer else value

    def number(self, si: Any, barometer_pa: Any = 0.0) -> Any:
        """Return the number that an instrument shows for an SI value, a pressure given as absolute [Pa]."""
        value = si - barometer_pa if self.from_barometer else si
        return (value - self.offset) / (-self.scale if self.datum == "vacuum" else self.scale)


def _units() -> dict[str, Unit]:
    table = [
        Unit("psia", "pressure", _PSI, datum="absolute"),
        Unit("kPa", "pressure", 1e3, datum="absolute"),
        Unit("bar", "pressure", 1e5, datum="absolute"),
        Unit("MPa", "pressure", 1e6, datum="absolute"),
        Unit("Pa", "pressure", 1.0, datum="absolute"),
        Unit("mbar", "pressure", 100.0, datum="absolute"),
        Unit("Torr", "pressure", 101_325.0 / 760.0, datum="absolute"),
        Unit("micron", "pressure", _MICRON, datum="absolute"),
        Unit("psig", "pressure", _PSI, datum="gauge"),
        Unit("kPag", "pressure", 1e3, datum="gauge"),
        Unit("barg", "pressure", 1e5, datum="gauge"),
        Unit("inHg", "pressure", _INHG, datum="vacuum"),
        Unit("degF", "temperature", 5 / 9, 459.67 * 5 / 9),
        Unit("degC", "temperature", 1.0, 273.15),
        Unit("K", "temperature", 1.0),
        Unit("kg", "mass", 1.0),
        Unit("g", "mass", 1e-3),
        Unit("lb", "mass", _LB),
        Unit("oz", "mass", _LB / 16),
        Unit("%", "fraction", 0.01),
        Unit("Hz", "frequency", 1.0),
        Unit("A", "current", 1.0),
        Unit("V", "voltage", 1.0),
        Unit("W", "power", 1.0),
        Unit("kW", "power", 1e3),
        Unit("L", "volume", 1e-3),
        Unit("m3", "volume", 1.0),
        Unit("ft3", "volume", _FT**3),
        Unit("gal", "volume", 231 * 0.0254**3),  # US liquid gallon
        Unit("s", "time", 1.0),
        Unit("min", "time", 60.0),
        Unit("h", "time", 3_600.0),
        Unit("d", "time", 86_400.0),
        Unit("yr", "time", _YEAR),
        Unit("mm", "length", 1e-3),
        Unit("m", "length", 1.0),
        Unit("in", "length", 0.0254),
        Unit("ft", "length", _FT),
        Unit("L/s", "flow", 1e-3),
        Unit("m3/h", "flow", 1 / 3_600.0),
        Unit("cfm", "flow", _FT**3 / 60.0),
    ]
    return {unit.symbol: unit for unit in table}


UNITS = _units()
"""Every unit that a column or a setting may carry, by symbol."""

COLUMN_DIMENSIONS = (
    "pressure",
    "temperature",
    "mass",
    "fraction",
    "frequency",
    "current",
    "voltage",
    "power",
)
"""Dimensions that a log column may have."""

# Differences: a datum and an offset cancel, so these symbols mean a plain interval there.
_DIFFERENCE_UNITS = {
    "temperature_difference": {"degF": 5 / 9, "degC": 1.0, "K": 1.0},
    "pressure_difference": {
        **{u.symbol: u.scale for u in UNITS.values() if u.dimension == "pressure" and u.datum != "vacuum"},
        "psi": _PSI,
        "inHg": _INHG,
    },
}
_RATE_OF = {"pressure_rate": "pressure_difference", "mass_rate": "mass"}


def unit_symbols(dimension: str) -> list[str]:
    """Return the unit symbols accepted for `dimension`, for an error message or a menu."""
    if dimension in _DIFFERENCE_UNITS:
        return list(_DIFFERENCE_UNITS[dimension])
    if dimension in _RATE_OF:
        top = [s for s in unit_symbols(_RATE_OF[dimension]) if s not in ("psia", "psig", "kPag", "barg")]
        return [f"{symbol}/{time}" for symbol in top for time in ("min", "h", "d", "yr", "s")]
    return [u.symbol for u in UNITS.values() if u.dimension == dimension]


def column_unit(symbol: str, where: str) -> Unit:
    """Return the unit of a log column.

    Raises
    ------
    InputError
        When the log does not know the unit; the message names `where`.
    """
    unit = UNITS.get(symbol)
    if unit is None or unit.dimension not in COLUMN_DIMENSIONS:
        known = [u.symbol for u in UNITS.values() if u.dimension in COLUMN_DIMENSIONS]
        raise refused(where, symbol, "a unit of the log: " + " ".join(known))
    return unit


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """Convert between two units of one dimension and, for pressures, one datum.

    Gauge and vacuum readings may be converted into each other (both are measured from the barometer).

    Raises
    ------
    InputError
        When the units measure different things, or when only a barometer could convert them.
    """
    if from_unit == to_unit:
        return value
    a, b = UNITS.get(from_unit), UNITS.get(to_unit)
    if a is None or b is None or a.dimension != b.dimension or ((a.datum == "absolute") != (b.datum == "absolute")):
        raise InputError(f"cannot convert {from_unit!r} to {to_unit!r}: they do not measure the same thing")
    return float(b.number(a.si(value)))


@dataclass(frozen=True)
class Pressure:
    """A pressure and its datum. `pa` is pascal absolute, or pascal above the barometer (vacuum: negative)."""

    pa: float
    absolute: bool

    def absolute_pa(self, barometer_pa: float) -> float:
        """Return pascal absolute at a site whose barometer reads `barometer_pa`."""
        return self.pa if self.absolute else self.pa + barometer_pa

    def gauge_pa(self, barometer_pa: float) -> float:
        """Return pascal above the site's barometer."""
        return self.pa - barometer_pa if self.absolute else self.pa


_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S+)\s*")


def number_and_symbol(text: object) -> tuple[float, str] | None:
    """Return what ``"118 kg"`` is written of, whether or not such a unit is known; None where it is no such text."""
    match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    return None if match is None else (float(match.group(1)), match.group(2))


def parse_quantity(text: object, dimension: str, where: str) -> float:
    """Return the SI value of a quantity such as ``"118 kg"``, ``"500 micron"`` or ``"0.5 psi/d"``.

    Parameters
    ----------
    text : what the settings hold; must be a string with a number and a unit.
    dimension : one that `unit_symbols` knows; a pressure comes back in pascal as written, see `parse_pressure`.
    where : the key, for the message.

    Raises
    ------
    InputError
        No number, no unit, a unit of another dimension, or not finite.
    """
    symbols = unit_symbols(dimension)
    what = f"a {words(dimension)} such as {_EXAMPLES[dimension]!r} (units: {_short(symbols)})"
    number, symbol = number_and_symbol(text) or (math.nan, "")
    if symbol not in symbols or not math.isfinite(number):
        raise refused(where, text, what)
    return number * _scale(symbol, dimension) + (UNITS[symbol].offset if dimension == "temperature" else 0.0)


def parse_water_capacity(text: object, where: str) -> float:
    """Return the mass of water that fills a cylinder [kg]; a capacity in litres is refused with what to write.

    Raises
    ------
    InputError
        As `parse_quantity` of a mass.
    """
    try:
        return parse_quantity(text, "mass", where)
    except InputError as error:
        parts = number_and_symbol(text)
        if parts is None or parts[1] not in unit_symbols("volume"):
            raise
        hint = "the mass of water that fills it: as many kg as it has litres (1 L of water weighs 1 kg, or 2.2 lb)"
        raise refused(where, text, hint) from error


def parse_pressure(text: object, where: str) -> Pressure:
    """Return a pressure with its datum from ``"150 psig"``, ``"99.1 kPa"``, ``"10 inHg"`` (vacuum)."""
    pa = parse_quantity(text, "pressure", where)
    _, symbol = number_and_symbol(text) or (pa, "")
    datum = UNITS[symbol].datum
    return Pressure(-pa if datum == "vacuum" else pa, datum == "absolute")


def _scale(symbol: str, dimension: str) -> float:
    if dimension in _DIFFERENCE_UNITS:
        return _DIFFERENCE_UNITS[dimension][symbol]
    if dimension in _RATE_OF:
        top, _, time = symbol.partition("/")
        return _scale(top, _RATE_OF[dimension]) / UNITS[time].scale
    return UNITS[symbol].scale


def _short(symbols: list[str]) -> str:
    return " ".join(symbols[:14]) + (" …" if len(symbols) > 14 else "")


_EXAMPLES = {
    "pressure": "150 psig",
    "temperature": "45 degF",
    "mass": "118 kg",
    "fraction": "1 %",
    "frequency": "60 Hz",
    "current": "10 A",
    "voltage": "24 V",
    "power": "5 kW",
    "volume": "420 L",
    "time": "30 min",
    "length": "1.8 m",
    "flow": "8 cfm",
    "temperature_difference": "5 degF",
    "pressure_difference": "2 psi",
    "pressure_rate": "0.5 psi/d",
    "mass_rate": "10 lb/h",
}


# --- display -------------------------------------------------------------------------------------------

UnitSystem = Literal["us", "si"]

_DISPLAY: dict[str, tuple[str, str]] = {
    # kind of figure: (us unit, si unit)
    "pressure": ("psia", "kPa"),
    "gauge_pressure": ("psig", "kPag"),
    "vacuum": ("micron", "Pa"),
    "vacuum_rate": ("micron/min", "Pa/min"),
    "pressure_difference": ("psi", "kPa"),
    "pressure_rate": ("psi/h", "kPa/h"),
    "temperature": ("degF", "degC"),
    "temperature_difference": ("degF", "degC"),
    "mass": ("lb", "kg"),
    "mass_rate": ("lb/h", "kg/h"),
    "volume": ("ft3", "L"),
    "flow": ("cfm", "L/s"),
    "length": ("ft", "m"),
    "fraction": ("%", "%"),
    "seconds": ("s", "s"),
    "minutes": ("min", "min"),
    "hours": ("h", "h"),
    "leak_g": ("g/yr", "g/yr"),
    "leak_oz": ("oz/yr", "oz/yr"),
    "leak_rate": ("Pa m3/s", "Pa m3/s"),
    "count": ("", ""),
}
DISPLAY_KINDS = frozenset(_DISPLAY)


def display(si: float, kind: str, system: UnitSystem) -> tuple[float, str]:
    """Return a number and its unit symbol for showing the SI value `si` of a figure of `kind`.

    Kinds are those of `DISPLAY_KINDS`. A `gauge_pressure` is given as pascal above the barometer, a
    `leak_g` or `leak_oz` as kg/s, times as seconds, `vacuum_rate` and `pressure_rate` as Pa/s.
    """
    symbol = _DISPLAY[kind][0 if system == "us" else 1]
    if kind in ("leak_rate", "count"):
        return si, symbol
    if "/" in symbol and kind != "flow":
        return si / _scale(
            symbol, "mass_rate" if kind in ("mass_rate", "leak_g", "leak_oz") else "pressure_rate"
        ), symbol
    if kind.endswith("_difference"):
        return si / _scale(symbol, kind), symbol
    return float(UNITS[symbol].number(si)), symbol
