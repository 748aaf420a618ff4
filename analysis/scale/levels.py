"""What a cylinder weighed when it was lifted off.

People shut it, wait, and put their hands on it before it is gone: the last samples are theirs. So it is the last level
that stood that counts. Where none did, it was lifted while it flowed, and half of what may have flowed since the last
sample counts. Between rows as far apart as a level has to stand, a hand is one row; there the pace so far tells it from
flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import takewhile

import numpy as np

from analysis.scale.names import Doubt
from analysis.scale.samples import FASTEST_KG_PER_S, UNSEEN_S, Edge, Sample, between
from analysis.scale.standing import HANDS_KG, HANDS_S, came_back, flows_on

# What follows is common practice or plain physics of the work; no published source.
GAP_S = 90.0
"""Without readings for this long nobody knows what the scale would have shown."""
STOOD_S, STOOD_BRIEFLY_S, HURRY_S = 9.5, 3.5, 35.0
"""A level stood for the first time. Where none did, a cylinder was shut in a hurry: it stood for the second, no more
than the third before it left."""
STOOD_BEFORE_S = 90.0
"""A level that stood counts when no more than this passed from it until the cylinder left."""
UNSTOOD_KG, HELD_KG = 0.15, 0.4
"""What hands may make of a level that was not seen to stand, and of a single row far from the next."""
FASTER = 1.3
"""Between rows far apart, what is this much faster than all that went on before is a hand; where flow had slowed to
under `SLOW_OF_BEST` of its best, faster than it went on then."""
SLOW_OF_BEST = 0.5
LEAPT, LEAPT_NOISE = 0.5, 2.0
"""What came by more than the first share at once did not flow, where that is so many times what noise moves it by."""
EDGE_S, PLAIN, STILL_OPEN, EDGE_SURE = 15.0, 3.0, 0.9, 1.7
"""The edge of a load is looked at for the first time, or until it moved by so many times what stands may move by, as
flow has to; where less than the third share of the flow beside it went, the valve moved. Two paces by three readings
differ by chance by so many times as much as one reading does."""


def pace(a: Sample, b: Sample, sign: float) -> float:
    """Return how fast mass went the stage's way from one sample to another [kg/s]."""
    return sign * (b.weight - a.weight) / (b.at - a.at)


def leapt(a: Sample, b: Sample, base_kg: float) -> bool:
    """Return whether most of the way from one sample to another came at once, as when something is lifted off."""
    return b.leap > max(LEAPT * abs(b.weight - a.weight), LEAPT_NOISE * base_kg)


def level_at(
    inwards: Sequence[Sample], edge_s: float, edge: Edge, still_kg: float, sign: float, best_kg_per_s: float = 0.0
) -> tuple[float, Doubt] | None:
    """Return what a load weighed at its edge [kg], and how unsure that is by what flowed beyond its readings.

    None when no plain flow went on to there. `inwards` are the samples from there on, `edge_s` is when it came or left
    as likely as not, `still_kg` what noise and step move them by, `best_kg_per_s` the best pace that went on so far.
    What is slower at the edge than further in means that the valve moved there: nothing flowed beyond; what is faster
    is of hands, or between rows far apart of flow that ended before the next: nobody knows then when it began. Else it
    flowed until any moment of the edge.
    """
    a, plain_kg = inwards[0], PLAIN * still_kg
    further = [s for s in inwards if abs(s.at - a.at) >= EDGE_S - 0.5]
    if len(further) < 2:
        return None
    b = further[0]
    beyond = [s for s in further if abs(s.at - b.at) >= EDGE_S - 0.5]
    c = next((s for s in beyond if abs(s.weight - a.weight) >= plain_kg), further[-1])
    (at_edge, spent), (inner, _) = _flowed_from(a, b, sign), _flowed_from(b, c, sign)
    far = spent >= UNSEEN_S
    still = (1.0 if far else EDGE_SURE) * still_kg / spent
    if abs(c.weight - a.weight) >= plain_kg and STILL_OPEN * inner - still <= at_edge <= FASTER * inner + still:
        level = a.weight + sign * max(0.0, min(at_edge, inner)) * (edge_s - a.middle_s)
        return level, Doubt(alike_kg=max(0.0, at_edge, inner) * edge.off_s)
    if far and at_edge * spent > HANDS_KG and abs(c.weight - b.weight) <= still_kg:
        return a.weight, Doubt(max(at_edge, best_kg_per_s) * (edge.after_s - edge.before_s))
    return None


def _flowed_from(a: Sample, b: Sample, sign: float) -> tuple[float, float]:
    """Return how fast mass went the stage's way between the moments of which two samples tell, and how long it went."""
    spent = b.middle_s - a.middle_s
    return sign * (b.weight - a.weight) / spent, abs(spent)


def _half_kg(edge: float, inner: float, unseen_s: float) -> float:
    """Return half of what flows in a time, by the slower of two paces: as likely as not it went on for so long [kg]."""
    return 0.5 * max(0.0, min(edge, inner)) * unseen_s


