"""The sample job with one thing spoilt in one of its files: reviewed whole, or refused in one line with exit code 2."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analysis.vocabulary.channels import STAGES
from analysis.vocabulary.shipped import shipped
from tests.collector.test_cli import run

SAMPLE = shipped("sample_logs") / "full-job"
EVERY = 400
"""So many rows of the sample are thinned to one: a log is read alike however long it is."""
ANSWERS = (0, 2)

TOML = (SAMPLE / "job.toml").read_text(encoding="utf-8")
JOURNAL = (SAMPLE / "journal.csv").read_text(encoding="utf-8")
HEAD, *ALL_ROWS = (SAMPLE / "readings.csv").read_text(encoding="utf-8").splitlines()
ROWS = ALL_ROWS[::EVERY]
READINGS = "\n".join([HEAD, *ROWS]) + "\n"

Spoilt = tuple[str, dict[str, str | bytes], tuple[int, ...]]
"""What was done, the files that differ from the sample's, and the exit codes that are right."""

REFUSED_SETTINGS = {
    "charge": ['""', '"x"', "291", '"291"', '"291 psi"', '"-5 lb"', '"nan lb"', '["291 lb"]', "true", '"1e400 lb"'],
    "internal_volume": ['"540"', '"540 kg"', '"-540 L"', '"0 L"', '"nan L"', "540", "[1]"],
    "refrigerant": ['"R-999"', '""', "5", '["R-22"]'],
    "water": ['"steam"', "5"],
    "use": ['"home"', "5"],
    "target": ['"500 degC"', '"-1 micron"', '"nan micron"', "500", '["500 micron"]'],
    "hold": ['"30"', '"30 psi"', '"-30 min"', "30"],
    "allowed_loss": ['"1 psi"', '"-1 psi/d"', '"1 psi/day"', '"nan psi/d"', "1"],
    "confidence": ["95", "0.5", "1.0", "-1", "nan", "inf", "[0.95]"],
    "water_capacity": ['"119.5 L"', '"-1 lb"', '"119.5"', "119.5"],
    "tare": ['"-5 lb"', '"1 L"', '"nan lb"'],
    "contents": ['"-1 lb"', '"1 ft3"', "0"],
    "id": ['"CYL-2"', "5", f'"{"x" * 500}"', "[1]"],
    "service_pressure": ['"350"', '"350 lb"', "350"],
    "equipment_made": ["2019.5", "19", "-5", "99999"],
    "rules": ['"nope"', '"../../etc/passwd"', "5", '["us"]', '"/etc/passwd"'],
    "suction_superheat": ['["14 degF", "6 degF"]', '"6 degF"', "[6, 14]", '["6 psi", "14 psi"]', "[]"],
    "ignore": ['"oil_temperature"', "[5]"],
    "units": ['"metric"', '"US"', "5"],
    "elevation": ['"340"', '"340 psi"', '"9e9 m"', "340"],
    "name": ["5", f'"{"x" * 5000}"'],
}
REFUSED_KEYS = {
    "job": 'nme = "x"',
    "site": 'barometer = "0 psig"',
    "circuit": 'freeze_point = "-300 degC"',
    "evacuation": 'hold_limits = "1 Pa"',
    "charging": 'tolerance = "5 psi"',
    "startup": 'subcoolin = ["1 degF", "2 degF"]',
}
CELLS = ["OL", "nan", "inf", "-inf", "1e999", "999999", "-99999", "0x10", "1 234", "1;2", "-", '"1.5"', "１２", "1e"]
HEADINGS = [
    ("circuit_pressure [psig]", "circuit_pressure [psia]", ANSWERS),
    ("circuit_pressure [psig]", "circuit_pressure [inHg]", ANSWERS),
    ("circuit_pressure [psig]", "circuit_pressure [degF]", (2,)),
    ("circuit_pressure [psig]", "circuit_pressure [psi]", (2,)),
    ("circuit_pressure [psig]", "circuit_pressure", ANSWERS),
    ("circuit_pressure [psig]", "vacuum [micron]", (2,)),
    ("vacuum [micron]", "vacuum [inHg]", ANSWERS),
    ("time", "clock", (2,)),
    ("time", "\ufefftime", (0,)),
    ("leaving_water_temperature [degF]", "leaving_water_temperature [degC]", (0,)),
    ("leaving_water_temperature [degF]", "leaving_water_temperature [K]", (0,)),
    ("cylinder_weight [lb]", "cylinder_weight [psig]", (2,)),
    ("oil_temperature [degF]", "=cmd() [degF]", ANSWERS),
]
STAMPS: dict[str, Callable[[str], str]] = {
    "without a zone": lambda stamp: stamp[:-1],
    "with an offset": lambda stamp: stamp[:-1] + "+02:00",
    "of the year 1": lambda stamp: "0001" + stamp[4:],
    "of the year 9999": lambda stamp: "9999" + stamp[4:],
    "of 1969": lambda stamp: "1969" + stamp[4:],
    "of a day that is none": lambda stamp: stamp.replace("-03-17", "-02-30"),
    "blank": lambda stamp: "",
    "in words": lambda stamp: "yesterday",
    "a century on": lambda stamp: stamp.replace("2026-03-18", "2126-03-18"),
}
JOURNAL_CELLS = {
    1: ["", "finding", "x" * 5000, "=1+1"],
    2: ["", "welding", "Recovery", "oil_change", "\x1b[31m"],
    3: ["", "start", "CYL-9", "-5"],
    4: ['"a\nb"', "<b>x</b>", "y" * 100_000],
}


