"""What other channels say of one that stands still: that it must have moved, or may rightly stand."""

from __future__ import annotations

import numpy as np

from analysis.belief.fault import COARSE_PA, HOSE, Readings
from analysis.belief.patience import OFTEN, STUCK_READINGS, noise_of
from analysis.vocabulary.channels import CIRCUIT_PRESSURES, EVAPORATOR_WATER, METAL, MICRON_PROBES, ROOM_TEMPERATURES

NEVER_STUCK = (*MICRON_PROBES, "barometer")
"""Channels that rightly show one number for long: an over-range probe, a slow barometer."""
BESIDE_S = 300.0
BESIDE_SHARE = 0.02
BESIDE_STEPS, BESIDE_MOVE = 6.0, 0.006
STANDS_SHARE = 0.003
"""Gauges on one standing circuit agree within 2 %; one that moved by less than 0.3 % says that the pressure stands, two
that moved by six digits and 0.6 % that it does not."""
AS_RESTLESS, LEVELS = 0.5, 3
"""Another is as restless as before when it still changes half as often, and by half as much. Two numbers alone are
flicker."""
BESIDE_NOISE = 0.25
"""What scattered by less than a quarter of this one was moved by something else: a slow way, a finer display."""
GAS_LAGS_S = (300.0, 3_600.0)
"""The gas follows what is around it at once or within about an hour (common practice): by each it must have moved."""
COOLED_STEPS, WARMED_STEPS = 4.0, 8.0
"""Half of the move of the temperatures around may not have reached the gas, and two steps must show. A leak may hide
a warming for some time, so more is asked for there."""
TWIN_K, TWIN_STEPS = 1.0, 8.0
ALONG_S, ALONG_K, ALONG_STEPS, FINE_K = 7_200.0, 1.5, 8.0, 0.3
"""Metal of a circuit under test that went along with air or water stands for hours at one number of a fine display only
while nothing drives it: not once the other was so far away for an hour. A thermostat may hold air or a coarse number,
and stop air as dead as a fault does; metal slows down before it rests."""
ALONG_SHARE, FREEZING_K, ICE_K = 0.5, 273.15, 1.0
"""It went along where the distance to the other changed by half of what it moved at most. Melting frost holds metal
where ice melts."""
STANDS_IN = ("recovery", "pressure_test", "evacuation", "charging", "at_rest")
"""While the machine stands nothing holds the water at one end of a barrel: both ends move (common practice)."""
FLOW_PA, FLOW_SHARE = 100e3, 0.25
"""As vapour alone that is 0.2 kg in a circuit of 50 L (R-134a), and by far more where there is liquid."""
SCALE, FLOW_PARTS, FLOW_KG = "cylinder_weight", 5, 0.2
"""A scale that went on by so much in each of so many parts of the time (a drifting one shows less in an hour)."""
SAME_FLOW = 0.5
"""The end of a liquid pull slows the flow to a fifth or less (common practice): half as fast is still the same flow."""
GO_ON_K, GO_ON_SHARE, GO_ON_PART = 0.6, 0.02, 0.5
"""Others go on when they move by so much, and half as far as in as long a time before."""


def _beside(channel: str, readings: Readings, begin: float, look: float, pascal: float) -> list[float]:
    """Return where the other pressures of a standing circuit went [Pa] that agreed with this one."""
    others = readings.other_gauges(channel) if channel in CIRCUIT_PRESSURES else []
    agreed = (c for c in others if abs(readings.lagged(c, begin, BESIDE_S) - pascal) < BESIDE_SHARE * pascal)
    return [move for c in agreed if not np.isnan(move := readings.move(c, begin, look))]


def others_moved(channel: str, readings: Readings, begin: float, look: float, pascal: float, step: float) -> bool:
    """Return whether two others at least went on together: one alone may be this one valved off."""
    moves = _beside(channel, readings, begin, look, pascal)
    least = max(BESIDE_STEPS * (COARSE_PA if np.isnan(step) else step), BESIDE_MOVE * pascal)
    near, far = sorted((min(moves), max(moves)), key=abs) if len(moves) >= 2 else (0.0, 0.0)
    return abs(near) >= least and 0.0 < near * far < 1.5 * near**2


def twin_moved(channel: str, readings: Readings, begin: float, look: float, step: float) -> bool:
    """Return whether the water at the other end of a barrel moved far, in no single leap, while the machine stands."""
    twin = next((c for c in EVAPORATOR_WATER if c != channel), "") if channel in EVAPORATOR_WATER else ""
    if twin not in readings.minutes or np.isnan(step) or not readings.at_stage(begin, look, *STANDS_IN):
        return False
    moved = abs(readings.move(twin, begin, look)) - readings.leap(twin, begin, look)
    return bool(moved >= max(TWIN_K, TWIN_STEPS * step))


def gone_without(channel: str, readings: Readings, begin: float, look: float, step: float) -> bool:
    """Return whether air or water, beside which metal of a circuit under test had moved, went away from where it was
    when the metal began to stand, in no single leap."""
    if channel != METAL or not (step < FINE_K and readings.at_stage(begin, look, "pressure_test")):
        return False
    if look - begin < ALONG_S or abs(readings.lagged(channel, begin, BESIDE_S) - FREEZING_K) < ICE_K:
        return False
    since = 2.0 * begin - look
    own, least = readings.reach(channel, since, begin), max(ALONG_K, ALONG_STEPS * step)
    before = (readings.minute_end_s > since) & (readings.minute_end_s <= begin)
    shown = readings.by_minute(channel)[before]
    for other in (c for c in ROOM_TEMPERATURES if c in readings.minutes and c != channel):
        apart = shown - readings.by_minute(other)[before]
        stayed = float(np.ptp(apart[~np.isnan(apart)])) if not np.isnan(apart).all() else np.inf
        along = own >= ALONG_STEPS * step and stayed <= ALONG_SHARE * own
        moves = [readings.lagged(other, look, lag) - readings.lagged(other, begin, BESIDE_S) for lag in GAS_LAGS_S]
        gone = min(map(abs, moves)) - readings.leap(other, begin, look) >= least
        if along and gone and min(moves) * max(moves) > 0.0:
            return True
    return False


