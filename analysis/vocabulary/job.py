"""`job.toml`: what the technician says about the job, checked key by key.

Quantities become SI floats here (kilogram, kelvin, second, …); a pressure keeps its datum (`Pressure`)
until a barometer is known. Every table and key is optional except `[job] name`.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from analysis.vocabulary.channels import CHANNELS
from analysis.vocabulary.errors import InputError, quoted
from analysis.vocabulary.refrigerants import refrigerant_name
from analysis.vocabulary.text import LONGEST_NAME, one_line
from analysis.vocabulary.units import (
    Pressure,
    UnitSystem,
    column_unit,
    parse_pressure,
    parse_quantity,
    unit_symbols,
)


def _said(read: Callable[[object], object], names_key: bool = False) -> BeforeValidator:
    """Wrap a reader of one value so that its one-line refusal reaches the user, whole where it `names_key` itself."""

    def check(value: object) -> object:
        try:
            return read(value)
        except InputError as error:
            if names_key:
                raise PydanticCustomError("table", "{why}", {"why": str(error)}) from None
            accepted = str(error).partition("; expected ")[2] or str(error)
            raise PydanticCustomError("quantity", "expected {accepted}", {"accepted": accepted}) from None

    return BeforeValidator(check)


def _quantity(dimension: str, above: float = -math.inf, or_that: bool = False) -> BeforeValidator:
    """Return a reader of a quantity above a bound, or of the bound itself as well."""

    def read(value: object) -> object:
        number = parse_quantity(value, dimension, "")
        if number < above or (number == above and not or_that):
            raise InputError(f"; expected a {dimension.replace('_', ' ')} {'not below' if or_that else 'above'} 0")
        return number

    return _said(read)


Mass = Annotated[float, _quantity("mass", 0.0, or_that=True)]
Volume = Annotated[float, _quantity("volume", 0.0)]
Duration = Annotated[float, _quantity("time", 0.0, or_that=True)]
Length = Annotated[float, _quantity("length", 0.0)]
Flow = Annotated[float, _quantity("flow", 0.0)]
PressureRate = Annotated[float, _quantity("pressure_rate", 0.0, or_that=True)]


def _pressure(value: object) -> Pressure:
    pressure = parse_pressure(value, "")
    if pressure.absolute and pressure.pa < 0.0:
        raise InputError("; expected an absolute pressure not below 0")
    return pressure


AnyPressure = Annotated[Pressure, _said(_pressure)]


def _vacuum(value: object) -> Pressure:
    pressure = _pressure(value)
    if not (0.0 < pressure.pa < LEAST_AIR_PA if pressure.absolute else pressure.pa < 0.0):
        raise InputError("; expected a vacuum such as '500 micron'")
    return pressure


def _above_air(value: object) -> Pressure:
    pressure = _pressure(value)
    if pressure.pa <= (LEAST_AIR_PA if pressure.absolute else 0.0):
        raise InputError("; expected a pressure above the air's, such as '150 psig'")
    return pressure


LEAST_AIR_PA = 40e3
"""No site has less air: that of 7,000 m."""
Vacuum = Annotated[Pressure, _said(_vacuum)]
TestPressure = Annotated[Pressure, _said(_above_air)]


def _freezing(value: object) -> float:
    kelvin = parse_quantity(value, "temperature", "")
    if not 173.15 <= kelvin < 273.16:
        raise InputError("; expected a freezing point not above that of water, such as '-7 degC'")
    return kelvin


def _barometer(value: object) -> Pressure:
    pressure = parse_pressure(value, "")
    if not (pressure.absolute and LEAST_AIR_PA < pressure.pa < 115e3):
        raise InputError("; expected an absolute pressure from 40 to 115 kPa")
    return pressure


def _elevation(value: object) -> float:
    elevation_m = parse_quantity(value, "length", "")
    if not -500.0 <= elevation_m <= 6_000.0:
        raise InputError("; expected a length from -500 to 6000 m, above the level of the sea")
    return elevation_m


def _name(value: object) -> object:
    if isinstance(value, str) and len(value) > LONGEST_NAME:
        raise InputError(f"; expected at most {LONGEST_NAME} characters")
    return one_line(value) if isinstance(value, str) else value


def _given_name(value: object) -> object:
    name = _name(value)
    if isinstance(name, str) and not name.strip():
        raise InputError("; expected a name")
    return name


GivenName = Annotated[str, _said(_given_name)]
Name = Annotated[str, _said(_name)]
"""What a person is shown: one printable line."""

Refrigerant = Annotated[str, _said(refrigerant_name)]
"""A refrigerant by its own name, whichever way it was typed."""


def _tolerance(value: object) -> float:
    """Return a fraction of the target (``"1 %"``) as float, or the mass in kilogram as a negative float."""
    for dimension, sign in (("fraction", 1.0), ("mass", -1.0)):
        with contextlib.suppress(InputError):
            number = parse_quantity(value, dimension, "")
            if number >= 0.0:
                return sign * number
    raise InputError("; expected a fraction such as '1 %' or a mass such as '0.5 kg', not below 0")


HEAVIEST_LIQUID = 1.7
"""No refrigerant's liquid is so many times as heavy as water (R-113 at 0 degC: 1.62, computed with CoolProp)."""


