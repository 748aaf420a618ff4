"""How long an instrument that changed so may show one and the same number, infinite where it may for ever.

Noise cannot vanish, a walk and a rise do not end at full pace.
"""

from __future__ import annotations

import numpy as np
from scipy.special import erf

from analysis.bins import median_of
from analysis.waits import slowed

STUCK_S, STUCK_READINGS = 600.0, 20
"""What has shown one number for less, or in fewer readings, is not looked at."""
CHANGES = 40
"""So many changes just before tell whether the readings are restless."""
OFTEN = 0.3
"""So large a share of the readings differs from the one before: noise, not a slow walk from step to step."""
BY_CHANCE = 1e-6
"""Restless readings stand still by chance no more often than this: the noisier they were, the sooner it is none."""
SWING_STEPS, SWINGS = 1.6, 4
"""Readings that flicker about one edge of the display swing by one step. Noise that swings by more four times in forty
changes is a third of a step at least, and moves the display wherever it stands."""
LEAST_NOISE = 1.0 / 3.0
"""[steps] Noise that swings so is no less."""
UNSURE = 2.0
"""Second differences of n readings tell white noise to one part in the square root of n: it may be less by so many."""
LEAPS = 4.0
"""A bend by so many usual ones is none of the noise."""
NEAR_SCATTERS = 3.0
WALK_STEPS, WALKS, WALK_STILL = 2.0, 6, 6.0
"""A reading on its way takes some time for each two steps. Where it turns, as a parabola does, it stands for less than
four times the longest of the last ones: six are asked for, and not where the last took longer, coming to rest."""
LEAPT_S, LEAPT_CHANGES = 1_200.0, 200
"""A valve takes a probe down in one leap, but to no number that it keeps for so long (common practice). So many of its
last numbers tell the step of its display, which shows as many digits further up."""
LEAST_DIGIT = 1e-6
ENDS_SHARE = 0.9
"""What stands over such a part of the most that it showed may be at its end."""
FOURTH = 70.0
"""Fourth differences of noise have so many times its variance."""
SAME_STEPS, FAR_OFF = 0.3, 3.0
"""The least step lately, not far from the level, is the display's, in whatever unit it counts; a coarser one where the
next number up or down is further off than three of them, as behind a power of ten."""
STOOD_TIMES = 2.0
"""What stood still between its last changes may stand twice as long: what a machine that cycles moves comes to rest
where that pauses, and is no noise."""
RESTLESS = 0.7
"""[steps] What the display rounds off alone is 0.3, and flicker between two numbers 0.5."""
RISE_S, RISE_CHANGES, RISE_STEPS, RISE_LATE = 900.0, 10, 10.0, 0.5
"""A closed circuit's rise slows down before it ends: one that kept half of its pace has stopped dead when it stands
still for as long as ten steps of the display, or of its noise, took."""


def patience_of_noise(times: np.ndarray, values: np.ndarray, changes: np.ndarray) -> float:
    """Return how long readings that changed so may stand still [s], infinite unless they were restless.

    Restless: about a straight line through them they swing to and fro by more than flicker about one edge of the
    display can, and the number that stands lies near it: what came to rest somewhere else has changed its state.
    Readings that change less often than such noise does are not independent: fewer count.
    """
    lately = changes[-CHANGES - 1 :]
    if not _often(lately):
        return np.inf
    at, seen = times[lately], values[lately]
    along = at - np.mean(at)
    left = seen - np.mean(seen) - along * (along @ seen) / (along @ along)
    scatter, step = float(np.std(left)), float(np.min(np.abs(np.diff(seen))))
    if _swings(left, max(SWING_STEPS * step, scatter)) < SWINGS or abs(left[-1]) > NEAR_SCATTERS * scatter:
        return np.inf
    readings = values[lately[0] : lately[-1]]
    noise = noise_of(readings) / step * (1.0 - UNSURE / np.sqrt(len(readings)))
    often = 1.0 - 0.5 / (np.sqrt(np.pi) * max(noise, 1.0 / np.sqrt(np.pi)))
    stood_s = STOOD_TIMES * float(np.max(np.diff(at)))
    return max(_by_chance(noise, float(at[-1] - at[0])) * float(often), stood_s)


def _often(lately: np.ndarray) -> bool:
    """Return whether readings changed at `lately` as often as noise makes them."""
    return bool(len(lately) > CHANGES and len(lately) - 1 >= OFTEN * (lately[-1] - lately[0]))


def _by_chance(noise: float, spent_s: float) -> float:
    """Return how long noise [steps of the display] that changed them `CHANGES` times in a time stands still by chance.

    It keeps within one step for n readings with p^n at the most, p in the middle of that step.
    """
    within = erf(0.5 / np.sqrt(2.0 * max(noise**2 - 1.0 / 12.0, LEAST_NOISE**2)))
    return float(np.log(BY_CHANCE) / np.log(within) * spent_s / CHANGES)


