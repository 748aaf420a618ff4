"""Faults of wires and instruments: unplugged ports, noise, late, foreign and endless answers. A scale stands beside."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

from collector.clocks import Clocks
from collector.instruments.frames import with_crc
from collector.instruments.reading import Reading
from collector.recorder import Recorder
from tests.collector.rig import more_rows, recording
from tests.faults.campaign import Fault, Plan, Tally
from tests.faults.rig import read, scale_table, scales, soon, write_job
from tests.patience import PatientClock
from tests.ptys import FarEnd

Says = Iterable[tuple[float, bytes]]
"""What comes back to a request: pieces, each with its delay [s]."""
Talk = Callable[[bytes], Says]

TIMEOUT_S = 0.15
LATEST_S = 0.1
"""What is meant to come late comes at most so much later still: what is promised has an end, see `polling.LATE_S`."""
FIRST, SECOND = 11_111, 22_222
"""What the two registers hold, and the two gauges on one line show, for ever."""
PAIR = """
link = "modbus"
[serial]
parity = "none"
[modbus]
function = 3
[values.a]
address = 0
unit = "V"
[values.b]
address = 10
unit = "V"
"""
LINES = """
link = "serial"
[line]
query = "P{unit}\\r"
ending = "\\r\\n"
pattern = '(?P<value>\\d+)'
[values.v]
unit = "V"
"""


class Heard(Recorder):
    """A recorder that knows when it last heard each channel."""

    def __init__(self, folder: Path, clocks: Clocks) -> None:
        super().__init__(folder, clocks)
        self.heard: dict[str, float] = {}

    def reading(self, reading: Reading) -> None:
        self.heard[reading.channel] = time.monotonic()
        super().reading(reading)

    async def again(self, *channels: str) -> float:
        """Wait until channels are heard anew; return how long it took [s]."""
        begin = time.monotonic()
        return await soon(lambda: all(self.heard.get(channel, 0.0) > begin for channel in channels))


def say_later(delay_s: float, say: Callable[[bytes], object], data: bytes) -> None:
    """Say something after a while; where the machine was too busy to say it then, never."""
    loop = asyncio.get_running_loop()
    end = loop.time() + delay_s + LATEST_S
    loop.call_later(delay_s, lambda: say(data) if loop.time() < end else None)


class Wire(FarEnd):
    """The instruments' end of a serial line; what is answered is said by `talk`."""

    def __init__(self, path: Path, talk: Talk) -> None:
        super().__init__(path)
        self.talk = talk

    def hear(self, data: bytes) -> None:
        for delay_s, back in self.talk(data):
            say_later(delay_s, self.send, back)

    def __enter__(self) -> Wire:
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()


@contextlib.asynccontextmanager
async def server(talk: Talk) -> AsyncIterator[int]:
    """Serve a TCP instrument; yields its port."""
    writers: set[asyncio.StreamWriter] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.add(writer)
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(4096):
                for delay_s, back in talk(data):
                    say_later(delay_s, writer.write, back)
        writers.discard(writer)
        writer.close()

    made = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield made.sockets[0].getsockname()[1]
    finally:
        made.close()
        for writer in list(writers):
            writer.transport.abort()
        await asyncio.sleep(0.02)


def instrument(name: str, profile: str, port: object, unit: int = 1, **channels: str) -> str:
    """Return an `[[instrument]]` table."""
    table = ", ".join(f'{value} = "{channel}"' for value, channel in channels.items())
    return (
        f'[[instrument]]\nname = "{name}"\nprofile = "{profile}"\nport = "{port}"\nunit = {unit}\n'
        f'interval = "0.05 s"\ntimeout = "{TIMEOUT_S} s"\nchannels = {{ {table} }}\n'
    )


async def on_the_bench(
    plan: Plan, tally: Tally, act: Callable[[Heard], Awaitable[None]], true: dict[str, set[float]], *tables: str
) -> None:
    """Record instruments with a fault beside a scale without one, and count the log into a tally.

    `act` does the fault; `true` is what each faulty channel may ever show.
    """
    with PatientClock() as clock, scales(clock=clock) as (scale,):
        job = write_job(plan.folder / f"job {tally.rounds}", scale_table(0, scale), *tables)
        (job / "pair.toml").write_text(PAIR)
        (job / "lines.toml").write_text(LINES)
        recorder = Heard(job, clock.clocks())
        async with recording(recorder):
            await recorder.again("w0")
            await act(recorder)
            await more_rows(job, 3)  # one at least with what was heard last
    logged = read(job)
    tally.acknowledged += len(logged.rows)
    tally.wrong += logged.wrong("w0", scale.sent)
    tally.wrong += sum(logged.wrong(channel, numbers) for channel, numbers in true.items())
    tally.disturbed += logged.missed_beats() + logged.blanks("w0", scale) + len(logged.told("scale 0"))
    assert all(any(logged.cells(channel)) for channel in true), "a channel was never heard"


