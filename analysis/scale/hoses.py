"""What hangs on a cylinder for a while: a hose that was screwed on, or whatever else pulls on it and goes again.

It moves what the scale shows between two levels that stand, in the time that hands take. What goes against the stage's
way is no flow. What goes its way may be: not, when as much came or went the other way before, so a cylinder is weighed
bare to bare where both ends were seen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

from analysis.scale.samples import Sample
from analysis.scale.standing import DRIFTED_OFF, STANDS_S, level_kg, stands

# What follows is common practice or plain physics of the work; no published source.
MOST_KG = 0.5
"""A hose on the valve of a cylinder pulls or carries no more than this."""
ALIKE = 0.3
"""What goes is what came to this share, as no hose lies twice alike, and as it stiffens under pressure."""
QUICKER = 3.0
"""A hose comes so many times quicker than what stood before it drifted."""
SCREWS_S = 60.0
"""It is screwed on or off within this time."""
HANDS_STAY_S = 180.0
"""What comes the stage's way while it flows, and goes within this time, was a hand."""


@dataclass(slots=True)
class Hung:
    """What came onto a cylinder: the level before it, by how much that moved [kg], in which time, and until when."""

    before_kg: float
    step_kg: float
    at: float
    took_s: float
    connecting: bool
    flat: bool  # that level was seen not to move at all

    @property
    def stands_again(self) -> bool:
        """Whether nothing came: the level before it stands again."""
        return self.step_kg == 0.0

    def counts(self, begin_kg: float) -> bool:
        """Return whether a load that begins so counts it as flow."""
        return abs(begin_kg - self.before_kg) < abs(begin_kg - self.before_kg - self.step_kg)


@dataclass(frozen=True, slots=True)
class _Level:
    """A level that stood: its last sample, its weight at the end [kg], how fast it may flow [kg/s], if it is flat."""

    last: Sample
    kg: float
    drift: float
    flat: bool


@dataclass(slots=True)
class Hoses:
    """The steps between levels of one load, and what hangs on it now."""

    sign: float
    hung: list[Hung] = field(default_factory=list)
    connecting: bool = True  # nothing flowed yet
    off: Hung | None = None  # what was connected, is no flow, and came off again
    off_kg: float = 0.0  # the level after it
    fell: Hung | None = None  # what went against the stage's way last, and nothing alike hung there
    _line: list[Sample] = field(default_factory=list)  # the last samples that are level with each other
    _stands: bool = False
    _told: bool = False  # how far it is off the level before
    _stood: _Level | None = None  # before that

    def take(self, sample: Sample, begin_kg: float, still_kg: float, sure_kg: float) -> Hung | None:
        """Take one sample; return by how much a level that now stands is off the one before it, where that was soon.

        `begin_kg` is what the load began with, as far as is known.
        """
        line, near = self._line, False
        if line and sample.bends <= still_kg:
            near = abs(sample.weight - level_kg(line)) <= still_kg
        if not near:
            if self._stands:
                self.connecting &= self._told and abs(line[-1].weight - line[0].weight) <= DRIFTED_OFF * still_kg
                self._stood = _stood(line)
            self._line = [sample] if sample.bends <= still_kg else []
            self._stands = self._told = False
            return None
        line.append(sample)
        self._stands = self._stands or stands(line)
        if self._told or not self._stands:
            return None
        level = median(s.weight for s in line)
        if self._stood is None:
            self._told, step_kg = True, level - begin_kg
            against = self.connecting and sure_kg <= -self.sign * step_kg <= MOST_KG
            return Hung(begin_kg, step_kg, line[0].at, 0.0, True, True) if against else None
        step = self._step(self._stood, level, line[0].at, sure_kg, max(self._stood.drift, _drift(line)))
        self._told = step is not None
        return step

    def step(self, weight: float, at: float, sure_kg: float) -> Hung | None:
        """Return by how much a weight is off the level that stood last, None when that was no hose."""
        stood = _stood(self._line) if self._stands and self._line[-1].at < at else self._stood
        return None if stood is None else self._step(stood, weight, at, sure_kg, stood.drift)

    def _step(self, stood: _Level, weight: float, at: float, sure_kg: float, drift: float) -> Hung | None:
        step, spent = weight - stood.kg, at - stood.last.at
        if abs(step) > MOST_KG or spent > SCREWS_S:
            return None
        if abs(step) < sure_kg:
            return Hung(stood.kg, 0.0, at, spent, self.connecting, stood.flat)
        # a slow flow stands at each step of the scale, too: either level may be off by one
        quicker = abs(step) - 2.2 * stood.last.step >= QUICKER * drift * spent
        return Hung(stood.kg, step, at, spent, self.connecting, stood.flat) if quicker else None

    def taken_off(self, off: Hung, sure_kg: float) -> Hung | None:
        """Return what a step took off again, and forget it; None when nothing alike hangs there."""
        gone = []
        for one in self.hung:
            flowed_kg = self.sign * (one.step_kg + off.step_kg)
            near_kg = abs(flowed_kg)
            hand = not one.connecting and off.at - one.at <= HANDS_STAY_S and 0.0 <= flowed_kg <= abs(one.step_kg)
            if one.step_kg * off.step_kg < 0.0 and (hand or near_kg <= max(sure_kg, ALIKE * abs(one.step_kg))):
                gone.append((not hand, near_kg, one))
        if not gone:
            return None
        nearest = min(gone, key=lambda found: found[:2])[2]
        self.hung.remove(nearest)
        return nearest

    def put_back(self, end_kg: float, sure_kg: float) -> float:
        """Return by how much a load that ends so begins with more: what flows on is still connected."""
        one = self.off
        if one is None:
            return 0.0
        flows_on = self.sign * (end_kg - self.off_kg) > sure_kg
        if flows_on == (one in self.hung):
            return 0.0
        if not flows_on:  # hands only seemed to be flow
            self.hung.remove(one)
            return -one.step_kg
        self.hung.append(one)
        return one.step_kg

    def fell_kg(self, end_kg: float, sure_kg: float) -> float:
        """Return what went against the stage's way, and with which the load ended [kg]."""
        one = self.fell
        return one.step_kg if one is not None and abs(end_kg - one.before_kg - one.step_kg) <= sure_kg else 0.0

    def in_doubt(self, now_kg: float, sure_kg: float) -> Hung | None:
        """Return what came the stage's way as flow and hoses do, at its end where mass flows out, else at its begin."""
        bare = self.off is not None and self.off not in self.hung
        for one in [] if bare else self.hung:
            at_end = abs(now_kg - one.before_kg - one.step_kg) <= sure_kg
            if one.flat and self.sign * one.step_kg > 0.0 and (at_end if self.sign < 0.0 else one.connecting):
                return one
        return None


def _stood(line: list[Sample]) -> _Level:
    return _Level(line[-1], level_kg(line), _drift(line), _flat(line))


def _flat(line: list[Sample]) -> bool:
    """Return whether the end of a level was seen not to move at all; its begin may be the tail of a flow."""
    first = next((s for s in reversed(line) if line[-1].at - s.at >= STANDS_S), line[0])
    return abs(line[-1].weight - first.weight) < 1.1 * line[-1].step


def _drift(line: list[Sample]) -> float:
    """Return how fast what seems to stand may flow [kg/s]: by less than a step of the scale more than it shows."""
    moved_kg = abs(line[-1].weight - line[0].weight) + line[-1].step
    return moved_kg / (line[-1].at - line[0].at + line[0].covers)
