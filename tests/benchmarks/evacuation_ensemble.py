"""Evacuations of many kinds against what was found in them: ``python -m tests.benchmarks.evacuation_ensemble [N]``.

The table also holds the hand rule of the trade: under 5 % in 15 minutes is a stall, and it is always the oil.
"""

from __future__ import annotations

import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.evacuation import assess
from analysis.result import Assessment
from analysis.stretch import Stretch
from tests.benchmarks.evacuation_circuit import (
    DIGITS,
    MICRON,
    STEP_S,
    Act,
    Case,
    Probe,
    Setting,
    Truth,
    conductance,
    saturation_pa,
    simulate,
)
from tests.support import START, make_stretch

KINDS = ("clean", "slow", "oil", "oil", "moisture", "moisture", "leak", "leak", "sweep", "hold", "hold", "hold")
TARGET = 500 * MICRON
ACTS = ("none", "isolate", "isolate", "oil", "isolate and oil")
GREY = (0.025, 0.09)
"""A fall in 15 minutes between these shares is neither a clear stall nor a clear pull: not scored."""


@dataclass(frozen=True)
class Run:
    """One drawn evacuation: what was done, what is true of it, and what was logged."""

    case: Case
    setting: Setting
    truth: Truth
    stretch: Stretch
    deeds: str


def pull_seconds(case: Case, to_pa: float) -> float:
    """Return about how long the pull takes [s], on the formula t = (V/S) ln p summed over the pressures."""
    level = np.exp(np.linspace(np.log(to_pa), np.log(case.start_pa), 200))
    floor = min(case.ultimate, 0.9 * to_pa)
    hose = conductance(np.array(case.bore), np.array(case.length), 0.5 * level)
    speed = hose * case.pump / (hose + case.pump)
    return float(np.sum(case.volume / speed[:-1] * np.diff(np.log(np.maximum(level - floor, 1e-3)))))


def floor_speed(case: Case, at_pa: float) -> float:
    """Return the speed of hose and pump at a level [m3/s]."""
    hose = float(conductance(np.array(case.bore), np.array(case.length), np.array(0.6 * at_pa)))
    return hose * case.pump / (hose + case.pump)


