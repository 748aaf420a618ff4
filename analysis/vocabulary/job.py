"""`job.toml`: what the technician says about the job, checked key by key.

Quantities become SI floats here (kilogram, kelvin, second, …); a pressure keeps its datum (`Pressure`)
until a barometer is known. Every table and key is optional except `[job] name`.
"""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from analysis.vocabulary.channels import CHANNELS
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job_refusals import YEAR, entry_fault, first_fault
from analysis.vocabulary.job_values import (
    AnyPressure,
    Barometer,
    Duration,
    Elevation,
    Flow,
    FreezePoint,
    GivenName,
    Length,
    Mass,
    Name,
    PressureRate,
    Refrigerant,
    SomeMass,
    TestPressure,
    Tolerance,
    Vacuum,
    Volume,
    WaterCapacity,
    said,
)
from analysis.vocabulary.units import UnitSystem, column_unit, parse_quantity, unit_symbols

PressureClass = Literal["low", "medium", "high", "very_high"]
Use = Literal["comfort_cooling", "commercial_refrigeration", "industrial_process"]

HEAVIEST_LIQUID = 1.7
"""No refrigerant's liquid is so many times as heavy as water (R-113 at 0 degC: 1.62, computed with CoolProp)."""


def _year_made(value: object) -> object:
    if isinstance(value, int) and not 1900 <= value <= 2100:
        raise refused("", value, YEAR)
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

    elevation_m: Elevation | None = Field(None, alias="elevation")
    barometer: Barometer | None = None


class CircuitTable(_Table):
    """`[circuit]`: the machine."""

    refrigerant: Refrigerant | None = None
    charge_kg: SomeMass | None = Field(None, alias="charge")
    internal_volume_m3: Volume | None = Field(None, alias="internal_volume")
    water: Literal["water"] | None = None
    freeze_point_k: FreezePoint | None = Field(None, alias="freeze_point")
    pressure_class: PressureClass | None = None
    use: Use | None = None
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
    water_capacity_kg: WaterCapacity | None = Field(None, alias="water_capacity")
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
    equipment_made: Annotated[int | datetime.date | None, said(_year_made)] = None
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

    target_kg: SomeMass | None = Field(None, alias="target")
    tolerance: Tolerance = 0.01

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

    limits: Annotated[dict[str, tuple[float, float]], said(_limits, names_key=True)] = Field(default_factory=dict)

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
    `column` holds the date, or the columns of all that follows where `column` holds the year) and `start` (the moment
    from which `column` counts, or that of the first row where it tells a time of day without its date).
    """

    column: str
    unit: str | None = None
    format: str | None = None
    zone: str | None = None
    clock: str | tuple[str, ...] | None = None
    start: str | None = None

    @property
    def stamped(self) -> tuple[str, ...]:
        """The columns that make up the time, in the order of its format."""
        return (self.column, *((self.clock,) if isinstance(self.clock, str) else self.clock or ()))


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
                raise PydanticCustomError(
                    "entry", "{why}", {"why": f"{key}: {entry_fault(error, ColumnMapping)}"}
                ) from None
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
        raise InputError(f"{where}: {first_fault(error, Job)}") from None


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
        raise InputError(f"{file}: is not TOML ({error}); expected key = value, a text in quotes") from None
    for stage in tables.values():
        # a shop's own rule file is looked for beside the job, wherever the job is reviewed
        if isinstance(stage, dict) and str(stage.get("rules", "")).endswith(".toml"):
            stage["rules"] = str(file.parent / Path(stage["rules"]).expanduser())
    return parse_job(tables, str(file))
