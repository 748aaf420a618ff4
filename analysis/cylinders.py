"""The cylinder on the scale while it is filled or emptied: safe fill, change, heat, air.

The sums behind the limits stand in `safe_fill`; what stands on the scale comes from `scale`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analysis.cylinder_head import air, heating
from analysis.cylinder_stays import Stay, stays_on_scale
from analysis.fluids import Refrigerant
from analysis.result import Figure, FigureValue, Finding, Level
from analysis.safe_fill import cylinder_limits, unfit
from analysis.scale import Weighing
from analysis.stretch import Stretch

__all__ = ["cylinder_cautions", "cylinder_findings"]

OVERFULL = 1.02
"""A cylinder that comes to a charging is called overfull from this share of its limit: the scale may be 2 % off."""


def cylinder_findings(stretch: Stretch, weighing: Weighing) -> tuple[Finding, ...]:
    """Return the findings about cylinders of a recovery or a charging, in order of time.

    Raises
    ------
    UnknownRefrigerant
        The job names a refrigerant without a table.
    """
    fluid = stretch.fluid
    stays = stays_on_scale(stretch, weighing, fluid)
    found = [*_changes(stretch, weighing, fluid), *_limits(stretch, weighing, stays)]
    if weighing.sign > 0:
        found += heating(stretch, weighing, stays)
    found += air(stretch, weighing, stays, fluid)
    return tuple(sorted(found, key=lambda f: f.time))


def cylinder_cautions(stretch: Stretch, weighing: Weighing) -> tuple[str, ...]:
    """Return what could not be judged of the cylinders and why, one sentence each."""
    said = list(weighing.cautions)
    tables = stretch.job.cylinder
    if not tables:
        return (*said, "The job names no cylinder, so no safe fill is known: go by the marks on the cylinder.")
    rule = cylinder_limits()
    system = stretch.job.job.units
    for table in tables:
        missing = [
            word
            for word, value in (("tare", table.tare_kg), ("water capacity", table.water_capacity_kg))
            if value is None
        ]
        if missing:
            said.append(f"{table.id}: {' and '.join(missing)} not given, so its safe fill is not judged.")
        elif not table.water_capacity_kg:
            said.append(f"{table.id}: a water capacity of 0 cannot be; its safe fill is not judged.")
        elif table.tare_kg is not None and not (
            rule.tare_share_least <= table.tare_kg / table.water_capacity_kg <= rule.tare_share_most
        ):
            said.append(
                f"{table.id}: a tare of {Figure(table.tare_kg, 'mass').show(system)} does not go with a water capacity "
                f"of {Figure(table.water_capacity_kg, 'mass').show(system)}: check both and their units."
            )
    for load in weighing.loads:
        tare = None if load.table is None else load.table.tare_kg
        if tare is not None and not load.zeroed and load.begin_kg < tare - 0.5:
            said.append(
                f"{load.cylinder} weighs {Figure(load.begin_kg, 'mass').show(system)}, less than its stated tare of "
                f"{Figure(tare, 'mass').show(system)}: check the tare and the scale."
            )
    return tuple(dict.fromkeys(said))


def _changes(stretch: Stretch, weighing: Weighing, fluid: Refrigerant | None) -> Iterator[Finding]:
    system = stretch.job.job.units
    way = "more" if weighing.sign > 0 else "less"
    if weighing.names:
        stamp, _, name, table = weighing.names[0]
        why = () if table is None else unfit(table, fluid, stamp.date(), system)
        if why:
            yield Finding(
                stamp, stamp, stretch.stage, "cylinder_changed", "alarm", " ".join(why) + " Take another cylinder.",
                {"cylinder": name, "cause": "unfit"},
            )  # fmt: skip
    for change in weighing.changes:
        moved = weighing.loads[change.load - 1].moved_kg
        known = {"mark": "by its mark", "tare": "by its weight", "order": "not named in the journal"}
        table = next((t for t in stretch.job.cylinder if t.id == change.new), None)
        why = () if table is None else unfit(table, fluid, change.time.date(), system)
        text = (
            f"{change.old} is off with {Figure(moved, 'mass').show(system)} {way} in it; {change.new} "
            f"({known[change.new_named_by]}) stands on the scale at {Figure(change.gross_kg, 'mass').show(system)}."
        )
        if change.seen == "mark":
            text = f"{change.old} was changed for {change.new} by the mark alone: the scale showed nothing of it."
        figures: dict[str, FigureValue] = {
            "cylinder": change.new,
            "previous": change.old,
            "gross": Figure(change.gross_kg, "mass"),
            "previous_gross": Figure(change.old_gross_kg, "mass"),
            "moved": Figure(moved, "mass"),
        }
        if why:
            figures["cause"] = "unfit"
            text = " ".join([text, *why, "Take another cylinder."])
        level: Level = "alarm" if why else "info"
        yield Finding(change.time, change.since, stretch.stage, "cylinder_changed", level, text, figures)


def _limits(stretch: Stretch, weighing: Weighing, stays: list[Stay]) -> Iterator[Finding]:
    """Yield near and at limit, each once for a cylinder."""
    rule = cylinder_limits()
    index = pd.DatetimeIndex(stretch.frame.index)
    gross_kg = weighing.gross_kg.to_numpy(dtype=float)
    rate = weighing.rate_kg_per_s.to_numpy(dtype=float)
    told: set[tuple[str, str]] = set()
    for stay in stays:
        if stay.fill is None or stay.gross_limit_kg is None or not len(stay.rows):
            continue
        left_kg = stay.gross_limit_kg - gross_kg[stay.rows]
        share = 1.0 - left_kg / stay.fill.net_kg
        with np.errstate(divide="ignore", invalid="ignore"):
            left_s = np.where(rate[stay.rows] > 0.0, np.maximum(left_kg, 0.0) / rate[stay.rows], np.inf)
        if weighing.sign < 0:
            at = np.flatnonzero(share >= OVERFULL)
            near = at[:0]
        else:
            at = np.flatnonzero(left_kg <= 0.0)
            near = np.flatnonzero((share >= rule.near) | ((left_s <= rule.near_s) & (share >= rule.near_s_from)))
        if len(at):
            near = near[near < at[0]]
        for kind, rows in (("cylinder_near_limit", near), ("cylinder_at_limit", at)):
            if not len(rows) or (stay.name, kind) in told or (stay.name, "cylinder_at_limit") in told:
                continue
            told.add((stay.name, kind))
            k = int(rows[0])
            yield _limit_finding(
                stretch, stay, kind, index[stay.rows[k]], float(gross_kg[stay.rows[k]]), float(left_s[k])
            )


def _limit_finding(
    stretch: Stretch, stay: Stay, kind: str, time: pd.Timestamp, gross_kg: float, left_s: float
) -> Finding:
    assert stay.fill is not None
    assert stay.gross_limit_kg is not None
    system = stretch.job.job.units
    limit, gross = Figure(stay.gross_limit_kg, "mass"), Figure(gross_kg, "mass")
    net = Figure(gross_kg - stay.gross_limit_kg + stay.fill.net_kg, "mass")
    what = (
        f"{net.show(system)} net of a safe {Figure(stay.fill.net_kg, 'mass').show(system)} ({stay.fill.binding.name})"
    )
    guessed = (
        " It is not known which cylinder this is; the lowest limit of the job's was taken." if stay.guessed else ""
    )
    figures: dict[str, FigureValue] = {
        "cylinder": stay.name,
        "gross": gross,
        "gross_limit": limit,
        "net": net,
        "net_limit": Figure(stay.fill.net_kg, "mass"),
        "limit_by": stay.fill.binding.name,
    }
    level: Level
    if kind == "cylinder_at_limit":
        over = "over" if gross_kg > 1.005 * stay.gross_limit_kg else "at"
        act = (
            "Stop, close it and change the cylinder" if stretch.stage == "recovery" else "Let some out before it warms"
        )
        text = f"{stay.name} is {over} its safe fill: {what}. {act}; never overfill.{guessed}"
        level = "alarm"
    else:
        left = ""
        if np.isfinite(left_s):
            figures["time_left"] = Figure(left_s, "minutes")
            left = f", about {max(1.0, left_s / 60.0):.0f} min left at this rate"
        text = f"{stay.name} is nearly full: {what}{left}. Have the next cylinder ready.{guessed}"
        level = "caution"
    return Finding(time, time, stretch.stage, kind, level, text, figures)
