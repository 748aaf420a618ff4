"""From bytes to numbers: known examples, round trips, and rubbish that never raises."""

from __future__ import annotations

import json
import math
import struct
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from analysis.vocabulary.shipped import shipped
from collector.instruments.channels import LoggedChannel
from collector.instruments.decode import (
    LineSplitter,
    decode_line,
    decode_message,
    decode_registers,
    number_of,
)
from collector.instruments.profiles import RegisterSpec, SerialProfile, TopicSpec
from collector.instruments.reading import Fault, Sample
from collector.instruments.settings import load_profile

ASCII_PROFILES = [
    profile
    for file in sorted((shipped("config") / "instruments").glob("*.toml"))
    if isinstance(profile := load_profile(file.stem, Path()), SerialProfile)
]
ORDERS = st.sampled_from(["big", "little"])


def spec(**keys: Any) -> RegisterSpec:
    return RegisterSpec.model_validate({"address": 0, "unit": "V", **keys})


def ascii_profile(name: str) -> SerialProfile:
    profile = load_profile(name, Path())
    assert isinstance(profile, SerialProfile)
    return profile


def read(name: str, line: bytes) -> list[Sample | Fault]:
    profile = ascii_profile(name)
    return decode_line(line, profile, set(profile.values))


# --- registers -----------------------------------------------------------------------------------------


@given(st.data(), ORDERS, ORDERS)
def test_registers_round_trip(data: st.DataObject, word_order: str, byte_order: str) -> None:
    kinds = {
        "u16": st.integers(0, 2**16 - 1),
        "i16": st.integers(-(2**15), 2**15 - 1),
        "u32": st.integers(0, 2**32 - 1),
        "i32": st.integers(-(2**31), 2**31 - 1),
        "f32": st.floats(width=32, allow_nan=False, allow_infinity=False),
        "f64": st.floats(allow_nan=False, allow_infinity=False),
    }
    kind = data.draw(st.sampled_from(sorted(kinds)))
    number = data.draw(kinds[kind])
    how = spec(type=kind, word_order=word_order, byte_order=byte_order)
    code = {"u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f", "f64": "d"}[kind]
    packed = struct.pack(f">{code}", number)
    words = [int.from_bytes(packed[at : at + 2], byte_order) for at in range(0, len(packed), 2)]
    assert number_of(words if word_order == "big" else words[::-1], how) == number


@pytest.mark.parametrize(
    ("kind", "theirs"),
    [
        ("u16", ModbusClientMixin.DATATYPE.UINT16),
        ("i16", ModbusClientMixin.DATATYPE.INT16),
        ("u32", ModbusClientMixin.DATATYPE.UINT32),
        ("i32", ModbusClientMixin.DATATYPE.INT32),
        ("f32", ModbusClientMixin.DATATYPE.FLOAT32),
        ("f64", ModbusClientMixin.DATATYPE.FLOAT64),
    ],
)
@pytest.mark.parametrize("word_order", ["big", "little"])
def test_registers_as_the_reference_library_reads_them(kind: str, theirs: Any, word_order: Any) -> None:
    """The library orders words, not bytes; its converter is the other witness."""
    how = spec(type=kind, word_order=word_order)
    for number in (0, 1, 123, 32_000):
        registers = ModbusClientMixin.convert_to_registers(number, theirs, word_order=word_order)
        assert number_of(registers, how) == number


def test_the_four_orders_of_a_float() -> None:
    """123.456 is 42 F6 E9 79 (IEEE 754 binary32); the orders are ABCD, CDAB, BADC, DCBA of common practice."""
    for words, orders in {
        (0x42F6, 0xE979): ("big", "big"),
        (0xE979, 0x42F6): ("little", "big"),
        (0xF642, 0x79E9): ("big", "little"),
        (0x79E9, 0xF642): ("little", "little"),
    }.items():
        how = spec(type="f32", word_order=orders[0], byte_order=orders[1])
        assert number_of(words, how) == pytest.approx(123.456, abs=5e-6)


@given(st.lists(st.integers(0, 0xFFFF), max_size=6), st.sampled_from(["u16", "i16", "u32", "i32", "f32", "f64"]))
def test_any_registers_give_a_finite_sample_or_a_fault(registers: list[int], kind: str) -> None:
    got = decode_registers("x", registers, spec(type=kind))
    assert isinstance(got, Fault) or math.isfinite(got.number)


