"""Whether the required level was reached, and whether it held."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.recovery.calls import FLAT_S, minute_median, rise_of
from analysis.recovery.findings import Maker
from analysis.recovery.pauses import Pause
from analysis.recovery.required_level import RequiredLevel
from analysis.recovery.shut_gauge import Leap, leap_after
from analysis.recovery.ticks import STANDS, Ticks
from analysis.result import Figure, Finding
from analysis.stretch import first_from, moments, seconds
from analysis.vocabulary.text import duration
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, Pressure

FIRST_COME = "Local codes and the licensed technician come first."
REACHED_STAYS_S = 60.0
COARSE, MEAN_S, MEAN_TICKS = 0.05, 300.0, 15
"""A gauge whose smallest change is this share of the level or more flickers to both sides of it: the mean counts, over
this time and of so many ticks at the least."""


@dataclass(frozen=True)
class LevelState:
    """What became of the level that is `required`: when it was reached, and whether the last long pause held it.

    `under`: the pressure stands under it now. `left_s`: how long the present pause, which has held it so far, has to
    stand yet; None where there is none. `leaps`: to over it, after pauses that held it by a hose that was shut.
    """

    required: RequiredLevel
    reached: int | None = None
    held: bool | None = None
    findings: tuple[Finding, ...] = ()
    left_s: float | None = None
    under: bool = False
    leaps: tuple[Leap, ...] = ()


def absolute_pa(ticks: Ticks, level: Pressure | None) -> float | None:
    """Return a level at the last barometer [Pa], None for none."""
    if level is None:
        return None
    return level.absolute_pa(float(ticks.barometer_pa[-1]) if len(ticks) else STANDARD_ATMOSPHERE_PA)


def level_findings(make: Maker, required: RequiredLevel, pauses: list[Pause], shown: np.ndarray) -> LevelState:
    """Return whether the required level was reached and held, with the findings, by ticks at which it is `shown`."""
    ticks = make.ticks
    if required.level is None or len(ticks) == 0:
        return LevelState(required)
    absolute = required.level.absolute
    level = np.full(len(ticks), required.level.pa) if absolute else required.level.pa + ticks.barometer_pa
    under = (ticks.pressure_pa <= level) & shown
    broken = np.maximum.accumulate(np.where(under, -np.inf, ticks.at_s))
    begin = np.maximum(broken, ticks.at_s[0] - 10.0)
    hit = np.flatnonzero(ticks.at_s - begin >= REACHED_STAYS_S)
    if not len(hit):
        return LevelState(required, under=bool(under[-1]))
    first = int(hit[0])
    of_level = make.show(float(level[first]), "pressure", 3)
    source = required.rules.title
    figures = {
        "required_level": Figure(float(level[first]), "pressure"),
        "pressure": Figure(float(ticks.pressure_pa[first]), "pressure"),
    }
    text = (
        f"The required level of {of_level} ({source}) is reached. Stop the machine and watch for "
        f"{duration(required.hold_s)} that it does not come back. {FIRST_COME}"
    )
    found = [make(first, float(begin[first]), "required_level_reached", "info", text, **figures)]
    held: bool | None = None
    left_s: float | None = None
    told = False
    leaps: list[Leap] = []
    seen_s = moments(make.stretch)
    for pause in pauses:
        if pause.base is None or pause.last < first:
            continue
        k = np.arange(pause.base, pause.last + 1)
        high = _shown(ticks, k, level) > level[k] * (1.0 + required.hold_within)
        stood = _stood(make, pause, required.hold_s, seen_s, max(first, pause.base))
        if stood is None:
            if not pause.over and not high.any():
                left_s = max(0.0, float(pause.begin_s + required.hold_s - ticks.at_s[-1]))
            continue
        j, told_s = stood
        held = not bool(high.any())
        leap = leap_after(ticks, pause, j) if held else None
        if leap is not None and ticks.pressure_pa[leap.tick] > level[leap.tick] * (1.0 + required.hold_within):
            held = None
            leaps.append(leap)
        if not told and not high[: j - pause.base + 1].any():
            told = True
            text = (
                f"The level stood for {duration(required.hold_s)}: {make.pressure(ticks.pressure_pa[j])} against "
                f"the required {of_level} ({source}). {FIRST_COME}"
            )
            figures = {
                "required_level": Figure(float(level[j]), "pressure"),
                "pressure": Figure(float(ticks.pressure_pa[j]), "pressure"),
            }
            finding = make(j, pause.begin_s, "required_level_held", "info", text, **figures)
            found.append(replace(finding, time=make.stretch.begin + pd.Timedelta(seconds=told_s)))
    # a slow return that a coarse gauge does not show as a pause: nothing but a return stands over the level so long
    over = minute_median(ticks.pressure_pa) > level * (1.0 + required.hold_within) + 2.0 * ticks.resolution_pa
    under_at = ticks.at_s[~over]
    if len(under_at) and over[-1] and ticks.at_s[-1] - under_at[-1] >= required.hold_s and under_at[-1] >= begin[first]:
        held = False
    return LevelState(required, first, held, tuple(found), left_s, bool(under[-1]), tuple(leaps))


def _shown(ticks: Ticks, k: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Return the pressure in the ticks `k` of a pause [Pa], without the flicker of the gauge, shape (len(k),)."""
    shown, coarse = minute_median(ticks.pressure_pa[k]), ticks.resolution_pa[k] >= COARSE * level[k]
    if not coarse.any():
        return shown
    pressure = pd.Series(ticks.pressure_pa[k], index=pd.to_timedelta(ticks.at_s[k], unit="s"))
    mean = pressure.rolling(f"{MEAN_S:.0f}s", min_periods=MEAN_TICKS).mean().to_numpy(dtype=float)
    # the mean of a pressure that surely rises lags by half of its time
    rise, unsure = rise_of(ticks, k)
    surely = np.maximum(np.nan_to_num(rise - unsure), 0.0) * ticks.pressure_pa[k[0]] / FLAT_S
    mean = mean + surely * np.minimum(ticks.at_s[k] - ticks.at_s[k[0]], MEAN_S) / 2.0
    return np.where(coarse, mean, shown)


def _stood(make: Maker, pause: Pause, hold_s: float, seen_s: np.ndarray, first: int) -> tuple[int, float] | None:
    """Return the newest tick, `first` or later, at the moment of `seen_s` by which a pause had stood for `hold_s`.

    And that moment; None where it did not stand for so long.
    """
    ticks = make.ticks
    known_s = seconds(ticks.known, make.stretch.begin)
    over_s = pause.begin_s + hold_s
    told_s = first_from(seen_s, max(over_s, known_s[first]))
    if told_s == np.inf:
        return None
    pulls = [subject for subject, stands in STANDS.items() if not stands]
    resumed = seconds(pd.DatetimeIndex(make.stretch.marks(*pulls)["time"]), make.stretch.begin)
    broken = ((resumed > pause.begin_s) & (resumed < over_s)).any()
    if broken or (pause.over and known_s[pause.last + 1] <= told_s and ticks.at_s[pause.last + 1] < over_s):
        return None
    return min(int(np.searchsorted(known_s, told_s, side="right")) - 1, pause.last), told_s
