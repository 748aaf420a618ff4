"""Follows the signals of a log minute by minute and says which stage begins and ends, as a watcher would.

The watcher remembers what is in the circuit (refrigerant, what a recovery left, nitrogen, air, vacuum): the same
rise of pressure is a filling with nitrogen after a repair, and liquid boiling up after a recovery. A stage
once recognised keeps its begin; its end is filled in when it is known. Nothing looks ahead.
"""

from __future__ import annotations

import numpy as np

from analysis.stages.gas import GasStages
from analysis.stages.look_back import STILL_MINUTES, VACUUM_PA
from analysis.stages.refrigerant import (
    CHILL_K,
    CLEAR_PART,
    FULL_PART,
    NEAR_HIGH_PART,
    NEAR_LOW_PART,
    OPEN_PART,
    PUT_ON_MINUTES,
    REST_EDGE_S,
    UNSEEN_S,
)
from analysis.stages.signals import FLICKER_MINUTES, HELD_MINUTES, MINUTE_S, Signals
from analysis.stages.state import FILLED_PART, QUIET_S, TESTED_PART, Found

AT_REST_MINUTES = 18
"""A machine stands so long before it is called at rest (common practice)."""
AT_REST_CHANNELS = 2
AT_REST_SPREAD_K = 2.0
DEEP_PART = 0.3
"""What rises from under this part of the air's pressure in a log's first minutes had been pumped: no recovery at
pressures over the air's is asked to leave less than half of that (15 inHg, 40 CFR 82.156)."""
STIRRED_MINUTES, STIRRED = 30, 1.25
"""A circuit with liquid in it would have to warm by 8 K in half an hour to move its pressure by so much."""


def watch(signals: Signals) -> list[Found]:
    """Return the stages found, in the order of their recognition; none overlap."""
    watcher = _Watcher(signals)
    for k in range(len(signals)):
        watcher.step(k)
    if len(signals):
        watcher.seems_over(len(signals) - 1)
    return watcher.found