def test_sentinels_not_a_number_and_limits() -> None:
    assert decode_registers("t", [0x7FFF], spec(type="i16", sentinels=[32767])) == Fault(
        "over_range", "t: reports 32767, which means no reading"
    )
    nan = list(struct.unpack(">2H", struct.pack(">f", math.nan)))
    got = decode_registers("t", nan, spec(type="f32"))
    assert isinstance(got, Fault)
    assert got.kind == "over_range"
    far = spec(type="i16", scale=0.1, limits=[-40, 150])
    assert isinstance(decode_registers("t", [1600], far), Fault)
    assert decode_registers("t", [1499], far) == Sample("t", pytest.approx(149.9), "V")


def test_two_point_scaling_of_a_current_loop() -> None:
    loop = spec(raw_range=[4000, 20000], range=[0, 500])
    for raw, number in ((4000, 0.0), (8000, 125.0), (20000, 500.0)):
        assert decode_registers("p", [raw], loop) == Sample("p", pytest.approx(number), "V")


# --- lines ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "line", "expected"),
    [
        ("ascii-gauge", b"  123.4 psig", Sample("pressure", 123.4, "psig")),
        ("ascii-gauge", b"-14.7", Sample("pressure", -14.7, "psig")),
        ("ascii-gauge", b" 8.50 bar\r", Sample("pressure", 8.5, "barg")),
        ("ascii-scale", b"ST,GS,+  52.35 lb", Sample("weight", 52.35, "lb")),
        ("ascii-scale", b"US,NT,-   0.10 kg", Sample("weight", -0.10, "kg")),
        ("ascii-scale", b"52.35", Sample("weight", 52.35, "lb")),
        ("ascii-scale", b"ST,GS,+  840 oz", Sample("weight", 840.0, "oz")),
        ("micron-probe-ascii", b"00512 micron", Sample("vacuum", 512.0, "micron")),
        ("micron-probe-ascii", b"0.68 Torr", Sample("vacuum", 0.68, "Torr")),
    ],
)
def test_a_line_of_text_is_read_by_its_profile(profile: str, line: bytes, expected: Sample) -> None:
    assert read(profile, line) == [expected]


@pytest.mark.parametrize(
    ("profile", "line", "kind"),
    [
        ("ascii-gauge", b"OL", "over_range"),
        ("ascii-gauge", b"----", "over_range"),
        ("ascii-gauge", b"12.3.4 psig", "bad_frame"),
        ("ascii-gauge", b"123.4 psig 123.5 psig", "bad_frame"),  # two lines whose ending was lost
        ("ascii-gauge", b"nan", "bad_frame"),
        ("ascii-gauge", b"1_000 psig", "bad_frame"),
        ("ascii-gauge", b"12\xff.4 psig", "bad_frame"),
        ("ascii-gauge", b"10 furlong", "bad_frame"),
        ("ascii-scale", b"OL", "over_range"),
        ("micron-probe-ascii", b"ATM", "over_range"),
        ("micron-probe-ascii", b"900000 micron", "over_range"),
        ("micron-probe-ascii", b"1200 mbar", "over_range"),
        ("micron-probe-ascii", b"12 kg", "bad_frame"),
    ],
)
def test_lines_without_a_reading(profile: str, line: bytes, kind: str) -> None:
    (got,) = read(profile, line)
    assert isinstance(got, Fault)
    assert got.kind == kind


def test_blank_lines_say_nothing() -> None:
    assert read("ascii-gauge", b"") == read("ascii-gauge", b" \r\0") == []


def test_decimal_comma_and_steadiness() -> None:
    profile = SerialProfile.model_validate(
        {
            "link": "serial",
            "line": {
                "pattern": r"(?:(?P<stable>[SD]) )?(?P<value>[-+\d,]+)",
                "decimal": ",",
                "stable_words": ["S"],
            },
            "values": {"weight": {"unit": "kg"}},
        }
    )
    assert decode_line(b"S 12,5", profile, {"weight"}) == [Sample("weight", 12.5, "kg")]
    assert decode_line(b"D 12,5", profile, {"weight"}) == []
    assert decode_line(b"12,5", profile, {"weight"}) == [Sample("weight", 12.5, "kg")]  # it does not say: kept


@given(st.binary(max_size=300), st.sampled_from(ASCII_PROFILES))
def test_no_line_raises(line: bytes, profile: SerialProfile) -> None:
    for got in decode_line(line, profile, set(profile.values)):
        assert isinstance(got, Fault) or math.isfinite(got.number)


@given(st.text(alphabet="0123456789+-.,eE STUGNOLPkglbpsi°CFT:12\t\r", max_size=40), st.sampled_from(ASCII_PROFILES))
def test_no_nearly_right_line_raises(line: str, profile: SerialProfile) -> None:
    for got in decode_line(line.encode(), profile, set(profile.values)):
        assert isinstance(got, Fault) or math.isfinite(got.number)


