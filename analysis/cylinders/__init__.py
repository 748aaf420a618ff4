"""The cylinder on the scale while it is filled or emptied: safe fill, change, heat, air.

The sums behind the limits stand in `safe_fill`; what stands on the scale comes from `scale`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analysis.cylinders.head import air, heating
from analysis.cylinders.safe_fill import SINGLE_USE_SAID, cylinder_limits, doubts, unfit
from analysis.cylinders.stays import LIGHTER_KG, Stay, stays_on_scale
from analysis.fluids import Refrigerant
from analysis.result import Figure, FigureValue, Finding
from analysis.scale import Weighing
from analysis.stretch import Stretch
from analysis.vocabulary.channels import Level
from analysis.vocabulary.text import about

__all__ = ["cylinder_cautions", "cylinder_findings"]

CONTENTS_KG = 1.5
"""A cylinder that weighs this much more or less than tare and stated contents is worth a look."""
UNSURE_SHARE = 0.01
"""From this share of the mass on its uncertainty is told."""
UNSURE_SAID = "sure only to within"
UNKNOWN_S = 300.0
"""A mark may come late: only after this time is a cylinder called unknown."""
OVERFULL = 1.02
"""A cylinder that comes to a charging is called overfull from this share of its limit: the scale may be 2 % off."""


def cylinder_findings(stretch: Stretch, weighing: Weighing) -> tuple[Finding, ...]:
    """Return the findings about cylinders of a recovery or a charging, in order of time."""
    fluid = stretch.fluid
    stays = stays_on_scale(stretch, weighing, fluid)
    found = [*_changes(stretch, weighing, stays, fluid), *_limits(stretch, weighing, stays)]
    if weighing.sign > 0:
        found += [*_unknown(stretch, weighing, stays), *heating(stretch, stays)]
    found += air(stretch, weighing, stays, fluid)
    return tuple(sorted(found, key=lambda f: f.time))


def cylinder_cautions(stretch: Stretch, weighing: Weighing, *, unsure_told: bool = False) -> tuple[str, ...]:
    """Return what could not be judged of the cylinders and why, one sentence each; not again what was `unsure_told`.

    What the job states as contents is that of its start: it says nothing of cylinders that were used before.
    """
    said = list(weighing.cautions)
    tables, system = stretch.job.cylinder, stretch.job.job.units
    unsure_kg, moved_kg = weighing.uncertainty_kg, weighing.total_kg
    if not unsure_told and moved_kg > 0.0 and unsure_kg > UNSURE_SHARE * moved_kg:
        moved, unsure = (Figure(kg, "mass").show(system) for kg in (moved_kg, unsure_kg))
        said.append(f"The {moved} that moved are {UNSURE_SAID} {unsure}: {weighing.why_unsure(system)}.")
    if "cylinder_weight" in stretch.frame and not stretch.has("cylinder_weight"):
        said.append("The scale's column is blank or left out: nothing was weighed.")
    elif stretch.has("cylinder_weight") and not any(load.confirmed for load in weighing.loads):
        said.append("The scale never showed a cylinder that stood there: nothing was weighed.")
    if weighing.sign < 0:
        tables = []  # what may go into them is no question
    elif not tables:
        return (*said, "The job names no cylinder, so no safe fill is known: go by the marks on the cylinder.")
    said += doubts(tables, system)
    seen = set()
    for load in weighing.loads:
        table = load.table
        if table is None or table.tare_kg is None or load.zeroed or load.cylinder in seen:
            continue
        seen.add(load.cylinder)
        capacity = table.water_capacity_kg
        if weighing.sign > 0 and capacity is not None and cylinder_limits().single_use(table.tare_kg, capacity):
            said.append(f"{load.cylinder} is {SINGLE_USE_SAID}")
        weighs = f"{load.cylinder} weighs {Figure(load.begin_kg, 'mass').show(system)}"
        stated = table.tare_kg + table.contents_kg
        if load.begin_kg < table.tare_kg - LIGHTER_KG:
            said.append(
                f"{weighs}, less than its stated tare of {Figure(table.tare_kg, 'mass').show(system)}: check the tare "
                "and the scale; its safe fill is not judged."
            )
        elif (
            load.cylinder not in stretch.weighed.left_kg
            and table.contents_kg > 0.0
            and abs(load.begin_kg - stated) > CONTENTS_KG
        ):
            said.append(
                f"{weighs}, but tare and stated contents make {Figure(stated, 'mass').show(system)}: check both."
            )
    return tuple(dict.fromkeys(said))


def _changes(stretch: Stretch, weighing: Weighing, stays: list[Stay], fluid: Refrigerant | None) -> Iterator[Finding]:
    """Yield each change of cylinder, and once for a cylinder, when it is known, why it must not be used."""
    system, filling = stretch.job.job.units, weighing.sign > 0
    known = {"mark": "by its mark", "tare": "by its weight", "order": "not named in the journal"}
    changed = {change.time: change for change in weighing.changes}
    told: set[str] = set()
    for stay in stays:
        time, name = stay.naming.time, stay.name
        change = changed.pop(time, None)
        why = () if stay.table is None else unfit(stay.table, fluid, time.date(), system, filling=filling)
        said, cause = [w.said for w in why], why[0].cause if why else ""
        level: Level = "alarm" if why else "info"
        if why:
            said.append("Take another cylinder.")
        elif filling and (caution := _doubted(stretch, stay, change is not None)) is not None:
            level, (cause, text) = "caution", caution
            said.append(text)
        figures: dict[str, FigureValue] = {"cylinder": name}
        if name in told or not cause:
            said, cause, level = [], "", "info"
        else:
            told.add(name)
            figures["cause"] = cause
        since = time
        if change is not None:
            since, moved = change.since, Figure(weighing.loads[change.load - 1].moved_kg, "mass")
            figures |= {
                "previous": change.old,
                "gross": Figure(change.gross_kg, "mass"),
                "previous_gross": Figure(change.old_gross_kg, "mass"),
                "moved": moved,
            }
            text = (
                f"{change.old} is off with {moved.show(system)} {'more' if filling else 'less'} in it; {change.new} "
                f"({known[change.new_named_by]}) stands on the scale at {Figure(change.gross_kg, 'mass').show(system)}."
            )
            if change.seen == "mark":
                text = f"The journal says {change.old} was changed for {change.new}; the scale showed nothing of it."
            said.insert(0, text)
        if said:
            yield Finding(time, since, stretch.stage, "cylinder_changed", level, " ".join(said), figures)


def _doubted(stretch: Stretch, stay: Stay, changed: bool) -> tuple[str, str] | None:
    """Return the cause and the words of why the safe fill of a cylinder that is being filled is not judged."""
    name, table, system = stay.name, stay.table, stretch.job.job.units
    if stay.lighter_than_tare and table is not None and table.tare_kg is not None:
        weighs, tare = Figure(stay.gross_kg, "mass").show(system), Figure(table.tare_kg, "mass").show(system)
        return "tare", (
            f"{name} weighs {weighs}, less than its stated tare of {tare}: check tare and scale. Its safe fill is "
            "not judged; go by its marks."
        )
    if table is not None and table.tare_kg is not None and table.water_capacity_kg is not None:
        at_odds = doubts([table], system)
        return ("stated", at_odds[0]) if at_odds else None
    if changed and stay.has_no_limit and stretch.job.cylinder:
        return "unknown", f"{name} is none of the job's cylinders: no safe fill is known for it, go by the marks on it."
    return None


def _unknown(stretch: Stretch, weighing: Weighing, stays: list[Stay]) -> Iterator[Finding]:
    """Yield once a load when a cylinder is being filled of which nothing tells how much it may hold.

    What came by a change was told of with it.
    """
    if not stretch.job.cylinder:
        return
    index = pd.DatetimeIndex(stretch.frame.index)
    changes = {change.time for change in weighing.changes}
    told: set[str] = set()
    for stay in stays:
        if not stay.has_no_limit or stay.name in told or not len(stay.rows):
            continue
        if stay.naming.time in changes:
            told.add(stay.name)
            continue
        late = stay.rows[index[stay.rows] >= stay.naming.time + pd.Timedelta(seconds=UNKNOWN_S)]
        if not len(late):
            continue
        told.add(stay.name)
        time = index[late[0]]
        cause = "unknown"
        text = (
            f"{stay.name} is none of the job's cylinders, so its safe fill cannot be told: go by the marks on it, or "
            "name it in the job."
        )
        tares = [table.tare_kg for table in stretch.job.cylinder if table.tare_kg is not None]
        if stay.naming.by == "order" and tares and stay.gross_kg < min(tares) - LIGHTER_KG:
            cause = "tare"
            weighs, least = (Figure(kg, "mass").show(stretch.job.job.units) for kg in (stay.gross_kg, min(tares)))
            text = (
                f"{stay.name} weighs {weighs}, less than any tare that the job states ({least} or more): check the "
                "tares, their units and the scale. Its safe fill is not judged; go by its marks."
            )
        yield Finding(
            time, stay.naming.time, stretch.stage, "cylinder_changed", "caution", text,
            {"cylinder": stay.name, "cause": cause},
        )  # fmt: skip


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
    limit_by = stay.fill.binding.said(system)
    what = f"{net.show(system)} net of a safe {Figure(stay.fill.net_kg, 'mass').show(system)} ({limit_by})"
    guessed = (
        " It is not known which cylinder this is; the lowest limit of those that it may be was taken."
        if stay.guessed
        else ""
    )
    figures: dict[str, FigureValue] = {
        "cylinder": stay.name,
        "gross": gross,
        "gross_limit": limit,
        "net": net,
        "net_limit": Figure(stay.fill.net_kg, "mass"),
        "limit_by": limit_by,
    }
    level: Level
    if kind == "cylinder_at_limit":
        over = "over" if gross_kg > 1.005 * stay.gross_limit_kg else "at"
        act = (
            "Stop, close it and change the cylinder" if stretch.stage == "recovery" else "Keep it cool and use it first"
        )
        text = f"{stay.name} is {over} its safe fill: {what}. {act}; never overfill.{guessed}"
        level = "alarm"
    else:
        left = ""
        if np.isfinite(left_s):
            figures["time_left"] = Figure(left_s, "minutes")
            left = f", {about(left_s)} left at this rate"
        text = f"{stay.name} is nearly full: {what}{left}. Have the next cylinder ready.{guessed}"
        level = "caution"
    return Finding(time, time, stretch.stage, kind, level, text, figures)
