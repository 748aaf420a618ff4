"""How long a poll cycle takes on a Modbus RTU line, against the time that the wire itself needs.

The devices are a thread at the far end of a pseudo-terminal that paces its bytes as a UART would. The wire's
own time for one device: every character of request and answer at the baud rate, and the 3.5 characters of
silence before each (MODBUS over Serial Line V1.02, 2.5.1.1). Run it::

    python tests/benchmarks/poll_cycle.py

It prints one line for each baud rate and ends with 1 when a ratio is above 1.15.
"""

from __future__ import annotations

import asyncio
import os
import pty
import struct
import sys
import threading
import time
import tty
from pathlib import Path

from collector.instruments.frames import with_crc
from collector.instruments.links import build_links
from collector.instruments.modbus import silence_s
from collector.instruments.profiles import SerialTable
from collector.instruments.reading import Event, Reading
from collector.instruments.settings import load_instruments
from collector.recorder import end_tasks

DEVICES = (1, 2, 3)
CHANNELS = ("t1", "t2", "t3", "t4")
REQUEST_BYTES = 8
ANSWER_BYTES = 5 + 2 * len(CHANNELS)
ACCEPTED_RATIO = 1.15
MEASURE_S = 4.0


def answer_forever(master: int, settings: SerialTable) -> None:
    """Answer every request, one character at a time, until the far end is closed."""
    character_s = settings.character_bits / settings.baudrate
    body = struct.pack(">BB4h", 3, 8, 225, 226, 227, 228)
    try:
        while True:
            request = b""
            while len(request) < REQUEST_BYTES:
                request += os.read(master, REQUEST_BYTES - len(request))
            at = time.perf_counter() + REQUEST_BYTES * character_s + silence_s(settings)
            for byte in with_crc(request[:1] + body):
                at += character_s
                time.sleep(max(0.0, at - time.perf_counter()))
                os.write(master, bytes((byte,)))
    except OSError:
        return


class Beats:
    """A sink that keeps when one channel was read."""

    def __init__(self) -> None:
        self.times_s: list[float] = []
        self.events: list[Event] = []

    def reading(self, reading: Reading) -> None:
        if reading.channel == "d1_t1":
            self.times_s.append(time.monotonic())

    def event(self, event: Event) -> None:
        self.events.append(event)


async def measure(baudrate: int) -> tuple[float, float]:
    """Return (seconds for one cycle over all devices, seconds that the wire needs for it)."""
    settings = SerialTable(baudrate=baudrate, parity="even")
    master, slave = pty.openpty()
    tty.setraw(slave)
    thread = threading.Thread(target=answer_forever, args=(master, settings), daemon=True)
    thread.start()
    tables = [
        {
            "name": f"device {device}",
            "profile": "thermometer-4ch-modbus",
            "port": os.ttyname(slave),
            "unit": device,
            "interval": "0.001 s",
            "serial": {"baudrate": baudrate, "parity": "even"},
            "channels": {name: f"d{device}_{name}" for name in CHANNELS},
        }
        for device in DEVICES
    ]
    (link,) = build_links(load_instruments(tables, Path()))
    sink = Beats()
    task = asyncio.create_task(link.run(sink))
    await asyncio.sleep(MEASURE_S)
    await end_tasks([task])
    os.close(slave)
    thread.join(timeout=5)  # it ends when the last far end is closed
    os.close(master)
    if sink.events:
        raise RuntimeError(f"the bus was not clean: {sink.events}")
    beats = sink.times_s
    cycle_s = (beats[-1] - beats[0]) / (len(beats) - 1)
    characters = REQUEST_BYTES + ANSWER_BYTES
    wire_s = len(DEVICES) * (characters * settings.character_bits / baudrate + 2 * silence_s(settings))
    return cycle_s, wire_s


def main() -> int:
    """Measure at three baud rates and print the ratios."""
    worst = 0.0
    for baudrate in (4_800, 9_600, 19_200):
        cycle_s, wire_s = asyncio.run(measure(baudrate))
        worst = max(worst, cycle_s / wire_s)
        print(
            f"{baudrate} baud: cycle {cycle_s * 1e3:.1f} ms, wire {wire_s * 1e3:.1f} ms, ratio {cycle_s / wire_s:.3f}"
        )
    return int(worst > ACCEPTED_RATIO)


if __name__ == "__main__":
    sys.exit(main())
