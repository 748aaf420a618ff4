"""Stages that move refrigerant: recovery, charging, start-up; by the scale where there is one, else by pressure."""

from __future__ import annotations

import numpy as np

from analysis.stages.look_back import BACK_MINUTES, FLICKER_PA, PULL_MINUTES, SLOW_KG, STILL_KG, STILL_MINUTES
from analysis.stages.signals import MINUTE_S, ON_SCALE_KG
from analysis.stages.state import OPEN_MINUTES, WatchState

READY_S = 120.0
REST_EDGE_S, TO_FLOW_S = 180.0, 90.0
"""People take a few minutes from the first row to standing back, and half of that from there to the first flow."""
SETTLED_MINUTES = 8
"""Pressure that stood so long far under saturation shows that no liquid is left to bring it back."""
PLACED_MINUTES = 10
"""A cylinder put on, or taken off, within so many minutes of the flow belongs to it."""
WATCHED_S = 2_700.0
"""A cylinder taken off this long after the last pull shows how long the last pause was watched."""
RUN_MINUTES, STOP_MINUTES = 3, 30
"""A compressor runs after three minutes, and has stopped for good after half an hour (it may cycle)."""
PAUSE_S = 780.0
"""A recovery's last pause is looked at for ten minutes to a quarter of an hour (common practice)."""
IDLE_MINUTES = 90
"""Recovery and charging are over when nothing moved for so long."""
STARTED_PART, STARTED_MINUTES = 0.93, 14
"""Pressure that falls under this part of itself within so many minutes and stays there: liquid would bring it back. On
the high side it rises as much."""
STANDS_PART = 0.015
"""What moves by less of itself in five minutes stands, as liquid does that is neither filled nor drawn from."""
CLEAR_PART = 1.5
"""The room tells well where liquid stands when the warmest thing's saturation is within this of the coldest's."""
BACK_PART = 0.7
"""A compressor that stopped lets pressure come back by more than this of its fall, one that unloads does not."""
CREEPS_PART = 0.1
"""Suction that rises by less than this of the way to where it counts as stopped follows its load."""
UNDER_PART = 0.97
"""What a compressor draws from stands a kelvin and more under what the coldest thing beside it would hold."""
HOSE_PART = 0.35
"""A hose that is taken off leaves its gauge nearer to the air's pressure than this part of it (common practice)."""
CHILL_K, HARDLY, STILL_COOLED = 1.5, 1.0 / 3.0, 0.5
"""Water that comes and goes through a vessel at rest is cooled by no more than this (common practice). By less than the
first part of it cooling has not begun; while it is more than the second the machine still runs."""
REST_S, DRAWN_S = 300.0, 150.0
"""A pull that goes on after a longer rest than the first is another one. Pressure that sinks over some minutes was
drawn down up to the second before, and the scale may go on for as long."""
UNSEEN_MINUTES, UNSEEN_S = 5, 900.0
"""Liquid is pulled for some minutes before pressure tells of it (common practice: a hose takes 2 to 5 kg a minute)."""
LIQUID_PART, KEPT_PART = 0.6, 0.95
"""Liquid that stands comes back to saturation within minutes: a circuit that stays between these parts of it is pulled,
one that stays lower holds no liquid (common practice)."""
SINKS_PART = 0.95
"""What stands in a circuit would have to cool by 1.5 K in half an hour to lose so much of its pressure by itself."""
OPEN_PART = 0.05
"""What stands so near the air's pressure may be open to it."""
UNSTATED_PART = 0.1
"""The air's pressure 900 m up is less than the standard atmosphere by this, where nobody states it."""
NEAR_LOW_PART, NEAR_HIGH_PART = 0.8, 1.15
"""Between these parts of what the coldest and the warmest thing beside the circuit hold, liquid may stand in it: probes
are not at the liquid (common practice)."""
TOO_HIGH_PART = 1.35
"""No refrigerant stands so high over the warmest thing's saturation in a machine that does not run."""
GAVE_MINUTES, GAVE_PART = 10, 0.015
"""A hose that draws liquid lowers what its gauge shows by more than this part within minutes (common practice)."""
PUT_ON_PART, PUT_ON_MINUTES = 0.007, 6
"""Gas that was let in cools by more than 2 K in so many minutes after that (common practice)."""
FULL_PART = 1.07
"""What stands over the warmest thing's saturation by more than a cylinder that is 2 K warmer is no refrigerant."""
LEAST_LEFT_PA, LEFT_PA = 1e3, 25e3
"""So much above the air's pressure and standing is what was left in the circuit (common practice)."""
CAME_BACK_PA = 5e3
"""What came back by more than this, twice what a circuit that stands open shows, would do so after one more pull."""
EMPTY_PART = 0.85
"""A pull that went under this part of the air's pressure did not end at the air's; gas let in goes above it."""


