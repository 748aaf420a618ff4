"""`[[instrument]]` tables of a job: which instruments there are, where they are plugged in, what they log.

By example, in `job.toml`::

    [[instrument]]
    name = "scale"                  # stands in the journal
    profile = "ascii-scale"         # config/instruments/ascii-scale.toml, or a file beside job.toml: "my-scale.toml"
    port = "/dev/ttyUSB0"           # or "COM3", "socket://192.0.2.7:4001", "usb:0403:6001", "usb:SERIALNUMBER"
    interval = "1 s"                # how often it is asked
    channels = { weight = { channel = "cylinder_weight", unit = "lb", offset = "0.2 lb",
                 calibration = [["0 lb", "0.1 lb"], ["100 lb", "99.5 lb"]] } }   # [true, shown] twice

    [[instrument]]
    name = "probes"
    profile = "thermometer-4ch-modbus"
    port = "tcp://192.0.2.8:502"    # Modbus TCP; a serial port or socket:// is Modbus RTU
    unit = 3                        # device address
    channels = { t1 = "ambient_temperature", t2 = "surface_temperature" }      # short for { channel = … }

    [[instrument]]
    name = "oil"
    profile = "current-loop-4ch-modbus"
    port = "tcp://192.0.2.8:502"    # same port: both are asked in turn
    unit = 4
    channels = { loop1 = { channel = "oil_pressure_before_filter", range = ["0 psig", "150 psig"] } }

    [[instrument]]
    name = "van"
    profile = "mqtt-json-sensor"
    port = "mqtt://192.0.2.9:1883"
    topic = "van/probe1"
    username_env = "BROKER_USER"    # names of environment variables, never the secrets themselves
    password_env = "BROKER_PASSWORD"

Without `channels`, every value of the profile is logged under its own name for it. `serial` overrides the
port settings of the profile (`serial = { baudrate = 19200 }`), `timeout` its timeout.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, Field, ValidationError, field_validator
from pydantic_core import PydanticCustomError

from analysis.vocabulary.channels import column_header, make_column
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job_refusals import first_fault
from analysis.vocabulary.shipped import shipped
from analysis.vocabulary.units import convert
from collector.instruments.channels import LoggedChannel, difference_in, number_in
from collector.instruments.ports import check_form
from collector.instruments.profiles import (
    PROFILES,
    ColumnUnit,
    ModbusProfile,
    MqttProfile,
    Name,
    Profile,
    Seconds,
    SerialProfile,
    Table,
    Topic,
)

Pair = tuple[str, str]


class ChannelTable(Table):
    """One entry of `channels`."""

    channel: Name
    unit: ColumnUnit | None = None
    offset: str | None = None
    calibration: tuple[Pair, Pair] | None = None
    range: Pair | None = None


class InstrumentTable(Table):
    """One `[[instrument]]` table as written."""

    name: str = Field(min_length=1, max_length=60)
    profile: str = Field(min_length=1)
    port: str = Field(min_length=1)
    unit: int | None = Field(None, ge=0, le=255)
    interval: Seconds = 1.0
    timeout: Seconds | None = None
    channels: dict[Name, ChannelTable] | None = None
    serial: dict[str, Any] = Field(default_factory=dict)
    topic: Topic | None = None
    username_env: str | None = None
    password_env: str | None = None

    @field_validator("channels", mode="before")
    @classmethod
    def _short_form(cls, channels: object) -> object:
        if not isinstance(channels, dict) or not all(isinstance(to, str | dict) for to in channels.values()):
            raise PydanticCustomError("channels", "expected a table of value = 'channel' or value = { channel = … }")
        return {name: {"channel": to} if isinstance(to, str) else to for name, to in channels.items()}


@dataclass(frozen=True)
class InstrumentSettings:
    """One instrument, checked: its profile with the job's overrides, and the channels it logs."""

    name: str
    port: str
    profile: Profile
    channels: tuple[LoggedChannel, ...]
    unit: int = 1
    interval_s: float = 1.0
    topic: str = ""
    username_env: str | None = None
    password_env: str | None = None


