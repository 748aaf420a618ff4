"""Charging by weight: how much is in, how much is still to go, and whether liquid may freeze the water side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.belief.witnesses import FLOW_PA
from analysis.bins import Bins, bin_medians
from analysis.cylinders import UNSURE_SAID, cylinder_cautions, cylinder_findings
from analysis.fluids import Refrigerant
from analysis.freezing import CLEAR_K, CLEAR_S, if_any
from analysis.recovery.balance import DENSEST_FILL
from analysis.recovery.progress import LONGER, SHORTER
from analysis.result import Assessment, Figure, FigureValue, Finding, Span, time_left
from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch, episodes, seconds, stayed
from analysis.vocabulary.channels import Level
from analysis.vocabulary.text import about, duration
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, UnitSystem

# Common practice of the trade; no published source.
NEAR_SHARE = 0.95
NEAR_S, NEAR_S_FROM = 120.0, 0.80
"""Near the target: from this share of it, or this long before it at the present rate from the second share on."""
FLOWING_SHARE = 0.1
"""What flows goes in by at least this share of the best rate. Common practice; no published source."""
OVER_SURE = 2.0
"""An alarm of too much is sure by so many standard deviations of what the scale shakes by."""
OVER_STAYS_S = 20.0
"""It comes when it stood for this long: what a bump leaves in the samples is gone by then."""
BIN_S = 10.0
FREEZE_STAYS_S = 30.0
"""A freeze risk is told after this time."""
VAPOR_SPARE, VAPOR_SWELLS, ROOMIEST = 1.15, 1.3, 2.0
"""A circuit holds up to the first share more vapour than its volume says. Where the volume is not stated, that which
vapour was seen to fill counts, up to the last times what is usual; as it is warm it seems to grow up to the second."""
LIQUID_SHARE = 0.02
"""Mass beyond what vapour can fill the circuit with, as a share of the target, that must be liquid."""
SOME_KG, SOME_STEPS = 0.2, 4.0
"""Mass is in from so much on, and so many steps of the scale."""
BARE_KG = 2.0
"""A scale that shows less carries no cylinder."""
LATELY, LATELY_ROWS, FELL_STEPS = pd.Timedelta(minutes=2), 5, 2.5
"""It flows when the weight fell by so many steps of the scale in this time, or in so many rows, as fast at the end."""
STANDS = pd.Timedelta(minutes=20)
"""A scale that stopped in mid flow and shows one number for so long may be stuck (common practice)."""
HAND = pd.Timedelta(minutes=5)
"""A mark so near tells of a hand."""
BLANK_S, BLANK_LEAST_S = 300.0, 90.0
"""A scale that gave nothing for this long at the end leaves the charge unknown; the second when it was flowing."""


CAME_OUT = "what was recovered"


@dataclass(frozen=True)
class Target:
    """How much is to go in [kg], and where that is from; `tolerance_kg` is what still counts as on target."""

    mass_kg: float
    tolerance_kg: float
    source: str = ""

    @property
    def may_be_passed(self) -> bool:
        """Whether more may belong in: what leaked before, and what stayed as vapour, did not come out."""
        return self.source == CAME_OUT

    def said(self, system: UnitSystem) -> str:
        """Return it in words, with where it is from unless the job states it."""
        shown = Figure(self.mass_kg, "mass").show(system, 4)
        return f"{shown} ({self.source})" if self.source else shown


def assess(stretch: Stretch) -> Assessment:
    """Return what a charging's rows so far say.

    Needs `cylinder_weight` and a target: `[charging] target`, else `[circuit] charge`, else what was recovered. With
    `circuit_pressure` and the refrigerant it watches for freezing. What is missing is said.
    """
    fluid = stretch.fluid
    weighing = weigh(stretch)
    target = target_of(stretch)
    seen = _seen(stretch, weighing, target, fluid)
    found = [
        *_progress(stretch, weighing, target),
        *(_freeze_risk(stretch, seen) if seen is not None else ()),
        *cylinder_findings(stretch, weighing),
    ]
    found.sort(key=lambda f: f.time)
    verdict, said = _verdict(stretch, weighing, target)
    said_of_cylinders = cylinder_cautions(stretch, weighing, unsure_told=UNSURE_SAID in said)
    text = " ".join([said, *_missing(stretch, fluid), *said_of_cylinders])
    return Assessment(
        verdict=verdict,
        text=text,
        figures=_figures(stretch, weighing, target, fluid, seen is not None and not seen.liquid[-1:].any()),
        findings=tuple(found),
        traces=_traces(stretch, weighing, fluid),
        spans=tuple(_spans(stretch, weighing)),
        left_kg=weighing.left_kg,
    )


def target_of(stretch: Stretch) -> Target | None:
    """Return how much is to go in, None when nothing says so."""
    job = stretch.job
    for mass, source in (
        (job.charging.target_kg, ""),
        (job.circuit.charge_kg, "the plate's charge"),
        (stretch.weighed.recovered_kg, CAME_OUT),
    ):
        if mass is not None and mass > 0.0:
            return Target(mass, job.charging.tolerance_kg(mass), source)
    return None


def _progress(stretch: Stretch, weighing: Weighing, target: Target | None) -> Iterator[Finding]:
    """Yield near, reached and over, each once."""
    if target is None:
        return
    index = pd.DatetimeIndex(stretch.frame.index)
    system = stretch.job.job.units
    charged = stretch.weighed.charged_kg + weighing.moved_kg.to_numpy(dtype=float)
    rate = weighing.pace_kg_per_s.to_numpy(dtype=float)
    left = target.mass_kg - charged
    with np.errstate(divide="ignore", invalid="ignore"):
        left_s = np.where(rate > 0.0, np.maximum(left, 0.0) / rate, np.inf)
    share = charged / target.mass_kg
    reached = np.flatnonzero(charged >= target.mass_kg - target.tolerance_kg)
    # the last level and the first of each cylinder so far: what they shake by is no charge
    shakes = weighing.shakes_kg.to_numpy(dtype=float) * np.sqrt(2.0 * np.maximum(weighing.load.to_numpy() + 1, 1))
    unsure = OVER_SURE * shakes + 0.5 * weighing.unseen_so_far_kg.to_numpy(dtype=float)  # as the verdict is unsure
    too_much = charged > target.mass_kg + target.tolerance_kg + unsure
    too_much &= not target.may_be_passed
    over = np.flatnonzero(stayed(seconds(index, stretch.begin), too_much, OVER_STAYS_S))
    near = np.flatnonzero((share >= NEAR_SHARE) | ((left_s <= NEAR_S) & (share >= NEAR_S_FROM)))
    if len(reached):
        near = near[near < reached[0]]
    levels: dict[str, tuple[np.ndarray, Level]] = {
        "charge_near": (near, "info"),
        "charge_reached": (reached, "caution"),
        "charge_over": (over, "alarm"),
    }
    for kind, (rows, level) in levels.items():
        if not len(rows):
            continue
        k = int(rows[0])
        now = Figure(float(charged[k]), "mass")
        figures: dict[str, FigureValue] = {"charged": now, "target": Figure(target.mass_kg, "mass")}
        if np.isfinite(rate[k]):
            figures["rate"] = Figure(float(rate[k]), "mass_rate")
        said = f"{now.show(system, 4)} of {target.said(system)} is in"
        if kind == "charge_near":
            soon = ""
            if np.isfinite(left_s[k]):
                figures["time_left"] = Figure(float(left_s[k]), "minutes")
                soon = f", {about(float(left_s[k]))} left at this rate"
            text = f"{said}{soon}. Slow down, and mind what is still in the hose."
        elif kind == "charge_reached":
            within = Figure(target.tolerance_kg, "mass").show(system)
            text = f"{said}, on target within {within}. Close the cylinder, let the hose empty and the scale settle."
        else:
            beyond = Figure(float(charged[k]) - target.mass_kg, "mass").show(system)
            text = f"{said}: {beyond} too much. Stop; recover what is over."
        yield Finding(index[k], index[k], stretch.stage, kind, level, text, figures)


@dataclass(frozen=True)
class _Seen:
    """What the circuit's pressure shows, by bins: shapes (n,). `liquid`: it may have stood in the circuit by then."""

    fluid: Refrigerant
    bins: Bins
    bubble_k: np.ndarray
    liquid: np.ndarray