def _year_made(value: object) -> object:
    if isinstance(value, int) and not 1900 <= value <= 2100:
        raise InputError("; expected a year such as 2015, or a date")
    return value


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, populate_by_name=True)


class JobTable(_Table):
    """`[job]`: what the paper is headed with."""

    name: GivenName
    site: Name = ""
    circuit: Name = ""
    technician: Name = ""
    reference: Name = ""
    units: UnitSystem = "us"
    simulated: bool = False


class SiteTable(_Table):
    """`[site]`: what turns gauge readings into absolute pressures."""

    elevation_m: Annotated[float, _said(_elevation)] | None = Field(None, alias="elevation")
    barometer: Annotated[Pressure, _said(_barometer)] | None = None


class CircuitTable(_Table):
    """`[circuit]`: the machine."""

    refrigerant: Refrigerant | None = None
    charge_kg: Mass | None = Field(None, alias="charge")
    internal_volume_m3: Volume | None = Field(None, alias="internal_volume")
    water: Literal["water"] | None = None
    freeze_point_k: Annotated[float, _said(_freezing)] | None = Field(None, alias="freeze_point")
    pressure_class: Literal["low", "medium", "high", "very_high"] | None = None
    use: Literal["comfort_cooling", "commercial_refrigeration", "industrial_process"] | None = None
    low_side_design_pressure: AnyPressure | None = None
    high_side_design_pressure: AnyPressure | None = None

    @property
    def freezes_at_k(self) -> float:
        """Freezing point of the water side [K]: as stated, else that of water."""
        return 273.15 if self.freeze_point_k is None else self.freeze_point_k


class CylinderTable(_Table):
    """`[[cylinder]]`: one cylinder; `contents` is its net weight at the start of the job."""

    id: GivenName
    refrigerant: Refrigerant | None = None
    water_capacity_kg: Mass | None = Field(None, alias="water_capacity")
    tare_kg: Mass | None = Field(None, alias="tare")
    contents_kg: Mass = Field(0.0, alias="contents")
    service_pressure: AnyPressure | None = None
    retest_due: datetime.date | str | None = None

    @model_validator(mode="after")
    def _contents_fit(self) -> CylinderTable:
        if self.water_capacity_kg is not None and self.contents_kg > HEAVIEST_LIQUID * self.water_capacity_kg:
            raise PydanticCustomError(
                "contents", "contents are more than water_capacity can hold; expected the net weight", {}
            )
        return self


class RecoveryTable(_Table):
    """`[recovery]`."""

    rules: str = "us-40cfr82"
    equipment_made: Annotated[int | datetime.date | None, _said(_year_made)] = None
    leaking: bool = False
    high_pressure_cutout: AnyPressure | None = None


class PressureTestTable(_Table):
    """`[pressure_test]`: `allowed_loss` is temperature-corrected."""

    pressure: TestPressure | None = None
    allowed_loss_pa_per_s: PressureRate | None = Field(None, alias="allowed_loss")
    confidence: float = Field(0.95, gt=0.5, lt=1.0)
    rules: str | None = None


class EvacuationTable(_Table):
    """`[evacuation]`."""

    target: Vacuum | None = None
    hold_s: Duration | None = Field(None, alias="hold")
    hold_limit: Vacuum | None = None
    pump_flow_m3_per_s: Flow | None = Field(None, alias="pump_flow")
    pump_oil_life_s: Duration | None = Field(None, alias="pump_oil_life")
    hose_bore_m: Length | None = Field(None, alias="hose_bore")
    hose_length_m: Length | None = Field(None, alias="hose_length")
    rules: str | None = None

    @model_validator(mode="after")
    def _held_from_the_target_on(self) -> EvacuationTable:
        limit, target = self.hold_limit, self.target
        if limit is not None and target is not None and limit.absolute == target.absolute and limit.pa < target.pa:
            raise PydanticCustomError("limit", "hold_limit is below target; expected at least the target", {})
        return self


