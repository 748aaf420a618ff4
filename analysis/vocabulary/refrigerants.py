"""Names of the refrigerants that are known, as people type them; their properties are in `analysis.fluids`."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from typing import cast

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.shipped import shipped

LIST_FILE = "refrigerants.toml"


class UnknownRefrigerant(InputError):
    """No table for that name; the message gives the nearest names."""


@dataclass(frozen=True)
class Entry:
    """One refrigerant of the list: composition by mass, other names."""

    mass_fractions: dict[str, float]
    also: tuple[str, ...] = ()


@cache
def refrigerant_list() -> dict[str, dict[str, dict[str, object]]]:
    """Return the list of refrigerants as it stands in its file."""
    return tomllib.loads((shipped("config") / LIST_FILE).read_text(encoding="utf-8"))


@cache
def known_refrigerants() -> dict[str, Entry]:
    """Return every refrigerant by its name, in the order of the list."""
    return {
        name: Entry(
            cast(dict[str, float], entry["mass_fractions"]),
            tuple(cast("list[str]", entry.get("also", []))),
        )
        for name, entry in refrigerant_list()["refrigerant"].items()
    }


def _plain(name: str) -> str:
    """Return what is left of a name without case, punctuation and the prefixes R, HFC, HFO, HCFC, CFC, HC."""
    letters = re.sub(r"[^A-Z0-9]", "", name.upper())
    return re.sub(r"^(?:HFC|HFO|HCFC|HCFO|CFC|HC|R)(?=\d)", "", letters)


@cache
def _names() -> dict[str, str]:
    return {_plain(spelling): name for name, entry in known_refrigerants().items() for spelling in (name, *entry.also)}


def refrigerant_name(typed: object) -> str:
    """Return the name of the refrigerant that was meant: ``r134a``, ``R 134a`` and ``HFC-134a`` are ``R-134a``.

    Raises
    ------
    UnknownRefrigerant
        No such refrigerant, or none that a table is shipped for; the message names the nearest.
    """
    plain = _plain(typed) if isinstance(typed, str) else ""
    found = _names().get(plain)
    if found is None:
        near = difflib.get_close_matches(plain, _names(), n=4, cutoff=0.5) or list(_names())
        nearest = f"a name such as {', '.join(dict.fromkeys(_names()[n] for n in near))}"
        raise UnknownRefrigerant(f"refrigerant {typed!r} is not known; expected {nearest}", nearest)
    return found
