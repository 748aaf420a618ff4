"""The findings of a recovery, each made at the tick at which its evidence sufficed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.belief.fault import AIR_PA
from analysis.freezing import CLEAR_K, CLEAR_S, if_any
from analysis.recovery.balance import CHILL_S, GONE_K, SHALLOW
from analysis.recovery.calls import FLAT_S, Call
from analysis.recovery.liquid import POCKET_LEAST, Evidence
from analysis.recovery.pauses import HOSE_S, Pause, Pull, before
from analysis.recovery.shut_gauge import OVER_K, Leap
from analysis.recovery.ticks import Ticks
from analysis.result import Figure, FigureValue, Finding
from analysis.stretch import Stretch, episodes, stayed
from analysis.vocabulary.channels import Level
from analysis.vocabulary.text import duration

RATE_S = 120.0
"""Mass rates are taken over this time."""
BREAK = 0.4
"""The liquid pull is over at this share of the rate it lately had, times the share of the pressure that is left; it
usually falls 5 to 20 times; common practice."""
LATELY_S = 1800.0
"""The best rate of this much pulling counts: a slow decline, as a cylinder fills and warms, is no breakdown."""
BREAK_STAYS_S = 180.0
"""The rate has to stay low for this long, after as long a time of pulling; common practice."""
NEAR_SATURATION = 0.5
"""Share of the highest pressure down to which a rate that fell by more than the pressure did is the port's; deeper down
the machine itself pulls worse; common practice."""

REBOUND = 0.03
"""A rise of this share in a pause, after hose and gauge have come to rest, is the refrigerant's, where it is more than
gas that is cold from expanding gives as it warms (`Ticks.expanded`); common practice."""
REBOUND_STAYS_S = 60.0
LONGER_THAN_A_CHANGE_S = 240.0
"""So long, where saturation did not stand under the water: a change of cylinder is over by then; common practice."""
BOILS = (
    "Refrigerant still boils: standing liquid, a pocket, or out of the oil. Warm the low points and the sump, wait, "
    "and pull again."
)
MOSTLY_IN = 0.5
"""While the scale holds less than this share of the plate's charge, and liquid is drawn, a rebound is no news: a
machine that arrived so short shows the end of its liquid pull; common practice."""
CHILLED_SOON_S = 600.0
"""Self-chilling: within this time a pause brings pressure back faster than it fell before, so that half of what left
must have boiled."""
DRAWN_K = 3.89
"""7 degF: while the hose still draws liquid, much of the 5 degF may be the hose's own; common practice."""

FREEZE_STAYS_S, FREEZE_BOILS_S = 150.0, 60.0
"""Saturation has to stay under freezing for so long: a pool that ends near freezing is known to be gone by then. The
second, where the balance says that liquid boils: it looks back over a fall that vapour alone makes within a minute;
common practice."""


@dataclass(frozen=True)
class Maker:
    """Makes findings of a stretch: times in seconds become stamps, a tick becomes when it was known."""

    stretch: Stretch
    ticks: Ticks

    def show(self, si: float, kind: str, digits: int = 3) -> str:
        """Return a number in the job's units."""
        return Figure(float(si), kind).show(self.stretch.job.job.units, digits)

    def pressure(self, pascal: float) -> str:
        """Return an absolute pressure in the job's units."""
        return self.show(pascal, "pressure")

    def kelvins(self, kelvin: float) -> str:
        """Return a difference of temperatures in the job's units."""
        return self.show(kelvin, "temperature_difference", 2)

    def __call__(
        self,
        tick: int,
        since_s: float,
        kind: str,
        level: Level,
        text: str,
        **figures: FigureValue,
    ) -> Finding:
        time = self.ticks.known[tick]
        since = min(self.stretch.begin + pd.Timedelta(seconds=max(since_s, 0.0)), time)
        return Finding(time, since, self.stretch.stage, kind, level, text, figures)


