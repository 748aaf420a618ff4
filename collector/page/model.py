"""What the page knows: job, rows, journal, the latest judgement. One for the process, shared by every screen."""

from __future__ import annotations

import datetime
import json
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from analysis.vocabulary.channels import MICRON_PROBES, Column
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE, load_job
from analysis.vocabulary.text import words
from collector.follow.alarm_log import AlarmLog
from collector.follow.recorder_log import RecorderLog
from collector.follow.standing import standing
from collector.follow.state import STATE_FILE, read_state
from collector.follow.tail import JournalRow, JournalTail, ReadingsTail, seconds_of
from collector.page.channel_health import STEPS_KEPT, Channel, Health
from collector.page.columns_store import ColumnsStore

MOST_JOURNAL_ROWS = 2_000
DOUBT_KINDS = {"channel_stuck": "has not moved since", "channel_jumped": "jumped at"}
"""What a fresh reading does not answer; a channel that was lost is seen by its age."""
ROWS_LATE_S, ROWS_LATE_STEPS = 15.0, 4.0
FIRST_ROW_WITHIN_S = 30.0
DOUBT_S = 3_600.0
"""A channel's doubt is shown this long after it was said, and while it still does not move."""


@dataclass(frozen=True)
class News:
    """What one look at the disk found: rows and journal entries that are new, the judgement where it changed."""

    rows: list[tuple[float, list[float]]]
    entries: list[JournalRow]
    state: dict[str, Any] | None


