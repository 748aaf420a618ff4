"""The follower that raises alarms: looks at log and machine, tells, repeats until acknowledged, escalates.

What was raised, acknowledged and cleared stands in the journal as notes (subject ``alarm``), so that a follower that
starts again raises nothing twice. Messages that are not taken are tried again, each target on its own.
"""

from __future__ import annotations

import concurrent.futures
import datetime
import math
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from analysis.vocabulary.channels import LEVELS
from analysis.vocabulary.errors import InputError, StandwatchError
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE, load_job
from analysis.vocabulary.text import words
from analysis.vocabulary.units import convert
from collector.backoff import Backoff
from collector.clocks import interval_of
from collector.control import send as put_entry
from collector.entries import Entry
from collector.follow import tell
from collector.follow.alarm_desk import MOST_OPEN, Condition, Desk, Message
from collector.follow.alarm_log import without_stamp
from collector.follow.alarm_rules import Rule, load_rules
from collector.follow.keep import run_follower
from collector.follow.recorder_log import RecorderLog, rows_age_s
from collector.follow.tail import JournalRow, JournalTail, ReadingsTail
from collector.terminal import warn

LOOK_EVERY_S = 2.0
RECENT_S = 900.0
"""A finding older than this when it is first seen is history: a follower that was away does not ring for it."""
SENDERS = 4


@dataclass
class Watcher:
    """Finds the conditions that hold in one job folder and on this machine."""

    folder: Path
    rules: list[Rule]
    interval_s: float = 1.0
    battery: Callable[[], tuple[float, bool] | None] = field(default=lambda: battery_now())
    free_bytes: Callable[[Path], int] = field(default=lambda folder: shutil.disk_usage(folder).free)
    began: float = field(default_factory=time.time)
    rows: list[JournalRow] = field(default_factory=list, init=False)
    _recorder: RecorderLog = field(default_factory=RecorderLog)
    _since: dict[str, float] = field(default_factory=dict)
    _beyond: dict[str, str] = field(default_factory=dict)
    _beat_at: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._journal = JournalTail(self.folder / JOURNAL_FILE)
        self._readings = ReadingsTail(self.folder / READINGS_FILE)

    def look(self, now: float) -> list[Condition]:
        """Read what was added and return what holds now; `rows` are the journal's new rows."""
        self.rows = []
        while more := self._journal.rows():
            self.rows += more
        found: list[Condition] = []
        for row in self.rows:
            self._recorder.heard(row)
            if row.kind == "finding":
                found += self._rules_for(row, now - row.at <= RECENT_S)
        while rows := self._readings.rows():
            for at, values in rows:
                self._judge_row(at, values, now)
        for rule in self.rules:
            found += getattr(self, f"_{rule.on}", _nothing)(rule, now)
        return found

    def _rules_for(self, row: JournalRow, new: bool) -> list[Condition]:
        level = LEVELS.index(row.value) if row.value in LEVELS else 0
        text = f"{words(row.subject)}: {without_stamp(row.text)}"
        key = f"{row.subject}: {row.text}"
        return [
            Condition(rule, text, LEVELS[level], lasts=False, key=key, new=new)
            for rule in self.rules
            if rule.on == "finding"
            and level >= LEVELS.index(rule.level)
            and (not rule.kinds or row.subject in rule.kinds)
        ]

    def _judge_row(self, at: float, values: list[float], now: float) -> None:
        if now - at > RECENT_S:
            return  # history, read when the follower starts
        for rule in self.rules:
            if rule.on != "limit":
                continue
            for column, value in zip(self._readings.columns, values, strict=True):
                if column.channel == rule.channel and math.isfinite(value):
                    text = beyond(rule, value, column.unit.symbol)
                    if text is None:
                        self._since.pop(rule.name, None)
                        self._beyond.pop(rule.name, None)
                    elif at - self._since.setdefault(rule.name, at) >= rule.after_s:
                        self._beyond[rule.name] = text

    def _limit(self, rule: Rule, _now: float) -> list[Condition]:
        text = self._beyond.get(rule.name)
        return [] if text is None else [Condition(rule, text, rule.level, key=rule.channel)]

    def _instrument_lost(self, rule: Rule, _now: float) -> list[Condition]:
        lost = self._recorder.lost.items()
        return [Condition(rule, f"{name} is lost: {row.text}", rule.level, key=name) for name, row in lost]

    def _recorder_gone(self, rule: Rule, now: float) -> list[Condition]:
        if self._recorder.last == "stopped":
            return []
        age_s, here_s = rows_age_s(self.folder, now), now - self.began
        if min(here_s if age_s is None else age_s, here_s) <= max(rule.after_s, 3.0 * self.interval_s):
            return []
        return [Condition(rule, "no rows are being recorded", rule.level, key="recorder")]

    def _disk_low(self, rule: Rule, _now: float) -> list[Condition]:
        try:
            free_mb = self.free_bytes(self.folder) / 1e6
        except OSError:
            return []
        if free_mb >= rule.below_mb:
            return []
        return [Condition(rule, f"{free_mb:.0f} MB are left on the disk", rule.level, key="disk")]

    def _battery_low(self, rule: Rule, _now: float) -> list[Condition]:
        charge = self.battery()
        if charge is None or charge[1] or charge[0] >= rule.battery:
            return []
        return [Condition(rule, f"the battery is at {100 * charge[0]:.0f} %, no mains", rule.level, key="battery")]

    def _heartbeat(self, rule: Rule, now: float) -> list[Condition]:
        """Return a message now and then that says that watching goes on: its absence is the alarm."""
        if now < self._beat_at.get(rule.name, -math.inf):
            return []
        self._beat_at[rule.name] = now + rule.repeat_s
        return [Condition(rule, "still watching", "info", key="heartbeat")]