def liquid_pull_ended(make: Maker, stands: np.ndarray, until: int) -> list[Finding]:
    """Return the end of the liquid pull, before tick `until`: the rate breaks down by more than the pressure falls.

    Where liquid is called gone first, no breakdown was to be seen, and a later one is the vapour's.
    """
    ticks = make.ticks
    moved = ticks.moved_kg
    if not np.isfinite(moved).any():
        return []
    running = ~stands
    rate, stay = _rate(ticks, stands, RATE_S), _rate(ticks, stands, BREAK_STAYS_S)
    spent = np.cumsum(np.where(running, np.diff(ticks.at_s, prepend=ticks.at_s[:1]).clip(max=RATE_S), 0.0))
    lately = pd.to_timedelta(spent, unit="s")
    # mass credited at once after a change of cylinder is no rate: a best rate is one that two windows in a row had
    twice = np.minimum(rate, _back(ticks, rate, RATE_S))
    best = _highest(np.where(np.isfinite(twice), twice, 0.0), lately, LATELY_S)
    highest = _highest(np.where(running, ticks.pressure_pa, np.nan), lately, LATELY_S)
    over = _highest(np.where(rate > BREAK * best, 1.0, 0.0), lately, BREAK_STAYS_S) > 0.0
    draws = (stay > 0.0) & (_back(ticks, stay, BREAK_STAYS_S) > 0.0)
    sure = best * RATE_S > 6.0 * ticks.mass_resolution_kg
    share = ticks.pressure_pa / highest
    near = share >= NEAR_SATURATION
    broke = sure & near & draws & (rate <= BREAK * best * share) & ~over
    hit = np.flatnonzero(broke[:until])
    if not len(hit):
        return []
    k = int(hit[0])
    text = (
        f"The fast liquid pull is over: the rate fell from {make.show(best[k], 'mass_rate')} to "
        f"{make.show(stay[k], 'mass_rate')}. Liquid may still stand where the port does not reach; "
        "keep the water flowing or drained while it boils off. Once saturation has fallen well under the water, a "
        "pause of 10 min with the valves open shows whether it is gone: then the pressure stays."
    )
    figures = {
        "rate_before": Figure(float(best[k]), "mass_rate"),
        "rate": Figure(float(stay[k]), "mass_rate"),
        "recovered": Figure(float(moved[k]), "mass"),
    }
    fast = np.flatnonzero(rate[:k] > BREAK * best[:k])
    since = float(ticks.at_s[fast[-1]]) - RATE_S / 2 if len(fast) else 0.0
    return [make(k, since, "liquid_pull_ended", "info", text, **figures)]


def _rate(ticks: Ticks, stands: np.ndarray, over_s: float) -> np.ndarray:
    """Return the mass rate over the last `over_s`, NaN where the machine stood in it [kg/s], shape (n,)."""
    past = before(ticks.at_s, over_s)
    old = np.maximum(past, 0)
    stood = np.cumsum(stands)
    gained = ticks.moved_kg - ticks.moved_kg[old]
    rate = np.where((past >= 0) & (stood == stood[old]), gained / np.maximum(ticks.at_s - ticks.at_s[old], 1.0), np.nan)
    return np.where(gained > -2.0 * ticks.mass_resolution_kg, rate, np.nan)


def _back(ticks: Ticks, values: np.ndarray, back_s: float) -> np.ndarray:
    """Return what `values` were `back_s` earlier, NaN where there was nothing yet, shape (n,)."""
    past = before(ticks.at_s, back_s)
    return np.where(past >= 0, values[np.maximum(past, 0)], np.nan)


def _highest(values: np.ndarray, at: pd.TimedeltaIndex, over_s: float) -> np.ndarray:
    return np.asarray(pd.Series(values, index=at).rolling(f"{over_s:.0f}s").max(), dtype=float)


def hose_alone(make: Maker, leap: Leap) -> Finding:
    """Return the finding that a pause showed a hose that was shut off."""
    text = (
        "The pause showed the hose alone: liquid may stand. Open the valve at the circuit, pause for 10 min and look "
        f"again. The gauge leapt from {make.pressure(leap.from_pa)} to {make.pressure(leap.to_pa)} at once, as it does "
        "when a valve that was shut is opened."
    )
    figures = {
        "pressure_before": Figure(leap.from_pa, "pressure"),
        "pressure_after": Figure(leap.to_pa, "pressure"),
    }
    return make(leap.tick, leap.since_s, "pressure_rebound", "caution", text, **figures)


