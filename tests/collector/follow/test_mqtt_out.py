"""What is published of a job: every line once and in order whatever happens to the broker, and a last will."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.vocabulary.errors import InputError
from collector.commands.watch import followers_of
from collector.follow.broker import Broker as Address
from collector.follow.cursor import Cursor, Place, place_of_row, read_on
from collector.follow.mqtt import CURSOR_FILE, MOST_AT_ONCE, Publisher, publisher_of, without_secrets
from tests.collector.follow.brokers import Heard, Log, line_to, listening, make_broker, publishing
from tests.collector.follow.watching import ROOT
from tests.collector.instruments.conftest import Broker
from tests.patience import PATIENCE_S, come_true, free_port

__all__ = ["make_broker"]

Make = Callable[..., Broker]


def table(port: int, more: str = "") -> str:
    return f'[publish]\nbroker = "mqtt://127.0.0.1:{port}"\nname = "job-1"\n{more}\n'


def publisher(log: Log) -> Publisher:
    made = publisher_of(log.folder)
    made.longest_pause_s, made.linger_s, made.say = 0.3, 0.5, lambda _line: None
    made.silent_after_s = 2 * PATIENCE_S  # a test is no recorder
    return made


async def test_readings_journal_findings_and_state_come_as_documented(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    log = Log(tmp_path / "job", table(broker.port))
    log.entry("recorder", value="started")
    log.row(3)
    log.entry("finding", "stall", "caution", "pull-down stopped")
    async with listening(broker.port) as heard:
        async with publishing(publisher(log)):
            await heard.until(lambda: len(heard.of("readings")) == 4 and len(heard.of("journal")) == 3)
            await heard.until(lambda: heard.of("state") and heard.of("state")[-1]["rows"])
            log.entry("recorder", value="stopped")
        await heard.until(lambda: heard.of("status")[-1]["status"] == "ended")
    assert heard.of("readings")[0]["line"] == "time,circuit_pressure [psig],vacuum [micron]"
    row = heard.of("readings")[1]
    assert row["time"] == "2026-03-14T07:00:01.000Z"
    assert row["values"] == {"circuit_pressure [psig]": 0.1}  # a blank cell is no number
    assert heard.of("journal")[2]["kind"] == "finding"
    assert heard.of("findings") == [
        {"version": 1, "time": "2026-03-14T07:00:03.000Z", "kind": "stall", "level": "caution"}
        | {"text": "pull-down stopped"}
    ]
    assert heard.of("status")[0]["status"] == "recording"
    async with listening(broker.port) as late:  # what is retained tells whoever comes later
        await late.until(
            lambda: {"status", "state", "job"} <= {topic.rsplit("/", 1)[-1] for topic, _, _ in late.messages}
        )
    assert all(retained for _, _, retained in late.messages)
    assert "publish" not in tomllib.loads(late.of("job")[0]["toml"])


async def test_ten_minutes_of_rows_while_the_broker_is_dead_all_arrive(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    at = free_port()
    log = Log(tmp_path / "job", table(at))
    log.row(20)
    heard = Heard()
    one, said = publisher(log), []
    one.say = said.append
    async with publishing(one):
        async with listening(broker.port, heard), line_to(broker.port, at):
            await heard.until(lambda: len(heard.of("readings")) == 21)
            log.row(40)
            await heard.until(lambda: len(heard.of("readings")) > 21)
            broker.kill()  # SIGKILL, in the middle of a batch or not
        for _ in range(10):
            log.row(60)
            log.entry("note", text="written while nobody listened")
            await asyncio.sleep(0.03)
        broker.start()
        await broker.ready()
        async with listening(broker.port, heard), line_to(broker.port, at):
            await heard.until(lambda: heard.rows("readings")[-1:] == [660] and heard.rows("journal")[-1:] == [10])
    rows = heard.rows("readings")
    assert sorted(set(rows)) == list(range(661))  # nothing is missing
    new = [row for place, row in enumerate(rows) if row not in rows[:place]]
    assert new == list(range(661))  # and the order is kept
    assert any("is back" in line for line in said)
    assert len(rows) - 661 <= MOST_AT_ONCE  # twice
    assert [m["line"] for m in sorted(heard.of("readings"), key=lambda m: m["row"])][-1] == log.lines("readings.csv")[
        -1
    ]


async def test_a_publisher_that_starts_again_goes_on_behind_its_cursor(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    log = Log(tmp_path / "job", table(broker.port))
    log.row(120)
    async with listening(broker.port) as heard:
        async with publishing(publisher(log)):
            await heard.until(lambda: len(heard.of("readings")) == 121)
        log.row(5)
        async with publishing(publisher(log)):
            await heard.until(lambda: len(heard.of("readings")) == 126)
        assert heard.rows("readings") == list(range(126))
        (log.folder / CURSOR_FILE).write_text("{half a")  # a cursor that is lost costs repetition, never rows
        async with publishing(publisher(log)):
            await heard.until(lambda: len(heard.of("readings")) == 252)
    assert heard.rows("readings")[126:] == list(range(126))


async def test_rows_that_are_asked_for_come_again_beside_the_live_ones(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    log = Log(tmp_path / "job", table(broker.port))
    log.row(150)
    async with (
        listening(broker.port) as heard,
        publishing(publisher(log)),
        aiomqtt.Client("127.0.0.1", broker.port, timeout=PATIENCE_S) as asks,
    ):
        await heard.until(lambda: len(heard.of("readings")) == 151)
        name = heard.of("readings")[0]["log"]
        for bad in (
            b"",
            b"[]",
            b"{" * 900,
            b'{"file": "../job", "row": 1}',
            b'{"file": "readings", "log": "", "row": -1}',
            b'{"file": "readings", "log": "", "row": 1e999}',
        ):
            await asks.publish("standwatch/job-1/again", bad, qos=1)
        await asks.publish("standwatch/job-1/again", json.dumps({"file": "readings", "log": name, "row": 20}), qos=1)
        await heard.until(lambda: heard.rows("readings_again")[-1:] == [150])
        assert heard.rows("readings_again") == list(range(20, 151))
        assert len(heard.of("readings")) == 151


async def test_a_publisher_that_is_killed_leaves_its_will(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    log = Log(tmp_path / "job", table(broker.port))
    log.row(2)
    async with listening(broker.port) as heard:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "collector.follow.mqtt", str(log.folder), cwd=ROOT, stdin=subprocess.PIPE
        )
        try:
            await heard.until(lambda: heard.of("status"))
            assert heard.of("status")[0]["status"] in ("recording", "silent")  # silent where it took long to start
            process.send_signal(signal.SIGKILL)
            await heard.until(lambda: heard.of("status")[-1]["status"] == "gone")
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()


async def test_a_recorder_that_is_silent_is_told(tmp_path: Path, make_broker: Make) -> None:
    broker = make_broker()
    await broker.ready()
    log = Log(tmp_path / "job", table(broker.port))
    log.row(2)
    one = publisher(log)
    one.silent_after_s = 1.0
    async with listening(broker.port) as heard, publishing(one):
        await heard.until(lambda: heard.of("status") and heard.of("status")[-1]["status"] == "silent")
        await heard.until(lambda: heard.of("state") and "NO ROWS" in heard.of("state")[-1]["line"])
        silent = len(heard.of("status"))
        while all(said["status"] != "recording" for said in heard.of("status")[silent:]):
            log.row()
            await asyncio.sleep(0.1)


def password_and_certificate(folder: Path, password: str) -> None:
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(folder / "users"), "job", password], check=True)
    made = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost"
    names = "-addext subjectAltName=IP:127.0.0.1 -keyout key.pem -out ca.pem"
    subprocess.run([*made.split(), *names.split()], check=True, cwd=folder, capture_output=True)


async def test_user_password_and_tls(tmp_path: Path, make_broker: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    password = "not-to-be-seen"
    password_and_certificate(tmp_path, password)
    broker = make_broker(
        "allow_anonymous false\n",
        f"certfile {tmp_path}/ca.pem\nkeyfile {tmp_path}/key.pem\npassword_file {tmp_path}/users\n",
    )
    await broker.ready()
    secret = tmp_path / "secret"
    secret.write_text(password + "\n")
    secret.chmod(0o600)
    monkeypatch.setenv("RIG_USER", "job")
    said: list[str] = []
    log = Log(
        tmp_path / "job",
        f'[publish]\nbroker = "mqtts://127.0.0.1:{broker.port}"\nname = "job-1"\nca_file = "{tmp_path}/ca.pem"\n'
        f'username_env = "RIG_USER"\npassword_file = "{secret}"\n',
    )
    log.row(60)
    one = publisher(log)
    one.say = said.append
    async with publishing(one):
        await come_true(lambda: one.acknowledged == 61)
    secret.write_text("another\n")
    two = publisher(log)
    two.say = said.append
    async with publishing(two):
        await come_true(lambda: said)  # refused, and said so
    everything = [*said, repr(one), repr(one.broker), repr(vars(one.broker)["_table"])]
    everything += [f.read_text() for f in log.folder.rglob("*") if f.is_file()]
    assert password not in "".join(everything)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('name = "x"', "publish.broker: expected mqtt://HOST:1883"),
        ('broker = "mqtt://h"\nretain = true', "publish.retain: unknown key; expected one of broker, topic"),
        ('broker = "http://h"', "publish.broker: expected mqtt://HOST:1883"),
        ('broker = "mqtt://me:hunter2@h"', "publish.broker: expected mqtt://HOST:1883"),
        ('broker = "mqtt://h"\ntopic = "a/#"', "publish.topic: 'a/#' is not accepted"),
        ('broker = "mqtt://h"\nname = "../x"', "publish.name: '../x' is not accepted"),
        (
            'broker = "mqtt://h"\npassword_env = "NOT_SET_ANYWHERE"',
            "publish.password_env: 'NOT_SET_ANYWHERE' is not set",
        ),
        ('broker = "mqtt://h"\npassword_file = "nowhere"', "publish.password_file: .*cannot be read"),
        ('broker = "mqtt://h"\nca_file = "x"', "publish.ca_file: the broker is not mqtts"),
        ('broker = "mqtt://h"\npassword = "hunter2"', "publish.password: unknown key"),
    ],
)
def test_what_is_refused_is_refused_in_one_line_without_secrets(tmp_path: Path, lines: str, said: str) -> None:
    log = Log(tmp_path / "job", f"[publish]\n{lines}\n")
    with pytest.raises(InputError, match=said) as caught:
        followers_of(log.folder)
    assert "\n" not in str(caught.value)
    assert "hunter2" not in str(caught.value)


def test_a_secret_that_others_can_read_is_refused(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x\n")
    secret.chmod(0o640)
    with pytest.raises(InputError, match=r"others may read .*mode 640.*expected mode 600"):
        Address({"broker": "mqtt://h", "password_file": "secret"}, tmp_path)
    secret.chmod(0o600)
    assert Address({"broker": "mqtt://h", "password_file": "secret"}, tmp_path).port == 1883


def test_secret_tables_are_cut_out_or_nothing_is_published() -> None:
    text = '[job]\nname = "a"\n'
    text += '[[alarm]]\nurl = "json://pw@h"\n[alarm.more]\nx = 1\n[circuit]\n# kept\n[publish]\nbroker = "b"\n'
    assert without_secrets(text) == '[job]\nname = "a"\n[circuit]\n# kept\n'
    for inline in ('publish = { broker = "b" }\n[job]\nname = "a"\n', 'alarm = [{ url = "json://pw" }]\n'):
        with pytest.raises(InputError, match="cannot be left out"):
            without_secrets(inline)


@given(cuts=st.lists(st.integers(1, 7), max_size=12), rows=st.integers(1, 30))
def test_every_line_is_read_once_wherever_reading_stops(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], rows: int
) -> None:
    file = tmp_path_factory.mktemp("log") / "readings.csv"
    lines = ["time,a [K]", *(f"2026-01-01T00:00:{n:02d}.000Z,{n}" for n in range(rows))]
    file.write_bytes(("\n".join(lines) + "\n2026-01-01T00:59").encode())  # and half a line
    cursor, read = Cursor(file.with_name("cursor.json"), "b"), []
    while True:
        place = cursor.load().get("readings")
        batch = read_on(file, place, cuts.pop() if cuts else 5)
        if batch is None:
            break
        assert batch.begin.row == len(read)
        read += batch.lines
        cursor.save({"readings": batch.end})
    assert read == lines
    end = cursor.load()["readings"]
    half = place_of_row(file, rows // 2, end)
    assert half is not None
    assert read_on(file, half, 1) is not None
    assert place_of_row(file, rows + 2, end) is None
    assert Cursor(cursor.file, "another").load() == {}


def test_a_log_that_is_cut_back_is_waited_for_and_another_log_begins_anew(tmp_path: Path) -> None:
    file = tmp_path / "readings.csv"
    whole = b"time,a [K]\n" + b"".join(b"2026-01-01T00:00:%02d.000Z,1\n" % n for n in range(9))
    file.write_bytes(whole)
    batch = read_on(file, None, 100)
    assert batch is not None
    os.truncate(file, len(whole) - 28)
    assert read_on(file, batch.end, 100) is None
    file.write_bytes(whole + b"2026-01-01T00:00:09.000Z,2\n")
    more = read_on(file, batch.end, 100)
    assert more is not None
    assert more.lines == ("2026-01-01T00:00:09.000Z,2",)
    file.write_bytes(whole.replace(b":00.000Z,1", b":00.000Z,7") + b"2026-01-01T00:01:00.000Z,2\n")
    anew = read_on(file, batch.end, 100)
    assert anew is not None
    assert anew.begin == Place(anew.begin.log)
    assert anew.begin.log != batch.begin.log
