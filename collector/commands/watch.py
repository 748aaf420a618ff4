"""`standwatch watch`: the recorder and its followers, each a process of its own, each started again when it dies.

A follower never takes the recorder down. When this process itself is killed, the recorder goes on and the followers
end; `standwatch watch` started again follows the recorder that it finds.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import signal
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path

from analysis.vocabulary.errors import InputError, StandwatchError
from analysis.vocabulary.job import load_job
from collector.folder_lock import FolderHeld, FolderLock
from collector.follow.alarm_rules import load_rules
from collector.follow.broker import Broker
from collector.follow.keep import Kept
from collector.follow.recorder_log import rows_age_s
from collector.follow.say import status_line
from collector.follow.state import read_state
from collector.page.guard import CODE_VARIABLE
from collector.tasks import at_the_end
from collector.terminal import say

LINE_EVERY_S = 60.0
HELD_LOOK_EVERY_S = 2.0
USUAL_PORT = 8_431
PORTS_TRIED = 20
CODE_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
"""Letters and digits that nobody takes for one another."""
CODE_LENGTH = 8


def run_watch(folder: Path, headless: bool = False, share: bool = False, port: int | None = None) -> None:
    """Record a job and follow it until interrupted.

    Raises
    ------
    InputError
        The job is refused, or no port is free for the page.
    """
    if headless and (share or port is not None):
        raise InputError("--headless: there is no page to share; expected --headless alone")
    followers_of(folder)
    asyncio.run(watch(folder, headless=headless, share=share, port=port))


async def watch(folder: Path, *, headless: bool, share: bool, port: int | None) -> None:
    """Run recorder, findings and page until SIGINT or SIGTERM.

    Raises
    ------
    InputError
        No port is free.
    SystemExit
        The recorder refused the job at its first start, and said so.
    """
    stop = asyncio.Event()
    at_the_end(stop.set)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)  # a closed terminal does not end a night's recording
    kept = [Kept(name, _command(module, folder), say) for name, module in followers_of(folder).items()]
    if not headless:
        kept.append(_page(folder, share, port))
    refused: list[int] = []
    try:
        async with asyncio.TaskGroup() as group:
            tasks: list[asyncio.Task[object]] = [
                group.create_task(_record(folder, refused.append, stop), name="recorder"),
                *(group.create_task(each.run(), name=each.name) for each in kept),
            ]
            if headless:
                tasks.append(group.create_task(_lines(folder), name="lines"))
            await stop.wait()
            for task in tasks:
                task.cancel()
    except ExceptionGroup as errors:
        expected, rest = errors.split(StandwatchError)
        raise (expected or rest or errors).exceptions[0] from None
    if refused:
        sys.exit(refused[0])  # the recorder has said why, in the one line that it takes
    say("stopped")


def followers_of(folder: Path) -> dict[str, str]:
    """Return the followers that a job asks for, each with its module.

    Raises
    ------
    InputError
        The job, its `[publish]` or an `[[alarm]]` is refused.
    """
    job = load_job(folder)
    followers = {"findings": "collector.follow.findings"}
    if job.publish:
        Broker(job.publish, folder)
        followers["mqtt"] = "collector.follow.mqtt"
    if job.alarm:
        load_rules(job.alarm, folder)
        followers["alarms"] = "collector.follow.alarms"
    return followers


def _command(module: str, *arguments: object) -> list[str]:
    return [sys.executable, "-m", module, *map(str, arguments)]


async def _record(folder: Path, refused: Callable[[int], None], stop: asyncio.Event) -> None:
    """Keep the recorder alive; where another recorder holds the job, wait until it has ended."""
    recorder = Kept(
        "recorder",
        _command("collector.cli", "record", folder),
        say,
        longest_pause_s=10.0,
        gives_up=lambda code, starts: code == 2 and (starts == 1 or held(folder)),
    )
    while True:
        if held(folder):
            say("another recorder is at work here: it is followed, and ends where it was started")
            while held(folder):  # noqa: ASYNC110  the lock of another process tells nobody that it is free
                await asyncio.sleep(HELD_LOOK_EVERY_S)
            say("the other recorder has ended; one is started here")
        code = await recorder.run()
        if not held(folder):
            refused(code)
            stop.set()
            return


def held(folder: Path) -> bool:
    """Return whether some process records the job now."""
    try:
        FolderLock(folder).close()
    except FolderHeld:
        return True
    except InputError:  # the folder is gone or cannot be written: nobody can record there
        return False
    return False


def _page(folder: Path, share: bool, port: int | None) -> Kept:
    host = "0.0.0.0" if share else "127.0.0.1"
    chosen = free_port(host, port)
    code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH)) if share else ""
    if share:
        say(f"page: http://{_own_address()}:{chosen}/   access code: {code}")
        say(
            "shared: anybody on this network who has the code sees the job and can put marks into it. It is "
            "not encrypted: whoever can listen on this network can read it. Use a network you trust; Ctrl-C ends it."
        )
    else:
        say(f"page: http://127.0.0.1:{chosen}/   (this machine only; --share opens it to the network)")
    return Kept("page", _command("collector.page", folder, host, chosen), say, environment={CODE_VARIABLE: code})


def free_port(host: str, port: int | None) -> int:
    """Return `port` when it is free, else (none asked for) the first free one from `USUAL_PORT` on.

    Raises
    ------
    InputError
        It is taken, or all of them are.
    """
    wanted = [port] if port is not None else list(range(USUAL_PORT, USUAL_PORT + PORTS_TRIED))
    for each in wanted:
        with socket.socket() as probe:
            if os.name != "nt":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, each))
            except (OSError, OverflowError):  # taken, not ours to take, or no port at all
                continue
            return int(probe.getsockname()[1])
    raise InputError(f"--port {wanted[0]}: cannot be had; expected a free port from 1024 to 65535")


def _own_address() -> str:
    """Return the address that this machine has on its network, without sending anything."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): only the route is looked up
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


async def _lines(folder: Path) -> None:
    """Say once a minute how things stand."""
    while True:
        await asyncio.sleep(LINE_EVERY_S)
        now = time.time()
        say(status_line(read_state(folder), rows_age_s(folder, now), now))
