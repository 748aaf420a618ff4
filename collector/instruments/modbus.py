"""Instruments with Modbus registers, over RTU (a serial port or socket://) and TCP (tcp://)."""

from __future__ import annotations

import asyncio
import errno
import logging
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import serialx
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from collector.instruments import frames
from collector.instruments.decode import Decoded, decode_registers
from collector.instruments.polling import LATE_S, NoAnswer
from collector.instruments.ports import OPEN_TIMEOUT_S, close_serial, endpoint, open_serial
from collector.instruments.profiles import MAX_REGISTERS, REGISTERS_OF, ModbusProfile, SerialTable
from collector.instruments.reading import Fault
from collector.instruments.settings import InstrumentSettings

_GATEWAY_EXCEPTIONS = (10, 11)
_SPLIT_EXCEPTIONS = (2, 3)
_FAST_BAUDRATE = 19_200
_FAST_SILENCE_S = 0.00175


@dataclass(frozen=True)
class Block:
    """Neighbouring registers that are read with one request, and the values in them."""

    function: int
    address: int
    count: int
    values: tuple[str, ...]

    @property
    def place(self) -> str:
        """The registers and values in words."""
        last = self.address + self.count - 1
        registers = f"register {self.address}" if self.count == 1 else f"registers {self.address} to {last}"
        return f"{registers} ({', '.join(self.values)})"


def plan(profile: ModbusProfile, wanted: Sequence[str]) -> list[Block]:
    """Return the requests that read the values `wanted`, neighbours joined up to `MAX_REGISTERS`."""
    blocks: list[Block] = []
    for name in sorted(set(wanted), key=lambda n: (profile.function_of(n), profile.values[n].address)):
        spec, function = profile.values[name], profile.function_of(name)
        end = spec.address + REGISTERS_OF[spec.type]
        if blocks and blocks[-1].function == function:
            last = blocks[-1]
            near = spec.address - (last.address + last.count) <= profile.modbus.max_gap
            whole = max(end, last.address + last.count) - last.address
            if near and whole <= MAX_REGISTERS:
                blocks[-1] = Block(function, last.address, whole, (*last.values, name))
                continue
        blocks.append(Block(function, spec.address, end - spec.address, (name,)))
    return blocks


def silence_s(settings: SerialTable) -> float:
    """Return the silence that must part two RTU frames [s]: 3.5 characters, 1.75 ms above 19,200 baud.

    Source: MODBUS over Serial Line Specification and Implementation Guide V1.02, 2.5.1.1.
    """
    if settings.baudrate > _FAST_BAUDRATE:
        return _FAST_SILENCE_S
    return 3.5 * settings.character_bits / settings.baudrate


class _BadAnswer(Exception):
    """Something came back that does not answer the request."""


class _Ear:
    """Hears every byte that the client sends and receives, and lets only the answer to the last request through.

    So a frame with a wrong CRC, of another device or of a wrong length never reaches a decoder, and can be
    told from silence.
    """

    def __init__(self, *, rtu: bool) -> None:
        self._answer = frames.rtu_answer if rtu else frames.tcp_answer
        self._why_not = frames.why_no_rtu_answer if rtu else frames.why_no_tcp_answer
        self._request = b""
        self._heard = b""
        self.last_byte_at = 0.0

    def packet(self, sending: bool, data: bytes) -> bytes:
        """Take bytes on their way, as the client's packet trace."""
        if sending:
            self._request, self._heard = data, b""
            return data
        self._heard = data
        self.last_byte_at = time.monotonic()
        return self._answer(self._request, data) or b""

    def complaint(self) -> str | None:
        """Return why what was heard is no answer; None after silence."""
        return self._why_not(self._request, self._heard) if self._heard else None


