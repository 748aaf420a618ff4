"""The growing log reviewed again and again in a process of its own, so that the recorder keeps its beat."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from analysis.log import load
from analysis.result import Finding
from analysis.review import review


def findings_of(folder: Path) -> tuple[Finding, ...]:
    """Return the findings of a job folder as its files stand now."""
    return review(*load(folder)).findings


class Reviewer:
    """One process that reviews on request."""

    def __init__(self) -> None:
        # spawned, not forked: the parent has threads and open wires
        self._pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"), initializer=_stand_back)
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)  # what the child is born with: Ctrl-C is the parent's
        try:
            self._pool.submit(_stand_back)
        finally:
            signal.signal(signal.SIGINT, before)

    async def findings(self, folder: Path) -> tuple[Finding, ...]:
        """Return the findings of a job folder.

        Raises
        ------
        InputError
            The folder cannot be reviewed yet.
        """
        return await asyncio.get_running_loop().run_in_executor(self._pool, findings_of, folder)

    def close(self) -> None:
        """End the process once it has done what it does now."""
        self._pool.shutdown(cancel_futures=True)


def _stand_back() -> None:
    """Leave the processor to the recorder, and Ctrl-C to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(10 - os.nice(0))
