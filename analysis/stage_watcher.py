"""Follows the signals of a log minute by minute and says which stage begins and ends, as a watcher would.

The watcher remembers what is in the circuit (refrigerant, what a recovery left, nitrogen, air, vacuum): the same
rise of pressure is a filling with nitrogen after a repair, and liquid boiling up after a recovery. A stage
once recognised keeps its begin; its end is filled in when it is known. Nothing looks ahead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.stage_look_back import LookBack
from analysis.stage_signals import MINUTE_S, Signals

Contents = Literal["unknown", "refrigerant", "remnant", "open", "nitrogen", "vacuum"]

AT_REST_MINUTES = 30
"""A machine stands so long before it is called at rest (common practice)."""
AT_REST_CHANNELS = 3
AT_REST_SPREAD_K = 2.0
READY_S = 120.0
REST_EDGE_S = 180.0
"""People take a few minutes from the first row to standing back, and from there to the first flow."""
SETTLED_MINUTES = 8
"""Pressure that stood so long far under saturation shows that no liquid is left to bring it back."""
PLACED_MINUTES = 10
"""A cylinder put on, or taken off, within so many minutes of the flow belongs to it: the bound is put midway."""
RUN_MINUTES, STOP_MINUTES = 3, 30
"""A compressor runs after three minutes, and has stopped for good after half an hour (it may cycle)."""
PAUSE_S = 780.0
"""A recovery's last pause is looked at for ten minutes to a quarter of an hour (common practice)."""
IDLE_MINUTES = 90
"""Recovery and charging are over when nothing moved for so long."""
STEP_PA = 600.0
"""Two minutes that fall by as much each are a machine that pulls."""
FLICKER_PA = 8e3
"""A gauge may flicker by a step of 1 psi."""
VACUUM_PA = 3e3
PUMPED_PA = 1.3e3
"""Under this there is a vacuum pump at work; the deepest recovery asked for is 25 mmHg, 3.3 kPa (40 CFR 82.156)."""
BROKEN_PA = 15e3
"""No leak that one would hold against comes so high: the vacuum was broken."""
BROKEN_MINUTES = 90
"""A vacuum broken by a sweep of nitrogen is pumped down again within this."""
TEST_PA = 300e3
"""Nitrogen at 3 bar and above is a test, whatever was in the circuit before."""
STANDS_MINUTES = 15
OPEN_MINUTES = 10


@dataclass
class Found:
    """One stage as it was found; seconds since the log's first row, `known` as the number of a minute."""

    stage: str
    begin_s: float
    known: int
    within_s: float = 120.0
    note: str = ""
    end_s: float | None = None
    ended: int | None = None


def watch(signals: Signals) -> list[Found]:
    """Return the stages found, in the order of their recognition; none overlap."""
    watcher = _Watcher(signals)
    for k in range(len(signals)):
        watcher.step(k)
    return watcher.found