def gone(make: Maker, evidence: Evidence, call: Call) -> Finding:
    """Return the finding that no liquid stands."""
    ticks, k = make.ticks, call.tick
    why = {
        "plate": "what the scale gains is what the vapour loses, and the plate's charge is accounted for",
        "balance": "what the scale gains is what the vapour loses, down to a deep vacuum",
        "pause": "it did not come back while the machine stood",
    }[call.by]
    figures: dict[str, FigureValue] = {
        "depression": Figure(float(evidence.depression_k[k]), "temperature_difference"),
        "saturation": Figure(float(ticks.bubble_k[k]), "temperature"),
        "evidence": call.by,
    }
    if np.isfinite(ticks.moved_kg[k]):
        figures["recovered"] = Figure(float(ticks.moved_kg[k]), "mass")
    text = (
        f"No liquid stands any more: saturation (bubble point) is {make.kelvins(evidence.depression_k[k])} "
        f"under {stands_under(ticks)}, and {why}{_power(make, evidence, call)}. Go on to the required level."
        f"{_rests_on(make, call)}"
    )
    return make(k, call.since_s, "liquid_gone", "info", text, **figures)


def _rests_on(make: Maker, call: Call) -> str:
    """Return what that rests on which the log does not show, and what would show that it is wrong."""
    circuit = make.stretch.job.circuit
    if call.by == "pause":
        return (
            " This rests on an open valve between gauge and circuit: a hose that is shut off stands as still, and its "
            "pressure leaps as the valve is opened."
        )
    if call.by != "plate" or circuit.charge_kg is None:
        return ""
    stated = make.show(circuit.charge_kg, "mass")
    if circuit.internal_volume_m3 is not None:
        stated += f" and {make.show(circuit.internal_volume_m3, 'volume')}"
    beyond = "what was in beyond that may stand yet; see a pause stay flat before you open"
    return f" This rests on the stated {stated}: {beyond}."


def _power(make: Maker, evidence: Evidence, call: Call) -> str:
    """Return what a pause could have shown."""
    rise = evidence.least_rise[call.tick] * FLAT_S * make.ticks.pressure_pa[call.tick]
    if call.by != "pause" or not np.isfinite(rise):
        return ""
    return (
        f" (a pocket of {100.0 * POCKET_LEAST:.1f} % of the charge would bring back at least "
        f"{make.show(rise, 'pressure_difference', 2)} in {duration(FLAT_S)})"
    )


def stands_under(ticks: Ticks) -> str:
    """Return what the saturation is compared with, in words."""
    if ticks.water_channel is None:
        return "what it stood at before (no water temperature was logged)"
    return "the leaving water" if ticks.water_channel == "leaving_water_temperature" else "the entering water"


def self_chilling(
    make: Maker, evidence: Evidence, pauses: list[Pause], pull_ended: list[Finding], told_gone: np.ndarray
) -> list[Finding]:
    """Return the first sure sign that liquid chills itself while it boils, at a tick that was not `told_gone`."""
    ticks = make.ticks
    found: list[tuple[int, float, str, int]] = []
    cold = stayed(ticks.at_s, evidence.depression_k >= DRAWN_K, CHILL_S)
    # deep down what boils, or comes back, may come out of the oil
    deep = evidence.depth >= SHALLOW
    wet = np.flatnonzero(evidence.wet & (cold | ~_drawn(ticks, pull_ended)) & ~deep & ~told_gone)
    if len(wet):
        k = int(wet[0])
        found.append((k, _since(ticks, evidence.depression_k >= GONE_K, k), "mass", k))
    for sign, by in ((evidence.still, "no flow"), (evidence.slows, "fall")):
        hit = np.flatnonzero(sign & ~told_gone)
        if len(hit):
            k = int(hit[0])
            found.append((k, _since(ticks, evidence.depression_k >= GONE_K, k), by, k))
    for pause in pauses:
        if pause.base is None or pause.first == 0 or told_gone[pause.base]:
            continue
        k = pause.first - 1
        old = int(np.searchsorted(ticks.at_s, pause.begin_s - 300.0))
        run = pause.begin_s - ticks.at_s[old]
        if evidence.dry_soft[k] or deep[k] or not _was_depressed(ticks, evidence, pause) or run < 120.0:
            continue
        fell = np.log(ticks.pressure_pa[old] / ticks.pressure_pa[k]) / run
        ticks_in = np.arange(max(pause.base + 1, pause.first), pause.last + 1)
        pressure, long = ticks.pressure_pa[ticks_in], ticks.at_s[ticks_in] - pause.begin_s
        base = ticks.pressure_pa[pause.base]
        rise = np.log(pressure / base)
        boiled = (rise >= REBOUND) & (pressure - base > 3.0 * ticks.resolution_pa[ticks_in])
        boiled &= rise > fell * (long - HOSE_S + 15.0)
        soon = (long >= HOSE_S + 60.0) & (long < CHILLED_SOON_S) & ~np.logical_or.accumulate(told_gone[ticks_in])
        for j in ticks_in[boiled & soon][:1].tolist():
            at = _pause_tick(ticks, pause)
            found.append((j, _since(ticks, evidence.depression_k >= GONE_K, k), "pause", at))
    if not found:
        return []
    tick, since, by, at = min(found)
    why = {
        "pause": "the pressure climbs back while the machine stands",
        "mass": "the scale gains more than vapour can give",
        "fall": "the pressure falls more slowly than vapour alone would",
        "no flow": "no water flows that could warm it, and nothing shows that it is gone",
    }[by]
    text = (
        "Liquid chills itself. Pull more slowly or pause, and see that the water flows or is drained, before the tubes "
        f"freeze. Saturation {'was' if by == 'pause' else 'is'} {make.kelvins(evidence.depression_k[at])} under "
        f"{stands_under(ticks)} but liquid still stands: {why}."
    )
    figures: dict[str, FigureValue] = {
        "depression": Figure(float(evidence.depression_k[at]), "temperature_difference"),
        "saturation": Figure(float(ticks.bubble_k[at]), "temperature"),
        "evidence": by,
    }
    return [make(tick, since, "self_chilling", "caution", text, **figures)]


