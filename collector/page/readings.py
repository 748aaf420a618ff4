"""Readings as a person reads them at a glance."""

from __future__ import annotations

import re
from collections.abc import Mapping

SIGNS: Mapping[str, str] = {"degF": "°F", "degC": "°C", "m3": "m³"}
DIGITS = 5


def shown(value: float) -> str:
    """Return a reading with five significant digits at most, never with an exponent."""
    rounded = float(f"{value:.{DIGITS}g}")
    text = f"{rounded:,.6f}".rstrip("0").rstrip(".")
    return text if text not in ("-0", "") else "0"


def shown_unit(symbol: str) -> str:
    """Return a unit as it is written by hand."""
    return SIGNS.get(symbol, symbol)


def with_sign(text: str) -> str:
    """Return a figure's text with its unit as it is written by hand."""
    return re.sub(r"\b(degF|degC|m3)\b", lambda match: SIGNS[match.group(1)], text)
