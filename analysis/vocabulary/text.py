"""Text that came from a file, a wire or a person, made fit to be shown, stored and sent."""

from __future__ import annotations

LONGEST_TEXT = 4_000
LONGEST_NAME = 200
"""Signs of a note, and of a name: a job's, a cylinder's, an instrument's."""


def one_line(text: str, longest: int = LONGEST_TEXT) -> str:
    """Return a text on one line and not too long; what is not printable becomes a space.

    That takes out what would steer a terminal or a page: line breaks, escape sequences, NUL, and the marks that turn
    the direction of writing.
    """
    kept = text[:longest]
    return kept if kept.isprintable() else "".join(c if c.isprintable() else " " for c in kept)
