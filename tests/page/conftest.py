"""A real browser, and the page's own process over a job folder."""

from __future__ import annotations

import contextlib
import datetime
import os
import shutil
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from collector.control import write_directly
from collector.entries import Entry
from collector.page.guard import CODE_VARIABLE
from tests.patience import PATIENCE_S, free_port

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PATIENCE_MS = 60_000
expect.set_options(timeout=PATIENCE_MS)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what needs a browser where none is installed."""
    if CHROMIUM is None:
        for item in items:
            if "browser" in getattr(item, "fixturenames", ()):
                item.add_marker(pytest.mark.skip(reason="chromium is not installed (apt-get install chromium)"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for the tests of a module.

    Its driver keeps an event loop running in this thread: a module that uses it holds no async test, and it has
    ended before the next module begins.
    """
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


Open = Callable[..., Page]


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Open]:
    """Open an address in a window of its own: ``open_page(url, width, height, theme)``; errors in it fail the test."""
    contexts = []
    errors: list[str] = []

    def open_(url: str, width: int = 1280, height: int = 800, theme: str = "night") -> Page:
        context = browser.new_context(viewport={"width": width, "height": height})
        context.set_default_timeout(PATIENCE_MS)
        context.add_cookies([{"name": "standwatch_theme", "value": theme, "url": url}])
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(url)
        page.wait_for_function("() => !document.getElementById('app') || window.did_handshake")  # it hears and is heard
        return page

    yield open_
    for context in contexts:
        context.close()
    assert not errors, errors


class Server:
    """The page's process for one folder; may be killed and started again on the same port."""

    def __init__(self, folder: Path, code: str = "") -> None:
        self.folder, self.code, self.port = folder, code, free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "collector.page", str(self.folder), "127.0.0.1", str(self.port)],
            stdin=subprocess.PIPE,
            env={**os.environ, CODE_VARIABLE: self.code},
            cwd=Path(__file__).parents[2],
        )
        end = time.monotonic() + PATIENCE_S
        try:
            while not answers(self.url):
                assert self._process.poll() is None, "the page's process ended"
                assert time.monotonic() < end, "the page does not answer"
                time.sleep(0.1)
        except AssertionError:
            self.kill()
            raise

    def kill(self) -> None:
        """End it as a crash would."""
        assert self._process.stdin is not None
        self._process.kill()
        self._process.stdin.close()
        self._process.wait(PATIENCE_S)

    def close(self) -> int:
        """End it as its keeper does: by closing its input. Returns its exit code."""
        if self._process.poll() is None:
            assert self._process.stdin is not None
            self._process.stdin.close()
            return self._process.wait(PATIENCE_S)
        return self._process.returncode


def answers(url: str) -> bool:
    """Return whether somebody answers there, in whatever way."""
    try:
        with urllib.request.urlopen(url, timeout=2):
            return True
    except urllib.error.HTTPError as refusal:
        refusal.close()
        return True
    except OSError:
        return False


@pytest.fixture(scope="session")
def serve() -> Iterator[Callable[..., Server]]:
    """Start the page's process over a folder: ``serve(folder, code)``; it runs until the end of all tests."""
    servers: list[Server] = []

    def start(folder: Path, code: str = "") -> Server:
        servers.append(Server(folder, code))
        return servers[-1]

    yield start
    for server in servers:
        assert server.close() in (0, -9)


HOSTILE = "<img src=x onerror=window.broken=1><b>x</b>{{7*7}}</script>"
"""A text as nobody would write it, where the job says a name: it has to appear as it is."""

JOB = f"""
[job]
name = "{HOSTILE}"
simulated = true
[[cylinder]]
id = "{HOSTILE}"
[[cylinder]]
id = "CYL-2"
"""


class Log:
    """A job folder that grows as a recorder would grow it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._guard = threading.Lock()
        self._last = datetime.datetime.min.replace(tzinfo=datetime.UTC)
        folder.mkdir(parents=True)
        (folder / "job.toml").write_text(JOB, encoding="utf-8")
        self.readings = folder / "readings.csv"
        self.readings.write_text("time,circuit_pressure [psig],vacuum [micron],cylinder_weight [lb]\n")

    def row(self, pressure: str = "", vacuum: str = "", weight: str = "", ago_s: float = 0.0) -> None:
        """Add a row, as old as said but later than the one before: who reads leaves out a second of one time."""
        with self._guard, self.readings.open("a", encoding="utf-8") as file:
            at = datetime.datetime.now(datetime.UTC) - datetime.timedelta(seconds=ago_s)
            at = self._last = max(at, self._last + datetime.timedelta(milliseconds=1))
            file.write(f"{stamp(at)},{pressure},{vacuum},{weight}\n")

    @contextlib.contextmanager
    def going_on(self) -> Iterator[None]:
        """Add a row without a reading every second for as long as the block lasts."""
        stop = threading.Event()

        def add() -> None:
            while not stop.wait(1.0):
                self.row()

        thread = threading.Thread(target=add, name="rows")
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()

    def entry(self, kind: str, subject: str = "", value: str = "", text: str = "") -> None:
        """Add a row to the journal, as the recorder would."""
        write_directly(self.folder, Entry(kind, subject, value, text))

    def entries(self) -> list[str]:
        """Return the journal's lines without their times."""
        journal = self.folder / "journal.csv"
        lines = journal.read_text(encoding="utf-8").splitlines()[1:] if journal.exists() else []
        return [line.partition(",")[2] for line in lines]


def stamp(at: datetime.datetime) -> str:
    """Return a stamp as the log holds it."""
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"


@pytest.fixture(scope="session")
def log(tmp_path_factory: pytest.TempPathFactory) -> Log:
    """A job folder with ten minutes of rows, shared by the tests that only add to it."""
    log = Log(tmp_path_factory.mktemp("page") / "job")
    for ago in range(600, 0, -2):
        log.row(f"{40 + ago / 100:.1f}", "120" if ago > 400 else "", f"{100 - ago / 20:.1f}", ago)
    return log


@pytest.fixture(scope="session")
def server(log: Log, serve: Callable[..., Server]) -> Server:
    """The page over that folder."""
    return serve(log.folder)
