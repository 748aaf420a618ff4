"""What a watch costs: the bench at its real pace behind its wires, `standwatch watch` on it, the page open in chromium.

The job has gone on for some hours already (played fast into the log, stamps up to now), then goes on live. Run it::

    python tests/benchmarks/watch_soak.py [MINUTES] [HOURS_BEFORE]

It prints processor time as a share of one core and resident memory of each process, in the first and in the last
minute, and ends with 1 when rows are missing, a process was started again, or one grew by more than a bound.
"""

from __future__ import annotations

import asyncio
import datetime
import re
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import psutil
from playwright.async_api import Page, async_playwright

from analysis.vocabulary.channels import JOURNAL_COLUMNS
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE
from collector.bench.job_folder import prepare
from collector.bench.play import Bench
from collector.bench.samples import cell
from collector.bench.wires import Wires
from collector.control import send
from collector.entries import Entry, stamp
from collector.joblog import csv_line
from collector.recorder import Recorder
from tests.page.conftest import FLAGS

SEED = 2026
INTERVAL_S = 1.0
SETTLE_S = 45.0
MOST_GROWTH_MB = 40.0
NAMES = {"record": "recorder", "collector.follow.findings": "findings", "collector.page": "page",
         "collector.follow.alarms": "alarms", "watch": "watch"}  # fmt: skip
ALARMS = '\n[[alarm]]\non = "instrument_lost"\nname = "lost"\nsend = ["json://127.0.0.1:9/"]\n'


def play_before(bench: Bench, said: list[tuple[float, Entry]], hours: float, folder: Path) -> datetime.datetime:
    """Play the bench for some hours into the log; return the time of the wall at the bench's midnight."""
    begin_s = bench.plant.seconds
    end_s = begin_s + hours * 3_600.0
    now = datetime.datetime.now(datetime.UTC)
    midnight = now - datetime.timedelta(seconds=end_s)
    channels = Recorder(folder).channels
    with (folder / READINGS_FILE).open("wb") as file:
        file.write(csv_line(("time", *(f"{channel} [{unit}]" for channel, unit in channels))))
        for second in range(1, int(hours * 3_600.0)):
            bench.advance(begin_s + second)
            cells = (cell(bench.shown.get(channel)) for channel, _ in channels)
            file.write(csv_line((stamp(midnight + datetime.timedelta(seconds=begin_s + second)), *cells)))
    told = [(stamp(midnight + datetime.timedelta(seconds=at)), e.kind, e.subject, e.value, e.text) for at, e in said]
    (folder / JOURNAL_FILE).write_bytes(b"".join(csv_line(row) for row in (JOURNAL_COLUMNS, *told)))
    return midnight


def processes(watch: int, browser: int) -> dict[str, list[psutil.Process]]:
    """Return the watch's processes by name, and the browser's together."""
    found: dict[str, list[psutil.Process]] = {"browser": psutil.Process(browser).children(recursive=True)}
    for process in [psutil.Process(watch), *psutil.Process(watch).children(recursive=True)]:
        word = next((name for key, name in NAMES.items() if key in process.cmdline()), "other")
        found.setdefault(word, []).append(process)
    return found


def spent(found: dict[str, list[psutil.Process]]) -> dict[str, tuple[float, float]]:
    """Return (processor seconds, resident MB) of each name."""
    result = {}
    for name, group in found.items():
        times = [p.cpu_times() for p in group if p.is_running()]
        memory = sum(p.memory_info().rss for p in group if p.is_running()) / 1e6
        result[name] = (sum(t.user + t.system for t in times), memory)
    return result


async def minute(found: dict[str, list[psutil.Process]], length_s: float) -> dict[str, tuple[float, float]]:
    """Return (share of one core [%], resident MB) of each name over so many seconds."""
    before, begin = spent(found), time.monotonic()
    await asyncio.sleep(length_s)
    after, took = spent(found), time.monotonic() - begin
    return {name: (100.0 * (after[name][0] - before[name][0]) / took, after[name][1]) for name in found}