# --- answers -------------------------------------------------------------------------------------------


def registers(request: bytes) -> bytes:
    """Return the data of the answer to a request for registers: the first or the second."""
    number = FIRST if request[2:4] == b"\0\0" else SECOND
    return request[:2] + b"\x02" + number.to_bytes(2, "big")


def rtu(request: bytes) -> bytes:
    """Return the true answer to an RTU request."""
    return with_crc(registers(request[:-2]))


def tcp(request: bytes) -> bytes:
    """Return the true answer to a TCP request."""
    return request[:4] + b"\x00\x05" + registers(request[6:])


def text(request: bytes) -> bytes:
    """Return the true answer to a text query: ``P1`` or ``P2``."""
    return b"%d\r\n" % (FIRST if b"1" in request else SECOND)


ANSWERS = {"rtu": rtu, "tcp": tcp, "text": text}


@contextlib.asynccontextmanager
async def pair(folder: Path, kind: str, talk: Talk) -> AsyncIterator[list[str]]:
    """Plug in the two values, over Modbus RTU or TCP or as two gauges on one text line; yields the job's tables."""
    if kind == "tcp":
        async with server(talk) as port:
            yield [instrument("pair", "pair.toml", f"tcp://127.0.0.1:{port}", a="a", b="b")]
        return
    with Wire(folder / f"port-{kind}", talk) as wire:
        if kind == "rtu":
            yield [instrument("pair", "pair.toml", wire.path, a="a", b="b")]
        else:
            yield [
                instrument("first", "lines.toml", wire.path, 1, v="a"),
                instrument("second", "lines.toml", wire.path, 2, v="b"),
            ]


def answered(plan: Plan, spoil: Callable[[str, bytes, bytes], Says], seconds: float) -> Tally:
    """Spoil the answers on every kind of wire for a while, then leave them alone."""
    tally = Tally()

    async def run(kind: str) -> None:
        spoilt = False

        def talk(request: bytes) -> Says:
            true = ANSWERS[kind](request)
            return spoil(kind, request, true) if spoilt else [(0.0, true)]

        async with pair(plan.folder, kind, talk) as tables:

            async def act(recorder: Heard) -> None:
                nonlocal spoilt
                await recorder.again("a", "b")
                spoilt = True
                await asyncio.sleep(seconds)
                spoilt = False
                tally.back(await recorder.again("a", "b"))

            await on_the_bench(plan, tally, act, {"a": {FIRST}, "b": {SECOND}}, *tables)
        tally.rounds += 1

    for _ in range(plan.times(1, 3)):
        for kind in ANSWERS:
            asyncio.run(run(kind))
    return tally


def late(plan: Plan) -> Tally:
    """Answers that come late, some after the next question, some never."""
    return answered(
        plan,
        lambda _kind, _request, true: (
            [] if plan.dice.random() < 0.2 else [(plan.dice.choice([0.0, 0.5, 1.05, 1.5, 3.0, 5.0]) * TIMEOUT_S, true)]
        ),
        plan.times(2, 40),
    )


def foreign(plan: Plan) -> Tally:
    """Another device answers, or the right one with what nobody asked for."""

    def spoil(kind: str, request: bytes, true: bytes) -> Says:
        if plan.dice.random() < 0.3:
            return [(0.0, true)]
        other = b"\x02" + (SECOND + 1).to_bytes(2, "big")
        if kind == "rtu":
            unit, function = plan.dice.choice([(2, 3), (1, 4), (7, 3)])
            return [(0.0, with_crc(bytes((unit, function)) + other))]
        if kind == "tcp":
            transaction = (int.from_bytes(request[:2], "big") + plan.dice.choice([0, 1, 255])) % 65_536
            unit = request[6] if transaction != int.from_bytes(request[:2], "big") else 9
            return [(0.0, transaction.to_bytes(2, "big") + b"\0\0\0\x05" + bytes((unit, 3)) + other)]
        return [(0.0, plan.dice.choice([b"ERR 7\r\n", b"\r\n", request, b"-\r\n"]))]

    return answered(plan, spoil, plan.times(1, 20))


def noisy(frame: bytes, dice: random.Random) -> bytes:
    """Return a frame with damage that its CRC finds for certain: up to three bits, or a burst of 16, or bytes lost."""
    kind = dice.randrange(4)
    bits = int.from_bytes(frame, "big")
    size = 8 * len(frame)
    if kind == 0:
        for place in dice.sample(range(size), dice.randint(1, 3)):
            bits ^= 1 << place
    elif kind == 1:
        bits ^= dice.randint(1, 0xFFFF) << dice.randint(0, size - 16)
    elif kind == 2:
        return frame[: dice.randrange(len(frame))]
    else:
        return dice.randbytes(dice.randint(1, 9)) + frame + dice.randbytes(dice.randint(0, 9))
    return bits.to_bytes(len(frame), "big")


