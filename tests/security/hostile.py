"""A job whose every text was written by somebody who means harm, for tests of what is shown of it."""

from __future__ import annotations

import csv
import datetime
import json
from pathlib import Path

HTML = "<img src=x onerror=window.broken=1></script><script>window.broken=1</script>{{7*7}}"
ANSI = "\x1b[2J\x1b]0;owned\x07\x9b31m"
ORDER = "\u202egnp.exe\u2066\u200b"
MATH = r"$\frac{$ \undefined $"
FORMULA = '=HYPERLINK("http://elsewhere.example","read me")'
NUL = "a\0b"
LONG = "long " * 40_000
TEXTS = {"html": HTML, "ansi": ANSI, "order": ORDER, "math": MATH, "formula": FORMULA, "nul": NUL, "long": LONG}
BEGIN = datetime.datetime(2026, 3, 14, 7, tzinfo=datetime.UTC)


def hostile_job(folder: Path, text: str) -> Path:
    """Write a job folder in which names, ids, notes and instruments are all `text`; return it.

    It holds a recovery into a cylinder of that name, with a probe that stands apart and an instrument that is lost.
    """
    folder.mkdir(parents=True)
    said = json.dumps(text[:200])  # a TOML basic string is one of JSON; a longer name is refused
    (folder / "job.toml").write_text(
        f"[job]\nname = {said}\nsite = {said}\ncircuit = {said}\ntechnician = {said}\nreference = {said}\n"
        '[circuit]\nrefrigerant = "R-513A"\ncharge = "200 lb"\ninternal_volume = "300 L"\n'
        f'[[cylinder]]\nid = {said}\nrefrigerant = "R-513A"\nwater_capacity = "119.5 lb"\ntare = "57.5 lb"\n'
        '[recovery]\nrules = "us-40cfr82"\n',
        encoding="utf-8",
    )
    with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file)
        write.writerow(
            ["time", "circuit_pressure [psig]", "cylinder_weight [lb]", "leaving_water_temperature [degF]",
             f"{text[:1_000]} [psig]", f"{text[:1_000]} {text[:1_000]}"]
        )  # fmt: skip
        for second in range(0, 3_600, 30):
            gone = second > 1_800
            cells = [f"{60 - second / 90:.1f}", f"{57.5 + second / 80:.2f}", "" if gone else "59.5", "1", text]
            write.writerow([stamp(second), *cells])
    with (folder / "journal.csv").open("w", encoding="utf-8", newline="") as file:
        write = csv.writer(file)
        write.writerow(["time", "kind", "subject", "value", "text"])
        write.writerow([stamp(0), "stage", "recovery", "begin", text])
        write.writerow([stamp(1), "mark", "cylinder_on", text, text])
        write.writerow([stamp(2), "note", text, text, text])
        write.writerow([stamp(3), "instrument", text, "lost", text])
        write.writerow([stamp(4), "finding", text, "alarm", text])
        write.writerow([stamp(5), "note", "alarm", "raised", text])
        write.writerow([stamp(6), text, text, text, text])
    return folder


def stamp(second: int) -> str:
    """Return a stamp of the job."""
    at = BEGIN + datetime.timedelta(seconds=second)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