def left_with(
    believed: Sequence[Sample],
    waiting: Sequence[Sample],
    base_kg: float,
    still_kg: float,
    best_kg_per_s: float,
    sign: float,
    gone: Sample,
) -> tuple[float, Doubt]:
    """Return what a load weighed when it left [kg], and how unsure that is by hands and by flow until it was lifted.

    `believed` and `waiting` are its last samples, those that were believed and those after them; `base_kg` is what
    noise moves them by and `still_kg` a weight that stands, `best_kg_per_s` the best pace that went on so far, `gone`
    the first sample without it.
    """
    seen = without_hands([*believed, *waiting], still_kg, sign)
    believed, waiting = [s for s in believed if s in seen], [s for s in waiting if s in seen]
    last = believed[-1]
    if len(believed) < 3:
        return last.weight, Doubt()
    before, rate = pace(believed[-3], believed[-2], sign), pace(believed[-2], last, sign)
    spent = last.at - believed[-2].at
    gone_s, unseen_s = gone.at, gone.at - last.at
    edge = between(last, min([*waiting, gone], key=lambda s: s.at))
    flowed = level_at(believed[::-1], edge.left_s, edge, still_kg, sign, best_kg_per_s)
    if spent < UNSEEN_S:
        if flowed is not None and not waiting:
            return flowed
        seen = [*believed, *_flowed(last, waiting, base_kg, sign)]
        level = _stood(seen, waiting, still_kg, sign, gone_s)
        if level is not None:
            return level, Doubt()
        level = _stillest(seen, still_kg, sign, gone_s)
        if level is not None:
            return level, Doubt(UNSTOOD_KG)
    if spent < STOOD_S:
        level = _stood(seen, waiting, base_kg, sign, gone_s)
        if level is not None:
            return level, Doubt(UNSTOOD_KG)
        if unseen_s >= UNSEEN_S:
            lately = max(rate, pace(believed[0], last, sign)) if unseen_s > GAP_S else rate
            return last.weight, Doubt(max(UNSTOOD_KG, lately * unseen_s))
        kg = _half_kg(rate, before, unseen_s)  # it flowed until it was lifted
        return last.weight + sign * kg, Doubt(UNSTOOD_KG, kg)
    if abs(before * spent) <= still_kg < abs(rate * spent):
        return believed[-2].weight, Doubt(HELD_KG)  # it stood: nobody opens it once more to lift it off
    quickest = before if 0.0 < before < SLOW_OF_BEST * best_kg_per_s else max(best_kg_per_s, before)
    if not -base_kg <= rate * spent <= base_kg + FASTER * quickest * spent:
        kg = 0.5 * min(max(before, 0.0), best_kg_per_s) * spent
        level = believed[-2].weight + sign * kg
        return level, Doubt(max(kg, abs(last.weight - level)))
    level, doubt = (last.weight, Doubt()) if flowed is None else flowed
    held = abs(last.weight - believed[-2].weight) > still_kg
    return level, doubt._replace(own_kg=max(doubt.own_kg, HELD_KG if held else 0.0))


def without_hands(samples: Sequence[Sample], still_kg: float, sign: float) -> list[Sample]:
    """Return samples without those that went away as no flow does and soon came back to where they had been."""
    kept: list[Sample] = []
    for now in samples:
        for k in range(len(kept) - 1, 0, -1):
            before, away = kept[k - 1], kept[k]
            if now.at - away.at > HANDS_S:
                break
            flowed = max(pace(kept[k - 2], before, sign), 0.0) * (away.at - before.at) if k > 1 else 0.0
            went = -still_kg <= sign * (away.weight - before.weight) <= FASTER * flowed + still_kg
            if not went and came_back(now.weight, away.weight, [before.weight], still_kg):
                del kept[k:]
                break
        kept.append(now)
    return kept


def _flowed(last: Sample, waiting: Sequence[Sample], base_kg: float, sign: float) -> list[Sample]:
    """Return the waiting samples to which flow may have led from the last believed one, while hands shut the valve."""
    soon = [s for s in takewhile(lambda s: not leapt(last, s, base_kg), waiting) if s.at - last.at <= STOOD_BEFORE_S]
    ahead = [(s, (s.weight - last.weight) * sign, s.at - last.at) for s in soon]
    return [s for s, kg, spent in ahead if -base_kg <= kg <= base_kg + FASTEST_KG_PER_S * spent]


def _stillest(samples: list[Sample], still_kg: float, sign: float, gone_s: float) -> float | None:
    """Return what a cylinder weighed that was shut in a hurry: the stillest of the last samples that stood briefly."""
    last = [s for s in samples if gone_s - s.at <= HURRY_S]
    still = [k for k, s in enumerate(last) if s.bends <= still_kg and s.covers >= STOOD_BRIEFLY_S]
    if not still:
        return None
    shut = [k for k in still if all(sign * (last[j].weight - last[k].weight) <= still_kg for j in still if j > k)]
    k = min(reversed(shut), key=lambda k: last[k].bends)
    # with the one before it: slow flow seems still within a sample, not from one to the next
    return None if flows_on([s.weight for s in last[max(k - 1, 0) :]], sign, still_kg) else last[k].weight


def _stood(
    samples: list[Sample], waiting: Sequence[Sample], level_kg: float, sign: float, gone_s: float
) -> float | None:
    """Return the last level that stood, to `level_kg`; None when none did or flow went on until the end.

    What comes back to the level was a hand and no flow.
    """
    weights = np.array([s.weight for s in samples])
    for k in range(len(samples) - 1, 0, -1):
        first = k
        while first and np.ptp(weights[first - 1 : k + 1]) <= level_kg and samples[first - 1].bends <= level_kg:
            first -= 1
        if gone_s - samples[k].at > STOOD_BEFORE_S:
            break
        stood_s = samples[k].at - samples[first].at + samples[first].covers
        if samples[k].bends > level_kg or stood_s < STOOD_S:
            continue
        level = float(np.median(weights[first : k + 1]))
        back = any(abs(s.weight - level) <= 0.25 * abs(weights[-1] - level) for s in waiting)
        return None if flows_on(weights[k:].tolist(), sign, level_kg) and not back else level
    return None
