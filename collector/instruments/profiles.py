"""Instrument profiles: how instruments of one kind talk. A profile is a TOML file, never code.

A profile says which `link` it speaks over and which `values` it reports. See `config/instruments/` for one
of every kind; a job may also name a file of its own (`profile = "my-gauge.toml"`, beside `job.toml`).
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.units import column_unit, parse_quantity

MAX_REGISTERS = 125
"""Registers in one request at most (MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4)."""

RegisterType = Literal["u16", "i16", "u32", "i32", "f32", "f64"]
REGISTERS_OF: dict[RegisterType, int] = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2, "f64": 4}
"""Registers that each type takes."""


def _seconds(value: object) -> float:
    try:
        seconds = parse_quantity(value, "time", "")
    except InputError:
        seconds = 0.0
    if seconds <= 0.0:
        raise PydanticCustomError("time", "expected a time above 0 such as '0.5 s' (units: s min h d)")
    return seconds


def _column_unit(symbol: str) -> str:
    try:
        return column_unit(symbol, "").symbol
    except InputError as error:
        raise PydanticCustomError("unit", "{expected}", {"expected": f"expected {error.accepted}"}) from None


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as error:
        raise PydanticCustomError("regex", "expected a regular expression ({why})", {"why": str(error)}) from None
    return text


Seconds = Annotated[float, BeforeValidator(_seconds)]
ColumnUnit = Annotated[str, AfterValidator(_column_unit)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]
Topic = Annotated[str, Field(pattern=r"^[^+#]+$")]
"""A topic of one publisher: no wildcards."""
TwoNumbers = tuple[float, float]


class Table(BaseModel):
    """A table whose unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class ValueSpec(Table):
    """One value that an instrument reports.

    The number on the wire becomes ``number * scale + offset`` in `unit`, or, with `raw_range`, the line through
    (`raw_range`[0], `range`[0]) and (`raw_range`[1], `range`[1]); the job states the `range` of its transmitter.
    Numbers on the wire that equal one of `sentinels`, or lie outside `raw_limits`, and values outside `limits`
    (in `unit`) are no readings.
    """

    unit: ColumnUnit
    channel: Name | None = None
    scale: float = 1.0
    offset: float = 0.0
    raw_range: TwoNumbers | None = None
    range: TwoNumbers | None = None
    sentinels: tuple[float, ...] = ()
    raw_limits: TwoNumbers | None = None
    limits: TwoNumbers | None = None

    @model_validator(mode="after")
    def _ranges(self) -> ValueSpec:
        if self.raw_range is not None and self.raw_range[0] == self.raw_range[1]:
            raise PydanticCustomError("range", "raw_range: expected two different numbers")
        for limits in (self.limits, self.raw_limits):
            if limits is not None and limits[0] >= limits[1]:
                raise PydanticCustomError("range", "limits: expected [low, high] with low under high")
        return self


class RegisterSpec(ValueSpec):
    """A value in Modbus registers; `address` counts from 0 as on the wire (40001 in a manual is address 0)."""

    address: int = Field(ge=0, le=65_535)
    type: RegisterType = "u16"
    function: Literal[3, 4] | None = None
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"

    @model_validator(mode="after")
    def _fits(self) -> RegisterSpec:
        if self.address + REGISTERS_OF[self.type] > 65_536:
            raise PydanticCustomError("address", "address: expected room for the whole value below 65536")
        return self


class TopicSpec(ValueSpec):
    """A published value: a plain number, or what stands at a JSON `pointer` (RFC 6901).

    In `topic`, ``{topic}`` stands for that of the job.
    """

    topic: Topic = "{topic}"
    pointer: Annotated[str, Field(pattern=r"^(/.*)?$")] | None = None


