"""At rest: where each channel stands as a temperature, how it got there, and whether it kept its distance.

What flickers between the steps of a display, and how alike neighbouring minutes err, makes a drift unsure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.bins import bin_medians, median_of, row_medians, running_median
from analysis.fluids import Refrigerant
from analysis.shown import shown
from analysis.stretch import Stretch

TEMPERATURES = (
    "ambient_temperature",
    "surface_temperature",
    "entering_water_temperature",
    "leaving_water_temperature",
    "condenser_entering_temperature",
    "condenser_leaving_temperature",
    "suction_temperature",
    "discharge_temperature",
    "liquid_temperature",
    "oil_temperature",
)
PRESSURES = (
    "circuit_pressure",
    "suction_pressure",
    "discharge_pressure",
    "liquid_pressure",
    "oil_pressure_before_filter",
    "oil_pressure_after_filter",
)
BARE = (
    "ambient_temperature",
    "surface_temperature",
    "condenser_entering_temperature",
    "condenser_leaving_temperature",
    "discharge_temperature",
    "liquid_temperature",
)
"""Two of these warm together are a sunny side, not two bad probes."""
EXPOSED = (*BARE, "suction_temperature")
"""Where the sun reaches: a suction pipe is insulated, so it warms less and later than what is bare."""
BIN_S = 60.0
WINDOW_S = 3_600.0
"""Movement is measured over the last hour, or what there is of it."""
LATELY = (0.5, 0.25)
"""Over such a part of it where it surely moved less in that: it comes to rest."""
LEVEL_BINS = 10
"""A channel's level is the median of its last ten minutes; less than that in all and nothing is said."""
LEAST_S = 480.0
SUNNY_BACK_S = 25_200.0
"""So far is looked back for a distance that is kept: most of the sun's arc. Several that are warm alike lie where they
kept their distance for all of it, and the weather is too calm to make it; before that the sun is likelier."""
SUNNY_PER_H = 0.35
"""What the sun makes drifts by such a part of itself an hour (half a wave of eight hours)."""
EXPOSED_ODDS, SHADED_ODDS, AIR_ODDS = 2.0, 0.25, 4.0
"""A distance is kept when its drift is likelier without the sun by such odds, where the sun reaches and where it hardly
does, and for the air, which without any sun may be warmer than a barrel of water for hours (common practice)."""
SUNNY_MOVES_K, SUNNY_MOVES = 0.5, 0.2
"""It moves in all by no more than this, or such a part of it, and what a step hides."""
RATE_K_PER_H = 0.15
"""What has equalised moves against the rest by about so much. Where more is seen in all together, so much more."""
BOILED_OFF = 0.15
"""Part of the glide by which a blend at rest stands above its bubble point: most of it is liquid."""
UNSEEN_STEP_K = 0.5
"""A reading that never changed may be of an instrument with steps of 1 degF."""
MOST_ALIKE = 0.9
"""At the most so much of an error is that of the minute before."""
SURELY_MOVES = 3.0
"""Standard errors of its drift by which a channel surely moves."""


@dataclass(frozen=True)
class Way:
    """Where channels stand and how they got there: arrays in their order; rates [K/h] and their standard errors.

    `scatters_k` is what each does about its drift, `hidden_k` what the step in which it is shown hides.
    """

    channels: tuple[str, ...]
    levels_k: np.ndarray
    rates: np.ndarray
    errors: np.ndarray
    scatters_k: np.ndarray
    hidden_k: np.ndarray
    begin_s: float


