"""Following a scale, sample by sample, forward only.

A cylinder's weight moves slowly, because refrigerant flows. Everything quicker is something else: hands, bumps,
a hose that pulls, a tare button, a unit switch, a cylinder lifted off or put on. So two things are followed: the
weight that is *believed* (of a *load*, a cylinder standing there, or of the bare plate) and the *run*, samples that
follow each other but not it. A sample that goes back to what was believed ends the run: it was a hand. A run that
stays is flow, a shift, or another load, by what happened in between. Mass moved is the difference of two levels of
one load, so what comes and goes again never counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from analysis.scale.believing import Believing
from analysis.scale.explaining import ONE_FLOW, SLIP_STAYS_S, SWAP_KG, UNIT_SLIPS
from analysis.scale.following import (
    BURST_STAYS_S,
    EMPTY_KG,
    FASTEST_PER_GROSS,
    LIGHT_KG,
    LIGHTEST_KG,
    STAYS_S,
)
from analysis.scale.hoses import Hoses
from analysis.scale.levels import GAP_S, left_with, pace
from analysis.scale.names import LIFTED_S, MARK_EARLY_S, MATCH_KG, SAME_KG, Load, NamedBy
from analysis.scale.samples import FASTEST_KG_PER_S, SAMPLE_S, UNSEEN_S, Sample, between
from analysis.scale.standing import HANDS_KG, SCREWED_ON_KG, Standing, flows_on, still_within_kg

# What follows is common practice or plain physics of the work; no published source.
LEAST_NOISE_KG = 0.15
"""Less than this is never taken for more than noise, hoses and the scale's step."""
LEFT_S = 10.0
"""An empty scale is believed after this time."""
CONFIRM_S = 30.0
"""A load counts, and is named, after standing this long."""
ZEROED_KG = 0.6
"""A scale that shows nothing and moves by this much slowly was set to zero with the cylinder on it."""
GROWS = 3.0
"""Flow that begins goes up to so many times as fast from one row to the next, between rows far apart."""
SAME_PACE = (0.5, 1.6)
"""What shows nothing and moves on at such a share of the pace before was set to zero while it flowed."""