def _since(ticks: Ticks, ok: np.ndarray, tick: int) -> float:
    """Return the time at which `ok` began to hold without a break up to `tick`."""
    broken = np.flatnonzero(~ok[: tick + 1])
    return float(ticks.at_s[broken[-1]] if len(broken) else ticks.at_s[0])


def _was_depressed(ticks: Ticks, evidence: Evidence, pause: Pause) -> bool:
    """Return whether saturation stood under the water when a pause began.

    Water brings a small pool back before hose and gauge are at rest; when a pause that nobody marked began is a guess.
    """
    return bool(evidence.depression_k[_pause_tick(ticks, pause)] >= GONE_K)


def _pause_tick(ticks: Ticks, pause: Pause) -> int:
    """Return the last tick of the pull before a pause, or the first at rest where nobody marked when it began."""
    if pause.marked or pause.base is None:
        return max(int(np.searchsorted(ticks.at_s, pause.begin_s)) - 1, 0)
    return pause.base


def rebounds(
    make: Maker,
    evidence: Evidence,
    pauses: list[Pause],
    pull_ended: list[Finding],
    level_pa: float | None,
    hold_within: float,
) -> list[Finding]:
    """Return a finding for each pause in which the pressure came back; `level_pa` is the required level.

    It is no more than info while nobody can think that the liquid is gone, and while the level stands: then a second
    one tells when it is passed, by more than the share `hold_within`.
    """
    ticks = make.ticks
    found = []
    most_in = ticks.moved_kg < MOSTLY_IN * (make.stretch.job.circuit.charge_kg or 0.0)
    no_news = _drawn(ticks, pull_ended) & most_in
    for pause in pauses:
        if pause.base is None or pause.first == 0:
            continue
        # with neither mark nor scale a machine that draws less from then on looks like one that stands
        depressed = _was_depressed(ticks, evidence, pause)
        if not (depressed or pause.marked or np.isfinite(ticks.moved_kg[pause.base])):
            continue
        least_s = REBOUND_STAYS_S if depressed else LONGER_THAN_A_CHANGE_S
        base = ticks.pressure_pa[pause.base]
        least_pa = max(REBOUND, float(ticks.expanded[pause.base])) * base
        k = np.arange(pause.base, pause.last + 1)
        risen = ticks.pressure_pa[k] - base
        up = (k >= pause.first) & (risen > np.maximum(least_pa, 3.0 * ticks.resolution_pa[k]))
        stays = np.flatnonzero(
            up & (np.concatenate([[False], up[:-1]])) & (ticks.at_s[k] - ticks.at_s[pause.base] >= least_s)
        )
        if not len(stays):
            continue
        j = int(k[stays[0]])
        level: Level = "caution"
        passed: int | None = None
        if level_pa is not None and ticks.pressure_pa[j] <= level_pa:
            level, passed = "info", _passed(ticks, j, pause.last, level_pa * (1.0 + hold_within))
            why = (
                "Cold gas warms, or refrigerant boils out of oil or a pocket. It still stands under the required "
                f"level of {make.pressure(level_pa)}: see that it stays there, else warm the low points and pull again."
            )
        elif ticks.bubble_k[j] > np.fmax(ticks.plateau_k[pause.base], ticks.reference_k[pause.base]) + OVER_K:
            why = (
                "That is more than the circuit stood at before: does the gauge show the cylinder? Else liquid stands "
                "where it is warmer, as in the sun."
            )
        elif no_news[j] or evidence.depression_k[_pause_tick(ticks, pause)] < GONE_K:
            level, why = "info", "Liquid still stands and boils: go on pulling."
        else:
            why = BOILS
        text = (
            f"Pressure came back from {make.pressure(base)} to {make.pressure(ticks.pressure_pa[j])} in "
            f"{duration(ticks.at_s[j] - pause.begin_s)} with the machine standing. {why}"
        )
        figures = {
            "pressure_before": Figure(float(base), "pressure"),
            "pressure_after": Figure(float(ticks.pressure_pa[j]), "pressure"),
        }
        found.append(make(j, pause.begin_s, "pressure_rebound", level, text, **figures))
        if passed is not None and level_pa is not None:
            now = Figure(float(ticks.pressure_pa[passed]), "pressure")
            text = (
                f"Pressure came back over the required level of {make.pressure(level_pa)}, to "
                f"{make.pressure(now.si)}, in {duration(ticks.at_s[passed] - pause.begin_s)} with the machine "
                f"standing. {BOILS}"
            )
            again = figures | {"pressure_after": now}
            found.append(make(passed, pause.begin_s, "pressure_rebound", "caution", text, **again))
    return found