class SerialTable(Table):
    """`[serial]`: the port's settings."""

    baudrate: int = Field(9600, ge=50, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "none"
    bytesize: Literal[7, 8] = 8
    stopbits: Literal[1, 2] = 1

    @property
    def character_bits(self) -> int:
        """Bits on the wire for one character, start bit included."""
        return 1 + self.bytesize + (self.parity != "none") + self.stopbits


class LineTable(Table):
    """`[line]`: a text protocol of one line for each reading.

    `pattern` must match the whole line, blanks at both ends aside. With one value its number is the group
    ``value``; with several, each number is the group named as the value. Optional groups: ``unit`` (a word that
    overrules the profile's unit), ``over`` (a word that means over-range), ``stable``; of several values
    ``NAME_unit`` and ``NAME_over``. `query` is what is sent to ask (``{unit}`` is the address); without it the
    instrument talks by itself. A line whose ``stable`` group is not among `stable_words` is left out; without
    `stable_words`, or without the group in the line, every line counts.
    """

    pattern: Annotated[str, AfterValidator(_pattern)]
    query: str | None = None
    ending: str = Field("\r\n", min_length=1)
    max_length: int = Field(200, ge=4, le=4096)
    decimal: Literal[".", ","] = "."
    unit_words: dict[str, ColumnUnit] = Field(default_factory=dict)
    stable_words: tuple[str, ...] = ()


class ModbusTable(Table):
    """`[modbus]`: how registers are read.

    `function` is 3 (holding registers) or 4 (input registers). Values at most `max_gap` registers apart share a
    request; leave it at 0 where a device refuses registers that it does not have.
    """

    function: Literal[3, 4] = 3
    max_gap: int = Field(0, ge=0, le=16)


class _Profile(Table):
    about: str = ""

    @model_validator(mode="after")
    def _has_values(self) -> _Profile:
        if not getattr(self, "values", None):
            raise PydanticCustomError("values", "values: expected at least one table [values.NAME]")
        return self


class SerialProfile(_Profile):
    """An instrument that sends lines of text over a serial port or a socket."""

    link: Literal["serial"]
    serial: SerialTable = SerialTable()
    line: LineTable
    timeout: Seconds | None = None
    values: dict[Name, ValueSpec]

    @property
    def timeout_s(self) -> float:
        """Silence that means a miss [s]: 1 s for an instrument that is asked, 5 s for one that talks by itself."""
        default = 5.0 if self.line.query is None else 1.0
        return default if self.timeout is None else self.timeout

    @model_validator(mode="after")
    def _groups(self) -> SerialProfile:
        groups = re.compile(self.line.pattern).groupindex
        for name in self.values:
            if self.group_of(name) not in groups:
                raise PydanticCustomError(
                    "regex",
                    "line.pattern: {pattern} has no group {group}; expected (?P<{group}>…) for the number",
                    {"pattern": repr(self.line.pattern), "group": self.group_of(name)},
                )
        return self

    def group_of(self, value: str) -> str:
        """Return the group of the pattern that holds a value's number."""
        return "value" if len(self.values) == 1 else value


class ModbusProfile(_Profile):
    """An instrument with Modbus registers, over RTU or TCP: the port decides."""

    link: Literal["modbus"]
    serial: SerialTable = SerialTable(baudrate=19_200, parity="even")  # the default of the serial line guide V1.02
    modbus: ModbusTable = ModbusTable()
    timeout: Seconds | None = None
    values: dict[Name, RegisterSpec]

    @property
    def timeout_s(self) -> float:
        """Time in which a device must answer [s]; 0.5 s by default, far above what devices take."""
        return 0.5 if self.timeout is None else self.timeout

    def function_of(self, value: str) -> int:
        """Return the function code that reads a value."""
        own = self.values[value].function
        return self.modbus.function if own is None else own


class MqttProfile(_Profile):
    """An instrument that publishes to a broker; silent for `timeout` is lost."""

    link: Literal["mqtt"]
    timeout: Seconds | None = None
    values: dict[Name, TopicSpec]

    @property
    def timeout_s(self) -> float:
        """Silence that means a loss [s]; 30 s by default, for publishers are slow."""
        return 30.0 if self.timeout is None else self.timeout


Profile = SerialProfile | ModbusProfile | MqttProfile
PROFILES: dict[str, type[Profile]] = {"serial": SerialProfile, "modbus": ModbusProfile, "mqtt": MqttProfile}
"""Profile by the word that stands under `link`."""
