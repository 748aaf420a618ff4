"""A fault of one channel, and what all looks at the channels share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.bins import median_of
from analysis.result import Figure, FigureValue
from analysis.vocabulary.channels import CIRCUIT_PRESSURES, Column
from analysis.vocabulary.units import Unit, UnitSystem

HOSE, HOSE_SHARE = "circuit_pressure", 0.08
"""The gauge at the service hose falls at once when a pull begins, and rises when something is let in, by what the flow
loses in the hose."""
HOW_IT_STANDS = frozenset({"liquid_remains", "level_not_reached", "level_not_held"})
"""Verdicts on a recovery that the gauge's pressure gives at the moment; what was reached and held stays so."""
COARSE_PA = 6_900.0
"""The step of a gauge that never changed: 1 psi (common practice)."""
AIR_PA = 3.5e3
"""A gauge so near the atmosphere, half a psi, shows nothing but the air (common practice): it came off, or is open."""
EMPTY_PA = 20e3
"""A circuit under less is in a vacuum."""
RESTS_K, RESTS_MINUTES = 1.0, 10
"""At rest a temperature moves by less in so many minutes (common practice)."""
LOADED = 0.05
RUNS, HEATS_K = 1.3, 15.0
"""A compressor that is loaded by more than the first runs, and one that lifts the pressure by the second and sends out
gas or liquid warmer by the third than what it draws (common practice): nitrogen stands at two pressures, too."""


TIMES_LEFT = ("time_left", "hours_more")


def without_times(figures: Mapping[str, FigureValue]) -> dict[str, FigureValue]:
    """Return figures without the time left: by a gauge that is not believed nobody knows it."""
    return {name: figure for name, figure in figures.items() if not name.startswith(TIMES_LEFT)}


@dataclass(frozen=True)
class Fault:
    """Rows with `known_s` <= time < `end_s` are not believed; the fault began at `since_s`."""

    kind: str
    channel: str
    since_s: float
    known_s: float
    end_s: float
    text: str
    offset: Figure | None = None


