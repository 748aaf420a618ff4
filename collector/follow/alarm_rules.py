"""`[[alarm]]`: what is watched for, and who is told how; checked key by key."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analysis.vocabulary.channels import Level
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job_refusals import first_fault
from analysis.vocabulary.units import UNITS, number_and_symbol, parse_quantity
from collector.passwords import from_environment, from_file

On = Literal["finding", "limit", "instrument_lost", "recorder_gone", "disk_low", "battery_low", "heartbeat"]

REPEAT_S = 600.0
ESCALATE_AFTER_S = 1_800.0
RECORDER_GONE_S = 30.0
DISK_LOW_MB = 500.0
BATTERY_LOW = 0.2
HEARTBEAT_S = 43_200.0
"""Defaults; common practice."""
SHORTEST_REPEAT_S = 5.0


class AlarmTable(BaseModel):
    """One `[[alarm]]` as it is written."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    on: On
    name: str = Field("", max_length=60)
    level: Level = "alarm"
    kinds: list[str] = Field(default_factory=list)
    channel: str = ""
    above: str | None = None
    below: str | None = None
    below_mb: float | None = Field(None, gt=0)
    after: str | None = None
    send: list[str] = Field(default_factory=list, repr=False)
    send_env: list[str] = Field(default_factory=list)
    send_file: list[str] = Field(default_factory=list)
    escalate: list[str] = Field(default_factory=list, repr=False)
    escalate_env: list[str] = Field(default_factory=list)
    escalate_file: list[str] = Field(default_factory=list)
    escalate_after: str | None = None
    repeat: str | None = None
    quiet: tuple[datetime.time, datetime.time] | None = None
    sound: bool = False


@dataclass(frozen=True)
class Rule:
    """One alarm, ready to be watched. `targets` and `escalation` are addresses that may hold passwords: never shown.

    `above`, `below` are (number, unit); `after_s` is how long a condition lasts before it counts; `quiet` local times.
    """

    name: str
    on: On
    level: Level
    kinds: tuple[str, ...] = ()
    channel: str = ""
    above: tuple[float, str] | None = None
    below: tuple[float, str] | None = None
    below_mb: float = DISK_LOW_MB
    battery: float = BATTERY_LOW
    after_s: float = 0.0
    repeat_s: float = REPEAT_S
    escalate_after_s: float = ESCALATE_AFTER_S
    quiet: tuple[datetime.time, datetime.time] | None = None
    sound: bool = False
    targets: tuple[str, ...] = field(default=(), repr=False)
    escalation: tuple[str, ...] = field(default=(), repr=False)

    def is_quiet(self, local: datetime.time) -> bool:
        """Return whether nothing of this rule is to be sent at a time of day."""
        if self.quiet is None:
            return False
        begin, end = self.quiet
        return begin <= local < end if begin <= end else local >= begin or local < end


def load_rules(tables: Sequence[Mapping[str, Any]], folder: Path) -> list[Rule]:
    """Return the rules of a job.

    Raises
    ------
    InputError
        One line: which alarm, which key, what is accepted. Addresses are never quoted.
    """
    rules = [_rule(table, number, folder) for number, table in enumerate(tables, start=1)]
    names = [rule.name for rule in rules]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"[[alarm]] name {name!r} stands twice; expected a name of its own for each")
    return rules


def _rule(raw: Mapping[str, Any], number: int, folder: Path) -> Rule:
    where = f"[[alarm]] {number}"
    try:
        table = AlarmTable.model_validate(raw)
    except ValidationError as error:
        raise InputError(f"{where} {first_fault(error, AlarmTable, secret=True)}") from None
    if not all(c.isprintable() for c in table.name):
        raise refused(f"{where} name", table.name, "printable characters")
    fractions = table.on == "battery_low"
    limits = {
        key: None if text is None or fractions else _limit(text, f"{where} {key}")
        for key, text in (("above", table.above), ("below", table.below))
    }
    if table.on == "limit" and (not table.channel or limits == {"above": None, "below": None}):
        raise InputError(f"{where}: a limit needs channel and above or below")
    if table.on not in ("limit", "battery_low") and (table.above is not None or table.below is not None):
        raise InputError(f"{where}: above and below belong to a limit; expected on = 'limit'")
    after = RECORDER_GONE_S if table.on == "recorder_gone" else 0.0
    repeat = HEARTBEAT_S if table.on == "heartbeat" else REPEAT_S
    rule = Rule(
        name=table.name or (f"{table.on} {table.channel}".strip() if table.on == "limit" else f"{table.on} {number}"),
        on=table.on,
        level=table.level,
        kinds=tuple(table.kinds),
        channel=table.channel,
        above=limits["above"],
        below=limits["below"],
        below_mb=DISK_LOW_MB if table.below_mb is None else table.below_mb,
        battery=BATTERY_LOW
        if not fractions or table.below is None
        else parse_quantity(table.below, "fraction", f"{where} below"),
        after_s=_time(table.after, after, f"{where} after"),
        repeat_s=_time(table.repeat, repeat, f"{where} repeat"),
        escalate_after_s=_time(table.escalate_after, ESCALATE_AFTER_S, f"{where} escalate_after"),
        quiet=table.quiet,
        sound=table.sound,
        targets=_addresses(where, "send", table.send, table.send_env, table.send_file, folder),
        escalation=_addresses(where, "escalate", table.escalate, table.escalate_env, table.escalate_file, folder),
    )
    if rule.repeat_s < SHORTEST_REPEAT_S:
        raise refused(f"{where} repeat", table.repeat, f"{SHORTEST_REPEAT_S:g} s or more")
    if not rule.targets and not rule.sound:
        raise InputError(f"{where}: nobody is told; expected send, send_env, send_file or sound = true")
    return rule


def _limit(text: str, where: str) -> tuple[float, str]:
    value, symbol = number_and_symbol(text) or (math.nan, "")
    if symbol not in UNITS or not math.isfinite(value):
        raise refused(where, text, "a number and a unit of the log, such as '500 micron'")
    return value, symbol


def _time(text: str | None, default: float, where: str) -> float:
    return default if text is None else parse_quantity(text, "time", where)


def _addresses(
    where: str, key: str, plain: list[str], variables: list[str], files: list[str], folder: Path
) -> tuple[str, ...]:
    """Return addresses, each tried for whether it is understood."""
    found = [(f"{where} {key}", address) for address in plain]
    found += [(f"{where} {key}_env", from_environment(f"{where} {key}_env", v)) for v in variables]
    for name in files:
        file = folder / Path(name).expanduser()
        found.append((f"{where} {key}_file", from_file(f"{where} {key}_file", file)))
    from collector.follow.tell import understood

    for place, address in found:
        if not understood(address):
            raise InputError(
                f"{place}: an address is not understood (not shown); expected one such as json://HOST/path"
            )
    return tuple(address for _, address in found)
