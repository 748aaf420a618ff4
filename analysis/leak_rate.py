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
from analysis.vocabulary.errors import refused
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
    """Refrigerant added to a circuit on a day."""

    date: datetime.date
    added_kg: float


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


_ADDED = re.compile(r"added\s*\[([^\[\]]+)\]")


def parse_history(text: str, where: str = "history.csv") -> tuple[Addition, ...]:
    """Return the additions of a history file, in order of date.

    CSV with a header ``date,added [lb]`` (any mass unit), dates as ``2026-03-14``; other columns are not read.

    Raises
    ------
    InputError
        Header or row refused; the message names the line.
    """
    lines = [[cell.strip() for cell in line] for line in csv.reader(io.StringIO(text.lstrip("\ufeff")))]
    names = lines[0] if lines else []
    units = {place: said.group(1).strip() for place, name in enumerate(names) if (said := _ADDED.fullmatch(name))}
    if names.count("date") != 1 or len(units) != 1:
        raise refused(f"{where} line 1", ",".join(names), "a header with date and added [lb], each once")
    (added_at, unit), date_at = units.popitem(), names.index("date")
    if unit not in unit_symbols("mass"):
        raise refused(f"{where} line 1", names[added_at], f"a unit of mass: {' '.join(unit_symbols('mass'))}")
    found = []
    for number, line in enumerate(lines[1:], start=2):
        if not any(line):
            continue
        day, mass = (line[place] if place < len(line) else "" for place in (date_at, added_at))
        try:
            date = datetime.date.fromisoformat(day)
        except ValueError:
            raise refused(f"{where} line {number}", day, "a date such as 2026-03-14") from None
        added_kg = parse_quantity(f"{mass} {unit}", "mass", f"{where} line {number} added")
        if added_kg < 0.0:
            raise refused(f"{where} line {number} added", mass, "a mass not below 0")
        found.append(Addition(date, added_kg))
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