def settings() -> Iterator[Spoilt]:
    for key, values in REFUSED_SETTINGS.items():
        for value in values:
            spoilt = re.sub(rf"(?m)^{key} = .*$", lambda _, k=key, v=value: f"{k} = {v}", TOML, count=1)
            yield f"{key} = {value[:30]}", {"job.toml": spoilt}, (2,)
    for table, line in REFUSED_KEYS.items():
        yield line, {"job.toml": TOML.replace(f"[{table}]\n", f"[{table}]\n{line}\n", 1)}, (2,)
    for table in ("site", "circuit", "recovery", "pressure_test", "evacuation", "charging", "startup", "at_rest"):
        spoilt = re.sub(rf"(?ms)^\[{table}\]\n.*?(?=^\[|\Z)", "", TOML)
        yield f"no [{table}]", {"job.toml": spoilt}, (0,)
    yield "no cylinders", {"job.toml": re.sub(r"(?ms)^\[\[cylinder\]\]\n.*?(?=^\[)", "", TOML)}, (0,)
    yield "settings torn", {"job.toml": TOML[:880]}, ANSWERS
    yield "settings empty", {"job.toml": ""}, (2,)
    yield "settings binary", {"job.toml": TOML.encode() + b"\xff\n"}, (2,)


def readings() -> Iterator[Spoilt]:
    for place, column in enumerate(HEAD.split(",")):
        blank = with_cells(lambda row, at, cell, place=place: "" if at == place else cell)
        yield f"{column} blank", {"readings.csv": blank}, (0,) if place else (2,)
        lines = (line.split(",") for line in (HEAD, *ROWS))
        without = "\n".join(",".join(c for at, c in enumerate(cells) if at != place) for cells in lines)
        yield f"{column} absent", {"readings.csv": without + "\n"}, (0,) if place else (2,)
    for text in CELLS:
        spoilt = with_cells(lambda row, at, cell, text=text: text if at and (7 * row + at) % 50 == 0 else cell)
        yield f"cells {text}", {"readings.csv": spoilt}, (0,)
        weight = HEAD.split(",").index("cylinder_weight [lb]")
        spoilt = with_cells(lambda row, at, cell, text=text, weight=weight: text if at == weight else cell)
        yield f"all weights {text}", {"readings.csv": spoilt}, (0,)
    for good, bad, codes in HEADINGS:
        yield f"{good} as {bad}", {"readings.csv": READINGS.replace(good, bad, 1)}, codes
    for name, change in STAMPS.items():
        spoilt = with_cells(lambda row, at, cell, change=change: cell if at else change(cell))
        yield f"stamps {name}", {"readings.csv": spoilt}, ANSWERS
        spoilt = with_cells(lambda row, at, cell, change=change: cell if at or row != 10 else change(cell))
        yield f"one stamp {name}", {"readings.csv": spoilt}, (0,)
    yield "readings empty", {"readings.csv": ""}, (2,)
    yield "header alone", {"readings.csv": HEAD + "\n"}, (0,)
    yield "one row", {"readings.csv": "\n".join([HEAD, ROWS[0], ""])}, (0,)
    yield "readings binary", {"readings.csv": bytes(range(256)) * 16}, (2,)
    yield "readings zeros", {"readings.csv": b"\0" * 4000}, (2,)
    yield "a tail of zeros", {"readings.csv": READINGS.encode() + b"\0" * 512}, (0,)
    yield "a huge line", {"readings.csv": READINGS + "9" * 1_000_000 + "\n"}, ANSWERS
    yield "a stray quote", {"readings.csv": READINGS.replace("\n2026", '\n"2026', 1)}, ANSWERS
    yield "semicolons", {"readings.csv": READINGS.replace(",", ";")}, ANSWERS
    yield "two files in one", {"readings.csv": READINGS + READINGS}, (0,)
    yield "no header", {"readings.csv": "\n".join(ROWS) + "\n"}, (2,)
    yield "backwards", {"readings.csv": "\n".join([HEAD, *ROWS[::-1]]) + "\n"}, (0,)
    yield "rows too long", {"readings.csv": READINGS.replace(",974.7\n", ",974.7,1,2\n")}, (0,)
    yield "rows too short", {"readings.csv": READINGS.replace(",974.7\n", "\n")}, (0,)
    strange = ",".join(f"x{number} [degF]" for number in range(200))
    wide = "\n".join([f"{HEAD},{strange}", *(row + ",7" * 200 for row in ROWS[:40])])
    yield "200 more channels", {"readings.csv": wide + "\n"}, (0,)


