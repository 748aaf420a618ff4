"""Ending: asked for by a signal, and of tasks for certain."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Sequence

CANCEL_AGAIN_S = 0.5


def at_the_end(stop: Callable[[], object]) -> None:
    """Have `stop` called on the running loop when this process is asked to end, by SIGINT or SIGTERM."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        try:
            loop.add_signal_handler(number, stop)
        except NotImplementedError:  # Windows: the event loop takes no signal handlers
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop))


async def end_tasks(tasks: Sequence[asyncio.Task[object]]) -> None:
    """Cancel tasks until all have ended.

    Once is not always enough: before Python 3.12 `asyncio.wait_for`, which libraries use, forgets a cancellation
    that comes in the same turn as what it waited for. Not for a task whose own end takes longer than `CANCEL_AGAIN_S`.
    """
    left = set(tasks)
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=CANCEL_AGAIN_S)
