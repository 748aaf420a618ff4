"""What is said to a terminal: one line, and nothing fails where it has gone."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.follow.alarm_desk import Desk
from collector.follow.alarms import AlarmFollower, Watcher
from collector.follow.broker import Broker
from collector.follow.mqtt import Publisher
from collector.terminal import say, warn


class Gone(io.StringIO):
    """A terminal that was closed."""

    def write(self, _: str) -> int:
        raise OSError(errno.EIO, "Input/output error")


def followers_say() -> list[Callable[[str], None]]:
    alarms = AlarmFollower(Watcher(Path(), []), Desk([]))
    return [alarms.say, Publisher(Path(), Broker({"broker": "mqtt://127.0.0.1"}, Path())).say]


@pytest.mark.parametrize("speak", [say, warn, *followers_say()])
def test_a_terminal_that_went_away_changes_nothing(
    speak: Callable[[str], None], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    speak("two\nlines \x1b[2J")
    told = "".join(capsys.readouterr())
    assert told.endswith("two lines  [2J\n")
    assert told.count("\n") == 1
    monkeypatch.setattr("sys.stdout", Gone())
    monkeypatch.setattr("sys.stderr", Gone())
    speak("two")