def draw(seed: int) -> tuple[Case, Setting, str]:
    """Return one case out of what a shop meets, how it is watched, and what is done about it."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)]
    volume = float(np.exp(rng.uniform(np.log(0.02), np.log(1.2))))
    base = Case(
        name=kind,
        minutes=0.0,
        volume=volume,
        far_share=float(rng.uniform(0.05, 0.4)),
        far_bore=float(rng.uniform(0.008, 0.025)),
        pump=float(rng.uniform(0.0015, 0.007)) * (2.0 if volume > 0.5 else 1.0),
        bore=float(rng.uniform(0.009, 0.02)) if volume < 0.3 else float(rng.uniform(0.014, 0.025)),
        length=float(rng.uniform(0.9, 3.5)),
        ultimate=float(rng.uniform(1.0, 12.0)),
        outgas=float(np.exp(rng.uniform(np.log(1e-4), np.log(4e-3)))) * volume,
        start_pa=float(rng.choice([101_325.0, 101_325.0, 40_000.0, 5_000.0])),
        ambient_k=float(rng.uniform(283.0, 305.0)),
        night_k=float(rng.uniform(0.0, 8.0)),
        metal_lag_h=float(rng.uniform(0.5, 4.0)),
    )
    base = replace(base, fresh_ultimate=base.ultimate)
    while kind != "slow" and pull_seconds(base, TARGET) > 4.0 * 3600:
        base = replace(base, bore=base.bore * 1.15, volume=base.volume * 0.9)
    deeds = str(rng.choice(ACTS))
    if kind == "slow":
        base = replace(base, bore=float(rng.uniform(0.0048, 0.0075)), volume=float(rng.uniform(0.2, 1.0)))
        base = replace(base, outgas=base.outgas * 0.02)
        deeds = "none"
    elif kind == "clean":
        deeds = "none"
    case = _with_trouble(base, kind, deeds, rng)
    noise = float(rng.choice([0.004, 0.01, 0.02, 0.04, 0.06]))
    probe = Probe(
        gain=float(rng.uniform(0.92, 1.08)),
        lag_s=float(rng.uniform(1.0, 15.0)),
        noise=noise,
        digits=DIGITS[int(rng.integers(len(DIGITS)))],
        range_micron=float(rng.choice([12_000.0, 19_000.0, 25_000.0, 76_000.0])),
        over=float(rng.choice([np.nan, np.nan, 25_000.0, 99_999.0])),
        spikes=float(rng.choice([0.0, 0.001, 0.004])),
    )
    if np.isfinite(probe.over) and probe.over < probe.range_micron:
        probe = replace(probe, over=np.nan)
    tables: dict[str, object] = {
        "evacuation": {"target": "500 micron", "hold": "30 min", "hold_limit": "1000 micron"},
        "circuit": {"internal_volume": f"{case.volume * 1000:.0f} L"} if rng.random() < 0.6 else {},
    }
    watched = [("surface_temperature",), ("ambient_temperature",), ("surface_temperature", "ambient_temperature"), ()]
    setting = Setting(
        interval_s=float(rng.choice([1.0, 2.0, 5.0, 10.0, 30.0, 60.0])),
        probe=probe,
        marks=float(rng.choice([0.0, 1.0, 1.0])),
        pump_gauge=bool(rng.random() < 0.25),
        temperatures=watched[int(rng.integers(4))],
        tables=tables,
    )
    return case, setting, deeds


def _with_trouble(base: Case, kind: str, deeds: str, rng: np.random.Generator) -> Case:
    if kind == "clean":
        return replace(base, minutes=pull_seconds(base, TARGET) / 60.0 + float(rng.uniform(60, 300)))
    if kind == "slow":
        return replace(base, minutes=min(0.9 * pull_seconds(base, TARGET) / 60.0, 1_200.0))
    if kind == "hold":
        return _hold(base, rng)
    level = float(np.exp(rng.uniform(np.log(1.4), np.log(8.0)))) * TARGET
    case = base
    if kind == "oil":
        case = replace(base, ultimate=level, ultimate_decay_h=float(rng.choice([1e9, 1e9, 60.0])))
    elif kind == "leak":
        case = replace(base, leak=level * floor_speed(base, level))
    else:  # water that outlasts the watch, its inflow balanced by the pump
        full = float(saturation_pa(np.array(base.ambient_k - 3.0)))
        level = min(level * 2.0, 0.7 * full)
        frozen = 0.4 if level < 611 else 1.0
        evaporation = (
            floor_speed(base, level) * level / (full * frozen - level) if full * frozen > 1.1 * level else 0.05
        )
        case = replace(base, evaporation=evaporation, water_kg=float(rng.uniform(0.5, 5.0)))
    settled = pull_seconds(replace(case, ultimate=min(case.ultimate, base.ultimate)), level) / 60.0
    settled += 4.0 * case.volume / floor_speed(case, level) / 60.0
    begin = settled + float(rng.uniform(30, 70))
    acts: list[Act] = []
    if "isolate" in deeds:
        acts += [Act(begin, "close"), Act(begin + float(rng.uniform(10, 30)), "open")]
        begin = acts[-1].minute + float(rng.uniform(30, 60))
    if "oil" in deeds:
        closed = float(rng.uniform(5, 15))
        acts += [Act(begin, "close"), Act(begin + 0.7 * closed, "oil"), Act(begin + closed, "open")]
        begin = acts[-1].minute + float(rng.uniform(60, 120))
    if kind == "sweep":
        acts += [
            Act(begin, "sweep", float(rng.choice([101e3, 115e3]))),
            Act(begin + float(rng.uniform(10, 40)), "open"),
        ]
        begin += settled + float(rng.uniform(60, 90))
    return replace(case, acts=tuple(acts), minutes=begin + 5.0)


def _hold(base: Case, rng: np.random.Generator) -> Case:
    """Return a pull to half the target and a hold that stands, leaks or gives off water."""
    why = str(rng.choice(["dry", "leak", "moisture"]))
    end = float(rng.choice([rng.uniform(0.5, 0.9), rng.uniform(1.15, 4.0)])) * 1_000 * MICRON
    hold = 30.0 + float(rng.uniform(0.5, 30))
    case = replace(base, name=f"hold {why}", outgas=base.outgas * 0.1)
    if why == "leak":
        case = replace(case, leak=case.volume * (end - 30.0) / 1_800.0)
    elif why == "moisture":
        lag = float(rng.uniform(240, 1_500))
        rate = case.volume / lag
        full = float(saturation_pa(np.array(case.ambient_k)))
        # a wall so cold that its ice holds just this pressure
        level = min(end, 0.9 * full)
        cold = 273.15 + np.log(level / 611.2) * 272.62 / (22.46 - np.log(level / 611.2))
        if level > 600:
            cold = 274.5
        case = replace(case, ambient_k=float(cold), night_k=1.0, evaporation=rate / (0.25 if cold < 273 else 1.0))
        case = replace(case, water_kg=0.02 + 0.2 * case.volume, pump=case.pump * 1.5, bore=case.bore * 1.4)
    pulled = pull_seconds(case, 0.8 * TARGET) / 60.0 + float(rng.uniform(20, 60))
    acts = (Act(pulled, "close"), Act(pulled + hold, "open"))
    return replace(case, acts=acts, minutes=pulled + hold + float(rng.uniform(0, 30)))


def record(case: Case, setting: Setting, truth: Truth, deeds: str, seed: int) -> Run:
    """Return what an instrument would have logged of it, marks late and some of them missing."""
    rng = np.random.default_rng([seed, 7])
    every = max(1, round(setting.interval_s / STEP_S))
    picked = np.arange(0, len(truth.at_s), every)
    at = truth.at_s[picked]
    logged: dict[str, tuple[str, np.ndarray]] = {
        "vacuum": ("micron", setting.probe.show(truth.vacuum, picked, rng)),
    }
    if setting.pump_gauge:
        other = replace(setting.probe, gain=float(rng.uniform(0.9, 1.1)))
        logged["pump_vacuum"] = ("micron", other.show(truth.pump, picked, rng))
    for name in setting.temperatures:
        source = truth.metal if name == "surface_temperature" else truth.ambient
        logged[name] = ("degF", np.round((source[picked] - 273.15) * 1.8 + 32.0 + rng.normal(0, 0.1, len(picked)), 0))
    words = {"close": "pump_valve_closed", "open": "pump_valve_open", "oil": "oil_change", "sweep": "vacuum_broken"}
    journal = [
        (min(act.minute * 60.0 + rng.exponential(30.0), float(at[-1])), "mark", words[act.what], "")
        for act in case.acts
        if rng.random() < setting.marks and act.what in words
    ]
    journal.sort()
    stretch = make_stretch("evacuation", at, logged, tables=setting.tables, journal=journal, ended=False)
    return Run(case, setting, truth, stretch, deeds)


def runs(seeds: list[int]) -> dict[int, Run]:
    """Return the runs of these seeds; all are stepped together, so that many cost little more than one."""
    drawn = [draw(seed) for seed in seeds]
    truths = simulate([case for case, _, _ in drawn])
    return {
        seed: record(case, setting, truth, deeds, seed)
        for (case, setting, deeds), truth, seed in zip(drawn, truths, seeds, strict=True)
    }


def true_stalls(run: Run) -> tuple[list[tuple[float, float]], bool]:
    """Return (begin, end) of each true stall [s], and whether the run is clear enough to be scored for them.

    A stall: the true pressure falls by less than 5 % in 15 minutes of pumping, above target.
    """
    truth, n = run.truth, int(900 / STEP_S)
    if run.case.name == "slow":
        return [], True
    log = np.log(truth.vacuum)
    if len(log) <= n:
        return [], True
    fall = log[:-n] - log[n:]
    opened = np.concatenate([[0], np.cumsum(truth.closed)])
    pumped = opened[n:-1] - opened[:-n][: len(opened) - n - 1] == 0
    pumped = pumped[: len(fall)]
    above = truth.vacuum[:-n] > 1.1 * TARGET
    ever_low = np.minimum.accumulate(truth.vacuum)[:-n] > TARGET
    in_range = truth.vacuum[:-n] < 0.9 * run.setting.probe.range_micron * MICRON
    inside = pumped & above & ever_low & in_range
    stalled = inside & (fall < 0.05)
    stalls: list[tuple[float, float]] = []
    for i in np.flatnonzero(stalled).tolist():
        if (
            stalls
            and truth.at_s[i] - stalls[-1][1] < 1_200.0
            and not truth.closed[int(stalls[-1][1] / STEP_S) : i].any()
        ):
            stalls[-1] = (stalls[-1][0], float(truth.at_s[i + n]))
        elif not stalls or truth.at_s[i] > stalls[-1][1]:
            stalls.append((float(truth.at_s[i]), float(truth.at_s[i + n])))
    least = float(fall[inside].min()) if inside.any() else 1.0
    clear = not (GREY[0] < least < GREY[1]) or bool(stalls and max(e - b for b, e in stalls) > 2_400)
    near = bool((inside & (truth.vacuum[:-n] < 1.25 * TARGET) & (fall < GREY[1])).any())
    return stalls, clear and not near


def _hardly_moves(run: Run, moment_s: float) -> bool:
    """Return whether the truth is grey at a moment, or the probe is at the end of its range: not scored."""
    truth, i, n = run.truth, int(moment_s / STEP_S), int(450 / STEP_S)
    if run.case.name == "slow":
        return False
    i = min(max(i, n), len(truth.vacuum) - n - 1)
    fall = float(np.log(truth.vacuum[i - n] / truth.vacuum[i + n]))
    return fall < GREY[1] or truth.vacuum[i] > 0.85 * run.setting.probe.range_micron * MICRON


def decidable(run: Run) -> bool:
    """Return whether what was done can tell the cause: a closed stretch that shows its shape, or fresh oil."""
    case, truth = run.case, run.truth
    if case.name == "oil":  # a flat line does not show that the valve was closed
        return run.deeds != "none" and run.setting.marks > 0.5
    shut = [
        (a.minute * 60.0, b.minute * 60.0)
        for a, b in zip(case.acts, case.acts[1:], strict=False)
        if a.what == "close" and b.what == "open"
    ]
    for begin, end in shut:
        i, j = int(begin / STEP_S), int(end / STEP_S) - 1
        p = truth.vacuum[i : j + 1]
        if end - begin < 600 or p[-1] / MICRON > run.setting.probe.range_micron:
            continue
        third = len(p) // 3
        early, late = p[third] - p[0], p[-1] - p[2 * third]
        noise = max(run.setting.probe.noise, 0.01) * p[-1]
        if p[-1] - p[0] < 8.0 * noise:
            continue
        if case.name == "leak" or (case.name in ("moisture", "sweep") and late < 0.55 * early):
            return True
    return False


def hand_rule(run: Run) -> float | None:
    """Return when a man with a watch would call a stall [s]: under 5 % in 15 minutes above target, valve open."""
    vacuum = run.stretch.channel("vacuum")
    minute = np.asarray((vacuum.index - START).total_seconds()) // 60
    level = vacuum.groupby(minute).median()
    level = level[level < 40e3]
    for m in level.index:
        if m - 15 in level.index and level[m] > 1.05 * TARGET and level[m] > 0.95 * level[m - 15]:
            return float(m * 60)
    return None


def score(run: Run, result: Assessment, tally: dict[str, Counter[str]], delays: list[float]) -> list[str]:
    """Add what was found to the tally; return what went wrong, in words."""
    wrong: list[str] = []
    at = {id(f): (f.time - START).total_seconds() for f in result.findings}
    stalls, clear = true_stalls(run)
    called = [f for f in result.findings if f.kind == "stall"]
    first = {}
    for f in called:
        first.setdefault(f.since, f)
    if clear:
        used: set[int] = set()
        for begin, end in stalls:
            hits = [f for f in first.values() if begin - 1_800 <= at[id(f)] <= end + 600]
            covered = any((f.since - START).total_seconds() <= end and at[id(f)] <= end + 600 for f in first.values())
            if end - begin < 1_500 and not hits:
                continue
            tally["stall"]["found" if hits or covered else "missed"] += 1
            if hits:
                used.update(id(f) for f in hits)
                delays.append(at[id(hits[0])] - begin)
            elif not covered:
                wrong.append(f"missed stall {begin / 60:.0f}-{end / 60:.0f} min")
        for f in first.values():
            moment = at[id(f)]
            good = id(f) in used or any(begin - 1_800 <= moment <= end + 900 for begin, end in stalls)
            if not good and _hardly_moves(run, moment):
                continue
            tally["call"]["right" if good else "false"] += 1
            if not good:
                wrong.append(f"false stall at {moment / 60:.0f} min")
    if called and run.case.name in ("oil", "moisture", "leak", "sweep"):
        truth = {"oil": "pump_oil", "sweep": "moisture"}.get(run.case.name, run.case.name)
        causes = [str(f.figures["cause"]) for f in called]
        sure = [c for c in causes if c != "undecided"]
        said = sure[-1] if sure else "undecided"
        kind = "decidable" if decidable(run) else "undecidable"
        outcome = "right" if said == truth else "undecided" if said == "undecided" else "wrong"
        tally[f"cause, {kind}"][outcome] += 1
        tally[f"  {run.case.name}, {run.deeds}, {kind}"][outcome] += 1
        if outcome == "wrong" or (kind == "decidable" and outcome != "right"):
            wrong.append(f"cause {causes} for {truth} ({kind}, {run.deeds})")
    if run.case.name.startswith("hold"):
        wrong += _score_hold(run, result, tally)
    return wrong


def _score_hold(run: Run, result: Assessment, tally: dict[str, Counter[str]]) -> list[str]:
    close, open_ = (act.minute * 60.0 for act in run.case.acts)
    shown = run.truth.vacuum * run.setting.probe.gain / MICRON
    i, j = int(close / STEP_S), int((close + 1_800) / STEP_S)
    if shown[: i - 30].min() > 480 or shown[i - 1] > 520:
        return []
    end, top = float(shown[j]), float(shown[i : int(open_ / STEP_S)].max())
    if 0.94 < end / 1_000 < 1.06 or (end < 1_000) != (top < 1_000):
        return []
    why = run.case.name.split()[1]
    if run.setting.marks < 0.5 and top < 1.5 * shown[i - 1] + 50:  # nothing shows that the valve was closed
        return []
    p = shown[i:j]
    third = len(p) // 3
    clear = why != "moisture" or p[-1] - p[2 * third] < 0.6 * (p[third] - p[0])
    truth = "held" if end < 1_000 else f"rising_{why}"
    if why == "dry" and end > 1_000:
        return []
    outcome = (
        "right" if result.verdict == truth
        else "FALSE PASS" if result.verdict == "held"
        else "undecided" if result.verdict == "undecided"
        else "wrong"
    )  # fmt: skip
    tally["hold" if clear else "hold, not clear"][outcome] += 1
    tally[f"  {truth} ({why}){'' if clear else ' not clear'}"][outcome] += 1
    return [] if outcome == "right" or not clear else [f"verdict {result.verdict} for {truth}, end {end:.0f}"]


def measure(
    drawn: dict[int, Run], judge: Callable[[Stretch], Assessment] = assess
) -> tuple[dict[str, Counter[str]], list[float], list[str]]:
    """Return tallies, delays of the stall calls [s], and what went wrong, of runs by their seed."""
    tally: dict[str, Counter[str]] = defaultdict(Counter)
    delays: list[float] = []
    wrong: list[str] = []
    for seed, run in drawn.items():
        result = judge(run.stretch)
        wrong += [f"{seed} {run.case.name}: {what}" for what in score(run, result, tally, delays)]
        stalls, clear = true_stalls(run)
        if clear:
            when = hand_rule(run)
            good = when is not None and any(b <= when <= e + 900 for b, e in stalls)
            tally["hand rule, call"]["right" if good else "false" if when is not None else "none"] += 1
            if good:
                tally["hand rule, cause"]["right" if run.case.name == "oil" else "wrong"] += 1
    return tally, delays, wrong


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 240
    begun = time.perf_counter()
    tally, delays, wrong = measure(runs(list(range(count))))
    for name in sorted(tally, key=lambda key: (key.startswith("  "), key)):
        total = sum(tally[name].values())
        shares = ", ".join(f"{what} {n} ({100 * n / total:.1f} %)" for what, n in tally[name].most_common())
        print(f"{name:48} {shares}")
    if delays:
        middle, late = np.quantile(delays, [0.5, 0.9]) / 60
        print(f"delay of a stall's call: median {middle:.1f} min, 90 % {late:.1f}")
    print(f"{count} evacuations in {time.perf_counter() - begun:.0f} s")
    if "-v" in sys.argv:
        print("\n".join(wrong))


if __name__ == "__main__":
    main()
