"""The balance of a job: what came out, what went back, what stands in which cylinder; and the record to keep."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from analysis.cylinders import UNSURE_SHARE
from analysis.cylinders.stays import limit_of_load
from analysis.export import csv_text
from analysis.leak_rate import Addition, applies, leak_rates, leak_rules
from analysis.result import Figure
from analysis.scale import Load, weigh
from analysis.stretch import Stretch
from analysis.vocabulary.job import CylinderTable, Job
from analysis.vocabulary.text import words
from analysis.vocabulary.units import UnitSystem, display

MOST_PLACES = 3
OVERFULL = 1.01
"""A cylinder holds more than its safe fill where it does so by more than a scale is unsure of (common practice)."""
ADRIFT_KG = 0.5
"""A cylinder that weighs this much less or more than when it was last on the scale lost or gained something."""


class Reviewed(Protocol):
    """A stage of a review, as far as the ledger needs it."""

    @property
    def stretch(self) -> Stretch: ...


# --- the balance ---------------------------------------------------------------------------------------------


@dataclass
class CylinderAccount:
    """One cylinder over the whole job [kg]. `start_kg` is NaN where neither job nor tare tells it.

    `doubt_kg` is how unsure its mass is by what no reading showed; `safe_kg` its safe net fill, NaN where not known.
    """

    cylinder: str
    start_kg: float
    taken_in_kg: float = 0.0
    given_out_kg: float = 0.0
    adrift_kg: float = 0.0
    doubt_kg: float = 0.0
    safe_kg: float = math.nan

    @property
    def left_kg(self) -> float:
        """Net weight left in it by the scale."""
        return self.start_kg + self.taken_in_kg - self.given_out_kg + self.adrift_kg


@dataclass(frozen=True)
class Ledger:
    """The balance of a job [kg]; NaN where it is not known.

    Attributes
    ----------
    plate_kg : full charge by the plate.
    recovered_kg, charged_kg : by the scale; NaN where the stage had no scale, 0 where there was no such stage.
    returned_kg : part of the charge that came out of what was recovered in this job.
    added_kg : part of the charge that came from elsewhere.
    missing_kg : plate less recovered: what had leaked before, or stayed behind.
    kept_kg : recovered and not returned.
    cylinders : one account each, in order of first use.
    said : what a reader has to know, one sentence each.
    """

    plate_kg: float
    recovered_kg: float
    charged_kg: float
    returned_kg: float
    added_kg: float
    missing_kg: float
    kept_kg: float
    cylinders: tuple[CylinderAccount, ...]
    said: tuple[str, ...] = ()

    @property
    def net_added_kg(self) -> float:
        """Charged less recovered, at least 0: what the leak rate counts."""
        return max(self.charged_kg - self.recovered_kg, 0.0) if self.charged_kg == self.charged_kg else math.nan


def balance(stages: Iterable[Reviewed]) -> Ledger | None:
    """Return the balance of the recovery and charging stages of a job, None when there are none."""
    moved = [s.stretch for s in stages if s.stretch.stage in ("recovery", "charging") and len(s.stretch.frame)]
    if not moved:
        return None
    job = moved[0].job
    accounts: dict[str, CylinderAccount] = {}
    gross: dict[str, float] = {}
    totals = {"recovery": 0.0, "charging": 0.0}
    recovered_in: dict[str, float] = {}
    returned, said = 0.0, []
    for number, stretch in enumerate(moved):
        weighing = weigh(stretch)
        total = weighing.total_kg
        totals[stretch.stage] += total
        if math.isnan(total):
            said.append(f"The {stretch.stage} was not weighed, so the balance is not whole.")
        for load in weighing.loads:
            if not load.confirmed:
                continue
            name = _name(load, gross, job.cylinder, f"{stretch.stage} {number + 1}")
            if load.named_by == "order" and name not in gross and stretch.stage == "charging":
                said.append(
                    "A cylinder of the charging is not named, so what came back from the recovery is not wholly known."
                )
            account = accounts.setdefault(name, CylinderAccount(name, _start_kg(load.table, load.begin_kg)))
            limit = limit_of_load(load, job)
            if limit is not None:
                account.safe_kg = limit[0].net_kg
            if name in gross and not load.zeroed and abs(load.begin_kg - gross[name]) > ADRIFT_KG:
                change = load.begin_kg - gross[name]
                account.adrift_kg += change
                amount = Figure(abs(change), "mass").show(job.job.units)
                said.append(f"{name} came back {amount} {'heavier' if change > 0 else 'lighter'} than it had left.")
            gross[name] = math.nan if load.zeroed else load.end_kg
            account.doubt_kg = math.hypot(account.doubt_kg, *load.unsure)
            if stretch.stage == "recovery":
                account.taken_in_kg += load.moved_kg
                recovered_in[name] = recovered_in.get(name, 0.0) + load.moved_kg
            else:
                account.given_out_kg += load.moved_kg
                back = min(load.moved_kg, max(recovered_in.get(name, 0.0), 0.0))
                recovered_in[name] = recovered_in.get(name, 0.0) - back
                returned += back
    if math.isnan(totals["recovery"]):
        returned = math.nan
    plate = math.nan if job.circuit.charge_kg is None else job.circuit.charge_kg
    recovered = totals["recovery"]
    return Ledger(
        plate_kg=plate,
        recovered_kg=recovered,
        charged_kg=totals["charging"],
        returned_kg=returned,
        added_kg=totals["charging"] - returned,
        missing_kg=plate - recovered if recovered > 0.0 else math.nan,
        kept_kg=recovered - returned,
        cylinders=tuple(accounts.values()),
        said=tuple(dict.fromkeys(said)),
    )


def _start_kg(table: CylinderTable | None, begin_kg: float) -> float:
    """Return what a cylinder held when it first stood on the scale: by its tare, else as the job says."""
    if table is None:
        return math.nan
    return table.contents_kg if table.tare_kg is None else begin_kg - table.tare_kg


def _name(load: Load, left_kg: Mapping[str, float], tables: Sequence[CylinderTable], stage: str) -> str:
    """Return which cylinder a load was: by its name, else by what those weighed that left the scale before.

    Not where a cylinder of the job that was not on it yet weighs as much.
    """
    if load.named_by != "order":
        return load.cylinder
    fresh = {t.id: t.tare_kg + t.contents_kg for t in tables if t.tare_kg is not None and t.id not in left_kg}
    may_be = {} if load.zeroed else {**fresh, **left_kg}
    near = [name for name, kg in may_be.items() if abs(load.begin_kg - kg) <= ADRIFT_KG]
    if len(near) == 1 and near[0] in left_kg:
        return near[0]
    return f"{load.cylinder} ({stage})" if load.cylinder in left_kg else load.cylinder


def rows(ledger: Ledger, system: UnitSystem) -> list[tuple[str, str]]:
    """Return the balance as (label, text) pairs for the report; what is not known, or was not done, is left out.

    All with as many decimals as the largest mass has in four digits: they came off one scale and add up.
    """
    out, back = (math.nan if kg == 0.0 else kg for kg in (ledger.recovered_kg, ledger.charged_kg))
    both = out == out and back == back
    listed = [
        ("Charge by the plate", ledger.plate_kg),
        ("Recovered", out),
        ("Plate less recovered", ledger.missing_kg),
        ("Charged", back),
        ("of that returned", ledger.returned_kg if both else math.nan),
        ("of that from elsewhere", ledger.added_kg if both else math.nan),
        ("Charged less recovered", back - ledger.recovered_kg),
        ("Recovered and kept in cylinders", ledger.kept_kg + 0.0 * out),
    ]
    said = [mass for _, mass in listed if not math.isnan(mass)]
    said += [mass for a in ledger.cylinders for mass in (a.taken_in_kg, a.given_out_kg, a.left_kg) if mass == mass]
    largest = max((abs(display(mass, "mass", system)[0]) for mass in said), default=0.0)
    places = min(MOST_PLACES, max(0, 3 - math.floor(math.log10(largest)))) if largest > 0.0 else 0

    def show(mass: float) -> str:
        value, unit = display(mass, "mass", system)
        return "unknown" if math.isnan(mass) else f"{round(value, places) + 0.0:,.{places}f} {unit}"

    told = [(label, show(mass)) for label, mass in listed if not math.isnan(mass)]
    for account in ledger.cylinders:
        text = f"in {show(account.taken_in_kg)}, out {show(account.given_out_kg)}, left {show(account.left_kg)}"
        if account.taken_in_kg > account.given_out_kg and account.left_kg > 0.5 * account.safe_kg:
            text += f" of a safe {show(account.safe_kg)}"
            text += ": overfull" if account.left_kg > OVERFULL * account.safe_kg else ""
        if account.doubt_kg > UNSURE_SHARE * max(account.taken_in_kg, account.given_out_kg):
            text += f", sure only to within {Figure(account.doubt_kg, 'mass').show(system)}"
        told.append((f"Cylinder {account.cylinder.removeprefix('cylinder ')}", text))
    return told


# --- the record ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Record:
    """What a technician has to keep of a service: (what, value) pairs, and how long."""

    lines: tuple[tuple[str, str], ...]
    keep_years: int
    missing: tuple[str, ...]


def record(job: Job, ledger: Ledger, today: datetime.date, history: Sequence[Addition] = ()) -> Record:
    """Return the record of a service: what 40 CFR 82.157(l) and 84.106(l) ask for (from memory), as far as known."""
    system = job.job.units
    full = job.circuit.charge_kg
    lines: list[tuple[str, str]] = [
        ("Job", job.job.name),
        ("Site", job.job.site),
        ("Circuit", job.job.circuit),
        ("Technician", job.job.technician),
        ("Reference", job.job.reference),
        ("Date of service", today.isoformat()),
        ("Refrigerant", job.circuit.refrigerant or ""),
        ("Use", words(job.circuit.use or "")),
        ("Full charge", "" if full is None else Figure(full, "mass").show(system, 4)),
        ("Full charge known by", "" if full is None else "the plate"),
        *rows(ledger, system),
    ]
    for rate in leak_rates(job, ledger.net_added_kg, today, history):
        verdict = {True: "exceeded", False: "not exceeded", None: "no threshold: the job gives no use"}[rate.exceeded]
        limit = "" if rate.threshold is None else f"; threshold {100 * rate.threshold:.0f} % {verdict}"
        lines.append((f"Leak rate, {rate.method}", f"{100 * rate.share:.1f} % a year = {rate.how}{limit}"))
    if full is not None and not history:
        lines.append(("What was added before", "not known here, taken as none: a history of the circuit counts it in"))
    later = sum(addition.date >= today for addition in history)
    if later:
        lines.append(("History not counted", f"{later} of its rows: from the day of this service on"))
    said = {True: "applies", False: "does not apply to this refrigerant and charge", None: "not known"}[applies(job)]
    lines.append(("Leak-rate rule", f"{leak_rules().title}: {said}. Local codes come first."))
    missing = tuple(label for label, value in lines if not value and label != "Reference")
    return Record(tuple((a, b) for a, b in lines if b), leak_rules().records_kept_years, missing)


def keep_line(kept: Record) -> tuple[str, str]:
    """Return how long a record is to be kept, as a (label, text) pair."""
    return "Keep for", f"{kept.keep_years} years (from memory: check the rule)"


def record_csv(kept: Record) -> str:
    """Return the record as CSV text with nothing in it that a spreadsheet would run."""
    return csv_text([("what", "value"), *kept.lines, keep_line(kept)])