def _seen(stretch: Stretch, weighing: Weighing, target: Target | None, fluid: Refrigerant | None) -> _Seen | None:
    """Return what the circuit's pressure shows, None where there is none or its refrigerant is not known."""
    if fluid is None or not stretch.has("circuit_pressure"):
        return None
    bins = bin_medians(stretch, ["circuit_pressure"], BIN_S)
    pressure = bins.medians["circuit_pressure"].to_numpy(dtype=float)
    bubble = np.asarray(fluid.bubble_temperature_k(pressure))
    bubble = np.where(pressure < fluid.range_pa[0], fluid.range_k[0], bubble)
    return _Seen(fluid, bins, bubble, _liquid_may_stand(stretch, weighing, target, fluid, bins.known, pressure))


def _freeze_risk(stretch: Stretch, seen: _Seen) -> Iterator[Finding]:
    """Yield each episode in which saturation is at or under freezing while liquid may stand."""
    fluid, bins, bubble, liquid = seen.fluid, seen.bins, seen.bubble_k, seen.liquid
    system = stretch.job.job.units
    freezes = stretch.job.circuit.freezes_at_k
    barometer = stretch.barometer_pa.to_numpy(dtype=float)
    rows = stretch.frame.index.searchsorted(bins.known)
    seen_at = np.flatnonzero(np.isfinite(bubble))
    cold, clear = (bubble <= freezes) & liquid, bubble > freezes + CLEAR_K
    for nth, begun in episodes(bins.end_s[seen_at], cold[seen_at], clear[seen_at], FREEZE_STAYS_S, CLEAR_S):
        k = seen_at[nth]
        needed = fluid.bubble_pressure_pa(freezes) - float(barometer[rows[k]])
        saturation = Figure(float(bubble[k]), "temperature")
        text = (
            f"The tubes may freeze and burst. Stop the liquid{if_any(stretch)}: it may stand in the circuit, and boils "
            f"at {saturation.show(system)} (bubble point); the water side freezes at "
            f"{Figure(freezes, 'temperature').show(system)}. Charge vapour until the gauge is above "
            f"{Figure(needed, 'gauge_pressure').show(system)}, with the water flowing or drained."
        )
        since = stretch.begin + pd.Timedelta(seconds=begun - BIN_S)
        yield Finding(bins.known[k], since, stretch.stage, "freeze_risk", "alarm", text, {"saturation": saturation})