class ModbusWire:
    """One bus: an RTU line or a TCP connection, with one client for all devices on it."""

    def __init__(self, port: str, instruments: Sequence[InstrumentSettings]) -> None:
        self._port = port
        self._profiles = {each.name: _modbus_profile(each) for each in instruments}
        self._serial = next(iter(self._profiles.values())).serial
        self._rtu = not port.startswith("tcp://")
        self._silence_s = silence_s(self._serial) if self._rtu else 0.0
        self._blocks = {
            each.name: plan(_modbus_profile(each), [c.value for c in each.channels]) for each in instruments
        }
        self._late_until: dict[int, float] = {}
        self._client: AsyncModbusSerialClient | AsyncModbusTcpClient | None = None
        self._transport: serialx.BaseSerialTransport | None = None
        self._ear = _Ear(rtu=self._rtu)
        # What the client would log is in the journal already.
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)

    async def open(self) -> None:
        """Open the bus; OSError with the reason when it cannot be."""
        self._ear = _Ear(rtu=self._rtu)
        # Retries and reconnecting are ours: each wait bounded, each loss journalled.
        options: dict[str, Any] = {
            "retries": 0,
            "reconnect_delay": 0,
            "timeout": OPEN_TIMEOUT_S,
            "trace_packet": self._ear.packet,
        }
        client: AsyncModbusSerialClient | AsyncModbusTcpClient
        open_wire: Callable[[], Awaitable[Any]]
        if self._rtu:
            client = AsyncModbusSerialClient(self._port, **options)
            open_wire = partial(self._open_serial, client)
        else:
            host, number = endpoint(self._port) or ("", 0)
            client = AsyncModbusTcpClient(host, port=number, **options)
            open_wire = client.ctx.call_create
        failure: list[OSError] = []

        async def create() -> Any:
            try:
                return await open_wire()
            except OSError as error:  # the client would only say that it did not connect
                failure.append(error)
                raise

        client.ctx.call_create = create
        self._client = client
        if not await client.connect():
            raise failure[0] if failure else OSError("does not connect in time")
        client.set_max_no_responses(1_000_000)

    async def _open_serial(self, client: AsyncModbusSerialClient) -> Any:
        self._transport, protocol = await open_serial(self._port, self._serial, client.ctx.handle_new_connection)
        return self._transport, protocol

    async def close(self) -> None:
        """Close the bus and wait until the port is free again."""
        client, self._client = self._client, None
        transport, self._transport = self._transport, None
        if client is not None:
            client.close()
        if transport is not None:
            await close_serial(transport)

    async def ask(self, instrument: InstrumentSettings) -> list[Decoded]:
        """Read every value of one device, block by block."""
        decoded: list[Decoded] = []
        try:
            for block in list(self._blocks[instrument.name]):
                decoded += await self._read(instrument, block)
        except _BadAnswer as bad:
            # The rest is left for the next turn, so that a late answer is not taken for the next block's.
            decoded.append(Fault("bad_frame", str(bad)))
        return decoded

    async def _read(self, instrument: InstrumentSettings, block: Block) -> list[Decoded]:
        answer = await self._request(instrument, block)
        if not answer.isError():
            return self._values(instrument, block, list(answer.registers))
        code = answer.exception_code
        meaning = frames.EXCEPTIONS.get(code, "unknown exception")
        if code in _GATEWAY_EXCEPTIONS:
            raise NoAnswer(f"the gateway reports: {meaning}")
        if code in _SPLIT_EXCEPTIONS and len(block.values) > 1:
            # One of them is refused: from now on ask one by one, and find out which.
            blocks = self._blocks[instrument.name]
            at = blocks.index(block)
            blocks[at : at + 1] = [
                single for name in block.values for single in plan(self._profiles[instrument.name], [name])
            ]
            return [
                item for single in blocks[at : at + len(block.values)] for item in await self._read(instrument, single)
            ]
        return [Fault("bad_frame", f"{block.place} of device {instrument.unit} refused: {meaning} (exception {code})")]

    async def _request(self, instrument: InstrumentSettings, block: Block) -> ModbusPDU:
        unit, timeout_s = instrument.unit, self._profiles[instrument.name].timeout_s
        client = self._client
        if client is None or not client.connected:
            raise OSError(errno.EIO, "disconnected")
        if self._rtu:
            free_at = max(self._ear.last_byte_at + self._silence_s, self._late_until.get(unit, 0.0))
            await asyncio.sleep(max(0.0, free_at - time.monotonic()))
        client.ctx.comm_params.timeout_connect = timeout_s
        read = client.read_holding_registers if block.function == 3 else client.read_input_registers
        try:
            return await read(block.address, count=block.count, device_id=unit)
        except ModbusException:
            if not client.connected:
                raise OSError(errno.EIO, "disconnected") from None
            if self._alike(instrument):
                self._late_until[unit] = time.monotonic() + LATE_S
            complaint = self._ear.complaint()
            if complaint is None:
                raise NoAnswer(f"device {unit} does not answer within {timeout_s:g} s") from None
            raise _BadAnswer(f"device {unit}: {complaint}") from None

    def _alike(self, instrument: InstrumentSettings) -> bool:
        """Return whether an RTU device has two questions whose answers nothing but their order tells apart."""
        shapes = [(block.function, block.count) for block in self._blocks[instrument.name]]
        return len(set(shapes)) < len(shapes)

    def _values(self, instrument: InstrumentSettings, block: Block, registers: list[int]) -> list[Decoded]:
        if len(registers) != block.count:
            return [Fault("bad_frame", f"{block.place}: {len(registers)} registers came instead of {block.count}")]
        values = self._profiles[instrument.name].values
        decoded: list[Decoded] = []
        for name in block.values:
            spec = values[name]
            start = spec.address - block.address
            decoded.append(decode_registers(name, registers[start : start + REGISTERS_OF[spec.type]], spec))
        return decoded


def _modbus_profile(instrument: InstrumentSettings) -> ModbusProfile:
    assert isinstance(instrument.profile, ModbusProfile)
    return instrument.profile
