"""The follower that publishes a job: every line of its log in order, findings, how things stand, and a last will.

Topics under ``PREFIX/NAME/``, JSON, quality of service 1:

=================  ========  ===================================================================================
``readings``                 ``{"version", "log", "row", "line", "time", "values": {"channel [unit]": number}}``
``journal``                  ``{"version", "log", "row", "line", "time", "kind", "subject", "value", "text"}``
``findings``                 ``{"version", "time", "kind", "level", "text"}``; each is a journal row too
``state``          retained  ``{"version", "time", "job", "line", "stage", "answer", "level", "rows": {file: {"log",
                             "rows"}}}``; ``level`` is the worst finding of the running stage
``status``         retained  ``{"version", "time", "status"}``: ``recording``, ``silent`` (no rows come),
                             ``ended`` (the recorder was stopped), ``gone`` (last will: laptop, follower or line died)
``job``            retained  ``{"version", "toml"}``: job.toml without `[publish]` and `[[alarm]]`
``again``          (heard)   ``{"file", "log", "row"}``: asks for lines from that row on; they come under
                             ``readings_again`` and ``journal_again``
=================  ========  ===================================================================================

`row` numbers the lines of a file from 0, the header (which has no ``time``); `log` names the log by its header and
first row. A blank cell is left out of ``values``. The log is the queue: a line is behind the cursor once the broker has
acknowledged it, so while the broker is away nothing is lost, and at most one batch is sent twice afterwards.
"""

from __future__ import annotations

import asyncio
import datetime
import json
import re
import threading
import time
import tomllib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

from analysis.vocabulary.channels import JOURNAL_COLUMNS, LEVELS
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE, load_job
from collector.backoff import Backoff
from collector.clocks import interval_of
from collector.entries import stamp
from collector.follow.broker import Broker
from collector.follow.cursor import Batch, Cursor, Place, place_of_row, read_on
from collector.follow.keep import run_follower
from collector.follow.recorder_log import RUNS, rows_age_s
from collector.follow.say import status_line
from collector.follow.state import read_state
from collector.follow.tail import cells_of, number
from collector.instruments.ports import reason
from collector.tasks import end_tasks
from collector.terminal import warn

VERSION = 1
CURSOR_FILE = Path(".standwatch") / "mqtt-cursor.json"
FILES = {"readings": READINGS_FILE, "journal": JOURNAL_FILE}
MOST_AT_ONCE = 50
"""Lines that wait for their acknowledgement together; so many may come twice."""
LOOK_EVERY_S = 0.5
STATE_EVERY_S = 60.0
SILENT_AFTER_S = 10.0
"""Without a row for so long (or three intervals) the recorder is called silent. Common practice."""
LINGER_S = 8.0
"""How long the last lines of a recorder that is being stopped are waited for."""
LONGEST_PAUSE_S = 30.0
LARGEST_REQUEST = 1_024
QUEUED_REQUESTS = 32