@dataclass(slots=True)
class Tracker(Believing):
    """The loads of the scale as they were followed so far."""

    out: list[tuple[float, float, float, int, float, float]] = field(default_factory=list)
    unsettled: int = 0  # samples that were not believed when they came
    _nought: int = 0  # samples in a row that show nothing
    _set_down: bool = False  # something was, since the last load left
    _fell_to_zero: float = 0.0  # the zero, had the last load not left but been set to nothing

    def take(self, sample: Sample) -> None:
        """Take one sample."""
        self.base_kg = max(LEAST_NOISE_KG, 1.5 * sample.step, 4.0 * self.noise_kg)
        self.still_kg = still_within_kg(sample.step, self.shakes_kg)
        self._spacing_s = sample.at - self.out[-1][0] if self.out else SAMPLE_S
        self._silent_at = sample.silent_at
        if self._spacing_s >= UNSEEN_S:
            self._unseen_at = sample.at
        if self._zero:
            self._set_to_zero_again(sample)
        sample.weight = sample.raw * self._gain - self._zero
        if self.load is None:
            self._set_down |= max(sample.weight - self._bare_kg, sample.bends) >= LIGHTEST_KG
            self._while_bare(sample)
        else:
            self._while_loaded(self.load, sample)
            if self.load is not None:
                self._begin_anew(self.load, sample)
                self._watch_hoses(self.load, sample)
        self._listen(sample.raw)
        load, last = self.load, self._last
        if load is not None and not load.confirmed and not self._run and sample.at - self._stands_since >= CONFIRM_S:
            self._confirm(load, sample)
        moved, gross, number = self._done_kg, np.nan, -1
        if load is not None and load.confirmed:
            moved, number = moved + load.moved_kg, len(self.loads) - 1
        if number >= 0 and last is not None:
            gross = last.weight
            if self._run:  # not believed yet; a cylinder that fills meanwhile still fills
                shown = self._run[-1].weight
                gross = min(shown, self._line(sample.at)) if shown >= last.weight else np.nan
        self.unsettled += bool(self._run)
        self.out.append((sample.at, moved, gross, number, self.shakes_kg, self.unseen_so_far_kg()))

    def _begin_anew(self, load: Load, sample: Sample) -> None:
        """Begin a load with the level that stood last before its first flow."""
        if self._standing.over:
            return
        begin_kg = self._standing.begin_kg(load.begin_kg, sample, still_within_kg(sample.step, self.quivers_kg))
        below = begin_kg < sample.weight and not self._stated(begin_kg, load.cylinder)
        if not load.stood and below and self._stated(sample.weight, load.cylinder):
            begin_kg = sample.weight  # it was half set down, and stands now at what it weighs
        if load.stood and 0.0 < abs(begin_kg - load.begin_kg) <= SCREWED_ON_KG:
            load.hose_kg = math.hypot(load.hose_kg, begin_kg - load.begin_kg)
        elif not load.stood and self._spacing_s >= UNSEEN_S:
            load.doubt(self._may_have_flowed([load.begin_kg], begin_kg))
        load.stood = self._standing.stood
        if begin_kg != load.begin_kg:
            load.begin_kg, self._odd = begin_kg, []
            if self._run:
                self._believe(load, sample)

    def _watch_hoses(self, load: Load, sample: Sample) -> None:
        """Count no hose as flow that is screwed on or off between levels that stand."""
        if self._spacing_s >= UNSEEN_S or (self._run and self._nothing(sample.weight)):
            return
        sure_kg = self._sure_kg(sample)
        load.begin_kg += self._hoses.put_back(load.end_kg, sure_kg)
        came = self._hoses.take(sample, load.begin_kg, still_within_kg(sample.step), sure_kg)
        if came is None or self._last is None or self._last.at < came.at - came.took_s:
            return  # nothing hung on what was believed
        off = self._hoses.taken_off(came, sure_kg)
        if off is not None or came.stands_again:
            if off is not None:
                self._take_off(load, off, sample.weight)
                self._recent.clear()
            if self._run:
                self._adopt(load)
            if not self._recent:
                self._recent.append(self._believed)
            return
        if self.sign * came.step_kg < 0.0 and not came.connecting:
            self._hoses.fell = came if came.flat else None
            return  # a hand, while it flows; not what it ends with
        self._hoses.hung.append(came)
        if self.sign * came.step_kg > 0.0:
            return
        if came.counts(load.begin_kg):
            load.begin_kg += came.step_kg
        if self._run:
            self._adopt(load)

    def _while_bare(self, sample: Sample) -> None:
        last = self._last
        if last is not None and self._follows(sample):
            self._last, self._run, self._between = sample, [], []
            climbed = self.sign * (sample.weight - self._bare_kg)
            if climbed >= ZEROED_KG + self.base_kg:
                self._zeroed([sample])
            return
        self._wait(sample)
        first = self._run[0]
        little = abs(first.weight - self._bare_kg) < LIGHTEST_KG
        climbs = self._goes_on() or flows_on([s.weight for s in self._run], self.sign, self.base_kg)
        came = self._leaps() and sample.weight - self._bare_kg >= LIGHTEST_KG  # as no flow does, on a slow display
        if little and climbs and not came and sample.at - first.at >= CONFIRM_S:
            if any(s.leap > self.base_kg for s in (*self._between, first)) and first.weight - self._bare_kg > LIGHT_KG:
                self._settled()
                self._put_on()  # a light one, or one that the display was slow to show
            else:
                self._zeroed(self._run)
        elif self._settled():
            first = self._run[0]
            if first.weight - self._bare_kg >= self._lightest(first.weight):
                self._put_on()
            elif self._flat():
                self._lifted_after_zero(last, first)
                self._stand_bare(sample, first.weight)

    def _lightest(self, weight: float) -> float:
        """Return what a cylinder weighs at least beyond the plate when it is put on [kg]."""
        return EMPTY_KG if self._known(weight) else LIGHTEST_KG

    def _lifted_after_zero(self, before: Sample | None, bare: Sample) -> None:
        """A plate that shows what the last load weighed less than nothing: set to zero, that stood there until now."""
        old = self.loads[-1] if self.loads else None
        if old is None or before is None or old.zeroed or self._set_down:
            return
        moved_kg = self.sign * (before.weight - bare.weight - old.end_kg)
        if bare.weight < -LIGHTEST_KG and -self.base_kg <= moved_kg <= ZEROED_KG + 2.0 * self.base_kg:
            self._done_kg -= old.moved_kg
            old.end_kg, old.end = before.weight - bare.weight, self.stamps[before.row]
            self._done_kg += old.moved_kg
            self.names.expected[old.cylinder] = old.end_kg

    def _stand_bare(self, sample: Sample, weight: float) -> None:
        """Nothing stands on the plate, which shows `weight`."""
        if not 0.0 < self.sign * (weight - self._bare_kg) < ZEROED_KG + self.base_kg:  # else it may be flow
            self._bare_kg = weight
        self._last, self._run, self._between = sample, [], []
        again = weight > EMPTY_KG >= abs(sample.raw)  # set to zero once more, with the cylinder that has just come
        if again or weight < -2.0:  # or it was so with one that is gone now
            self._zero = 0.0 if again else self._zero + weight
            self._bare_kg, sample.weight = 0.0, sample.raw * self._gain - self._zero

    def _set_to_zero_again(self, sample: Sample) -> None:
        """Put the zero right when a bare plate shows nothing that no cylinder put back would show."""
        self._nought = self._nought + 1 if abs(sample.raw) <= 1.5 * sample.step else 0
        if self.load is None and self._nought >= 2:
            back = self.loads[-1].end_kg + self._zero if self.loads else 0.0
            if abs(back) > SAME_KG + self.base_kg:
                self._zero, self._run = 0.0, []

    def _zeroed(self, run: list[Sample], *, seen: bool = False) -> None:
        """What flows from a plate that seemed bare: the tare button was pressed with the cylinder on it.

        `seen`: it flowed on from there at once.
        """
        old, bare = self.loads[-1] if self.loads else None, seen or abs(self._bare_kg) <= EMPTY_KG
        self._odd, self._nought = [], 0
        self._recent.clear()
        never_left = not self._set_down and self.names.next_id is None
        if old is not None and not old.zeroed and never_left and bare:
            load, self._zero, self._bare_kg = old, self._fell_to_zero, 0.0
            self._done_kg -= old.moved_kg
            old.end = None
            self._read_with(self._gain, run)
        else:
            named: tuple[str, NamedBy] = self.names.numbered(self.loads), "order"
            if self.names.next_id is not None:
                named = self.names.next_id, "mark"
            elif old is not None and run[0].at - self._left_at <= LIFTED_S:
                named = old.cylinder, old.named_by
            begin = self._bare_kg
            load = Load(*named, None, self.stamps[run[0].row], None, begin, begin, self.sign, bare, stood=not bare)
            self._bare_kg = begin if bare else 0.0  # what seemed bare was a light cylinder
            self.loads.append(load)
            self._stands_since, self._standing = run[0].at, Standing(1.0, over=True)
            self._came = between(run[0], run[0])
            self._hoses = Hoses(self.sign, connecting=False)
        self.load, self._last = load, run[0]
        self._rate = (run[-1].weight - run[0].weight) / (run[-1].at - run[0].at) if seen else 0.0
        for sample in run:
            self._believe(load, sample)
        if bare:
            gross = "is not known from then on" if load.zeroed else "is taken from what it showed before"
            self.cautions.append(f"The scale was set to zero with a cylinder on it: its gross weight {gross}.")

    def _while_loaded(self, load: Load, sample: Sample) -> None:
        if self.names.next_id is not None and self._marked_change(load, sample, self.names.next_id):
            return
        if self._believable(load, sample):
            self._believe(load, sample)
            return
        self._wait(sample)
        self._let_hands_go()
        run = self._run
        first, stood = run[0], sample.at - run[0].at
        if self._empty(sample):
            if stood >= LEFT_S and self._empty(first):
                flows = self._flows_from_nothing()
                under = abs(first.raw) <= EMPTY_KG and sample.raw < -self.base_kg  # no plate shows less than nothing
                self._leave(load, first if under else sample)
                if flows:
                    self._zeroed(run, seen=True)
            return
        step = first.weight - self._line(first.at)
        slip = self._unit_slip(first)
        if slip is not None:
            if len(run) >= 2 and stood >= (LEFT_S if slip == 1.0 else SLIP_STAYS_S):
                self._switch(load, slip)
            return
        if self._goes_on() or self._hung() or (len(run) >= 2 and (self._joins(run) or self._undoes(load, first))):
            self._adopt(load)
        elif self._established():
            if self._another(load, first, step) and self._settled():
                if abs(first.raw) <= EMPTY_KG or first.weight - self._bare_kg < self._lightest(first.weight):
                    self._leave(load, first)
                else:
                    self._replace(load)
                return
            flow = load.confirmed and self._burst(first)
            if stood >= (BURST_STAYS_S if flow or self._set_down_late(load, step) else STAYS_S):
                self._adopt(load, 0.0 if flow else step)

    def _set_down_late(self, load: Load, step: float) -> bool:
        """Return whether a cylinder that was held until then was set down and flows on: no hand does so."""
        held = 0.0 < step < SWAP_KG and abs(load.moved_kg) <= self.base_kg
        return held and flows_on([s.weight for s in self._run], self.sign, self.base_kg)

    def _flows_from_nothing(self) -> bool:
        """Return whether the run begins at nothing and moves on at the pace of the load: no plate does so."""
        run, rate = self._run, self.sign * self._rate
        near = -self.still_kg <= self.sign * run[0].raw <= self.base_kg + rate * self._blind_before_run()
        least, most = (share * rate * (run[-1].at - run[0].at) for share in SAME_PACE)
        return near and self.base_kg <= least <= self.sign * (run[-1].raw - run[0].raw) <= most

    def _put_on(self) -> None:
        """The run is a load."""
        self._switch_meanwhile()
        run, flat = self._run, self._flat()
        if not flat:
            self._stood_before_it_flowed()
        level = float(np.median([s.weight for s in run[: (len(run) + 1) // 2]])) if flat else run[0].weight
        load = Load("", "order", None, self.stamps[run[0].row], None, level, level, self.sign)
        self.loads.append(load)
        self._blind_s, self._flowed_at_once = self._blind_before_run(), not flat
        self._came = between(self._before_run or run[0], run[0])
        if self._spacing_s >= UNSEEN_S:
            load.doubt(self._taken_for_hands(level))
        self.load, self._stands_since, self._rate, self._odd = load, run[0].at, 0.0, []
        self._recent.clear()
        there = [s for s in self._between if s.weight - self._bare_kg >= LIGHTEST_KG]
        hands = [s for s in self._between if abs(s.weight - level) <= HANDS_KG]
        self._last, self._standing, self._hoses = run[0], Standing(self.sign, hands, there), Hoses(self.sign)
        for sample in run:
            self._believe(load, sample)
            self._begin_anew(load, sample)
            self._watch_hoses(load, sample)
        self._rate = 0.0 if flat else self._rate

    def _switch_meanwhile(self) -> None:
        """The unit was changed while no load stood there, if that makes the run what should stand there.

        Where it had been changed before, it is as likely changed back: what is nearer to what is known, or else to
        what came before, is believed.
        """
        names, shown = self.names, [self._run[0].raw, self._run[-1].raw]  # flow passes by what it should weigh
        stated, switched = names.next_id in names.expected, self._gain != 1.0
        known = list(names.expected.values())
        if names.next_id is not None and stated:
            known = [names.expected[names.next_id]]
        if switched:
            del shown[1:]
        off = {
            gain: min((max(abs(raw * gain - self._zero - kg) for raw in shown) for kg in known), default=math.inf)
            for gain in (self._gain, *(UNIT_SLIPS if stated else UNIT_SLIPS[:1]))
        }
        gain = min(off, key=off.__getitem__)
        came = [load.begin_kg for load in self.loads if load.confirmed and not load.zeroed]
        if off[gain] > MATCH_KG and switched and came:
            apart = {
                gain: min(abs(math.log(max(shown[0] * gain - self._zero, EMPTY_KG) / kg)) for kg in came)
                for gain in (self._gain, 1.0)
            }
            gain = min(apart, key=apart.__getitem__)
            self.cautions.append(
                "The scale's unit was switched before a cylinder was put on of which no weight is known: it is read in "
                "the unit in which it weighs about what the cylinders before it did. Check its weight."
            )
        elif off[gain] > MATCH_KG:
            return
        self._read_with(gain, [*self._between, *self._run])

    def _stood_before_it_flowed(self) -> None:
        """Put to the run what waited before it and flowed to it: it stood there, and was opened."""
        run, between = self._run, self._between
        own = abs(pace(run[0], run[-1], self.sign))
        while between:
            spent, ahead = run[0].at - between[-1].at, self.sign * (run[0].weight - between[-1].weight)
            if spent >= UNSEEN_S or not -self.base_kg <= ahead <= self.base_kg + own * spent:
                break
            run.insert(0, between.pop())

    def _end(self, load: Load, blind: Sample | None = None) -> None:
        """End the present load; `blind` the first sample without it, where that waits nowhere yet."""
        self._flow_before_it_left(load)
        last = self._believed
        if not load.confirmed:
            self.loads.pop()
        else:
            waiting = [s for s in self._between if not self._nothing(s.weight)]
            gone = blind or (self._between + self._run or [last])[0]
            if blind is None and waiting and waiting[0].at - last.at < UNSEEN_S:
                gone = self._run[0] if self._run else waiting[-1]
            load.end_kg, doubt = left_with(
                list(self._recent), waiting, self.base_kg, self.still_kg, self._best, self.sign, gone
            )
            load.doubt(*doubt)
            self._judge_hoses(load, gone.at)
            if blind is not None or gone.at - last.at > max(GAP_S, 3.0 * self._spacing_s):
                load.doubt(self._may_flow_again_kg(load, gone.at))
            self._done_kg += load.moved_kg
            load.end, self._left_at = self.stamps[last.row], last.at
            if not load.zeroed:
                self.names.expected[load.cylinder] = load.end_kg
        self.load, self._rate = None, 0.0

    def _may_flow_again_kg(self, load: Load, gone_s: float) -> float:
        """Return how much may have flowed unseen before a cylinder was gone, as it did before [kg]."""
        last = self._believed
        stood_s = max(last.at - self._stands_since, CONFIRM_S)
        most = max(load.moved_kg, 0.0) * (gone_s - last.at) / stood_s
        tare = None if load.table is None or self.sign > 0.0 else load.table.tare_kg
        return most if tare is None else min(most, max(load.end_kg - tare, 0.0))

    def _flow_before_it_left(self, load: Load) -> None:
        """Believe what still flowed between rows far apart before the cylinder left: hardly one of them is of hands.

        Flow that has just begun may grow from row to row: what then stays there did not come of hands either.
        """
        run, between = self._run, list(self._between)
        while between:
            now, recent = between[0], self._recent
            spent, ahead = now.at - self._believed.at, self.sign * (now.weight - self._believed.weight)
            if self._nothing(now.weight) or spent < UNSEEN_S:
                break
            stayed = len(between) > 1 and self.sign * (between[1].weight - now.weight) >= -self.base_kg
            grew = len(recent) > 1 and -self.base_kg <= ahead <= GROWS * pace(recent[-2], recent[-1], self.sign) * spent
            if not (self._may_flow(now) or (stayed and (grew or self._flows_alike(now, between[1])))):
                break
            self._believe(load, between.pop(0))
        self._run, self._between = run, between

    def _flows_alike(self, now: Sample, later: Sample) -> bool:
        """Return whether mass went to a row about as it went on from there: flow, not hands, whatever was before."""
        before, after = pace(self._believed, now, self.sign), pace(now, later, self.sign)
        return 0.0 < before <= min(after / ONE_FLOW, self._fastest(FASTEST_KG_PER_S, FASTEST_PER_GROSS))

    def _leave(self, load: Load, bare: Sample) -> None:
        """The cylinder was lifted off; the plate shows nothing at `bare`."""
        self._set_down, first = False, self._run[0]
        self._fell_to_zero = first.raw * self._gain - self._line(first.at)
        self._end(load)
        self._stand_bare(bare, bare.weight)

    def _replace(self, load: Load) -> None:
        """Another cylinder stands there; nobody saw the plate empty for long."""
        self._end(load)
        self._put_on()

    def _marked_change(self, load: Load, sample: Sample, name: str) -> bool:
        """Take the mark of a cylinder for a change of which the scale showed nothing; return whether it was one."""
        last, names = self._last, self.names
        if not load.confirmed or last is None:
            return False
        blind = sample.at - last.at >= GAP_S and last.at <= names.next_at and not self._run
        if not blind and (self._run or sample.at - names.next_at < MARK_EARLY_S):
            return False
        stamp = self.stamps[sample.row]
        if load.named_by != "mark" and not blind:
            names.name(load, len(self.loads) - 1, name, "mark", stamp)
            names.next_id = None
            return False
        self._end(load, sample if blind else None)
        if blind:
            self.cautions.append(
                f"The scale gave no readings while {load.cylinder} was changed for {name}: what moved then is only "
                "counted as far as the cylinder's tare and contents tell."
            )
            self._last, self._run, self._between = None, [sample], [last]
            return True
        new = Load(name, "mark", None, self.stamps[last.row], None, load.end_kg, load.end_kg, self.sign, load.zeroed)
        new.confirmed = True
        self.loads.append(new)
        self.load, self._stands_since, self._odd = new, last.at, []
        self._hoses = Hoses(self.sign, connecting=False)
        names.name(new, len(self.loads) - 1, name, "mark", stamp)
        names.next_id = None
        self._tell_change(load, new, sample, "mark")
        self._believe(new, sample)
        return True
