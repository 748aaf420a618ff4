"""Leak rate of a circuit by what had to be added: 40 CFR 82.157 and 84.106 (`config/leak_rates.toml`)."""

from __future__ import annotations

import csv
import datetime
import io
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import get_args

from analysis.result import Figure
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job import Job, Use
from analysis.vocabulary.shipped import shipped
from analysis.vocabulary.units import parse_quantity, unit_symbols

RATES_FILE = "leak_rates.toml"


@dataclass(frozen=True)
class LeakRules:
    """The values of `config/leak_rates.toml`, SI."""

    title: str
    days: int
    thresholds: Mapping[str, float]
    least_charge_ozone_depleting_kg: float
    least_charge_hfc_kg: float
    ozone_depleting: tuple[str, ...]
    neither: tuple[str, ...]
    records_kept_years: int


@cache
def leak_rules() -> LeakRules:
    """Return the shipped leak-rate rules."""
    table = tomllib.loads((shipped("config") / RATES_FILE).read_text(encoding="utf-8"))["leak_rate"]
    return LeakRules(
        title=table["title"],
        days=int(table["days"]),
        thresholds={use: parse_quantity(table[use], "fraction", f"{RATES_FILE} {use}") for use in get_args(Use)},
        least_charge_ozone_depleting_kg=parse_quantity(table["least_charge_ozone_depleting"], "mass", RATES_FILE),
        least_charge_hfc_kg=parse_quantity(table["least_charge_hfc"], "mass", RATES_FILE),
        ozone_depleting=tuple(table["ozone_depleting"]),
        neither=tuple(table["neither"]),
        records_kept_years=int(table["records_kept_years"]),
    )


@dataclass(frozen=True)
class Addition:
    """Refrigerant added to a circuit on a day; `charge_kg` is the full charge then, None where it was not written."""

    date: datetime.date
    added_kg: float
    charge_kg: float | None = None


@dataclass(frozen=True)
class LeakRate:
    """A leak rate, as a share of the full charge a year, against the threshold of its use (None without a use)."""

    method: str
    share: float
    threshold: float | None
    how: str

    @property
    def exceeded(self) -> bool | None:
        """Whether the threshold is exceeded; None where none is known."""
        return None if self.threshold is None else self.share > self.threshold


_HISTORY_COLUMN = re.compile(r"\s*(date|added|charge)\s*(?:\[([^\[\]]+)\])?\s*")


def parse_history(text: str, where: str = "history.csv") -> tuple[Addition, ...]:
    """Return the additions of a history file, in order of date.

    CSV with a header ``date,added [lb],charge [lb]`` (any mass unit; `charge` may be missing or blank), dates as
    ``2026-03-14``.

    Raises
    ------
    InputError
        Header or row refused; the message names the line.
    """
    lines = list(csv.reader(io.StringIO(text.lstrip("\ufeff"))))
    if not lines:
        raise InputError(f"{where}: empty; expected a header date,added [lb],charge [lb]")
    columns: dict[str, tuple[int, str]] = {}
    for place, header in enumerate(lines[0]):
        match = _HISTORY_COLUMN.fullmatch(header)
        if match is None or match.group(1) in columns or (match.group(1) == "date") != (match.group(2) is None):
            raise refused(f"{where} line 1", header, "date, added [lb] and charge [lb], each once")
        if match.group(2) is not None and match.group(2).strip() not in unit_symbols("mass"):
            raise refused(f"{where} line 1", header, f"a unit of mass: {' '.join(unit_symbols('mass'))}")
        columns[match.group(1)] = (place, (match.group(2) or "").strip())
    if "date" not in columns or "added" not in columns:
        raise InputError(f"{where} line 1: date and added are needed; expected a header date,added [lb],charge [lb]")
    found = []
    for number, line in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in line):
            continue
        cells = {name: (line[place].strip() if place < len(line) else "") for name, (place, _) in columns.items()}
        try:
            date = datetime.date.fromisoformat(cells["date"])
        except ValueError:
            raise refused(f"{where} line {number}", cells["date"], "a date such as 2026-03-14") from None
        masses: dict[str, float | None] = {"charge": None}
        for name in ("added", "charge"):
            if name not in columns or (name == "charge" and not cells[name]):
                continue
            mass = parse_quantity(f"{cells[name]} {columns[name][1]}", "mass", f"{where} line {number} {name}")
            if mass < 0.0:
                raise refused(f"{where} line {number} {name}", cells[name], "a mass not below 0")
            masses[name] = mass
        added = masses["added"]
        assert added is not None
        found.append(Addition(date, added, masses["charge"]))
    return tuple(sorted(found, key=lambda a: a.date))


def annualised_leak_rate(added_kg: float, full_charge_kg: float, days_since_last: float) -> float:
    """Return added / full charge x 365 / min(days since the last addition, 365) as a share (40 CFR 82.157, 84.106)."""
    days = leak_rules().days
    return added_kg / full_charge_kg * days / min(days_since_last, days)


def rolling_leak_rate(additions: Sequence[Addition], full_charge_kg: float, today: datetime.date) -> float:
    """Return what was added in the last 365 days over the full charge, as a share (40 CFR 82.157, 84.106)."""
    first = today - datetime.timedelta(days=leak_rules().days)
    return sum(a.added_kg for a in additions if first < a.date <= today) / full_charge_kg


def leak_rates(job: Job, added_kg: float, today: datetime.date, history: Sequence[Addition] = ()) -> list[LeakRate]:
    """Return the leak rate of an addition made today, by both methods; none when the full charge is not known.

    `history` holds earlier additions; without one the last addition counts as more than a year ago, as the rule has it.
    """
    full = job.circuit.charge_kg
    if full is None or math.isnan(added_kg):
        return []
    rules = leak_rules()
    threshold = None if job.circuit.use is None else rules.thresholds[job.circuit.use]
    before = [a for a in history if a.date < today and a.added_kg > 0.0]  # a visit that added nothing is no addition
    added_kg = max(added_kg, 0.0)
    days = (today - before[-1].date).days if before else rules.days
    counted = min(days, rules.days)
    of = Figure(full, "mass").show(job.job.units, 4)
    added = Figure(added_kg, "mass").show(job.job.units, 4)
    all_of_it = [*before, Addition(today, added_kg)]
    rolling = rolling_leak_rate(all_of_it, full, today)
    year = Figure(rolling * full, "mass").show(job.job.units, 4)
    return [
        LeakRate(
            "annualising",
            annualised_leak_rate(added_kg, full, days),
            threshold,
            f"{added} / {of} x {rules.days} / {counted} days",
        ),
        LeakRate("rolling average", rolling, threshold, f"{year} in {rules.days} days / {of}"),
    ]


def applies(job: Job) -> bool | None:
    """Return whether the rules hold for a circuit of this refrigerant and charge, None where one is missing."""
    full, name = job.circuit.charge_kg, job.circuit.refrigerant
    if full is None or name is None:
        return None
    rules = leak_rules()
    least = rules.least_charge_ozone_depleting_kg if name in rules.ozone_depleting else rules.least_charge_hfc_kg
    return name not in rules.neither and full >= least
