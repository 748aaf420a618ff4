"""Modbus frames: what was asked, what was heard, and whether one answers the other. Pure.

Sources: MODBUS Application Protocol Specification V1.1b3 (functions 3 and 4, exception codes), MODBUS over
Serial Line Specification and Implementation Guide V1.02 (RTU frame, CRC), MODBUS Messaging on TCP/IP
Implementation Guide V1.0b (MBAP header).
"""

from __future__ import annotations

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, not ready",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "device behind the gateway does not answer",
}
"""Exception codes and their names (application protocol V1.1b3, section 7)."""

_RTU_EXCEPTION_LENGTH = 5
_MBAP_LENGTH = 7


def crc16(data: bytes) -> int:
    """Return the CRC of a serial frame; it goes on the wire low byte first (serial line guide, 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def with_crc(data: bytes) -> bytes:
    """Return a serial frame: `data` and its CRC."""
    return data + crc16(data).to_bytes(2, "little")


def rtu_answer(request: bytes, heard: bytes) -> bytes | None:
    """Return the frame in `heard` that answers the RTU `request`, None while there is none.

    Bytes before it are skipped. Only a frame with the same address and function, the length that the request
    calls for and a right CRC counts, or the exception to that request.
    """
    address, function = request[0], request[1]
    length = _RTU_EXCEPTION_LENGTH + 2 * _register_count(request[4:6])
    for start in range(len(heard) - _RTU_EXCEPTION_LENGTH + 1):
        if heard[start] != address:
            continue
        if heard[start + 1] == function and heard[start + 2] == length - _RTU_EXCEPTION_LENGTH:
            frame = heard[start : start + length]
        elif heard[start + 1] == function | 0x80:
            frame = heard[start : start + _RTU_EXCEPTION_LENGTH]
        else:
            continue
        complete = len(frame) == (length if frame[1] == function else _RTU_EXCEPTION_LENGTH)
        if complete and with_crc(frame[:-2]) == frame:
            return frame
    return None


def why_no_rtu_answer(request: bytes, heard: bytes) -> str:
    """Return in words why `heard`, which is not empty, does not answer the RTU `request`."""
    address, function = request[0], request[1]
    length = _RTU_EXCEPTION_LENGTH + 2 * _register_count(request[4:6])
    if heard == request:
        return "only the request itself came back (echo)"
    if len(heard) < 4:
        return f"{len(heard)} bytes came, too few for a frame ({heard.hex(' ')})"
    if with_crc(heard[:-2]) != heard:
        if heard[0] == address and len(heard) < length:
            return f"{len(heard)} bytes of {length} came ({_hex(heard)})"
        return f"the CRC does not match ({_hex(heard)})"
    if heard[0] != address:
        return f"device {heard[0]} answered instead of {address}"
    if heard[1] & 0x7F != function:
        return f"function {heard[1]} came back instead of {function}"
    return f"an answer of {len(heard)} bytes came instead of {length}"


def tcp_answer(request: bytes, heard: bytes) -> bytes | None:
    """Return the frame in `heard` that answers the TCP `request`, None while there is none.

    Answers to earlier requests (another transaction) and of other units are skipped.
    """
    count = _register_count(request[10:12])
    while len(heard) > _MBAP_LENGTH:
        length = 6 + int.from_bytes(heard[4:6], "big")
        if length <= _MBAP_LENGTH or length > 260 or len(heard) < length:
            return None
        frame, heard = heard[:length], heard[length:]
        if frame[:4] != request[:4] or frame[6] != request[6]:
            continue
        if frame[7] == request[7] | 0x80 and length == 9:
            return frame
        if frame[7] == request[7] and length == 9 + 2 * count and frame[8] == 2 * count:
            return frame
    return None


def why_no_tcp_answer(request: bytes, heard: bytes) -> str:
    """Return in words why `heard`, which is not empty, does not answer the TCP `request`."""
    if len(heard) < 9:
        return f"{len(heard)} bytes came, too few for a frame ({heard.hex(' ')})"
    if heard[2:4] != b"\0\0":
        return f"what came is not Modbus ({_hex(heard)})"
    if heard[6] != request[6]:
        return f"device {heard[6]} answered instead of {request[6]}"
    if heard[:2] != request[:2]:
        return "an answer to another request came"
    if heard[7] & 0x7F != request[7]:
        return f"function {heard[7]} came back instead of {request[7]}"
    return f"an answer of the wrong length came ({_hex(heard)})"


def _register_count(two_bytes: bytes) -> int:
    return int.from_bytes(two_bytes, "big")


def _hex(data: bytes) -> str:
    return data[:16].hex(" ") + (" …" if len(data) > 16 else "")
