"""`standwatch watch` without a page: what it refuses, and the recorder that it finds at work."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.vocabulary.errors import InputError
from collector.commands.watch import free_port, run_watch
from tests.collector.follow.watching import ROOT, Watch, scale_port, start, wait_for
from tests.collector.rig import job_folder
from tests.patience import PATIENCE_S

__all__ = ["scale_port", "start"]


def test_a_recorder_that_is_found_is_followed_and_left_alone(
    tmp_path: Path, scale_port: int, start: Callable[..., Watch]
) -> None:
    folder = job_folder(tmp_path / "job", scale_port, "0.2 s")
    recorder = subprocess.Popen([sys.executable, "-m", "collector.cli", "record", str(folder)], cwd=ROOT)
    try:
        wait_for(lambda: (folder / ".standwatch" / "control.json").exists(), "no recorder")
        watch = start(folder, "--headless")
        wait_for(lambda: "another recorder is at work here" in watch.said, "it was not said")
        wait_for(lambda: (folder / ".standwatch" / "state.json").exists(), "the log was not judged")
        assert recorder.poll() is None
        recorder.send_signal(signal.SIGINT)
        assert recorder.wait(PATIENCE_S) == 0
        wait_for(lambda: ",recorder,,resumed," in watch.journal(), "no recorder was started after it")
        assert watch.close() == 0
    finally:
        recorder.kill()
        recorder.wait(PATIENCE_S)


def test_a_port_that_is_taken_is_refused() -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=f"--port {port}: cannot be had"):
            free_port("127.0.0.1", port)


def test_headless_and_share_exclude_each_other(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--headless: there is no page"):
        run_watch(tmp_path, headless=True, share=True)


def test_a_job_that_the_recorder_refuses_ends_the_watch(tmp_path: Path, start: Callable[..., Watch]) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "job.toml").write_text('[job]\nname = "no instrument"\n')
    watch = start(folder, "--headless")
    assert watch.process.wait(PATIENCE_S) == 2
    watch.close()
    [line] = [line for line in watch.said.splitlines() if line.startswith("standwatch:")]
    assert "no [[instrument]]" in line
    assert "Traceback" not in watch.said
