"""Channels of the log and the words of the journal."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal, get_args

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.units import UNITS, Unit, column_unit

CHANNELS: dict[str, str] = {
    "circuit_pressure": "pressure",
    "vacuum": "pressure",
    "pump_vacuum": "pressure",
    "cylinder_weight": "mass",
    "cylinder_pressure": "pressure",
    "cylinder_temperature": "temperature",
    "entering_water_temperature": "temperature",
    "leaving_water_temperature": "temperature",
    "condenser_entering_temperature": "temperature",
    "condenser_leaving_temperature": "temperature",
    "ambient_temperature": "temperature",
    "surface_temperature": "temperature",
    "suction_pressure": "pressure",
    "suction_temperature": "temperature",
    "discharge_pressure": "pressure",
    "discharge_temperature": "temperature",
    "liquid_pressure": "pressure",
    "liquid_temperature": "temperature",
    "oil_pressure_before_filter": "pressure",
    "oil_pressure_after_filter": "pressure",
    "oil_temperature": "temperature",
    "compressor_load": "fraction",
    "barometer": "pressure",
}
"""Channels that are judged, and the dimension each must have. Any other name is carried and plotted."""

STAGES = ("recovery", "pressure_test", "evacuation", "charging", "startup", "at_rest")
MARKS = (
    "cylinder_on",
    "cylinder_off",
    "oil_change",
    "pump_valve_closed",
    "pump_valve_open",
    "pump_on",
    "pump_off",
    "vacuum_broken",
    "recovery_paused",
    "recovery_resumed",
    "water_flow_on",
    "water_flow_off",
    "liquid_charging",
    "vapor_charging",
)
MICRON_PROBES = ("vacuum", "pump_vacuum")
"""Absolute, deeper than any gauge, and nothing to show above their range."""
LEAST_TOP_PA, USUAL_TOP_PA = 130.0, 1_000.0
"""None ends under the first and hardly one under the second: most at 12,000 to 25,000 micron, heads with a thermocouple
at 1 or 2 Torr (common practice)."""
CIRCUIT_PRESSURES = ("circuit_pressure", "suction_pressure", "liquid_pressure", "discharge_pressure")
"""They agree while the circuit stands; the service hose first."""
EVAPORATOR_WATER = ("leaving_water_temperature", "entering_water_temperature")
"""The evaporator's water; saturation is held against what leaves."""
AIR, METAL = "ambient_temperature", "surface_temperature"
AIR_AND_METAL = (AIR, METAL)
ROOM_TEMPERATURES = (*AIR_AND_METAL, *EVAPORATOR_WATER)
"""What stands near a standing circuit, within some kelvin of each other; refrigerant in it is about as warm."""
JOURNAL_KINDS = ("stage", "mark", "instrument", "recorder", "finding", "note")
JOURNAL_COLUMNS = ("time", "kind", "subject", "value", "text")
Level = Literal["info", "caution", "alarm"]
LEVELS: tuple[Level, ...] = get_args(Level)


@dataclass(frozen=True)
class Column:
    """One column of the log: the channel, the unit it is logged in, and the header it stands under."""

    channel: str
    unit: Unit
    header: str


_HEADER = re.compile(r"\s*(\w[\w .:/()%°#+&'-]*?)\s*\[([^\[\]]+)\]\s*")


def column_header(channel: str, unit: str) -> str:
    """Return the header of a channel's column, ``circuit_pressure [psig]``."""
    return f"{channel} [{unit}]"


def make_column(channel: str, unit: str, header: str) -> Column:
    """Return the column for a channel logged in `unit`.

    Raises
    ------
    InputError
        When the unit is unknown or does not measure what the channel is.
    """
    found = column_unit(unit, f"column {header!r}")
    wanted = CHANNELS.get(channel)
    if wanted is not None and found.dimension != wanted:
        accepted = " ".join(u.symbol for u in UNITS.values() if u.dimension == wanted)
        raise InputError(f"column {header!r}: {unit} is not a unit of {wanted}; expected one of {accepted}")
    if channel == "barometer" and found.datum == "vacuum":  # inches of mercury of the weather, not of a vacuum under it
        found = replace(found, datum="absolute")
    if channel == "barometer" and found.datum != "absolute":
        raise InputError(f"column {header!r}: a barometer is absolute; expected one of kPa mbar bar psia Pa inHg")
    return Column(channel, found, header)


def parse_header(header: str) -> Column | None:
    """Return the column that a header names, or None when it does not have the form ``name [unit]``."""
    match = _HEADER.fullmatch(header)
    return None if match is None else make_column(match.group(1), match.group(2).strip(), header)
