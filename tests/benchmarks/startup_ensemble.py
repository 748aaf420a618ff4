"""Running circuits with load steps, a valve that hunts, water that drifts: are steady windows and figures found?

Each figure follows the load with its own lag; pressures and temperatures are made from the figures and seen through
gauges with steps and noise. A moment is truly steady when, without noise, every figure stays within the band that
a reader would call standing still for the five minutes around it. Run it for the table:
``python -m tests.benchmarks.startup_ensemble [cases] [first]``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from analysis.fluids import refrigerant
from analysis.result import Figure
from analysis.startup import assess
from analysis.stretch import Stretch
from tests.support import START, make_stretch

PSI = 6_894.757293
STEP_S = 5.0
BAND_K_PER_5_MIN = 0.45
"""What moves by less over five minutes, and swings by less, stands still to a reader of a 1 degF display."""


@dataclass(frozen=True)
class Case:
    """A start-up; `steady` holds (begin, end) in seconds, `figures` the true ones by row, `period_s` of the hunting."""

    stretch: Stretch
    steady: tuple[tuple[float, float], ...]
    seconds: np.ndarray
    figures: dict[str, np.ndarray]
    hunts: tuple[tuple[float, float, float], ...]
    limits: dict[str, tuple[float, float]]
    interval: float
    what: str


def _follow(target: np.ndarray, lag_s: float) -> np.ndarray:
    return np.asarray(pd.Series(target).ewm(alpha=1.0 - np.exp(-STEP_S / lag_s), adjust=False).mean())


def make_case(seed: int) -> Case:
    """Return one start-up of one machine."""
    rng = np.random.default_rng(seed)
    fluid_name = str(rng.choice(["R-134a", "R-410A", "R-22", "R-407C", "R-513A", "R-448A", "R-1233zd(E)"]))
    fluid = refrigerant(fluid_name)
    segments: list[tuple[float, float]] = []
    now = float(rng.uniform(60, 300))
    level = 0.0
    for _ in range(int(rng.integers(2, 6))):
        lasts = float(rng.choice([rng.uniform(240, 600), rng.uniform(900, 2_700), rng.uniform(2_700, 5_400)]))
        level = float(np.clip(rng.uniform(0.25, 1.0), level + 0.12, None) if level < 0.5 else rng.uniform(0.25, level))
        segments.append((now, level))
        now += lasts
        if rng.random() < 0.15:
            segments.append((now, 0.0))
            now += float(rng.uniform(240, 600))
            level = 0.0
    seconds = np.arange(0.0, now, STEP_S)
    load = np.zeros(len(seconds))
    for begin, part in segments:
        load[seconds >= begin] = part
    slow = _follow(load, float(rng.uniform(40, 200)))
    drift_k = float(rng.choice([0.0, rng.uniform(-4, 4)])) * np.exp(-seconds / float(rng.uniform(1_500, 9_000)))
    water = 280.0 + float(rng.uniform(-1, 6)) + drift_k
    hunts: list[tuple[float, float, float]] = []
    swing = np.zeros(len(seconds))
    if rng.random() < 0.35:
        period = float(rng.uniform(60, 600))
        begin = float(rng.choice([0.0, rng.uniform(0, 0.7 * now)]))
        end = now if rng.random() < 0.6 else min(now, begin + float(rng.uniform(1_200, 4_000)))
        inside = (seconds >= begin) & (seconds < end)
        swing[inside] = float(rng.uniform(1.5, 5.0)) * np.sin(2 * np.pi * seconds[inside] / period)
        hunts.append((begin, end, period))
    superheat_lag, liquid_lag, oil_lag = rng.uniform(60, 300), rng.uniform(100, 500), rng.uniform(300, 1_500)
    figures = {
        "suction_superheat": 2.0 + rng.uniform(1, 6) * _follow(slow, superheat_lag) + swing,
        "discharge_superheat": 8.0 + rng.uniform(3, 14) * _follow(slow, oil_lag) + 0.5 * swing,
        "subcooling": 1.5 + rng.uniform(1, 6) * _follow(slow, liquid_lag) - 0.2 * swing,
        "evaporator_approach": 0.4 + rng.uniform(0.5, 3) * _follow(slow, superheat_lag) - 0.15 * swing,
        "condenser_approach": 0.4 + rng.uniform(0.5, 3) * _follow(slow, liquid_lag),
        "oil_filter_drop": (0.5 + rng.uniform(0.5, 6) * np.minimum(1.0, _follow(load > 0, 60.0))) * PSI,
    }
    dew = water - figures["evaporator_approach"]
    condenser_leaving = 300.0 + rng.uniform(-4, 8) + 0.4 * drift_k + 4.0 * _follow(slow, liquid_lag)
    bubble = condenser_leaving + figures["condenser_approach"]
    suction_pa = np.asarray(fluid.dew_pressure_pa(dew))
    discharge_pa = np.asarray(fluid.bubble_pressure_pa(bubble))
    stopped = np.exp(-slow / 0.03)  # the sides come together when nothing runs
    rest_pa = np.sqrt(suction_pa * discharge_pa)
    suction_pa, discharge_pa = (p * (rest_pa / p) ** stopped for p in (suction_pa, discharge_pa))
    true = {
        "suction_pressure": suction_pa,
        "discharge_pressure": discharge_pa,
        "suction_temperature": dew + figures["suction_superheat"],
        "discharge_temperature": np.asarray(fluid.dew_temperature_k(discharge_pa)) + figures["discharge_superheat"],
        "liquid_temperature": bubble - figures["subcooling"],
        "leaving_water_temperature": water,
        "condenser_leaving_temperature": condenser_leaving,
        "oil_pressure_before_filter": suction_pa + 3e5 * np.minimum(1.0, _follow(load > 0, 60.0)),
    }
    true["oil_pressure_after_filter"] = true["oil_pressure_before_filter"] - figures["oil_filter_drop"]
    drawn = [
        ("suction_pressure", "suction_temperature"), ("discharge_pressure", "liquid_temperature"),
        ("discharge_temperature",), ("leaving_water_temperature",), ("condenser_leaving_temperature",),
        ("oil_pressure_before_filter", "oil_pressure_after_filter"),
    ]  # fmt: skip
    names = {n for i, group in enumerate(drawn) if i < 2 or rng.random() < 0.6 for n in group}
    interval = float(rng.choice([1.0, 2.0, 5.0, 10.0, 30.0, 60.0]))
    seen = np.arange(0.0, seconds[-1], interval)
    noise_psi, quantum_psi = float(rng.uniform(0.02, 0.3)), float(rng.choice([0.1, 0.2, 0.5, 1.0]))
    noise_k, quantum_f = float(rng.uniform(0.02, 0.15)), float(rng.choice([0.1, 0.2, 0.5, 1.0]))
    logged: dict[str, tuple[str, np.ndarray]] = {}
    for name in sorted(names):
        values = np.interp(seen, seconds, true[name])
        if "pressure" in name:
            gauge = (values - 101_325.0) / PSI + rng.normal(0, noise_psi, len(seen))
            logged[name] = ("psig", np.round(gauge / quantum_psi) * quantum_psi)
        else:
            degrees = values * 1.8 - 459.67 + rng.normal(0, 1.8 * noise_k, len(seen))
            logged[name] = ("degF", np.round(degrees / quantum_f) * quantum_f)
    with_load = rng.random() < 0.7
    if with_load:
        percent = np.interp(seen, seconds, load) * 100 + rng.normal(0, 0.3, len(seen))
        logged["compressor_load"] = ("%", np.round(percent, 1 if rng.random() < 0.5 else 0))
    logged = {name: (unit, np.where(rng.random(len(seen)) < 0.01, np.nan, v)) for name, (unit, v) in logged.items()}
    pairs = {
        "suction_superheat": ("suction_pressure", "suction_temperature"),
        "discharge_superheat": ("discharge_pressure", "discharge_temperature"),
        "subcooling": ("discharge_pressure", "liquid_temperature"),
        "evaporator_approach": ("suction_pressure", "leaving_water_temperature"),
        "condenser_approach": ("discharge_pressure", "condenser_leaving_temperature"),
        "oil_filter_drop": ("oil_pressure_before_filter", "oil_pressure_after_filter"),
    }
    judged = {name: figures[name] for name, needs in pairs.items() if set(needs) <= names}
    middle = float(np.median(judged["suction_superheat"][load > 0]))
    low = middle + float(rng.uniform(-4, 2))
    limits = {"suction_superheat": (low, low + float(rng.uniform(2, 5)))}
    tables: dict[str, object] = {
        "circuit": {"refrigerant": fluid_name},
        "site": {"barometer": "101.325 kPa"},
        "startup": {"limits": {k: [f"{a:.3f} degC", f"{b:.3f} degC"] for k, (a, b) in limits.items()}},
    }
    what = (
        f"{fluid_name:11} {now / 60:4.0f} min each {interval:2.0f} s {quantum_psi:g} psi {quantum_f:g} F"
        f" {len(judged)} figures{'' if with_load else ' no load'}"
        f"{''.join(f' hunts {(e - b) / 60:.0f} min by {p:.0f} s' for b, e, p in hunts)}"
    )
    stretch = make_stretch("startup", seen, logged, tables=tables)
    steady = _truly_steady(seconds, judged, load, hunts)
    return Case(stretch, steady, seconds, judged, tuple(hunts), limits, interval, what)


def _truly_steady(
    seconds: np.ndarray, figures: dict[str, np.ndarray], load: np.ndarray, hunts: list[tuple[float, float, float]]
) -> tuple[tuple[float, float], ...]:
    """Return the stretches of five minutes and more in which, without noise, nothing moves."""
    width = int(300.0 / STEP_S)
    still = load > 0
    for name, values in figures.items():
        band = BAND_K_PER_5_MIN if name != "oil_filter_drop" else 7e3
        if name == "discharge_superheat":
            band = 0.8
        ahead = np.concatenate([np.abs(values[width:] - values[:-width]), np.zeros(min(width, len(values)))])
        behind = np.concatenate([np.zeros(min(width, len(values))), np.abs(values[width:] - values[:-width])])
        still &= np.minimum(ahead[: len(values)], behind[: len(values)]) < band
    for begin, end, _ in hunts:
        still &= (seconds < begin) | (seconds >= end)
    changed = np.flatnonzero(np.diff(load, prepend=load[0]) != 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(int), [0]])))
    spans = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        cuts = [first, *(c for c in changed.tolist() if first < c < last), last]
        spans += [(a * STEP_S, b * STEP_S) for a, b in pairwise(cuts) if (b - a) * STEP_S >= 300.0]
    return tuple(spans)


def found_windows(case: Case) -> tuple[list[tuple[float, float]], str, list[str]]:
    """Return the windows that were found [s], the verdict, and the causes of their ends."""
    result = assess(case.stretch)
    opened: list[tuple[float, float]] = []
    causes = []
    last_s = (case.stretch.frame.index[-1] - START).total_seconds()
    for finding in result.findings:
        at_s = (finding.since - START).total_seconds()
        if finding.kind == "steady":
            opened.append((at_s, last_s))
        elif finding.kind == "unsteady":
            opened[-1] = (opened[-1][0], at_s)
            causes.append(f"{at_s:.0f} {finding.figures['cause']}")
    return opened, result.verdict, [*causes, result.text]


def overlap(one: list[tuple[float, float]], other: tuple[tuple[float, float], ...], last_s: float) -> float:
    """Return the time in both over the time in either, 1 where both are empty."""
    grid = np.arange(0.0, last_s, STEP_S)
    a, b = (np.any([(grid >= x) & (grid < y) for x, y in spans] or [grid < 0], axis=0) for spans in (one, other))
    return float((a & b).sum() / (a | b).sum()) if (a | b).any() else 1.0


def main(cases: int = 100, first: int = 0) -> None:
    """Print the table."""
    rows = []
    periods: list[float] = []
    for seed in range(first, first + cases):
        case = make_case(seed)
        windows, verdict, causes = found_windows(case)
        both = overlap(windows, case.steady, float(case.seconds[-1]))
        result = assess(case.stretch)
        errors = []
        for f in result.findings:
            if f.kind == "unsteady":
                end_s = (f.since - START).total_seconds()
                begin_s = max(b for b, e in windows if b < end_s + 1)
                inside = (case.seconds >= begin_s) & (case.seconds < end_s)
                shown = f.figures.get("suction_superheat")
                if isinstance(shown, Figure) and inside.any():
                    errors.append(abs(shown.si - float(np.mean(case.figures["suction_superheat"][inside]))))
        expected = "never_steady"
        if case.steady:
            begin_s, end_s = case.steady[-1]
            inside = (case.seconds >= begin_s) & (case.seconds < end_s)
            value = float(np.mean(case.figures["suction_superheat"][inside]))
            low, high = case.limits["suction_superheat"]
            near = min(abs(value - low), abs(value - high)) < 0.3
            expected = "near" if near else "steady_in_limits" if low <= value <= high else "steady_out_of_limits"
        right = expected == verdict or (expected == "near" and verdict != "never_steady")
        for begin, end, period in case.hunts:
            told = [
                f.figures["period"].si
                for f in result.findings
                if f.kind == "unsteady"
                and isinstance(f.figures.get("period"), Figure)
                and begin <= (f.time - START).total_seconds() <= end + 600.0
            ]
            last = result.figures.get("hunting_period")
            told += [last.si] if isinstance(last, Figure) and end >= case.seconds[-1] else []
            if not any(a < end and b > begin - 60.0 for a, b in windows) and not told:
                continue  # never steady, and over before the end: nobody waits for it any more
            if end - begin > 3.0 * period + 600 and 2.2 * case.interval < period and begin < case.seconds[-1] - 1_800:
                periods.append(min((abs(t / period - 1.0) for t in told), default=np.nan))
        rows.append((both, max(errors, default=0.0), right, bool(case.hunts), case.what.find("no load") >= 0))
        if both < 0.9 or not right or max(errors, default=0.0) > 0.3:
            true = " ".join(f"{a / 60:.1f}-{b / 60:.1f}" for a, b in case.steady)
            got = " ".join(f"{a / 60:.1f}-{b / 60:.1f}" for a, b in windows)
            print(f"{seed:4} {case.what}: {both:.2f} {verdict} for {expected}, error {max(errors, default=0.0):.2f} K")
            print(f"       true {true} | found {got} | {'; '.join(c for c in causes[:-1])}")
    table = pd.DataFrame(rows, columns=["overlap", "error", "right", "hunts", "no_load"])
    groups = table.groupby(["hunts", "no_load"])
    print(groups.agg(size=("overlap", "size"), mean=("overlap", "mean"), good=("overlap", lambda v: (v >= 0.9).mean()),
                     error=("error", "max"), right=("right", "mean")).round(3).to_string())  # fmt: skip
    print(f"overlap: mean {table['overlap'].mean():.3f}, median {table['overlap'].median():.3f},"
          f" 0.9 and more in {np.mean(table['overlap'] >= 0.9):.3f}; superheat within 0.3 K in"
          f" {np.mean(table['error'] <= 0.3):.3f}; verdict right in {table['right'].mean():.3f}")  # fmt: skip
    heard = np.array(periods)
    print(f"hunting: period told in {np.mean(~np.isnan(heard)):.2f} of {len(heard)}, within 15 % in "
          f"{np.mean(np.nan_to_num(heard, nan=9.0) <= 0.15):.2f}")  # fmt: skip


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
