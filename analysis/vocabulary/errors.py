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
    """A file, a setting or an argument cannot be used as it is."""


class RecorderError(StandwatchError):
    """The recorder had to stop."""


def refused(where: str, value: object, accepted: str | Iterable[str]) -> InputError:
    """Return the error for one refused value: where it stands, what it is, what is accepted there."""
    wanted = accepted if isinstance(accepted, str) else ", ".join(accepted)
    return InputError(f"{where}: {value!r} is not accepted; expected {wanted}")