def another_stands(channel: str, readings: Readings, begin: float, look: float, pascal: float) -> bool:
    """Return whether another gauge on the same circuit says that the pressure does stand."""
    if np.isnan(pascal):
        return False
    return any(abs(move) < STANDS_SHARE * pascal for move in _beside(channel, readings, begin, look, pascal))


def flowed(readings: Readings, begin: float, look: float, times: float) -> bool:
    """Return whether the circuit gave what a scale must show, in a recovery, or took it, in a charging.

    A pressure that comes back in a pause, or condenses, says nothing of the scale; nor does what moved before the stage
    began, though a scale may stand still since then.
    """
    for stage, since, until in readings.stages_s:
        if HOSE in readings.values and stage in ("recovery", "charging") and since <= look <= until:
            begin = max(begin, since)
            moved, before = readings.move(HOSE, begin, look), readings.lagged(HOSE, begin, BESIDE_S)
            moved = -moved if stage == "recovery" else moved
            return bool(moved >= times * max(FLOW_PA, FLOW_SHARE * before))
    return False


def weighs_on(readings: Readings, begin: float, look: float) -> bool:
    """Return whether the scale went on one way all the time, by more than it drifts and hardly slower than for as long
    before: what made the hose restless has not come to rest, as it does where a sputtering liquid pull ends."""
    if SCALE not in readings.values:
        return False
    times, values = readings.of(SCALE)
    before, first, last = np.searchsorted(times, (2.0 * begin - look, begin, look)).tolist()
    if last - first < FLOW_PARTS:
        return False
    steps = np.diff([float(np.median(part)) for part in np.array_split(values[first:last], FLOW_PARTS)])
    went, goes = abs(values[first] - values[before]), abs(values[last - 1] - values[first])
    return bool(goes >= SAME_FLOW * went and (np.min(steps) >= FLOW_KG or np.max(steps) <= -FLOW_KG))


def restless_beside(channel: str, readings: Readings, before_s: float, begin_s: float, look_s: float) -> list[bool]:
    """Return, for each other channel of the kind that was restless too, whether it goes on.

    Where one does, nothing has come to rest; where none does, what made all of them restless has.
    """
    times, values = readings.shown(channel)
    own = noise_of(values[slice(*np.searchsorted(times, (before_s, begin_s)).tolist())])
    beside = []
    for other in readings.others(channel, readings.dimension(channel)):
        if other in NEVER_STUCK:
            continue
        times, values = readings.shown(other)
        first, middle, last = np.searchsorted(times, (before_s, begin_s, look_s), side="right").tolist()
        was, now = values[first:middle], values[middle:last]
        if len(now) < STUCK_READINGS or len(np.unique(was)) < LEVELS:
            continue
        rate, noise = np.count_nonzero(np.diff(was)) / max(len(was) - 1, 1), noise_of(was)
        if rate >= OFTEN and noise >= BESIDE_NOISE * own:
            goes_on = np.count_nonzero(np.diff(now)) / (len(now) - 1) >= AS_RESTLESS * rate
            beside.append(bool(goes_on and noise_of(now) >= AS_RESTLESS * noise))
    return beside


def others_go_on(channel: str, readings: Readings, begin: float, look: float) -> bool:
    """Return whether two others at least move on as they did before."""
    goes_on = 0
    for other in map(str, readings.minutes):
        if other == channel or other in NEVER_STUCK:
            continue
        moved, before = readings.reach(other, begin, look), readings.reach(other, 2.0 * begin - look, begin)
        pressure = readings.dimension(other) == "pressure"
        least = GO_ON_SHARE * readings.lagged(other, begin, BESIDE_S) if pressure else GO_ON_K
        goes_on += moved >= max(least, GO_ON_PART * before)
    return goes_on >= 2


def moved_elsewhere(channel: str, readings: Readings, begin: float, look: float) -> float:
    """Return how far the temperature moved that moved most elsewhere."""
    moves = (abs(readings.move(c, begin, look)) for c in readings.others(channel, "temperature"))
    return max((move for move in moves if not np.isnan(move)), default=0.0)


def gas_moved(channel: str, readings: Readings, begin: float, look: float, pressure_pa: float, step: float) -> bool:
    """Return whether a closed pressure must have shown the move of every temperature around it."""
    if channel not in CIRCUIT_PRESSURES:
        return False
    rooms = [c for c in ROOM_TEMPERATURES if c in readings.values]
    shares = [readings.lagged(c, look, lag) / readings.lagged(c, begin, lag) - 1.0 for c in rooms for lag in GAS_LAGS_S]
    shares = [share for share in shares if not np.isnan(share)]
    if len(shares) < 2 * len(GAS_LAGS_S) or min(shares) < 0.0 < max(shares):
        return False
    expected = pressure_pa * min(abs(share) for share in shares)
    steps = WARMED_STEPS if shares[0] > 0.0 else COOLED_STEPS
    return bool(expected >= steps * (COARSE_PA if np.isnan(step) else step))
