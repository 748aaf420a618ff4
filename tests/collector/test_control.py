"""The control channel: loopback, a token, bounded, and nothing that a stranger sends gets into the journal."""

from __future__ import annotations

import asyncio
import json
import stat
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from hypothesis import given
from hypothesis import strategies as st

from analysis.vocabulary.channels import MARKS
from analysis.vocabulary.errors import InputError
from collector.control import CONTROL_FILE, LONGEST_REQUEST, ControlServer
from collector.entries import LONGEST_TEXT, Entry, checked


class Channel:
    """A control server that keeps what it was asked to write."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.written: list[Entry] = []
        (folder / ".standwatch").mkdir()

    async def write(self, entry: Entry) -> None:
        self.written.append(entry)

    def where(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder / CONTROL_FILE).read_text())
        return found

    async def ask(self, line: bytes) -> bytes:
        """Send raw bytes and return the first line of the answer."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.where()["port"])
        writer.write(line)
        writer.write_eof()
        try:
            return await reader.readline()
        except ConnectionError:
            return b""
        finally:
            writer.close()

    def message(self, **fields: object) -> bytes:
        return json.dumps({"token": self.where()["token"], "kind": "note", "text": "x", **fields}).encode() + b"\n"


@pytest_asyncio.fixture
async def channel(tmp_path: Path) -> AsyncIterator[Channel]:
    made = Channel(tmp_path)
    async with ControlServer(tmp_path, made.write):
        yield made


async def test_the_token_is_for_the_owner_alone(channel: Channel) -> None:
    assert stat.S_IMODE((channel.folder / CONTROL_FILE).stat().st_mode) == 0o600


async def test_with_the_token_an_entry_is_written(channel: Channel) -> None:
    assert json.loads(await channel.ask(channel.message(kind="mark", subject="oil_change"))) == {"ok": True}
    assert channel.written == [Entry("mark", "oil_change", "", "x")]


async def test_strangers_and_nonsense_write_nothing(channel: Channel) -> None:
    for line, said in [
        (channel.message(token="guess"), "wrong token"),
        (channel.message(token=""), "wrong token"),
        (channel.message(token=None), "expected strings"),
        (b"[]\n", "not understood"),
        (b"[" * 5000 + b"\n", "not understood"),
        (b"\xff\xfe\n", "not understood"),
        (channel.message(kind="recorder", subject="stopped"), "'recorder' is not accepted"),
        (channel.message(kind="mark", subject="../../etc"), "is not accepted; expected cylinder_on"),
        (channel.message(kind="stage", subject="recovery", value="middle"), "expected begin, end"),
        (channel.message(text="x" * (LONGEST_TEXT + 1)), "too long"),
    ]:
        assert said in json.loads(await channel.ask(line))["error"]
    assert channel.written == []


async def test_a_line_without_end_is_dropped_and_the_next_peer_is_served(channel: Channel) -> None:
    assert await channel.ask(b"x" * (LONGEST_REQUEST * 2)) == b""
    assert json.loads(await channel.ask(channel.message())) == {"ok": True}


@pytest.mark.parametrize("turns", range(5))
async def test_a_request_that_arrives_while_the_channel_ends_is_answered_or_not_written(
    tmp_path: Path, turns: int
) -> None:
    """Whoever gets no answer sends it again: what was written without one would stand in the journal twice."""
    made = Channel(tmp_path)
    async with ControlServer(tmp_path, made.write):
        reader, writer = await asyncio.open_connection("127.0.0.1", made.where()["port"])
        writer.write(made.message())
        assert await reader.readline() != b""
        writer.write(made.message())
        for _ in range(turns):
            await asyncio.sleep(0)
    try:
        answers = 1 + (await reader.readline() != b"")
    except ConnectionError:
        answers = 1
    finally:
        writer.close()
    assert len(made.written) == answers


@given(st.text(), st.text(), st.text(), st.text())
def test_whatever_is_accepted_is_known_and_bounded(kind: str, subject: str, value: str, text: str) -> None:
    try:
        entry = checked(Entry(kind, subject, value, text))
    except InputError:
        return
    assert entry.kind in ("mark", "stage", "note", "finding")
    assert entry.kind != "mark" or entry.subject in MARKS