def load_instruments(tables: list[dict[str, Any]], job_folder: Path) -> list[InstrumentSettings]:
    """Return the instruments that the `[[instrument]]` tables of a job describe.

    Raises
    ------
    InputError
        One line: an unknown key, profile or value, a wrong unit, a port of the wrong form, a name, channel or
        port used twice in a way that cannot work.
    """
    instruments = [_load(table, number, job_folder) for number, table in enumerate(tables)]
    _refuse_twice("[[instrument]] name", (instrument.name for instrument in instruments))
    _refuse_twice("channel", (c.channel for instrument in instruments for c in instrument.channels))
    _check_shared_ports(instruments)
    return instruments


def channels_of(instruments: Iterable[InstrumentSettings]) -> list[tuple[str, str]]:
    """Return (channel, unit) for every column that the instruments fill, in order."""
    return [(c.channel, c.unit) for instrument in instruments for c in instrument.channels]


def corrections_of(instruments: Iterable[InstrumentSettings]) -> list[tuple[str, str]]:
    """Return (instrument, text) for every channel that is corrected, for the journal."""
    return [
        (instrument.name, f"{c.channel}: {c.correction}")
        for instrument in instruments
        for c in instrument.channels
        if c.correction
    ]


def load_profile(name: str, job_folder: Path, where: str = "profile", **override: Any) -> Profile:
    """Return a profile by its name in `config/instruments/`, or by a path in the job folder that ends in ``.toml``.

    `override` holds tables or keys that replace those of the file.

    Raises
    ------
    InputError
        No such profile, or something in it refused; one line with the file, the key and what is accepted.
    """
    folder = shipped("config") / "instruments"
    file = job_folder / name if name.endswith(".toml") else folder / f"{name}.toml"
    known = sorted(found.stem for found in folder.glob("*.toml"))
    try:
        if name not in known and not (name.endswith(".toml") and file.is_file()):
            raise refused(where, name, f"one of {', '.join(known)}, or a .toml file in the job folder")
        tables = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: is not TOML ({error})") from None
    link = tables.get("link")
    if not isinstance(link, str) or link not in PROFILES:
        raise refused(f"{file.name}: link", link, "one of " + ", ".join(PROFILES))
    for key, value in override.items():
        old = tables.get(key)
        tables[key] = {**old, **value} if isinstance(old, dict) else value
    return _checked(PROFILES[link], tables, file.name)


def _load(table: dict[str, Any], number: int, job_folder: Path) -> InstrumentSettings:
    said = table.get("name")
    where = f"[[instrument]] {said!r}" if isinstance(said, str) else f"[[instrument]] number {number + 1}"
    read = _checked(InstrumentTable, table, where)
    override: dict[str, Any] = {}
    if read.serial:
        override["serial"] = read.serial
    if read.timeout is not None:
        override["timeout"] = f"{read.timeout!r} s"
    profile = load_profile(read.profile, job_folder, f"{where} profile", **override)
    _check_keys(read, profile, where)
    check_form(read.port, profile.link, f"{where} port")
    profile, channels = _map_channels(read, profile, where)
    return InstrumentSettings(
        name=read.name,
        port=read.port,
        profile=profile,
        channels=channels,
        unit=1 if read.unit is None else read.unit,
        interval_s=read.interval,
        topic=read.topic or "",
        username_env=read.username_env,
        password_env=read.password_env,
    )


def _check_keys(table: InstrumentTable, profile: Profile, where: str) -> None:
    """Refuse keys that the profile's link has no use for, and ask for those that it needs."""
    if not isinstance(profile, MqttProfile):
        for key in ("topic", "username_env", "password_env"):
            if getattr(table, key) is not None:
                raise InputError(f"{where} {key}: only an instrument read over mqtt has one")
    elif table.topic is None and any("{topic}" in spec.topic for spec in profile.values.values()):
        raise InputError(f"{where} topic: missing; the profile {table.profile!r} needs the topic to listen to")
    serial_bus = isinstance(profile, ModbusProfile) and not table.port.startswith("tcp://")
    if serial_bus and table.unit is not None and not 1 <= table.unit <= 247:
        raise refused(f"{where} unit", table.unit, "a device address from 1 to 247")


