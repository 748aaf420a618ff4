"""The findings follower says live what a review says afterwards, writes each finding once, keeps to its share."""

from __future__ import annotations

import datetime
import json
import re
import shutil
import threading
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.log import load
from analysis.result import Assessment
from analysis.review import StageReview, review
from analysis.vocabulary.errors import InputError, RecorderError
from analysis.vocabulary.shipped import shipped
from collector.entries import Entry
from collector.follow import findings
from collector.follow.findings import (
    AT_LEAST_EVERY_S,
    SHARE,
    FindingsFollower,
    JournalWriter,
    Look,
    StateWriter,
    pause_s,
)
from collector.follow.now import now_of, over
from collector.follow.state import STATE_FILE, read_state, write_state
from collector.follow.tail import JournalTail
from tests.collector.follow.watching import wait_for
from tests.patience import PATIENCE_S
from tests.support import make_log, make_stretch

SAMPLE = shipped("sample_logs") / "full-job"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """The begin of the sample job: at rest, and the first of the recovery."""
    folder = tmp_path / "job"
    folder.mkdir()
    shutil.copy(SAMPLE / "job.toml", folder)
    for name, lines in (("readings.csv", 700), ("journal.csv", 12)):
        text = (SAMPLE / name).read_text(encoding="utf-8").splitlines(keepends=True)
        (folder / name).write_text("".join(text[:lines]), encoding="utf-8")
    return folder


def test_the_state_is_what_a_review_says(job: Path) -> None:
    FindingsFollower(job, [StateWriter(job)]).look()
    state = read_state(job)
    assert state is not None
    assert state["result"] == review(*load(job)).to_json()
    assert state["now"]["stage"]["name"] == "recovery"
    assert {c["name"] for c in state["now"]["cylinders"]} == {"CYL-1", "CYL-2", "CYL-3", "NEW-1"}
    assert [c["name"] for c in state["now"]["cylinders"] if c["on_scale"]] == ["CYL-2"]


def test_each_finding_is_in_the_journal_once(job: Path) -> None:
    looks: list[Look] = []
    follower = FindingsFollower(job, [looks.append, JournalWriter(job)])
    follower.look()
    follower.look()
    FindingsFollower(job, [JournalWriter(job)]).look()  # started again: what is written stays written once
    assert looks[0].result is not None
    assert len(looks[0].result.findings) > 2
    rows = [row for row in JournalTail(job / "journal.csv").rows() if row.kind == "finding"]
    assert [(row.subject, row.value) for row in rows] == [(f.kind, f.level) for f in looks[0].result.findings]


def test_a_finding_that_could_not_be_written_is_tried_again(job: Path) -> None:
    written: list[Entry] = []

    def put(_: Path, entry: Entry) -> None:
        if not working:
            raise RecorderError("the recorder does not answer")
        written.append(entry)

    working = False
    follower = FindingsFollower(job, [JournalWriter(job, put)])
    follower.look()
    assert written == []
    working = True
    look = follower.look()
    assert look.result is not None
    assert len(written) == len(look.result.findings)


def test_a_job_that_cannot_be_judged_is_said_and_followed_on(job: Path) -> None:
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(text + "\n[nonsense]\n", encoding="utf-8")
    follower = FindingsFollower(job, [StateWriter(job)])
    assert "nonsense" in follower.look().refused
    state = read_state(job)
    assert state is not None
    assert "nonsense" in state["refused"]
    (job / "job.toml").write_text(text, encoding="utf-8")
    assert follower.changed()
    assert follower.look().refused == ""


