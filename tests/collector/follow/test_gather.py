"""A fleet gathered: the same job folders, whoever was away in between."""

from __future__ import annotations

import asyncio
import contextlib
import os
import resource
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import aiomqtt
import pytest

from analysis.vocabulary.errors import InputError
from collector.cli import main
from collector.commands.gather import until_stopped
from collector.follow import gather as module
from collector.follow.broker import Broker as Address
from collector.follow.cursor import log_name
from collector.follow.gather import Copy, Gatherer
from collector.follow.mqtt import publisher_of
from collector.tasks import end_tasks
from tests.collector.follow.brokers import Log, make_broker, publishing
from tests.collector.follow.watching import ROOT
from tests.collector.instruments.conftest import Broker
from tests.patience import PATIENCE_S, come_true

__all__ = ["make_broker"]

Make = Callable[..., Broker]
LAPTOPS = 100


@pytest.fixture
def many_descriptors() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 8_192), hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def log_of(folder: Path, port: int, name: str) -> Log:
    return Log(folder, f'[publish]\nbroker = "mqtt://127.0.0.1:{port}"\nname = "{name}"\n')


@contextlib.asynccontextmanager
async def gathering(out: Path, port: int) -> AsyncIterator[Gatherer]:
    made = Gatherer(out, Address({"broker": f"mqtt://127.0.0.1:{port}"}, out), lambda _line: None)
    task = asyncio.create_task(made.run())
    try:
        yield made
    finally:
        await end_tasks([task])


def same(log: Log, copy: Path) -> bool:
    files = ("readings.csv", "journal.csv")
    return all((copy / f).exists() and (copy / f).read_bytes() == (log.folder / f).read_bytes() for f in files)