def _nothing(_rule: Rule, _now: float) -> list[Condition]:
    return []


def battery_now() -> tuple[float, bool] | None:
    """Return charge (0 to 1) and whether mains is there; None on a machine without a battery."""
    try:
        found = psutil.sensors_battery()
    except (AttributeError, OSError, RuntimeError):
        return None
    return None if found is None else (found.percent / 100.0, bool(found.power_plugged))


def beyond(rule: Rule, value: float, unit: str) -> str | None:
    """Return what to say of a reading in `unit` that is beyond the limit of a rule; None when it is not.

    `above` and `below` speak of the pressure itself, also where a column or a limit counts vacuum downwards. A limit
    that cannot be compared (gauge against absolute) is said as such: a limit nobody watches is worse.
    """
    for word, limit in (("above", rule.above), ("below", rule.below)):
        if limit is None:
            continue
        try:
            base = "kPag" if unit == "inHg" else unit
            here, there = convert(value, unit, base), convert(limit[0], limit[1], base)
        except InputError:
            return f"{rule.channel} [{unit}] cannot be compared with a limit in {limit[1]}"
        if (here > there) if word == "above" else (here < there):
            return f"{rule.channel} is {value:g} {unit}, {word} {limit[0]:g} {limit[1]}"
    return None


@dataclass
class _Due:
    message: Message
    at: float
    until: float
    backoff: Backoff = field(default_factory=lambda: Backoff(2.0, 120.0))


GIVE_UP_S = 3_600.0
MOST_DUE = 500


@dataclass
class AlarmFollower:
    """Looks, judges, tells."""

    watcher: Watcher
    desk: Desk
    put: Callable[[Path, Entry], None] = put_entry
    send: Callable[[str, str, str, str], bool] = tell.send
    ring: Callable[[], None] = tell.sound
    say: Callable[[str], None] = field(default=lambda line: warn(f"alarms: {line}"))
    _due: list[_Due] = field(default_factory=list)
    _unwritten: list[Entry] = field(default_factory=list)

    def look(self, now: float, local: datetime.time, pool: concurrent.futures.Executor) -> None:
        """Look once and send what is due; returns within a bounded time."""
        conditions = self.watcher.look(now)
        for row in self.watcher.rows:
            self.desk.heard(row)
        beats = [c for c in conditions if c.rule.on == "heartbeat"]
        messages, entries = self.desk.judge((c for c in conditions if c.rule.on != "heartbeat"), now, local)
        for beat in beats:
            messages += [Message(a, f"standwatch {beat.rule.name}", beat.text, "info") for a in beat.rule.targets]
        for message in messages:
            if message.address:
                self._due.append(_Due(message, now, now + GIVE_UP_S))
            else:
                self.ring()
        del self._due[:-MOST_DUE]
        self._unwritten = [*self._unwritten, *entries][-MOST_OPEN:]
        self._send(now, pool)
        self._write()

    def _send(self, now: float, pool: concurrent.futures.Executor) -> None:
        due = [each for each in self._due if now >= each.at][: SENDERS * 2]
        asked = [
            (d, pool.submit(self.send, d.message.address, d.message.title, d.message.text, d.message.level))
            for d in due
        ]
        for each, future in asked:
            try:
                taken = future.result(2 * tell.SEND_WITHIN_S)
            except concurrent.futures.TimeoutError:
                taken = False
            if taken or now >= each.until:
                self._due.remove(each)
            else:
                each.at = now + each.backoff.next_s()
            if not taken:
                self.say(
                    f"{each.message.title}: a target did not take it" + (", given up" if now >= each.until else "")
                )

    def _write(self) -> None:
        while self._unwritten:
            try:
                self.put(self.watcher.folder, self._unwritten[0])
            except StandwatchError:
                return  # tried again at the next look
            self._unwritten.pop(0)

    def run(self, stop: threading.Event) -> None:
        """Look until `stop` is set."""
        with concurrent.futures.ThreadPoolExecutor(SENDERS, thread_name_prefix="tell") as pool:
            while not stop.is_set():
                self.look(time.time(), datetime.datetime.now().time(), pool)
                stop.wait(LOOK_EVERY_S)


def follower_of(folder: Path) -> AlarmFollower:
    """Return the follower of a job.

    Raises
    ------
    InputError
        The job or an `[[alarm]]` is refused.
    """
    job = load_job(folder)
    rules = load_rules(job.alarm, folder)
    return AlarmFollower(Watcher(folder, rules, interval_of(job)), Desk(rules))


def main(folder: Path, stop: threading.Event) -> None:
    """Watch a job until asked to stop."""
    follower_of(folder).run(stop)


if __name__ == "__main__":
    run_follower("alarms", main)
