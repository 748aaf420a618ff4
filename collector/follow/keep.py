"""Keeping a process alive: started again when it ends, after a pause that grows, is capped and jittered."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from analysis.vocabulary.errors import StandwatchError
from collector.backoff import Backoff
from collector.terminal import warn

FIRST_PAUSE_S = 0.75
LONG_RUN_S = 60.0
"""A process that ran this long gets the first pause again."""
END_WITHIN_S = 15.0

Say = Callable[[str], None]


@dataclass
class Kept:
    """One process that is kept alive.

    Attributes
    ----------
    name : for what is said of it.
    command : program and arguments.
    say : is told of every end and start.
    longest_pause_s : cap of the jittered pause before it is started again.
    gives_up : told the exit code and how often it was started; when it returns True, `run` returns that code.
    before : awaited before every start.
    """

    name: str
    command: Sequence[str]
    say: Say
    longest_pause_s: float = 30.0
    environment: Mapping[str, str] | None = None
    gives_up: Callable[[int, int], bool] = lambda _code, _starts: False
    starts: int = 0
    process: asyncio.subprocess.Process | None = field(default=None, init=False)

    async def run(self) -> int:
        """Keep the process alive until cancelled; it is ended then. Returns the exit code where it gave up."""
        loop = asyncio.get_running_loop()
        backoff = Backoff(FIRST_PAUSE_S, self.longest_pause_s)
        while True:
            begin = loop.time()
            code = await self._once()
            if self.gives_up(code, self.starts):
                return code
            if loop.time() - begin >= LONG_RUN_S:
                backoff.reset()
            wait_s = backoff.next_s()
            self.say(f"{self.name} ended ({ended(code)}); it is started again in {wait_s:.1f} s")
            await asyncio.sleep(wait_s)

    async def _once(self) -> int:
        """Start the process and return its exit code; it is ended when this is cancelled."""
        self.starts += 1
        self.process = await asyncio.create_subprocess_exec(
            *self.command,
            stdin=subprocess.PIPE,  # its end tells a follower that its keeper is gone
            env=None if self.environment is None else {**os.environ, **self.environment},
            start_new_session=True,  # Ctrl-C in the terminal reaches the keeper alone, which ends them in order
        )
        try:
            return await self.process.wait()
        finally:
            await end(self.process)


async def end(process: asyncio.subprocess.Process) -> None:
    """Ask a process to end, wait, and make it end."""
    if process.stdin is not None:
        process.stdin.close()
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        await asyncio.wait_for(process.wait(), END_WITHIN_S)
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


def ended(code: int) -> str:
    """Return an exit code in words."""
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"by {signal.Signals(-code).name}"
    except ValueError:
        return f"by signal {-code}"


def end_with_parent(stop: threading.Event) -> None:
    """Set `stop` when standard input ends: whoever started this process is gone."""

    def wait() -> None:
        while os.read(sys.stdin.fileno(), 4096):
            pass
        stop.set()

    threading.Thread(target=wait, name="parent", daemon=True).start()


def run_follower(name: str, follow: Callable[[Path, threading.Event], None]) -> None:
    """Run a follower as this process, on the job named on its command line, until it is ended or its parent is gone.

    What goes wrong is one line on standard error and exit code 1; of what nobody foresaw only the kind is said, since
    a message may quote an address with a password.
    """
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    end_with_parent(stop)
    try:
        follow(Path(sys.argv[1]), stop)
    except KeyboardInterrupt:
        pass
    except StandwatchError as error:
        warn(f"{name}: {error}")
        sys.exit(1)
    except Exception as error:  # noqa: BLE001  the last place before the terminal: a line, not a traceback
        warn(f"{name}: {type(error).__name__}")
        sys.exit(1)
