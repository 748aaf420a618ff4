"""Readings as a person reads them at a glance."""

from __future__ import annotations

import re

from analysis.vocabulary.text import by_hand

DIGITS = 5
MOST_DECIMALS = 6
BEFORE_UNIT = re.compile(r"(?<![\w-])(-?\d[\d.,]*) (?=°|%|[^\W\d]{1,6}\b)")
IN_NAME = re.compile(r"(?<=[A-Z])-(?=\d)")
"""Where a narrow screen may not break a line: between a number and its unit, within a name such as CYL-1."""


def shown(value: float, decimals: int = 0) -> str:
    """Return a reading with five significant digits at most, never with an exponent.

    `decimals` are shown though they be zeros, as far as the digits go, so that a number keeps its width.
    """
    rounded = float(f"{value:.{DIGITS}g}")
    text = f"{rounded:z,.{MOST_DECIMALS}f}".rstrip("0").rstrip(".")
    whole, _, part = text.partition(".")
    least = min(decimals, DIGITS - len(whole.lstrip("-").replace(",", "")))
    return f"{rounded:z,.{least}f}" if least > len(part) else text


def decimals_of(value: float) -> int:
    """Return with how many decimals a reading is shown."""
    return len(shown(value).partition(".")[2])


def with_sign(text: str) -> str:
    """Return a text with its units as they are written by hand, none on another line than its number."""
    return IN_NAME.sub("\u2011", BEFORE_UNIT.sub("\\1\u00a0", by_hand(text)))