def _liquid_may_stand(
    stretch: Stretch,
    weighing: Weighing,
    target: Target | None,
    fluid: Refrigerant,
    known: pd.DatetimeIndex,
    pressure_pa: np.ndarray,
) -> np.ndarray:
    """Return at which bins liquid may have stood in the circuit, shape (n,) of bool.

    From the first mark ``liquid_charging``; without it, from when more mass is in than vapour at that pressure can
    fill the circuit with; where nothing tells liquid from vapour, from the first mass.
    """
    rows = stretch.frame.index.searchsorted(known)
    charged = stretch.weighed.charged_kg + weighing.moved_kg.to_numpy(dtype=float)[rows]
    least = np.maximum(SOME_KG, SOME_STEPS * weighing.resolution_kg.to_numpy(dtype=float)[rows])
    by_mark, said_vapor = (
        np.asarray(known >= stretch.marks(subject)["time"].min())  # never where nobody marked it
        for subject in ("liquid_charging", "vapor_charging")
    )
    full = max(0.0 if target is None else target.mass_kg, stretch.job.circuit.charge_kg or 0.0)
    stated = stretch.job.circuit.internal_volume_m3
    if stated is not None or full > 0.0:
        dense = float(fluid.liquid_density(stretch.job.circuit.freezes_at_k))
        room = stated if stated is not None else DENSEST_FILL * full / dense
        dew = np.asarray(fluid.dew_temperature_k(np.maximum(pressure_pa, fluid.range_pa[0])))
        density = np.asarray(fluid.vapor_density_at(pressure_pa, dew))
        vapor = VAPOR_SPARE * room * density
        if stated is None:  # vapour alone takes the same room all along; liquid makes it seem to grow
            filled = np.fmin.accumulate(np.where(charged > least, charged / density, ROOMIEST * room))
            vapor = np.maximum(vapor, VAPOR_SWELLS * filled * density)
        by_mass = charged - vapor > np.maximum(least, LIQUID_SHARE * full)
    else:
        by_mass = (charged > least) & ~said_vapor
    return np.asarray(np.logical_or.accumulate(by_mark | by_mass))


