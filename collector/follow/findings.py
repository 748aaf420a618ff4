"""The follower that judges a growing log: reads the job folder again and again, hands on what it finds.

Each look is a whole review of the rows so far, so a follower that starts again says the same. Looks come as often as
the machine bears: at least `AT_LEAST_EVERY_S` apart, and never more than `SHARE` of one core.
"""

from __future__ import annotations

import collections
import datetime
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.log import load
from analysis.result import Finding, stamp
from analysis.review import Review, review
from analysis.vocabulary.errors import InputError, StandwatchError
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE
from analysis.vocabulary.text import one_line
from collector.control import send
from collector.entries import Entry
from collector.entries import stamp as journal_stamp
from collector.follow.keep import run_follower
from collector.follow.now import now_of
from collector.follow.state import STATE_VERSION, write_state
from collector.follow.tail import JournalTail

AT_LEAST_EVERY_S = 5.0
SHARE = 0.2
"""Share of one core that judging may take."""


@dataclass(frozen=True)
class Look:
    """One look at the log. `result` is None and `refused` says why when the folder cannot be judged."""

    made: datetime.datetime
    took_s: float
    result: Review | None
    refused: str


Subscriber = Callable[[Look], None]
"""Is told of every look, in the follower's process; what it raises ends the follower, which is then started again."""


@dataclass
class FindingsFollower:
    """Looks at a job folder and tells its subscribers.

    Parameters
    ----------
    folder : the job.
    subscribers : called in order after each look.
    """

    folder: Path
    subscribers: list[Subscriber] = field(default_factory=list)
    _sizes: tuple[object, ...] = ()

    def changed(self) -> bool:
        """Return whether any of the job's files differs from what the last look saw."""
        sizes: list[object] = []
        for name in (JOB_FILE, READINGS_FILE, JOURNAL_FILE):
            try:
                found = (self.folder / name).stat()
                sizes.append((found.st_size, found.st_mtime_ns))
            except OSError:
                sizes.append(None)
        if tuple(sizes) == self._sizes:
            return False
        self._sizes = tuple(sizes)
        return True

    def look(self) -> Look:
        """Review the rows so far and tell every subscriber."""
        begin = time.process_time()
        result, refused = None, ""
        try:
            log, job = load(self.folder)
            result = review(log, job)
        except InputError as error:
            refused = str(error)
        look = Look(datetime.datetime.now(datetime.UTC), time.process_time() - begin, result, refused)
        for subscriber in self.subscribers:
            subscriber(look)
        return look

    def run(self, stop: threading.Event) -> None:
        """Look until `stop` is set; a look that finds the files as they were is left out."""
        wait_s = AT_LEAST_EVERY_S
        while not stop.is_set():
            if self.changed():
                begin = time.process_time()
                self.look()
                wait_s = pause_s(time.process_time() - begin)
            stop.wait(wait_s)


def pause_s(took_s: float) -> float:
    """Return how long to rest after a look that took so much processor time [s]."""
    return max(AT_LEAST_EVERY_S, took_s * (1.0 / SHARE - 1.0))


@dataclass
class StateWriter:
    """Puts every look into the state file beside the log."""

    folder: Path

    def __call__(self, look: Look) -> None:
        """Write the state of one look."""
        state: dict[str, Any] = {
            "version": STATE_VERSION,
            "made": journal_stamp(look.made),
            "again_within_s": round(pause_s(look.took_s) + look.took_s, 1),
            "refused": look.refused,
            "now": None,
            "result": None,
        }
        if look.result is not None:
            state["now"], state["result"] = now_of(look.result), look.result.to_json()
        write_state(self.folder, state)


class JournalWriter:
    """Has the recorder put findings into the journal, each once, however often the follower starts again."""

    def __init__(self, folder: Path, put: Callable[[Path, Entry], None] = send) -> None:
        self._folder = folder
        self._put = put
        self._tail = JournalTail(folder / JOURNAL_FILE)
        self._written: collections.Counter[tuple[str, str, str]] = collections.Counter()

    def __call__(self, look: Look) -> None:
        """Write what the journal does not hold yet; what cannot be written now is tried at the next look."""
        if look.result is None:
            return
        fresh = self._tail.fresh
        while rows := self._tail.rows():
            if self._tail.fresh != fresh:
                fresh = self._tail.fresh
                self._written.clear()
            self._written.update((r.subject, r.value, r.text) for r in rows if r.kind == "finding")
        wanted: collections.Counter[tuple[str, str, str]] = collections.Counter()
        for entry in entries_of(look.result.findings):
            key = (entry.subject, entry.value, entry.text)
            wanted[key] += 1
            if wanted[key] > self._written[key]:
                try:
                    self._put(self._folder, entry)
                except StandwatchError:
                    return


def entries_of(findings: Iterable[Finding]) -> list[Entry]:
    """Return findings as journal entries: kind, level, and the text with the time at which it was known."""
    return [Entry("finding", f.kind, f.level, one_line(f"{stamp(f.time)} {f.text}")) for f in findings]


def main(folder: Path, stop: threading.Event) -> None:
    """Follow a job until asked to stop."""
    FindingsFollower(folder, [StateWriter(folder), JournalWriter(folder)]).run(stop)


if __name__ == "__main__":
    run_follower("findings", main)
