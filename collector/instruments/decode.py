"""From bytes to numbers: lines of text, registers, JSON. Pure; nothing here raises on what a wire may bring."""

from __future__ import annotations

import json
import math
import re
import struct
from collections.abc import Collection, Sequence

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.units import UNITS, convert
from collector.instruments.profiles import (
    REGISTERS_OF,
    LineTable,
    RegisterSpec,
    RegisterType,
    SerialProfile,
    TopicSpec,
    ValueSpec,
)
from collector.instruments.reading import Fault, Sample

Decoded = Sample | Fault

UNIT_WORDS = {
    **{symbol: symbol for symbol in UNITS},
    **dict.fromkeys(("lbs", "LB", "LBS", "Lb"), "lb"),
    **dict.fromkeys(("KG", "Kg"), "kg"),
    **dict.fromkeys(("G",), "g"),
    **dict.fromkeys(("OZ",), "oz"),
    **dict.fromkeys(("MICRON", "microns", "MICRONS", "um", "mTorr", "mTORR"), "micron"),
    **dict.fromkeys(("TORR", "torr", "mmHg"), "Torr"),  # mmHg and Torr agree to 1.4e-7 (NIST SP 811)
    **dict.fromkeys(("MBAR", "hPa"), "mbar"),
    **dict.fromkeys(("PA",), "Pa"),
    **dict.fromkeys(("C", "°C", "DEGC", "deg C"), "degC"),
    **dict.fromkeys(("F", "°F", "DEGF", "deg F"), "degF"),
    **dict.fromkeys(("PSIG", "psi(g)"), "psig"),
    **dict.fromkeys(("PSIA", "psi(a)"), "psia"),
}
"""Words that instruments print for units. Bare ``psi`` is not among them: only the profile knows its datum."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
LONGEST_MESSAGE = 1 << 16
"""Bytes of a published message that are looked at; a sensor's are some hundred."""
_SHOWN = 60
_CODES: dict[RegisterType, str] = {"u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f", "f64": "d"}


def shown(text: str | bytes) -> str:
    """Return what was received in a form fit for one line of the journal."""
    plain = text if isinstance(text, str) else text.decode("latin-1")
    return repr(plain if len(plain) <= _SHOWN else plain[:_SHOWN] + "…")


def scaled(name: str, raw: float, spec: ValueSpec, unit: str | None = None) -> Decoded:
    """Return the sample for the number `raw` as it stood on the wire, or why it is none.

    `unit` is the unit that the instrument stated, if it did; it overrules the profile's.
    """
    if not math.isfinite(raw):
        return Fault("over_range", f"{name}: reports {raw}, which is no number")
    if any(math.isclose(raw, sentinel, rel_tol=1e-6) for sentinel in spec.sentinels):
        return Fault("over_range", f"{name}: reports {raw:g}, which means no reading")
    if spec.raw_limits is not None and not spec.raw_limits[0] <= raw <= spec.raw_limits[1]:
        low, high = spec.raw_limits
        return Fault("over_range", f"{name}: signal {raw:g} is outside {low:g} to {high:g}")
    if spec.raw_range is not None and spec.range is not None:
        (raw_low, raw_high), (low, high) = spec.raw_range, spec.range
        number = low + (raw - raw_low) * (high - low) / (raw_high - raw_low)
    else:
        number = raw * spec.scale + spec.offset
    if not math.isfinite(number):
        return Fault("over_range", f"{name}: {raw:g} is beyond what can be scaled")
    sample = Sample(name, number, spec.unit if unit is None else unit)
    if spec.limits is not None:
        low, high = spec.limits
        try:
            believable = low <= convert(number, sample.unit, spec.unit) <= high
        except InputError as error:
            return Fault("bad_frame", f"{name}: {error}")
        if not believable:
            stated = f"{number:g} {sample.unit}"
            return Fault("over_range", f"{name}: {stated} is outside {low:g} to {high:g} {spec.unit}")
    return sample


# --- lines of text -------------------------------------------------------------------------------------


class LineSplitter:
    """Cuts a stream of bytes into lines. Holds at most `max_length` bytes; a longer line is one fault."""

    def __init__(self, ending: bytes, max_length: int, *, drop_first: bool = False) -> None:
        self._ending = ending
        self._max_length = max_length
        self._rest = b""
        self._skipping = drop_first

    def feed(self, data: bytes) -> list[bytes | Fault]:
        """Return the lines that `data` completes, endings removed.

        With `drop_first` what comes before the first ending is left out: it may be the tail of a line.
        """
        *complete, rest = (self._rest + data).split(self._ending)
        found: list[bytes | Fault] = []
        for line in complete:
            if self._skipping:
                self._skipping = False
            elif len(line) > self._max_length:
                found.append(self._too_long())
            else:
                found.append(line)
        if len(rest) > self._max_length + len(self._ending):
            if not self._skipping:
                found.append(self._too_long())
            self._skipping = True
            rest = rest[-len(self._ending) :]
        self._rest = rest
        return found

    def _too_long(self) -> Fault:
        return Fault("bad_frame", f"no line ending within {self._max_length} bytes")


