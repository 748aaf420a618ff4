"""A process is started again when it ends, with pauses that grow and are capped, and is ended with its keeper."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest

from collector.follow import keep
from collector.follow.keep import Kept, ended
from tests.patience import PATIENCE_S, come_true

COUNT = "import sys, pathlib; p = pathlib.Path(sys.argv[1]); p.write_text(p.read_text() + 'x'); sys.exit(3)"
UNTIL_PARENT_ENDS = (
    "import sys, threading; sys.path.insert(0, sys.argv[2])\n"
    "from collector.follow.keep import end_with_parent\n"
    "stop = threading.Event(); end_with_parent(stop)\n"
    "open(sys.argv[1], 'w').write('up'); stop.wait(); open(sys.argv[1], 'w').write('down')"
)
ROOT = str(Path(__file__).parents[3])


def said(file: Path) -> str:
    """Return what a process wrote into a file."""
    return file.read_text() if file.exists() else ""


async def up(file: Path) -> None:
    """Wait until the process has said that it is up."""
    await come_true(lambda: said(file))


async def test_it_is_started_again_and_every_end_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keep, "FIRST_PAUSE_S", 0.01)
    file, said = tmp_path / "count", []
    file.write_text("")
    kept = Kept(
        "counter", [sys.executable, "-c", COUNT, str(file)], said.append, gives_up=lambda _, starts: starts == 3
    )
    assert await asyncio.wait_for(kept.run(), PATIENCE_S) == 3
    assert file.read_text() == "xxx"
    assert len(said) == 2
    assert all("counter ended (exit code 3)" in line for line in said)


async def test_pauses_grow_to_a_cap(monkeypatch: pytest.MonkeyPatch) -> None:
    pauses: list[float] = []
    sleep = asyncio.sleep

    async def note(seconds: float) -> None:
        pauses.append(seconds)
        await sleep(0)

    monkeypatch.setattr(keep.asyncio, "sleep", note)
    kept = Kept(
        "false", [sys.executable, "-S", "-c", "raise SystemExit(1)"], lambda _: None, 2.0, gives_up=lambda _, n: n == 7
    )
    await asyncio.wait_for(kept.run(), PATIENCE_S)
    for pause, usual in zip(pauses, (0.75, 1.5, 2.0, 2.0, 2.0, 2.0), strict=True):
        assert 0.5 * usual <= pause <= usual
    assert len(set(pauses)) == len(pauses), "jittered"


async def test_a_cancelled_keeper_ends_its_process(tmp_path: Path) -> None:
    file = tmp_path / "state"
    kept = Kept("sleeper", [sys.executable, "-c", UNTIL_PARENT_ENDS, str(file), ROOT], lambda _: None)
    task = asyncio.create_task(kept.run())
    await up(file)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert kept.process is not None
    assert kept.process.returncode is not None


async def test_a_follower_ends_when_its_keeper_is_gone(tmp_path: Path) -> None:
    file = tmp_path / "state"
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", UNTIL_PARENT_ENDS, str(file), ROOT, stdin=asyncio.subprocess.PIPE
    )
    await up(file)
    assert process.stdin is not None
    process.stdin.close()
    assert await asyncio.wait_for(process.wait(), PATIENCE_S) == 0
    assert file.read_text() == "down"


def test_how_a_process_ended_is_said_in_words() -> None:
    assert ended(2) == "exit code 2"
    assert ended(-9) == "by SIGKILL"
    assert ended(-250) == "by signal 250"