def _verdict(stretch: Stretch, weighing: Weighing, target: Target | None) -> tuple[str, str]:
    system = stretch.job.job.units
    charged = stretch.weighed.charged_kg + weighing.total_kg
    if not np.isfinite(charged):
        why = "The scale showed no cylinder" if stretch.has("cylinder_weight") else "There was no scale"
        return "undecided", f"{why}, so how much went in is not known: weigh the cylinders before and after."
    now = Figure(charged, "mass").show(system, 4)
    if stretch.weighed.charged_kg > 0.0:
        now += f" ({Figure(stretch.weighed.charged_kg, 'mass').show(system, 4)} of it before)"
    if target is None:
        return "undecided", f"{now} went in. The job gives neither a target nor the plate's charge to compare with."
    so_far = f"{now} of {target.said(system)}"
    unknown = _not_known(stretch, weighing, target, charged, so_far)
    if unknown:
        return "undecided", unknown
    apart_kg = abs(charged - target.mass_kg)
    apart = Figure(apart_kg, "mass").show(system)
    if apart_kg <= target.tolerance_kg:
        return "on_target", f"{so_far} is in: on target."
    if charged < target.mass_kg:
        to_go = "to go" if stretch.end is None else "short"
        doubt = _beyond_the_log(stretch, so_far) or _scale_failed(
            stretch, weighing, target, so_far, f"{apart} is {to_go}"
        )
        return ("undecided", doubt) if doubt else ("short", f"{so_far} is in: {apart} {to_go}.")
    if target.may_be_passed:
        return (
            "undecided",
            f"{now} went in, {apart} more than was recovered: a machine that leaked, or was left with vapour in it, "
            "takes more than came out. State [charging] target or the plate's charge to compare with.",
        )
    return "over", f"{so_far} is in: {apart} too much; recover what is over."


def _not_known(stretch: Stretch, weighing: Weighing, target: Target, charged_kg: float, so_far: str) -> str:
    """Return why nobody knows on which side of the target the charge is, and what to do; empty where it is known.

    `so_far` says what was seen to go in, of how much.
    """
    system, weights = stretch.job.job.units, stretch.channel("cylinder_weight")
    rates = weighing.rate_kg_per_s.to_numpy(dtype=float)
    silent = seconds(pd.DatetimeIndex([stretch.frame.index[-1]]), weights.index[-1])[0]
    unseen_kg = silent * abs(float(rates[-1])) if np.isfinite(rates[-1]) else 0.0
    if silent > BLANK_S or (silent > BLANK_LEAST_S and unseen_kg > target.tolerance_kg):
        return f"{so_far} went in up to {weights.index[-1]:%H:%M} UTC, when the scale fell silent: weigh the cylinder."
    before_kg = _before_first_row_kg(stretch, rates)
    low, high = target.mass_kg - target.tolerance_kg, target.mass_kg + target.tolerance_kg
    if before_kg > target.tolerance_kg and low - before_kg <= charged_kg <= high:
        return f"{so_far} went in since the first row, but the charging began before it: weigh the cylinder."
    unsure_kg = weighing.uncertainty_kg
    if charged_kg < -(target.tolerance_kg + unsure_kg):
        gained = Figure(-charged_kg, "mass").show(system, 4)
        return f"The cylinders gained {gained}, which is no charging: check what stands on the scale, and the stage."
    edge_kg = 0.5 * unsure_kg  # the standard deviation, as two of them are told
    if charged_kg < target.mass_kg:
        edge_kg = max(edge_kg, weighing.unseen_kg)  # that may all have gone in
    if abs(abs(charged_kg - target.mass_kg) - target.tolerance_kg) < edge_kg:
        unsure, within = (Figure(kg, "mass").show(system) for kg in (unsure_kg, target.tolerance_kg))
        return (
            f"{so_far} is in, but {UNSURE_SAID} {unsure}, and on target is within {within}: "
            f"{weighing.why_unsure(system)}. Weigh the cylinders, on a finer scale if there is one."
        )
    return ""