class Ways:
    """The ways of `channels`, minute by minute; none uses a minute after its last.

    Attributes
    ----------
    bins : the minutes. estimates : every channel of theirs as a temperature [K].
    """

    def __init__(self, stretch: Stretch, channels: Sequence[str]) -> None:
        self.fluid = stretch.fluid
        self.bins = bin_medians(stretch, channels, BIN_S)
        self.shown = {channel: shown(stretch, self.bins, channel) for channel in channels}
        means = pd.DataFrame({channel: seen.mean for channel, seen in self.shown.items()})
        temperatures = _as_temperatures(means, self.fluid)
        self.estimates = {str(channel): temperatures[channel].to_numpy(dtype=float) for channel in temperatures}

    def to(self, last: int) -> Way:
        """Return where each channel stands at minute `last` and how it got there, in the hour before."""
        end_s = self.bins.end_s
        first = int(np.searchsorted(end_s, end_s[last] - WINDOW_S, side="right"))
        hours = (end_s[first : last + 1] - end_s[last]) / 3_600.0
        channels: list[str] = []
        rows: list[tuple[float, ...]] = []
        for name in self.estimates:
            values = self.estimates[name][first : last + 1]
            there = ~np.isnan(values)
            if there.sum() < 3 or hours[there][-1] < -LEAST_S / 3_600.0:
                continue
            channels.append(name)
            moves = _drift(hours[there], values[there])
            for part in LATELY:
                late = there & (hours > -part * WINDOW_S / 3_600.0)
                if late.sum() >= LEVEL_BINS:
                    again = _drift(hours[late], values[late])
                    moves = again if abs(again[0]) < abs(moves[0]) - SURELY_MOVES * again[1] else moves
            level_k = median_of(values[there][-LEVEL_BINS:])
            seen = self.shown[name]
            kelvin = 1.0 / self.slope(level_k) if name in PRESSURES else 1.0
            flicker = float(np.nanmean(seen.flicker[first : last + 1])) * kelvin**2
            rows.append((level_k, *moves, float(seen.step[last]) * kelvin, flicker))
        levels, rates, errors, scatters, spans, steps, flickers = np.array(rows).reshape(-1, 7).T
        gauges = np.array([c in PRESSURES for c in channels], dtype=bool)
        for kind in (gauges, ~gauges):  # an instrument that never changed shows no finer steps than its like
            unseen = kind & np.isnan(steps)
            steps[unseen] = float(np.max(steps[kind & ~np.isnan(steps)], initial=0.0)) or UNSEEN_STEP_K
        # where readings flicker between two steps, a mean shows the part between (the first term of Sheppard's series)
        hidden = steps * np.exp(-2.0 * np.pi**2 * flickers / steps**2)
        errors = np.hypot(errors, hidden / 3.0 / spans)  # what moves by less than a third of it may not show
        return Way(tuple(channels), levels, rates, errors, scatters, hidden, float(end_s[first] - BIN_S))

    def kept(self, channel: str, last: int, way: Way, rests_from: int, least_s: float = 0.0) -> bool:
        """Return whether a channel has kept its distance from the others, for `least_s` and more since they rest.

        Where the sun hardly reaches it must not surely have moved, and nothing is asked of the first minutes of a log.
        """
        exposed = channel in EXPOSED
        first = max(rests_from, int(np.searchsorted(self.bins.end_s, self.bins.end_s[last] - SUNNY_BACK_S)))
        minutes = slice(first, last + 1)
        others = np.column_stack([of[minutes] for name, of in self.estimates.items() if name != channel])
        hidden_k = float(way.hidden_k[way.channels.index(channel)])
        apart = self.estimates[channel][minutes] - row_medians(others)
        there = ~np.isnan(apart)
        at_s, apart = self.bins.end_s[first : last + 1][there], apart[there]
        if len(at_s) < 3 or np.ptp(at_s) < least_s - BIN_S:
            return not exposed and rests_from == 0
        slope, error, _, hours = _drift(at_s / 3_600.0, apart)
        levels = running_median(apart, LEVEL_BINS)
        moved, far = float(np.diff(np.quantile(levels, (0.1, 0.9)))[0]), abs(float(levels[-1]))
        unsure = error**2 + (hidden_k / 3.0 / hours) ** 2
        kept, sunny = RATE_K_PER_H**2 + unsure, (SUNNY_PER_H * far) ** 2 + unsure
        odds = np.sqrt(sunny / kept) * np.exp(0.5 * slope**2 * (1.0 / sunny - 1.0 / kept))
        likely = AIR_ODDS if channel == "ambient_temperature" else EXPOSED_ODDS if exposed else SHADED_ODDS
        return bool(odds >= likely and moved <= hidden_k + max(SUNNY_MOVES_K, SUNNY_MOVES * far))

    def pressure_pa(self, level_k: float) -> float:
        """Return the saturation pressure near a temperature, which may lie beyond the refrigerant's table."""
        assert self.fluid is not None
        low_k, high_k = self.fluid.range_k
        return float(self.fluid.bubble_pressure_pa(min(max(level_k, low_k), high_k)))

    def slope(self, level_k: float) -> float:
        """Return by how much saturation pressure rises [Pa/K]."""
        return max(self.pressure_pa(level_k + 0.5) - self.pressure_pa(level_k - 0.5), 100.0)


def _drift(hours: np.ndarray, values: np.ndarray) -> tuple[float, float, float, float]:
    """Return the drift over a window [K/h], its standard error, the scatter about it [K] and how long it was [h].

    Neighbouring minutes err as alike as they show, and as they may yet by the chance of so few.
    """
    count = len(hours)  # sums by ufunc: numpy's own mean takes four times as long on so few
    from_mean = hours - np.add.reduce(hours) / count
    power = float(np.add.reduce(from_mean**2))
    slope = float(from_mean @ values) / power
    left = values - np.add.reduce(values) / count - slope * from_mean
    squares = float(left @ left)
    scatter = float(np.sqrt(squares / count))
    alike = float(left[1:] @ left[:-1]) / squares if squares > 0.0 else 0.0
    alike = min(max(alike, 0.0) + count**-0.5, MOST_ALIKE)
    error = scatter * float(np.sqrt((1.0 + alike) / (1.0 - alike) / power))
    return slope, error, scatter, float(hours[-1] - hours[0])


def _as_temperatures(means: pd.DataFrame, fluid: Refrigerant | None) -> pd.DataFrame:
    estimates = means.copy()
    for channel in PRESSURES:
        if channel in estimates and fluid is not None:
            pressure = estimates[channel].to_numpy(dtype=float)
            bubble, dew = fluid.bubble_temperature_k(pressure), fluid.dew_temperature_k(pressure)
            estimates[channel] = bubble + BOILED_OFF * (dew - bubble)
    return estimates
