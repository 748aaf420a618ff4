"""The level to which this circuit must be evacuated, out of the job's rule file."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import get_args

from analysis.fluids import refrigerant_of
from analysis.rules import Rules, RuleTable, load_rules
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import Job, PressureClass
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, Pressure

HOLD_S = 600.0
"""A pause shorter than this proves no level held; common practice, a rule file may say otherwise."""
HOLD_WITHIN = 0.005
"""A level is held while pressure stays within this share of it; common practice, a rule file may say otherwise."""

_CLASSES: tuple[str, ...] = get_args(PressureClass)
_ROW_KEYS = ("class", "charge_under", "charge_from", "volume_under", "volume_from", "made_before", "made_since")


@dataclass(frozen=True)
class RequiredLevel:
    """What the rules ask of this job. `level` is None where they ask for no level.

    Attributes
    ----------
    level : absolute, or above the site's barometer where the rule is in gauge pressure.
    missing : what the job does not say; `level` is then the deepest that could apply, and `mildest` the least deep.
    no_row : the rules do ask for levels, but no row of theirs is for a job like this one.
    hold_s, hold_within : a pause of that length, and the share of the level that pressure may stand above it.
    """

    rules: Rules
    level: Pressure | None
    mildest: Pressure | None
    pressure_class: str | None
    missing: tuple[str, ...]
    hold_s: float
    hold_within: float
    no_row: bool


def required_level(job: Job, recovered_kg: float = 0.0) -> RequiredLevel:
    """Return the level that the job's rules ask for; a circuit of which no charge is stated held what was recovered.

    Raises
    ------
    InputError
        No such rule file, or one that cannot be read.
    """
    rules = load_rules(job.recovery.rules)
    table = rules.table("recovery").only("reference", "hold", "hold_within", "leaking", "level")
    hold_s = table.quantity("hold", "time")
    within = table.quantity("hold_within", "fraction")
    reference = table.quantity("reference", "pressure_difference")
    named, fluid = job.circuit.pressure_class, refrigerant_of(job)
    if named is None and fluid is not None:
        named = fluid.pressure_class()
    asked = table.rows("level")
    reference_pa = STANDARD_ATMOSPHERE_PA if reference is None else reference
    levels, missing = _levels(asked, job, named, reference_pa)
    milder, _ = _levels(asked, job, named, reference_pa, recovered_kg)
    leaking = table.pressure("leaking")
    if job.recovery.leaking and leaking is not None:
        levels, milder, missing = [leaking], [leaking], ()
    level = levels[0] if levels else None
    return RequiredLevel(
        rules=rules,
        level=level,
        mildest=milder[-1] if milder else level,
        pressure_class=named,
        missing=missing,
        hold_s=HOLD_S if hold_s is None else hold_s,
        hold_within=HOLD_WITHIN if within is None else within,
        no_row=level is None and len(asked) > 0,
    )


def _levels(
    rows: tuple[RuleTable, ...], job: Job, pressure_class: str | None, reference_pa: float, least_kg: float = 0.0
) -> tuple[list[Pressure], tuple[str, ...]]:
    """Return the levels of the rows that can apply, the deepest first, and what would have decided between them."""
    matches = [(row, _unknown_of(row.only(*_ROW_KEYS, "level"), job, pressure_class, least_kg)) for row in rows]
    can_apply = [(_absolute(row, reference_pa), unknown) for row, unknown in matches if unknown is not None]
    levels = sorted({pa for pa, _ in can_apply})
    unsure = {word for _, unknown in can_apply for word in unknown} if len(levels) > 1 else set()
    return [Pressure(pa, absolute=True) for pa in levels], tuple(sorted(unsure))


def _absolute(row: RuleTable, reference_pa: float) -> float:
    level = row.pressure("level")
    if level is None:
        raise InputError(f"{row.where}: no level; expected level = a pressure such as '10 inHg'")
    return level.absolute_pa(reference_pa)


def _unknown_of(row: RuleTable, job: Job, pressure_class: str | None, least_kg: float) -> tuple[str, ...] | None:
    """Return what the job must say before the row can be told to apply; None when it does not apply.

    A charge that is not stated is `least_kg` at least.
    """
    unknown: list[str] = []
    classes = row.words("class", _CLASSES)
    if classes is not None:
        if pressure_class is None:
            unknown.append("refrigerant")
        elif pressure_class not in classes:
            return None
    for word, value, least, dimension in (
        ("charge", job.circuit.charge_kg, least_kg, "mass"),
        ("volume", job.circuit.internal_volume_m3, 0.0, "volume"),
    ):
        under, start = row.quantity(f"{word}_under", dimension), row.quantity(f"{word}_from", dimension)
        if under is None and start is None:
            continue
        if value is None:
            if under is not None and least >= under:
                return None
            unknown.append("charge" if word == "charge" else "internal volume")
        elif (under is not None and value >= under) or (start is not None and value < start):
            return None
    before, since = row.date("made_before"), row.date("made_since")
    if before is not None or since is not None:
        first, last = _made(job.recovery.equipment_made)
        if (before is not None and first >= before) or (since is not None and last < since):
            return None
        if (before is not None and last >= before) or (since is not None and first < since):
            unknown.append("year of the recovery equipment")
    return tuple(unknown)


def _made(made: int | datetime.date | None) -> tuple[datetime.date, datetime.date]:
    """Return the first and the last day on which the equipment can have been made."""
    if isinstance(made, datetime.date):
        return made, made
    if made is None:
        return datetime.date.min, datetime.date.max
    return datetime.date(made, 1, 1), datetime.date(made, 12, 31)
