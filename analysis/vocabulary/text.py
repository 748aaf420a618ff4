"""Text that came from a file, a wire or a person, made fit to be shown, stored and sent; a time as it is said."""

from __future__ import annotations

import re
from collections.abc import Mapping

LONGEST_TEXT = 4_000
LONGEST_NAME = 200
"""Signs of a note, and of a name: a job's, a cylinder's, an instrument's."""

SIGNS: Mapping[str, str] = {"degF": "°F", "degC": "°C", "m3": "m³"}
"""Units as they are written by hand."""
_TYPED = re.compile(rf"\b(?:{'|'.join(SIGNS)})\b")


def one_line(text: str, longest: int = LONGEST_TEXT) -> str:
    """Return a text on one line and not too long; what is not printable becomes a space.

    That takes out what would steer a terminal or a page: line breaks, escape sequences, NUL, and the marks that turn
    the direction of writing.
    """
    kept = text[:longest]
    return kept if kept.isprintable() else "".join(c if c.isprintable() else " " for c in kept)


def words(name: str) -> str:
    """Return a name of ours as it stands in a sentence: ``level_not_held`` becomes ``level not held``."""
    return "start-up" if name == "startup" else name.replace("_", " ")


def by_hand(text: str) -> str:
    """Return a text with its units as they are written by hand: ``32.0 °F``."""
    return _TYPED.sub(lambda match: SIGNS[match.group()], text)


def unit_once(first: str, between: str, second: str) -> str:
    """Return two quantities with the unit of the second: ``10.6 to 15.0 degF``."""
    return f"{first.partition(' ')[0]} {between} {second}"


def counted(count: int, thing: str) -> str:
    """Return how many there are of a thing: ``1 row``, ``2 rows``."""
    return f"{count} {thing}{'' if count == 1 else 's'}"


def likely(share: float) -> str:
    """Return a likelihood as a person says it: none is wholly sure."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"


def duration(seconds: float) -> str:
    """Return a time as a person says it: ``40 s``, ``25 min``, ``3 h 20 min``, ``2 d 4 h``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(minutes if minutes < 600 else round(minutes / 60) * 60, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    return f"{hours // 24} d {hours % 24} h"


def about(seconds: float) -> str:
    """Return a time left that was reckoned, which nobody knows to seconds: ``about 25 min``, ``less than 1 min``."""
    return "less than 1 min" if seconds < 60 else f"about {duration(max(seconds, 90.0))}"
