"""One walk through the ticks of an evacuation: pulls, closings, stalls, target and hold, as they became known."""

from __future__ import annotations

import math

import numpy as np

from analysis.evacuation.aim import Aim
from analysis.evacuation.alive import one_number
from analysis.evacuation.closed_circuit import (
    hold_outcome,
    level_at,
    look_at,
    settled,
    stood_until,
    surely_above,
)
from analysis.evacuation.pace import pace_now
from analysis.evacuation.pump import Pump
from analysis.evacuation.rise import STRAIGHT_S
from analysis.evacuation.stalls import Stalls
from analysis.evacuation.story import Closed, Happening, Story
from analysis.evacuation.ticks import GAP_S, Ticks
from analysis.evacuation.trend import WINDOWS_S, crossing
from analysis.evacuation.valve import PULLED_BELOW_PA, fallen, left_its_low, rising, shut_at_pump, stopped
from analysis.stretch import first_from

RISE_WITHIN_S, FALL_WITHIN_S = 1_800.0, 900.0
"""What a valve does to the pressure shows within these; slower is weather or water."""
BROKEN, BROKEN_PA = 4.0, 15e3
"""The probe comes back from out of its range so many times above where the valve is known to be shut, or a circuit
gauge shows so much: the vacuum was broken. A break that somebody marked goes as many times above what was before."""
QUICKLY_S = 240.0
"""Once the target was reached a third of that is enough where the pressure rises so many times within this: a leak that
the target was reached beside takes longer, and is told by then."""
BROKEN_SAID, BREAK_WITHIN_S = 2.0, 3_600.0
"""Where somebody said that the vacuum is broken, this many times the target shows it, within an hour."""
MARK_LATE_S = 900.0
AFTER_GAP = 1.4
"""The probe was out of its range and comes back well above: the vacuum was broken."""
CHECK_GROWTH = 1.1
STANDS = 0.5
"""A leak that was told is taken back where water is likelier than this."""


