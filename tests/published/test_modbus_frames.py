"""Modbus frames as published, against our framing and the reference library's.

Sources: MODBUS Application Protocol Specification V1.1b3, 6.3 (example of function 3), MODBUS over Serial
Line Specification and Implementation Guide V1.02, appendix B (CRC of 02 07), MODBUS Messaging on TCP/IP
Implementation Guide V1.0b, 3.1.3 (MBAP header). The CRCs of the 17- and 01-addressed requests are widely
printed worked examples; the library agrees.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadHoldingRegistersResponse

from collector.instruments.frames import crc16, rtu_answer, tcp_answer, why_no_rtu_answer, why_no_tcp_answer, with_crc

REQUEST = bytes.fromhex("11 03 00 6B 00 03 76 87")
ANSWER = bytes.fromhex("11 03 06 02 2B 00 00 00 64")


def test_crc_of_the_serial_line_guide() -> None:
    assert crc16(bytes.fromhex("02 07")) == 0x1241
    assert with_crc(bytes.fromhex("02 07")) == bytes.fromhex("02 07 41 12")


@pytest.mark.parametrize("frame", ["11 03 00 6B 00 03 76 87", "01 03 00 6B 00 03 74 17"])
def test_request_for_three_holding_registers(frame: str) -> None:
    published = bytes.fromhex(frame)
    assert with_crc(published[:-2]) == published
    asked = ReadHoldingRegistersRequest(address=0x6B, count=3, dev_id=published[0])
    assert FramerRTU(DecodePDU(False)).buildFrame(asked) == published


def test_answer_with_three_registers() -> None:
    """The registers of the example hold 555, 0 and 100."""
    frame = rtu_answer(REQUEST, with_crc(ANSWER))
    assert frame == with_crc(ANSWER)
    used, pdu = FramerRTU(DecodePDU(False)).handleFrame(frame, 0x11, 0)
    assert used == len(frame)
    assert isinstance(pdu, ReadHoldingRegistersResponse)
    assert list(pdu.registers) == [555, 0, 100]


def test_answer_over_tcp() -> None:
    request = bytes.fromhex("15 01 00 00 00 06 11 03 00 6B 00 03")
    answer = bytes.fromhex("15 01 00 00 00 09") + ANSWER
    assert tcp_answer(request, answer) == answer
    _, pdu = FramerSocket(DecodePDU(False)).handleFrame(answer, 0x11, 0x1501)
    assert isinstance(pdu, ReadHoldingRegistersResponse)
    assert list(pdu.registers) == [555, 0, 100]
    late = bytes.fromhex("15 00") + answer[2:]
    assert tcp_answer(request, late) is None
    assert tcp_answer(request, late + answer) == answer
    assert why_no_tcp_answer(request, late) == "an answer to another request came"


def test_exception_answer() -> None:
    """An exception has the function with its highest bit set and a code (application protocol, section 7)."""
    refusal = with_crc(bytes.fromhex("11 83 02"))
    assert rtu_answer(REQUEST, refusal) == refusal


@given(st.binary(max_size=64))
def test_crc_agrees_with_the_library(data: bytes) -> None:
    theirs = FramerRTU.compute_CRC(data)  # the library holds it in wire order
    assert crc16(data).to_bytes(2, "little") == theirs.to_bytes(2, "big")


@given(st.integers(0, 8 * 11 - 1))
def test_no_single_flipped_bit_is_taken(bit: int) -> None:
    """A CRC of 16 bits finds every single-bit error."""
    frame = bytearray(with_crc(ANSWER))
    frame[bit // 8] ^= 1 << bit % 8
    assert rtu_answer(REQUEST, bytes(frame)) is None
    assert why_no_rtu_answer(REQUEST, bytes(frame))


@given(st.binary(max_size=20), st.binary(max_size=20))
def test_an_answer_is_found_among_rubbish(before: bytes, after: bytes) -> None:
    assert rtu_answer(REQUEST, before + with_crc(ANSWER) + after) is not None


@given(st.binary(max_size=40))
def test_rubbish_raises_nothing(heard: bytes) -> None:
    tcp_request = bytes.fromhex("15 01 00 00 00 06 11 03 00 6B 00 03")
    assert rtu_answer(REQUEST, heard) is None
    assert tcp_answer(tcp_request, heard) is None
    if heard:
        assert why_no_rtu_answer(REQUEST, heard)
        assert why_no_tcp_answer(tcp_request, heard)


def test_what_is_wrong_is_said() -> None:
    good = with_crc(ANSWER)
    assert why_no_rtu_answer(REQUEST, with_crc(b"\x05" + ANSWER[1:])) == "device 5 answered instead of 17"
    assert why_no_rtu_answer(REQUEST, good[:-1]).startswith("10 bytes of 11 came")
    assert "CRC" in why_no_rtu_answer(REQUEST, good[:-1] + b"\x00")
    assert "echo" in why_no_rtu_answer(REQUEST, REQUEST)
    longer = with_crc(bytes.fromhex("11 03 08 02 2B 00 00 00 64 00 00"))
    assert why_no_rtu_answer(REQUEST, longer) == "an answer of 13 bytes came instead of 11"