def journal() -> Iterator[Spoilt]:
    head, *marks = JOURNAL.splitlines()
    for place, values in JOURNAL_CELLS.items():
        for value in values:
            rows = [mark.split(",", 4) for mark in marks]
            for row in rows[::3]:
                row[place] = value
            spoilt = "\n".join([head, *(",".join(row) for row in rows)]) + "\n"
            yield f"journal column {place} {value[:10]!r}", {"journal.csv": spoilt}, (0,)
    for name, change in STAMPS.items():
        spoilt = "\n".join([head, *(change(mark[:24]) + mark[24:] for mark in marks)]) + "\n"
        yield f"marks {name}", {"journal.csv": spoilt}, ANSWERS
    yield "journal backwards", {"journal.csv": "\n".join([head, *marks[::-1]]) + "\n"}, (0,)
    yield "begins alone", {"journal.csv": "\n".join(m for m in [head, *marks] if ",end," not in m) + "\n"}, (0,)
    yield "ends alone", {"journal.csv": "\n".join(m for m in [head, *marks] if ",begin," not in m) + "\n"}, (0,)
    yield "journal of another kind", {"journal.csv": "a,b,c\n1,2,3\n"}, ANSWERS
    yield "journal empty", {"journal.csv": ""}, ANSWERS
    yield "journal binary", {"journal.csv": bytes(range(256)) * 8}, ANSWERS
    yield "journal torn", {"journal.csv": JOURNAL[:-20]}, (0,)


def with_cells(change: Callable[[int, int, str], str]) -> str:
    """Return the readings with each cell changed: row, place in it, text."""
    lines = (",".join(change(row, at, c) for at, c in enumerate(line.split(","))) for row, line in enumerate(ROWS))
    return "\n".join([HEAD, *lines]) + "\n"


@pytest.mark.parametrize("spoil", [settings, readings, journal])
def test_one_thing_spoilt_is_reviewed_or_refused_in_one_line(
    tmp_path: Path, spoil: Callable[[], Iterator[Spoilt]]
) -> None:
    wrong = []
    for name, files, codes in spoil():
        for file, text in {"job.toml": TOML, "readings.csv": READINGS, "journal.csv": JOURNAL, **files}.items():
            (tmp_path / file).write_bytes(text if isinstance(text, bytes) else text.encode())
        result = tmp_path / "result.json"
        result.unlink(missing_ok=True)
        code, said, errors = run("review", tmp_path, "--json", result)
        fits = code in codes and said == "" and errors.count("\n") == (code == 2) and len(errors) < 1_000
        if not (fits and result.exists() == (code == 0) and (code != 0 or stands(json.loads(result.read_text())))):
            wrong.append(f"{name}: exit {code} {errors}")
    assert not wrong, "\n".join(wrong)


def stands(result: dict[str, object]) -> bool:
    """Return whether a result has the shape that is promised; a number that is none does not read as JSON here."""
    log, stages, findings = result["log"], result["stages"], result["findings"]
    assert isinstance(log, dict)
    assert isinstance(stages, list)
    assert isinstance(findings, list)
    return (
        set(log) == {"rows", "begin", "end", "gaps", "cautions"}
        and all(stage["stage"] in STAGES and stage["text"] for stage in stages)
        and all(log["begin"] <= finding["since"] <= finding["time"] <= log["end"] for finding in findings)
    )
