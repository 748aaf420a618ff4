"""How the samples of a scale follow each other: as flow, as noise, or as nothing that refrigerant does.

Two things are followed: the weight that is *believed* and the *run*, samples that follow each other but not it. What
the run may be is asked in `explaining`; what is done about it stands in `tracker`.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median

from analysis.scale.levels import FASTER
from analysis.scale.names import MATCH_KG, Load, Names
from analysis.scale.samples import FASTEST_KG_PER_S, SAMPLE_S, UNSEEN_S, Sample
from analysis.scale.standing import HANDS_KG

# What follows is common practice or plain physics of the work; no published source.
USUAL_KG_PER_S = 0.04
"""Changes slower than this, or than three times the present rate, are believed at once."""
ON_PACE = 0.1
"""What goes on at the present rate, but for this share, is flow, whatever another cylinder weighs."""
SLIPS_BACK_KG_PER_S = 0.01
"""A hose that pulls moves the weight against the flow no quicker, and not for long."""
FASTEST_PER_GROSS = 0.004
"""The hoses of large cylinders move this share of the gross weight a second at most."""
QUICKEST_KG_PER_S = 2.0
"""Not even a large machine's hose moves more; what is quicker than usual hoses counts only by what goes on so."""
EMPTY_KG, EMPTY_SHARE = 0.5, 0.3
"""No cylinder stands on a scale that shows less than the first, or less than the share of what the one before weighed
with the least in it."""
LIGHT_KG, LIGHTEST_KG = 1.5, 4.0
"""What weighs less than the second is no cylinder until somebody says so, or mass flows when it weighs the first."""
BURST_STAYS_S, STAYS_S = 60.0, 180.0
"""A quick change that flow can have made is believed after the first, any other level after the second."""
HANDS_OUT = 1.5
"""Normal noise of one standard deviation moves three samples so: the least of both steps and the bend is one part of so
many. A hand is one step and no bend beside it, flow has no bend."""
RECENT = 12
"""So many samples are kept to tell the level that stood last, and what flowed lately."""
MOST_WAITING = 60
"""More samples than these are not kept waiting: the signal is then no weight at all."""