def _map_channels(table: InstrumentTable, profile: Profile, where: str) -> tuple[Profile, tuple[LoggedChannel, ...]]:
    entries = table.channels
    if entries is None:
        entries = {name: ChannelTable(channel=spec.channel or name) for name, spec in profile.values.items()}
    mapped = []
    values: dict[str, Any] = {}
    for name, entry in entries.items():
        at = f"{where} channels.{name}"
        spec = profile.values.get(name)
        if spec is None:
            raise refused(f"{where} channels", name, f"a value of the profile: {', '.join(profile.values)}")
        unit = entry.unit or spec.unit
        try:
            make_column(entry.channel, unit, column_header(entry.channel, unit))
        except InputError as error:
            raise InputError(f"{at}: {error}") from None
        try:
            convert(1.0, spec.unit, unit)
        except InputError:
            raise refused(f"{at} unit", unit, f"a unit that {spec.unit} can be turned into") from None
        if entry.range is not None:
            if spec.raw_range is None:
                raise InputError(f"{at} range: the profile {table.profile!r} gives {name} no raw_range to scale")
            low, high = (number_in(part, spec.unit, f"{at} range") for part in entry.range)
            spec = spec.model_copy(update={"range": (low, high)})
        if spec.raw_range is not None and spec.range is None:
            raise InputError(
                f"{at} range: missing; expected what the signal's ends mean, such as ['0 psig', '500 psig']"
            )
        values[name] = spec
        mapped.append(_logged(name, entry, unit, at))
    return profile.model_copy(update={"values": {**profile.values, **values}}), tuple(mapped)


def _logged(value: str, entry: ChannelTable, unit: str, at: str) -> LoggedChannel:
    calibration = None
    if entry.calibration is not None:
        where = f"{at} calibration"
        first, second = (
            (number_in(true, unit, where), number_in(shown, unit, where)) for true, shown in entry.calibration
        )
        if first[0] == second[0] or first[1] == second[1]:
            raise refused(where, [list(pair) for pair in entry.calibration], "two different points [true, shown]")
        calibration = (first, second)
    offset = 0.0 if entry.offset is None else difference_in(entry.offset, unit, f"{at} offset")
    return LoggedChannel(value, entry.channel, unit, calibration, offset)


def _refuse_twice(what: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise InputError(f"{what}: {name!r} stands twice; expected each once")
        seen.add(name)


def _check_shared_ports(instruments: list[InstrumentSettings]) -> None:
    """Instruments on one port must speak the same way, and one that talks by itself has its port alone."""
    by_port: dict[str, InstrumentSettings] = {}
    for instrument in instruments:
        first = by_port.setdefault(instrument.port, instrument)
        if first is instrument:
            continue
        where = f"[[instrument]] {instrument.name!r} port: {instrument.port!r} is also that of {first.name!r}"
        if first.profile.link != instrument.profile.link:
            raise InputError(f"{where}, which is read over {first.profile.link}; expected a port of its own")
        if _talks_by_itself(first.profile) or _talks_by_itself(instrument.profile):
            raise InputError(f"{where}, and an instrument that talks by itself needs its port alone")
        if (
            not isinstance(first.profile, MqttProfile)
            and not isinstance(instrument.profile, MqttProfile)
            and first.profile.serial != instrument.profile.serial
            and not instrument.port.startswith("tcp://")
        ):
            raise InputError(f"{where} with other serial settings; expected the same baudrate, parity and bits")


def _talks_by_itself(profile: Profile) -> bool:
    return isinstance(profile, SerialProfile) and profile.line.query is None


_Model = TypeVar("_Model", bound=BaseModel)


def _checked(model: type[_Model], tables: dict[str, Any], where: str) -> _Model:
    try:
        return model.model_validate(tables)
    except ValidationError as error:
        raise InputError(f"{where} {first_fault(error, model)}") from None
