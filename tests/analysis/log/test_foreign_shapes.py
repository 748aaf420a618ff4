"""The sample job written in the ways of other people's loggers: proposed, read, and the very same frame."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from analysis.log import Log, load
from analysis.result import Assessment, Figure, Finding
from analysis.review import review
from analysis.vocabulary.shipped import shipped
from collector.commands.columns import run_columns
from tests.support import sample_review

SAMPLE = shipped("sample_logs") / "full-job"
ROWS = slice(10_300, 10_700)
"""The probe's readings begin in these rows: the evacuation's first hour."""
NAMES = {
    "circuit_pressure": "System pressure", "vacuum": "Vacuum", "pump_vacuum": "Pump vacuum",
    "cylinder_weight": "Scale", "cylinder_pressure": "Cylinder pressure", "cylinder_temperature": "Cylinder temp",
    "entering_water_temperature": "Evap water in", "leaving_water_temperature": "Evap water out",
    "ambient_temperature": "Ambient", "surface_temperature": "Pipe clamp", "barometer": "Barometer",
}  # fmt: skip


@cache
def piece() -> pd.DataFrame:
    """Return the piece of the sample as it is written, channels under their own headers."""
    table = pd.read_csv(SAMPLE / "readings.csv", dtype="str", keep_default_na=False)
    kept = ["time", *(c for c in table if c.partition(" ")[0] in NAMES)]
    return table[kept].iloc[ROWS].reset_index(drop=True)


@dataclass
class Sheet:
    """A log of somebody else: lines above the header, names, units, rows of cells, and how they are joined."""

    times: pd.DatetimeIndex
    names: list[str]
    units: list[str]
    rows: list[list[str]]
    stamps: list[list[str]] = field(default_factory=list)
    above: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)
    delimiter: str = ","
    end: str = "\n"
    encoding: str = "utf-8"
    unit_row: bool = False
    quoted: bool = False
    time_names: list[str] = field(default_factory=lambda: ["Timestamp"])
    zone: str = "UTC"

    def text(self) -> str:
        """Return the file's text."""
        out = io.StringIO()
        quoting = csv.QUOTE_ALL if self.quoted else csv.QUOTE_MINIMAL
        sheet = csv.writer(out, delimiter=self.delimiter, lineterminator="\n", quoting=quoting)
        bare = self.unit_row
        sheet.writerow(
            [*self.time_names, *(n if bare else f"{n} ({u})" for n, u in zip(self.names, self.units, strict=True))]
        )
        if bare:
            sheet.writerow([*[""] * len(self.time_names), *self.units])
        sheet.writerows([*stamp, *row] for stamp, row in zip(self.stamps, self.rows, strict=True))
        whole = (
            "".join(f"{line}\n" for line in self.above) + out.getvalue() + "".join(f"{line}\n" for line in self.below)
        )
        return whole.replace("\n", self.end)

    def stamped(self, write: Callable[[pd.Timestamp], str]) -> Sheet:
        """Return the sheet with its times written another way."""
        local = self.times.tz_convert(self.zone)
        return replace(self, stamps=[[write(at)] for at in local])

    def cells(self, change: Callable[[str], str]) -> Sheet:
        """Return the sheet with every reading written another way."""
        return replace(self, rows=[[change(cell) for cell in row] for row in self.rows])


def sheet() -> Sheet:
    table = piece()
    times = pd.DatetimeIndex(pd.to_datetime(table["time"], format="ISO8601", utc=True))
    headers = [str(c) for c in table.columns[1:]]
    return Sheet(
        times,
        [NAMES[h.partition(" ")[0]] for h in headers],
        [h.partition("[")[2].strip("]") for h in headers],
        table[headers].to_numpy(dtype=object).tolist(),
        [[f"{at:%Y-%m-%d %H:%M:%S}"] for at in times],
    )


def comma(cell: str) -> str:
    return cell.replace(".", ",")


def grouped(cell: str, group: str, decimal: str) -> str:
    return f"{float(cell):,.2f}".replace(",", "_").replace(".", decimal).replace("_", group) if cell else cell


