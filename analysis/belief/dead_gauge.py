"""A standing gauge proves nothing by standing still: tight is said of the time in which it was seen to live."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.belief.fault import HOSE, without_times
from analysis.bins import Runs
from analysis.result import Assessment, Finding
from analysis.stretch import Stretch

STILL_S = 1_800.0
"""One and the same number for half an hour to the end, or for half of the stage, may be a dead gauge's."""
STILL_PART = 0.5
LEAST_ALIVE = 2.0 / 3.0
"""So much of the test must lie before it stood still for the rest to be judged alone (common practice)."""


def while_alive(
    stretch: Stretch, found: Assessment, doubts: Sequence[Finding], judge: Callable[[Stretch], Assessment]
) -> Assessment:
    """Return the assessment of a standing test without the readings of a gauge that was stuck, or may have been.

    A gauge named stuck is left out from the moment since which it was, and tight is not said while it is. One that
    merely stands still is honest or dead: it is tight when that is a small part, and the rest alone is tight too.
    """
    if not stretch.has(HOSE):
        return found
    last = stretch.frame.index[-1]
    named = [
        doubt
        for doubt in doubts
        if doubt.kind == "channel_stuck" and doubt.figures["channel"] == HOSE
        and doubt.since <= last and doubt.time >= stretch.begin
    ]  # fmt: skip
    if not named and found.verdict != "tight":
        return found
    stood = _stood(stretch)
    left_out = [(doubt.since, doubt.time) for doubt in named] + stood
    if not left_out:
        return found
    shown = stretch.frame[HOSE].copy()
    for begin, end in left_out:
        shown[(shown.index > begin) & (shown.index <= end)] = np.nan
    rest = judge(replace(stretch, frame=stretch.frame.assign(**{HOSE: shown})))
    lasts = [doubt for doubt in named if not shown[shown.index > doubt.time].notna().any()]
    if rest.verdict == "tight" and not lasts and (named or _mostly_alive(stretch, stood)):
        return rest if named else found
    if rest.verdict == "leaking" and named:
        return rest
    if named:
        why = f"The gauge was stuck from {named[0].since:%H:%M} UTC and is not judged: mend it and go on testing."
    else:
        why = (
            f"The gauge has shown one and the same number since {stood[0][0]:%H:%M} UTC: steady pressure and a dead"
            " gauge look alike. Let it move, by a little nitrogen or a finer gauge, and go on."
        )
    before = f" Before: {rest.text}" if rest.figures else ""
    text = f"Cannot tell: not tight by this gauge alone. {why}{before}"
    return replace(rest, verdict="undecided", text=text, figures=without_times(rest.figures))


def _mostly_alive(stretch: Stretch, stood: Sequence[tuple[pd.Timestamp, pd.Timestamp]]) -> bool:
    still_s = sum((end - begin) / pd.Timedelta(seconds=1) for begin, end in stood)
    whole_s = (stretch.frame.index[-1] - stretch.frame.index[0]) / pd.Timedelta(seconds=1)
    return bool(still_s <= (1.0 - LEAST_ALIVE) * whole_s)


def _stood(stretch: Stretch) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """Return when the gauge stood at one number for long: first and last reading of each such time."""
    index = pd.DatetimeIndex(stretch.channel(HOSE).index)
    values = stretch.counted(HOSE)
    values = values[~np.isnan(values)]
    if stretch.columns[HOSE].unit.from_barometer:
        values = np.round(values, 2)
    runs = Runs(values)
    starts, ends = runs.first, runs.first + runs.count - 1
    lasted = np.asarray((index[ends] - index[starts]) / pd.Timedelta(seconds=1), dtype=float)
    whole = (index[-1] - index[0]) / pd.Timedelta(seconds=1)
    long = (lasted >= STILL_S) & ((ends == len(values) - 1) | (lasted >= STILL_PART * whole))
    return [(index[a], index[b]) for a, b in zip(starts[long], ends[long], strict=True)]
