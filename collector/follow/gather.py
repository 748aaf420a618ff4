"""A fleet on one machine: follows what many laptops publish and writes the same job folders.

Lines are numbered at their source, so what is missing is known and asked for again, whoever was away, and what came
twice is left out. The gathered files are their own cursor: a gatherer that starts again counts their lines.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import secrets
import threading
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOB_FILE, parse_job
from collector.backoff import Backoff
from collector.folder_lock import FolderLock
from collector.follow.broker import NAME, Broker
from collector.follow.cursor import log_name
from collector.follow.mqtt import FILES, VERSION
from collector.instruments.mqtt import BrokerClient
from collector.instruments.ports import reason
from collector.joblog import LineFile
from collector.whole_file import put_in_place

MOST_JOBS = 2_000
MOST_QUEUED = 50_000
MOST_AT_ONCE = 5_000
LARGEST_MESSAGE = 1 << 18
LONGEST_LINE = 1 << 16
COMMIT_EVERY_S = 0.5
ASK_EVERY_S = 10.0
"""The same lines are asked for again after this, jittered."""
UNHEARD_AFTER_S = 180.0
"""Three times the longest time between two words of a publisher."""
LONGEST_PAUSE_S = 30.0
_WORDS = ("status", "state", "job", *FILES, *(f"{name}_again" for name in FILES))


@dataclass
class Copy:
    """One gathered file: the lines on the disk, and those that wait for the next commit.

    `behind`: lines may be missing and are to be asked for; so at first, since nobody knows what was published before.
    """

    path: Path
    log: str | None = None
    rows: int = 0
    header: str = ""
    behind: bool = True
    next_ask: float = 0.0
    waiting: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        with contextlib.suppress(FileNotFoundError), self.path.open("rb") as file:
            head = file.read(2 * LONGEST_LINE)
            self.log = log_name(head)
            if self.log is not None:
                self.header = head.split(b"\n", 1)[0].rstrip(b"\r").decode("utf-8", "replace")
                file.seek(0)
                while block := file.read(1 << 20):
                    self.rows += block.count(b"\n")

    @property
    def expected(self) -> int:
        """The number of the next line."""
        return self.rows + len(self.waiting)

    def take(self, log: str, row: int, line: str) -> None:
        """Take one line; one that came before is left out, one that comes too early is asked for later."""
        if log != self.log:
            if row != 0:
                self.behind = True  # of a log whose beginning is not here
                return
            self._begin(log)
        if row == self.expected:
            self.waiting.append(line)
        elif row > self.expected:
            self.behind = True

    def _begin(self, log: str) -> None:
        """Begin a new log; the one that stood here is kept beside it."""
        self.commit()
        if self.path.exists():
            aside = self.path.with_name(f"{self.path.stem}-{self.log or 'begun'}-{secrets.token_hex(3)}.csv")
            self.path.rename(aside)
        self.log, self.rows, self.header, self.waiting = log, 0, "", []

    def commit(self) -> int:
        """Put what waits onto the disk; return how many lines.

        Raises
        ------
        OSError, InputError
            The disk does not take them; they wait on.
        """
        if not self.waiting or (self.rows == 0 and len(self.waiting) < 2):
            return 0  # header and first row together: only then is it known which log it is
        header = self.header or self.waiting[0]
        lines = self.waiting if self.rows else self.waiting[1:]
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with LineFile(self.path, header + "\n") as file:
            file.commit("".join(line + "\n" for line in lines).encode("utf-8", "replace"))
        done = len(self.waiting)
        self.header, self.rows, self.waiting = header, self.rows + done, []
        return done


@dataclass
class Gathered:
    """One job of the fleet."""

    folder: Path
    copies: dict[str, Copy]
    status: str = ""
    heard_at: float = 0.0
    toml: str | None = None


@dataclass
class Gatherer:
    """Gathers every job under a topic into `out`.

    Parameters
    ----------
    say : told how publishers and the broker come and go.
    alert : told when a laptop or its recorder is gone; may block, it runs in a thread.
    """

    out: Path
    broker: Broker
    say: Callable[[str], None]
    alert: Callable[[str], None] = lambda _line: None
    longest_pause_s: float = LONGEST_PAUSE_S
    jobs: dict[str, Gathered] = field(default_factory=dict)
    written: int = 0
    refused: int = 0
    _away: bool = False
    _changed: list[str] = field(default_factory=list)
    _writing: threading.Lock = field(default_factory=threading.Lock, repr=False)

    async def run(self) -> None:
        """Gather until cancelled.

        Raises
        ------
        InputError
            Another process gathers into this folder.
        """
        try:
            self.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{self.out}: cannot be a folder ({error.strerror}); expected one of yours") from None
        backoff = Backoff(1.0, self.longest_pause_s)
        with FolderLock(self.out), contextlib.ExitStack() as at_the_end:
            at_the_end.callback(self._commit)  # after the one that may be running in a thread
            while True:
                try:
                    await self._session(backoff)
                except (aiomqtt.MqttError, OSError, TimeoutError) as error:
                    if not self._away:
                        self.say(f"{self.broker.host}:{self.broker.port}: {reason(error)}; tried again")
                    self._away = True
                await asyncio.sleep(backoff.next_s())

    async def _session(self, backoff: Backoff) -> None:
        """Gather until the broker is lost (MqttError)."""
        name = f"standwatch-gather-{secrets.token_hex(6)}"
        async with self.broker.client(name, max_queued_incoming_messages=MOST_QUEUED) as client:
            for word in _WORDS:
                await client.subscribe(f"{self.broker.prefix}/+/{word}", qos=1)
            backoff.reset()
            if self._away:
                self.say(f"{self.broker.host}:{self.broker.port}: is back")
            self._away = False
            for job in self.jobs.values():
                job.heard_at = time.monotonic()
                for copy in job.copies.values():
                    copy.behind, copy.next_ask = True, 0.0  # whatever was published meanwhile
            while True:
                await self._take(client)
                await asyncio.to_thread(self._commit)
                await self._ask(client)
                await self._tell()

    async def _take(self, client: BrokerClient) -> None:
        """Take what comes within `COMMIT_EVERY_S`, at most `MOST_AT_ONCE` messages."""
        end = time.monotonic() + COMMIT_EVERY_S
        for _ in range(MOST_AT_ONCE):
            message = await client.hear(max(0.0, end - time.monotonic()))
            if message is None:
                return
            if not self._hear(message):
                self.refused += 1

    def _hear(self, message: aiomqtt.Message) -> bool:
        """Take one message; return whether it was one of ours."""
        name, _, word = str(message.topic).removeprefix(self.broker.prefix + "/").partition("/")
        payload = message.payload
        if not isinstance(payload, bytes) or len(payload) > LARGEST_MESSAGE or NAME.fullmatch(name) is None:
            return False
        try:
            said = json.loads(payload)
            if said["version"] != VERSION:
                return False
        except (ValueError, KeyError, TypeError, RecursionError):
            return False
        job = self._job(name)
        if job is None:
            return False
        job.heard_at = time.monotonic()
        try:
            self._note(job, name, word, said)
        except (KeyError, TypeError, ValueError, AttributeError):
            return False
        return True

    def _job(self, name: str) -> Gathered | None:
        if name not in self.jobs and len(self.jobs) < MOST_JOBS:
            folder = self.out / name
            self.jobs[name] = Gathered(folder, {key: Copy(folder / file) for key, file in FILES.items()})
        return self.jobs.get(name)

    def _note(self, job: Gathered, name: str, word: str, said: dict[str, Any]) -> None:
        file = word.removesuffix("_again")
        if file in FILES:
            log, row, line = str(said["log"]), said["row"], said["line"]
            if not isinstance(row, int) or not isinstance(line, str) or len(line) > LONGEST_LINE or row < 0:
                raise ValueError
            if any(c in line for c in "\r\n\0"):
                raise ValueError
            job.copies[file].take(log, row, line)
        elif word == "state":
            for key, place in said["rows"].items():
                copy = job.copies[key]
                copy.behind = copy.behind or place["log"] != copy.log or int(place["rows"]) > copy.expected
        elif word == "status":
            status = str(said["status"])[:20]
            if status != job.status:
                job.status = status
                self._changed.append(f"{name}: {_STATUS_WORDS.get(status, status)}")
        elif word == "job":
            job.toml = str(said["toml"])

    def _commit(self) -> None:
        with self._writing:
            for name, job in self.jobs.items():
                try:
                    self.written += sum(copy.commit() for copy in job.copies.values())
                    if job.toml is not None:
                        _write_job(job.folder / JOB_FILE, job.toml)
                        job.toml = None
                except (OSError, InputError) as error:
                    job.toml = None
                    self._changed.append(f"{name}: {reason(error)}")

    async def _ask(self, client: aiomqtt.Client) -> None:
        """Ask for the lines that are missing."""
        now = time.monotonic()
        for name, job in self.jobs.items():
            for file, copy in job.copies.items():
                if not copy.behind or now < copy.next_ask:
                    continue
                copy.behind, copy.next_ask = False, now + ASK_EVERY_S * random.uniform(0.75, 1.25)
                asked = json.dumps({"file": file, "log": copy.log or "", "row": copy.expected})
                await client.publish(f"{self.broker.prefix}/{name}/again", asked, qos=1)

    async def _tell(self) -> None:
        now = time.monotonic()
        for name, job in self.jobs.items():
            if job.status in ("recording", "silent") and now - job.heard_at > UNHEARD_AFTER_S:
                job.status = "unheard"
                self._changed.append(f"{name}: {_STATUS_WORDS['unheard']}")
        changed, self._changed = self._changed, []
        for line in changed:
            self.say(line)
            if line.endswith(_BAD):
                await asyncio.to_thread(self.alert, line)


_STATUS_WORDS = {
    "recording": "recording",
    "ended": "the recorder was stopped",
    "silent": "NO ROWS ARE BEING RECORDED",
    "gone": "THE LAPTOP OR ITS LINE IS GONE",
    "unheard": "NOTHING IS HEARD ANY MORE",
}
_BAD = tuple(_STATUS_WORDS[word] for word in ("silent", "gone", "unheard"))


def _write_job(file: Path, text: str) -> None:
    """Write a job.toml that came, when it is one and differs.

    Raises
    ------
    InputError
        It is none.
    OSError
        The disk does not take it.
    """
    try:
        parse_job(tomllib.loads(text), f"{file} (as published)")
    except tomllib.TOMLDecodeError:
        raise InputError(f"{file}: what was published is not TOML; the job is kept as it was") from None
    if not file.exists() or file.read_text(encoding="utf-8") != text:
        put_in_place(file, text.encode())
