"""One look back over a circuit at rest: how sure each channel's estimate of the common temperature is, and who lies.

What still moves against the rest, or lags weather that moves, is an unsure estimate; what belongs together (gauges of
a circuit, the ends of a barrel) moves and stands apart together. `consensus` weighs the rest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import compress

import numpy as np

from analysis.at_rest.consensus import Body, Consensus, weigh
from analysis.at_rest.way import (
    BARE,
    LEAST_S,
    PRESSURES,
    RATE_K_PER_H,
    SUNNY_BACK_S,
    SURELY_MOVES,
    TEMPERATURES,
    Way,
    Ways,
)
from analysis.bins import median_of
from analysis.stretch import Stretch
from analysis.vocabulary.channels import EVAPORATOR_WATER

CONDENSER = ("condenser_entering_temperature", "condenser_leaving_temperature")

_GROUPS = {
    "pressures": PRESSURES,
    "water": EVAPORATOR_WATER,
    "condenser": CONDENSER,
    **{name: (name,) for name in TEMPERATURES if name not in (*EVAPORATOR_WATER, *CONDENSER)},
}
"""What belongs together moves, lags and stands apart together."""

_SIDES = ((*EVAPORATOR_WATER, "suction_temperature"), (*CONDENSER, "discharge_temperature", "liquid_temperature"))
"""What may stand in a place of its own: the evaporator in a room or on its water, the condenser outdoors or on its."""
GAUGED_SIDES = (
    ("suction_pressure", "oil_pressure_before_filter", "oil_pressure_after_filter"),
    ("discharge_pressure", "liquid_pressure"),
)
"""The gauges of the low side and of the high one; which side a hose's gauge is on is not known."""
PLACES_K = 3.0
"""Two places differ by more than this, or a probe may stand in either (common practice)."""
SURELY_THERE = 3
"""A thermometer of neither side (air, metal, oil) belongs to where so many others stand."""
ALIKE_K = 1.0
"""What stands this near to one another, far from the rest, stands in one place: liars do not lie alike."""

CHECKS_S = ((1_200.0, 120.0), (14_400.0, 300.0), (np.inf, 900.0))
"""Looked at anew every two minutes for twenty, every five for four hours, every fifteen after that."""
SUNNY_PART = 0.35
"""On a sunny side everything warms, the least by this part of the most."""

HONEST_K = 0.3
"""A field probe is good to 0.25 K, its place to 0.15 K (common practice)."""
HONEST_PRESSURE = 0.0025
HONEST_PRESSURE_PA = 2.5e3
"""A gauge is good to this part of its reading (class 0.5, whose limit is two of it), and to so much: liquid stands a
quarter of a metre higher somewhere."""
LIE_K, LIE_PA, LIE_PRESSURE = 1.5, 20e3, 0.03
"""A thermometer that lies a little is off by so much, a gauge by 3 psi and by such a part of its reading (common
practice)."""
SATURATION_K = 0.3
"""Oil in the refrigerant and the coldest corner keep saturation this near to the thermometers."""
BOILED_OFF_SD = 0.2
"""How unsure the part of the glide is by which a blend at rest stands above its bubble point."""
ASSUMED_BAROMETER_PA = 8e3
"""How far the atmosphere may be from the standard one where nobody stated it: sites up to some 1,500 m."""
LAG_H = {
    **dict.fromkeys((*EVAPORATOR_WATER, "oil_temperature"), 3.0),
    **dict.fromkeys((*CONDENSER, *PRESSURES), 2.0),
    "ambient_temperature": 1.5,
}
OTHER_LAG_H = 1.0
"""By how much each follows the air at the most: a barrel of water by hours, a pipe by one; the circuit's pressure is
that of its coldest barrel. What still moves may have as far to go."""
BEHIND_H = {**LAG_H, "ambient_temperature": 0.2}
"""The air leads the rest: while it cools, all that lags is warmer."""
WITHIN_H = 0.5
"""What belongs together (the two ends of a barrel, the gauges of a circuit) differs by this much lag."""