@dataclass
class Publisher:
    """Publishes one job until `stop` is set; `acknowledged` counts its lines since the start, not those asked for.

    Parameters
    ----------
    folder : the job.
    broker : where to.
    say : is told when the broker is lost and found.
    longest_pause_s : cap of the jittered pause between tries to reach the broker.
    """

    folder: Path
    broker: Broker
    say: Callable[[str], None] = field(default=lambda line: warn(f"mqtt: {line}"))
    longest_pause_s: float = LONGEST_PAUSE_S
    silent_after_s: float = SILENT_AFTER_S
    linger_s: float = LINGER_S
    acknowledged: int = 0
    _places: dict[str, Place] = field(default_factory=dict)
    _again: dict[str, Place] = field(default_factory=dict)
    _recorder: str = ""
    _told: tuple[object, ...] = ()
    _told_at: float = -STATE_EVERY_S
    _job: str = ""
    _away: bool = False

    async def run(self, stop: threading.Event) -> None:
        """Publish through one session after another; a broker that is away is tried again."""
        cursor = Cursor(self.folder / CURSOR_FILE, self.broker.address)
        self._places = await asyncio.to_thread(cursor.load)
        backoff = Backoff(1.0, self.longest_pause_s)
        while True:
            try:
                await self._session(cursor, backoff, stop)
                return
            except (aiomqtt.MqttError, OSError, TimeoutError) as error:
                if not self._away:
                    self.say(f"{self.broker.address}: {reason(error)}; the log is kept and sent later")
                self._away = True
            if await asyncio.to_thread(stop.wait, backoff.next_s()):
                return

    async def _session(self, cursor: Cursor, backoff: Backoff, stop: threading.Event) -> None:
        """Publish until the broker is lost (MqttError) or the job's end is told (return)."""
        will = aiomqtt.Will(self.broker.topic("status"), _json(status="gone"), qos=1, retain=True)
        client = self.broker.client(
            f"standwatch-{self.broker.name}", will=will, max_queued_incoming_messages=QUEUED_REQUESTS
        )
        async with client:
            backoff.reset()
            if self._away:
                self.say(f"{self.broker.address}: is back")
            self._away = False
            self._told, self._job = (), ""
            self._again.clear()
            await client.subscribe(self.broker.topic("again"), qos=1)
            # whoever listens notices at once that the broker is gone; a publish alone would wait its whole timeout
            ear = asyncio.create_task(self._listen(client), name="mqtt requests")
            mouth = asyncio.create_task(self._follow(client, cursor, stop), name="mqtt lines")
            try:
                await asyncio.wait((ear, mouth), return_when=asyncio.FIRST_COMPLETED)
            finally:
                await end_tasks([ear, mouth])
            for result in await asyncio.gather(ear, mouth, return_exceptions=True):
                if isinstance(result, Exception):
                    raise result

    async def _follow(self, client: aiomqtt.Client, cursor: Cursor, stop: threading.Event) -> None:
        """Hand on what comes until the job's end is told."""
        end = 0.0
        while True:
            moved = await self._hand_on(client, cursor)
            if stop.is_set():
                end = end or time.monotonic() + self.linger_s
                if (self._recorder == "stopped" and not moved) or time.monotonic() >= end:
                    await self._tell(client, "ended" if self._recorder == "stopped" else "gone")
                    return
            await self._tell(client, None)
            await asyncio.sleep(0.0 if moved else LOOK_EVERY_S)

    async def _hand_on(self, client: aiomqtt.Client, cursor: Cursor) -> bool:
        """Publish what was added to the files, then what was asked for again; return whether there was any."""
        moved = False
        for name, file in FILES.items():
            batch = await asyncio.to_thread(read_on, self.folder / file, self._places.get(name), MOST_AT_ONCE)
            if batch is not None:
                moved = True
                await self._publish(client, name, batch, name)
                self._places[name] = batch.end
                await asyncio.to_thread(cursor.save, self._places)
        for name in list(self._again):
            batch = await asyncio.to_thread(read_on, self.folder / FILES[name], self._again[name], MOST_AT_ONCE)
            asked = self._again.pop(name)
            if batch is None or batch.begin != asked or asked.row >= self._places[name].row:
                continue
            moved = True
            await self._publish(client, name, batch, f"{name}_again")
            self._again.setdefault(name, batch.end)  # unless an earlier row was asked for meanwhile
        return moved

    async def _publish(self, client: aiomqtt.Client, name: str, batch: Batch, topic: str) -> None:
        """Publish lines in their order and return once the broker has them all."""
        live = topic == name
        header = cells_of(batch.header)
        sending: list[Awaitable[None]] = []
        for row, line in enumerate(batch.lines, start=batch.begin.row):
            message: dict[str, Any] = {"log": batch.begin.log, "row": row, "line": line}
            if row > 0:
                message |= _said(name, header, cells_of(line))
            sending.append(client.publish(self.broker.topic(topic), _json(**message), qos=1))
            if live and name == "journal" and row > 0:
                if message["kind"] == "finding":
                    found = {"time": message["time"], "kind": message["subject"]}
                    found |= {"level": message["value"], "text": message["text"]}
                    sending.append(client.publish(self.broker.topic("findings"), _json(**found), qos=1))
                elif message["kind"] == "recorder" and message["value"] in RUNS:
                    self._recorder = message["value"]
        for result in await asyncio.gather(*sending, return_exceptions=True):
            if isinstance(result, BaseException):
                raise result
        self.acknowledged += len(batch.lines) if live else 0

    async def _tell(self, client: aiomqtt.Client, status: str | None) -> None:
        """Publish status, state and job, retained, when they changed or were told long ago."""
        state, age_s, toml = await asyncio.to_thread(self._look)
        if status is None:
            silent = age_s is None or age_s > self.silent_after_s
            status = "ended" if silent and self._recorder == "stopped" else "silent" if silent else "recording"
        if toml != self._job:
            await client.publish(self.broker.topic("job"), _json(toml=toml), qos=1, retain=True)
            self._job = toml
        judged = state["now"] if state is not None else None
        stage = judged["stage"] if judged is not None else None
        said = status_line(state, None if status in ("silent", "gone", "ended") else 0.0, time.time())
        told = (status, said)
        if told == self._told and time.monotonic() - self._told_at < STATE_EVERY_S:
            return
        rows = {name: {"log": place.log, "rows": place.row} for name, place in self._places.items()}
        now = stamp(datetime.datetime.now(datetime.UTC))
        await client.publish(self.broker.topic("status"), _json(time=now, status=status), qos=1, retain=True)
        whole = _json(
            time=now,
            job=self.broker.name,
            line=said,
            stage=None if stage is None else stage["name"],
            answer=None if stage is None else stage["answer"],
            level=None if stage is None or state is None else _worst(state, stage["begin"]),
            rows=rows,
        )
        await client.publish(self.broker.topic("state"), whole, qos=1, retain=True)
        self._told, self._told_at = told, time.monotonic()

    def _look(self) -> tuple[dict[str, Any] | None, float | None, str]:
        try:
            toml = without_secrets((self.folder / JOB_FILE).read_text(encoding="utf-8-sig"))
        except (OSError, UnicodeDecodeError, InputError):
            toml = self._job
        return read_state(self.folder), rows_age_s(self.folder, time.time()), toml

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Take requests for lines until the broker is lost (MqttError)."""
        async for message in client.messages:
            if message.retain or not isinstance(message.payload, bytes) or len(message.payload) > LARGEST_REQUEST:
                continue
            try:
                asked = json.loads(message.payload)
                name, row = asked["file"], int(asked["row"])
                upto = self._places[name]
                if asked["log"] not in ("", upto.log):
                    row = 0  # it has another log: this one is sent from its beginning
            except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
                continue
            running = self._again.get(name)
            if running is not None and running.row <= row:
                continue  # on its way
            place = await asyncio.to_thread(place_of_row, self.folder / FILES[name], row, upto)
            if place is not None:
                self._again[name] = place


def without_secrets(text: str) -> str:
    """Return job.toml without `[publish]` and `[[alarm]]`, the rest as it stands.

    Raises
    ------
    InputError
        They cannot be cut out safely.
    """
    kept, secret = [], False
    for line in text.splitlines(keepends=True):
        head = re.match(r"\s*\[\[?\s*[\"']?(\w[\w-]*)", line)
        if head is not None:
            secret = head.group(1) in ("publish", "alarm")
        if not secret:
            kept.append(line)
    cut = "".join(kept)
    try:
        wanted = tomllib.loads(text)
        for name in ("publish", "alarm"):
            wanted.pop(name, None)
        if tomllib.loads(cut) == wanted:
            return cut
    except tomllib.TOMLDecodeError:
        pass
    raise InputError(f"{JOB_FILE}: [publish] and [[alarm]] cannot be left out; expected them as tables of their own")


def _worst(state: dict[str, Any], begin: str) -> str:
    levels = [LEVELS.index(f["level"]) for f in state["result"]["findings"] if f["time"] >= begin]
    return LEVELS[max(levels, default=0)]


def _json(**fields: Any) -> str:
    return json.dumps({"version": VERSION, **fields}, ensure_ascii=False, allow_nan=False)


def _said(name: str, header: list[str], cells: list[str]) -> dict[str, Any]:
    """Return what one row of a file says, by its columns."""
    if name == "journal":
        cells = [*cells, *[""] * len(JOURNAL_COLUMNS)]
        return dict(zip(JOURNAL_COLUMNS, cells, strict=False))
    pairs = zip(header[1:], cells[1:], strict=False)
    values = {head: value for head, cell in pairs if (value := number(cell)) == value}
    return {"time": cells[0] if cells else "", "values": values}


def publisher_of(folder: Path) -> Publisher:
    """Return the publisher of a job.

    Raises
    ------
    InputError
        The job or its `[publish]` is refused.
    """
    job = load_job(folder)
    return Publisher(folder, Broker(job.publish, folder), silent_after_s=max(SILENT_AFTER_S, 3.0 * interval_of(job)))


def main(folder: Path, stop: threading.Event) -> None:
    """Publish a job until asked to stop."""
    asyncio.run(publisher_of(folder).run(stop))


if __name__ == "__main__":
    run_follower("mqtt", main)