class _Watcher(GasStages):
    """All steps of a minute in their order."""

    def step(self, k: int) -> None:
        s = self.s
        p = s.calm_pa[k]
        self._scale(k)
        if s.running[k]:
            self.ran_s = float(s.end_s[k])
        self.trough_pa = float(np.fmin(self.trough_pa, p)) if self.now is None else np.inf
        if self.contents == "unknown":
            self._first_guess(k)
        if not self.found and self.contents in ("open", "unknown"):
            self._put_on(k)
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

    def seems_over(self, k: int) -> None:
        """Say when the stage ended as it looks in minute `k`, the last of the log; what follows may tell more."""
        seen = self.now
        if seen is not None and self.s.end_s[k] - self.active_s >= QUIET_S:
            self._end_as_it_looks(k)
            seen.ended = seen.left_s = None

    def _end_as_it_looks(self, k: int) -> None:
        """End the stage where it last did something; what may go on unseen goes on."""
        if self.stage == "recovery":
            self._end_recovery(k)
        elif self.stage == "charging":
            if not np.isnan(self.weighed_s):
                self._end_charging(k)
        elif self.stage == "evacuation":
            self._end_evacuation(float(self.s.end_s[k]), k, self.broken_s is None)
        elif self.stage == "startup":
            stopped_s = self._stopped(k)
            if self.s.end_s[k] - stopped_s >= QUIET_S:
                self.end(stopped_s, k)
        elif self.fell is not None:
            self.give_way(float(self.s.end_s[k]), k)

    def _scale(self, k: int) -> None:
        s = self.s
        if s.flow_kg[k] != 0.0:
            self.flowed = k
        if not np.isnan(s.weight_kg[k]):
            self.scaled, self.bears = True, bool(s.on_scale[k])
        if s.swapped[k] or k == 0:
            if s.on_scale[k]:
                if self.off_s is not None or self.placed_s is None:
                    self.placed_s = float(s.begin_s[k]) if k else None
                self.off_s = None
            elif self.off_s is None:
                bridged_s = HELD_MINUTES * MINUTE_S if np.isnan(s.weight_kg[k]) else 0.0
                self.off_s = float(s.begin_s[k]) - bridged_s

    def _first_guess(self, k: int) -> None:
        s = self.s
        p = s.calm_pa[k]
        if np.isnan(p):
            return
        near = NEAR_LOW_PART * s.saturation_low_pa[k] < p < NEAR_HIGH_PART * s.saturation_high_pa[k]
        apart = abs(p / s.barometer_pa[k] - 1.0)
        off = not 0.95 * s.saturation_low_pa[k] < p < FULL_PART * s.saturation_high_pa[k]
        told = not np.isnan(s.saturation_low_pa[k])
        emptied = self.trough_pa < 0.7 * s.barometer_pa[k]  # what comes from there only passes the air's pressure
        if told and not emptied and apart < OPEN_PART and off:
            self.contents = "open"  # whatever comes soon, comes into a circuit that stood open
        if k < 3:
            return
        self.off_test_part = self.off_test(k)
        filled = self.off_test_part < FILLED_PART and self._blind(k)
        if p < 0.7 * s.barometer_pa[k] and not near:
            deep_pa = self._pumped_pa(k) if told or s.recovers[k] else VACUUM_PA
            self.contents = "vacuum" if min(p, self.trough_pa) < deep_pa else "remnant"
        elif self.off_test_part < TESTED_PART and (off or (filled and not self.scaled and not s.running[k])):
            self.contents = "nitrogen"
        elif np.isnan(s.saturation_low_pa[k]):
            stood_open = self.trough_pa < 1.35 * s.barometer_pa[k]
            self.contents = "refrigerant" if p > 1.35 * s.barometer_pa[k] and not stood_open else "unknown"
        elif near or s.running[k]:
            self.contents = "refrigerant"
        elif emptied or 1.1 * s.barometer_pa[k] < p < s.saturation_low_pa[k]:
            # too little for liquid: a holding charge, or what leaked away
            self.contents = "vacuum" if self.trough_pa < DEEP_PART * s.barometer_pa[k] else "remnant"

    def _put_on(self, k: int) -> None:
        """Take what a hose that was put on shows at once for refrigerant that stood in the circuit before."""
        put_on = self.put_on(k)
        if put_on is not None and self.s.end_s[k] - self.s.end_s[put_on] >= PUT_ON_MINUTES * MINUTE_S:
            self.contents, self.rest = "refrigerant", put_on

    def _blind(self, k: int) -> bool:
        """Return whether what is read of temperatures leaves open where liquid would stand."""
        return bool(self.s.saturation_high_pa[k] > CLEAR_PART * self.s.saturation_low_pa[k])

    def _at_rest(self, k: int) -> None:
        """Begin a rest once all stood long enough; water that a run chilled keeps the circuit from the room."""
        s = self.s
        if self.stage == "at_rest":
            self._stirred(k)
        ran = self.now is None and self.latest == "startup"
        above = self.contents == "unknown" and s.calm_pa[k] > NEAR_HIGH_PART * s.saturation_high_pa[k]
        if (self.found and not ran) or self.contents not in ("refrigerant", "unknown") or above:
            return
        chilled = ran and not np.isnan(s.chill_k[k]) and self._blind(k)
        if chilled or self._drawn(k) or not self._still(k):
            if k >= 10:
                self.rest = None
            return
        if self.rest is None:
            self.rest = self._still_since(k) if k >= 10 else 0
        began_s = float(s.begin_s[self.rest])
        if s.end_s[k] - began_s >= AT_REST_MINUTES * MINUTE_S:
            self.begin("at_rest", began_s + REST_EDGE_S, k, 300.0)

    def _still(self, k: int) -> bool:
        s = self.s
        still = not s.running[k] and s.channels[k] >= AT_REST_CHANNELS
        still = still and not s.spread_k[k] > AT_REST_SPREAD_K and not s.chill_k[k] > CHILL_K
        return bool(still and (np.isnan(s.calm_pa[k]) or self.held(k, 5, 0.02)))

    def _drawn(self, k: int) -> bool:
        """Return whether pressure ever fell at once: no scale shows what draws, and whether it only pauses.

        The first minutes are looked at once it is known how the gauge flickers. At the pressure that the job wants to
        test at any fall counts: it may be nitrogen that settles.
        """
        if not self.found and np.isnan(self.s.weight_kg[k]) and k >= 2 * FLICKER_MINUTES and not self.drawn:
            tested = self.off_test_part < TESTED_PART
            for i in range(k if k > 2 * FLICKER_MINUTES else STILL_MINUTES, k + 1):
                self.drawn |= self.stepped(i, k) < 0 if tested else self.fell_at_once(i, k)
        return self.drawn and not self.found

    def _still_since(self, k: int) -> int:
        """Return since when nothing moved: a run is known to be over only long after the circuit came to rest."""
        s = self.s
        if not self.found:
            return k
        least = int(np.searchsorted(s.begin_s, self.floor_s))
        while k > least and self._still(k - 1):
            k -= 1
        return max(s.back(k, 5), least)

    def _stirred(self, k: int) -> None:
        """End a rest in which pressure moves as no weather moves it, or water is cooled, by nothing that shows."""
        began = 0 if self.now is None else int(np.searchsorted(self.s.begin_s, self.now.begin_s))
        if self.s.chill_k[k] > CHILL_K:
            warm = self.last_warm(began, k)
            self.end(float(self.s.begin_s[k] if warm is None else self.s.end_s[warm]), k)
            return
        first = max(self.s.back(k, STIRRED_MINUTES), began)
        part = self.s.calm_pa[first : k + 1] / self.s.calm_pa[first]
        if part[-1] > STIRRED or part[-1] < 1.0 / STIRRED:
            moved = first + int(np.flatnonzero((part > 1.03) | (part < 0.97))[0])
            onset, seen = self.fell_from(moved, began, k)
            self.end(float(self.s.begin_s[onset + 1]), k, 120.0 if seen else UNSEEN_S)
            self.stirred = k