SURE, SURE_AT_ONCE = 0.8, 0.97
"""Probability from which a channel is named a liar at two looks in a row, and at one."""
KNOWN = 3.0
"""Standard errors of its offset by which a channel is off when it is named: else nobody knows what it should show."""
SHUT_OFF = 0.25
"""Gauges that differ by more than this part of the higher pressure may have a closed valve between them, and a lone one
so far below saturation no liquid: a pump-down leaves vapour of any pressure behind the valve (common practice)."""
ALONE = 0.8
"""No thermometer is named while one that is not named stands as far off by such a part, to the same side: what excuses
that one (sun, lag, a cold barrel) may excuse it, too."""
LED = 2
"""The air is right when so many other thermometers stand off to its side (by two honest errors): a machine full of
water keeps its own temperature for a day, and its pipes, metal and sump stand anywhere between it and the air."""
LEAST_K, LEAST_GAUGE_K = 1.0, 1.5
"""Nothing nearer than this to the consensus is named: probes are sold to 0.5 to 1 K, and class 1 (EN 837-1) of a gauge
that reaches saturation at 60 degC is about 1 K of any refrigerant in a room, class 1.6 is 1.5 K (common practice). A
gauge beside two others that agree with each other and with the thermometers is named from the first."""
AGREE_K = 2.0
"""What is farther off than this, and what its body usually is, is not said to agree (common practice: nobody who reads
both would say so)."""
MOVING_K, MOVING_K_PER_H = 0.8, 0.4
"""A channel that moves against the rest, and that its movement leaves this unsure, is not at rest yet."""
SLOWEST_H, SLOWEST_PIPE_H = 5.0, 2.5
"""Where anything moves, and where the machine ran hot or cold, a channel may only not have come to rest yet. It would
close on the others within so many hours, pipes, metal and air sooner; a lie keeps its distance (common practice:
barrels of water and sumps take hours)."""


@dataclass(frozen=True)
class Look:
    """What one look back said about `channels`.

    `farthest_k` is how far any of the moving ones still has to go; `behind` are those so far from the rest that they do
    not agree with it, though lag may explain it; `elsewhere` are those that lie unless they stand in another place, and
    `shut_off` the gauges that lie unless a valve is closed between them and the rest;
    `apart` are the bodies that likely stand apart from the rest, and who of them shows it.
    """

    channels: tuple[str, ...]
    said: Consensus
    moving: tuple[str, ...]
    farthest_k: float
    begin_s: float
    suspects: tuple[str, ...]
    behind: tuple[str, ...]
    elsewhere: tuple[str, ...]
    shut_off: tuple[str, ...]
    apart: Mapping[str, tuple[str, ...]]

    @property
    def equalised(self) -> bool:
        """Whether enough of the circuit stands still to be compared."""
        standing = len(self.channels) - len(self.moving)
        still = not (self.moving and standing < 3) and 2 * len(self.moving) <= len(self.channels)
        return still and self.said.unsettled < 0.5

    @property
    def arrived(self) -> bool:
        """Whether what still moves has come near the rest, too."""
        return self.equalised and self.farthest_k < 1.5 * LEAST_K

    def surely(self, channel: str) -> bool:
        """Return whether one look is enough to name a suspect."""
        return float(self.said.lying[self.channels.index(channel)]) >= SURE_AT_ONCE

    def offset_k(self, channel: str) -> float:
        """Return how far a channel reads from what the others agree on [K]."""
        return float(self.said.from_others_k[self.channels.index(channel)])

    def expected_k(self, channel: str) -> float:
        """Return what a channel should show by what the others agree on [K]."""
        return float(self.said.others_k[self.channels.index(channel)])

    def unsure_k(self, channel: str) -> float:
        """Return the half-width of a channel's offset, two standard errors."""
        return 2.0 * float(self.said.from_others_sd_k[self.channels.index(channel)])


