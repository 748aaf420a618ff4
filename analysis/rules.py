"""Rule files: what a regulation or a standard asks for, as commented TOML under `config/rules/`.

A rule file has a table `[rules]` that says what it is and where it is from, and one table a stage::

    [rules]
    title = "…"            what a reader is told it is
    source = "…"           the text it was taken from
    from_memory = false    true when the text was not at hand: then every user is told to check it
    note = "…"             what a reader must be told wherever a value of this file is shown

    [recovery]             and / or [pressure_test], [evacuation]: the stage's own keys

A job names a shipped file by its stem (``us-40cfr82``) or any other file by its path.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.shipped import shipped
from analysis.vocabulary.units import Pressure, parse_pressure, parse_quantity

FOLDER = "rules"
READ = ("recovery", "pressure_test", "evacuation")
"""The stages whose tables are read: a value in any other would be thought to be in force."""
_HEAD = {"title": str, "source": str, "from_memory": bool, "note": str}


@dataclass(frozen=True)
class RuleTable:
    """A table of a rule file that reads its values with their units; `where` names file and table in refusals.

    Every reader raises InputError for a value of another kind, and names the key and what is accepted.
    """

    where: str
    values: Mapping[str, Any]

    def only(self, *keys: str) -> RuleTable:
        """Return the table itself, or refuse a key that is none of `keys`."""
        for key in self.values:
            if key not in keys:
                raise InputError(f"{self.where}: unknown key {key!r}; expected one of {', '.join(keys)}")
        return self

    def quantity(self, key: str, dimension: str) -> float | None:
        """Return a quantity in SI (see `parse_quantity`), None when the key is absent."""
        value = self.values.get(key)
        return None if value is None else parse_quantity(value, dimension, f"{self.where}.{key}")

    def pressure(self, key: str) -> Pressure | None:
        """Return a pressure with its datum, None when the key is absent."""
        value = self.values.get(key)
        return None if value is None else parse_pressure(value, f"{self.where}.{key}")

    def text(self, key: str) -> str | None:
        """Return a string, None when the key is absent."""
        value: str | None = self._typed(key, str, "text in quotes")
        return value

    def date(self, key: str) -> datetime.date | None:
        """Return a date (``1993-11-15``), None when the key is absent."""
        value: datetime.date | None = self._typed(key, datetime.date, "a date such as 1993-11-15")
        return value

    def words(self, key: str, accepted: tuple[str, ...]) -> tuple[str, ...] | None:
        """Return a list of words out of `accepted`, None when the key is absent."""
        listed = self._typed(key, list, f"a list of {', '.join(accepted)}")
        for word in listed or ():
            if word not in accepted:
                raise refused(f"{self.where}.{key}", word, accepted)
        return None if listed is None else tuple(listed)

    def rows(self, key: str) -> tuple[RuleTable, ...]:
        """Return an array of tables (``[[stage.key]]``); none when the key is absent."""
        listed = self._typed(key, list, f"tables [[{key}]]") or []
        for i, row in enumerate(listed):
            if not isinstance(row, dict):
                raise refused(f"{self.where}.{key}[{i + 1}]", row, f"a table [[{key}]]")
        return tuple(RuleTable(f"{self.where}.{key}[{i + 1}]", row) for i, row in enumerate(listed))

    def _typed(self, key: str, kind: type, accepted: str) -> Any:
        value = self.values.get(key)
        if value is not None and not isinstance(value, kind):
            raise refused(f"{self.where}.{key}", value, accepted)
        return value


@dataclass(frozen=True)
class Rules:
    """A rule file. `tables` holds the stages' tables; `table(stage)` reads one."""

    name: str
    title: str
    source: str
    from_memory: bool
    note: str
    tables: Mapping[str, Mapping[str, Any]]

    def has(self, stage: str) -> bool:
        """Return whether the file says anything about the stage."""
        return stage in self.tables

    def table(self, stage: str) -> RuleTable:
        """Return the stage's table.

        Raises
        ------
        InputError
            The file says nothing about the stage.
        """
        if stage not in self.tables:
            said = ", ".join(self.tables) or "no stage"
            raise InputError(f"rules {self.name!r}: no table [{stage}]; the file speaks of {said}")
        return RuleTable(f"rules {self.name!r} [{stage}]", self.tables[stage])


def shipped_rules() -> tuple[str, ...]:
    """Return the names of the shipped rule files."""
    return tuple(sorted(file.stem for file in (shipped("config") / FOLDER).glob("*.toml")))


@cache
def load_rules(name: str) -> Rules:
    """Return the rule file that a job names: a shipped one by its stem, any other by its path.

    Raises
    ------
    InputError
        No such file, not TOML, no `[rules]` head, an unknown table or a head value of a wrong type.
    """
    path = Path(name).expanduser() if name.endswith(".toml") else shipped("config") / FOLDER / f"{name}.toml"
    if not name.endswith(".toml") and name not in shipped_rules():
        raise refused("rules", name, [*shipped_rules(), "the path of a .toml file"])
    try:
        read = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"rules {name!r}: cannot be read ({error.strerror}); expected a rule file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"rules {name!r}: is not TOML ({error})") from None
    head = read.pop("rules", None)
    if not isinstance(head, dict) or "title" not in head or "source" not in head:
        raise InputError(f"rules {name!r}: no table [rules] with title and source; expected both")
    for key, value in head.items():
        if key not in _HEAD or not isinstance(value, _HEAD[key]):
            accepted = ", ".join(f"{known} ({kind.__name__})" for known, kind in _HEAD.items())
            raise InputError(f"rules {name!r} [rules].{key}: {value!r} is not accepted; expected {accepted}")
    for stage, table in read.items():
        if stage not in READ or not isinstance(table, dict):
            raise InputError(f"rules {name!r}: nothing reads a table [{stage}]; expected rules, {', '.join(READ)}")
    return Rules(
        name=name,
        title=head["title"],
        source=head["source"],
        from_memory=head.get("from_memory", False),
        note=head.get("note", ""),
        tables=read,
    )