async def soak(folder: Path, minutes: float, hours_before: float) -> int:
    """Run the watch and print the table."""
    said: list[tuple[float, Entry]] = []
    bench = Bench(SEED, say=lambda at, each: said.append((at, each)))
    async with Wires(lambda: bench.shown, every_s=INTERVAL_S / 2.0) as wires:
        prepare(folder, wires.instruments(INTERVAL_S / 2.0), INTERVAL_S)
        with (folder / "job.toml").open("a", encoding="utf-8") as file:
            file.write(ALARMS)
        midnight = play_before(bench, said, hours_before, folder)
        said.clear()

        async def live() -> None:
            while True:
                bench.advance((datetime.datetime.now(datetime.UTC) - midnight).total_seconds())
                while said:
                    _, each = said.pop(0)
                    entry = Entry(each.kind, each.subject, each.value, each.text)
                    await asyncio.to_thread(send, folder, entry)
                await asyncio.sleep(0.25)

        watch = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "collector.cli", "watch", str(folder),
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
        )  # fmt: skip
        lines: list[str] = []
        assert watch.stdout is not None

        async def listen() -> None:
            assert watch.stdout is not None
            async for line in watch.stdout:
                lines.append(line.decode())  # noqa: PERF401  read while it comes

        tasks = [asyncio.create_task(live()), asyncio.create_task(listen())]
        while (url := re.search(r"http://\S+/", "".join(lines))) is None or "recording " not in "".join(lines):  # noqa: ASYNC110
            await asyncio.sleep(0.2)
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
            page: Page = await browser.new_page(viewport={"width": 1280, "height": 800})
            await _reach(page, url.group())
            await asyncio.sleep(SETTLE_S)
            found = processes(watch.pid, _browser_pid())
            first = await minute(found, 60.0)
            rows = _rows(folder)
            begin = time.monotonic()
            await asyncio.sleep(max(0.0, 60.0 * (minutes - 2.0)))
            last = await minute(found, 60.0)
            took = time.monotonic() - begin
            recorded = _rows(folder) - rows
            shown = await page.locator(".recording").inner_text()
            answer = await page.locator(".words").inner_text()
            await browser.close()
        watch.send_signal(signal.SIGINT)
        await watch.wait()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    restarted = [line for line in lines if "started again" in line]
    print(f"{hours_before:g} h before, {minutes:g} min live; rows {recorded} in {took:.0f} s; page: {shown} / {answer}")
    print(f"{'process':10} {'% of a core':>22} {'resident MB':>22}")
    for name in sorted(first):
        (core_a, memory_a), (core_b, memory_b) = first[name], last[name]
        print(f"{name:10} {core_a:10.1f} {core_b:11.1f} {memory_a:10.1f} {memory_b:11.1f}")
    print("".join(restarted), end="")
    grown = [n for n in first if n != "browser" and last[n][1] - first[n][1] > MOST_GROWTH_MB]
    return int(bool(restarted or grown) or recorded < took / INTERVAL_S - 2)


async def _reach(page: Page, url: str) -> None:
    for _ in range(50):
        try:
            await page.goto(url)
            return
        except Exception:  # noqa: BLE001  not listening yet
            await asyncio.sleep(0.5)
    raise SystemExit("the page does not answer")


def _browser_pid() -> int:
    return next(p.pid for p in psutil.Process().children() if "playwright" in " ".join(p.cmdline()))


def _rows(folder: Path) -> int:
    with (folder / READINGS_FILE).open("rb") as file:
        return sum(1 for _ in file) - 1


def main() -> int:
    """Measure, print, and return 1 when something is amiss."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    hours = float(sys.argv[2]) if len(sys.argv) > 2 else 2.0
    with tempfile.TemporaryDirectory() as name:
        return asyncio.run(soak(Path(name) / "job", minutes, hours))


if __name__ == "__main__":
    sys.exit(main())
