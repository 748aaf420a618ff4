"""What the page knows, without a browser."""

from __future__ import annotations

import datetime
import math
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.vocabulary.channels import MARKS, STAGES, make_column
from collector.entries import Entry, checked
from collector.follow.tail import JournalRow
from collector.page.answer import lost_words, said_now, unweighed
from collector.page.channel_health import Channel
from collector.page.charts import options, trends_of
from collector.page.columns_store import ColumnsStore, broken_line, thin
from collector.page.entries import OPPOSITE, STAGE_MARKS, undo
from collector.page.model import FIRST_ROW_WITHIN_S, Model
from collector.page.readings import shown, with_sign
from collector.page.themes import THEMES
from tests.page.conftest import Log, stamp


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400), st.integers(4, 50))
def test_thinning_keeps_ends_extremes_and_order(values: list[float], most: int) -> None:
    at = np.arange(len(values), dtype=float)
    kept_at, kept = thin(at, np.array(values), most)
    assert len(kept) <= max(most + 4, 2)
    assert (np.diff(kept_at) > 0).all()
    assert (kept_at[0], kept_at[-1]) == (0.0, len(values) - 1.0)
    assert (kept.min(), kept.max()) == (min(values), max(values))


def test_a_line_is_broken_where_nothing_was_read_for_long() -> None:
    at = np.array([0.0, 1.0, 2.0, 200.0, 201.0])
    assert [value for _, value in broken_line(at, at)] == [0.0, 1.0, 2.0, None, 200.0, 201.0]
    slow = np.arange(5) * 60.0
    assert None not in [value for _, value in broken_line(slow, slow)]


def test_rows_that_go_back_in_time_are_left_out_and_the_store_grows() -> None:
    store = ColumnsStore(["a"])
    store.add([(float(i), [i * 2.0]) for i in range(10_000)])
    store.add([(5.0, [0.0]), (10_000.0, [math.nan])])
    assert len(store) == 10_001
    assert store.values("a")[9_999] == 19_998.0
    assert len(store.line("a", 9_990.0, 100)) == 10


@pytest.mark.parametrize("step", [0.2, 1.0, 60.0])
def test_health_is_judged_by_a_channels_own_pace(step: float) -> None:
    channel = Channel("a", "psig")
    assert channel.health(0.0) == "never"
    for i in range(20):
        channel.reading(i * step, 1.0)
    last = 19 * step
    assert channel.health(last + 1.5 * step) == "fresh"
    assert channel.health(last + max(5.5, 4.5 * step)) == "late"
    assert channel.health(last + max(61.0, 21.0 * step)) == "silent"
    assert channel.age_s(last - 5.0) == 0.0, "a clock that was put back makes no negative age"


@pytest.mark.parametrize("entry", [Entry("mark", m, "CYL-1") for m in MARKS] + [Entry("note", text="x")])
def test_every_entry_is_taken_back_by_rows_that_the_journal_accepts(entry: Entry) -> None:
    rows = undo(entry, "recovery", "03:12:05")
    assert all(checked(row) for row in rows)
    assert rows[0].kind == "note"
    assert "undo" in rows[0].text
    assert len(rows) == (2 if entry.subject in OPPOSITE else 1)


@pytest.mark.parametrize("stage", STAGES)
def test_stages_are_taken_back_to_what_ran_before(stage: str) -> None:
    other = "charging" if stage != "charging" else "recovery"

    def after(entry: Entry, before: str) -> list[tuple[str, str]]:
        return [(row.subject, row.value) for row in undo(entry, before, "") if row.kind == "stage"]

    assert after(Entry("stage", stage, "begin"), "") == [(stage, "end")]
    assert after(Entry("stage", stage, "begin"), other) == [(other, "begin")]
    assert after(Entry("stage", stage, "end"), stage) == [(stage, "begin")]
    assert after(Entry("stage", stage, "begin"), stage) == [], "a second begin changed nothing"
    assert set(STAGE_MARKS[stage]) <= set(MARKS)


