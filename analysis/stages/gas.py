"""Stages with nothing but gas in the circuit: evacuation and pressure test, and a circuit that stands open."""

from __future__ import annotations

import numpy as np

from analysis.stages.look_back import FLICKER_PA, VACUUM_PA
from analysis.stages.refrigerant import (
    CLEAR_PART,
    FULL_PART,
    HOSE_PART,
    IDLE_MINUTES,
    NEAR_HIGH_PART,
    NEAR_LOW_PART,
    OPEN_PART,
    PLACED_MINUTES,
    PUT_ON_MINUTES,
    PUT_ON_PART,
    REST_S,
    RUN_MINUTES,
    TOO_HIGH_PART,
    RefrigerantStages,
)
from analysis.stages.signals import GAUGE_FLOOR_PA, MINUTE_S
from analysis.stages.state import OPEN_MINUTES, QUIET_S, TESTED_PART, Contents

PUMPED_PA = 1.3e3
"""Under this there is a vacuum pump at work; the deepest recovery asked for is 25 mmHg, 3.3 kPa (40 CFR 82.156)."""
LOW_PRESSURE = 2.0
"""What stands at more than so many times the air's pressure is no low-pressure refrigerant: its recovery is asked to
15 inHg at most, 51 kPa (40 CFR 82.156)."""
STOOD_DOWN_PART = 0.8
"""A pull that begins where a vacuum stood takes it further down than this part of it."""
FALL_MINUTES, FALLS_PART = 3, 0.03
"""A vacuum that stands and is shown to a probe is there at once; what falls by more in each of so many minutes is
pumped."""
FIRST_MINUTES = 30
"""A log that begins in a vacuum that stands may begin with charging: it is no evacuation yet (common practice), and
never one where only a gauge shows it, which cannot tell a vacuum that is pumped from one that was left."""
BROKEN_PA = 15e3
"""No leak that one would hold against comes so high: the vacuum was broken."""
CAME_PART, AT_ONCE_PART, STAYS_PART = 0.97, 0.75, 0.34
"""Gas that comes from a cylinder on the scale takes weight off it until pressure is there, not in one minute, and then
no more (common practice)."""
AIRED_MINUTES = 5
"""A vessel that is charged does not stand at the air's pressure for so long on its way to saturation."""
BROKEN_MINUTES = 90
"""A vacuum broken by a sweep of nitrogen is pumped down again within this."""
TEST_PA = 300e3
"""Nitrogen at 3 bar and above is a test, whatever was in the circuit before."""
STANDS_MINUTES = 15
LOW_MINUTES = 30
"""What stands so long under the air's pressure, and where the refrigerant stands, is no sweep with nitrogen."""
STOOD_PART = 0.05
"""Gas that was left to stand moves by less than this in an hour and a half, by the room and by a leak together."""
LEAKS_PART = 0.03
"""A leak that takes more of the gas than this in five minutes is heard, and nobody waits for it (common practice)."""
HOSE_MINUTES, SAME_PART = 30, 0.02
"""A hose is moved within so many minutes (common practice), in which the room's air moves a gas by less than 6 K."""
GAUGE_NOISE_PA = 1.5e3
"""By so much a service gauge may wander near its floor."""
LONGER_PART, LOOKED_AT_S = 0.4, 240.0
"""A hold may be watched by such a part longer than it has to be; a vacuum that stands for longer still was left alone
soon after its hold (common practice)."""
APART_PART, FOLLOWS = 0.06, 0.25
"""Liquid follows saturation: where that moved by more than the first part and pressure by less than such a share of
it, as a gas does by 0.3 % a kelvin and a slow leak, there is none."""
REACHED = 1.2
"""A vacuum is held once it is at its target, or so near that the probe may not tell; before that it is pumped."""