def test_it_looks_only_when_something_changed(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(findings, "AT_LEAST_EVERY_S", 0.05)
    monkeypatch.setattr(findings, "SHARE", 1.0)
    looks: list[Look] = []
    asked: list[bool] = []
    follower = FindingsFollower(job, [looks.append])
    changed = follower.changed
    monkeypatch.setattr(follower, "changed", lambda: asked.append(changed()) or asked[-1])

    def seen(times: int) -> int:
        """Return how many looks there were once it has asked so many times in vain."""
        until = len(asked) + times + 1
        wait_for(lambda: len(asked) >= until and not any(asked[-times:]), "it does not ask")
        return len(looks)

    stop = threading.Event()
    thread = threading.Thread(target=follower.run, args=(stop,))
    thread.start()
    try:
        assert seen(5) == 1
        with (job / "readings.csv").open("a", encoding="utf-8") as file:
            file.write("2026-03-17T09:00:00.000Z,60\n")
        assert seen(5) == 2
    finally:
        stop.set()
        thread.join(PATIENCE_S)


@pytest.mark.parametrize("took_s", [0.0, 0.5, 2.0, 30.0])
def test_it_takes_no_more_than_its_share_of_a_core(took_s: float) -> None:
    wait = pause_s(took_s)
    assert wait >= AT_LEAST_EVERY_S
    assert took_s / (took_s + wait) <= SHARE + 1e-9


def test_a_state_that_cannot_be_written_is_said_with_its_reason(tmp_path: Path) -> None:
    (tmp_path / STATE_FILE.parent).write_text("in the way")
    with pytest.raises(InputError, match=r"state\.json: cannot be written \((File exists|Not a directory)\)"):
        write_state(tmp_path, {"version": 1})


def test_a_state_is_whole_or_absent(tmp_path: Path) -> None:
    assert read_state(tmp_path) is None
    write_state(tmp_path, {"version": 1, "made": datetime.datetime.now().isoformat()})
    assert read_state(tmp_path) is not None
    whole = (tmp_path / STATE_FILE).read_bytes()
    for cut in range(len(whole)):
        (tmp_path / STATE_FILE).write_bytes(whole[:cut])
        assert read_state(tmp_path) is None
    (tmp_path / STATE_FILE).write_text(json.dumps({"version": 99}))
    assert read_state(tmp_path) is None


@pytest.mark.parametrize(
    ("moment", "verdict", "tone"),
    [
        ("2026-03-17T07:48:00Z", "disagree", "caution"),
        ("2026-03-17T09:44:00Z", "level_not_reached", "working"),
        ("2026-03-17T10:29:00Z", "level_not_held", "caution"),
    ],
)
def test_what_has_gone_wrong_already_asks_for_a_look(moment: str, verdict: str, tone: str) -> None:
    log, settings = load(SAMPLE)
    stage = now_of(review(log.before(pd.Timestamp(moment)), settings))["stage"]
    assert (stage["verdict"], stage["tone"]) == (verdict, tone)
    assert (stage["time_left"] is not None) == (tone == "working")


@pytest.mark.parametrize(("moment", "tone"), [("2026-03-18T15:42:00Z", "good"), ("2026-03-18T15:50:00Z", "working")])
def test_a_start_up_that_moves_again_is_no_longer_good(moment: str, tone: str) -> None:
    log, settings = load(SAMPLE)
    stage = now_of(review(log.before(pd.Timestamp(moment)), settings))["stage"]
    assert (stage["verdict"], stage["tone"]) == ("steady_in_limits", tone)


@pytest.mark.parametrize(("micron_per_s", "tone"), [(0.2, "working"), (0.8, "caution")])
def test_a_hold_that_is_on_course_to_fail_asks_for_a_look(micron_per_s: float, tone: str) -> None:
    """Closed at 60 micron after two hours, seen for 17 of the 30 min: 1,000 micron are passed after 20, or never."""
    at = np.arange(0.0, 8_220.0, 5.0)
    level = 60.0 + 20_000.0 * np.exp(-at / 300.0) + micron_per_s * np.maximum(at - 7_200.0, 0.0)
    journal = [(0.0, "stage", "evacuation", "begin"), (7_200.0, "mark", "pump_valve_closed", "")]
    aim = {"target": "500 micron", "hold": "30 min", "hold_limit": "1000 micron"}
    log, settings = make_log(at, {"vacuum": ("micron", level.round())}, tables={"evacuation": aim}, journal=journal)
    stage = now_of(review(log, settings))["stage"]
    assert (stage["verdict"], stage["tone"]) == ("undecided", tone)


@pytest.mark.parametrize(("warm_s", "expected"), [(290, []), (310, ["freeze_risk"])])
def test_a_freeze_risk_is_over_once_a_new_one_would_be_told(warm_s: int, expected: list[str]) -> None:
    at = np.arange(600)
    stretch = make_stretch("charging", at, {"circuit_pressure": ("psig", np.full(600, 30.0))}, ended=False)
    index = stretch.frame.index
    saturation = pd.Series(np.where(at < 600 - warm_s, 270.0, 276.0), index=index)
    assert over(StageReview(stretch, Assessment("short", "", traces={"saturation": saturation}))) == expected
    assert over(StageReview(stretch, Assessment("short", ""))) == []


def test_a_mass_is_shown_as_finely_as_a_scale_shows_it() -> None:
    log, settings = load(SAMPLE)
    stage = now_of(review(log.before(pd.Timestamp("2026-03-17T10:29:00Z")), settings))["stage"]
    shown = next(figure["text"] for figure in stage["figures"] if figure["name"] == "recovered")
    assert re.fullmatch(r"249\.\d lb", shown)