@dataclass
class Model:
    """Follows one job folder. `journal` holds the stages, marks and the recorder's own rows.

    Raises
    ------
    InputError
        At the start: the folder is no job.
    """

    folder: Path
    columns: list[Column] = field(default_factory=list)
    channels: dict[str, Channel] = field(default_factory=dict)
    rows: ColumnsStore = field(default_factory=ColumnsStore)
    journal: deque[JournalRow] = field(default_factory=lambda: deque(maxlen=MOST_JOURNAL_ROWS))
    state: dict[str, Any] = field(default_factory=dict)
    alarms: AlarmLog = field(default_factory=AlarmLog)
    recorder: RecorderLog = field(default_factory=RecorderLog)
    began: float = field(default_factory=time.time)

    def __post_init__(self) -> None:
        self.job = load_job(self.folder)
        self._readings = ReadingsTail(self.folder / READINGS_FILE)
        self._journal = JournalTail(self.folder / JOURNAL_FILE)
        self._fresh = (0, 0)
        self._state_changed: object = None

    def read(self) -> News:
        """Read from the disk what was added since the last call; changes nothing that is shown, so any thread may."""
        return News(self._readings.rows(), self._journal.rows(), self._read_state())

    def take(self, news: News) -> bool:
        """Take in what was read; returns whether there may be more. In the thread that shows it."""
        if news.rows and self._readings.fresh != self._fresh[0]:
            self._fresh = (self._readings.fresh, self._fresh[1])
            self.columns = list(self._readings.columns)
            self.channels = {c.channel: Channel(c.channel, c.unit.symbol) for c in self.columns}
            self.rows = ColumnsStore([c.channel for c in self.columns])
        if news.entries and self._journal.fresh != self._fresh[1]:
            self._fresh = (self._fresh[0], self._journal.fresh)
            self.journal.clear()
            self.alarms, self.recorder = AlarmLog(), RecorderLog()
        first = len(self.rows)
        self.rows.add(news.rows)
        for name, channel in self.channels.items():
            values = self.rows.values(name)[first:]
            for i in np.flatnonzero(np.isfinite(values))[-STEPS_KEPT:].tolist():
                channel.reading(float(self.rows.at[first + i]), float(values[i]))
        self.journal.extend(row for row in news.entries if row.kind in ("stage", "mark", "recorder"))
        for row in news.entries:
            self.alarms.heard(row)
            self.recorder.heard(row)
        if news.state is not None:
            self.state = news.state
        return bool(news.rows or news.entries)

    def _read_state(self) -> dict[str, Any] | None:
        """Return the state when it is another one than before."""
        try:
            found = (self.folder / STATE_FILE).stat()
        except OSError:
            return None
        changed = (found.st_mtime_ns, found.st_size)
        if changed == self._state_changed:
            return None
        self._state_changed = changed
        return read_state(self.folder)

    # --- what is shown -----------------------------------------------------------------------------------

    @property
    def now(self) -> dict[str, Any]:
        """The live part of the judgement; empty when there is none."""
        return self.state.get("now") or {}

    @property
    def stage(self) -> dict[str, Any] | None:
        """The last stage as it was judged; None before the first."""
        return self.now.get("stage")

    @property
    def running_stage(self) -> str:
        """The stage that runs: as the journal says at once, else as it was judged; empty between stages.

        The end of another stage than the one that was begun last ends nothing, as in the review.
        """
        ended = set()
        for row in reversed(self.journal):
            if row.kind == "stage" and row.value == "begin":
                if row.subject not in ended:
                    return row.subject
                break
            if row.kind == "stage":
                ended.add(row.subject)
        stage = self.stage
        return stage["name"] if stage is not None and stage["end"] is None and stage["found_by"] == "signals" else ""

    @property
    def disk_trouble(self) -> str:
        """What the recorder last said of the disk, empty when all is well or it said something else since."""
        for row in reversed(self.journal):
            if row.kind == "recorder":
                return f"{words(row.value)} at {clock(row.at)}" if row.value.startswith("disk_") else ""
        return ""

    @property
    def told_findings(self) -> list[dict[str, Any]]:
        """Every finding as it is told, oldest first: channels that failed at one moment are one."""
        found: list[dict[str, Any]] = self.now.get("findings", [])
        return found

    def last_row_age_s(self) -> float | None:
        """Return the age of the last row."""
        return max(0.0, time.time() - float(self.rows.at[-1])) if len(self.rows) else None

    @property
    def starting(self) -> bool:
        """Whether there is no row yet, and it is too early to miss one."""
        return not len(self.rows) and time.time() - self.began <= FIRST_ROW_WITHIN_S

    def rows_are_late(self) -> bool:
        """Return whether rows stay out, judged by their own interval."""
        age = self.last_row_age_s()
        steps = np.diff(self.rows.at[-20:])
        return age is None or age > max(ROWS_LATE_S, ROWS_LATE_STEPS * float(np.median(steps)) if len(steps) else 0.0)

    def judged_age_s(self) -> float | None:
        """Return the age of the judgement; None when there is none."""
        made = seconds_of(str(self.state.get("made", "")))
        return None if made is None else max(0.0, time.time() - made)

    def judgement_is_late(self) -> bool:
        """Return whether the judgement ought to have come again while rows went on."""
        age, row = self.judged_age_s(), self.last_row_age_s()
        if age is None or row is None:
            return False
        return age - row > 30.0 + 3.0 * float(self.state.get("again_within_s", 5.0))

    def health(self, name: str, now: float) -> Health:
        """Return how fresh a channel is.

        A vacuum probe, which shows nothing above its range, is idle, not silent, unless it is the circuit's own in an
        evacuation.
        """
        health = self.channels[name].health(now)
        missed = name not in MICRON_PROBES or (name == "vacuum" and self.running_stage == "evacuation")
        return health if health != "silent" or missed else "idle"

    def silent(self) -> list[str]:
        """Return the channels that are missed: they had readings since the last stage began and give none any more."""
        now = time.time()
        begun = (seconds_of(self.stage["begin"]) if self.stage is not None else None) or 0.0
        return [
            name
            for name, channel in self.channels.items()
            if self.health(name, now) == "silent" and (channel.at or 0.0) >= begun
        ]

    def doubts(self) -> dict[str, str]:
        """Return what is to be said against channels now, by channel."""
        now = time.time()
        said = {}
        finding: dict[str, Any]
        for finding in (self.state.get("result") or {}).get("findings", []):
            channel, kind = finding["figures"].get("channel"), finding["kind"]
            at, since = seconds_of(finding["time"]), seconds_of(finding["since"])
            if kind not in DOUBT_KINDS or channel not in self.channels or at is None or since is None:
                continue
            if now - at < DOUBT_S or (kind == "channel_stuck" and self.rows.still(channel, at)):
                said[channel] = f"{DOUBT_KINDS[kind]} {clock(since)}"
        return said

    def urgent(self) -> Mapping[str, Any] | None:
        """Return the finding to act on; None without. Where the journal names the instrument, its channels do not."""
        told = (f for f in self.told_findings if not (self.recorder.lost and f["kind"] == "channel_lost"))
        return standing(list(told), self.stage, time.time())

    def signature(self, part: str) -> str:
        """Return a text that changes when a part of the judgement does."""
        return json.dumps(self.now.get(part), sort_keys=True)


def clock(at: float, seconds: bool = False) -> str:
    """Return a time of day as this machine's clock on the wall shows it; with the day when it is another one."""
    time_ = datetime.datetime.fromtimestamp(at)
    form = "%H:%M:%S" if seconds else "%H:%M"
    return time_.strftime(form if time_.date() == datetime.datetime.now().date() else f"%d %b {form}")
