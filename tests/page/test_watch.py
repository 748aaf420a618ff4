"""The whole of it: `standwatch watch` over a scale on a socket, a browser on its page; what is killed comes back."""

from __future__ import annotations

import asyncio
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import psutil
import pytest
from playwright.sync_api import expect

from tests.collector.rig import job_folder, scale
from tests.page.conftest import PATIENCE_MS, Open, answers

ROOT = Path(__file__).parents[2]
WITHIN_S = 40.0
Found = TypeVar("Found")


@pytest.fixture
def scale_port() -> Iterator[int]:
    """A scale on a socket, served from a thread of its own."""
    found: list[int] = []
    ready, stop = threading.Event(), threading.Event()

    async def serve() -> None:
        async with scale() as port:
            found.append(port)
            ready.set()
            while not stop.is_set():  # noqa: ASYNC110  the event is another thread's
                await asyncio.sleep(0.05)
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                task.cancel()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="scale")
    thread.start()
    assert ready.wait(5.0)
    yield found[0]
    stop.set()
    thread.join(10.0)
    assert not thread.is_alive()


class Watch:
    """`standwatch watch` as a process."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder = folder
        self._said: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "collector.cli", "watch", str(folder), *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=ROOT,
        )
        self._reader = threading.Thread(target=self._read, name="watch's output")
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._said.append(line)

    @property
    def said(self) -> str:
        """What it printed so far."""
        return "".join(self._said)

    def child(self, word: str) -> psutil.Process:
        """Wait for a child with a word in its command."""
        return wait_for(
            lambda: next(
                (c for c in psutil.Process(self.process.pid).children() if any(word in a for a in c.cmdline())), None
            ),
            f"no process for {word}",
        )

    def journal(self) -> str:
        """Return the journal's text."""
        file = self.folder / "journal.csv"
        return file.read_text(encoding="utf-8") if file.exists() else ""

    def close(self) -> int:
        """End it as Ctrl-C does and return its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        code = self.process.wait(30)
        self._reader.join(10)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


def wait_for(look: Callable[[], Found | None], what: str) -> Found:
    """Look until there is something."""
    end = time.monotonic() + WITHIN_S
    while time.monotonic() < end:
        try:
            found = look()
        except psutil.Error:
            found = None
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(what)


@pytest.fixture
def start() -> Iterator[Callable[..., Watch]]:
    """Start a watch: ``start(folder, "--headless")``."""
    watches: list[Watch] = []

    def start(folder: Path, *options: str) -> Watch:
        watches.append(Watch(folder, *options))
        return watches[-1]

    yield start
    for watch in watches:
        children = psutil.Process(watch.process.pid).children() if watch.process.poll() is None else []
        watch.close()
        assert not psutil.wait_procs(children, timeout=10)[1], "a process was left behind"


def test_watch(tmp_path: Path, scale_port: int, start: Callable[..., Watch], open_page: Open) -> None:
    watch = start(job_folder(tmp_path / "job", scale_port, "0.2 s"))
    url = wait_for(lambda: re.search(r"http://127\.0\.0\.1:\d+/", watch.said), "no address was printed").group()
    recorder = watch.child("record")
    page_process = watch.child("collector.page")
    wait_for(lambda: "recording 1 channels" in watch.said, "no recorder")
    page = wait_for(lambda: open_page(url) if answers(url) else None, "no page")
    expect(page.locator(".channels")).to_contain_text("lb")
    page.get_by_role("button", name="Begin charging").click()
    expect(page.locator(".said")).to_contain_text("charging begun")
    assert ",stage,charging,begin," in watch.journal()
    expect(page.locator(".stage")).to_contain_text("Charging ·", timeout=2 * PATIENCE_MS)

    page_process.kill()
    watch.child("findings").kill()
    wait_for(lambda: "page ended (by SIGKILL)" in watch.said, "the page's end was not said")
    wait_for(lambda: "findings ended (by SIGKILL)" in watch.said, "the follower's end was not said")
    assert recorder.is_running(), "a follower never takes the recorder down"
    watch.child("collector.page")

    recorder.kill()
    wait_for(lambda: "recorder ended (by SIGKILL)" in watch.said, "the recorder's end was not said")
    wait_for(lambda: ",recorder,,resumed," in watch.journal(), "the recorder did not come back")
    expect(page.locator("#popup")).to_be_hidden(timeout=2 * PATIENCE_MS)
    before = page.locator(".channels .value").inner_text()
    expect(page.locator(".channels .value")).not_to_have_text(before)

    assert watch.close() == 0, watch.said
    assert watch.journal().splitlines()[-1].partition(",")[2].startswith("recorder,,stopped")
    assert "Traceback" not in watch.said


def test_a_job_that_the_recorder_refuses_ends_the_watch(tmp_path: Path, start: Callable[..., Watch]) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "job.toml").write_text('[job]\nname = "no instrument"\n')
    watch = start(folder, "--headless")
    assert watch.process.wait(WITHIN_S) == 2
    watch.close()
    assert "no [[instrument]]" in watch.said
    assert "Traceback" not in watch.said
