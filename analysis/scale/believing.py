"""What believing a weight does to the load that stands there: its level, its rate, its unit.

A quick change is believed when it stays. It is kept in mind, since hands and hoses go away again late: what is gone
again by as much never counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from analysis.scale.following import STAYS_S, USUAL_KG_PER_S
from analysis.scale.levels import pace
from analysis.scale.loads import Loads
from analysis.scale.names import Load
from analysis.scale.samples import UNSEEN_S, Sample
from analysis.scale.standing import flows_on


@dataclass(frozen=True, slots=True)
class _Odd:
    """A quick change that was believed, and whether it leapt: what was believed before, when it came, at what rate it
    flowed before, its size, what of it was no flow."""

    before: Sample
    at: float
    rate: float
    size: float
    shift: float
    leapt: bool


@dataclass(slots=True)
class Believing(Loads):
    """The loads so far, and the quick changes of the last one."""

    _odd: list[_Odd] = field(default_factory=list)

    def _believe(self, load: Load, sample: Sample) -> None:
        last = self._believed
        spent, change = sample.at - last.at, sample.weight - last.weight
        if self._run or abs(change) > self.base_kg:
            excess = sample.weight - self._line(sample.at)
            far, quick = abs(excess) > self.base_kg, sample.leap > self.base_kg or spent >= UNSEEN_S
            if self._run or far:  # flow that stopped is no change
                self._odd.append(_Odd(last, sample.at, self._rate, excess, 0.0, far and quick))
        load.end_kg = sample.weight
        if len(self._recent) >= 2 and spent >= UNSEEN_S:
            self._best = max(
                self._best, min(pace(self._recent[-2], self._recent[-1], self.sign), pace(last, sample, self.sign))
            )
        self._rate += (1.0 - math.exp(-spent / 30.0)) * (change / max(spent, 1.0) - self._rate)
        if self._new is None or sample.raw != self._new.raw:
            self._new, self._new_rate = sample, self._rate
        self._recent.append(sample)
        self._last, self._run, self._between = sample, [], []

    def _adopt(self, load: Load, shift_kg: float = 0.0) -> None:
        """Believe the run, of which its first `shift_kg` are no flow."""
        last, run, rate = self._believed, self._run, self._rate
        load.begin_kg += shift_kg
        load.laid_kg += shift_kg
        if shift_kg:
            hidden = run[0].at - self._unseen_at <= 2.0 * STAYS_S  # nobody saw whether it came just then
            load.doubt(abs(run[0].weight - last.weight) if hidden else self._either_way_kg(run[0]))
            self._recent.clear()
            self._last = run[0]
        for sample in run:
            self._believe(load, sample)
        leapt = any(sample.leap > self.base_kg for sample in run)
        self._odd.append(_Odd(last, run[-1].at, rate, run[-1].weight - last.weight, shift_kg, leapt))

    def _undoes(self, load: Load, first: Sample) -> bool:
        """Return whether a late quick change is gone again, and undo it then."""
        last = self._believed
        if any(self._nothing(s.weight) for s in self._between):
            return False  # what was lifted off takes its changes along
        self._odd = [odd for odd in self._odd if first.at - odd.at <= 2.0 * STAYS_S]
        for k in range(len(self._odd) - 1, -1, -1):
            odd, way = self._odd[k], math.copysign(1.0, self._odd[k].size)
            back = (last.weight - first.weight) * way
            quick = sum(max(later.size * way, 0.0) for later in self._odd[k:])
            ahead = (first.weight - odd.before.weight) * self.sign
            rate = max(2.0 * abs(self._rate), 2.0 * abs(odd.rate), 0.5 * USUAL_KG_PER_S)
            most = self.base_kg + (0.0 if self._silent else rate * (first.at - odd.before.at))
            came = [s.weight for s in self._recent if s.at >= odd.before.at]
            far = self._spacing_s >= UNSEEN_S and flows_on(came, self.sign, self.still_kg)
            slowly = not any(later.leapt or later.size * self.sign < 0.0 for later in self._odd[k:])
            flowed = odd.before.weight + odd.rate * (first.at - odd.before.at)
            if far or (slowly and first.leap >= back > 0.0 and abs(first.weight - flowed) > self.base_kg):
                continue  # what came slowly, as flow does, does not go at once, but to where that flow went on to
            all_back = back <= 2.0 * quick + self.base_kg
            if self.base_kg < back and all_back and -self.base_kg <= ahead <= most:
                load.begin_kg -= sum(undone.shift for undone in self._odd[k:])
                del self._odd[k:]
                return True
        return False

    def _switch(self, load: Load, gain: float) -> None:
        """The scale shows the other unit from now, or showed it until now when the cylinder's tare says so."""
        last, ratio = self._believed, gain / self._gain
        expected = self.names.expected.get(load.cylinder, math.nan)
        if abs(load.begin_kg / ratio - expected) < 0.1 * expected:
            for name in ("begin_kg", "end_kg"):
                setattr(load, name, getattr(load, name) / ratio)
            last.weight /= ratio
            gain = self._gain
        run, self._run = self._run, []
        self._read_with(gain, run)
        for sample in run:
            self._believe(load, sample)

    def _read_with(self, gain: float, samples: list[Sample]) -> None:
        """Read the scale with another gain, from samples on that came already."""
        self._gain = gain
        for sample in samples:
            sample.weight = sample.raw * gain - self._zero