class ChargingTable(_Table):
    """`[charging]`: `tolerance` is a fraction of the target, or a mass held as a negative number."""

    target_kg: Mass | None = Field(None, alias="target")
    tolerance: Annotated[float, _said(_tolerance)] = 0.01

    @model_validator(mode="after")
    def _tolerance_within_the_target(self) -> ChargingTable:
        if self.target_kg is not None and self.tolerance_kg(self.target_kg) > self.target_kg:
            raise PydanticCustomError("tolerance", "tolerance is more than target; expected less", {})
        return self

    def tolerance_kg(self, target_kg: float) -> float:
        """Return how far from `target_kg` still counts as on target [kg]."""
        return -self.tolerance if self.tolerance < 0 else self.tolerance * target_kg


STARTUP_FIGURES: dict[str, str] = {
    "suction_superheat": "temperature_difference",
    "discharge_superheat": "temperature_difference",
    "subcooling": "temperature_difference",
    "evaporator_approach": "temperature_difference",
    "condenser_approach": "temperature_difference",
    "oil_filter_drop": "pressure_difference",
}
"""Figures of a running circuit that may have limits, and what each is."""


def _limits(value: object) -> dict[str, tuple[float, float]]:
    if not isinstance(value, dict):
        raise InputError("; expected a table of figure = [low, high]")
    limits: dict[str, tuple[float, float]] = {}
    for figure, pair in value.items():
        if figure not in STARTUP_FIGURES:
            raise InputError(f"{figure!r} is not a figure; expected one of {', '.join(STARTUP_FIGURES)}")
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise InputError(f"{figure}: {pair!r} is not accepted; expected a [low, high] pair")
        low, high = (parse_quantity(part, STARTUP_FIGURES[figure], figure) for part in pair)
        if low > high:
            raise InputError(f"{figure}: {pair!r} is not accepted; expected low not above high")
        limits[figure] = (low, high)
    return limits


class StartupTable(_Table):
    """`[startup]`: limits by figure, as differences in K or Pa."""

    limits: Annotated[dict[str, tuple[float, float]], _said(_limits, names_key=True)] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _limits_beside(cls, data: Any) -> Any:
        """Accept ``suction_superheat = [...]`` directly under `[startup]` as well as under `limits`."""
        if not isinstance(data, dict) or not isinstance(data.get("limits"), dict | None):
            return data
        beside = {key: value for key, value in data.items() if key != "limits"}
        return {"limits": {**(data.get("limits") or {}), **beside}}


class AtRestTable(_Table):
    """`[at_rest]`: channels that are left out of the comparison."""

    ignore: list[str] = Field(default_factory=list)


class ColumnMapping(_Table):
    """One entry of `[columns]`. Of the time alone: `format`, `zone`, `clock` (the column of the time of day where
    `column` holds the date) and `start` (the moment from which `column` counts).
    """

    column: str
    unit: str | None = None
    format: str | None = None
    zone: str | None = None
    clock: str | None = None
    start: str | None = None


def _entry_fault(error: ValidationError) -> str:
    """Return what is wrong with one entry of `[columns]`: a key that is not known before one that is missing."""
    faults = sorted(error.errors(), key=lambda fault: fault["type"] != "extra_forbidden")
    key, known = ".".join(map(str, faults[0]["loc"])), ", ".join(ColumnMapping.model_fields)
    if faults[0]["type"] == "extra_forbidden":
        return f"unknown key {key!r}; expected one of {known}"
    if faults[0]["type"] == "missing":
        return f'{key} is missing; expected a table such as {{ column = "…", unit = "…" }}'
    if not key:
        return f"{quoted(faults[0]['input'])} is not accepted; expected a table such as {{ column = …, unit = … }}"
    return f"{key}: {quoted(faults[0]['input'])} is not accepted; expected text in quotes"


