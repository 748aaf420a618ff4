"""The readings of a recovery on an even grid of time, with what follows from each reading alone.

Everything here at a tick uses nothing recorded after it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.bins import bin_medians
from analysis.fluids import Refrigerant
from analysis.recovery.hung_gauge import hangs
from analysis.scale import Weighing
from analysis.stretch import Stretch, seconds
from analysis.vocabulary.channels import EVAPORATOR_WATER
from analysis.vocabulary.units import UNITS

WIDTH_S = 10.0
"""Width of a tick: shorter than anything that is judged here, long enough to drop a single wild reading at 1 s."""
STALE_S = 300.0
"""A water temperature or a weight older than this is not used."""
PLATEAU_S = 180.0
"""Without a water temperature the circuit's own steadiest saturation stands for it: highest median of this length."""
DROPPED_K = 3.0
"""Flowing water that boils the last liquid leaves a little colder; what leaves colder by more than this stands."""
HIGHEST_PA = 8e6
"""A circuit pressure above this is no reading: nothing in the trade stands it."""
LEAST_STEP_PA = 0.01 * UNITS["micron"].scale
"""A step smaller than this is arithmetic, not an instrument's."""
NOISE_TICKS = 60
"""An instrument's scatter is the usual one of so many ticks: a valve that opens or a hand on the scale is none."""
EXPANDS, REGAINS_S = 0.06, 240.0
"""Gas left behind cools by this share of the fall of its pressure: half of its gas constant over its heat capacity
(0.10 for R-134a, 0.17 for R-32), the rest comes from the metal round it while it expands. Its surroundings take that
from it in a time like this at the longest; common practice."""
MEDIAN_OF_NORMAL = 0.6745
"""Median of the absolute value of a standard normal variable."""
STANDS = {"recovery_paused": 1.0, "recovery_resumed": 0.0, "cylinder_off": 1.0, "cylinder_on": 0.0}
"""Marks by which the machine stands (1) or pulls (0)."""

Floats = np.ndarray


@dataclass(frozen=True)
class Ticks:
    """One row a tick that has a circuit pressure, which a gauge that hangs in the air does not show.

    Every array has shape (n,).

    Attributes
    ----------
    at_s : end of the tick, seconds since the stage began; `known`: stamp from which it was known.
    pressure_pa : median pressure, absolute; `resolution_pa`: the smallest change that means anything.
    bubble_k, dew_k : saturation temperature at that pressure (NaN without a refrigerant).
    reference_k : what the liquid would be as warm as: the water, else `plateau_k`.
    plateau_k : highest saturation that stood so far.
    density : vapour density at the pressure and the reference temperature [kg/m3].
    expanded : the share by which gas may have become denser than that by cooling as it expanded.
    moved_kg : mass weighed into cylinders so far (NaN without a scale); `mass_resolution_kg` likewise, and
        `unseen_kg`: how unsure it is by what no reading showed.
    barometer_pa : the site's.
    flow : 1 water flows, 0 it does not, by the marks or because it grows cold; NaN where nothing says so.
    marked : 1 paused, 0 running, by the marks; NaN before the first mark. `marked_s`: when the last one was made.
    hung_s : for how long the gauge hung in the air.
    """

    at_s: Floats
    known: pd.DatetimeIndex
    pressure_pa: Floats
    resolution_pa: Floats
    bubble_k: Floats
    dew_k: Floats
    reference_k: Floats
    plateau_k: Floats
    density: Floats
    expanded: Floats
    moved_kg: Floats
    mass_resolution_kg: Floats
    unseen_kg: Floats
    barometer_pa: Floats
    flow: Floats
    marked: Floats
    marked_s: Floats
    water_channel: str | None
    fluid: Refrigerant | None
    hung_s: float = 0.0

    def __len__(self) -> int:
        return len(self.at_s)