def with_rows(s: Sheet, extra: dict[int, list[str]]) -> Sheet:
    """Return the sheet with lines put in that are no readings."""
    rows, stamps = list(s.rows), list(s.stamps)
    for at in sorted(extra, reverse=True):
        stamps.insert(at, extra[at][:1])
        rows.insert(at, extra[at][1:])
    return replace(s, rows=rows, stamps=stamps)


def moved_to(s: Sheet, zone: str, local: str) -> Sheet:
    """Return the sheet as if its middle row were recorded at a local time."""
    middle = pd.Timestamp(local).tz_localize(zone, ambiguous=True, nonexistent="shift_forward").tz_convert("UTC")
    moved = replace(s, times=s.times + (middle - s.times[len(s.times) // 2]), zone=zone)
    return moved.stamped(lambda at: f"{at:%d.%m.%Y %H:%M:%S}")


GERMAN = (
    "Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November",
    "Dezember",
)  # fmt: skip
SPANISH = (
    "enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre", "noviembre",
    "diciembre",
)  # fmt: skip


def us(at: pd.Timestamp) -> str:
    return f"{at.month}/{at.day}/{at.year} {at:%I:%M:%S %p}"


def half(at: pd.Timestamp, first: str, second: str) -> str:
    return second if at.hour >= 12 else first


def in_order(s: Sheet, order: Iterable[int]) -> Sheet:
    places = list(order)
    return replace(
        s, names=[s.names[i] for i in places], units=[s.units[i] for i in places],
        rows=[[row[i] for i in places] for row in s.rows],
    )  # fmt: skip


def newest_first(s: Sheet) -> Sheet:
    return replace(s, rows=s.rows[::-1], stamps=s.stamps[::-1])


SHAPES: dict[str, Callable[[Sheet], Sheet]] = {
    "as it is": lambda s: s,
    "semicolons": lambda s: replace(s, delimiter=";"),
    "tabs": lambda s: replace(s, delimiter="\t"),
    "bars": lambda s: replace(s, delimiter="|"),
    "decimal commas behind semicolons": lambda s: replace(s.cells(comma), delimiter=";"),
    "decimal commas behind tabs": lambda s: replace(s.cells(comma), delimiter="\t"),
    "decimal commas quoted": lambda s: s.cells(comma),
    "thousands with points": lambda s: replace(s.cells(lambda c: grouped(c, ".", ",")), delimiter=";"),
    "thousands with commas": lambda s: s.cells(lambda c: grouped(c, ",", ".")),
    "thousands with blanks": lambda s: replace(s.cells(lambda c: grouped(c, "\u00a0", ",")), delimiter=";"),
    "thousands with thin blanks": lambda s: replace(s.cells(lambda c: grouped(c, "\u202f", ",")), delimiter="\t"),
    "thousands with apostrophes": lambda s: s.cells(lambda c: grouped(c, "'", ".")),
    "all quoted": lambda s: replace(s, quoted=True),
    "byte order mark": lambda s: replace(s, encoding="utf-8-sig"),
    "utf-16": lambda s: replace(s, encoding="utf-16", delimiter="\t"),
    "utf-16 without mark": lambda s: replace(s, encoding="utf-16-le"),
    "utf-16 without mark, high bytes first": lambda s: replace(s, encoding="utf-16-be"),
    "latin letters": lambda s: replace(
        s, encoding="cp1252", units=[u.replace("deg", "°") for u in s.units], names=[f"{n} Prüfstelle" for n in s.names]
    ),
    "units below the header": lambda s: replace(s, unit_row=True, units=[u.replace("deg", "°") for u in s.units]),
    "a logger's particulars": lambda s: replace(
        s, above=["Logger,4711", "Firmware,2.4.1", "Channels,11", 'Remark,"set, then left"', "", "Sampled every,10 s"]
    ),
    "sep line": lambda s: replace(s, above=["sep=;"], delimiter=";"),
    "empty columns behind": lambda s: replace(
        s, names=[*s.names, "", ""], units=[*s.units, "", ""], rows=[[*row, "", ""] for row in s.rows], unit_row=True
    ),
    "a delimiter behind each row": lambda s: replace(s, rows=[[*row, ""] for row in s.rows]),
    "units below, and a delimiter behind each row": lambda s: replace(
        s, names=[*s.names, "State"], units=[*s.units, ""], rows=[[*row, "OK", ""] for row in s.rows], unit_row=True
    ),
    "headers again": lambda s: with_rows(s, {at: ["Timestamp", *s.names] for at in (100, 200)}),
    "a footer": lambda s: replace(s, below=["", "End of file", "Rows: 400,,,"]),
    "blank lines": lambda s: with_rows(s, {at: [""] for at in (0, 50, 51, 300)}),
    "CRLF": lambda s: replace(s, end="\r\n"),
    "CR": lambda s: replace(s, end="\r"),
    "columns the other way round": lambda s: in_order(s, range(len(s.names))[::-1]),
    "units behind the numbers": lambda s: replace(
        s, rows=[[f"{c} {u}" if c else c for c, u in zip(row, s.units, strict=True)] for row in s.rows]
    ),
    "words for no reading": lambda s: s.cells(lambda c: c or "OL"),
    "dashes for no reading": lambda s: s.cells(lambda c: c or "---"),
    "codes for no reading": lambda s: s.cells(lambda c: c or "Err 12"),
    "spreadsheet errors for no reading": lambda s: s.cells(lambda c: c or "#VALUE!"),
    "n/a for no reading": lambda s: s.cells(lambda c: c or "#N/A"),
    "over range for no reading": lambda s: s.cells(lambda c: c or ">25000"),
    "T between": lambda s: s.stamped(lambda at: f"{at:%Y-%m-%dT%H:%M:%S}"),
    "milliseconds": lambda s: s.stamped(lambda at: f"{at:%Y-%m-%d %H:%M:%S}.000"),
    "milliseconds behind a comma": lambda s: replace(
        s.stamped(lambda at: f"{at:%d.%m.%Y %H:%M:%S},000"), delimiter=";"
    ),
    "milliseconds behind a colon": lambda s: s.stamped(lambda at: f"{at:%d/%m/%Y %H:%M:%S}:000"),
    "letters of a zone": lambda s: replace(s, zone="Europe/Berlin").stamped(lambda at: f"{at:%Y-%m-%d %H:%M:%S %Z}"),
    "letters of a zone behind half days": lambda s: replace(s, zone="America/Chicago").stamped(
        lambda at: f"{at:%m/%d/%Y %I:%M:%S %p %Z}"
    ),
    "offset": lambda s: replace(s, zone="America/Denver").stamped(lambda at: f"{at:%Y-%m-%d %H:%M:%S%z}"),
    "offset with colon": lambda s: replace(s, zone="Europe/Berlin").stamped(lambda at: at.isoformat()),
    "offset behind points": lambda s: replace(s, zone="Europe/Berlin").stamped(lambda at: f"{at:%d.%m.%Y %H:%M:%S %z}"),
    "UTC behind": lambda s: s.stamped(lambda at: f"{at:%Y-%m-%d %H:%M:%S} UTC"),
    "points": lambda s: s.stamped(lambda at: f"{at:%d.%m.%Y %H:%M:%S}"),
    "two digits of the year": lambda s: s.stamped(lambda at: f"{at:%d.%m.%y %H:%M:%S}"),
    "comma and half days": lambda s: s.stamped(lambda at: f"{at:%m/%d/%Y, %I:%M:%S %p}"),
    "half days": lambda s: s.stamped(us),
    "half days after a thin blank": lambda s: s.stamped(
        lambda at: us(at).replace(" AM", "\u202fAM").replace(" PM", "\u202fPM")
    ),
    "half days in points": lambda s: s.stamped(lambda at: us(at).replace("AM", "a.m.").replace("PM", "p.m.")),
    "half days of one letter": lambda s: s.stamped(lambda at: us(at).replace(" AM", "a").replace(" PM", "p")),
    "half days in Korean": lambda s: s.stamped(lambda at: f"{at:%Y-%m-%d} {half(at, '오전', '오후')} {at:%I:%M:%S}"),
    "half days in Chinese": lambda s: s.stamped(lambda at: f"{at:%Y/%m/%d} {half(at, '上午', '下午')}{at:%I:%M:%S}"),
    "half days in Greek": lambda s: s.stamped(lambda at: f"{at:%d/%m/%Y %I:%M:%S} {half(at, 'πμ', 'μμ')}"),
    "half days in a column of their own": lambda s: replace(
        s, time_names=["Date", "Time", "AM/PM"], stamps=[us(at).split(" ") for at in s.times]
    ),
    "a clock of 24 hours beside the shift's AM or PM": lambda s: replace(
        s, time_names=["Date", "Time", "Shift"], stamps=[f"{at:%Y-%m-%d %H:%M:%S %p}".split(" ") for at in s.times]
    ),
    "months in letters": lambda s: s.stamped(lambda at: f"{at:%d-%b-%Y %H:%M:%S}"),
    "months in German": lambda s: s.stamped(lambda at: f"{at:%d}. {GERMAN[at.month - 1]} {at:%Y %H:%M:%S}"),
    "months in Spanish": lambda s: s.stamped(lambda at: f"{at:%d} de {SPANISH[at.month - 1]} de {at:%Y %H:%M:%S}"),
    "months in letters first": lambda s: s.stamped(lambda at: f"{at:%b %d, %Y %I:%M:%S %p}"),
    "weekdays": lambda s: s.stamped(lambda at: f"{at:%a %d.%m.%Y %H:%M:%S}"),
    "weekdays in full": lambda s: s.stamped(lambda at: f"{at:%A, %d %B %Y %I:%M:%S %p}"),
    "weekdays in capitals, from Friday to Saturday": lambda s: moved_to(s, "UTC", "2026-03-14 00:00:00").stamped(
        lambda at: f"{('MO', 'DI', 'MI', 'DO', 'FR', 'SA', 'SO')[at.weekday()]} {at:%d.%m.%Y %H:%M:%S}"
    ),
    "weekdays and the year last": lambda s: s.stamped(lambda at: f"{at:%a %b %d %H:%M:%S %Y}"),
    "years of two digits": lambda s: s.stamped(lambda at: f"{at:%d-%m-%y %H:%M:%S}"),
    "fourteen digits": lambda s: s.stamped(lambda at: f"{at:%Y%m%d%H%M%S}"),
    "seconds since 1970": lambda s: s.stamped(lambda at: str(int(at.timestamp()))),
    "milliseconds since 1970": lambda s: s.stamped(lambda at: str(int(at.timestamp() * 1000))),
    "spreadsheet days": lambda s: s.stamped(lambda at: repr(at.timestamp() / 86_400 + 25_569)),
    "spreadsheet days, decimal commas": lambda s: replace(
        s.stamped(lambda at: comma(repr(at.timestamp() / 86_400 + 25_569))).cells(comma), delimiter=";"
    ),
    "date and clock apart": lambda s: replace(
        s, time_names=["Date", "Time"], stamps=[[f"{at:%d.%m.%Y}", f"{at:%H:%M:%S}"] for at in s.times]
    ),
    "American date and clock apart": lambda s: replace(
        s, time_names=["Date", "Time"], stamps=[us(at).split(" ", 1) for at in s.times]
    ),
    "a date with its midnight beside the clock": lambda s: replace(
        s, time_names=["Date", "Time"], stamps=[[f"{at:%Y-%m-%d} 00:00:00", f"{at:%H:%M:%S}"] for at in s.times]
    ),
    "nothing above the times": lambda s: replace(s, time_names=[""]),
    "two blanks between": lambda s: s.stamped(lambda at: f"{at:%Y-%m-%d  %H:%M:%S}"),
    "text kept as text": lambda s: s.stamped(lambda at: f'="{at:%Y-%m-%d %H:%M:%S}"').cells(lambda c: f'="{c}"'),
    "text kept as text by an apostrophe": lambda s: s.stamped(lambda at: f"'{at:%Y-%m-%d %H:%M:%S}").cells(
        lambda c: c and f"'{c}"
    ),
    "single quotes": lambda s: s.stamped(lambda at: f"'{at:%Y-%m-%d %H:%M:%S}'").cells(lambda c: f"'{c}'"),
    "clock and date apart": lambda s: replace(
        s, time_names=["Time", "Date"], stamps=[[f"{at:%H:%M:%S}", f"{at:%d.%m.%Y}"] for at in s.times]
    ),
    "months in letters and clock apart": lambda s: replace(
        s, time_names=["Date", "Time"], stamps=[[f"{at:%b %d, %Y}", f"{at:%H:%M:%S}"] for at in s.times]
    ),
    "a date beside the part of a day": lambda s: replace(
        s, time_names=["Date", "Time"],
        stamps=[[f"{at:%d/%m/%Y}", f"{at.timestamp() / 86_400 % 1:.9f}"] for at in s.times],
    ),
    "clock before points": lambda s: s.stamped(lambda at: f"{at:%H:%M:%S},000 {at:%d.%m.%Y}"),
    "clock before years": lambda s: s.stamped(lambda at: f"{at:%H:%M:%S %Y-%m-%d}"),
    "clock in half days before months": lambda s: s.stamped(lambda at: f"{at:%I:%M:%S %p, %m/%d/%Y}"),
    "words between": lambda s: s.stamped(lambda at: f"{at:%d/%m/%Y %Hh%Mm%S}"),
    "words of another script between": lambda s: s.stamped(lambda at: f"{at:%Y年%m月%d日 %H:%M:%S}"),
    "a word behind": lambda s: s.stamped(lambda at: f"{at:%d.%m.%Y, %H:%M:%S} Uhr"),
    "less than nothing in parentheses": lambda s: s.cells(lambda c: f"({c[1:]})" if c.startswith("-") else c),
    "days and clock from a start": lambda s: replace(
        s, above=[f"Start {s.times[0]:%Y-%m-%d %H:%M:%S}Z"], time_names=["Elapsed time"],
        stamps=[[str(at - s.times[0]).replace(" days ", ".")] for at in s.times],
    ),
    "seconds from a start": lambda s: replace(
        s, above=[f"Started: {s.times[0]:%Y-%m-%d %H:%M:%S}"], time_names=["Elapsed (s)"],
        stamps=[[f"{(at - s.times[0]).total_seconds():.1f}"] for at in s.times],
    ),
    "minutes from a start": lambda s: replace(
        s, above=["Serial 12", f"Begin;{s.times[0]:%d.%m.%Y %H:%M:%S}"], time_names=["Time [min]"], delimiter=";",
        stamps=[[f"{(at - s.times[0]).total_seconds() / 60:.9f}"] for at in s.times],
    ),
    "clock from a start": lambda s: replace(
        s, above=[f"Start {s.times[0]:%Y-%m-%d %H:%M:%S}Z"], time_names=["Elapsed time"],
        stamps=[[str(at - s.times[0]).removeprefix("0 days ")] for at in s.times],
    ),
    "midnight without a clock": lambda s: moved_to(s, "UTC", "2026-03-18 00:00:00").stamped(
        lambda at: f"{at:%d.%m.%Y %H:%M:%S}".removesuffix(" 00:00:00")
    ),
    "clocks put forward": lambda s: moved_to(s, "Europe/Berlin", "2026-03-29 03:00:00"),
    "clocks put back": lambda s: moved_to(s, "Europe/Berlin", "2026-10-25 02:45:00"),
    "clocks put forward in the west": lambda s: moved_to(s, "America/New_York", "2026-03-08 03:00:00"),
    "clocks put back in the west": lambda s: moved_to(s, "America/New_York", "2026-11-01 01:59:00"),
    "half an hour of zone": lambda s: moved_to(s, "Asia/Kolkata", "2026-11-01 01:59:00"),
    "a clock that nobody put forward": lambda s: replace(
        moved_to(s, "Etc/GMT-1", "2026-03-29 02:30:00"), zone="Europe/Berlin"
    ),
    "newest first over the hour that comes twice": lambda s: newest_first(
        moved_to(s, "Europe/Berlin", "2026-10-25 02:45:00")
    ),
    "newest first": newest_first,
    "stamps twice and backward": lambda s: with_rows(
        s, {at: [*s.stamps[at - k], *(["1"] * len(s.names))] for at, k in ((100, 1), (200, 30), (300, 2))}
    ),
}  # fmt: skip


def as_read(folder: Path, written: Sheet) -> Log:
    """Write the sheet, let the command propose its columns, state the zone, read it."""
    file, job = folder / "theirs.csv", folder / "theirs.toml"
    file.write_bytes(written.text().encode(written.encoding))
    run_columns(file, output=job)
    said = job.read_text(encoding="utf-8").replace('zone = "UTC"', f'zone = "{written.zone}"')
    job.write_text(said + '\n[site]\nelevation = "340 m"\n', encoding="utf-8")
    return load(file, job)[0]


@pytest.fixture(scope="module")
def as_recorded(tmp_path_factory: pytest.TempPathFactory) -> Log:
    folder = tmp_path_factory.mktemp("recorded")
    (folder / "job.toml").write_text('[job]\nname = "n"\n[site]\nelevation = "340 m"\n', encoding="utf-8")
    piece().to_csv(folder / "readings.csv", index=False)
    return load(folder)[0]


@pytest.mark.parametrize("shape", SHAPES)
def test_the_frame_is_that_of_the_native_log(tmp_path: Path, shape: str, as_recorded: Log) -> None:
    written = SHAPES[shape](sheet())
    theirs = as_read(tmp_path, written)
    frame = as_recorded.frame.set_axis(written.times.as_unit("us").rename("time"))
    assert set(theirs.frame) == set(frame)
    pd.testing.assert_frame_equal(theirs.frame[list(frame)], frame, rtol=1e-12, check_freq=False)


PER_UNIT = {
    "psig": ("barg", 0.0689475729, 0.0), "micron": ("Pa", 0.1333223684, 0.0), "lb": ("kg", 0.45359237, 0.0),
    "degF": ("degC", 5 / 9, -160 / 9), "%": ("%", 1.0, 0.0), "mbar": ("kPa", 0.1, 0.0),
}  # fmt: skip
"""The units of the sample in those of another logger: symbol, factor, offset (NIST SP 811)."""


def test_the_whole_job_told_another_way_is_judged_the_same(tmp_path: Path) -> None:
    """Other units, columns from right to left, another's clock and file, and nothing noted."""
    table = pd.read_csv(SAMPLE / "readings.csv")
    local = pd.to_datetime(table.pop("time"), format="ISO8601").dt.tz_convert("America/Chicago")
    other = {"Date": local.dt.strftime("%d.%m.%Y"), "Time": local.dt.strftime("%H:%M:%S")}
    for header in table.columns[::-1]:
        channel, _, unit = header.strip("]").partition(" [")
        symbol, factor, offset = PER_UNIT[unit]
        other[f"{channel.replace('_', ' ')} / {symbol}"] = (table[header] * factor + offset).round(6)
    file, job = tmp_path / "theirs.csv", tmp_path / "theirs.toml"
    pd.DataFrame(other).to_csv(file, sep=";", decimal=",", index=False, encoding="utf-16")
    job.write_text((SAMPLE / "job.toml").read_text(encoding="utf-8"), encoding="utf-8")
    run_columns(file, output=job)
    said = job.read_text(encoding="utf-8").replace('zone = "UTC"', 'zone = "America/Chicago"')
    job.write_text(said, encoding="utf-8")
    marks = (SAMPLE / "journal.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (tmp_path / "journal.csv").write_text("".join(m for m in marks if ",note," not in m), encoding="utf-8")
    ours, theirs = sample_review(), review(*load(file, job))
    assert set(theirs.log.frame) == set(ours.log.frame)
    assert [(s.stretch.stage, s.assessment.verdict) for s in theirs.stages] == [
        (s.stretch.stage, s.assessment.verdict) for s in ours.stages
    ]
    assert [(f.time, f.since.round("s"), f.kind, f.stage) for f in theirs.findings] == [
        (f.time, f.since.round("s"), f.kind, f.stage) for f in ours.findings
    ]
    for told, same in zip(
        [*(s.assessment for s in theirs.stages), *theirs.findings],
        [*(s.assessment for s in ours.stages), *ours.findings],
        strict=True,
    ):
        assert numbers(told) == pytest.approx(numbers(same), rel=1e-3, nan_ok=True)


def numbers(told: Assessment | Finding) -> dict[str, float]:
    """Return its figures [SI], but for what a scale's step in kg or lb leaves unsure."""
    return {n: f.si for n, f in told.figures.items() if isinstance(f, Figure) and n != "uncertainty"}
