"""What a run of samples may be that does not follow what was believed: flow, hands, another cylinder, another unit.

These are the questions that `tracker` asks before it believes something; of the run they may leave out hands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from analysis.scale.following import (
    BURST_STAYS_S,
    EMPTY_KG,
    FASTEST_PER_GROSS,
    SLIPS_BACK_KG_PER_S,
    STAYS_S,
    USUAL_KG_PER_S,
    Following,
)
from analysis.scale.levels import FASTER, GAP_S, pace
from analysis.scale.names import LIFTED_KG, MARK_NEAR_S, Load
from analysis.scale.samples import FASTEST_KG_PER_S, SAMPLE_S, UNSEEN_S, Sample
from analysis.scale.standing import HANDS_KG, flows
from analysis.vocabulary.units import UNITS

# What follows is common practice or plain physics of the work; no published source.
BURST_KG_PER_S, BURST_PER_GROSS = 0.15, 0.002
"""A change that stopped at once may have been flow up to this, for large cylinders this share of the gross a second."""
PLATEAU_S, PLATEAU_WAIT_S = 15.0, 45.0
"""A run is a level, or a flow, after the first time. A load that was just put on has settled when it stood level for
it; when it does not stand for the second, hands have left it and it flows."""
SWAP_KG = 5.0
"""A step of this size that stays is another cylinder where it was not seen or no flow goes there; else a shift."""
FILLED = 0.75
"""What flowed this share of such a step while it stayed flows into, or out of, another cylinder."""
AVERAGES_S = 30.0
"""No scale shows the mean of a longer time; what is quicker than usual hoses has to go on for so long."""
HUNG_S, ONE_FLOW, SLOWS = 15.0, 0.6, 0.05
"""A scale that showed the same number for the first time may have hung. What flowed meanwhile lies between the flow
before and after, to such a share; where liquid ends the flow slows down to a twentieth at most (5 to 20 times)."""
SLIP_STAYS_S, SLIP_SHARE = 30.0, 0.004
"""The other unit is believed after this time, when it puts the weight right to this share."""
UNIT_SLIPS = (1.0, UNITS["kg"].scale / UNITS["lb"].scale, UNITS["lb"].scale / UNITS["kg"].scale)


@dataclass(slots=True)
class Explaining(Following):
    """Following, with the questions about its run."""

    def _believable(self, load: Load, sample: Sample) -> bool:
        """Return whether a sample is what was believed, moved on as flow usually does; after a run, near its line."""
        if self._empty(sample) and not load.zeroed:
            return False
        if not self._run:
            return self._follows(sample)
        if self._lifted_for_another():
            return False
        if len(self._run) + len(self._between) > 2:
            return False  # what comes back after so long has to stay a little
        return self._near_line(sample)

    def _let_hands_go(self) -> None:
        """Leave hands out of the run: what it leapt from, and more when its last samples are what was believed, moved
        on."""
        run, back = self._run, 0
        if len(run) > 3 and not self._same_flow(run[-4], run[-3], run[-2]):
            back = 3
        elif len(run) > 2 and self._near_line(run[-2]) and self._near_line(run[-1]):
            back = 2
        if not (back and self._joins(run[-back:])):
            leapt = (k for k in reversed(self._leaps()) if k < len(run) - 2)
            back = next((len(run) - 1 - k for k in leapt if not self._same_flow(run[k], run[k + 1], run[-1])), 0)
        if back:
            self._between += run[:-back]
            del run[:-back]

    def _established(self) -> bool:
        """Return whether the run is more than a hand: a level, or a flow, that stays."""
        run = self._run
        long = run[-1].at - run[0].at >= PLATEAU_S - 0.5
        return long and (len(run) >= 3 or (len(run) == 2 and self._flat()))

    def _settled(self) -> bool:
        """Return whether the run is of something that was just put on and that no hand is on any more; trim it so."""
        run = self._run
        k = next((k for k in range(len(run) - 2, -1, -1) if run[-1].at - run[k].at >= PLATEAU_S - 0.5), None)
        if k is not None and self._flat(k):
            while k > 0 and self._flat(k - 1):
                k -= 1
            weights = [s.weight for s in run[: k + 1]]
            may_flow = abs(weights[-1] - weights[0]) <= HANDS_KG or not any(j < k for j in self._leaps())
            flowed = k > 2 and may_flow and flows(weights, self.sign, self.still_kg)
            hands = 0 if flowed else sum(after.at - run[0].at <= PLATEAU_WAIT_S for after in run[1 : k + 1])
            self._between += run[:hands]
            del run[:hands]
            return True
        if len(run) < 3 or run[-1].at - run[0].at < PLATEAU_WAIT_S - 0.5:
            return False
        leaps = [*self._leaps(), math.inf]
        hands = next(i for i, k in enumerate(leaps) if k > i or i == len(run) - 2)  # or a display slow to show it
        self._between += run[:hands]
        del run[:hands]
        return True

    def _leaps(self) -> list[int]:
        """Return from which samples of the run it leaps to the next as no flow does."""
        most = self._fastest(FASTEST_KG_PER_S, FASTEST_PER_GROSS)
        steps = enumerate(pairwise(self._run))
        return [k for k, (a, b) in steps if abs(b.weight - a.weight) / (b.at - a.at) > most]

    def _goes_on(self) -> bool:
        """Return whether the run goes on moving the way its first sample went, from what was believed."""
        run, last = self._run, self._last
        if last is None or len(run) < 3 or run[-1].at - run[0].at < 2.0 * SAMPLE_S - 0.5:
            return False
        first, now = run[0], run[-1]
        before, after = pace(last, first, self.sign), pace(first, now, self.sign)
        moved = self.sign * (now.weight - first.weight)
        usual = max(after / ONE_FLOW, self._fastest(FASTEST_KG_PER_S, FASTEST_PER_GROSS))
        return (
            after >= 0.3 * before > 0.0
            and moved > self.base_kg
            and before <= (self._rate_beyond() if self._silent else usual)
            and self._straight()
            and not self._averaged(run)
        )

    def _rate_beyond(self) -> float:
        """Return how fast mass may have flowed where nothing was read: hardly faster than just before or after.

        What stands there first may still be set down.
        """
        seen = [samples for samples in (self._run[1:4], list(self._recent)) if len(samples) > 2]
        ends = [(samples[0], samples[-1]) for samples in seen]
        paces = [pace(a, b, self.sign) + self.base_kg / (b.at - a.at) for a, b in ends]
        return FASTER * max(self.sign * self._rate, *paces, 0.0)

    def _averaged(self, run: list[Sample]) -> bool:
        """Return whether samples may be how an averaging display falls from a cylinder that was charged from.

        It falls quicker than by usual hoses then, as it flowed; one that was filled falls against its flow.
        """
        first, now = run[0], run[-1]
        if self.sign > 0.0 or now.at - first.at >= AVERAGES_S:
            return False
        return abs(pace(first, now, self.sign)) > self._fastest(FASTEST_KG_PER_S, FASTEST_PER_GROSS)

    def _hung(self) -> bool:
        """Return whether the scale kept a number while it flowed: the run is where that flow leads, and flows on."""
        run, since = self._run, self._new
        if since is None or len(run) < 4 or run[0].at - since.at < HUNG_S or self._averaged(run):
            return False
        before, went, goes = (
            self.sign * self._new_rate,
            pace(since, run[0], self.sign),
            pace(run[0], run[-1], self.sign),
        )
        moved = self.sign * (run[-1].weight - run[0].weight)
        slow, fast = min(before, goes), max(before, goes)
        return moved > self.base_kg and slow > SLOWS * fast and ONE_FLOW * slow <= went <= fast / ONE_FLOW

    def _joins(self, run: list[Sample]) -> bool:
        """Return whether samples are what was believed, after flow at the rate before or at their own."""
        if self._lifted_for_another() or self._averaged(run):
            return False
        first, now, last = run[0], run[-1], self._believed
        own = pace(first, now, self.sign)
        spent, ahead = first.at - last.at, (first.weight - last.weight) * self.sign
        low = min(last.weight, now.weight) - self.base_kg
        if self._silent and any(s.weight < low for s in (*self._between, *run)):
            return False  # it was off, or only half set down
        usual = max(2.0 * abs(self._rate), 0.5 * USUAL_KG_PER_S, own if len(run) > 2 else 0.0)
        most = (self._rate_beyond() if self._silent else usual) * spent
        return -self.base_kg - SLIPS_BACK_KG_PER_S * min(spent, 2.0 * SAMPLE_S) <= ahead <= self.base_kg + most

    def _burst(self, first: Sample) -> bool:
        """Return whether flow that stopped may have led from the believed weight to the run."""
        if self._silent:
            return False
        last = self._believed
        spent, ahead = first.at - last.at, (first.weight - last.weight) * self.sign
        low, high = sorted((last.weight, first.weight))
        seen = any(low + self.base_kg < s.weight < high - self.base_kg for s in self._between)
        most = self._fastest(FASTEST_KG_PER_S, FASTEST_PER_GROSS) if seen else self._burst_kg(1.0)
        return -self.base_kg - SLIPS_BACK_KG_PER_S * 2.0 * SAMPLE_S <= ahead <= self.base_kg + most * spent

    def _straight(self) -> bool:
        """Return whether the way from the believed weight to the run is straight: no hand is seen in it."""
        low, high = sorted((self._believed.weight, self._run[0].weight))
        return all(low - self.base_kg <= s.weight <= high + self.base_kg for s in self._between)

    def _another(self, load: Load, first: Sample, step: float) -> bool:
        """Return whether what happened since the believed weight speaks for another cylinder.

        It does where the plate was bare, or both stood on it, between two weights as far apart as two cylinders; where
        the weight is a known cylinder's and the one before may have been lifted; and where a step says so by itself.
        """
        last = self._believed
        seen = [*self._between, first]
        gone = any(self._nothing(s.weight) for s in seen)
        together = last.weight + first.weight - self._bare_kg
        both = any(abs(s.weight - together) <= 1.0 + self.base_kg for s in self._between)
        if (gone or both or self._silent) and abs(step) >= LIFTED_KG + self.base_kg:
            return True
        dipped = any(self._nothing(s.low * self._gain - self._zero) for s in seen)
        apart_s = max(b.at - a.at for a, b in pairwise([last, *seen]))
        lifted = gone or both or dipped or apart_s >= UNSEEN_S
        if (lifted and self.names.other(load, first.weight)) or self._lifted_for_another():
            return True
        return abs(step) >= SWAP_KG and self._swapped(load, first, step, dipped, apart_s)

    def _swapped(self, load: Load, first: Sample, step: float, dipped: bool, apart_s: float) -> bool:
        """Return whether so large a step is a swap: no flow goes there, or hands are told by more than the step.

        dipped : whether the plate was bare within a sample on the way.
        apart_s : the longest time on the way of which nothing was seen [s].
        """
        stood, filled = self._run[-1].at - first.at, self._run[-1].weight - first.weight
        stays = stood >= STAYS_S or (stood >= BURST_STAYS_S and self.sign * filled >= FILLED * abs(step))
        taken_off = abs(step + load.laid_kg) <= LIFTED_KG + self.base_kg
        zeroed = abs(first.raw) <= EMPTY_KG
        if self.sign * step < 0.0 and (stays or apart_s >= GAP_S) and not taken_off and not zeroed:
            return True
        if dipped or self.names.next_id is not None:
            return True
        return stood >= STAYS_S and (self._marked or apart_s >= UNSEEN_S or self.names.other(load, first.weight))

    def _known(self, weight: float) -> bool:
        return self.names.next_id is not None or any(abs(weight - kg) <= 0.5 for kg in self.names.expected.values())

    @property
    def _marked(self) -> bool:
        """Whether somebody marked a change of cylinder since the believed weight, or shortly before."""
        return self.names.next_id is not None or self.names.marked_at >= self._believed.at - MARK_NEAR_S

    def _lifted_for_another(self) -> bool:
        """Return whether the plate was seen bare since the believed weight, and another cylinder is marked."""
        return self.names.next_id is not None and any(self._nothing(s.weight) for s in (*self._between, *self._run))

    def _unit_slip(self, first: Sample) -> float | None:
        """Return the factor that puts a weight shown in the other unit right, None when that does not explain it."""
        load, last = self.load, self._believed
        assert load is not None
        if any(self._nothing(s.low * self._gain - self._zero) for s in self._between):
            return None
        at_once = not self._between and first.at - last.at < UNSEEN_S  # as no hands change a cylinder
        if self._marked or (not at_once and self.names.other(load, first.weight)):
            return None  # another cylinder, put on between two rows, is likelier than a button
        if first.at - last.at >= UNSEEN_S and (first.weight - last.weight) * self.sign < 0.0:
            return None  # full and empty cylinders differ as pounds and kilograms do
        showed_kg = abs(last.weight + self._zero)
        room, most = max(self.base_kg, SLIP_SHARE * showed_kg), 0.2 * showed_kg
        stood = [s.weight for s in self._run[:3]]
        stood_kg = max(stood) - min(stood) if len(stood) > 2 else math.inf
        usual = max(2.0 * abs(self._rate), 0.5 * USUAL_KG_PER_S)
        flowed = usual * (first.at - last.at)
        if first.at - last.at >= GAP_S and len(self._run) > 2 and self._joins(self._run):
            flowed = 0.0  # flow alone explains what nobody saw
        for factor in (factor for factor in UNIT_SLIPS if factor != self._gain):
            if factor != 1.0 and stood_kg <= self.still_kg:  # full and empty cylinders are about as far apart
                off_kg = (first.raw * factor - self._zero - last.weight) * self.sign
                exact_kg = self.still_kg * max(1.0, factor)
                if not -exact_kg <= off_kg <= exact_kg + abs(self._rate) * (first.at - last.at):
                    continue
            ahead = (
                ((s.raw * factor - self._zero - last.weight) * self.sign, flowed + BURST_KG_PER_S * (s.at - first.at))
                for s in self._run
            )
            if all(-room <= kg <= room + min(ahead_kg, most) for kg, ahead_kg in ahead):
                return factor
        return None

    def _burst_kg(self, spent_s: float) -> float:
        """Return how much may flow in a time at most, however shortly [kg]; rows far apart tell how fast it goes."""
        seen = max(3.0 * self._best, USUAL_KG_PER_S) if self._best > 0.0 else math.inf
        return min(self._fastest(BURST_KG_PER_S, BURST_PER_GROSS), seen) * spent_s

    def _may_flow(self, to: Sample) -> bool:
        """Return whether flow may have led from the believed weight to a sample."""
        last = self._believed
        ahead = (to.weight - last.weight) * self.sign
        return -self.base_kg <= ahead <= self.base_kg + self._burst_kg(to.at - last.at)

    def _flow_kg(self, to: Sample) -> float:
        """Return the mass that may have flowed from the believed weight to a sample, 0 when no flow leads there."""
        return max(0.0, (to.weight - self._believed.weight) * self.sign) if self._may_flow(to) else 0.0

    def _either_way_kg(self, to: Sample) -> float:
        """Return the mass that may have flowed to a sample or, taken back, from it; 0 when no flow leads there."""
        last = self._believed
        apart = abs(to.weight - last.weight)
        return apart if apart <= self.base_kg + self._burst_kg(to.at - last.at) else 0.0

    def _taken_for_hands(self, level: float) -> float:
        """Return how much may have flowed in samples that were taken for hands before a load stood at `level` [kg]."""
        bare = max((k for k, s in enumerate(self._between) if s.weight - self._bare_kg <= EMPTY_KG), default=-1)
        return self._may_have_flowed([s.weight for s in self._between[bare + 1 :]], level)

    def _may_have_flowed(self, weights: list[float], level: float) -> float:
        """Return how much may have flowed from weights to a level [kg]: no more than that is off what should stand."""
        ahead = ((level - weight) * self.sign for weight in weights)
        most = max((kg for kg in ahead if 0.0 < kg <= self._burst_kg(self._spacing_s)), default=0.0)
        return min([most, *(abs(level - kg) for kg in self.names.expected.values())])