def make_ticks(stretch: Stretch, weighing: Weighing | None) -> Ticks:
    """Return the ticks of a recovery; none when there is no circuit pressure."""
    waters = [c for c in EVAPORATOR_WATER if stretch.has(c)]
    water = waters[0] if waters else None
    if "circuit_pressure" not in stretch.frame:
        stretch = replace(stretch, frame=stretch.frame.assign(circuit_pressure=np.nan))
    bins = bin_medians(stretch, ["circuit_pressure", *waters], WIDTH_S)
    pressure = bins.medians["circuit_pressure"].to_numpy(dtype=float)
    good = (pressure > 0.0) & (pressure < HIGHEST_PA)
    at, known, pressure = bins.end_s[good], bins.known[good], pressure[good]
    rows_s = seconds(pd.DatetimeIndex(stretch.frame.index), stretch.begin)
    row = np.searchsorted(rows_s, at, side="right") - 1
    barometer = stretch.barometer_pa.to_numpy(dtype=float)[row]
    moved = unseen = steps = np.full(len(at), np.nan)
    if weighing is not None:
        weighed = weighing.moved_kg.where(stretch.frame["cylinder_weight"].notna())
        moved = _latest(rows_s, weighed.to_numpy(dtype=float), at, STALE_S)
        unseen = weighing.unseen_so_far_kg.to_numpy(dtype=float)[row]
        steps = weighing.resolution_kg.to_numpy(dtype=float)[row]
    marked, marked_s = _marked(stretch, at, STANDS)
    _, resumed_s = _marked(stretch, at, {"recovery_resumed": 0.0})
    hung = hangs(at, pressure, barometer, moved, steps, marked, resumed_s)
    hung_s = float(np.diff(at, prepend=at[:1])[hung].sum())
    at, pressure, barometer, moved, unseen, steps, marked, marked_s = (
        values[~hung] for values in (at, pressure, barometer, moved, unseen, steps, marked, marked_s)
    )
    fluid = stretch.fluid
    unknown = np.full(len(at), np.nan)
    bubble = unknown if fluid is None else np.asarray(fluid.bubble_temperature_k(pressure))
    dew = unknown if fluid is None else np.asarray(fluid.dew_temperature_k(pressure))
    plateau = reference = _plateau(at, bubble)
    if water is not None:
        reading = _latest(bins.end_s, bins.medians[water].to_numpy(dtype=float), at, STALE_S)
        reference = np.where(np.isfinite(reading), reading, plateau)
    flow, _ = _marked(stretch, at, {"water_flow_on": 1.0, "water_flow_off": 0.0})
    leaving, entering = EVAPORATOR_WATER
    if water == leaving:
        chilled = reading
        if entering in bins.medians:
            # what enters colder leaves colder; what leaves warmer than it enters stood in a warm pipe
            enters = _latest(bins.end_s, bins.medians[entering].to_numpy(dtype=float), at, STALE_S)
            chilled = np.where(np.isfinite(enters), np.minimum(reading - enters, 0.0), np.nan)
        flow = np.where(np.isnan(flow) & _dropped(at, chilled), 0.0, flow)
    density = unknown if fluid is None else np.asarray(fluid.vapor_density_at(pressure, np.fmax(reference, dew)))
    return Ticks(
        at_s=at,
        known=known[~hung],
        pressure_pa=pressure,
        # a fall by e in equal times is straight in ln(pressure): what bends there is noise
        resolution_pa=np.maximum(_noise(np.log(pressure), pressure) * 2.0, 0.6 * _quantum(stretch, at)),
        bubble_k=bubble,
        dew_k=dew,
        reference_k=reference,
        plateau_k=plateau,
        density=density,
        expanded=_expanded(at, pressure),
        moved_kg=moved,
        mass_resolution_kg=np.maximum(0.6 * steps, 2.0 * _noise(moved)),
        unseen_kg=unseen,
        barometer_pa=barometer,
        flow=flow,
        marked=marked,
        marked_s=marked_s,
        water_channel=water,
        fluid=fluid,
        hung_s=hung_s,
    )