def patience_of_a_probe(times: np.ndarray, values: np.ndarray, changes: np.ndarray, scale: float | None) -> float:
    """Return how long a probe that changed so may stand still [s], infinite where it may rightly.

    Its noise is in proportion to the pressure; fourth differences leave little of the pull's bends beside it. What went
    to its number in one leap is given longer, and may for ever where it never showed more: there a probe ends. `scale`
    is that of its unit, None where it may leap to what it keeps.
    """
    seen = changes[-CHANGES - 1 :]
    if not _often(seen):
        return np.inf
    first = int(seen[-1])
    lately, level = values[seen[0] : first], float(values[first])
    step, least_s = _step(lately, level), 0.0
    if scale is not None and step == np.inf and level < ENDS_SHARE * values[:first].max():
        before = values[changes[-LEAPT_CHANGES - 1 : -1]]
        step, least_s = _digit(before, scale) * max(1.0, level / max(float(before.min()), 1e-3)), LEAPT_S
    bends = np.diff(np.log(np.maximum(lately, 1e-3)), 4)
    noise = level / step * 1.4826 * float(np.median(np.abs(bends))) / np.sqrt(FOURTH)
    return max(least_s, _by_chance(noise, float(times[first] - times[seen[0]]))) if noise >= RESTLESS else np.inf


def patience_of_walk(times: np.ndarray, values: np.ndarray, step: float) -> float:
    """Return how long readings that walked so may stand still [s], infinite when they were slowing down.

    Flicker about one edge of the display is no walk.
    """
    if np.isnan(step):
        return np.inf
    arrived = [0]
    for i, value in enumerate(values.tolist()):
        if abs(value - values[arrived[-1]]) > (WALK_STEPS - 0.1) * step:
            arrived.append(i)
    waits = np.diff(times[arrived])[-WALKS:]
    if len(waits) < WALKS:
        return np.inf
    longest = float(np.max(waits))
    waits[-1] = max(waits[-1], times[-1] - times[arrived[-1]])
    return np.inf if slowed(waits) else WALK_STILL * longest


def patience_of_rise(times: np.ndarray, values: np.ndarray, starts: np.ndarray) -> float:
    """Return how long a probe that rose so may stand still [s], infinite where it did not rise or was slowing down."""
    first = int(starts[-1])
    lately = slice(int(np.searchsorted(times, times[first] - RISE_S)), first + 1)
    if np.count_nonzero(starts[:-1] >= lately.start) < RISE_CHANGES:
        return np.inf
    at, shown = times[lately], values[lately]
    thirds = np.searchsorted(at, at[0] + np.ptp(at) * np.array([1.0, 2.0]) / 3.0).tolist()
    parts = [median_of(part) for part in np.split(shown, thirds)]
    pace, late = (parts[2] - parts[0]) / (np.ptp(at) * 2.0 / 3.0), (parts[2] - parts[1]) / (np.ptp(at) / 3.0)
    noise = float(np.median(np.abs(np.diff(shown, 2)))) if len(shown) > 2 else 0.0
    if not (pace > 0.0 and late >= RISE_LATE * pace and shown[-1] == shown.max()):
        return np.inf
    return float(RISE_STEPS * max(_step(shown, float(shown[-1])), noise) / late)


def noise_of(values: np.ndarray) -> float:
    """Return how far readings scatter about their way, by second differences: no trend, and no leap, is noise."""
    bends = np.abs(values[2:] - 2.0 * values[1:-1] + values[:-2])
    if not len(bends):
        return 0.0
    return float(np.mean(np.minimum(bends, LEAPS * np.median(bends)))) * float(np.sqrt(np.pi / 12.0))


def _swings(values: np.ndarray, least: float) -> int:
    """Return how often readings went by so much one way and then the other."""
    swings, way = 0, 0.0
    low = high = float(values[0])
    for value in values.tolist():
        if way <= 0.0 and value - low >= least:
            swings, way, high = swings + 1, 1.0, value
        elif way >= 0.0 and high - value >= least:
            swings, way, low = swings + 1, -1.0, value
        low, high = min(low, value), max(high, value)
    return swings


def _digit(values: np.ndarray, scale: float) -> float:
    """Return the largest step of a display that shows all of these numbers, in a unit of `scale` [Pa]."""
    return float(np.gcd.reduce(np.rint(values / scale / LEAST_DIGIT).astype(np.int64))) * LEAST_DIGIT * scale


def _step(values: np.ndarray, level: float) -> float:
    """Return the step in which a display moves about a level, by the numbers that it showed [Pa]."""
    shown = np.unique(np.append(values[np.abs(values / level - 1.0) < SAME_STEPS], level))
    at = int(np.searchsorted(shown, level))
    beside = np.diff(shown[max(0, at - 1) : at + 2])
    return max(float(np.min(np.diff(shown))), float(np.max(beside)) / FAR_OFF) if len(beside) else np.inf