@given(st.lists(st.binary(max_size=20).filter(lambda line: b"\r\n" not in line + b"\r" or line == b"")), st.data())
def test_lines_are_cut_the_same_however_they_arrive(lines: list[bytes], data: st.DataObject) -> None:
    lines = [line.replace(b"\n", b"") for line in lines]
    stream = b"".join(line + b"\r\n" for line in lines)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)))))
    splitter = LineSplitter(b"\r\n", 50)
    got: list[bytes | Fault] = []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        got += splitter.feed(stream[start:end])
    assert got == stream.split(b"\r\n")[:-1]


@given(st.lists(st.binary(max_size=400), max_size=30))
def test_the_splitter_holds_no_more_than_it_may(chunks: list[bytes]) -> None:
    splitter = LineSplitter(b"\r\n", 30, drop_first=True)
    for chunk in chunks:
        for line in splitter.feed(chunk):
            assert isinstance(line, Fault) or len(line) <= 30
        assert len(splitter._rest) <= 32


def test_an_endless_line_is_one_fault() -> None:
    splitter = LineSplitter(b"\n", 20)
    got = [item for _ in range(50) for item in splitter.feed(b"z" * 15)] + splitter.feed(b"\n12.5\n")
    assert [type(item) for item in got] == [Fault, bytes]
    assert got[-1] == b"12.5"


# --- messages ------------------------------------------------------------------------------------------


def topic(pointer: str | None) -> TopicSpec:
    return TopicSpec.model_validate({"unit": "degF", "pointer": pointer})


def test_json_pointers_of_the_standard() -> None:
    """The example document of RFC 6901, section 5, with numbers at the places that it names."""
    document = json.dumps(
        {"foo": [5, 6], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}
    ).encode()
    pointers = {
        "/foo/0": 5,
        "/": 0,
        "/a~1b": 1,
        "/c%d": 2,
        "/e^f": 3,
        "/g|h": 4,
        "/i\\j": 5,
        '/k"l': 6,
        "/ ": 7,
        "/m~0n": 8,
    }
    for pointer, number in pointers.items():
        assert decode_message("t", document, topic(pointer)) == Sample("t", float(number), "degF")


@pytest.mark.parametrize(
    "payload", [b"", b"{", b"[1]", b'{"t": null}', b'{"t": true}', b'{"t": "warm"}', b"\xff", b'{"t": 1e999}', b"null"]
)
def test_messages_without_a_reading(payload: bytes) -> None:
    assert isinstance(decode_message("t", payload, topic("/t")), Fault)


@given(st.binary(max_size=200), st.sampled_from([None, "", "/t", "/0", "/t/1/x"]))
def test_no_message_raises(payload: bytes, pointer: str | None) -> None:
    got = decode_message("t", payload, topic(pointer))
    assert isinstance(got, Fault) or math.isfinite(got.number)


def test_deep_json_and_huge_numbers_do_not_raise() -> None:
    assert isinstance(decode_message("t", b"[" * 200_000, topic("/t")), Fault)
    assert isinstance(decode_message("t", b'{"t": ' + b"9" * 5000 + b"}", topic("/t")), Fault)
    assert isinstance(decode_message("t", b'{"t": ' + b"9" * 400 + b"}", topic("/t")), Fault)


def test_a_message_of_any_length_is_decided_at_once() -> None:
    begin = time.process_time()
    for text in (b"9" * 65_000 + b"x", b"9" * (8 << 20), b"[" * (8 << 20), b"9." + b"9" * 65_000 + b"e"):
        for pointer in (None, "/t"):
            assert isinstance(decode_message("t", text, topic(pointer)), Fault)
    assert time.process_time() - begin < 2.0


# --- corrections ---------------------------------------------------------------------------------------


@given(st.floats(-1e3, 1e3), st.floats(0.5, 1e3), st.floats(-5, 5), st.floats(0.9, 1.1), st.floats(-10, 10))
def test_a_calibration_undoes_a_straight_error(
    low: float, span: float, zero_error: float, gain: float, offset: float
) -> None:
    def shown(true: float) -> float:
        return true * gain + zero_error

    points = ((low, shown(low)), (low + span, shown(low + span)))
    channel = LoggedChannel("w", "cylinder_weight", "lb", points, offset)
    true = low + 0.3 * span
    assert channel.corrected(shown(true)) == pytest.approx(true + offset, abs=1e-6)


def test_a_unit_that_cannot_be_turned_into_the_column_is_a_fault() -> None:
    channel = LoggedChannel("p", "circuit_pressure", "psig")
    got = channel.reading(Sample("p", 100.0, "kPa"))
    assert isinstance(got, Fault)
    assert "kPa" in got.text