def _scale_failed(stretch: Stretch, weighing: Weighing, target: Target, so_far: str, short: str) -> str:
    """Return how the scale seems to have failed where it shows too little, and what to do; empty where it does not.

    `so_far` and `short` say what it showed to go in, and by how much that is too little.
    """
    weights = stretch.channel("cylinder_weight")
    if weights.nunique() == 1 and _filled(stretch):
        return (
            "The scale did not move while the circuit's pressure rose: what went in is not known. Lift the cylinder a "
            "little and see the scale move; weigh the cylinder."
        )
    step_kg = float(weighing.resolution_kg.iloc[-1])
    ended = _ended_in_mid_flow(weights, stretch, step_kg, bare=True)
    if ended is not None:
        return (
            f"The scale fell to nothing in mid flow at {ended:%H:%M} UTC. Up to then {so_far} went in. Nobody said "
            "that the cylinder was taken off: weigh it, and check the scale."
        )
    ended = _ended_in_mid_flow(weights, stretch, step_kg, bare=False)
    if ended is not None:
        return (
            f"The scale stopped in mid flow at {ended:%H:%M} UTC. Up to then {so_far} went in. The scale has not moved "
            f"since. If the cylinder was closed then, {short}. If not, the scale is stuck: lift the cylinder a little "
            "and see the scale move."
        )
    for leapt in np.flatnonzero(np.diff(weights.to_numpy(dtype=float)) < -target.tolerance_kg).tolist():
        ended = _ended_in_mid_flow(weights.iloc[: leapt + 1], stretch, step_kg, bare=False)
        if ended is not None:
            return (
                f"The scale stood still in mid flow at {ended:%H:%M} UTC and fell at once later. Up to then {so_far} "
                "went in. The scale was stuck, or another cylinder stands there: weigh the cylinder."
            )
    return ""


def _filled(stretch: Stretch) -> bool:
    """Return whether the circuit's pressure ended higher by what takes refrigerant."""
    pressure = stretch.channel("circuit_pressure")
    return len(pressure) > 0 and bool(pressure.iloc[-1] - pressure.iloc[0] > FLOW_PA)


def _ended_in_mid_flow(weights: pd.Series, stretch: Stretch, step_kg: float, *, bare: bool) -> pd.Timestamp | None:
    """Return when the weight ended while it fell, None where it did not, or by a hand.

    It ended `bare` when the scale shows nothing to the end: the valve is closed before a cylinder is lifted. Else it
    shows the very same number to the end for so long that a valve which was shut is hardly all that was done.
    """
    shown = weights.to_numpy(dtype=float)
    loaded = np.flatnonzero(np.abs(shown) >= BARE_KG if bare else shown != shown[-1])
    if not len(loaded) or weights.index[-1] - weights.index[loaded[-1]] < (LATELY if bare else STANDS):
        return None
    last = weights.index[loaded[-1]]
    marked = (stretch.marks("cylinder_on", "cylinder_off") if bare else stretch.journal)["time"]
    if ((marked - last).abs() < HAND).any():
        return None
    lately = shown[: loaded[-1] + 1][-max(LATELY_ROWS, int(np.count_nonzero(weights[:last].index >= last - LATELY))) :]
    fell = -np.diff(lately)
    before, after = (float(half.sum()) for half in np.array_split(fell, 2))
    flowed = before + after >= FELL_STEPS * step_kg and after >= 0.5 * before
    in_no_one_fall = fell.max(initial=0.0) < 0.5 * (before + after) + FELL_STEPS * step_kg
    return last if flowed and in_no_one_fall else None


def _before_first_row_kg(stretch: Stretch, rates: np.ndarray) -> float:
    """Return what may have gone in between the stage's begin and its first row, at the first known rate [kg]."""
    late_s = (stretch.frame.index[0] - stretch.begin).total_seconds()
    known = rates[np.isfinite(rates)]
    return late_s * max(float(known[0]), 0.0) if late_s > BLANK_LEAST_S and len(known) else 0.0


