"""Make `sample_logs/` again: ``python -m collector.bench.samples [FOLDER]``. Same code, same files, byte by byte."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from analysis.vocabulary.channels import JOURNAL_COLUMNS, column_header
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE
from analysis.vocabulary.shipped import shipped
from collector.bench.play import Bench, Row, moment, play
from collector.bench.sensors import SENSORS
from collector.bench.wires import PANEL_CHANNELS
from collector.entries import Entry, stamp

Journal = list[tuple[float, Entry]]

INTERVAL_S = 10.0
PANEL_LOST_S = (12.2 * 3_600.0, 12.45 * 3_600.0)
"""In the full job the panel's cable is pulled for a quarter of an hour."""


def cell(number: float | None) -> str:
    """Return a number as it stands in the log; blank for none."""
    return "" if number is None else f"{number:.10g}"


def readings_csv(rows: Iterable[Row], channels: Iterable[str], ending: str = "\n") -> str:
    """Return a readings file."""
    channels = list(channels)
    lines = [",".join(["time", *(column_header(name, SENSORS[name].unit) for name in channels)])]
    lines += [",".join([stamp(moment(row.seconds)), *(cell(row.shown[name]) for name in channels)]) for row in rows]
    return ending.join(lines) + ending


def journal_csv(journal: Journal, ending: str = "\n") -> str:
    """Return a journal file."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator=ending)
    writer.writerow(JOURNAL_COLUMNS)
    for seconds, said in journal:
        writer.writerow([stamp(moment(seconds)), said.kind, said.subject, said.value, said.text])
    return text.getvalue()


def whole_job(look: Callable[[Bench], None] = lambda _bench: None) -> tuple[list[Row], Journal]:
    """Return rows and journal of the whole job; `look` is called at the beginning and at each row."""
    journal: Journal = []
    bench = Bench(say=lambda seconds, said: journal.append((seconds, said)))
    begin, rows = bench.plant.seconds, []
    look(bench)
    for row in play(bench, INTERVAL_S):
        rows.append(row)
        look(bench)
    journal.insert(0, (begin, Entry("recorder", "", "started", "SIMULATED DATA")))
    journal.append((rows[-1].seconds, Entry("recorder", "", "stopped")))
    return rows, journal


def panel_pulled(rows: list[Row], journal: Journal) -> tuple[list[Row], Journal]:
    """Return rows and journal with the panel lost for a while."""
    lost, back = PANEL_LOST_S
    blank = dict.fromkeys(PANEL_CHANNELS)
    rows = [Row(r.seconds, {**r.shown, **blank}) if lost <= r.seconds < back else r for r in rows]
    events = [
        (lost + 3.0, Entry("instrument", "panel", "lost", "no answer within 1 s")),
        (back, Entry("instrument", "panel", "back", "answers again")),
    ]
    return rows, sorted([*journal, *events], key=lambda entry: entry[0])


def between(rows: list[Row], journal: Journal, begin_s: float, end_s: float) -> tuple[list[Row], Journal]:
    """Return the part of a job between two times."""
    return (
        [row for row in rows if begin_s <= row.seconds <= end_s],
        [entry for entry in journal if begin_s <= entry[0] <= end_s],
    )


def stage_times(journal: Journal, stage: str) -> tuple[float, float]:
    """Return when a stage began and ended the first time."""
    begin, end = (
        next(at for at, said in journal if (said.kind, said.subject, said.value) == ("stage", stage, what))
        for what in ("begin", "end")
    )
    return begin, end


def torn_and_crlf(rows: list[Row], journal: Journal) -> dict[str, bytes]:
    """A recovery with CRLF line ends that stops in the middle of a line, as after a power cut."""
    begin, _ = stage_times(journal, "recovery")
    rows, journal = between(rows, journal, begin - 600.0, begin + 5_400.0)
    channels = ["circuit_pressure", "cylinder_weight", "cylinder_pressure", "entering_water_temperature",
                "leaving_water_temperature", "ambient_temperature", "barometer"]  # fmt: skip
    text = readings_csv(rows[::2], channels, "\r\n")
    return {READINGS_FILE: text[:-31].encode(), JOURNAL_FILE: journal_csv(journal, "\r\n")[:-9].encode()}


def gaps_and_missing(rows: list[Row], journal: Journal) -> dict[str, bytes]:
    """An evacuation without journal or barometer: a gap, garbage cells, a column nobody knows, a clock set back."""
    begin, end = stage_times(journal, "evacuation")
    rows, _ = between(rows, journal, begin, end)
    gap = (begin + 2_400.0, begin + 4_050.0)
    lines = ["time,vacuum [micron],surface_temperature [degF],blower_current [A],remark"]
    for number, row in enumerate(rows):
        if gap[0] < row.seconds < gap[1]:
            continue
        vacuum, surface = cell(row.shown["vacuum"]), cell(row.shown["surface_temperature"])
        if number % 97 == 41:
            vacuum = ("ERR", "---", "1e999", "nan")[number // 97 % 4]
        if number % 61 == 17:
            surface = ""
        time = moment(row.seconds - (30.0 if number == 500 else 0.0))
        lines.append(f"{stamp(time)},{vacuum},{surface},{4.0 + 0.1 * (number % 7):.1f},")
    return {READINGS_FILE: ("\n".join(lines) + "\n").encode()}


def job_toml(name: str) -> str:
    """Return the demo's job under another name."""
    text = (shipped("config") / "jobs" / "demo.toml").read_text(encoding="utf-8")
    head, line, rest = text.partition('name = "SIMULATED: chiller 2, shaft seal"')
    assert line
    about = "# Simulated by the standwatch bench; made again by `python -m collector.bench.samples`.\n"
    body = f'{head}name = "SIMULATED: {name}"{rest}'.replace('interval = "30 s"', 'interval = "10 s"')
    return about + body[body.index("\n[job]") :]


def write(folder: Path, files: dict[str, bytes]) -> None:
    """Write one job folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)


def main(folder: Path, rows: list[Row], journal: Journal) -> None:
    """Write every sample below `folder`, by rows and journal of the whole job."""
    pulled, told = panel_pulled(rows, journal)
    full = {READINGS_FILE: readings_csv(pulled, SENSORS).encode(), JOURNAL_FILE: journal_csv(told).encode()}
    write(folder / "full-job", {JOB_FILE: job_toml("full job").encode(), **full})
    damaged: dict[str, Callable[[list[Row], Journal], dict[str, bytes]]] = {
        "torn-and-crlf": torn_and_crlf,
        "gaps-and-missing": gaps_and_missing,
    }
    for name, make in damaged.items():
        text = job_toml(name)
        if name == "gaps-and-missing":
            text = text.replace('[site]\nelevation = "340 m"\n\n', "")
        write(folder / name, {JOB_FILE: text.encode(), **make(rows, journal)})


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else shipped("sample_logs"), *whole_job())