def test_trends_share_a_unit_and_vacuum_is_logarithmic() -> None:
    names = {"circuit_pressure": "psig", "vacuum": "micron", "pump_vacuum": "micron", "suction_pressure": "psig"}
    columns = [make_column(name, unit, name) for name, unit in names.items()]
    first, second = trends_of(columns, "evacuation")
    assert (first.channels, first.log) == (("vacuum", "pump_vacuum"), True)
    assert (second.unit, second.log) == ("psig", False)
    assert [trend.unit for trend in trends_of(columns[1:] + columns[:1], "")] == ["psig", "micron"]
    store = ColumnsStore(list(names))
    store.add([(float(i), [1.0, 500.0 - i, 0.0 if i else 100.0, math.nan]) for i in range(400)])
    span = {"stage": "evacuation", "begin": "1970-01-01T00:00:00.000Z", "end": None, "phases": []}
    made = options(
        first, store, begin=-math.inf, stage="evacuation", spans=[span],
        targets={"vacuum": [{"label": "target", "value": 500.0}]}, theme=THEMES["night"],
    )  # fmt: skip
    assert made["yAxis"]["type"] == "log"
    assert made["yAxis"]["min"] == 100.0
    aims = {"vacuum": [{"label": "target", "value": 50.0}]}
    made = options(first, store, begin=-math.inf, stage="evacuation", spans=[span], targets=aims, theme=THEMES["night"])
    assert made["yAxis"]["min"] == 10.0, "what is to be reached is seen"
    assert [value for _, value in made["series"][1]["data"]][1] is None, "no logarithm of zero"


def test_two_days_of_rows_are_read_and_drawn_thin(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[job]\nname = "long"\n')
    names = [f"channel_{i}" for i in range(14)]
    now = datetime.datetime.now(datetime.UTC)
    cells = ",62.9" * len(names)
    with (tmp_path / "readings.csv").open("w") as file:
        file.write("time," + ",".join(f"{name} [psig]" for name in names) + "\n")
        file.writelines(f"{stamp(now - datetime.timedelta(seconds=172_800 - i))}{cells}\n" for i in range(172_800))
    model = Model(tmp_path)
    while model.take(model.read()):
        pass
    lines = [model.rows.line(name, -math.inf, 600) for name in names]
    assert len(model.rows) == 172_800
    assert all(len(line) <= 604 for line in lines)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (62.9, "62.9"),
        (80.95, "80.95"),
        (0.0, "0"),
        (-0.0, "0"),
        (25_400.0, "25,400"),
        (1e-7, "0"),
        (123456.0, "123,460"),
    ],
)
def test_readings_as_they_are_shown(value: float, text: str) -> None:
    assert shown(value) == text


def test_a_reading_keeps_the_decimals_of_its_display() -> None:
    weight = Channel("cylinder_weight", "lb")
    assert weight.shown == "—"
    for at, value in enumerate((59.0, 59.3, 60.0, 12_345.0)):
        weight.reading(float(at), value)
        assert weight.shown == ("59 lb", "59.3 lb", "60.0 lb", "12,345 lb")[at]


def test_no_unit_and_no_number_of_a_name_begins_a_line() -> None:
    told = with_sign("CYL-1 holds 98.0 lb at -4.0 degF, 45 % of R-134a.")
    assert told.split(" ") == [
        "CYL\u20111",
        "holds",
        "98.0\u00a0lb",
        "at",
        "-4.0\u00a0°F,",
        "45\u00a0%",
        "of",
        "R\u2011134a.",
    ]


