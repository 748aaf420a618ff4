"""The stalls of an evacuation, as they became known: when one is told, when it gives way, and why it stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.evacuation.cause import Evidence, likelihoods, sure_cause
from analysis.evacuation.closed_circuit import SEEN_SHARE
from analysis.evacuation.evidence import OIL_PROVED_S, SAME_AFTER, evidence_of
from analysis.evacuation.pump import Pump
from analysis.evacuation.story import Happening, Stall, Story
from analysis.evacuation.ticks import Ticks
from analysis.evacuation.trend import WINDOWS_S, Trend

LOOK_S, NEWS_S = 60.0, 900.0
"""How often a stall and its cause are looked for; the cause less often when nothing was done for a while."""
CLEARED = 0.8
FOLLOWED_S = 3_000.0
"""A level that took longer than this to get from 0.95 to 0.8 of the stalled one creeps: still the same stall."""
SAME_LEVEL = 1.06
SERVICE_S = 3_600.0
"""What was done at the pump within this time before the level gave way has to do with it."""
TRIED_S, PATIENT_S = 180.0, 1_200.0
"""A valve closed for less tried nothing; one closed for longer, as the advice says, should have told the cause."""
MORE = 2.0
"""A rise that does not show yet whether it bends does so in the next as long a time, or is straight."""


class Stalls:
    """Looks for a stall while the pump has the circuit, and for its cause at any tick; tells the story.

    `next_cause_s`: when the cause is looked for next, sooner where a rise has just been judged.
    """

    def __init__(self, ticks: Ticks, story: Story, target_pa: float, pump: Pump) -> None:
        self.t, self.story, self.target, self.pump = ticks, story, target_pa, pump
        self.trend = Trend(ticks)
        self.stall: Stall | None = None
        self.previous: Stall | None = None
        self.next_look_s = 0.0
        self.next_cause_s = 0.0

    def new_pull(self) -> None:
        """Take note that the vacuum was broken: the next pull may get deeper."""
        if self.stall is not None:
            self.previous, self.stall = self.stall, None

    def look(self, k: int, stretch: int) -> None:
        """Look at tick `k` of the pumping since tick `stretch`: what stood may give way, what falls may stand."""
        p, at = self.t.vacuum, self.t.end_s
        for stall in (self.stall, self.previous):
            if stall is None or (p[k - 2 : k + 1] >= CLEARED * stall.level_pa).any():
                continue
            if self._creeps(k, stall, stretch):
                stall.level_pa = float(p[k])
                continue
            stall.cleared = k
            self._oil_helped(k, stall, stretch)
            cleared = Happening(k, float(at[k - 2]), "stall_cleared", stall=stall, level_pa=float(p[k]))
            self.story.happenings.append(cleared)
            if stall is self.stall:
                self.stall = None
            self.previous = None
        if self.stall is None and at[k] >= self.next_look_s:
            self.next_look_s = float(at[k]) + LOOK_S
            above = not self.story.reached and p[k] > 1.03 * self.target
            if above and self.trend.flat(k, stretch, self.story.pull_starts[-1]):
                self._stalled(k, stretch)

    def learn(self, k: int, pumping_from: int | None) -> None:
        """Look for the cause of the stall there is, as often as there may be news; `pumping_from` as `evidence_of`."""
        stall, at = self.stall, self.t.end_s
        if stall is None or at[k] < self.next_cause_s:
            return
        news = pumping_from is None or self.next_cause_s - LOOK_S < self._last_change_s() + NEWS_S
        self.next_cause_s = float(at[k]) + (LOOK_S if news else NEWS_S)
        shares = likelihoods(self._evidence(k, stall, pumping_from))
        if not self._believe(k, stall, shares) and stall.cause == "undecided":
            self._ask_longer(k, stall, shares)

    def _last_change_s(self) -> float:
        """Return when a valve was moved or the oil changed last [s]."""
        ended = [c.end_s for c in self.story.closeds[-1:] if c.end_s is not None]
        return max([0.0, *ended, *self.story.oil_changes[-1:]])

    def _creeps(self, k: int, stall: Stall, stretch: int) -> bool:
        """Return whether the level only creeps down, as it does when water leaves a wall or the night gets cold."""
        at, p = self.t.end_s, self.t.vacuum
        near = np.flatnonzero(p[stretch : k + 1] >= 0.95 * stall.level_pa)
        began = stretch + int(near[-1]) if len(near) else stretch
        return bool(at[k] - at[began] > FOLLOWED_S)

    def _stalled(self, k: int, stretch: int) -> None:
        p, at = self.t.vacuum, self.t.end_s
        first = int(np.searchsorted(at, at[k] - WINDOWS_S[0]))
        level = float(np.median(p[max(first, stretch) : k + 1]))
        near = np.flatnonzero(p[stretch : k + 1] <= SAME_LEVEL * level)
        since = stretch + int(near[0])
        stall = Stall(since, level, "undecided", {}, self.story.pull)
        stall.shares = likelihoods(self._evidence(k, stall, stretch))
        stall.cause = sure_cause(stall.shares)
        self.stall = stall
        self.story.stalls.append(stall)
        self.next_cause_s = float(at[k]) + LOOK_S
        self._tell_stall(k, stall)

    # --- why -------------------------------------------------------------------------------------------

    def _evidence(self, k: int, stall: Stall, pumping_from: int | None, oil_helped: bool | None = None) -> Evidence:
        return evidence_of(self.t, self.story, stall, k, pumping_from, self.pump, oil_helped)

    def _oil_helped(self, k: int, stall: Stall, stretch: int) -> None:
        """Put down a stall to the oil when fresh oil, or a closing as for a change, brought the deeper pull."""
        at = self.t.end_s
        changed = [when for when in self.story.oil_changes if at[stall.since] < when > at[k] - SERVICE_S]
        ends = [c.end_s for c in self.story.closeds if c.first > stall.since and c.end_s is not None]
        closed = [when for when in ends if when > at[k] - SERVICE_S]
        if not (changed or closed) or self.story.pull != stall.pull or self._no_deeper(k, stretch):
            return
        evidence = self._evidence(k, stall, stretch, oil_helped=True if changed else None)
        self._believe(k, stall, likelihoods(evidence if changed else replace(evidence, deeper=True)))

    def _no_deeper(self, k: int, stretch: int) -> bool:
        """Return whether, ten minutes into this pumping, it stood as before: fresh oil helps at once."""
        at, closed = self.t.end_s, self.story.closeds[-1] if self.story.closeds else None
        proved = int(np.searchsorted(at, at[stretch] + OIL_PROVED_S))
        return closed is not None and proved <= k and bool(self.t.vacuum[proved] > SAME_AFTER * closed.level_pa)

    def _believe(self, k: int, stall: Stall, shares: dict[str, float]) -> bool:
        """Tell the stall again where it has another cause that is sure; return whether it has."""
        cause = sure_cause(shares)
        if cause in (stall.cause, "undecided"):
            return False
        stall.shares, stall.cause = shares, cause
        self._tell_stall(k, stall)
        return True

    def _ask_longer(self, k: int, stall: Stall, shares: dict[str, float]) -> None:
        """Say once of a closing that it did not tell the cause of the stall, and how long one should be."""
        closed = self.story.closeds[-1] if self.story.closeds else None
        if closed is None or closed.told or closed.hold or closed.first <= stall.since:
            return
        lasted = closed.stood_s(float(self.t.end_s[k]))
        seen = closed.sure or (closed.rise is not None and closed.rise.end_pa > SEEN_SHARE * closed.level_pa)
        if seen and lasted >= (PATIENT_S if closed.end_s is None else TRIED_S):
            closed.told, stall.shares = True, shares
            self._tell_stall(k, stall, max(PATIENT_S, MORE * lasted))

    def _tell_stall(self, k: int, stall: Stall, close_for_s: float = 0.0) -> None:
        at = self.t.end_s
        self.story.happenings.append(
            Happening(
                k, float(at[stall.since]), "stall", stall=stall, cause=stall.cause, shares=dict(stall.shares),
                held_s=float(at[k] - at[stall.since]), level_pa=stall.level_pa,
                close_for_s=close_for_s,
            )
        )  # fmt: skip