class RefrigerantStages(WatchState):
    """Recovery, charging and start-up, each by its own step."""

    def _startup(self, k: int) -> None:
        s = self.s
        self._startup_by_pressure(k)
        if self.stage == "startup":
            stopped_s = self._stopped(k)
            if s.end_s[k] - stopped_s >= STOP_MINUTES * MINUTE_S or (self.ran_s < s.end_s[k] and s.flow_kg[k] > 0):
                self.end(stopped_s, k)
            elif s.running[k] and s.flow_kg[k] < 0 and self.lighter(k, self.floor_s):
                self._begin_charging(k)  # what was short is added while it runs; what is laid there is taken off again
            return
        charged = self.stage == "evacuation" and self.broken_s is not None and np.isnan(s.weight_kg[k])
        known = self.contents in ("unknown", "refrigerant") or charged or s.load_read[k]
        if not s.running[k] or not known:
            return
        first = s.back(k, RUN_MINUTES)
        ran = s.running[first : k + 1]
        if s.end_s[k] - s.begin_s[first] < (RUN_MINUTES - 0.5) * MINUTE_S or not ran.all():
            return
        trickles = self.stage == "charging" and self.lighter(k, s.end_s[k] - PLACED_MINUTES * MINUTE_S)
        if self.moved_by_hose(k, PLACED_MINUTES) or trickles:
            return
        while first > 0 and s.running[first - 1]:
            first -= 1
        at_s = float(s.begin_s[first])
        if self.stage == "charging":  # to which it ran, too
            self.active_s = self.gave_until(self.active_s, k)
            at_s = max(at_s, self.active_s)
        if charged:  # what runs after its vacuum was broken has been charged in between
            self._begin_charging(k)
        self.contents = "refrigerant"
        self.begin("startup", at_s, k)

    def _startup_by_pressure(self, k: int) -> None:
        """Begin a start-up that no instrument shows: what was charged is drawn from, and into no cylinder."""
        s = self.s
        p = s.calm_pa[k]
        low_pa, high_pa = s.saturation_low_pa[k], s.saturation_high_pa[k]
        clear = bool(high_pa < CLEAR_PART * low_pa)
        told = clear or not np.isnan(s.chill_k[k])
        cold = told and p > UNDER_PART * low_pa  # only what stands beside it makes it so
        if self.runs_pa is not None:
            runs = p > self.runs_pa if self.high_side else p < self.runs_pa and not cold
            self.ran_s = float(s.end_s[k]) if runs or s.chill_k[k] > STILL_COOLED * CHILL_K else self.ran_s
        broken = self.stage == "evacuation" and self.broken_s is not None and not self.scaled
        charged = self.contents == "refrigerant" and any(one.stage == "charging" for one in self.found)
        if self.stage == "startup" or not (charged or broken) or s.load_read[k] or not np.isnan(s.lift[k]):
            return
        flowed_s = self.floor_s if self.flowed is None else max(self.floor_s, self.last_flow(self.flowed))
        then = max(s.back(k, STARTED_MINUTES), int(np.searchsorted(s.end_s, flowed_s)))
        if broken and not self.at_saturation(then):
            return
        began, by = None if cold else self._started(then, k, clear and self.scaled), "low side"
        if began is None:
            began, by = self._raised(then, k), "high side"
        if began is None:
            began, by = self._chilled(then, k), "water"
        if began is None:
            return
        if broken:  # what runs after its vacuum was broken has been charged in between
            self._begin_charging(k)
        shown = "the water" if by == "water" else "pressure"
        self.begin("startup", float(s.end_s[began]), k, 300.0, f"only {shown} shows that it runs")
        self.runs_pa = -np.inf if by == "water" else float(p + BACK_PART * (s.calm_pa[then] - p))
        self.high_side = by == "high side"
        self.ran_s = float(s.end_s[k])

    def _stopped(self, k: int) -> float:
        """Return when the compressor last ran [s]."""
        s = self.s
        if self.ran_s >= s.end_s[k] and s.run_read[k]:
            return self.ran_s
        if self.runs_pa is None:
            return self.stopped(k)
        if np.isinf(self.runs_pa):
            return float(s.end_s[self.cooled_until(int(np.searchsorted(s.end_s, self.ran_s)))])
        last = j = int(np.searchsorted(s.end_s, self.ran_s))
        back_pa = (-1.0 if self.high_side else 1.0) * (s.calm_pa[: last + 1] - self.runs_pa)
        while j > 0 and back_pa[j - 1] < back_pa[j]:  # it came back from when it stopped
            j -= 1
        ran = ~(back_pa[j:] > back_pa[j] + CREEPS_PART * max(-back_pa[j], 0.0))
        return float(s.end_s[j + int(np.flatnonzero(ran)[-1])])

    def _ready(self, flow_s: float) -> tuple[float, float]:
        """Return the begin, a little before the flow where the cylinder came just before, and how unsure it is."""
        if self.placed_s is None or not 0 <= flow_s - self.placed_s <= PLACED_MINUTES * MINUTE_S:
            return flow_s, 120.0
        apart = max(flow_s - max(self.placed_s, self.floor_s), 0.0)
        return flow_s - min(apart / 2, READY_S), 120.0 + apart / 2

    def _flows(self, k: int) -> None:
        s = self.s
        flow, p = s.flow_kg[k], s.calm_pa[k]
        elsewhere = self.contents in ("open", "nitrogen")
        elsewhere = elsewhere and not (p > 1.25 * s.barometer_pa[k] and (flow > 0 or self._may_be_charged(k)))
        tested = self.tests and not (flow > 0 and self._gives_way(k))
        if elsewhere or tested or self.stage == "evacuation":
            return
        if flow > 0 and self.stage != "recovery":
            first = int(np.flatnonzero(s.flow_kg[: k + 1] > 0)[0]) if self.tests else k  # it was none all the time
            self._begin_recovery(k, self.flow_onset(first, 1.0))
        elif flow < 0 and self.stage != "charging":
            if self.contents == "remnant" or self.stage == "recovery":
                rising = not np.isnan(p) and p > 1.1 * s.calm_pa[s.back(k, 10)]
                if not rising or flow > -2.0:
                    return
            self._begin_charging(k)

    def _may_be_charged(self, k: int) -> bool:
        """Return whether a circuit that was open may have been pumped unseen; else it is trace gas that comes in."""
        return self.may_hide_vacuum(k) or (self.at_saturation(k) and self.held(k, STILL_MINUTES, 0.03))

    def _gives_way(self, k: int) -> bool:
        """Return whether what a log began with gives way as a cylinder takes up refrigerant: no nitrogen is in it.

        Where liquid may stand, pressure falls after the scale began to move as it did not in the minutes before. Gas
        that stands for a test knows nothing of what flows onto a scale.
        """
        s, onset = self.s, self.flow_onset(k, 1.0)
        stood_pa = s.calm_pa[s.back(onset, GAVE_MINUTES) : onset + 1]
        first = len(self.found) == 1 and s.end_s[k] - s.end_s[onset] < 2 * GAVE_MINUTES * MINUTE_S
        least_pa = max(GAVE_PART * s.calm_pa[k], 1.5 * float(np.ptp(stood_pa)))
        gave = float(np.median(stood_pa) - s.calm_pa[k]) > least_pa
        low_pa, high_pa = s.saturation_low_pa[k], s.saturation_high_pa[k]
        return bool(first and gave and NEAR_LOW_PART * low_pa < s.calm_pa[k] < TOO_HIGH_PART * high_pa)

    def _begin_recovery(self, k: int, onset: int, note: str = "", unseen_s: float = 0.0) -> None:
        at_s, within_s = self._ready(float(self.s.middle_s[onset]))
        within_s = max(within_s, unseen_s)
        if self.stage == "at_rest":
            placed_s = at_s if self.placed_s is None else self.placed_s
            first_s = placed_s if 0 <= at_s - placed_s <= PLACED_MINUTES * MINUTE_S else at_s
            self.end(first_s - TO_FLOW_S, k, max(unseen_s, REST_S))
        self.contents = "remnant"
        self.off_s = None if self.has_scale(k) else self.off_s
        self.begin("recovery", at_s, k, within_s, note)

    def _recovery_by_pressure(self, k: int) -> None:
        """A pressure that falls from saturation without a scale to see why."""
        s = self.s
        p = s.calm_pa[k]
        if self.contents != "refrigerant" or self.stage not in ("", "at_rest") or np.isnan(p):
            return
        if s.end_s[k] - self.ran_s < 60 * MINUTE_S or any(
            one.stage not in ("at_rest", "startup") for one in self.found
        ):
            return  # a machine that ran or was charged falls by running
        first = s.back(k, 60)
        before = s.calm_pa[first : k + 1]
        if k - first < 5 or p > 0.85 * np.nanmax(before):
            return
        low = s.saturation_low_pa[k]
        if p > 0.85 * low:
            return
        if s.chill_k[k] > HARDLY * CHILL_K and p > LIQUID_PART * low:
            return  # a machine that runs cools water, too, but does not draw so deep
        level = float(np.nanmax(before))
        if abs(level / s.barometer_pa[k] - 1.0) < OPEN_PART and p < 0.9 * s.calm_pa[s.back(k, 5)]:
            return  # it may have stood open, and a vacuum pump goes on where a recovery ends
        j = k
        while s.calm_pa[j - 1] < 0.98 * level:
            j -= 1
        if any(not np.isnan(s.weight_kg[minute]) and not self.has_scale(minute) for minute in (j, k)):
            return  # nothing stands on the scale that could take it, or did as it fell
        least = int(np.searchsorted(s.end_s, self.floor_s))
        onset, seen = self.fell_from(j, least, k)
        if self.stirred is not None and s.end_s[k] - s.end_s[self.stirred] < PULL_MINUTES * MINUTE_S:
            onset, seen = least, self.found[-1].end_within_s < UNSEEN_S  # what ended the rest was the pull
        if not seen:
            onset = max(s.back(onset, UNSEEN_MINUTES), least)
        note = "" if seen else "no scale shows when the liquid began to move, so it may have begun earlier"
        at_s = float(s.middle_s[onset])
        unseen_s = max(UNSEEN_S, at_s - self.floor_s, float(s.end_s[j]) - at_s)  # back to what was seen before
        self._begin_recovery(k, onset, note, unseen_s)

    def _recovery(self, k: int) -> None:
        """End a recovery once gas was let in, nothing moved for long, or the circuit was opened."""
        s = self.s
        p = s.calm_pa[k]
        if self.stage != "recovery" or np.isnan(p):
            return
        self._draws(k)
        idle_s = s.end_s[k] - self.active_s
        if idle_s > SETTLED_MINUTES * MINUTE_S and self.held(k, SETTLED_MINUTES, 0.03, 1_500.0):
            low_pa = s.saturation_low_pa[k]
            empty_pa = 0.8 * s.barometer_pa[k] if np.isnan(low_pa) else LIQUID_PART * low_pa
            self.settled_pa = float(p) if p < empty_pa else np.inf
        filled = p > max(1.15 * self.settled_pa + 5e3, EMPTY_PART * s.barometer_pa[k])
        if idle_s > 3 * MINUTE_S and filled and self.rushed(k, self.active_s):
            self._end_recovery(k, self.came_to_air(k, self.active_s))
            self.contents = "nitrogen" if np.isnan(s.saturation_low_pa[k]) else "remnant"  # or liquid that boils back
        elif idle_s > IDLE_MINUTES * MINUTE_S:
            self._before_let_out()
            self._end_recovery(k)
        elif self._opens(k):
            self._before_let_out()
            self._end_recovery(k, self.came_to_air(k, self.active_s))
            self.contents = "open"

    def _draws(self, k: int) -> None:
        """Remember when refrigerant was last drawn: the scale shows it, or pressure that falls or is held down."""
        s = self.s
        p, before = s.calm_pa[k], s.calm_pa[s.back(k, 5)]
        if self.weighed(k, 1.0):
            self._pulled(self.weighed_s)
        falls = self.stepped(k) < 0
        into_cylinder = self.bears or np.isnan(self.weighed_s)
        wanders_pa = max(2.0 * s.flicker_pa[k], s.step_pa[k])
        active_pa = s.calm_pa[int(np.searchsorted(s.end_s, self.active_s))]
        sinks = p < before and p <= self.lowest_pa and p < SINKS_PART * s.calm_pa[s.back(k, 30)]
        sinks &= not p > active_pa - wanders_pa
        sinks |= p < min(0.97 * before, before - wanders_pa, before - FLICKER_PA)
        if into_cylinder and (falls or sinks):
            self._pulled(float(s.end_s[k]) - (0.0 if falls else DRAWN_S))
        elif np.isnan(s.weight_kg[k]) and p < 1.01 * before and LIQUID_PART < p / s.saturation_low_pa[k] < KEPT_PART:
            self._pulled(float(s.end_s[k]))
        self.lowest_pa = min(self.lowest_pa, float(p))

    def _before_let_out(self) -> None:
        """Forget what moved last where that was let out: the machine had drawn before."""
        if self._let_out():
            self.active_s = float(np.fmax(self.rested_s, self.weighed_s))

    def _let_out(self) -> bool:
        """Return whether what moved last went to the air's pressure and onto no scale: it was let out, or air in.

        Before that it stood deeper than a pull ends at the air's pressure, or a little above that, or came back there;
        what is let out goes no deeper than the air's, as one more pull does.
        """
        s = self.s
        at = int(np.searchsorted(s.end_s, self.active_s))
        since = int(np.searchsorted(s.end_s, self.rested_s))
        stood_pa = s.calm_pa[since : at + 1] - s.barometer_pa[at]
        highest_pa = np.fmax.reduce(stood_pa)
        came_back = highest_pa > max(stood_pa[0], 0.0) + CAME_BACK_PA and stood_pa[-1] > -LEAST_LEFT_PA
        left = came_back or (stood_pa[0] > LEAST_LEFT_PA and np.isnan(self.weighed_s))
        left = left and highest_pa < LEFT_PA
        handled = np.flatnonzero(s.swapped[since : at + 1])
        drawn = int(np.searchsorted(s.end_s, self.rested_s + DRAWN_S))
        weighed = min(max(since + int(handled[-1]) + 1 if len(handled) else since, drawn), at)
        gained = s.weight_kg[at] - s.weight_kg[weighed] > max(STILL_KG, 1.5 * s.restless_kg[at])
        at_air = abs(s.calm_pa[at] / s.barometer_pa[at] - 1.0) < OPEN_PART
        return bool((left or self.lowest_pa < EMPTY_PART * s.barometer_pa[at]) and at_air and not gained)

    def _pulled(self, at_s: float) -> None:
        if at_s - self.active_s > REST_S:
            self.rested_s = self.active_s
        self.active_s = max(self.active_s, at_s)

    def _opens(self, k: int) -> bool:
        """Return whether the circuit stands at the air's pressure: longer where a pull may have stopped there."""
        s = self.s
        minutes = OPEN_MINUTES if self.lowest_pa < EMPTY_PART * s.barometer_pa[k] else 3 * OPEN_MINUTES
        if s.end_s[k] - self.weighed_s < minutes * MINUTE_S:
            return False  # whatever the gauge shows: it may end there
        if self.at_saturation(k):
            return False  # liquid that boils in a pause comes there, too
        return abs(s.calm_pa[k] / s.barometer_pa[k] - 1.0) < OPEN_PART and self.held(k, minutes, 0.02)

    def at_saturation(self, k: int) -> bool:
        """Return whether pressure stands where the stated refrigerant would with liquid."""
        s = self.s
        low_pa, high_pa = NEAR_LOW_PART * s.saturation_low_pa[k], NEAR_HIGH_PART * s.saturation_high_pa[k]
        return bool(low_pa < s.calm_pa[k] < high_pa)

    def put_on(self, k: int) -> int | None:
        """Return the minute in which a gauge left the air's pressure and stood at saturation from the next one on.

        It is a hose that was put on: gas from a cylinder takes minutes to fill a circuit, and cools when it has. A
        small circuit is filled sooner, so where nobody states the refrigerant a scale has to say that some is moved.
        """
        s = self.s
        full = 0.95 * s.saturation_low_pa[k] < s.calm_pa[k] < FULL_PART * s.saturation_high_pa[k]
        if not (full or (self.scaled and np.isnan(s.saturation_low_pa[k]))):
            return None
        at_air = np.flatnonzero(np.abs(s.pressure_pa[: k + 1] / s.barometer_pa[: k + 1] - 1.0) < UNSTATED_PART)
        j = int(at_air[-1]) + 1 if len(at_air) else k
        since = s.pressure_pa[j + 1 : k + 1]
        if not len(since):
            return None
        stands = np.nanmax(since) - np.nanmin(since) <= max(PUT_ON_PART * s.calm_pa[k], s.step_pa[k])
        return j if stands else None

    def _end_recovery(self, k: int, at_most_s: float = np.inf) -> None:
        """The last pause belongs to it; a cylinder that leaves the scale says when people were done."""
        end_s, within_s = self.active_s + PAUSE_S, PAUSE_S * (2.0 if np.isnan(self.weighed_s) else 1.0)
        if self.off_s is not None and -5 * MINUTE_S < self.off_s - self.active_s < WATCHED_S:
            within_s = max(REST_S, abs(self.off_s - end_s) / 2)
            end_s = max(end_s, self.off_s - READY_S) if self.off_s > end_s else self.off_s
        self.end(min(self.read_until(end_s, k), at_most_s), k, within_s)

    def give_way(self, at_s: float, k: int) -> None:
        if self.stage == "recovery":
            self._end_recovery(k, at_s)
        elif self.stage == "charging":
            self._end_charging(k, at_s)
        else:
            super().give_way(at_s, k)

    def _begin_charging(self, k: int, came_s: float = np.inf) -> None:
        s = self.s
        by_scale = s.flow_kg[k] < 0
        flow_s = float(s.middle_s[self.flow_onset(k, -1.0)]) if by_scale else came_s
        if self.stage == "evacuation" and self.broken_s is not None:
            flow_s = flow_s if by_scale and self._came_after(self.broken_s) else min(flow_s, self.broken_s)
        elif self.contents == "vacuum" or not self.found:
            flow_s = min(flow_s, self.left_vacuum(k))
        at_s, within_s = self._ready(flow_s)
        note = "" if by_scale or self.has_scale(k) else "no scale shows what flows"
        self.contents = "refrigerant"
        self.begin("charging", at_s, k, within_s, note)
        if not by_scale:
            self.active_s = at_s

    def _came_after(self, at_s: float) -> bool:
        """Return whether the cylinder was put onto a bare scale after that: what came in then came from elsewhere."""
        bare = abs(self.s.weight_kg[np.searchsorted(self.s.end_s, at_s)]) <= ON_SCALE_KG
        return bool(bare and self.placed_s is not None and self.placed_s > at_s + MINUTE_S)

    def _charging(self, k: int) -> None:
        s = self.s
        if self.stage != "charging":
            return
        if self.weighed(k, -1.0):
            self.active_s = max(self.active_s, self.weighed_s)
        elif self._gives_on(k):
            self.active_s = float(s.end_s[k])
        if s.end_s[k] - self.active_s > IDLE_MINUTES * MINUTE_S and not np.isnan(self.weighed_s):
            self._end_charging(k)

    def _gives_on(self, k: int) -> bool:
        """Return whether what stands on the scale gave less, or slower, than a flow, but more than a scale drifts.

        What hands put there soon after the last flow belongs to it, whatever little it gives.
        """
        s = self.s
        first = max(s.back(k, PLACED_MINUTES), int(np.searchsorted(s.end_s, self.weighed_s)) + 1)
        soon = s.end_s[k] - self.active_s <= 2 * PLACED_MINUTES * MINUTE_S
        if soon and s.swapped[first : k + 1].any():
            return self.lighter(k, self.active_s + 2 * MINUTE_S)
        return self.lighter(k, self.active_s + STILL_MINUTES * MINUTE_S, SLOW_KG)

    def _started(self, then: int, k: int, no_valve: bool) -> int | None:
        """Return the minute after which pressure fell on and on, and stayed down as where a compressor runs.

        It may fall at once, to where no hose is taken off, when that shows `no_valve`: nothing flowed, and the circuit
        is colder than all beside it. So it may from where it stood: a hose that fills what is colder stands nowhere.
        """
        p, running = self.s.calm_pa, self.s.running
        level, low = p[then], np.fmax.reduce(p[self.s.back(k, BACK_MINUTES) : k + 1])
        if running[then : k + 1].any() or not low < STARTED_PART * level:
            return None
        left = then + int(np.flatnonzero(p[then : k + 1] >= 0.985 * level)[-1])
        went_on = p[min(left + 2, k)] - p[k] > (level - p[k]) / 4.0  # behind a valve that closes it falls at once
        on_gauge = p[k] > (1.0 + HOSE_PART) * self.s.barometer_pa[k]
        return left if went_on or (on_gauge and (no_valve or self.held(left, STILL_MINUTES, STANDS_PART))) else None

    def _raised(self, then: int, k: int) -> int | None:
        """Return the minute after which pressure rose at once from where it stood, and stayed up there.

        So it does on the high side of a compressor: a machine that stops on its low side comes back to saturation, a
        cylinder in the room raises it hardly higher, and a hose that is put on comes from the air's pressure. What
        nobody weighed may be nitrogen that is let in by steps.
        """
        s, p = self.s, self.s.calm_pa
        level, high = p[then], np.fmin.reduce(p[s.back(k, BACK_MINUTES) : k + 1])
        weighed = self.flowed is not None and s.end_s[self.flowed] > self.found[-1].begin_s
        driven = weighed and high > FULL_PART * s.saturation_high_pa[k]
        on_gauge = level > (1.0 + HOSE_PART) * s.barometer_pa[k]
        if s.running[then : k + 1].any() or not (driven and on_gauge and level < STARTED_PART * high):
            return None
        left = then + int(np.flatnonzero(p[then : k + 1] <= 1.015 * level)[-1])
        at_once = p[min(left + STILL_MINUTES, k)] - level > (p[k] - level) / 2.0
        return left if at_once and self.held(left, STILL_MINUTES, STANDS_PART) else None

    def _chilled(self, then: int, k: int) -> int | None:
        """Return the minute after which water left cooler and cooler, until it was cooled for minutes on end."""
        cooled = self.s.chill_k[self.s.back(k, RUN_MINUTES) : k + 1].min() > CHILL_K
        return self.last_warm(then, k) if cooled else None

    def last_warm(self, first: int, k: int) -> int | None:
        """Return the last minute from `first` to `k` in which water was hardly cooled, None where it always was."""
        warm = np.flatnonzero(self.s.chill_k[first : k + 1] < HARDLY * CHILL_K)
        return first + int(warm[-1]) if len(warm) else None

    def _end_charging(self, k: int, at_most_s: float = np.inf) -> None:
        s, flowed_s = self.s, self.active_s
        end_s, within_s = flowed_s + READY_S, REST_EDGE_S
        if np.isnan(self.weighed_s):  # liquid that flows at saturation may not be seen, up to what is seen next
            next_s = min(at_most_s, float(s.end_s[k]))
            if at_most_s < np.inf:
                end_s = at_most_s - min((at_most_s - flowed_s) / 2, 3 * REST_EDGE_S)
            first, last = np.searchsorted(s.end_s, (flowed_s, next_s - READY_S))
            shut_s = self.shut_at(int(first), min(int(last), k), k)
            end_s = end_s if shut_s is None else shut_s
            within_s = max(within_s, next_s - end_s, end_s - flowed_s)
        self.end(min(end_s, at_most_s), k, within_s)
