"""Names that would leave their place, and sizes that would not end."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.rules import load_rules
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import load_job, parse_job
from analysis.vocabulary.text import LONGEST_NAME, LONGEST_TEXT, one_line
from collector.entries import Entry, checked
from collector.follow.broker import Broker, default_name
from collector.follow.gather import LARGEST_MESSAGE, Gatherer
from collector.follow.state import LARGEST_BYTES, STATE_FILE, read_state
from collector.page.model import MOST_JOURNAL_ROWS, Model
from tests.page.conftest import Log

NAMES = ["", ".", "..", "../x", "a/b", "/etc", "a+b", "a#", "#", "+", "$SYS", "a\0b", "a\nb", ".h", "-x", "x" * 65, "ä"]


@pytest.mark.parametrize("name", NAMES[1:])
def test_a_name_that_would_leave_its_topic_or_folder_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=r"publish\.name"):
        Broker({"broker": "mqtt://h", "name": name}, tmp_path)


@pytest.mark.parametrize("folder", ["a+b#c", "ä ö", "...", "x" * 200, "$SYS"])
def test_a_folders_name_becomes_one_word_of_a_topic(tmp_path: Path, folder: str) -> None:
    made = Broker({"broker": "mqtt://h"}, tmp_path / folder)
    assert not set(made.topic("readings").removeprefix("standwatch/")) & set("+#$")
    assert made.topic("readings").count("/") == 2
    assert default_name(tmp_path / folder) == made.name


@pytest.mark.parametrize("name", NAMES)
def test_what_is_gathered_stays_in_its_folder(tmp_path: Path, name: str) -> None:
    class Message:
        def __init__(self, topic: str, payload: bytes) -> None:
            self.topic, self.payload = topic, payload

    gatherer = Gatherer(tmp_path / "out", Broker({"broker": "mqtt://h"}, tmp_path), print)
    line = b'{"version": 1, "log": "a", "row": 0, "line": "time,a [K]"}'
    gatherer._hear(Message(f"standwatch/{name}/readings", line))  # type: ignore[arg-type]
    assert not gatherer._hear(Message("standwatch/x/readings", line + b" " * LARGEST_MESSAGE))  # type: ignore[arg-type]
    assert not any(copy.waiting for job in gatherer.jobs.values() for copy in job.copies.values())
    assert all(job.folder.parent == tmp_path / "out" for job in gatherer.jobs.values())
    assert gatherer._hear(Message("standwatch/x/readings", line))  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["../us-40cfr82", "../../etc/passwd", "/etc/passwd", "us-40cfr82\0", "", "x" * 5_000])
def test_a_rule_file_is_one_that_is_shipped_or_a_toml(name: str) -> None:
    with pytest.raises(InputError, match="is not accepted; expected"):
        load_rules(name)


def test_a_rule_file_elsewhere_is_read_as_rules_or_refused(tmp_path: Path) -> None:
    (tmp_path / "secret.toml").write_text('password = "hunter2"\n')
    with pytest.raises(InputError, match=r"no table \[rules\]") as refusal:
        load_rules(str(tmp_path / "secret.toml"))
    assert "hunter2" not in str(refusal.value)


def test_names_and_texts_are_bounded() -> None:
    assert parse_job({"job": {"name": "x" * LONGEST_NAME}}).job.name == "x" * LONGEST_NAME
    with pytest.raises(InputError, match=f"expected at most {LONGEST_NAME} characters"):
        parse_job({"job": {"name": "x" * (LONGEST_NAME + 1)}})
    for entry in (
        Entry("mark", "cylinder_on", "x" * (LONGEST_NAME + 1)),
        Entry("note", "x" * (LONGEST_NAME + 1)),
        Entry("note", text="x" * (LONGEST_TEXT + 1)),
    ):
        with pytest.raises(InputError, match="too long"):
            checked(entry)
    assert len(one_line("x\n" * LONGEST_TEXT)) == LONGEST_TEXT


def test_a_state_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    file = tmp_path / STATE_FILE
    file.parent.mkdir()
    with file.open("wb") as sparse:
        sparse.truncate(LARGEST_BYTES + 1)
    assert read_state(tmp_path) is None


def test_the_page_keeps_so_many_rows_of_a_journal_and_no_more(tmp_path: Path) -> None:
    log = Log(tmp_path / "job")
    lines = "".join(f"2026-03-14T07:00:00.000Z,mark,oil_change,{n},\n" for n in range(10_000))
    (log.folder / "journal.csv").write_text("time,kind,subject,value,text\n" + lines)
    model = Model(log.folder)
    while model.take(model.read()):
        pass
    assert len(model.journal) == MOST_JOURNAL_ROWS
    assert model.journal[-1].value == "9999"


def test_a_job_is_a_folder_that_holds_a_job(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no job\.toml here"):
        load_job(tmp_path / ".." / "elsewhere")
