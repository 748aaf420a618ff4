"""A verdict is that of the readings that are believed: those that a fault spoilt before it was known count no more.

Findings are not unmade by that: they were told by what was known at their time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.belief.fault import EMPTY_PA, HOSE, HOW_IT_STANDS, without_times
from analysis.belief.lost import stages_of
from analysis.result import Assessment, Figure, Finding
from analysis.stretch import Stretch
from analysis.vocabulary.text import words

STANDS_ON = {
    "suction_superheat": {"suction_pressure", "suction_temperature"},
    "discharge_superheat": {"discharge_pressure", "discharge_temperature"},
    "subcooling": {"liquid_pressure", "discharge_pressure", "liquid_temperature"},
    "evaporator_approach": {"suction_pressure", "leaving_water_temperature"},
    "condenser_approach": {"discharge_pressure", "condenser_leaving_temperature"},
    "oil_filter_drop": {"oil_pressure_before_filter", "oil_pressure_after_filter"},
}
"""The channels of each figure of a running circuit."""
BY_PRESSURE = {"lowest_pressure": "pressure", "vapor_left": "mass"}
"""Figures of a recovery that its gauge gives, and what they are."""


def without_spoilt(stretch: Stretch, doubts: Sequence[Finding]) -> Stretch:
    """Return the stretch without what its channels showed since a fault began and before it was known."""
    frame = stretch.frame
    for doubt in doubts:
        channel = str(doubt.figures["channel"])
        if channel in frame and stretch.stage in stages_of(channel):
            # what fell silent did so after a sound reading
            first = frame.index.searchsorted(doubt.since, "right" if doubt.kind == "channel_lost" else "left")
            spoilt = slice(first, frame.index.searchsorted(doubt.time))
            if frame[channel].iloc[spoilt].notna().any():
                values = frame[channel].to_numpy(dtype=float, copy=True)
                values[spoilt] = np.nan
                frame = frame.assign(**{channel: values})
    return stretch if frame is stretch.frame else replace(stretch, frame=frame)


def seen_to_the_end(
    stretch: Stretch, found: Assessment, doubts: Sequence[Finding], below_zero: pd.DatetimeIndex
) -> Assessment:
    """Return the assessment of a recovery, undecided where its gauge failed before and so nothing says how it stands.

    Of such a gauge the channels' doubts tell, and what the recovery itself found. A scale that falls silent is told
    where it is weighed. A start-up is not steady, in or out of limits, by the figures that are left where one with a
    limit failed. `below_zero` is when the gauge showed less than a vacuum.
    """
    if found.verdict.startswith("steady"):
        return _with_every_figure(stretch, found, doubts)
    if stretch.stage != "recovery" or not len(stretch.frame):
        return found
    for doubt in (*doubts, *found.findings):
        if doubt.figures.get("channel") != HOSE or not stretch.begin <= doubt.time <= stretch.frame.index[-1]:
            continue
        if _came_down_below(stretch, doubt, below_zero):
            why = (
                f"Cannot tell how it stands: {words(HOSE)} came down below absolute zero at {doubt.since:%H:%M} UTC, "
                "so it was too low before as well. Is its column gauge or absolute? Look at another gauge."
            )
            unknown = {name: Figure(np.nan, kind) for name, kind in BY_PRESSURE.items()}
            figures = without_times({**found.figures, **unknown})
            return replace(found, verdict="undecided", text=f"{why} It seemed to say: {found.text}", figures=figures)
        if found.verdict in {*HOW_IT_STANDS, "undecided"} and _shows_nothing_since(stretch, doubt):
            why = (
                f"Cannot tell how it stands: {words(HOSE)} is not believed since {doubt.since:%H:%M} UTC. Tap the "
                "gauge, or hold another beside it."
            )
            figures = without_times(found.figures)
            return replace(found, verdict="undecided", text=f"{why} Before: {found.text}", figures=figures)
    return found


def _shows_nothing_since(stretch: Stretch, doubt: Finding) -> bool:
    """Return whether the gauge of a recovery shows nothing since it failed, or but the number at which it is stuck."""
    shown = pd.Series(stretch.counted(HOSE), index=stretch.frame.index).round(2).dropna()
    since = shown.loc[doubt.time :]
    if doubt.kind == "channel_stuck":
        since = since[since != shown.asof(doubt.time)]
    return since.empty


def _came_down_below(stretch: Stretch, doubt: Finding, below_zero: pd.DatetimeIndex) -> bool:
    """Return whether the gauge of a recovery came to less than nothing by a vacuum: what leaps there broke then."""
    before = stretch.frame.loc[: doubt.since, HOSE].dropna()
    shown = ((below_zero >= doubt.since) & (below_zero <= doubt.time)).any()
    return bool(shown and len(before) and before.iloc[-1] < EMPTY_PA)


def _with_every_figure(stretch: Stretch, found: Assessment, doubts: Sequence[Finding]) -> Assessment:
    last = stretch.frame.index[-1]
    failed = {str(doubt.figures["channel"]) for doubt in doubts if stretch.begin <= doubt.time <= last}
    for name in sorted(set(stretch.job.startup.limits) & set(STANDS_ON)):
        figure = found.figures.get(name)
        lacks = not isinstance(figure, Figure) or figure.si != figure.si
        if lacks and (channels := failed & STANDS_ON[name]):
            why = f"Cannot tell: {', '.join(map(words, sorted(channels)))} is not believed, and so not {words(name)}."
            return replace(found, verdict="never_steady", text=f"{why} The rest: {found.text}")
    return found