class Walk:
    """Goes through the ticks once; every decision uses ticks up to its own only."""

    def __init__(
        self, ticks: Ticks, marks: list[tuple[float, str]], aim: Aim, moments_s: np.ndarray, pump: Pump
    ) -> None:
        self.t, self.waiting, self.moments_s = ticks, list(marks), moments_s
        self.target, self.hold_s, self.limit = aim.stalls_above_pa, aim.hold_s, aim.limit_pa
        self.story = Story()
        self.stalls = Stalls(ticks, self.story, self.target, pump)
        self.stretch = 0
        self.peak = 0
        self.below = 0
        self.closed: Closed | None = None
        self.valve_shut = False
        self.breaking_s: float | None = None
        self.before_break = 0.0

    def run(self) -> Story:
        """Return what happened."""
        at, n = self.t.end_s, len(self.t)
        for k in range(n):
            said: list[tuple[float, str]] = []
            while self.waiting and self.waiting[0][0] <= at[k]:
                said.append(self.waiting.pop(0))
            self.story.oil_changes += [when for when, subject in said if subject == "oil_change"]
            self.story.pump_stopped += [when for when, subject in said if subject == "pump_off"]
            self.story.opened += [when for when, subject in said if subject in ("pump_valve_open", "pump_on")]
            self._tick(k, said)
            self.story.pumping.append(self.closed is None)
        if self.closed is None:
            self.story.pace = pace_now(self.t, n - 1, self.stretch, stalled=self.stalls.stall is not None)
        return self.story

    def _tick(self, k: int, said: list[tuple[float, str]]) -> None:
        """Take one tick, with what was `said` (when, which mark) since the one before."""
        at = self.t.end_s
        if k == 0:
            self.story.pull_starts.append(0)
        elif self._broken(k):
            self._end_closed(k - 1, float(at[k - 1]))
            self._new_pull(k)
        self._hear_breaks(k, said)
        if self.breaking_s is not None and at[k] - self.breaking_s < BREAK_WITHIN_S:
            return
        self.breaking_s = None
        self._hear_valve(k, said)
        self._count_below(k)
        if self.closed is None:
            self._look_open(k)
        if self.closed is not None:
            self._look_closed(k, self.closed)
        self.stalls.learn(k, self.stretch if self.closed is None else None)

    def _hear_breaks(self, k: int, said: list[tuple[float, str]]) -> None:
        """Hear how the valve stands by all that was said, and that the vacuum is being broken."""
        for when, subject in said:
            if subject in ("pump_valve_closed", "pump_valve_open"):
                self.valve_shut = subject == "pump_valve_closed"
            if subject == "vacuum_broken" and k and not self._was_broken(k, when):
                self._end_closed(k - 1, when)
                self.breaking_s, self.before_break = when, float(self.t.vacuum[k - 1])

    def _hear_valve(self, k: int, said: list[tuple[float, str]]) -> None:
        """Begin and end closings as they were said."""
        for when, subject in said:
            if subject in ("pump_valve_closed", "pump_off"):
                self._forget_early(when, subject)
                if self.closed is None:
                    self._close(k, when, sure=True)
                else:  # seen before it was said, or thought to be seen
                    self.closed.sure, self.closed.said_s = True, when
            elif subject in ("pump_valve_open", "pump_on") and self.closed is not None and not self.valve_shut:
                self._judge_hold(k, when)
                self._end_closed(k, when)
                self.stretch = k

    def _look_open(self, k: int) -> None:
        """See a closing that nobody said: at the pump's gauge, by a rise, by a fall that stops; else pump on."""
        at = self.t.end_s
        low = self._recent(k, RISE_WITHIN_S, lowest=True)
        at_pump = shut_at_pump(self.t, k, self.stretch)
        if at_pump is not None:
            self._close(at_pump, float(at[at_pump]), sure=True)
            return
        rose = rising(self.t, k, self.stretch, low)
        stop = stopped(self.t, k, self.stretch, rose=rose) if rose or self.story.reached else None
        if rose:
            first = left_its_low(self.t, k, self.stretch, low)
            self._close(first, float(at[first]), sure=False, stopped=stop is not None)
        elif stop is not None:
            self._close(stop, float(at[stop]), sure=False, stopped=True)
        else:
            self._pump(k)

    def _look_closed(self, k: int, closed: Closed) -> None:
        """See that it was opened, by a fall from its highest, else watch the closed circuit."""
        closed = self._dated(k, closed)
        self.peak = self._recent(k, FALL_WITHIN_S, lowest=False)
        if fallen(self.t, k, self.peak):
            self._end_closed(self.peak, float(self.t.end_s[self.peak]))
            self.stretch = self.peak + 1
            self._pump(k)
        else:
            self._watch_closed(k, closed)

    # --- pulls and closings ----------------------------------------------------------------------------

    def _broken(self, k: int) -> bool:
        p, at = self.t.vacuum, self.t.end_s
        high = self.story.reached and p[k] > BROKEN_PA / 3.0
        jumped = high and p[k] > BROKEN * p[max(0, k - 5) : k].min() and at[k] - at[max(0, k - 5)] < QUICKLY_S
        back = p[k] > BROKEN_PA and p[self.story.pull_starts[-1] : k].min() < 5e3
        known_shut = self.closed is not None and self.closed.sure
        back_above = (BROKEN if known_shut else AFTER_GAP) * p[k - 1]
        after_gap = at[k] - at[k - 1] > GAP_S and self.t.raw[k] > back_above
        said = self.breaking_s is not None and p[k] > max(BROKEN * self.before_break, BROKEN_SAID * self.target)
        return bool(((jumped or back or after_gap) and not self._risen_so_far(k)) or said)

    def _was_broken(self, k: int, said_s: float) -> bool:
        """Return whether the signal showed already what a mark says late."""
        begun = float(self.t.end_s[self.story.pull_starts[-1]])
        return bool(said_s < begun + MARK_LATE_S or self.t.vacuum[k] > BROKEN_PA / 3.0)

    def _risen_so_far(self, k: int) -> bool:
        """Return whether a closed circuit's own rise, seen or not, explains that the pressure is so high now."""
        closed = self.closed
        if closed is None or closed.rise is None or closed.rise.rate_pa_per_s <= 0.0:
            return False
        since = float(self.t.end_s[k]) - closed.begin_s - closed.rise.seconds
        return bool(closed.rise.end_pa + closed.rise.rate_pa_per_s * since > 0.5 * self.t.raw[k])

    def _new_pull(self, k: int) -> None:
        self.breaking_s = None
        self.story.pull_starts.append(k)
        self.stretch = k
        self.stalls.new_pull()
        self.below = 0

    def _close(self, first: int, begin_s: float, *, sure: bool, stopped: bool = False) -> Closed:
        p = self.t.vacuum
        before = min(float(np.median(p[max(self.stretch, first - 4) : first + 1])), float(p[first]))
        pumped_s = begin_s - float(self.t.end_s[self.story.pull_starts[-1]])
        self.closed = closed = Closed(first, begin_s, self.story.pull, sure, before, pumped_s, stopped)
        closed.hold = self.story.reached and bool(p[first] <= 1.1 * self.target)
        self.story.closeds.append(closed)
        self.peak = first
        return closed

    def _dated(self, k: int, closed: Closed) -> Closed:
        """Return a closing, dated anew where a sudden stop alone showed it, the level stood, and it rises only now."""
        if closed.sure or not closed.stopped or closed.outcome:
            return closed
        first = settled(self.t, closed)
        low = self._recent(k, RISE_WITHIN_S, lowest=True)
        if not rising(self.t, k, first, low):
            return closed
        bend = left_its_low(self.t, k, first, low)
        if not stood_until(self.t, closed, bend, k):
            return closed
        self.story.closeds.pop()
        self.stretch = first
        return self._close(bend, float(self.t.end_s[bend]), sure=False)

    def _forget_early(self, said_s: float, subject: str) -> None:
        """Take back a closing that nobody did: a warmed circuit rises, too, and what is said comes late by minutes."""
        closed = self.closed
        if closed is None or closed.sure or closed.outcome or subject != "pump_valve_closed":
            return
        if said_s > closed.begin_s + MARK_LATE_S:
            self.story.closeds.pop()
            self.closed = None

    def _end_closed(self, k: int, when_s: float) -> None:
        if self.closed is not None:
            self.closed.last, self.closed.end_s = k, when_s
            look_at(self.t, self.closed, k)
            if self.closed.outcome == "hold_failed":
                self._fail(k, self.closed)
            self.closed = None

    def _recent(self, k: int, within_s: float, *, lowest: bool) -> int:
        """Return the last tick with the lowest or highest pressure of a while, inside this pumping or closing."""
        first = self.stretch if self.closed is None else settled(self.t, self.closed)
        first = min(k, max(first, int(self.t.end_s.searchsorted(self.t.end_s[k] - within_s))))
        inside = self.t.vacuum[first : k + 1][::-1]
        return k - int(inside.argmin() if lowest else inside.argmax())

    # --- pumping ---------------------------------------------------------------------------------------

    def _count_below(self, k: int) -> None:
        """Tell that the target is reached: the pump valve may be closed before slow rows show it."""
        self.below = self.below + 1 if self.t.vacuum[k] <= self.target else 0
        if self.below >= 2 and not self.story.reached:
            since = crossing(self.t, k, self.target, self.story.pull_starts[-1])
            self.story.targets[self.story.pull] = since
            self.story.happenings.append(Happening(k, since, "target_reached"))
            if self.closed is not None:
                self.closed.hold = True

    def _pump(self, k: int) -> None:
        p, at = self.t.vacuum, self.t.end_s
        if p[k] > PULLED_BELOW_PA or not self.t.probe[k]:
            return
        if k and (not self.t.probe[k - 1] or at[k] - at[k - 1] > WINDOWS_S[0]):
            self.stretch = k  # nobody knows what was done meanwhile
        self.stalls.look(k, self.stretch)

    # --- closed ----------------------------------------------------------------------------------------

    def _watch_closed(self, k: int, closed: Closed) -> None:
        at, p = self.t.end_s, self.t.vacuum
        since = float(at[k]) - closed.begin_s
        if since >= closed.next_check_s:
            look_at(self.t, closed, k)
            closed.next_check_s = since if closed.rise is None else max(since + 60.0, CHECK_GROWTH * since)
            if since < STRAIGHT_S:  # then a straight line may tell, and many a closing is opened after five minutes
                closed.next_check_s = min(closed.next_check_s, STRAIGHT_S)
            if closed.rise is not None:
                self.stalls.next_cause_s = float(at[k])
                if closed.outcome == "hold_failed":
                    self._fail(k, closed)
        if not closed.hold or self.limit is None or closed.outcome:
            return
        if k - closed.first >= 2 and min(p[k], p[k - 1]) > self.limit and surely_above(self.t, closed, k, self.limit):
            closed.outcome = "hold_failed"
            look_at(self.t, closed, k)
            self._fail(k, closed, first=True)
        else:
            self._judge_hold(k, self.waiting[0][0] if self.waiting else math.inf)

    def _judge_hold(self, k: int, opened_s: float) -> None:
        """Say that a hold passed at the first row that shows its whole time to be over, before somebody opened it."""
        closed = self.closed
        if closed is None or not closed.hold or closed.outcome or self.hold_s is None or self.limit is None:
            return
        over_s = max(closed.begin_s, closed.said_s) + self.hold_s
        told_s = first_from(self.moments_s, max(over_s, self.t.known_s[k]))
        next_s = self.t.known_s[k + 1] if k + 1 < len(self.t) else math.inf
        if opened_s < over_s or told_s >= next_s:
            return
        closed.outcome = hold_outcome(self.t, closed, k, self.limit, over_s, self.stretch, self.peak)
        if closed.outcome == "hold_passed":
            level = level_at(self.t, closed, k, max(over_s, float(self.t.end_s[k])))[0]
            self.story.happenings.append(
                Happening(
                    k, closed.begin_s, "hold_passed", told_s=told_s, closed=closed, level_pa=level, held_s=self.hold_s,
                    one_number=one_number(self.t, closed, k),
                )
            )  # fmt: skip

    def _fail(self, k: int, closed: Closed, first: bool = False) -> None:
        kind = closed.rise.kind if closed.rise is not None else "undecided"
        cause = kind if kind in ("leak", "moisture") else "undecided"
        doubtful = closed.cause == "leak" and closed.rise is not None and closed.rise.moisture > STANDS
        if first or (cause != closed.cause and (cause != "undecided" or doubtful)):
            closed.cause = cause
            at = self.t.end_s
            self.story.happenings.append(
                Happening(
                    k, closed.begin_s, "hold_failed", closed=closed, cause=cause,
                    level_pa=float(self.t.vacuum[k]), held_s=float(at[k]) - closed.begin_s, learnt=not first,
                )
            )  # fmt: skip