class GasStages(RefrigerantStages):
    """Evacuation and pressure test, each by its own step."""

    def _evacuation(self, k: int) -> None:
        s = self.s
        p, air = s.calm_pa[k], s.barometer_pa[k]
        if np.isnan(p):
            return
        if self.stage != "evacuation":
            came = self.contents == "remnant" and bool(self.found) and self._surely_full(k)
            came = came and not self.scaled and self.rushed(k, self.floor_s)
            if self.stage == "" and (came or self.contents == "vacuum") and self._seems_full(k):
                self._begin_charging(k, self._filled_from(k)[0])
            elif self._pulls(k):
                self._begin_evacuation(k)
            return
        if p < max(VACUUM_PA, self.lowest_pa + BROKEN_PA / 2.0):
            self.broken_s, self.aired = None, False  # pumped down again
        self.lowest_pa = min(self.lowest_pa, float(p))
        leaving = s.flow_kg[k] < 0
        if self.broken_s is None and p > self.lowest_pa + BROKEN_PA:
            self.broken_s = float(s.begin_s[self.departure(k, 1.0, 1.0, 700.0)])
        if self.broken_s is None:
            return
        self.aired |= abs(p / air - 1.0) < OPEN_PART and self.held(k, AIRED_MINUTES, 0.02) and not self.at_saturation(k)
        if p > 1.25 * air:
            self.broken_s = self.seen_rising(self.broken_s, k)
        swept = p < TEST_PA and self.off_test(k) > TESTED_PART
        swept &= s.end_s[k] - self.broken_s < BROKEN_MINUTES * MINUTE_S
        if leaving:
            self._begin_charging(k)
            return
        if p > 1.25 * air:
            if not np.isnan(s.weight_kg[k]):
                came_s = max(self.broken_s, s.begin_s[s.back(k, STANDS_MINUTES)])
                stood = bool((s.calm_pa[np.searchsorted(s.end_s, came_s) : k + 1] > 1.25 * air).all())
                stood &= not self.bears or self.held(k, STANDS_MINUTES, 0.03)  # vapour goes on, and is soon weighed
                if stood and s.end_s[k] - self.broken_s > STANDS_MINUTES * MINUTE_S:
                    if self._from_cylinder(k, self.broken_s):
                        self._begin_charging(k, self.broken_s)
                    elif not swept:
                        self._leave_vacuum(k, "nitrogen")
                return
            warm = s.saturation_high_pa[k]
            if self.aired or np.nanmin(s.calm_pa[s.back(k, RUN_MINUTES) : k + 1]) > NEAR_HIGH_PART * warm:
                if not swept:
                    self._leave_vacuum(k, "nitrogen")
            elif np.isnan(warm) or self._seems_full(k):
                self._begin_charging(k)
            elif self.held(k, BROKEN_MINUTES, 0.03):  # vapour would go on to saturation, after lunch at the latest
                self._leave_vacuum(k, "nitrogen")
        elif p < 0.95 * air and self._seems_full(k, LOW_MINUTES):
            self._begin_charging(k)
        elif s.end_s[k] - self.broken_s > BROKEN_MINUTES * MINUTE_S:
            self._leave_vacuum(k, "open")

    def _from_cylinder(self, k: int, since_s: float) -> bool:
        """Return whether the cylinder on the scale became lighter as it broke a vacuum, too little for a flow.

        One that was put there just before was put there to charge from. On one that stood there a hose that is taken
        off goes at once, and a scale that drifts goes on when pressure stands, where liquid would.
        """
        s = self.s
        p, low_pa, high_pa = s.calm_pa[k], s.saturation_low_pa[k], s.saturation_high_pa[k]
        if not self.lighter(k, since_s) or p > FULL_PART * high_pa:
            return False
        stood_there = s.on_scale[np.searchsorted(s.end_s, since_s + MINUTE_S)]  # hands may have come in that minute
        if self.placed_s is not None and since_s - self.placed_s < PLACED_MINUTES * MINUTE_S and stood_there:
            return True
        first = self.without_hands(since_s, k)
        there = min(first + int(np.argmax(s.calm_pa[first : k + 1] > CAME_PART * p)) + 1, k)
        weight = s.weight_kg[first : there + 1]
        gave_kg = weight[0] - weight[-1]
        at_once = float(np.max(-np.diff(weight), initial=0.0)) > AT_ONCE_PART * gave_kg
        stood = bool((np.abs(s.weight_kg[there : k + 1] - weight[-1]) < STAYS_PART * gave_kg).all())
        return bool(NEAR_LOW_PART * low_pa < p and stood and not at_once)

    def _pulls(self, k: int) -> bool:
        """Return whether pressure went down as only a pump at an emptied circuit takes it."""
        s = self.s
        p, first = s.calm_pa[k], s.back(k, 5)
        emptied = self.contents in ("open", "nitrogen", "vacuum")
        emptied |= self.contents == "unknown" and np.isnan(s.saturation_low_pa[k]) and self.flowed is None
        pumped = k - first >= 2 and np.fmax.reduce(s.pressure_pa[first : k + 1]) < self._pumped_pa(k)
        pumped = pumped and not self.moved_by_hose(k, 10) and (bool(s.probe[k]) or self._gauge_fell(k))
        first_look = not s.probe[k] or s.end_s[k] < FIRST_MINUTES * MINUTE_S
        if self.contents in ("vacuum", "unknown") and not self.found and first_look:
            highest_pa = np.fmax.reduce(s.pressure_pa[: k + 1])
            told = s.probe[k] or highest_pa > GAUGE_FLOOR_PA  # a gauge at its floor only flickers
            halved = told and max(p, s.pressure_pa[k]) < 0.5 * highest_pa
            emptied = pumped = bool(halved or (s.probe[k] and p < VACUUM_PA and self._falls(k)))
        pulled = emptied and p < 0.5 * s.barometer_pa[k]
        return bool(pumped or ((pulled or p < self._marked_pa(k)) and s.seen[s.back(k, 3)]))

    def _pumped_pa(self, k: int) -> float:
        """Return under which pressure only a vacuum pump draws from a circuit whose refrigerant nobody saw."""
        unseen = not self.found and self.flowed is None and not self.s.recovers[k]
        high = self.s.saturation_low_pa[k] > LOW_PRESSURE * self.s.barometer_pa[k]
        return VACUUM_PA if unseen and high else PUMPED_PA

    def _gauge_fell(self, k: int) -> bool:
        """Return whether a gauge that tells where only a pump draws from where a recovery does was seen to fall."""
        fell = np.fmax.reduce(self.s.pressure_pa[self.s.back(k, BROKEN_MINUTES) : k + 1]) > GAUGE_FLOOR_PA
        return self._pumped_pa(k) > PUMPED_PA and bool(fell)

    def _marked_pa(self, k: int) -> float:
        """Return under which pressure a pump draws that was marked since the last stage began, 0 where none was.

        It may warm up beside a recovery that still runs.
        """
        s = self.s
        since_s = max(self.floor_s, self.found[-1].begin_s) if self.found else -np.inf
        if not s.pump_s[k] > since_s or self.moved_by_hose(k, 10):
            return 0.0
        stood_pa = np.fmin(s.calm_pa[np.searchsorted(s.end_s, s.pump_s[k])], s.barometer_pa[k])
        return float(min(0.5 * stood_pa, np.inf if self.stage in ("", "at_rest") else VACUUM_PA))

    def _falls(self, k: int) -> bool:
        """Return whether pressure fell and fell in the last minutes."""
        lately = np.log(np.maximum(self.s.pressure_pa[max(k - FALL_MINUTES, 0) : k + 1], 0.1))
        return len(lately) > FALL_MINUTES and bool((np.diff(lately) < -FALLS_PART).all())

    def _seems_full(self, k: int, minutes: int = STANDS_MINUTES) -> bool:
        """Return whether, where no scale is read, pressure stands where the refrigerant stands with liquid."""
        s = self.s
        near = NEAR_LOW_PART * s.saturation_low_pa[k] < s.calm_pa[k] < FULL_PART * s.saturation_high_pa[k]
        return bool(near and np.isnan(s.weight_kg[k]) and self.held(k, minutes, 0.03))

    def _surely_full(self, k: int) -> bool:
        """Return whether pressure is at saturation where the room says well where that is."""
        low_pa, high_pa = 0.95 * self.s.saturation_low_pa[k], FULL_PART * self.s.saturation_high_pa[k]
        return bool(low_pa < self.s.calm_pa[k] < high_pa < CLEAR_PART * low_pa)

    def _leave_vacuum(self, k: int, contents: Contents) -> None:
        if self.broken_s is not None:
            self._end_evacuation(self.broken_s, k)
        self.contents, self.trough_pa = contents, float(self.s.barometer_pa[k])

    def give_way(self, at_s: float, k: int) -> None:
        if self.stage == "evacuation":
            self._end_evacuation(at_s, k)
        elif self.stage == "pressure_test" and self.fell is not None:
            self.end(float(self.s.begin_s[self.fell]), k)
        else:
            super().give_way(at_s, k)

    def _end_evacuation(self, broken_s: float, k: int, standing: bool = False) -> None:
        """End it when the vacuum was broken, or soon after the hold that the job asks for where it stood on.

        One that is `standing` at the end of the log goes on unless it was shut off and stood much longer than that.
        """
        if self.now is None:
            return
        if self.broken_s is not None:
            broken_s = min(self.broken_s, broken_s)
        s = self.s
        first, broken = np.searchsorted(s.begin_s, self.now.begin_s), np.searchsorted(s.end_s, broken_s)
        last = max(min(int(broken), k) - 1, int(first))
        target_pa = np.inf if s.target is None else s.target.absolute_pa(float(s.barometer_pa[k]))
        shut = self.shut_off(int(first), last) if self.lowest_pa < REACHED * target_pa else None
        down = first + int(np.argmax(s.calm_pa[first : last + 1] <= self.lowest_pa + GAUGE_NOISE_PA))
        held_s = float(s.end_s[down if shut is None else shut]) + s.hold_s
        if standing and (shut is None or broken_s - held_s < QUIET_S):
            return
        self.now.left_s = broken_s
        if self.placed_s is not None and held_s < self.placed_s < broken_s:
            broken_s = self.placed_s  # by then it was over
        on_s = max(broken_s - held_s, 0.0)
        over_s = min(on_s / 2.0, LOOKED_AT_S)
        if shut is not None and on_s >= LONGER_PART * s.hold_s:
            over_s = on_s - LOOKED_AT_S / 4.0
        end_s = broken_s - over_s  # between its hold and the vacuum that was broken nothing tells when people were done
        self.end(end_s, k, max(120.0, end_s - held_s, self.now.left_s - end_s))

    def _begin_evacuation(self, k: int) -> None:
        s = self.s
        pulled_s = 0.0
        if self.stage == "recovery":  # nothing was pumped while it pulled; without a scale this looks like more of it
            pulled_s = self.rested_s if s.end_s[k] - self.active_s < REST_S else self.active_s
        j = self.pulled_from(k, min(int(np.searchsorted(s.end_s, pulled_s)), k))
        in_sight = j - int(np.argmin(s.probe[: j + 1][::-1])) + 1
        if 0 < in_sight < j and not s.seen[in_sight - 1] and not s.pressure_pa[k] < STOOD_DOWN_PART * s.pressure_pa[j]:
            j = in_sight  # it did not stand before: it was on its way when the probe came to show it
        if not self.found and s.seen[0] and np.nanmax(s.pressure_pa[: j + 1]) < PUMPED_PA:
            j = 0  # the log began in it
        at_s = float(s.begin_s[j]) if j else 0.0
        note = "" if j or self.contents != "vacuum" else "it may have begun before the log"
        ended = j < k and bool(s.at_end[[j, k]].all() and not s.probe[j] and s.probe[j + 1])
        j += ended
        alone = ended or (j > 0 and not s.seen[j - 1])
        within_s = 120.0
        if alone and s.pump_s[j] > self.floor_s:
            at_s, note = float(s.pump_s[j]), "the mark of its pump tells when"
        elif alone:
            at_s, within_s = self.out_of_sight(j, k), 900.0
            note = "only the vacuum probe shows it: its begin is reckoned from the fall that the probe saw"
        self.contents = "vacuum"
        self.begin("evacuation", at_s, k, within_s, note)

    def _test(self, k: int) -> None:
        s = self.s
        p, air = s.calm_pa[k], s.barometer_pa[k]
        if np.isnan(p):
            return
        if self.stage == "pressure_test":
            self._bleeding(k)
            return
        if self.stage in ("evacuation", "charging") or p < 1.35 * air or self.contents == "vacuum":
            return
        apart = self._stood_apart(k)
        if self.contents == "refrigerant" and not apart and (self.latest == "charging" or not self._too_high(k)):
            return  # nobody tests with nitrogen upon a charge
        if self.contents == "nitrogen" and self.found and not p > 1.15 * self.trough_pa:
            return  # what a bleed left
        if not self.found and self.put_on(k) is not None:
            return  # what gas does in the next minutes tells it from liquid that stood there
        if self.moved_by_hose(k, 10) or k < 2 or np.nanmin(s.pressure_pa[max(k - 2, 0) : k + 1]) < 1.3 * air:
            return
        sure = apart or (self._let_in(k) if self.contents in ("open", "nitrogen") else self._no_refrigerant(k))
        stood = not sure and self._only_gas_stands(k)
        if not (sure or stood):
            return
        at_s, note = self._filled_from(k)
        if stood:
            note = "no liquid would stand at this pressure, so it is nitrogen, or vapour that was left there"
        else:
            self.contents = "nitrogen"
        self.begin("pressure_test", at_s, k, note=note)
        self.level_pa = float(p)

    def _let_in(self, k: int) -> bool:
        """Return whether gas came into a circuit without refrigerant, and stays."""
        s = self.s
        p, first = s.calm_pa[k], s.back(k, 5)
        stays = k - first >= 2 and p >= 0.99 * np.nanmax(s.calm_pa[first : k + 1])
        if p < TEST_PA:  # a purge is let out sooner
            stays = stays and bool(np.nanmin(s.calm_pa[s.back(k, STANDS_MINUTES) : k + 1]) > 1.3 * s.barometer_pa[k])
        if self.bears and self.may_hide_vacuum(k):  # it may be charged: then the scale will show it
            stays = stays and self.held(k, STANDS_MINUTES, 0.015)
        return bool(stays and (self.contents == "open" or p > TEST_PA or self.rushed(k)))

    def _no_refrigerant(self, k: int) -> bool:
        """Return whether pressure in a circuit that held refrigerant is one that this would not come to."""
        s = self.s
        p = s.calm_pa[k]
        above = min(p, s.pressure_pa[k]) > NEAR_HIGH_PART * s.saturation_high_pa[k]
        near = NEAR_LOW_PART * s.saturation_low_pa[k] < p if self.scaled else self._surely_full(k)
        boils = near and (bool(self.found) or self.contents != "remnant")  # a log began with too little for liquid
        boils = boils and (not self.scaled or self.slowed_down(k))  # a charge would have been weighed
        low_pa = min(self.remnant_pa, self.trough_pa)
        drawn_s = self.active_s if self.stage == "recovery" else -np.inf  # what rose before was drawn again
        rushed = self.rushed(k, drawn_s)
        apart = not boils and p > max(1.5 * low_pa, low_pa + 1e5, TEST_PA) and rushed
        stands = self.held(k, STANDS_MINUTES, 0.015)
        if (above and self.contents != "unknown") or ((above or apart) and stands):  # a machine that stopped cools
            return True
        unweighed = self.contents == "remnant" and self.scaled and not self.has_scale(k) and not boils
        off_s = drawn_s if self.off_s is None else max(drawn_s, self.off_s)  # a cylinder that stood there was paused
        return unweighed and self.rushed(k, off_s) and (stands or (not near and self.held(k, 5, 0.03)))

    def _only_gas_stands(self, k: int) -> bool:
        """Return whether a log shows nothing yet but gas that stands, under where liquid would, as for a test."""
        s = self.s
        alone = not self.found and self.contents == "remnant" and self.flowed is None and not s.running[k]
        gas = alone and TEST_PA < s.calm_pa[k] < NEAR_LOW_PART * s.saturation_low_pa[k]
        return bool(gas and self.held(k, IDLE_MINUTES, STOOD_PART))

    def _stood_apart(self, k: int) -> bool:
        """Return whether in a log that began at the job's test pressure this stood while saturation moved away."""
        s = self.s
        if self.off_test_part >= TESTED_PART or self.scaled or self.found or self.flowed is not None:
            return False
        back = np.log(s.calm_pa[k::-1])
        span = np.fmax.accumulate(back) - np.fmin.accumulate(back)
        sat = np.log([s.saturation_low_pa[k::-1], s.saturation_high_pa[k::-1]])
        moved = np.abs(sat - sat[:, :1]).min(axis=0)
        return bool(((moved > APART_PART) & (span < FOLLOWS * moved)).any() and not s.running[k])

    def _too_high(self, k: int) -> bool:
        """Return whether no refrigerant could stand at this pressure in a machine that does not run."""
        s = self.s
        asked = self.off_test_part < TESTED_PART and not self.scaled
        high_pa = (NEAR_HIGH_PART if asked else TOO_HIGH_PART) * s.saturation_high_pa[k]
        idle = s.end_s[k] - self.ran_s > 60 * MINUTE_S
        return bool(idle and s.calm_pa[k] > high_pa and self.held(k, STANDS_MINUTES, 0.015))

    def _filled_from(self, k: int) -> tuple[float, str]:
        """Return when the filling began: when pressure left the air's, or what a recovery had left."""
        s = self.s
        first = self.read_from(int(np.searchsorted(s.end_s, self.floor_s)), k)  # people watch a gauge while they fill
        above_pa = s.pressure_pa[first : k + 1] - s.barometer_pa[first : k + 1]
        low = np.flatnonzero(above_pa <= 0.1 * s.barometer_pa[first : k + 1])
        if not len(low):  # on top of what a recovery, or a bleed that stopped, had left
            rushes = self.rushes(first, k)
            j = int(rushes[0]) if len(rushes) else first
            left = np.flatnonzero(s.pressure_pa[j : k + 1] > 1.05 * s.calm_pa[j] + 3e3)
            return float(s.begin_s[j + int(left[0]) if len(left) else j]), "it may have begun earlier"
        last = min(first + int(low[-1]) + 1, k)
        last += int(np.argmax(~np.isnan(s.pressure_pa[last : k + 1])))
        let_in = self.rushes(last, k)
        j = int(let_in[0]) if len(let_in) else last
        crept = s.pressure_pa[last : j + 1] - s.pressure_pa[np.maximum(np.arange(last, j + 1) - 3, 0)]
        if not (crept > FLICKER_PA).any():  # vapour from the oil, not a first step of the filling, came over the air's
            last = j + int(np.flatnonzero(np.append(s.pressure_pa[j:k], np.inf) > 1.05 * s.calm_pa[j] + 3e3)[0])
        j = self.departure(last, 1.0)
        while j > first and s.pressure_pa[j] - s.pressure_pa[j - 1] > FLICKER_PA / 4.0:  # out of the vacuum at once
            j -= 1
        return float(s.begin_s[j]), ""

    def _bleeding(self, k: int) -> None:
        """A test ends when the gas is let out: faster than any leak that one would wait for.

        What falls to the air's pressure at once may be a hose that was moved: that is known once it is put on again.
        """
        s = self.s
        p = s.calm_pa[k]
        if self.fell is not None:
            self._hose_off(self.fell, k)
            return
        if p > self.level_pa or self.held(k, 5, LEAKS_PART, 0.0):
            self.level_pa = float(p)
        part = s.pressure_pa[k] / self.level_pa
        if part < 0.92 and p < 0.95 * self.level_pa:
            j = k
            while j > 0 and s.pressure_pa[j - 1] < 0.985 * self.level_pa:
                j -= 1
            self.fell = j
            if k - j > 2 or abs(s.pressure_pa[k] / s.barometer_pa[k] - 1.0) > HOSE_PART:
                self._end_test(k)

    def _hose_off(self, fell: int, k: int) -> None:
        """Let a test go on whose gauge fell to the air's pressure in minute `fell` and stands again where it stood.

        Gas from a cylinder takes minutes to come there, and cools when it has.
        """
        s = self.s
        off = np.abs(s.pressure_pa[fell : k + 1] / s.barometer_pa[fell : k + 1] - 1.0) < HOSE_PART
        last = fell + int(np.flatnonzero(off)[-1])
        again = s.pressure_pa[last + 2 : k + 1] - self.level_pa
        same_pa, stands_pa = (max(part * self.level_pa, 1.01 * s.step_pa[k]) for part in (SAME_PART, PUT_ON_PART))
        filled = len(again) > 0 and not (np.ptp(again) <= stands_pa and np.abs(again).max() <= same_pa)
        if filled or (last == k and s.end_s[k] - s.begin_s[fell] > HOSE_MINUTES * MINUTE_S):
            self._end_test(k)
        elif s.end_s[k] - s.end_s[last] >= PUT_ON_MINUTES * MINUTE_S:
            self.fell, self.level_pa = None, float(s.calm_pa[k])

    def _end_test(self, k: int) -> None:
        lowest_pa = np.nanmin(self.s.calm_pa[self.fell : k + 1])
        self.give_way(float(self.s.begin_s[k]), k)
        self.trough_pa = float(lowest_pa)

    def _opened(self, k: int) -> None:
        """A circuit that stands at the air's pressure after it was emptied is open."""
        s = self.s
        if self.now is not None or self.contents not in ("remnant", "nitrogen", "refrigerant", "unknown"):
            return
        at_air = abs(s.calm_pa[k] / s.barometer_pa[k] - 1.0) < OPEN_PART
        if not (at_air and self.held(k, OPEN_MINUTES, 0.02, 1_500.0)):
            return
        refrigerant_known = not np.isnan(s.saturation_low_pa[k])
        if self.contents in ("remnant", "nitrogen") or (refrigerant_known and not self.at_saturation(k)):
            self.contents = "open"
