"""Errors that a user may see. Every message is one line: what, where, what is accepted.

StandwatchError
├── InputError      the input was refused; the command ends with exit code 2
└── RecorderError   the recorder could not go on; nothing acknowledged was lost
"""

from __future__ import annotations

from collections.abc import Iterable


class StandwatchError(Exception):
    """Base of every error that is shown to a user as one line."""


class InputError(StandwatchError):
    """A file, a setting or an argument cannot be used as it is; `accepted` says what could be, where that is known."""

    def __init__(self, message: str, accepted: str = "") -> None:
        super().__init__(message)
        self.accepted = accepted


class RecorderError(StandwatchError):
    """The recorder had to stop."""


LONGEST_QUOTED = 80
"""So many signs of a value that is refused are said again."""


def quoted(value: object) -> str:
    """Return a value as a refusal names it."""
    whole = repr(value)
    return whole if len(whole) <= LONGEST_QUOTED else f"{whole[:LONGEST_QUOTED]}…"


def refused(where: str, value: object, accepted: str | Iterable[str]) -> InputError:
    """Return the error for one refused value: where it stands, what it is, what is accepted there."""
    wanted = accepted if isinstance(accepted, str) else ", ".join(accepted)
    return InputError(f"{where}: {quoted(value)} is not accepted; expected {wanted}", wanted)