def test_what_was_silent_before_a_stage_began_is_not_missed_in_it(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[job]\nname = "silent"\n')
    now = datetime.datetime.now(datetime.UTC)

    def at(ago_s: float) -> str:
        return stamp(now - datetime.timedelta(seconds=ago_s))

    rows = [f"{at(ago)},1,{2 if ago > 800 else ''},{3 if ago > 200 else ''}" for ago in range(1_000, 0, -5)]
    (tmp_path / "readings.csv").write_text("time,a [psig],b [psig],c [psig]\n" + "\n".join(rows) + "\n")
    model = Model(tmp_path)
    while model.take(model.read()):
        pass
    assert model.silent() == ["b", "c"]
    model.state = {"now": {"stage": {"begin": at(500), "end": None}}}
    assert model.silent() == ["c"]
    model.state = {"now": {"stage": {"begin": at(500), "end": at(100)}}}
    assert model.silent() == ["c"]


@pytest.mark.parametrize(("stage", "missed"), [("evacuation", ["vacuum"]), ("charging", [])])
def test_a_vacuum_probe_is_missed_by_an_evacuation_alone(tmp_path: Path, stage: str, missed: list[str]) -> None:
    """Both probes show nothing above their range, the pump's own too once its valve is closed and the pump vented."""
    (tmp_path / "job.toml").write_text('[job]\nname = "probes"\n')
    now = time.time()
    rows = [(now - ago, 300 if ago > 200 else "") for ago in range(1_000, 0, -5)]
    lines = [f"{stamp(datetime.datetime.fromtimestamp(at, datetime.UTC))},{shown},{shown}" for at, shown in rows]
    (tmp_path / "readings.csv").write_text("time,vacuum [micron],pump_vacuum [micron]\n" + "\n".join(lines) + "\n")
    begun = stamp(datetime.datetime.fromtimestamp(now - 900, datetime.UTC))
    (tmp_path / "journal.csv").write_text(f"time,kind,subject,value,text\n{begun},stage,{stage},begin,\n")
    model = Model(tmp_path)
    while model.take(model.read()):
        pass
    assert model.silent() == missed
    assert model.health("pump_vacuum", now) == "idle"


def test_a_gauge_that_is_stuck_is_doubted_until_it_moves(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[job]\nname = "stuck"\n')
    now = datetime.datetime.now(datetime.UTC)

    def at(ago_s: float) -> str:
        return stamp(now - datetime.timedelta(seconds=ago_s))

    with (tmp_path / "readings.csv").open("w") as file:
        file.write("time,circuit_pressure [psig]\n")
        file.writelines(f"{at(ago)},{150.0 if ago < 9_000 else 150.4}\n" for ago in range(10_000, 0, -5))
    model = Model(tmp_path)
    while model.take(model.read()):
        pass
    stuck = {"time": at(8_000), "since": at(9_000), "kind": "channel_stuck", "level": "caution", "stage": "",
             "figures": {"channel": "circuit_pressure"}, "text": "It does not move."}  # fmt: skip
    stage = {"name": "pressure_test", "begin": at(10_000), "end": None, "found_by": "signals", "verdict": "undecided",
             "tone": "working", "answer": "Cannot tell yet.", "more": ""}  # fmt: skip
    model.state = {"made": at(0), "now": {"stage": stage, "findings": []}, "result": {"findings": [stuck]}}
    assert model.doubts()["circuit_pressure"].startswith("has not moved since")
    assert said_now(model, None).tone == "caution"
    model.rows.add([(now.timestamp(), [150.1])])
    assert model.doubts() == {}
    assert said_now(model, None).tone == "working"


def test_a_log_without_rows_is_not_late_at_once(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[job]\nname = "begun"\n')
    model = Model(tmp_path)
    assert model.starting
    model.began -= FIRST_ROW_WITHIN_S
    assert not model.starting


def test_the_stage_that_the_journal_names_and_the_disk_that_is_full(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[job]\nname = "stages"\n')
    model = Model(tmp_path)
    head = "time,kind,subject,value,text\n"
    rows = [
        ("stage,recovery,begin,", "recovery", ""),
        ("recorder,,disk_low,90 MB are left", "recovery", "disk low at"),
        ("recorder,,resumed,", "recovery", ""),
        ("stage,evacuation,end,", "recovery", ""),
        ("stage,recovery,end,", "", ""),
    ]
    with (tmp_path / "journal.csv").open("w") as file:
        file.write(head)
        for row, stage, disk in rows:
            file.write(f"{stamp(datetime.datetime.now(datetime.UTC))},{row}\n")
            file.flush()
            while model.take(model.read()):
                pass
            assert model.running_stage == stage
            assert model.disk_trouble[:11] == disk


def test_instruments_that_are_gone_are_said_shortly_and_without_bytes() -> None:
    at = datetime.datetime(2026, 3, 14, 7, 5).timestamp()
    panel = JournalRow(at, "instrument", "panel", "lost", "device 1: what came is not Modbus (63 05 20 …)")
    gauge = JournalRow(at + 60.0, "instrument", "gauge", "lost", "no answer within 1 s")
    assert lost_words([]) == ""
    assert "(device 1: what came is not Modbus). Check its power" in lost_words([panel])
    both = lost_words([gauge, panel])
    assert both.startswith("▲ gauge and panel do not answer, since")
    assert "07:05" in both
    assert "Modbus" not in both
    assert "Stop the flow" not in both
    assert lost_words([gauge], stop_flow=True).endswith("cable. Stop the flow until the weight is back.")


def test_no_time_is_left_to_tell_while_refrigerant_is_moved_unweighed(tmp_path: Path) -> None:
    log = Log(tmp_path / "job")
    log.entry("stage", "charging", "begin")
    for ago in range(120, 0, -1):
        log.row("40", weight="100" if ago > 70 else "", ago_s=ago)
    model = Model(log.folder)
    while model.take(model.read()):
        pass
    begun = stamp(datetime.datetime.now(datetime.UTC))
    stage = {"name": "charging", "begin": begun, "end": None, "verdict": "short", "tone": "working", "answer": "a"}
    stage |= {"more": "", "found_by": "journal", "figures": [], "time_left": {"seconds": 300, "what": "to go"}}
    model.state = {"now": {"stage": stage, "findings": []}}
    assert unweighed(model)
    assert said_now(model, None).left == ""
    log.row("40", weight="100")
    while model.take(model.read()):
        pass
    assert not unweighed(model)
    assert said_now(model, None).left == "about 5 min to go"
