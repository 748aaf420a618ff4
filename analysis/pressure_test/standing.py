"""Which look at the loss the verdict stands on: a verdict that comes and goes is worth nothing.

The loss is looked at some thirty times a night, so while the test runs a look decides only when the look before agrees,
or when it is very sure; an alarm, which wakes people, comes only when both are surer than the interval has to be. At
the test's end the last look's interval decides as it is (group sequential tests: little of the risk is spent before the
end; O'Brien and Fleming, Biometrics 35, 1979). What was decided stands, with the figures of its look, until a later
look speaks against it; one that merely tells less takes nothing away, but a leak has to stand at the end, too: what
filling leaves in the gas looks like one, and less so by the hour. And the hours before a probe fell off or stood in the
sun are not tight for those after where all readings speak against it. While the test runs every look counts alike, and
is remembered: were the newest believed more, and its word forgotten with the next, verdicts would come and go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtr, ndtri

from analysis.pressure_test.judging import Judged

SURE_LOSS_PER_DAY = 0.005
"""Where no `allowed_loss` is stated, a loss surely above 0.5 % of the absolute pressure a day is called leaking (common
practice: 1 psi/d at 200 psi)."""
GAIN_SHARE = 0.25
"""An interval that lies wholly on the side of gaining, by more than a quarter of what is allowed, is an error of the
instruments, not tightness (common practice)."""
Shares = tuple[float, float]
"""Of the risk that the confidence leaves on one side of the interval: for tight, for leaking."""
TWICE, ONCE, TOLD = (0.4, 0.2), (0.08, 0.04), (1.0, 1.0)
"""Two following looks alarm when each risks less than the first share, one look alone when it risks less than the
second (common practice of repeated looks; at a confidence of 0.95 that is 0.01 and 0.002 for tight, half of it for
leaking, which wakes people at night). A look that ends the test risks the whole share."""
RUNS = (1.0, 0.5)
"""Two following looks decide while the test runs when each risks less than this: for tight what the interval does, for
leaking half of it, as above. A probability that is right has no drift, so of those at p no more than p / q ever come to
q (Ville 1939; from memory): of what is told at 0.025, and falls at `AGAINST`, a quarter at most is taken back, of
leaking an eighth."""
EARLY_HOURS, EARLY_SHARE = 4.0, 0.2
"""Until so many hours are judged of a running test leaking is told at so much of its share, and told as an alarm is:
what is left of a slow filling loses pressure, too, and of eighty minutes' memory a twentieth is left after three times
that (common practice). Of 910 simulated nights that leak no more than is allowed 8 alarm falsely, 4 with the early
share all night and 13 with none; of 284 that leak two to ten times what is allowed, both probes and barometer logged,
62, 91 and 59 never alarm. Of 249 and 251 nights kept aside 1 alarms falsely, as with the early share all night, and 89
leaks never alarm, 124 so. What an alarm waits for is the wave that no probe sees: who knows the model, but not its
lags, weights and filling, is as sure of five times what is allowed after 2.5 h, who leaves 0.3 K of such a wave open
after 7."""
LARGE_K_PER_H, LARGE_LOOKS = 1.0, 3
"""A loss that is worth more kelvins of gas an hour than this waits for no early share once so many looks in a row are
sure of it: unseen parts cool it so by less (half a circuit outdoors in a clear night does as much), and within three
looks a slow filling bends (common practice). Of 97 simulated leaks of eight times what is allowed and more half alarm
within 209 and 167 min (seen and unseen seeds), 239 and 197 without it; of 199 nights that leak no more than is allowed,
a hundred of them filled slowly, no more alarm falsely (12); by two looks in a row 3 more."""
COARSEST = 1.5
"""Tight needs a test that could tell tight from leaking: half its interval is at most so much of what is allowed. One
that is wider than all that is allowed lies inside only where the estimate is a gain, and no circuit gains. Of 685
simulated nights that leak 1.03 to 2.2 times what is allowed one is told as tight so, none at 1.0; of those that leak
at most half of it three in seventy more are told."""
AGAINST = 0.1
"""A verdict falls when the probability of the other side passes this (common practice)."""
WARMED, WARMS_HOURS = 8.0, 3.0
"""Something warms the circuit unseen: within so many hours the loss falls by so many deviations of a surer look (common
practice; what takes longer, or is less, is as often an early look that errs: of 620 simulated nights five and a half
hours, or six deviations, tell the first false ones)."""
MOST_HOURS = 72.0
"""Beyond three more days no test is left standing (common practice)."""
WIDTH_EXPONENT = 0.9
"""The interval narrows about as the hours to this power. Most narrow faster (between 1, slow errors, and 1.5, white
ones), but a test that is still undecided is one of the slow ones. Of 120 simulated nights of fifty hours the hours of
even odds came true in 48 to 51 of 100 and those of 0.8 in 82 to 89, as the end of the nights leaves it open; by 1.1 in
36 to 38 and 74 to 80. By 0.8 it is 55 to 59 and 84 to 93, and two looks in five, not one in four, have none to tell."""
LIKELY, EVEN = 0.8, 0.5
"""The hours still needed are those after which the test decides with the first probability; half of all tests need no
more than the hours of the second, which are far fewer, so both are told (common practice)."""
LEAST_MORE_H = 1.0
"""While a test runs two looks have to agree, and they lie half an hour apart: no fewer hours than this are told."""


def limit_of(judged: Judged, allowed: float | None) -> float:
    """Return the loss rate [Pa/s] that divides tight from leaking."""
    return SURE_LOSS_PER_DAY * judged.pressure_pa / 86_400.0 if allowed is None else allowed


def side_of(judged: Judged, allowed: float | None, confidence: float, shares: Shares = TOLD) -> str:
    """Return where the loss lies: ``tight``, ``leaking``, ``gaining``, or nothing when unsure.

    Tight and leaking are said at `shares` of the risk that the confidence leaves on one side of the interval.
    """
    risk = 0.5 * (1.0 - confidence)
    of_tight, of_leaking = (share * risk for share in shares)
    above = judged.surely_above(limit_of(judged, allowed))
    if 1.0 - above < of_leaking:
        return "leaking"
    if allowed is None or above >= of_tight:
        return ""
    if judged.surely_above(-GAIN_SHARE * allowed) < risk:
        return "gaining"
    low, high = judged.interval(confidence)
    return "tight" if high - low <= 2.0 * COARSEST * allowed and not judged.doubted else ""


def before_warming(looks: Sequence[Judged], allowed: float | None, confidence: float) -> list[Judged]:
    """Return the looks, in place of those after something began to warm the circuit unseen the surest one before it.

    A look that knows less than one before it, though it has seen all of that and more, and lies far on its side of
    gaining, met what nobody foresaw. A loss that grows does the opposite and is never left out; nor is a look that
    alone is leaking, nor one that knows more than the quiet hours did.
    """
    found: list[Judged] = []
    quiet: Judged | None = None
    for i, look in enumerate(looks):
        if quiet is None or quiet.plan.same_data() != look.plan.same_data() or _unsure(look) < _unsure(quiet):
            since = look.plan.end - 60.0 * WARMS_HOURS
            lately = [b for b in looks[:i] if b.plan.same_data() == look.plan.same_data() and b.plan.end >= since]
            surest = min((b for b in lately if b.plan.settled and b.hours >= EARLY_HOURS), key=_unsure, default=look)
            fell = surest.rate(surest.loss.mean) - look.rate(look.loss.mean)
            quiet = surest if _unsure(look) > _unsure(surest) and fell > WARMED * _unsure(surest) else None
        told = look if quiet is None else replace(quiet, checkpoint=look.checkpoint, warmed=True)
        leaks = [side_of(j, allowed, confidence, on_the_way(j, TWICE)) == "leaking" for j in (look, told)]
        found.append(look if leaks == [True, False] else told)
    return found


def _unsure(judged: Judged) -> float:
    return judged.rate(judged.loss.deviation)


def on_the_way(judged: Judged, shares: Shares) -> Shares:
    """Return the shares of the risk at which a look is told while the test runs."""
    return shares if judged.hours >= EARLY_HOURS else (shares[0], EARLY_SHARE * shares[1])


def _goes_on(looks: Sequence[Judged], allowed: float | None, confidence: float) -> bool:
    """Return whether the last looks are all sure of a large loss, however early they are."""
    return len(looks) >= LARGE_LOOKS and all(
        j.plan.settled and 60.0 * j.loss.mean > LARGE_K_PER_H and side_of(j, allowed, confidence, TWICE) == "leaking"
        for j in looks[-LARGE_LOOKS:]
    )


def told_shares(judged: Judged, ended: bool) -> Shares:
    """Return the shares of the risk at which a look is told as the verdict; `ended` says that the test ends with it.

    Where something warms the circuit no look is the last one that was foreseen, and tight needs as much as on the way.
    """
    tight, leaking = TOLD if ended else RUNS
    if not ended and judged.hours < EARLY_HOURS:
        leaking = on_the_way(judged, TWICE)[1]
    return TWICE[0] if judged.warmed else tight, leaking


def verdicts(
    looks: Sequence[Judged], allowed: float | None, confidence: float, told: bool = False, ended: bool = False
) -> list[tuple[str, Judged | None]]:
    """Return the verdict and the look that it stands on, as they were after each look; ``undecided`` stands on none.

    `told` says that they are told, not what alarms; `ended` that the test ends with the last look.
    """
    found: list[tuple[str, Judged | None]] = []
    verdict, stands = "undecided", None
    for i, judged in enumerate(looks):
        final = ended and i == len(looks) - 1
        shares = told_shares(judged, final) if told else on_the_way(judged, TWICE)
        side = side_of(judged, allowed, confidence, shares)
        twice = i > 0 and side_of(looks[i - 1], allowed, confidence, shares) == side
        sure = final or twice or side_of(judged, allowed, confidence, on_the_way(judged, ONCE)) == side
        if _goes_on(looks[: i + 1], allowed, confidence):
            verdict, stands = "leaking", judged
        elif side in ("tight", "leaking") and sure:
            verdict, stands = side, judged
        elif stands is not None:
            above = judged.surely_above(limit_of(judged, allowed))
            unsure = judged.doubted if verdict == "tight" else final
            if unsure or side == "gaining" or (above if verdict == "tight" else 1.0 - above) > AGAINST:
                verdict, stands = "undecided", None
        found.append((verdict, stands))
    return found


def hours_more(judged: Judged, allowed: float, confidence: float, odds: float = LIKELY) -> float | None:
    """Return after how many more hours it is decided with a probability of `odds`; None when more than `MOST_HOURS`.

    The interval narrows meanwhile, and the estimate moves by what is now unsure of it; no circuit gains.
    """
    low, high = judged.interval(confidence)
    loss, half = max(judged.rate(judged.loss.mean), 0.0), 0.5 * (high - low)
    more = np.arange(LEAST_MORE_H, MOST_HOURS, 0.25)
    left = (judged.hours / (judged.hours + more)) ** WIDTH_EXPONENT
    moves = half / float(ndtri(0.5 + 0.5 * confidence)) * np.sqrt(1.0 - left**2)
    tight = ndtr((allowed - loss - half * left) / moves) * (half * left <= COARSEST * allowed)
    enough = np.flatnonzero(tight + ndtr((loss - allowed - half * left) / moves) >= odds)
    return float(more[enough[0]]) if len(enough) else None