class ColumnsTable(BaseModel):
    """`[columns]`: how to read a log recorded by someone else."""

    model_config = ConfigDict(extra="allow", frozen=True)
    delimiter: str | None = None
    decimal: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _entries(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        read = {}
        for key, value in data.items():
            if key in ("delimiter", "decimal"):
                read[key] = value
                continue
            try:
                entry = value if isinstance(value, ColumnMapping) else ColumnMapping.model_validate(value)
            except ValidationError as error:
                raise PydanticCustomError("entry", "{why}", {"why": f"{key}: {_entry_fault(error)}"}) from None
            if key != "time":
                if entry.unit is None:
                    raise PydanticCustomError("unit", "{key}: expected a unit", {"key": key})
                try:
                    unit = column_unit(entry.unit, key)
                except InputError as error:
                    raise PydanticCustomError("unit", "{why}", {"why": str(error)}) from None
                if key in CHANNELS and unit.dimension != CHANNELS[key]:
                    accepted = " ".join(unit_symbols(CHANNELS[key]))
                    raise PydanticCustomError(
                        "unit",
                        "{key}: unit {unit} is not accepted; expected one of {accepted}",
                        {"key": key, "unit": entry.unit, "accepted": accepted},
                    )
            read[key] = entry
        return read

    @property
    def mapping(self) -> dict[str, ColumnMapping]:
        """Return channel (or ``time``) to the column that holds it."""
        return dict(self.__pydantic_extra__ or {})


class Job(BaseModel):
    """The whole of `job.toml`. `instrument`, `alarm` and `publish` are checked by those who use them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    job: JobTable
    site: SiteTable = SiteTable()
    circuit: CircuitTable = CircuitTable()
    cylinder: list[CylinderTable] = Field(default_factory=list)
    recovery: RecoveryTable = RecoveryTable()
    pressure_test: PressureTestTable = PressureTestTable()
    evacuation: EvacuationTable = EvacuationTable()
    charging: ChargingTable = ChargingTable()
    startup: StartupTable = StartupTable()
    at_rest: AtRestTable = AtRestTable()
    columns: ColumnsTable | None = None
    recorder: dict[str, Any] = Field(default_factory=dict)
    instrument: list[dict[str, Any]] = Field(default_factory=list)
    alarm: list[dict[str, Any]] = Field(default_factory=list, repr=False)
    publish: dict[str, Any] = Field(default_factory=dict, repr=False)

    @model_validator(mode="after")
    def _cylinders_named_once(self) -> Job:
        names = [cylinder.id for cylinder in self.cylinder]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise PydanticCustomError("cylinder", "[[cylinder]] id {ids} stands twice", {"ids": ", ".join(twice)})
        return self


JOB_FILE = "job.toml"
READINGS_FILE = "readings.csv"
JOURNAL_FILE = "journal.csv"


def parse_job(tables: dict[str, Any], where: str = JOB_FILE) -> Job:
    """Return the job that `tables` describe.

    Raises
    ------
    InputError
        One line that names the key, the value and what is accepted; the first fault only.
    """
    try:
        return Job.model_validate(tables)
    except ValidationError as error:
        raise InputError(f"{where}: {_one_line(error, tables)}") from None


def load_job(path: Path) -> Job:
    """Return the job of a folder, or of a `job.toml` itself.

    Raises
    ------
    InputError
        No such folder or file, not TOML, or a value refused.
    """
    file = path / JOB_FILE if path.is_dir() else path
    try:
        tables = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError(f"{path}: no {JOB_FILE} here; expected a job folder that holds one") from None
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(f"{file}: is not text in UTF-8; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{file}: is not TOML ({error})") from None
    for stage in tables.values():
        # a shop's own rule file is looked for beside the job, wherever the job is reviewed
        if isinstance(stage, dict) and str(stage.get("rules", "")).endswith(".toml"):
            stage["rules"] = str(file.parent / Path(stage["rules"]).expanduser())
    return parse_job(tables, str(file))


PLAINLY = {
    "string_type": "text in quotes",
    "list_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "int_parsing": "a year such as 2015, or a date",
    "float_type": "a number",
    "float_parsing": "a number",
}
"""What the checking library says, in words of the trade."""


def _one_line(error: ValidationError, tables: dict[str, Any]) -> str:
    fault = error.errors()[0]
    loc = fault["loc"][:-1] if fault["type"] == "int_parsing" and fault["loc"][-1] == "int" else fault["loc"]
    place = [str(part) for part in loc]
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc).removeprefix(".")
    key = "startup" if key == "startup.limits" else key  # whose refusals name the figure
    more = "" if error.error_count() == 1 else f" (and {error.error_count() - 1} more)"
    if fault["type"] == "extra_forbidden":
        # a whole table is not quoted: it may be an alarm with its addresses under a name that was misspelt
        value = "" if isinstance(fault["input"], dict | list) else f", value {quoted(fault['input'])}"
        return f"{key}: unknown key{value}; expected {_known_keys(fault['loc'])}{more}"
    if fault["type"] == "missing":
        return f"{key}: missing; it must be given{more}"
    if fault["type"] == "list_type" and len(place) == 1:
        return f"{key}: expected a list of tables, each headed [[{key}]]{more}"
    said = PLAINLY.get(fault["type"], str(fault["msg"]).removeprefix("Input should be ").removeprefix("expected "))
    if fault["input"] is None or isinstance(fault["input"], dict | list) or place[0] in ("alarm", "publish"):
        return f"{key + ': ' if key else ''}{fault['msg']}{more}"
    return f"{key}: {quoted(fault['input'])} is not accepted; expected {said}{more}"


def _known_keys(location: tuple[int | str, ...]) -> str:
    model: Any = Job
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        annotation = next(f.annotation for n, f in model.model_fields.items() if part in (n, f.alias))
        arguments = [a for a in getattr(annotation, "__args__", (annotation,)) if isinstance(a, type)]
        model = next((a for a in arguments if issubclass(a, BaseModel)), annotation)
    return "one of " + ", ".join(str(field.alias or name) for name, field in model.model_fields.items())
