"""What a cylinder weighs when it begins: the level that stood last before its first flow.

People set it down, hold it and screw a hose on before they open it, and each of it moves what the scale shows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

from analysis.scale.samples import Sample

# What follows is common practice or plain physics of the work; no published source.
STANDS_S = 9.0
"""What is level for this long stands."""
HANDS_S, HANDS_KG, SCREWED_ON_KG = 30.0, 2.0, 0.3
"""Setting down and connecting a cylinder goes on no longer from one level to the next. Hands move what it shows by no
more than the first mass, a hose between two levels that stood by no more than the second."""
STILL_KG = 0.03
"""What stands moves by no more, beyond noise and step of the scale."""
QUICK_KG_PER_S, QUICK_STANDS_S, QUICK_SHARE = 0.15, 20.0, 0.5
"""What comes at once, faster than a hose gives, and then stands for so long was set down, up to such a share of what
stood there: more is another cylinder."""
CAME_BACK = 0.25
"""What was away comes back to a level by all but this share of how far it was, or but what stands may move by."""
DRIFTED_OFF = 3.0
"""A level that drifts by this many times what stands may move by is flow."""


@dataclass(slots=True)
class Standing:
    """A load that has just been put on; `over` when its first flow was seen, or hands do not explain what is."""

    sign: float
    since: list[Sample] = field(default_factory=list)  # since something last stood
    earlier: list[Sample] = field(default_factory=list)  # shortly before what stood then, or the load was put on
    over: bool = False
    stood: bool = False  # before its first flow
    _line: list[Sample] = field(default_factory=list)  # the last samples that are level with each other
    _until: float = math.nan  # when something last stood, or the load was put on
    _crept_kg: float = 0.0  # what flowed until then
    _held_kg: float | None = None  # what it began with before it seemed to be set down

    def begin_kg(self, begin_kg: float, sample: Sample, still_kg: float) -> float:
        """Return what the load began with, as far as is known with one more of its samples; `begin_kg` so far.

        A level that stands after hands is what it began with; one that is reached straight the stage's way was
        flowed to.
        """
        if self.over:
            return begin_kg
        if math.isnan(self._until):
            self._until = sample.at
        self._join(sample, still_kg)
        self.since.append(sample)
        if not stands(self._line):
            self.over = self._line_since(sample) - self._until > HANDS_S and (self.stood or len(self.since) > 2)
            return begin_kg
        before, level = begin_kg + self._crept_kg, level_kg(self._line)
        self.earlier = [s for s in self.earlier if self._line[0].at - s.at <= HANDS_S]
        closed = abs(self._crept_kg) <= still_kg
        if closed and came_back(level, before, self._earlier_kg(before - level), still_kg):
            begin_kg, self._crept_kg = level, 0.0  # what stood meanwhile was a hand, or leant on it
        elif closed and self._set_down(before, level):
            if sample.at - self._line[0].at < QUICK_STANDS_S:
                return begin_kg
            if self._held_kg is None:
                self._held_kg, begin_kg = begin_kg, level - self._crept_kg
            else:  # a display that is slow to show another number goes on so
                begin_kg, self.over = self._held_kg, True
        elif self._flowed([before, *(s.weight for s in self.since), level], sample.at, still_kg):
            self._crept_kg = level - begin_kg
        elif abs(level - before) <= (SCREWED_ON_KG if self.stood else HANDS_KG):
            if closed or abs(level - begin_kg) <= still_kg:
                self._crept_kg = 0.0  # noise: taken off each time it would carry the begin away
            begin_kg = level - self._crept_kg
        else:
            self.over = True
        self.earlier += self.since[: -len(self._line)]
        self._until, self.since, self.stood = sample.at, [], True
        self.over |= abs(self._crept_kg) > DRIFTED_OFF * still_kg
        return begin_kg

    def _join(self, sample: Sample, still_kg: float) -> None:
        if sample.bends > still_kg:
            self._line = []
        elif self._line and abs(sample.weight - level_kg(self._line)) > still_kg:
            self._line = [sample]
        else:
            self._line = [*self._line[-5:], sample]

    def _flowed(self, weights: list[float], at: float, still_kg: float) -> bool:
        """Return whether what stands was flowed to; a flow in steps of the scale seems to stand, too."""
        if self.stood:
            return flows(weights, self.sign, still_kg)
        slow = abs(weights[-1] - weights[0]) < QUICK_KG_PER_S * (at - self._until)
        return slow and flows_on(weights, self.sign, still_kg)

    def _set_down(self, before_kg: float, level_kg: float) -> bool:
        """Return whether the level came at once: faster than any flow, or after one row that no others stand near."""
        rise_kg = level_kg - before_kg
        fast = 0.0 < QUICK_KG_PER_S * self._after_s < rise_kg and len(self.since) <= len(self._line)
        alone = not self.stood and self._after_s > HANDS_S and len(self.since) == len(self._line) + 1
        return (fast or alone) and SCREWED_ON_KG < rise_kg < QUICK_SHARE * before_kg

    def _earlier_kg(self, fell_kg: float) -> list[float]:
        """Return what was shown shortly before; and, where as much as seemed set down is gone at once, before that."""
        held = [] if self._held_kg is None or fell_kg < QUICK_KG_PER_S * self._after_s else [self._held_kg]
        return [*(s.weight for s in self.earlier), *held]

    @property
    def _after_s(self) -> float:
        """How long after something last stood the present level came."""
        return self._line[0].at - self._until

    def _line_since(self, sample: Sample) -> float:
        return self._line[0].at if self._line else sample.at


def still_within_kg(step_kg: float, noise_kg: float = 0.0) -> float:
    """Return what a weight that stands moves by, by the scale's step and its noise."""
    return max(STILL_KG, 1.1 * step_kg, 3.0 * noise_kg)


def level_kg(line: list[Sample]) -> float:
    """Return the level of samples that are level with each other."""
    if len(line) < 3:
        return 0.5 * (line[0].weight + line[-1].weight)
    return sorted((line[-1].weight, line[-2].weight, line[-3].weight))[1]


def stands(line: list[Sample]) -> bool:
    """Return whether samples are level with each other for long enough to stand."""
    return len(line) > 1 and line[-1].at - line[0].at + line[0].covers >= STANDS_S


def came_back(now_kg: float, away_kg: float, earlier: Iterable[float], still_kg: float) -> bool:
    """Return whether a weight that was away comes back to one that was shown earlier: no flow does so, a hand does."""
    far_kg = abs(now_kg - away_kg)
    return far_kg > still_kg and any(abs(kg - now_kg) <= max(still_kg, CAME_BACK * far_kg) for kg in earlier)


def flows(weights: list[float], sign: float, still_kg: float) -> bool:
    """Return whether weights go the stage's way only, as flow does and hands do not."""
    most = -math.inf
    for ahead in (sign * weight for weight in weights):
        if ahead < most - still_kg:
            return False
        most = max(most, ahead)
    return True


def flows_on(weights: list[float], sign: float, still_kg: float) -> bool:
    """Return whether flow went on through weights: the stage's way only, and in no single step as hands do."""
    steps = [sign * (after - before) for before, after in pairwise(weights)]
    moved = sum(steps)
    return len(steps) >= 3 and moved > 2.0 * still_kg and max(steps) <= 0.5 * moved and flows(weights, sign, still_kg)
