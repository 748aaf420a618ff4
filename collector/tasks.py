"""Ending tasks for certain."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

CANCEL_AGAIN_S = 0.5


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
