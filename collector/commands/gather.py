"""`standwatch gather`: the jobs of many laptops, written here as they grow."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

from analysis.vocabulary.errors import InputError
from collector.follow import tell
from collector.follow.broker import Broker
from collector.follow.gather import Gatherer
from collector.passwords import from_environment
from collector.tasks import at_the_end, end_tasks
from collector.terminal import say


def run_gather(out: Path, settings: dict[str, str | None], send_env: Sequence[str]) -> None:
    """Gather until interrupted.

    Raises
    ------
    InputError
        A setting is refused, or another process gathers into `out`.
    """
    try:
        broker = Broker({key: value for key, value in settings.items() if value is not None}, Path.cwd())
    except InputError as error:  # it names the keys of a job
        key, _, said = str(error).partition(": ")
        raise InputError(f"--{key.removeprefix('publish.').replace('_', '-')}: {said}") from None
    addresses = [from_environment("--send-env", variable) for variable in send_env]
    if not all(tell.understood(address) for address in addresses):
        raise InputError("--send-env: an address is not understood (not shown); expected one such as json://HOST/path")

    def alert(line: str) -> None:
        for address in addresses:
            if not tell.send(address, "ALARM standwatch", line, "alarm"):
                say("an alarm was not taken by its target")

    asyncio.run(until_stopped(Gatherer(out, broker, say, alert)))


async def until_stopped(gatherer: Gatherer) -> None:
    """Gather until SIGINT or SIGTERM; what ends it otherwise is raised."""
    gathering = asyncio.create_task(gatherer.run(), name="gather")
    stop = asyncio.Event()
    at_the_end(stop.set)
    stopping = asyncio.create_task(stop.wait(), name="stop")
    try:
        await asyncio.wait((gathering, stopping), return_when=asyncio.FIRST_COMPLETED)
    finally:
        await end_tasks([gathering, stopping])
        if gathering.cancelled():
            say(f"stopped; {gatherer.written} lines were written")
    if not gathering.cancelled():
        await gathering