@dataclass(frozen=True)
class _Drifts:
    """How the channels of a way move [K/h]: `common` is the middle rate, the others are arrays in their order.

    `own` is what each has beyond that, and `moves` where it surely has. `rates` and `errors` are drawn towards the
    common one, an unsure rate the more.
    """

    common: float
    own: np.ndarray
    moves: np.ndarray
    rates: np.ndarray
    errors: np.ndarray


class Looks:
    """Looks back over the ways of `channels`, minute by minute; no look uses a later minute."""

    def __init__(self, stretch: Stretch, channels: Sequence[str]) -> None:
        self.ways = Ways(stretch, channels)
        self.guessed_barometer = stretch.barometer_source == "assumed"
        self.rests_from = 0

    def due(self) -> list[int]:
        """Return the positions of the minutes at which a look back is due."""
        end_s = self.ways.bins.end_s
        due: list[int] = []
        since_s = LEAST_S
        for until_s, every_s in CHECKS_S:
            fresh = np.diff(np.floor(end_s / every_s), prepend=0.0) > 0
            due += np.flatnonzero(fresh & (end_s >= since_s) & (end_s < until_s)).tolist()
            since_s = max(since_s, until_s)
        return due

    def back_from(self, last: int) -> Look | None:
        """Return what the hour before minute `last` says, None when fewer than two channels have readings."""
        way = self.ways.to(last)
        channels = way.channels
        if len(channels) < 2:
            return None
        level_k = median_of(way.levels_k)
        gauges = np.array([c in PRESSURES for c in channels])
        drifts = _drifts(way)
        levels_k, excess_k, bodies, moving = self._groups(way, drifts, level_k)
        bodies += _cold_barrel(channels, levels_k, gauges, level_k)
        bodies += self._sunny_side(way, levels_k, level_k, last)
        pressure_pa, pa_per_k = np.nan, np.nan
        if gauges.any():
            pressure_pa, pa_per_k = self.ways.pressure_pa(level_k), self.ways.slope(level_k)
        honest_k = np.where(gauges, np.hypot(HONEST_PRESSURE * pressure_pa, HONEST_PRESSURE_PA) / pa_per_k, HONEST_K)
        lies_k = np.where(gauges, np.hypot(LIE_PRESSURE * pressure_pa, LIE_PA) / pa_per_k, LIE_K)
        behind_k = -drifts.common / 2.0 * np.array([BEHIND_H.get(c, OTHER_LAG_H) for c in channels])
        said = weigh(levels_k, honest_k, lies_k, excess_k, behind_k, gauges, bodies)

        flatter = [
            pa_per_k / self.ways.slope(k) if gauge else 1.0 for k, gauge in zip(said.expected_k, gauges, strict=True)
        ]
        least_k = _least_off(said, gauges, behind_k, flatter)
        off = compress(channels, (said.lying >= SURE) & (np.abs(said.offsets_k) >= least_k))
        suspects = [c for c in off if not self._excused(c, way, said, drifts, last)]
        vapour, shut_off = self._behind_valves(way, said, suspects)
        suspects = [c for c in suspects if c not in shut_off]
        elsewhere = _elsewhere(way, said, suspects)
        suspects = _not_kept_company(way, said, [c for c in suspects if c not in elsewhere], vapour)
        standing = sum(1 for c, moves in zip(channels, drifts.moves, strict=True) if not moves and c not in suspects)
        if standing <= len(suspects):  # more must speak against them than they are, and none who moves is heard
            suspects = []

        off_k = np.abs(way.levels_k - said.level_k)
        farthest_k = max((off_k[channels.index(c)] for c in moving), default=0.0)
        lagging = tuple(compress(channels, off_k > _usually_off(said, bodies)))
        stand = (body for body in bodies if said.apart[body.name] > 0.5)
        apart = {body.name: tuple(compress(channels, body.members & (off_k > AGREE_K))) for body in stand}
        look = Look(
            channels, said, tuple(moving), farthest_k, way.begin_s, tuple(suspects), lagging, elsewhere, shut_off, apart
        )
        if look.equalised:
            return look
        self.rests_from = last
        return replace(look, suspects=())

    def _groups(
        self, way: Way, drifts: _Drifts, level_k: float
    ) -> tuple[np.ndarray, np.ndarray, list[Body], list[str]]:
        """Return what follows from how the channels of each group move together.

        That is where each channel is on its way to [K], what makes that unsure [K], the groups that may stand apart as
        a whole, and the channels that are not at rest yet.
        """
        channels, levels_k = way.channels, way.levels_k
        excess_k = np.hypot(way.scatters_k / np.sqrt(3.0), way.hidden_k / np.sqrt(12.0))
        bodies: list[Body] = []
        moving: list[str] = []
        for name, names in _GROUPS.items():
            members = np.array([c in names for c in channels])
            if not members.any():
                continue
            together = median_of(drifts.rates[members])
            lag_h = LAG_H.get(names[0], OTHER_LAG_H)
            to_go_k = -(together - drifts.common) * lag_h / 2.0  # on its way to where the others are
            own_k = lag_h * float(np.hypot(together - drifts.common, np.mean(drifts.errors[members]))) / 2.0
            levels_k = np.where(members, levels_k - to_go_k, levels_k)
            if members.sum() == 1 and name != "pressures":
                excess_k = np.where(members, np.hypot(excess_k, own_k), excess_k)
            else:
                within_k = WITHIN_H * np.hypot(drifts.rates - together, drifts.errors)
                excess_k = np.where(members, np.hypot(excess_k, within_k), excess_k)
                bodies.append(self._body(name, members, own_k, level_k))
            unsure_k = np.hypot(own_k, lag_h * abs(drifts.common) / 2.0)
            if unsure_k > MOVING_K and abs(together - drifts.common) > MOVING_K_PER_H:
                moving += compress(channels, members)
        return levels_k, excess_k, bodies, moving

    def _sunny_side(self, way: Way, levels_k: np.ndarray, level_k: float, last: int) -> list[Body]:
        """Return what stands bare and is warmer by about as much: the sun may shine on it.

        Nothing where it has kept that for most of the sun's arc.
        """
        bare = np.array([c in BARE for c in way.channels])
        above_k = np.where(bare, levels_k - level_k, 0.0)
        warm = above_k > max(0.5, SUNNY_PART * float(above_k.max()))
        if warm.sum() < 2:
            return []
        sunny = compress(way.channels, warm)
        kept = all(self.ways.kept(c, last, way, self.rests_from, SUNNY_BACK_S) for c in sunny)
        return [] if kept else [Body("sun", warm, 0.1, 3.0, 0.15, 1.0)]

    def _excused(self, channel: str, way: Way, said: Consensus, drifts: _Drifts, last: int) -> bool:
        """Return whether a channel that stands off may not have come to rest yet, or a warm one stood nearer before."""
        i = way.channels.index(channel)
        offset_k = float(said.offsets_k[i])
        slowest_h = SLOWEST_H if LAG_H.get(channel, 0.0) >= 2.0 else SLOWEST_PIPE_H
        closing = 2.0 * way.errors[i] - drifts.own[i] * np.sign(offset_k)  # what goes away does not come to rest
        cold, hot = _SIDES
        left_over = channel in (*hot, "oil_temperature") if offset_k > 0.0 else channel in cold  # of the run
        if (left_over or drifts.moves.any()) and closing > abs(offset_k) / slowest_h:
            return True
        return channel not in PRESSURES and offset_k > 0 and not self.ways.kept(channel, last, way, self.rests_from)

    def _behind_valves(
        self, way: Way, said: Consensus, suspects: Sequence[str]
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the gauges that show so little that vapour alone stands there, unless they read wrong, and the suspect
        ones that may be right beside a closed valve: far from another one, or off like it.

        Vapour shut off has any pressure up to saturation. None is shut off where other gauges of both sides agree.
        """
        of = {c: k for c, k in zip(way.channels, said.offsets_k.tolist(), strict=True) if c in PRESSURES}
        if not of:
            return (), ()
        pa = {c: self.ways.pressure_pa(k) for c, k in zip(way.channels, way.levels_k.tolist(), strict=True) if c in of}
        saturated_pa, slope = self.ways.pressure_pa(said.level_k), self.ways.slope(said.level_k)
        vapour = tuple(c for c in pa if pa[c] < (1.0 - SHUT_OFF) * saturated_pa)
        agree = [c for c in pa if c not in suspects and abs(of[c]) < LEAST_GAUGE_K]
        if all(any(c in side for c in agree) for side in GAUGED_SIDES):
            return vapour, ()
        above_pa, alike_pa = saturated_pa + AGREE_K * slope, ALIKE_K * slope
        found = []
        for c in (c for c in suspects if c in pa):
            others = [o for o in pa if o != c]
            far = any(min(pa[o], pa[c]) < (1.0 - SHUT_OFF) * max(pa[o], pa[c]) for o in others)
            lone = not others and c in vapour
            alike = (o for o in others if abs(pa[o] - pa[c]) < alike_pa and of[o] * of[c] > 0.0)
            if ((far or lone) and pa[c] < above_pa) or any(abs(of[o]) >= LEAST_GAUGE_K for o in alike):
                found.append(c)
        return vapour, tuple(found)

    def _body(self, name: str, members: np.ndarray, own_k: float, level_k: float) -> Body:
        """Return a group of channels that lags and may stand apart as a whole; `own_k` is what its movement makes."""
        fluid = self.ways.fluid
        if name != "pressures" or fluid is None:
            return Body(name, members, float(np.hypot(0.1, own_k)), float(np.hypot(3.0, own_k)), 0.1, 0.2, True)
        middle_pa = self.ways.pressure_pa(level_k)
        glide_k = float(fluid.dew_temperature_k(middle_pa) - fluid.bubble_temperature_k(middle_pa))
        usual_k = float(np.hypot(np.hypot(SATURATION_K, BOILED_OFF_SD * glide_k), own_k))
        if self.guessed_barometer:
            usual_k = float(np.hypot(usual_k, ASSUMED_BAROMETER_PA / self.ways.slope(level_k)))
        # one gauge alone that is off: its own zero is likelier than a circuit without liquid or with air in it
        return Body(name, members, usual_k, 8.0 if members.sum() > 1 else usual_k, 0.05, 0.0, True)


def _drifts(way: Way) -> _Drifts:
    """Return how the channels of a way move, together and each against that."""
    common, error = median_of(way.rates), way.errors
    own = way.rates - common
    moves = np.abs(own) > np.maximum(MOVING_K_PER_H, SURELY_MOVES * error)
    usual = max(RATE_K_PER_H**2, float(np.mean(own**2) - np.mean(error**2)))
    known = usual / (usual + error**2)
    return _Drifts(common, own, moves, common + known * (way.rates - common), np.sqrt(known) * error)


def _cold_barrel(channels: Sequence[str], levels_k: np.ndarray, gauges: np.ndarray, level_k: float) -> list[Body]:
    """Return the coldest barrel with the gauges, where it is colder than the rest: there the liquid gathers."""
    barrels = [np.isin(channels, names) for names in (EVAPORATOR_WATER, CONDENSER)]
    coldest = min((one for one in barrels if one.any()), key=lambda one: float(levels_k[one].mean()), default=None)
    if coldest is None or not gauges.any() or not levels_k[coldest].mean() < level_k:
        return []
    return [Body("barrel", coldest | gauges, 0.1, 3.0, 0.1, 0.2)]


def _least_off(said: Consensus, gauges: np.ndarray, behind_k: np.ndarray, flatter: Sequence[float]) -> np.ndarray:
    """Return by how much each channel has to be off at the least to be named [K].

    `flatter` is by how much less saturation pressure rises where each should stand than at the common temperature: what
    a gauge's class allows there is so many more kelvins.
    """
    lag_k = np.maximum(0.0, behind_k * np.sign(said.offsets_k))  # lag alone may make so much
    lag_k = np.where(gauges & (gauges.sum() > 2), 0.0, lag_k)  # the other gauges lag as it does
    agree = gauges & (np.abs(said.offsets_k) < 0.5 * LEAST_K) & (said.apart.get("pressures", 0.0) <= 0.5)
    beside_two = agree.sum() - agree >= 2
    gauge_k = np.where(beside_two, LEAST_K + said.offset_sd_k, LEAST_GAUGE_K) * np.maximum(1.0, flatter)
    own_k = np.where(gauges, gauge_k, LEAST_K)
    return np.asarray(np.maximum(own_k + lag_k, KNOWN * said.offset_sd_k))


def _not_kept_company(way: Way, said: Consensus, suspects: Sequence[str], vapour: Sequence[str]) -> list[str]:
    """Return the suspects without those thermometers beside which another one stands about as far off, likewise, and
    without the air where two others stand off to its side.

    What still moves stands there, too, though its movement explains that. Gauges of `vapour` keep company only to what
    stands where they do.
    """
    channels = way.channels
    of = dict(zip(channels, said.offsets_k.tolist(), strict=True))
    at_k = dict(zip(channels, (way.levels_k - said.level_k).tolist(), strict=True))
    # without liquid, or with air, saturation is the temperature of no part
    placeless = PRESSURES if said.apart.get("pressures", 0.0) > 0.5 else ()
    others = [o for o in channels if o not in suspects and o not in placeless]
    beside_it = {
        c: max((at_k[o] / of[c] for o in others if o not in vapour or abs(at_k[o] - at_k[c]) < AGREE_K), default=0.0)
        for c in suspects
    }
    left = [c for c in suspects if c in PRESSURES or beside_it[c] < ALONE]
    air = "ambient_temperature"
    led = [c for c in channels if c not in (air, *PRESSURES) and of[c] * of.get(air, 0.0) > 0.0]
    return [c for c in left if c != air or sum(abs(of[o]) > 2.0 * HONEST_K for o in led) < LED]


def _usually_off(said: Consensus, bodies: Sequence[Body]) -> np.ndarray:
    """Return how far off each channel may be and still agree with the rest [K], by the bodies that it belongs to."""
    far_k = np.full(len(said.offsets_k), AGREE_K)
    for body in bodies:
        own_k = np.inf if said.apart[body.name] > 0.5 else body.usual_k if body.name == "pressures" else 0.0
        far_k += np.where(body.members, own_k, 0.0)
    return far_k


def _elsewhere(way: Way, said: Consensus, suspects: Sequence[str]) -> tuple[str, ...]:
    """Return which suspects may be right where they stand: in another room, outdoors, on other water.

    What stands in one place is as warm alike, and a side of the machine of which something agrees with the rest is in
    the rest's place. Saturation is that of the coldest part: none is colder than a gauge shows, and all gauges show
    what no thermometer does only where a side has none.
    """
    of = dict(zip(way.channels, said.offsets_k.tolist(), strict=True))
    at_k = dict(zip(way.channels, way.levels_k.tolist(), strict=True))
    gauges, thermometers = ([c for c in of if (c in PRESSURES) is pressure] for pressure in (True, False))
    rest = [c for c in thermometers if c not in suspects and abs(of[c]) < AGREE_K]
    met = [any(c in side for c in rest) for side in _SIDES]
    found = []
    for c in suspects:
        alike = any(o != c and abs(at_k[o] - at_k[c]) < ALIKE_K for o in thermometers)
        warmest_k = max((at_k[o] for o in gauges if o != c), default=-np.inf)
        own = [m for m, side in zip(met, _SIDES, strict=True) if c in side]
        there = all(own or met) or (c in thermometers and not own and len(rest) >= SURELY_THERE)
        may = alike or not there
        if of[c] < 0.0:
            may = (may or (c in thermometers and bool(gauges))) and warmest_k < at_k[c] + AGREE_K
        elif c in gauges:
            may = False
        if may and abs(at_k[c] - said.level_k) > PLACES_K:
            found.append(c)
    return tuple(found)
