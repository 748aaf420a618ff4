"""The apparent volume: mass weighed over density lost while the pressure falls, and what follows from it.

While no liquid boils it is the circuit's volume; while liquid boils it is larger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.recovery.ticks import Ticks

MEAN_S = 40.0
"""Mass and density are means of this time: both lag alike, and errors become fewer."""
WINDOWS = (0.12, 0.25, 0.5, 1.0)
"""Falls of ln(density) over which the apparent volume is taken."""
TIGHT, SAME = 0.35, 0.1
"""An apparent volume is known when its bounds are this close; it has grown when it grew by more than this share."""
SLOWEST_S = 10_000.0
"""Without a scale: slower than this, in seconds for a fall by e, is no vapour-only fall worth the name."""

Floats = np.ndarray


@dataclass(frozen=True)
class Span:
    """Apparent volume [m3] over a fall of density: bounds, middle, that of the fall before; first tick, time, loss."""

    low: Floats
    middle: Floats
    high: Floats
    earlier: Floats
    begin: np.ndarray
    seconds: Floats
    lost: Floats
    ratio: Floats


def spans_of(ticks: Ticks, part: slice) -> list[Span]:
    """Return the apparent volume over each of `WINDOWS` at every tick of a part, arrays of shape (m,)."""
    at = ticks.at_s[part]
    rolled = pd.DataFrame(
        {"density": ticks.density[part], "moved": ticks.moved_kg[part]}, index=pd.to_timedelta(at, unit="s")
    ).rolling(f"{MEAN_S:.0f}s")
    means, fewer = rolled.mean(), np.sqrt(rolled["density"].count().to_numpy(dtype=float).clip(min=1.0))
    density, moved = means["density"].to_numpy(dtype=float), means["moved"].to_numpy(dtype=float)
    lowest = np.minimum.accumulate(np.where(np.isfinite(density), density, np.inf))
    blur = 2.0 * ticks.resolution_pa[part] / ticks.pressure_pa[part] * density / fewer
    error = 2.0 * ticks.mass_resolution_kg[part] / fewer
    spans = []
    for window in WINDOWS:
        j = np.searchsorted(-lowest, -density * np.exp(window), side="right") - 1
        there = (j >= 0) & np.isfinite(density)
        j = np.maximum(j, 0)
        lost, gained = density[j] - density, moved - moved[j]
        with np.errstate(divide="ignore", invalid="ignore"):
            low = np.where(there, np.maximum(gained - error, 0.0) / (lost + blur), np.nan)
            high = np.where(there & (lost > blur), (gained + error) / (lost - blur), np.nan)
            middle = np.where(there, gained / lost, np.nan)
            seconds = np.where(there, at - at[j], np.nan)
            ratio = np.where(there, density[j] / density, np.nan)
        spans.append(Span(low, middle, high, np.where(there, middle[j], np.nan), part.start + j, seconds, lost, ratio))
    return spans


def flashed_share(ticks: Ticks, begin: np.ndarray, part: slice) -> Floats:
    """Return the share of standing liquid that boils as saturation falls from that at ticks `begin`, shape (m,)."""
    if ticks.fluid is None:
        return np.full(len(begin), np.nan)
    kelvin = ticks.bubble_k[part]
    cooling = np.asarray(ticks.fluid.liquid_heat_capacity(kelvin)) / np.asarray(
        ticks.fluid.latent_heat_j_per_kg(kelvin)
    )
    return np.asarray(np.maximum(ticks.bubble_k[begin] - kelvin, 0.0) * cooling)


def no_more(span: Span, before: float) -> tuple[np.ndarray, float]:
    """Return where the apparent volume has not grown, and the least so far, which was `before`.

    What boils slowly is a growing share as the pressure falls.
    """
    known = (span.low > 0.0) & (span.high - span.low <= TIGHT * span.middle)
    least = np.minimum(np.fmin.accumulate(np.where(known, span.middle, np.inf)), before)
    return np.asarray(known & (span.middle <= (1.0 + SAME) * least)), float(least[-1])


def steady_fall(span: list[Span]) -> np.ndarray:
    """Return where the pressure falls like vapour alone: quick enough, and not slower than a while ago."""
    pace = span[0].seconds / np.log(span[0].ratio)
    longer = span[1].seconds / np.log(span[1].ratio)
    return np.asarray((pace < SLOWEST_S) & (pace <= 1.25 * longer))
