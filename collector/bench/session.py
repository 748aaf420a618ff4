"""The bench, its wires and a real recorder run together on one fast clock; the script's marks go in from outside."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from collector.bench.clock import FastClock
from collector.bench.job_folder import prepare
from collector.bench.plant import Plant
from collector.bench.play import Bench, moment
from collector.bench.scenario import Script, job
from collector.bench.wires import Wires
from collector.clocks import Clocks
from collector.control import send
from collector.entries import Entry
from collector.recorder import Recorder

POLLS_A_ROW = 2.0
"""Instruments are read so often in one interval of the recorder."""
LOOKS_A_ROW = 10.0
"""The plant is brought up to the clock so often in one interval."""


async def run_session(
    folder: Path,
    *,
    seed: int,
    speed: float,
    interval_s: float,
    script: Callable[[Plant], Script] = job,
    tick: Callable[[float], None] = lambda _seconds: None,
) -> None:
    """Play a script, the whole job unless told otherwise, into `folder`.

    Parameters
    ----------
    speed : simulated seconds in a real one.
    interval_s : simulated seconds from row to row.
    tick : called with the plant's seconds, many times a second.

    Raises
    ------
    InputError
        The folder is not the demo's to write.
    RecorderError
        The recorder had to stop.
    """
    said: asyncio.Queue[Entry | None] = asyncio.Queue()
    bench = Bench(seed, script, say=lambda _seconds, each: said.put_nowait(each))
    begin_s = bench.plant.seconds
    every_s = interval_s / speed / POLLS_A_ROW
    async with Wires(lambda: bench.shown, every_s=every_s) as wires:
        prepare(folder, wires.instruments(every_s), interval_s)
        clock = FastClock(moment(begin_s), speed, longest_s=2.0 * interval_s / LOOKS_A_ROW)
        recorder = Recorder(folder, Clocks(clock.seconds, clock.now, speed))
        running = asyncio.Event()

        async def play() -> None:
            await running.wait()
            while not bench.done:
                bench.advance(begin_s + clock.seconds())
                tick(bench.plant.seconds)
                await asyncio.sleep(interval_s / speed / LOOKS_A_ROW)
            said.put_nowait(None)

        async def speak() -> None:
            while (each := await said.get()) is not None:
                clock.held = True  # a slow disk would make simulated minutes of the moment that a mark takes
                try:
                    await asyncio.to_thread(send, folder, each)
                finally:
                    clock.held = False

        async def act() -> None:
            async with asyncio.TaskGroup() as group:
                group.create_task(play(), name="bench")
                group.create_task(speak(), name="technician")

        recording = asyncio.create_task(recorder.run(running.set), name="recorder")
        acting = asyncio.create_task(act(), name="script")
        try:
            await asyncio.wait((recording, acting), return_when=asyncio.FIRST_COMPLETED)
        finally:
            acting.cancel()
            recorder.stop()  # a clean end, also when interrupted: the log stays whole
            ends = await asyncio.gather(recording, acting, return_exceptions=True)
        for end in ends:
            if isinstance(end, Exception):
                raise first_of(end)


def first_of(error: Exception) -> Exception:
    """Return the first error that a group of errors holds, or the error itself."""
    while isinstance(error, ExceptionGroup):
        error = error.exceptions[0]
    return error