class _Watcher(LookBack):
    def __init__(self, signals: Signals) -> None:
        super().__init__(signals)
        self.found: list[Found] = []
        self.now: Found | None = None
        self.contents: Contents = "unknown"
        self.floor_s = 0.0  # no stage begins before this
        self.ran_s = -np.inf  # end of the last minute in which the compressor ran
        self.flowed: int | None = None  # last minute in which refrigerant came onto the scale or left it
        self.active_s = 0.0  # when the stage last did something
        self.lowest_pa = np.inf
        self.remnant_pa = np.inf  # lowest pressure since refrigerant was taken out
        self.trough_pa = np.inf  # lowest pressure since a stage ended
        self.level_pa = 0.0
        self.settled_pa = np.inf
        self.off_s: float | None = None  # since when no cylinder stands on the scale
        self.placed_s: float | None = None
        self.broken_s: float | None = None
        self.rest: int | None = None

    # --- bookkeeping ----------------------------------------------------------------------------------

    @property
    def stage(self) -> str:
        return "" if self.now is None else self.now.stage

    def begin(self, stage: str, at_s: float, k: int, within_s: float = 120.0, note: str = "") -> None:
        at_s = max(at_s, self.floor_s)
        if self.now is not None:
            self.end(at_s, k)
        self.now = Found(stage, at_s, k, within_s, note)
        self.found.append(self.now)
        self.active_s = float(self.s.begin_s[k])
        self.lowest_pa = np.inf
        self.level_pa = 0.0
        self.settled_pa = np.inf
        self.broken_s = None

    def end(self, at_s: float, k: int) -> None:
        if self.now is None:
            return
        self.now.end_s = float(min(max(at_s, self.now.begin_s + MINUTE_S), self.s.end_s[k]))
        self.now.ended = k
        self.floor_s = self.now.end_s
        self.now = None

    def moved_by_hose(self, k: int, minutes: float) -> bool:
        return self.flowed is not None and self.s.end_s[k] - self.s.end_s[self.flowed] < minutes * MINUTE_S

    # --- one minute -----------------------------------------------------------------------------------

    def step(self, k: int) -> None:
        s = self.s
        p = s.calm_pa[k]
        self._scale(k)
        if s.running[k] and not np.isnan(p):
            self.ran_s = float(s.end_s[k])
        self.trough_pa = float(np.fmin(self.trough_pa, p)) if self.now is None else np.inf
        if self.contents == "unknown":
            self._first_guess(k)
        self.remnant_pa = float(np.fmin(self.remnant_pa, p)) if self.contents == "remnant" else np.inf
        self._startup(k)
        if self.stage != "startup":
            self._evacuation(k)
            self._flows(k)
            self._recovery_by_pressure(k)
            self._recovery(k)
            self._charging(k)
            self._test(k)
        self._opened(k)
        self._at_rest(k)

    def _scale(self, k: int) -> None:
        s = self.s
        if s.flow_kg[k] != 0.0:
            self.flowed = k
        if s.swapped[k] or k == 0:
            if s.on_scale[k]:
                if self.off_s is not None or self.placed_s is None:
                    self.placed_s = float(s.begin_s[k]) if k else None
                self.off_s = None
            elif self.off_s is None:
                self.off_s = float(s.begin_s[k])

    def _first_guess(self, k: int) -> None:
        s = self.s
        p = s.calm_pa[k]
        if np.isnan(p):
            return
        near = 0.8 * s.saturation_low_pa[k] < p < 1.25 * s.saturation_high_pa[k]
        if abs(p / s.barometer_pa[k] - 1.0) < 0.05 and not near and not np.isnan(s.saturation_low_pa[k]):
            self.contents = "open"  # whatever comes soon, comes into a circuit that stood open
        if k < 3:
            return
        if p < 0.7 * s.barometer_pa[k]:
            self.contents = "vacuum" if p < VACUUM_PA else "remnant"
        elif np.isnan(s.saturation_low_pa[k]):
            stood_open = self.trough_pa < 1.2 * s.barometer_pa[k]
            self.contents = "refrigerant" if p > 1.35 * s.barometer_pa[k] and not stood_open else "unknown"
        elif 0.8 * s.saturation_low_pa[k] < p < 1.25 * s.saturation_high_pa[k] or s.running[k]:
            self.contents = "refrigerant"
        elif p > 1.35 * s.saturation_high_pa[k]:
            self.contents = "nitrogen"
        elif abs(p - s.barometer_pa[k]) < 0.05 * s.barometer_pa[k]:
            self.contents = "open"
        elif p > 1.35 * s.barometer_pa[k]:
            self.contents = "refrigerant"

    # --- running --------------------------------------------------------------------------------------

    def _startup(self, k: int) -> None:
        s = self.s
        if self.stage == "startup":
            stopped_s = s.end_s[k] - self.ran_s
            if stopped_s >= STOP_MINUTES * MINUTE_S or (stopped_s > 0 and s.flow_kg[k] > 0):
                self.end(self.ran_s, k)
            return
        if not s.running[k] or (self.contents not in ("unknown", "refrigerant") and not s.load_read[k]):
            return
        first = s.back(k, RUN_MINUTES)
        ran = s.running[first : k + 1]
        if s.end_s[k] - s.begin_s[first] < (RUN_MINUTES - 0.5) * MINUTE_S or not ran.all() or k - first < 1:
            return
        if self.stage in ("charging", "recovery") and self.moved_by_hose(k, 10):
            return
        while first > 0 and s.running[first - 1]:
            first -= 1
        at_s = float(s.begin_s[first])
        if self.stage == "charging":
            self._end_charging(k, at_s)
        self.contents = "refrigerant"
        self.begin("startup", at_s, k)

    # --- vacuum ---------------------------------------------------------------------------------------

    def _evacuation(self, k: int) -> None:
        s = self.s
        p, air = s.calm_pa[k], s.barometer_pa[k]
        if np.isnan(p):
            return
        if self.stage != "evacuation":
            emptied = self.contents in ("open", "nitrogen", "vacuum") and self.stage != "recovery"
            nameless = self.contents == "unknown" and np.isnan(s.saturation_low_pa[k]) and self.flowed is None
            emptied = emptied or nameless
            first = s.back(k, 5)
            pumped = bool(s.probe[k]) and k - first >= 2 and np.nanmax(s.pressure_pa[first : k + 1]) < PUMPED_PA
            pumped = pumped and not self.moved_by_hose(k, 10)
            if (emptied and p < 0.5 * air and s.pressure_pa[k] < 0.6 * air) or pumped:
                self._begin_evacuation(k)
            return
        if p < max(VACUUM_PA, self.lowest_pa + BROKEN_PA / 2.0):
            self.broken_s = None  # pumped down again
        self.lowest_pa = min(self.lowest_pa, float(p))
        leaving = s.flow_kg[k] < 0
        if self.broken_s is None:
            high = p > self.lowest_pa + BROKEN_PA and p > 1.5 * self.lowest_pa
            if high or (leaving and p > self.lowest_pa + 1e3 and p > 2.0 * self.lowest_pa):
                self.broken_s = float(
                    s.begin_s[self.departure(k, 1.0, 1.0, 700.0 if s.probe[s.back(k, 10)] else 0.5 * FLICKER_PA)]
                )
        if self.broken_s is None:
            return
        if leaving:
            self._begin_charging(k)
            return
        if p > 1.25 * air:
            if not np.isnan(s.weight_kg[k]):
                if s.end_s[k] - self.broken_s > 15 * MINUTE_S and not self.moved_by_hose(k, 15):
                    self._leave_vacuum(k, "nitrogen")
                return
            warm = s.saturation_high_pa[k]
            if not np.isnan(warm) and p > 1.15 * warm:
                self._leave_vacuum(k, "nitrogen")
            elif np.isnan(warm) or self.held(k, STANDS_MINUTES, 0.03):
                if np.isnan(warm) or p > 0.8 * s.saturation_low_pa[k]:
                    self._begin_charging(k)
                else:
                    self._leave_vacuum(k, "nitrogen")
        elif s.end_s[k] - self.broken_s > BROKEN_MINUTES * MINUTE_S:
            self._leave_vacuum(k, "open")

    def _leave_vacuum(self, k: int, contents: Contents) -> None:
        if self.broken_s is not None:
            self.end(self.broken_s, k)
        self.contents = contents

    def _begin_evacuation(self, k: int) -> None:
        s = self.s
        j = self.pulled_from(k)
        at_s = float(s.begin_s[j]) if j else 0.0
        note = "" if j or self.contents != "vacuum" else "it may have begun before the log"
        alone = np.isnan(s.pressure_pa[max(j - 1, 0)]) and j > 0
        if alone:
            at_s = self.out_of_sight(j, k)
            note = "only the vacuum probe shows it: its begin is reckoned from the fall that the probe saw"
        if self.stage == "recovery":
            self._end_recovery(k, at_s)
        self.contents = "vacuum"
        self.begin("evacuation", at_s, k, 120.0 if not alone else 900.0, note)

    # --- by the scale ---------------------------------------------------------------------------------

    def _flows(self, k: int) -> None:
        s = self.s
        flow, p = s.flow_kg[k], s.calm_pa[k]
        if flow > 0 and self.stage != "recovery":
            if self.stage in ("evacuation", "pressure_test") or self.contents in ("open", "nitrogen", "vacuum"):
                return
            self._begin_recovery(k, self.flow_onset(k, 1.0))
        elif flow < 0 and self.stage not in ("charging", "evacuation", "pressure_test"):
            if self.contents in ("open", "nitrogen"):
                return
            if self.contents == "remnant" or self.stage == "recovery":
                rising = not np.isnan(p) and p > 1.1 * s.calm_pa[s.back(k, 10)]
                if flow > -2.0 or not rising:
                    return
            self._begin_charging(k)

    def _midway(self, flow_s: float) -> tuple[float, float]:
        """Return the begin between the cylinder's coming and the flow, and how unsure it is."""
        if self.placed_s is None or not 0 <= flow_s - self.placed_s <= PLACED_MINUTES * MINUTE_S:
            return flow_s, 120.0
        apart = flow_s - max(self.placed_s, self.floor_s)
        return flow_s - apart / 2, 120.0 + max(apart, 0.0) / 2

    def _begin_recovery(self, k: int, onset: int, note: str = "") -> None:
        at_s, within_s = self._midway(float(self.s.end_s[onset]))
        if self.stage == "at_rest":
            first_s = min(at_s, self.placed_s if self.placed_s is not None and self.placed_s > 0 else at_s)
            if at_s - first_s > PLACED_MINUTES * MINUTE_S:
                first_s = at_s
            self.end(first_s - REST_EDGE_S, k)
        elif self.stage == "charging":
            self._end_charging(k, at_s)
        self.contents = "remnant"
        self.off_s = None if self.has_scale(k) else self.off_s
        self.begin("recovery", at_s, k, within_s, note)

    def _recovery_by_pressure(self, k: int) -> None:
        """A pressure that falls from saturation without a scale to see why."""
        s = self.s
        p = s.calm_pa[k]
        if self.contents != "refrigerant" or self.stage not in ("", "at_rest") or np.isnan(p):
            return
        if not np.isnan(s.weight_kg[k]) and not self.has_scale(k):
            return  # nothing stands on the scale that could take it
        if s.end_s[k] - self.ran_s < 60 * MINUTE_S or any(one.stage != "at_rest" for one in self.found):
            return  # a machine that ran or was charged falls by running, whether or not that is seen
        first = s.back(k, 60)
        before = s.calm_pa[first : k + 1]
        if k - first < 5 or p > 0.85 * np.nanmax(before) or np.nanmax(before) < 20e3:
            return
        low = s.saturation_low_pa[k]
        if not np.isnan(low) and p > 0.85 * low:
            return
        level = float(np.nanmax(before))
        j = k
        while j > first and s.calm_pa[j - 1] < 0.98 * level:
            j -= 1
        note = "" if self.has_scale(k) else "no scale shows when the liquid began to move, so it may have begun earlier"
        self._begin_recovery(k, max(j - 1, 0), note)
        if self.now is not None and note:
            self.now.within_s = 900.0

    def _recovery(self, k: int) -> None:
        s = self.s
        p = s.calm_pa[k]
        if self.stage != "recovery" or self.now is None or np.isnan(p):
            return
        before = s.calm_pa[s.back(k, 5)]
        if s.flow_kg[k] > 0:
            self.active_s = max(self.active_s, self.last_flow(k))
        steps = np.diff(s.pressure_pa[max(k - 2, 0) : k + 1])
        falls = len(steps) == 2 and bool(np.all(steps < -STEP_PA))
        if falls or (p < 0.97 * before and (p < before - FLICKER_PA or p < 0.97 * self.lowest_pa)):
            self.active_s = max(self.active_s, float(s.end_s[k]) - (0.0 if falls else 2.5) * MINUTE_S)
        self.lowest_pa = min(self.lowest_pa, float(p))
        idle_s = s.end_s[k] - self.active_s
        if idle_s > SETTLED_MINUTES * MINUTE_S and self.held(k, SETTLED_MINUTES, 0.03, 1_500.0):
            empty_pa = 0.8 * s.barometer_pa[k] if np.isnan(s.saturation_low_pa[k]) else 0.6 * s.saturation_low_pa[k]
            self.settled_pa = float(p) if p < empty_pa else np.inf
        if idle_s > 3 * MINUTE_S and p > 1.15 * self.settled_pa + 5e3 and self.rushed(k):
            self._end_recovery(k)
            self.contents = "nitrogen"
        elif idle_s > IDLE_MINUTES * MINUTE_S:
            self._end_recovery(k)
        elif (
            self.lowest_pa < 0.85 * s.barometer_pa[k]
            and abs(p / s.barometer_pa[k] - 1.0) < 0.05
            and self.held(k, OPEN_MINUTES, 0.02)
        ):
            self._end_recovery(k)
            self.contents = "open"

    def _end_recovery(self, k: int, at_most_s: float = np.inf) -> None:
        """The last pause belongs to it; a cylinder that leaves the scale says when people were done."""
        end_s = self.active_s + PAUSE_S
        if self.off_s is not None and self.off_s > self.active_s - 5 * MINUTE_S:
            end_s = self.off_s if self.off_s - self.active_s < 2.0 * PAUSE_S else end_s
        elif not self.has_scale(k) and self.lowest_pa < np.inf:
            end_s = min(end_s, self._rise_s(k))
        self.end(min(end_s, at_most_s), k)
        self.contents = "remnant"

    def _rise_s(self, k: int) -> float:
        """Return when pressure last stood at what it had come down to, infinite when it still does."""
        s = self.s
        if s.calm_pa[k] < 1.3 * self.lowest_pa + 5e3:
            return np.inf
        j = k
        while j > 0 and s.calm_pa[j] > 1.1 * self.lowest_pa + 2e3:
            j -= 1
        return float(s.end_s[j])

    # --- charging -------------------------------------------------------------------------------------

    def _begin_charging(self, k: int) -> None:
        s = self.s
        by_scale = s.flow_kg[k] < 0
        flow_s = float(s.end_s[self.flow_onset(k, -1.0)]) if by_scale else np.inf
        if self.stage == "evacuation" and self.broken_s is not None:
            together = abs(flow_s - self.broken_s) <= PLACED_MINUTES * MINUTE_S
            flow_s = flow_s if together else min(flow_s, self.broken_s)
        at_s, within_s = self._midway(flow_s)
        note = "" if by_scale else "no scale shows what flows"
        if self.stage == "recovery":
            self._end_recovery(k, at_s)
        elif self.stage == "at_rest":
            self.end(at_s - READY_S, k)
        self.contents = "refrigerant"
        self.begin("charging", at_s, k, within_s, note)

    def _charging(self, k: int) -> None:
        s = self.s
        if self.stage != "charging":
            return
        if s.flow_kg[k] < 0 or np.isnan(s.weight_kg[k]):
            self.active_s = float(s.end_s[k]) if np.isnan(s.weight_kg[k]) else max(self.active_s, self.last_flow(k))
        if s.end_s[k] - self.active_s > IDLE_MINUTES * MINUTE_S:
            self._end_charging(k)

    def _end_charging(self, k: int, at_most_s: float = np.inf) -> None:
        s, flowed_s = self.s, self.active_s
        end_s = flowed_s + READY_S if not np.isnan(s.weight_kg[k]) else at_most_s - PLACED_MINUTES * MINUTE_S
        if self.off_s is not None and 0 <= self.off_s - flowed_s <= 2 * PLACED_MINUTES * MINUTE_S:
            middle_s = (flowed_s + self.off_s) / 2
            soon = self.off_s - flowed_s <= PLACED_MINUTES * MINUTE_S
            end_s = max(middle_s, self.off_s - READY_S) if soon else middle_s
        self.end(min(end_s, at_most_s), k)

    # --- nitrogen -------------------------------------------------------------------------------------

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
        if self.contents == "refrigerant" and not self._too_high(k):
            return
        if self.contents == "nitrogen" and self.found and not p > 1.15 * self.trough_pa:
            return  # what a bleed left
        if self.moved_by_hose(k, 10) or k < 2 or np.nanmin(s.pressure_pa[max(k - 2, 0) : k + 1]) < 1.3 * air:
            return
        if self.contents in ("open", "nitrogen"):
            first = s.back(k, 5)
            sure = k - first >= 2 and p >= 0.99 * np.nanmax(s.calm_pa[first : k + 1])
        else:
            warm, cold = s.saturation_high_pa[k], s.saturation_low_pa[k]
            above = not np.isnan(warm) and p > 1.15 * warm and s.pressure_pa[k] > 1.15 * warm
            apart = np.isnan(cold) or p < 0.8 * cold
            low_pa = min(self.remnant_pa, self.trough_pa)
            apart = apart and p > max(1.5 * low_pa, low_pa + 1e5) and self.rushed(k)
            sure = above or (apart and p > TEST_PA and self.held(k, STANDS_MINUTES, 0.015))
        if not sure:
            return
        at_s, note = self._filled_from(k)
        if self.stage == "recovery":
            self._end_recovery(k, at_s)
        elif self.stage == "at_rest":
            self.found.remove(self.now) if self.now is not None and self.now.known >= k else self.end(at_s, k)
        self.contents = "nitrogen"
        self.begin("pressure_test", at_s, k, note=note)
        self.level_pa = float(p)

    def _too_high(self, k: int) -> bool:
        """Return whether no refrigerant could stand at this pressure in a machine that does not run."""
        s = self.s
        high_pa = 1.35 * s.saturation_high_pa[k]
        idle = s.end_s[k] - self.ran_s > 60 * MINUTE_S and not s.running[k]
        return bool(idle and s.calm_pa[k] > high_pa and self.held(k, STANDS_MINUTES, 0.015))

    def _filled_from(self, k: int) -> tuple[float, str]:
        """Return when the filling began: when pressure left the air's, or what a recovery had left."""
        s = self.s
        first = int(np.searchsorted(s.end_s, self.floor_s))
        low = np.flatnonzero(s.pressure_pa[first : k + 1] <= 1.1 * s.barometer_pa[first : k + 1])
        if not len(low):  # after a bleed that stopped: from where it stopped
            j = k
            while j > first and s.calm_pa[j - 1] <= 1.01 * s.calm_pa[j]:
                j -= 1
            return float(s.end_s[j] if j > first else s.begin_s[first]), "it may have begun earlier"
        left = min(first + int(low[-1]) + 1, k)
        return float(s.begin_s[self.departure(left, 1.0)]), ""

    def _bleeding(self, k: int) -> None:
        """A test ends when the gas is let out: faster than any leak that one would wait for."""
        s = self.s
        p = s.calm_pa[k]
        if self.held(k, 5, 0.01, 0.0) or p > self.level_pa:
            self.level_pa = float(p)
        part = s.pressure_pa[k] / self.level_pa
        rate = 1.0 - s.pressure_pa[k] / s.pressure_pa[s.back(k, 4)]
        if (part < 0.92 and p < 0.95 * self.level_pa and rate > 0.04) or part < 0.75:
            j = k
            while j > 0 and s.pressure_pa[j - 1] < 0.985 * self.level_pa:
                j -= 1
            self.end(float(s.begin_s[j]), k)
            self.contents = "nitrogen"

    # --- open, at rest --------------------------------------------------------------------------------

    def _opened(self, k: int) -> None:
        """A circuit that stands at the air's pressure after it was emptied is open."""
        s = self.s
        if self.now is not None or self.contents not in ("remnant", "nitrogen", "refrigerant", "unknown"):
            return
        if abs(s.calm_pa[k] / s.barometer_pa[k] - 1.0) > 0.06 or not self.held(k, OPEN_MINUTES, 0.02, 1_500.0):
            return
        near = 0.85 * s.saturation_low_pa[k] < s.calm_pa[k] < 1.15 * s.saturation_high_pa[k]
        if self.contents in ("remnant", "nitrogen") or (not near and not np.isnan(s.saturation_low_pa[k])):
            self.contents = "open"

    def _at_rest(self, k: int) -> None:
        s = self.s
        if self.found or self.contents not in ("refrigerant", "unknown"):
            return
        still = not s.running[k] and s.flow_kg[k] == 0.0 and s.channels[k] >= AT_REST_CHANNELS
        still = still and not s.spread_k[k] > AT_REST_SPREAD_K
        still = still and (np.isnan(s.calm_pa[k]) or self.held(k, 5, 0.02))
        if not still:
            if k >= 10:
                self.rest = None
            return
        if self.rest is None:
            self.rest = k if k >= 10 else 0
        began_s = float(s.begin_s[self.rest])
        if s.end_s[k] - began_s >= AT_REST_MINUTES * MINUTE_S:
            self.begin("at_rest", began_s + (REST_EDGE_S if self.rest == 0 else 0.0), k, 300.0)