@dataclass(frozen=True)
class Readings:
    """What a log shows, without the numbers that cannot be, and what was done meanwhile.

    Attributes
    ----------
    at : seconds since the first row, shape (n,).
    values : each channel, shape (n,), NaN where nothing was read.
    columns : how each channel is logged.
    minutes : medians of whole minutes, one column for each temperature and pressure.
    minute_end_s : when each of these minutes ended.
    barometer_pa : atmosphere of each row.
    system : the units in which faults are told.
    never : which rows of a channel cannot be, for the channels that have any, shape (n,) of bool.
    stages_s : the stages that the journal names, begin and end of each.
    marks_s : when something was marked, shape (marks,).
    """

    at: np.ndarray
    values: dict[str, np.ndarray]
    columns: Mapping[str, Column]
    minutes: pd.DataFrame
    minute_end_s: np.ndarray
    barometer_pa: np.ndarray
    system: UnitSystem
    never: Mapping[str, np.ndarray]
    stages_s: tuple[tuple[str, float, float], ...]
    marks_s: np.ndarray

    def unit(self, channel: str) -> Unit:
        """Return the unit that a channel is labelled with."""
        return self.columns[channel].unit

    def dimension(self, channel: str) -> str:
        """Return what a channel measures."""
        return self.unit(channel).dimension

    def cannot_be(self, channel: str) -> np.ndarray:
        """Return in which rows a channel showed what cannot be, shape (n,) of bool."""
        return self.never.get(channel, np.zeros(len(self.at), dtype=bool))

    def others(self, channel: str, dimension: str) -> list[str]:
        """Return the channels that measure such a thing, but for one."""
        return [c for c in self.values if c != channel and self.dimension(c) == dimension]

    def other_gauges(self, channel: str) -> list[str]:
        """Return the gauges on the circuit, but for one."""
        return [c for c in CIRCUIT_PRESSURES if c != channel and c in self.values]

    def by_minute(self, channel: str) -> np.ndarray:
        """Return the medians of a channel, shape (minutes,)."""
        return self.minutes[channel].to_numpy(dtype=float)

    def side_by_side(self, channels: Sequence[str]) -> np.ndarray:
        """Return the medians of some channels, shape (minutes, channels)."""
        return np.column_stack([self.by_minute(channel) for channel in channels])

    @cached_property
    def minute_barometer_pa(self) -> np.ndarray:
        """The atmosphere when each minute was known, shape (minutes,)."""
        return np.asarray(self.barometer_pa[np.searchsorted(self.at, self.minute_end_s)])

    def known_s(self, minute: int) -> float:
        """Return when a minute was known [s]: at the first row after it."""
        return float(self.at[np.searchsorted(self.at, self.minute_end_s[minute])])

    def as_minutes_ended(self, of_row: np.ndarray) -> np.ndarray:
        """Return what stood in the last row of each minute, shape (minutes,)."""
        return np.asarray(of_row[np.maximum(np.searchsorted(self.at, self.minute_end_s) - 1, 0)])

    def of(self, channel: str) -> tuple[np.ndarray, np.ndarray]:
        """Return times [s] and readings [SI] of a channel without the blanks, each shape (m,)."""
        values = self.values[channel]
        there = ~np.isnan(values)
        return (self.at, values) if there.all() else (self.at[there], values[there])

    def shown(self, channel: str) -> tuple[np.ndarray, np.ndarray]:
        """Return times [s] and readings as they were shown, each shape (m,)."""
        times, values = self.of(channel)
        return times, self.as_shown(channel, values)

    def as_shown(self, channel: str, values: np.ndarray) -> np.ndarray:
        """Return a channel's readings without the blanks as they were shown: a gauge's less the barometer, to 0.01 Pa.

        What is as long as the log is not held twice.
        """
        if not self.unit(channel).from_barometer:
            return values
        whole = len(values) == len(self.at)
        shown = values - (self.barometer_pa if whole else self.barometer_pa[~np.isnan(self.values[channel])])
        return np.asarray(np.round(shown, 2, out=shown))

    def without(self, faults: Iterable[Fault]) -> Readings:
        """Return the same with the minutes blank that these faults spoilt."""
        minutes = self.minutes
        for fault in faults:
            if fault.channel in minutes:
                spoilt = (self.minute_end_s >= fault.since_s) & (self.minute_end_s < fault.end_s)
                minutes = minutes.assign(**{fault.channel: minutes[fault.channel].mask(spoilt)})
        return replace(self, minutes=minutes)

    def left_out(self, faults: Iterable[Fault]) -> Readings:
        """Return the same with the minutes blank in which these faults were known and stood."""
        return self.without([replace(fault, since_s=fault.known_s) for fault in faults])

    def within(self, *stages: str, first: float = np.inf) -> np.ndarray:
        """Return which minutes lie in such stages of the journal, or in the `first` minutes of them."""
        within = np.zeros(len(self.minute_end_s), dtype=bool)
        for stage, begin, end in self.stages_s:
            if stage in stages:
                within |= (self.minute_end_s > begin) & (self.minute_end_s <= min(end, begin + 60.0 * first))
        return within

    def comes_to_rest(self, channel: str) -> np.ndarray:
        """Return in which minutes of a rest a thermometer still goes on as pipes and barrels do after a stop."""
        moved = self.minutes[channel].diff(RESTS_MINUTES).abs().to_numpy()
        return np.asarray(self.within("at_rest") & (moved > RESTS_K))

    def running(self) -> np.ndarray:
        """Return which minutes the machine runs in: those of a start-up by the journal, and before the journal speaks
        those in which the compressor is loaded or, where no load is read, lifts the pressure and heats the gas."""
        if "compressor_load" in self.values:
            turns = self.as_minutes_ended(self.values["compressor_load"]) > LOADED
        elif {"suction_pressure", "discharge_pressure", "suction_temperature"} <= set(self.minutes):
            low, high, cold = map(self.by_minute, ("suction_pressure", "discharge_pressure", "suction_temperature"))
            warm = self.minutes[[c for c in ("discharge_temperature", "liquid_temperature") if c in self.minutes]]
            turns = (high > RUNS * low) & (warm.max(axis=1).to_numpy() > cold + HEATS_K)
        else:
            turns = np.zeros(len(self.minutes), dtype=bool)
        return np.asarray(self.within("startup") | (self.unsaid() & turns))

    def unsaid(self) -> np.ndarray:
        """Return the minutes before the first stage of the journal: nothing says what is done."""
        return self.minute_end_s <= min((begin for _, begin, _ in self.stages_s), default=np.inf)

    def at_stage(self, begin_s: float, end_s: float, *stages: str) -> bool:
        """Return whether one of such stages of the journal ran from one moment to the other."""
        return any(stage in stages and since <= begin_s and end_s <= until for stage, since, until in self.stages_s)

    def open_or_empty(self, pascal: float, at_s: float, near_pa: float) -> bool:
        """Return whether a gauge that shows this hangs in the open, or on a circuit in a vacuum."""
        return pascal < EMPTY_PA or abs(pascal - self.atmosphere_pa(at_s)) < near_pa

    def atmosphere_pa(self, at_s: float) -> float:
        """Return the site's pressure [Pa] at a row, absolute."""
        return float(self.barometer_pa[int(np.searchsorted(self.at, at_s))])

    def against_the_flow(self, pascal: float, begin_s: float, end_s: float) -> bool:
        """Return whether the hose shows more than the circuit that it draws from, or less than one that it fills."""
        first, last = np.searchsorted(self.at, (begin_s, end_s + 1e-6)).tolist()
        others = [median_of(self.values[c][first:last]) for c in self.other_gauges(HOSE)]
        above = [pascal / other - 1.0 for other in others if not np.isnan(other)]
        if self.at_stage(begin_s, end_s, "recovery"):
            return min(above, default=0.0) > HOSE_SHARE
        return self.at_stage(begin_s, end_s, "charging") and max(above, default=0.0) < -HOSE_SHARE

    def lagged(self, channel: str, moment_s: float, lag_s: float) -> float:
        """Return the mean of a channel's minutes in the time before a moment; NaN where less than half was read."""
        column = self._between(channel, moment_s - lag_s, moment_s)
        return float(np.mean(column)) if len(column) >= lag_s / 120.0 else np.nan

    def move(self, channel: str, begin_s: float, end_s: float) -> float:
        """Return how far a channel went between two moments, by its minutes; NaN where it was not read."""
        column = self._between(channel, begin_s, end_s)
        return median_of(column[-3:]) - median_of(column[:3]) if len(column) >= 4 else np.nan

    def leap(self, channel: str, begin_s: float, end_s: float) -> float:
        """Return the largest step of a channel [SI] between two moments; a minute may hold both sides of it."""
        column = self._between(channel, begin_s, end_s)
        return float(np.max(np.abs(column[2:] - column[:-2]), initial=0.0))

    def reach(self, channel: str, begin_s: float, end_s: float) -> float:
        """Return between which minutes a channel went to and fro between two moments; NaN where it was not read."""
        column = self._between(channel, begin_s, end_s)
        return float(np.max(column) - np.min(column)) if len(column) else np.nan

    def _between(self, channel: str, begin_s: float, end_s: float) -> np.ndarray:
        """Return a channel's minutes between two moments, without those in which it was not read."""
        first, last = np.searchsorted(self.minute_end_s, (begin_s + 1e-6, end_s + 1e-6))
        column = self.minutes[channel].to_numpy()[first:last]
        return np.asarray(column[~np.isnan(column)])
