"""Take pictures of the page at every stage of a recorded job, in both looks, on a desk and on a phone.

The log is cut at a moment of each stage and its stamps are shifted so that the moment is now. Run it::

    python tests/benchmarks/page_screens.py OUT [JOB] [NAME ...]

JOB is `sample_logs/full-job` unless told otherwise. It prints where a picture is and ends with 1 when the page is
wider than the screen, or the answer or the time left lies below the first screen.
"""

from __future__ import annotations

import csv
import datetime
import shutil
import sys
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE
from collector.control import write_directly
from collector.entries import Entry
from collector.follow.findings import FindingsFollower, StateWriter
from collector.page.themes import THEMES
from tests.page.conftest import CHROMIUM, FLAGS, Server, stamp

SIZES = {"desk": (1280, 800), "phone": (390, 844)}
RECORDED = Path("sample_logs/full-job")


@dataclass(frozen=True)
class Moment:
    """What is shown: a stage, which one of that name, how long after its beginning, and how old the last row is.

    `rows` is False for a log that holds none yet, `judged` for one that nobody has judged. `told` are the last entries
    of its journal.
    """

    stage: str
    number: int
    after_s: float
    ago_s: float = 0.0
    rows: bool = True
    judged: bool = True
    told: tuple[Entry, ...] = ()


MOMENTS = {
    "no_rows_yet": Moment("at_rest", 1, -240.0, rows=False, judged=False),
    "no_stage_yet": Moment("at_rest", 1, -60.0),
    "at_rest": Moment("at_rest", 1, 3_000.0),
    "idle": Moment("at_rest", 1, 3_700.0),
    "recovery_liquid": Moment("recovery", 1, 1_000.0),
    "recovery_vapour": Moment("recovery", 1, 6_000.0),
    "recovery_paused": Moment("recovery", 1, 8_700.0),
    "pressure_test_leaking": Moment("pressure_test", 1, 13_500.0),
    "pressure_test_night": Moment("pressure_test", 2, 30_000.0),
    "instrument_lost": Moment("pressure_test", 1, 5_000.0),
    "evacuation_early": Moment("evacuation", 1, 1_500.0),
    "evacuation_stall": Moment("evacuation", 1, 6_500.0),
    "evacuation_hold": Moment("evacuation", 1, 13_000.0),
    "charging": Moment("charging", 1, 6_000.0),
    "startup": Moment("startup", 1, 6_000.0),
    "done": Moment("startup", 1, 9_000.0),
    "alarms_open": Moment(
        "pressure_test",
        1,
        13_500.0,
        told=(
            Entry("note", "alarm", "raised", "watch: loss alarm in pressure test"),
            Entry("instrument", "scale", "lost", "input/output error"),
            Entry("note", "alarm", "raised", "lost: scale"),
        ),
    ),
    "recorder_dead_in_alarm": Moment("pressure_test", 1, 13_500.0, ago_s=1_500.0),
    "recorder_dead": Moment("recovery", 1, 6_000.0, ago_s=240.0),
}


def cut(source: Path, folder: Path, moment: Moment) -> None:
    """Make a job folder that ends at a moment, which is now, and judge it as the follower does."""
    folder.mkdir()
    shutil.copy(source / JOB_FILE, folder / JOB_FILE)
    journal, readings = (_read(source / name) for name in (JOURNAL_FILE, READINGS_FILE))
    begun = [row[0] for row in journal if row[1:4] == ["stage", moment.stage, "begin"]]
    at = _time(begun[moment.number - 1]) + datetime.timedelta(seconds=moment.after_s)
    shift = datetime.datetime.now(datetime.UTC) - datetime.timedelta(seconds=moment.ago_s) - at
    for name, (head, *rows) in ((JOURNAL_FILE, journal), (READINGS_FILE, readings)):
        kept = [row for row in rows if _time(row[0]) <= at and (moment.rows or name == JOURNAL_FILE)]
        shifted = [[stamp(_time(row[0]) + shift), *row[1:]] for row in kept]
        with (folder / name).open("w", newline="", encoding="utf-8") as file:
            csv.writer(file, lineterminator="\n").writerows([head, *shifted])
    for entry in moment.told:
        write_directly(folder, entry)
    if moment.judged:
        FindingsFollower(folder, [StateWriter(folder)]).look()


def keep_on(folder: Path, moment: Moment, stop: threading.Event) -> None:
    """Write the last row again and again, as a recorder that goes on would, until `stop` is set."""
    last = _read(folder / READINGS_FILE)[-1]
    while moment.rows and not moment.ago_s and not stop.wait(2.0):
        with (folder / READINGS_FILE).open("a", newline="", encoding="utf-8") as file:
            csv.writer(file, lineterminator="\n").writerow([stamp(datetime.datetime.now(datetime.UTC)), *last[1:]])


def _read(file: Path) -> list[list[str]]:
    with file.open(newline="", encoding="utf-8") as opened:
        return list(csv.reader(opened))


def _time(text: str) -> datetime.datetime:
    return datetime.datetime.fromisoformat(text)


def shoot(browser: Browser, url: str, file: Path, size: tuple[int, int], theme: str) -> list[str]:
    """Take one picture of the first screen and one of all; return what is amiss."""
    width, height = size
    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_cookies([{"name": "standwatch_theme", "value": theme, "url": url}])
    page = context.new_page()
    page.goto(url)
    page.wait_for_selector(".words")
    page.wait_for_timeout(1_200)
    page.screenshot(path=file)
    if theme == "night":
        page.screenshot(path=file.with_stem(f"{file.stem}-all"), full_page=True)
    amiss = []
    if page.evaluate("document.documentElement.scrollWidth") > width:
        amiss.append("wider than the screen")
    for part in (".words", ".left"):
        box = page.locator(part).bounding_box()
        if box is not None and box["y"] + box["height"] > height:
            amiss.append(f"{part} ends below the first screen")
    context.close()
    return amiss


def main() -> int:
    """Take the pictures."""
    out = Path(sys.argv[1])
    source = Path(sys.argv[2]) if len(sys.argv) > 2 else RECORDED
    names = sys.argv[3:] or list(MOMENTS)
    if unknown := [name for name in names if name not in MOMENTS]:
        sys.exit(f"no moment is called {', '.join(unknown)}; there are {', '.join(MOMENTS)}")
    out.mkdir(parents=True, exist_ok=True)
    faults = 0
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for name in names:
            cut(source, Path(scratch) / name, MOMENTS[name])
            server = Server(Path(scratch) / name)
            keep = threading.Event()
            rows = threading.Thread(target=keep_on, args=(Path(scratch) / name, MOMENTS[name], keep))
            rows.start()
            for theme in THEMES:
                for size, numbers in SIZES.items():
                    file = out / f"{name}-{theme}-{size}.png"
                    amiss = shoot(browser, server.url, file, numbers, theme)
                    faults += len(amiss)
                    print(file, *amiss, sep="  ", flush=True)
            keep.set()
            rows.join()
            server.close()
        browser.close()
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main())