def noise(plan: Plan) -> Tally:
    """Bits flipped, bytes lost and added on a serial Modbus line."""
    tally, noises = Tally(), 0

    async def run() -> None:
        bad = False

        def talk(request: bytes) -> Says:
            nonlocal noises
            if not bad:
                return [(0.0, rtu(request))]
            noises += 1
            return [(0.0, noisy(rtu(request), plan.dice))]

        async def act(recorder: Heard) -> None:
            nonlocal bad
            await recorder.again("a")
            for _ in range(plan.times(1, 5)):
                bad = True
                await asyncio.sleep(plan.times(3, 15))
                bad = False
                tally.back(await recorder.again("a"))
                tally.rounds += 1

        with Wire(plan.folder / "port", talk) as wire:
            table = instrument("pair", "pair.toml", wire.path, a="a")
            await on_the_bench(plan, tally, act, {"a": {FIRST}}, table)

    asyncio.run(run())
    tally.note = f"{noises} answers damaged"
    return tally


def endless(plan: Plan) -> Tally:
    """Answers without end, as fast as the line takes them; the scale beside is read all the same."""
    tally = Tally()

    async def flood(writer: asyncio.StreamWriter, piece: bytes) -> None:
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
            while True:
                writer.write(piece)
                await writer.drain()
        writer.close()

    async def run(kind: str, piece: bytes) -> None:
        tasks: set[asyncio.Task[None]] = set()
        flooding = False

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            with contextlib.suppress(ConnectionError, asyncio.CancelledError):
                while data := await reader.read(4096):
                    if flooding:
                        tasks.add(asyncio.create_task(flood(writer, piece)))
                    else:
                        writer.write(ANSWERS[kind](data))
            writer.close()

        made = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = made.sockets[0].getsockname()[1]
        url = f"{'tcp' if kind == 'tcp' else 'socket'}://127.0.0.1:{port}"
        table = (
            instrument("first", "lines.toml", url, 1, v="a")
            if kind == "text"
            else instrument("pair", "pair.toml", url, a="a")
        )

        async def act(recorder: Heard) -> None:
            nonlocal flooding
            await recorder.again("a")
            flooding = True
            await asyncio.sleep(plan.times(2, 20))
            flooding = False
            for task in tasks:
                task.cancel()
            tally.back(await recorder.again("a"))

        await on_the_bench(plan, tally, act, {"a": {FIRST}}, table)
        made.close()
        await asyncio.sleep(0.05)
        tally.rounds += 1

    for kind, piece in (("rtu", b"\x01\x03\x02\x2b"), ("tcp", bytes(64)), ("text", b"1"), ("text", b"??\r\n")):
        asyncio.run(run(kind, 1000 * piece))
    return tally


# --- ports ---------------------------------------------------------------------------------------------


def replugged(plan: Plan) -> Tally:
    """A port unplugged, and plugged in again as another device: by a stable path, and by what is plugged in."""
    tally = Tally()

    async def run(port: Callable[[Wire], object]) -> None:
        with Wire(plan.folder / "by-id", lambda request: [(0.0, text(request))]) as wire:
            plugged: list[SimpleNamespace] = []

            def note() -> None:
                plugged[:] = [SimpleNamespace(device=wire.device, vid=0x0403, pid=0x6001, serial_number="A1")]

            note()

            async def act(recorder: Heard) -> None:
                for _ in range(plan.times(1, 8)):
                    await recorder.again("a")
                    name, keep = wire.device, os.dup(wire._slave)  # so that the system gives another name next
                    wire.unplug()
                    plugged.clear()
                    await asyncio.sleep(plan.dice.uniform(0.5, 1.5))
                    wire.plug()
                    os.close(keep)
                    assert wire.device != name
                    note()
                    tally.back(await recorder.again("a"))
                    tally.rounds += 1

            with mock.patch("collector.instruments.ports.serialx.list_serial_ports", return_value=plugged):
                table = instrument("gauge", "lines.toml", port(wire), 1, v="a")
                await on_the_bench(plan, tally, act, {"a": {FIRST}}, table)

    asyncio.run(run(lambda wire: wire.path))
    asyncio.run(run(lambda _: "usb:0403:6001"))
    return tally


FAULTS = [
    Fault("port replugged", "as another device name, by a stable path and by usb id", replugged),
    Fault("noise", "bits flipped, bytes lost and added on a serial Modbus line", noise),
    Fault("late answers", "after the next question, or never; Modbus RTU, TCP and text", late),
    Fault("foreign answers", "another device, another transaction, nonsense", foreign),
    Fault("endless answers", "without end, as fast as the line takes them", endless),
]