@pytest.mark.timeout(420)  # all of them are one process here, and each looks at its files again and again
async def test_a_hundred_laptops_and_a_gatherer_that_is_away_in_between(
    tmp_path: Path, make_broker: Make, many_descriptors: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.follow.mqtt.LOOK_EVERY_S", 2.0)
    broker = make_broker()
    await broker.ready()
    logs = {f"laptop-{n}": log_of(tmp_path / f"job{n}", broker.port, f"laptop-{n}") for n in range(LAPTOPS)}

    def grow(rows: int) -> None:
        for log in logs.values():
            log.row(rows)
            log.entry("note", text="a word")

    grow(5)
    out = tmp_path / "out"
    publishers = [publisher_of(log.folder) for log in logs.values()]
    for publisher in publishers:
        publisher.linger_s, publisher.longest_pause_s, publisher.say = 0.0, 1.0, lambda _line: None
    async with publishing(*publishers):
        async with gathering(out, broker.port):
            await come_true(lambda: all(same(log, out / name) for name, log in logs.items()), 2 * PATIENCE_S)
        grow(5)
        await come_true(
            lambda: all(p.acknowledged >= 6 + 5 + 2 + 1 for p in publishers), 2 * PATIENCE_S
        )  # nobody heard it
        async with gathering(out, broker.port):
            await come_true(lambda: all(same(log, out / name) for name, log in logs.items()), 2 * PATIENCE_S)
    assert len(list(out.glob("laptop-*/job.toml"))) == LAPTOPS
    assert not list(out.glob("*/*-*.csv"))  # no log was taken for another


async def test_a_new_log_under_the_same_name_leaves_the_old_one_beside_it(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    one, two = (log_of(tmp_path / name, broker.port, "laptop") for name in ("one", "two"))
    one.row(3)
    one.entry("note", text="first")
    two.stamp = lambda: "2026-04-01T00:00:00.000Z"  # type: ignore[method-assign]
    two.row(2)
    two.entry("note", text="second")
    out = tmp_path / "out"
    async with gathering(out, broker.port):
        for log in (one, two):
            publisher = publisher_of(log.folder)
            publisher.linger_s = 0.0
            async with publishing(publisher):
                await come_true(lambda log=log: same(log, out / "laptop"))  # type: ignore[misc]
    kept = [file.read_bytes() for file in (out / "laptop").glob("readings-*.csv")]
    assert kept == [(one.folder / "readings.csv").read_bytes()]


async def test_what_is_being_written_as_it_is_stopped_is_counted_and_waited_for(
    tmp_path: Path, make_broker: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker = make_broker()
    await broker.ready()
    log = log_of(tmp_path / "job", broker.port, "laptop")
    log.row(3)
    log.entry("note", text="a word")
    commit = module.LineFile.commit

    def on_a_slow_disk(file: module.LineFile, lines: bytes) -> None:
        commit(file, lines)
        time.sleep(0.5)

    monkeypatch.setattr(module.LineFile, "commit", on_a_slow_disk)
    out = tmp_path / "out"
    publisher = publisher_of(log.folder)
    publisher.linger_s = 0.0
    async with publishing(publisher):
        async with gathering(out, broker.port) as made:
            await come_true(lambda: same(log, out / "laptop"))
        assert made.written == 4 + 2


async def test_what_is_not_ours_writes_nothing(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    out = tmp_path / "out"
    line = b'{"version": 1, "log": "a", "row": 0, "line": "%s"}'
    async with gathering(out, broker.port) as made, aiomqtt.Client("127.0.0.1", broker.port, timeout=PATIENCE_S) as bad:
        await bad.publish("standwatch/x/journal_again", b"kept for whoever comes to hear it", qos=1, retain=True)
        await come_true(lambda: made.refused == 1)  # it listens
        await bad.publish("standwatch/x/job", b'{"version": 1, "toml": "not = [toml"}', qos=1)
        for topic, payload in (
            ("standwatch/.hidden/readings", line % b"time,a [K]"),
            ("standwatch/x/readings", line % b"a\\nb"),
            ("standwatch/x/readings", b"\xff"),
            ("standwatch/x/readings", b'{"version": 1, "log": "a", "row": -1, "line": ""}'),
            ("standwatch/x/state", b'{"version": 1, "rows": {"../job": {}}}'),
            ("standwatch/x/status", b'{"version": 2, "status": "gone"}'),
        ):
            await bad.publish(topic, payload, qos=1)
        await come_true(lambda: made.refused == 7 and made.jobs["x"].toml is None)  # looked at, and put away
    assert [path.name for path in out.iterdir()] == [".standwatch"]


async def test_the_command_tells_of_a_laptop_that_dies_and_ends_on_a_signal(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    log = log_of(tmp_path / "job", broker.port, "laptop")
    log.row(3)
    log.entry("recorder", value="started")
    out = tmp_path / "out"
    options = ["gather", str(out), "--broker", f"mqtt://127.0.0.1:{broker.port}"]
    office = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "collector.cli", *options, cwd=ROOT, stdout=asyncio.subprocess.PIPE
    )
    laptop = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "collector.follow.mqtt", str(log.folder), cwd=ROOT, stdin=asyncio.subprocess.PIPE
    )
    said = ""

    async def hear(*words: str) -> None:
        """Read what it says until it has said one of the words."""
        nonlocal said
        assert office.stdout is not None
        while not any(word in said for word in words):
            line = await office.stdout.readline()
            assert line, f"it has ended: {said}"
            said += line.decode()

    try:
        async with asyncio.timeout(PATIENCE_S):
            assert office.stdout is not None
            await come_true(lambda: same(log, out / "laptop"))
            await hear("laptop: recording", "laptop: NO ROWS")  # so on a slow machine
            laptop.kill()
            await hear("GONE")
            office.send_signal(signal.SIGTERM)
            said += (await office.stdout.read()).decode()
            assert await office.wait() == 0
    finally:
        for process in (office, laptop):
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    assert "laptop: THE LAPTOP OR ITS LINE IS GONE" in said
    assert "stopped; 6 lines were written" in said


async def test_one_signal_ends_it_even_where_a_library_forgets_the_cancellation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As `asyncio.wait_for` does before Python 3.12 when an acknowledgement comes in the same turn."""

    async def run(self: Gatherer) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            os.kill(os.getpid(), signal.SIGTERM)
            await asyncio.sleep(60)
        await asyncio.sleep(60)

    monkeypatch.setattr(Gatherer, "run", run)
    gatherer = Gatherer(tmp_path, Address({"broker": "mqtt://127.0.0.1:9"}, tmp_path), print)
    await asyncio.wait_for(until_stopped(gatherer), PATIENCE_S)
    assert "stopped; 0 lines were written" in capsys.readouterr().out


def test_a_copy_takes_each_line_once_and_knows_what_is_missing(tmp_path: Path) -> None:
    lines = ["time,a [K]", *(f"2026-01-01T00:00:0{n}.000Z,{n}" for n in range(6))]
    name = log_name(("\n".join(lines) + "\n").encode())
    assert name is not None
    copy = Copy(tmp_path / "x" / "readings.csv")
    copy.behind = False
    copy.take(name, 3, lines[3])
    assert (copy.expected, copy.behind) == (0, True)
    copy.take(name, 0, lines[0])
    assert copy.commit() == 0  # not before the first row
    for row in (1, 2, 1, 2, 4):
        copy.take(name, row, lines[row])
    assert copy.commit() == 3
    with copy.path.open("ab") as file:
        file.write(b"2026-01-01T00:0")  # torn by a power cut
    again = Copy(copy.path)
    assert (again.log, again.expected) == (name, 3)
    for row in range(7):
        again.take(name, row, lines[row])
    again.commit()
    assert copy.path.read_text().splitlines() == lines


def test_settings_are_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["gather", str(tmp_path / "out"), "--broker", "http://x"])
    assert ended.value.code == 2
    assert capsys.readouterr().err.startswith("standwatch: --broker: expected mqtt://HOST")
    with module.FolderLock(tmp_path), pytest.raises(InputError, match="another process"):
        asyncio.run(Gatherer(tmp_path, Address({"broker": "mqtt://127.0.0.1:9"}, tmp_path), print).run())