@dataclass(slots=True)
class Following:
    """What is believed of the scale and what waits; `sign` is +1 when mass into the cylinder counts."""

    sign: float
    names: Names
    load: Load | None = None
    noise_kg: float = 0.0  # of flow that begins and stops between rows too
    shakes_kg: float = 0.0  # while nothing flows
    quivers_kg: float = 0.0  # and without hands that come and go
    base_kg: float = 0.0  # what noise, hoses and the scale's step may move the weight by
    still_kg: float = 0.0  # what noise and the scale's step move a weight by that stands
    _last: Sample | None = None  # the last one believed, of the load or of the bare plate
    _rate: float = 0.0
    _new: Sample | None = None  # the last one believed whose number was new
    _new_rate: float = 0.0  # the rate then
    _best: float = 0.0  # the best rate so far that went on
    _recent: deque[Sample] = field(default_factory=lambda: deque(maxlen=RECENT))  # of the load
    _run: list[Sample] = field(default_factory=list)
    _between: list[Sample] = field(default_factory=list)  # since the last believed one and in no run
    _heard: deque[float] = field(default_factory=lambda: deque(maxlen=3))
    _samples: int = 0
    _still: int = 0
    _spacing_s: float = SAMPLE_S  # of the last two samples
    _unseen_at: float = -math.inf  # the last sample that was far from the one before it
    _silent_at: float = -math.inf  # when readings last came again that had not come in their turn
    _gain: float = 1.0
    _zero: float = 0.0
    _bare_kg: float = 0.0

    @property
    def _believed(self) -> Sample:
        """The last sample believed, where there is one: none of the questions about a run is asked before."""
        assert self._last is not None
        return self._last

    @property
    def _silent(self) -> bool:
        """Whether no reading came in its turn just before or since the believed weight: what stands then may be another
        cylinder, unless flow just before or after leads there."""
        return self._silent_at >= self._believed.at

    def _listen(self, raw: float) -> None:
        """Take the noise from how three samples bend; what bends more than noise does is something else."""
        self._samples += 1
        if len(self._run) == 1:
            self._heard.clear()
        self._heard.append(raw)
        if len(self._heard) == 3:
            a, b, c = self._heard
            bends, most = abs(c - 2.0 * b + a), 3.0 * max(self.noise_kg, 0.1)
            bend = min(bends / 2.45 * 1.25, most)
            self.noise_kg += max(0.02, 1.0 / self._samples) * (bend - self.noise_kg)
            if abs(c - a) <= self.base_kg:
                self._still += 1
                some = max(0.02, 1.0 / self._still)
                self.shakes_kg += some * (bend - self.shakes_kg)
                alone = HANDS_OUT * min(abs(b - a), abs(c - b), bends)
                self.quivers_kg += some * (min(alone, most) - self.quivers_kg)

    def _follows(self, sample: Sample) -> bool:
        """Return whether a weight follows the last believed one as flow usually does."""
        last = self._believed
        spent, ahead = sample.at - last.at, (sample.weight - last.weight) * self.sign
        if self.load is None:
            return abs(ahead) <= self.base_kg + USUAL_KG_PER_S * min(spent, 2.5 * SAMPLE_S)
        rate = abs(self._rate)
        if spent >= UNSEEN_S and abs(ahead) >= 2.0:
            on_pace = abs(sample.weight - self._line(sample.at)) <= self.base_kg + ON_PACE * rate * spent
            if not on_pace and self.names.other(self.load, sample.weight):
                return False
        usual = FASTER * rate if self._silent_at >= last.at else max(3.0 * rate, USUAL_KG_PER_S)
        return -self.base_kg - SLIPS_BACK_KG_PER_S * min(spent, 2.0 * SAMPLE_S) <= ahead <= self.base_kg + usual * spent

    def _line(self, at: float) -> float:
        """Return what the believed weight would be by now at its rate."""
        last = self._believed
        return last.weight + self._rate * min(at - last.at, STAYS_S)

    def _near_line(self, sample: Sample) -> bool:
        """Return whether a weight is what the believed one would be by now, were its flow gone on or stopped."""
        apart = max(30.0, 2.0 * self._spacing_s)
        room = self.base_kg + (abs(self._rate) + 0.01) * min(sample.at - self._believed.at, apart)
        return abs(sample.weight - self._line(sample.at)) <= room

    def _wait(self, sample: Sample) -> None:
        """Put a sample to the run that it continues, or begin a new one."""
        run = self._run
        if not run or not self._continues(sample):
            self._between += run
            self._run = [sample]
        else:
            if len(run) == 2 and not self._same_flow(run[0], run[1], sample) and not self._stated(run[0].weight):
                self._between.append(run.pop(0))  # a hand was still on it
            run.append(sample)
        for kept in (self._run, self._between):
            if len(kept) > MOST_WAITING:
                del kept[1]

    @property
    def _before_run(self) -> Sample | None:
        """The last sample before the run."""
        return self._between[-1] if self._between else self._last

    def _blind_before_run(self) -> float:
        """Return how long nothing was read before the run [s]."""
        before = self._before_run
        return self._spacing_s if before is None else self._run[0].at - before.at

    def _stated(self, weight: float, cylinder: str = "") -> bool:
        """Return whether a weight is what a cylinder should weigh, unless named the one that somebody marked."""
        return abs(weight - self.names.expected.get(cylinder or self.names.next_id or "", math.inf)) <= MATCH_KG

    def _continues(self, sample: Sample) -> bool:
        """Return whether a sample continues the run as a level or a flow."""
        run = self._run
        spent, ahead = sample.at - run[-1].at, (sample.weight - run[-1].weight) * self.sign
        if self._empty(sample) != self._empty(run[-1]):
            return False
        if len(run) == 1:
            most = self._fastest(QUICKEST_KG_PER_S, FASTEST_PER_GROSS) * spent  # judged by the next one
        else:
            rate = abs(run[-1].weight - run[0].weight) / (run[-1].at - run[0].at)
            opened = spent >= UNSEEN_S or sample.leap == 0.0 == run[-1].leap
            fastest = self._fastest(FASTEST_KG_PER_S, FASTEST_PER_GROSS) if opened else USUAL_KG_PER_S
            most = max(3.0 * rate, fastest) * spent
        return -self.base_kg - SLIPS_BACK_KG_PER_S * min(spent, 2.0 * SAMPLE_S) <= ahead <= self.base_kg + most

    def _same_flow(self, a: Sample, b: Sample, c: Sample) -> bool:
        """Return whether what led from `a` to `b` may be the flow that leads from `b` to `c`."""
        before, after = (b.weight - a.weight) / (b.at - a.at), (c.weight - b.weight) / (c.at - b.at)
        lifted = any(self.base_kg < self.sign * (s.weight - a.weight) <= HANDS_KG for s in self._between)
        far, put_on = b.at - a.at >= UNSEEN_S, self.load is None or any(self._nothing(s.weight) for s in self._between)
        if lifted or (put_on and (not far or a.weight - self._bare_kg <= EMPTY_KG)):
            usual = FASTER * abs(after)  # no flow fell back to the first, or it was put on between them, or settles
        elif far:
            usual = max((3.0 if self._between else FASTER) * abs(after), FASTER * self._best)  # hands, in the first row
        else:
            usual = max(3.0 * abs(after), FASTER * self._best, USUAL_KG_PER_S)
        return abs(before) <= usual + self.base_kg / (b.at - a.at)

    def _flat(self, first: int = 0) -> bool:
        """Return whether the run stands, from one of its samples on: no more than noise, and no trend."""
        weights = [s.weight for s in self._run[first:]]
        span, half = max(weights) - min(weights), len(weights) // 2
        if span <= self.base_kg or len(weights) < 4:
            return span <= self.base_kg
        if span > 3.0 * self.base_kg:
            return False
        return abs(median(weights[-half:]) - median(weights[:half])) <= 0.5 * self.base_kg

    def _fastest(self, kg_per_s: float, per_gross: float) -> float:
        here = [s.weight - self._bare_kg for s in (self._last, *self._run[-1:]) if s is not None]
        return max(kg_per_s, per_gross * max(here, default=0.0))

    def _empty(self, sample: Sample) -> bool:
        if self._last is None or self.load is None:
            return False
        return self._nothing(sample.weight)

    def _nothing(self, weight: float) -> bool:
        """Return whether a weight, after that of the load, is that of no cylinder."""
        load, last = self.load, self._believed
        assert load is not None
        if load.zeroed:
            return self._line(last.at) - weight >= LIGHTEST_KG and weight < load.begin_kg - LIGHTEST_KG
        lightest = min(load.begin_kg, last.weight) - self._bare_kg
        return weight - self._bare_kg <= max(EMPTY_KG, EMPTY_SHARE * lightest)