def _drawn(ticks: Ticks, pull_ended: list[Finding]) -> np.ndarray:
    """Return where the end of the liquid pull is yet to come, shape (n,) of bool."""
    return np.asarray(ticks.known < pull_ended[0].time) if pull_ended else np.ones(len(ticks), dtype=bool)


def _passed(ticks: Ticks, first: int, last: int, pressure_pa: float) -> int | None:
    """Return the first tick of `first` to `last` that stands surely over a pressure, None without."""
    k = np.arange(first, last + 1)
    over = ticks.pressure_pa[k] > pressure_pa + 2.0 * ticks.resolution_pa[k]
    twice = np.flatnonzero(over[1:] & over[:-1])
    return int(k[twice[0] + 1]) if len(twice) else None


def freeze_risk(make: Maker, evidence: Evidence, pulls: list[Pull], told_gone: np.ndarray) -> list[Finding]:
    """Return each episode in which saturation stood at or under freezing while liquid might stand.

    That is while it is not `told_gone`.

    Pressure that only comes back in a pause is no sign of it: what boils out of the oil freezes no tubes. Nor is a
    gauge that has shown the air's pressure from the first on: it is not put on yet.
    """
    ticks = make.ticks
    if not pulls or ticks.fluid is None:
        return []
    freezes = make.stretch.job.circuit.freezes_at_k
    may_stand = ~evidence.dry_soft
    cold = (ticks.bubble_k <= freezes) & (may_stand | evidence.boils) & ~told_gone
    cold &= ~np.logical_and.accumulate(np.abs(ticks.pressure_pa - ticks.barometer_pa) < AIR_PA)
    clear = ticks.bubble_k > freezes + CLEAR_K
    found: list[Finding] = []
    first = pulls[0].first + 1
    stays_s = np.where(evidence.against, FREEZE_BOILS_S, FREEZE_STAYS_S)
    for after, begun in episodes(ticks.at_s[first:], cold[first:], clear[first:], stays_s[first:], CLEAR_S):
        k = first + after
        apart = not may_stand[k]
        any_water = if_any(make.stretch)
        boils = f"boils at {make.show(ticks.bubble_k[k], 'temperature')} (bubble point)"
        water = f"the water side freezes at {make.show(freezes, 'temperature')}"
        text = (
            f"A pocket by the tubes may freeze them. Keep the water flowing or drain the barrel{any_water}: something "
            f"still {boils}, in a pocket or out of the oil; {water}. Pause for 10 min to see what comes back."
            if apart
            else f"The tubes may freeze and burst. Stop the machine{any_water}: liquid may still stand, and {boils}; "
            f"{water}. Get the water flowing or drain the barrel before you pull on, and pull more slowly then."
        )
        level: Level = "caution" if apart else "alarm"
        saturation = Figure(float(ticks.bubble_k[k]), "temperature")
        found.append(make(k, begun, "freeze_risk", level, text, saturation=saturation))
    return found