def decode_line(line: bytes, profile: SerialProfile, wanted: Collection[str]) -> list[Decoded]:
    """Return what one line says of the values `wanted`; an empty list when it is blank or not yet stable."""
    text = _text(line).strip().strip("\0")
    if not text:
        return []
    match = re.fullmatch(profile.line.pattern, text)
    if match is None:
        return [Fault("bad_frame", f"line {shown(text)} does not have the form expected")]
    groups = match.groupdict()
    stable = groups.get("stable")
    if profile.line.stable_words and stable is not None and stable not in profile.line.stable_words:
        return []
    return [
        _line_value(name, spec, groups, profile.group_of(name), profile.line)
        for name, spec in profile.values.items()
        if name in wanted
    ]


def _line_value(name: str, spec: ValueSpec, groups: dict[str, str | None], group: str, line: LineTable) -> Decoded:
    word = groups.get(f"{name}_over") or groups.get("over")
    number = groups.get(group)
    if number is None:
        if word:
            return Fault("over_range", f"{name}: reports {shown(word)}")
        return Fault("bad_frame", f"{name}: the line holds no number")
    if word:
        return Fault("over_range", f"{name}: reports {shown(word)} with {shown(number)}")
    plain = "".join(number.split())
    if line.decimal == ",":
        plain = plain.replace(",", ".")
    if _NUMBER.fullmatch(plain) is None:
        return Fault("bad_frame", f"{name}: {shown(number)} is not a number")
    stated = groups.get(f"{name}_unit") or groups.get("unit")
    unit = None
    if stated is not None:
        unit = line.unit_words.get(stated.strip()) or UNIT_WORDS.get(stated.strip())
        if unit is None:
            return Fault("bad_frame", f"{name}: unit word {shown(stated)} is not known")
    return scaled(name, float(plain), spec, unit)


def _text(data: bytes) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


# --- registers -----------------------------------------------------------------------------------------


def decode_registers(name: str, registers: Sequence[int], spec: RegisterSpec) -> Decoded:
    """Return the sample that a value's own registers hold, first register first."""
    if len(registers) != REGISTERS_OF[spec.type]:
        return Fault("bad_frame", f"{name}: {len(registers)} registers for a {spec.type}")
    return scaled(name, number_of(registers, spec), spec)


def number_of(registers: Sequence[int], spec: RegisterSpec) -> float:
    """Return the number in `registers`. Word order big: the high word comes first; byte order: within a register."""
    words = registers if spec.word_order == "big" else list(reversed(registers))
    data = b"".join(word.to_bytes(2, spec.byte_order) for word in words)
    return float(struct.unpack(f">{_CODES[spec.type]}", data)[0])


# --- published messages --------------------------------------------------------------------------------


def decode_message(name: str, payload: bytes, spec: TopicSpec) -> Decoded:
    """Return the sample in a published message: a plain number, or the one at the JSON pointer."""
    if len(payload) > LONGEST_MESSAGE:
        return Fault("bad_frame", f"{name}: a message of {len(payload):,} bytes; expected at most {LONGEST_MESSAGE:,}")
    text = _text(payload).strip()
    if spec.pointer is None:
        if _NUMBER.fullmatch(text) is None:
            return Fault("bad_frame", f"{name}: message {shown(text)} is not a number")
        return scaled(name, float(text), spec)
    try:
        found = _at_pointer(json.loads(text), spec.pointer)
    except (ValueError, RecursionError):
        return Fault("bad_frame", f"{name}: message {shown(text)} is not JSON")
    except LookupError:
        return Fault("bad_frame", f"{name}: message {shown(text)} holds nothing at {spec.pointer!r}")
    if isinstance(found, str) and _NUMBER.fullmatch(found.strip()):
        found = float(found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        return Fault("bad_frame", f"{name}: {shown(str(found))} at {spec.pointer!r} is not a number")
    try:
        return scaled(name, float(found), spec)
    except OverflowError:
        return Fault("over_range", f"{name}: the number at {spec.pointer!r} is too large")


def _at_pointer(document: object, pointer: str) -> object:
    """Return what stands at a JSON pointer (RFC 6901); LookupError when nothing does."""
    at = document
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        if isinstance(at, dict):
            at = at[key]
        elif isinstance(at, list) and re.fullmatch(r"0|[1-9]\d*", key):
            at = at[int(key)]
        else:
            raise LookupError(key)
    return at