def _latest(at_s: Floats, values: Floats, wanted_s: Floats, stale_s: float) -> Floats:
    """Return the newest finite value at or before each wanted time, NaN when older than `stale_s`."""
    finite = np.isfinite(values)
    at_s, values = at_s[finite], values[finite]
    if len(at_s) == 0:
        return np.full(len(wanted_s), np.nan)
    i = np.searchsorted(at_s, wanted_s, side="right") - 1
    fresh = (i >= 0) & (wanted_s - at_s[np.maximum(i, 0)] <= stale_s)
    return np.where(fresh, values[np.maximum(i, 0)], np.nan)


def _plateau(at_s: Floats, bubble_k: Floats) -> Floats:
    """Return the highest saturation that stood for `PLATEAU_S` so far, shape (n,)."""
    index = pd.to_timedelta(at_s, unit="s")
    stood = pd.Series(bubble_k, index=index).rolling(f"{PLATEAU_S:.0f}s", min_periods=3).median()
    return np.asarray(stood.cummax().ffill(), dtype=float)


def _expanded(at_s: Floats, pressure_pa: Floats) -> Floats:
    """Return by which share gas is colder than its surroundings for having expanded, shape (n,)."""
    cold = np.zeros(len(at_s))
    kept = 1.0 / (1.0 + np.diff(at_s) / REGAINS_S)
    cools = -EXPANDS * np.diff(np.log(pressure_pa))
    for k in range(len(kept)):
        cold[k + 1] = (cold[k] + cools[k]) * kept[k]
    return np.maximum(cold, 0.0)


def _dropped(at_s: Floats, water_k: Floats) -> np.ndarray:
    """Return where the water has been `DROPPED_K` warmer before, for `PLATEAU_S`, shape (n,) of bool."""
    index = pd.to_timedelta(at_s, unit="s")
    usual = pd.Series(water_k, index=index).rolling(f"{PLATEAU_S:.0f}s", min_periods=3).median()
    return np.asarray(usual.cummax() - usual >= DROPPED_K)


def _noise(values: Floats, per: Floats | float = 1.0) -> Floats:
    """Return the usual scatter of one tick about its neighbours in the last `NOISE_TICKS`, times `per`, shape (n,)."""
    bend = np.zeros(len(values))
    if len(bend) > 2:
        bend[2:] = np.abs(np.diff(values, 2)) / np.sqrt(6.0)
    usual = pd.Series(bend * per).rolling(NOISE_TICKS, min_periods=1).median()
    return np.asarray(usual.ffill(), dtype=float) / MEDIAN_OF_NORMAL


def _quantum(stretch: Stretch, at_s: Floats) -> Floats:
    """Return the smallest step that the gauge has shown so far [Pa], 0 before it moved, shape (n,)."""
    shown = stretch.counted("circuit_pressure")
    at = seconds(pd.DatetimeIndex(stretch.frame.index), stretch.begin)
    finite = np.isfinite(shown)
    at, step = at[finite], np.abs(np.diff(shown[finite], prepend=np.nan))
    smallest = np.minimum.accumulate(np.where(step > LEAST_STEP_PA, step, np.inf))
    return np.asarray(np.nan_to_num(_latest(at, smallest, at_s, np.inf)))


def _marked(stretch: Stretch, at_s: Floats, meaning: dict[str, float]) -> tuple[Floats, Floats]:
    """Return what the newest mark means at each time, and when it was made [s]; NaN before the first, shapes (n,)."""
    marks = stretch.marks(*meaning)
    made_s = seconds(pd.DatetimeIndex(marks["time"]), stretch.begin)
    values = marks["subject"].map(meaning).to_numpy(dtype=float)
    return _latest(made_s, values, at_s, np.inf), _latest(made_s, made_s, at_s, np.inf)
