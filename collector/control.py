"""Marks, notes and stages from outside: a loopback channel whose token stands in the job folder.

One JSON object a line, ``{"token", "kind", "subject", "value", "text"}``; the answer is ``{"ok": true}`` once the row
is on the disk, or ``{"error": "…"}``. Without a recorder the row is written under the folder's lock.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import hmac
import json
import random
import secrets
import socket
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from analysis.vocabulary.errors import InputError, RecorderError, StandwatchError
from analysis.vocabulary.job import JOURNAL_FILE
from analysis.vocabulary.text import LONGEST_TEXT
from collector.entries import Entry, checked
from collector.folder_lock import FolderHeld, FolderLock
from collector.joblog import JOURNAL_HEADER, LineFile
from collector.whole_file import put_in_place

CONTROL_FILE = Path(".standwatch") / "control.json"
LONGEST_REQUEST = 4 * LONGEST_TEXT + 4_096
MOST_CONNECTIONS = 32
TIMEOUT_S = 10.0
TURNED_AWAY_PAUSES_S = (0.05, 0.1, 0.2, 0.4, 0.8)

Write = Callable[[Entry], Awaitable[None]]


class ControlServer:
    """Listens on loopback for entries; `write` puts one into the journal and returns once it is safe."""

    def __init__(self, folder: Path, write: Write) -> None:
        self._file = folder / CONTROL_FILE
        self._write = write
        self._token = secrets.token_urlsafe(24)
        self._peers: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._answering: set[asyncio.Task[None]] = set()
        self._closing = False
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> ControlServer:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0, limit=LONGEST_REQUEST)
        self.announce()
        return self

    def announce(self) -> None:
        """Write where to ask and with which token into the job folder, for its owner alone; nothing while it ends.

        Raises
        ------
        OSError
            The folder cannot be written.
        """
        if self._server is None or self._closing:
            return
        port = self._server.sockets[0].getsockname()[1]
        where = json.dumps({"port": port, "token": self._token})
        put_in_place(self._file, where.encode(), mode=0o600, synced=False)
        if self._closing:  # meanwhile, in the other thread
            self._file.unlink(missing_ok=True)

    async def __aexit__(self, *_: object) -> None:
        """Take no more; whoever has been heard still gets an answer."""
        self._closing = True
        with contextlib.suppress(OSError):  # of a disk that is gone
            self._file.unlink(missing_ok=True)
        if self._server is not None:
            with contextlib.suppress(NotImplementedError):  # Windows
                for listening in self._server.sockets:
                    asyncio.get_running_loop().remove_reader(listening)
            await asyncio.sleep(0)  # whoever has just been let in is served: closing now would leave them hanging
            self._server.close()  # not waited for: since Python 3.12 that would wait for silent peers too
        for peer, writer in self._peers.items():
            if peer not in self._answering:
                writer.close()
        if self._peers:
            await asyncio.wait(self._peers, timeout=TIMEOUT_S)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = asyncio.current_task()
        assert peer is not None
        self._peers[peer] = writer
        try:
            while len(self._peers) <= MOST_CONNECTIONS and not self._closing:
                async with asyncio.timeout(TIMEOUT_S):
                    line = await reader.readline()
                if not line or writer.is_closing():  # who cannot be answered sends it again: written once, then
                    break
                self._answering.add(peer)
                writer.write(json.dumps(await self._answer(line)).encode() + b"\n")
                async with asyncio.timeout(TIMEOUT_S):
                    await writer.drain()
                self._answering.discard(peer)
        except (TimeoutError, ConnectionError, ValueError):
            pass  # a peer that is silent, gone or sends a line without end is dropped
        finally:
            self._peers.pop(peer, None)
            self._answering.discard(peer)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            asked = json.loads(line)
            fields = {name: asked.get(name, "") for name in ("token", "kind", "subject", "value", "text")}
        except (ValueError, AttributeError, RecursionError):
            return {"error": "not understood; expected one JSON object a line"}
        if not all(isinstance(value, str) for value in fields.values()):
            return {"error": "not understood; expected strings"}
        if not hmac.compare_digest(fields.pop("token").encode(), self._token.encode()):
            return {"error": "wrong token; expected the one in the job folder"}
        try:
            await self._write(checked(Entry(**fields)))
        except StandwatchError as error:
            return {"error": str(error)}
        return {"ok": True}


def send(folder: Path, entry: Entry) -> None:
    """Put an entry into the journal of a job and return once it is on the disk.

    Through the recorder that runs, else directly under the folder's lock.

    Raises
    ------
    InputError
        The entry is not accepted, or the folder is not a job.
    RecorderError
        A recorder holds the job but does not answer.
    """
    checked(entry)
    for pause_s in (*TURNED_AWAY_PAUSES_S, None):
        try:
            where = json.loads((folder / CONTROL_FILE).read_text(encoding="utf-8"))
            reply = _ask(int(where["port"]), {"token": str(where["token"]), **vars(entry)})
        except (OSError, ValueError, KeyError, TypeError) as error:  # no recorder, or none that answers
            try:
                write_directly(folder, entry)
            except RecorderError:
                if pause_s is None or isinstance(error, TimeoutError):
                    raise
                time.sleep(pause_s * random.uniform(0.5, 1.5))  # it starts, or has too many callers at once
                continue
            return
        if "error" in reply:
            raise InputError(str(reply["error"]))
        return


def _ask(port: int, message: dict[str, str]) -> dict[str, Any]:
    with socket.create_connection(("127.0.0.1", port), timeout=TIMEOUT_S) as connection:
        connection.sendall(json.dumps(message).encode() + b"\n")
        with connection.makefile("rb") as replies:
            reply = json.loads(replies.readline(LONGEST_REQUEST))
    if not isinstance(reply, dict):
        raise ValueError("not an answer")
    return reply


def write_directly(folder: Path, entry: Entry) -> None:
    """Write an entry while no recorder runs.

    Raises
    ------
    RecorderError
        A recorder holds the job but its control channel does not answer.
    InputError
        The journal cannot be written.
    """
    try:
        lock = FolderLock(folder)
    except FolderHeld:
        raise RecorderError(
            f"{folder}: the recorder does not answer; the {entry.kind} was not written, try again"
        ) from None
    with lock, LineFile(folder / JOURNAL_FILE, JOURNAL_HEADER) as journal:
        now = datetime.datetime.now(datetime.UTC)
        last = journal.opened.last_time
        time = now if last is None else max(now, last)
        torn = journal.opened.torn_words(journal.path.name)
        entries = [Entry("note", text=torn), entry] if torn else [entry]
        try:
            journal.commit(b"".join(each.line(time) for each in entries))
        except OSError as error:
            raise InputError(f"{journal.path}: cannot be written ({error.strerror})") from None
