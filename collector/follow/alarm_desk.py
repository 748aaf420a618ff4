"""Which alarms stand, who is told when, and what the journal is to hold of it. No clocks, no sending, no files."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from analysis.vocabulary.channels import LEVELS
from analysis.vocabulary.text import one_line
from collector.entries import Entry
from collector.follow.alarm_log import SUBJECT, AlarmLog, Raised, meant
from collector.follow.alarm_rules import Rule
from collector.follow.tail import JournalRow

MOST_OPEN = 200
MOST_IN_ONE = 5
"""Alarms of one rule that come at the same moment are told in one message, so many of them by name."""
SETTLE_S = 60.0
"""A follower that has just begun knows after this time (and a rule's own) which conditions hold."""


@dataclass(frozen=True)
class Condition:
    """Something a rule asks for. One that `lasts` ends by itself; the other (a finding) only when acknowledged.

    One that is not `new` opens nothing, unless the journal says that it was raised in its time.
    """

    rule: Rule
    text: str
    level: str
    lasts: bool = True
    key: str = ""
    new: bool = True

    @property
    def name(self) -> str:
        """What makes it this one: its rule, and the text or instrument."""
        return f"{self.rule.name}: {self.key or self.text}"


@dataclass
class Open:
    """An alarm that stands: `raised_at` and `next_at` (when it is told next) in seconds since 1970."""

    condition: Condition
    raised_at: float
    next_at: float
    told: bool = False
    acknowledged: bool = False
    escalated: bool = False


@dataclass(frozen=True)
class Message:
    """One message to one address (never shown); an empty address is the sound."""

    address: str = field(repr=False)
    title: str
    text: str
    level: str


class Desk:
    """Which alarms are open and what is due; no clocks, no sending: `now` [s since 1970] and `local` are given.

    What the journal says was raised or acknowledged holds after a new start, until it is cleared. Only the end of a
    condition that nobody watched meanwhile could be missed: an instrument that came back, or a recorder that began
    anew, ends what was said of it.
    """

    def __init__(self, rules: Iterable[Rule]) -> None:
        self.rules = list(rules)
        self.open: dict[str, Open] = {}
        self._log = AlarmLog()
        self._began: float | None = None

    def heard(self, row: JournalRow) -> None:
        """Take what the journal says of alarms, and of what ends one."""
        self._log.heard(row)
        if row.kind == "note" and row.subject == SUBJECT and row.value == "acknowledged":
            for name, alarm in self.open.items():
                alarm.acknowledged |= meant(row.text, one_line(name))
        elif row.kind == "instrument" and row.value == "back":
            self._forget(lambda rule, name: rule.on == "instrument_lost" and name == f"{rule.name}: {row.subject}")
        elif row.kind == "recorder" and row.value in ("started", "resumed"):
            self._forget(lambda rule, _: rule.on != "finding")

    def _forget(self, over: Callable[[Rule, str], bool]) -> list[str]:
        """Forget alarms of the journal that are over and not open here; return their names."""
        here = {one_line(name) for name in self.open}
        names = [
            name
            for name in self._log.raised
            if name not in here and any(meant(rule.name, name) and over(rule, name) for rule in self.rules)
        ]
        for name in names:
            del self._log.raised[name]
        return names

    def judge(
        self, conditions: Iterable[Condition], now: float, local: datetime.time
    ) -> tuple[list[Message], list[Entry]]:
        """Return messages that are due and what the journal is to hold."""
        entries: list[Entry] = []
        due: dict[tuple[str, str], list[Open]] = {}
        holding = {condition.name: condition for condition in conditions}
        for name, condition in holding.items():
            if name not in self.open and len(self.open) < MOST_OPEN and self._opens(condition, now):
                entries.append(Entry("note", SUBJECT, "raised", one_line(name)))
        for name, alarm in list(self.open.items()):
            rule = alarm.condition.rule
            if alarm.condition.lasts and name not in holding:
                del self.open[name]
                self._log.raised.pop(one_line(name), None)
                entries.append(Entry("note", SUBJECT, "cleared", one_line(name)))
                if not rule.is_quiet(local):
                    due.setdefault((rule.name, "over"), []).append(alarm)
            elif alarm.acknowledged and not alarm.condition.lasts:
                del self.open[name]
            elif not alarm.acknowledged and now >= alarm.next_at and not rule.is_quiet(local):
                due.setdefault((rule.name, self._tell(alarm, now)), []).append(alarm)
        entries += self._settle(now)
        return [message for (_, word), alarms in due.items() for message in self._to(alarms, word)], entries

    def _opens(self, condition: Condition, now: float) -> bool:
        """Open an alarm; return whether it is a new one, which the journal does not hold yet."""
        name, rule = condition.name, condition.rule
        known = self._log.raised.get(one_line(name))
        if known is None:
            if condition.new:
                self.open[name] = Open(condition, now, now)
                self._log.raised[one_line(name)] = Raised(now)
            return condition.new
        if condition.lasts or not known.acknowledged:
            escalates_s = known.at + rule.escalate_after_s - now
            again_s = min(rule.repeat_s, escalates_s) if rule.escalation and escalates_s > 0 else rule.repeat_s
            self.open[name] = Open(condition, known.at, now + again_s, told=True, acknowledged=known.acknowledged)
        return False

    @staticmethod
    def _tell(alarm: Open, now: float) -> str:
        """Set when an alarm is told next; return the word for this time."""
        rule = alarm.condition.rule
        alarm.escalated |= bool(rule.escalation) and now - alarm.raised_at >= rule.escalate_after_s
        word = "escalated" if alarm.escalated else "repeated" if alarm.told else ""
        alarm.told, alarm.next_at = True, now + rule.repeat_s
        if rule.escalation and not alarm.escalated:
            alarm.next_at = min(alarm.next_at, alarm.raised_at + max(rule.escalate_after_s, 1.0))
        return word

    def _settle(self, now: float) -> list[Entry]:
        """Clear what the journal left raised and what holds no more: its end fell between two followers."""
        self._began = now if self._began is None else self._began
        watched_s = now - self._began
        over = self._forget(lambda rule, _: rule.on != "finding" and watched_s > SETTLE_S + rule.after_s)
        return [Entry("note", SUBJECT, "cleared", name) for name in over]

    @staticmethod
    def _to(alarms: list[Open], word: str) -> list[Message]:
        """Return the messages for alarms of one rule that are told at the same time: one to each address."""
        rule = alarms[0].condition.rule
        level = max((alarm.condition.level for alarm in alarms), key=LEVELS.index)
        title = f"{level.upper()} {rule.name}" + (f" ({word})" if word else "")
        text = "; ".join(alarm.condition.text for alarm in alarms[:MOST_IN_ONE])
        if len(alarms) > MOST_IN_ONE:
            text += f"; and {len(alarms) - MOST_IN_ONE} more"
        addresses = [*rule.targets, *(rule.escalation if any(alarm.escalated for alarm in alarms) else ())]
        told = "info" if word == "over" else level
        found = [Message(address, title, text, told) for address in addresses]
        return [*found, Message("", title, text, told)] if rule.sound and word != "over" else found