def _beyond_the_log(stretch: Stretch, so_far: str) -> str:
    """Return by how much a charging was marked beyond the rows that show it, in words; empty where it was not."""
    first, last = stretch.frame.index[[0, -1]]
    late_s = (first - stretch.begin).total_seconds()
    early_s = 0.0 if stretch.end is None else (stretch.end - last).total_seconds()
    if late_s > BLANK_S and stretch.weighed.before.empty:
        beyond = f"began {duration(late_s)} before its first row"
    elif early_s > BLANK_S and stretch.weighed.after.empty:
        beyond = f"ended {duration(early_s)} after its last row"
    else:
        return ""
    return (
        f"{so_far} went in while the log ran, but the charging {beyond}: weigh the cylinder, and see that log and "
        "journal keep one time."
    )


def _missing(stretch: Stretch, fluid: Refrigerant | None) -> list[str]:
    said = []
    if fluid is None:
        said.append("The job names no refrigerant, so freezing was not watched for.")
    elif not stretch.has("circuit_pressure"):
        said.append("No circuit pressure was logged, so freezing was not watched for.")
    return said


def _figures(
    stretch: Stretch, weighing: Weighing, target: Target | None, fluid: Refrigerant | None, only_vapor: bool
) -> dict[str, FigureValue]:
    charged = weighing.total_kg
    rates = weighing.rate_kg_per_s.to_numpy(dtype=float)
    best = float(np.nanmax(rates)) if np.isfinite(rates).any() else np.nan
    flowed = rates[rates > FLOWING_SHARE * best]
    over = stretch.end is not None and len(flowed) > 0  # the mean while it flowed; else what flows now
    rate = float(flowed.mean()) if over else float(rates[-1]) if len(rates) else np.nan
    wanted = np.nan if target is None else target.mass_kg
    left_kg = wanted - stretch.weighed.charged_kg - charged
    figures: dict[str, FigureValue] = {
        "charged": Figure(charged, "mass"),
        "target": Figure(wanted, "mass"),
        "uncertainty": Figure(weighing.uncertainty_kg, "mass"),
        "rate": Figure(rate, "mass_rate"),
        "remaining": Figure(left_kg, "mass"),
    }
    if stretch.weighed.charged_kg > 0.0:
        figures["charged_before"] = Figure(stretch.weighed.charged_kg, "mass")
    pace = float(weighing.pace_kg_per_s.iloc[-1]) if len(rates) else np.nan
    if target is not None and pace > 0.0 and left_kg > target.tolerance_kg and not only_vapor:  # liquid goes in faster
        least, most = max(left_kg - weighing.uncertainty_kg, 0.0), left_kg + weighing.uncertainty_kg
        figures |= time_left(left_kg / pace, least / pace / SHORTER, most / pace * LONGER)
    if np.isfinite(best):
        figures["best_rate"] = Figure(best, "mass_rate")
    if fluid is not None:
        freezes = stretch.job.circuit.freezes_at_k
        barometer = float(stretch.barometer_pa.iloc[-1]) if len(stretch.barometer_pa) else STANDARD_ATMOSPHERE_PA
        figures["liquid_from"] = Figure(fluid.bubble_pressure_pa(freezes) - barometer, "gauge_pressure")
    return figures


def _traces(stretch: Stretch, weighing: Weighing, fluid: Refrigerant | None) -> dict[str, pd.Series]:
    traces = {"charged": weighing.moved_kg, "rate": weighing.rate_kg_per_s}
    if fluid is not None and stretch.has("circuit_pressure"):
        pressure = stretch.channel("circuit_pressure")
        saturation = np.asarray(fluid.bubble_temperature_k(pressure.to_numpy(dtype=float)))
        traces["saturation"] = pd.Series(saturation, index=pressure.index)
    return traces


def _spans(stretch: Stretch, weighing: Weighing) -> Iterator[Span]:
    end = pd.DatetimeIndex(stretch.frame.index)[-1] if len(stretch.frame) else stretch.begin
    for load in weighing.loads:
        if load.confirmed:
            yield Span("cylinder", load.begin, end if load.end is None else load.end, load.cylinder)
