"""Recoveries of many kinds against what was found in them.

``python -m tests.benchmarks.recovery_ensemble [circuit|vessel|shapes [N [FIRST]]]``: N cases of a generator, from the
number FIRST on.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.fluids import refrigerant
from analysis.recovery import assess
from analysis.recovery.required_level import required_level
from analysis.result import Assessment
from tests.benchmarks.recovery_circuit import NEVER, Case, simulate
from tests.benchmarks.recovery_log import Run, asked_pa
from tests.benchmarks.recovery_shapes import draw_shape, simulate_shape
from tests.benchmarks.recovery_vessel import draw_vessel, simulate_vessel

FLUIDS = ("R-134a", "R-410A", "R-407C", "R-22", "R-123", "R-1233zd(E)", "R-32", "R-513A")
KINDS = (
    "plain",
    "plain",
    "plain",
    "short",
    "no water flow",
    "flow lost",
    "pocket",
    "oil",
    "no scale",
    "no temperature",
)
JUDGED = ("self_chilling", "pressure_rebound", "freeze_risk")


def draw_circuit(seed: int) -> Case:
    """Return one case out of what a shop meets."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)]
    name = str(rng.choice(FLUIDS))
    fluid = refrigerant(name)
    plate = float(np.exp(rng.uniform(np.log(5), np.log(500))))
    water = float(rng.uniform(280, 300))
    volume = plate / float(fluid.liquid_density(water)) * rng.uniform(2.5, 6.0)
    displacement = min(volume / (60 * rng.uniform(4, 30)), 0.06 / float(fluid.vapor_density(water)))
    density = float(fluid.vapor_density(water))
    pressure = float(fluid.bubble_pressure_pa(water))
    conductance = plate * rng.uniform(40, 200)
    level_pa = asked_pa(name, plate)
    vapour_time = plate * 0.4 / (displacement * density * 0.5)
    channels = ["circuit_pressure", "cylinder_weight", "leaving_water_temperature"]
    case = Case(
        name=kind,
        refrigerant=name,
        plate=plate,
        volume=volume,
        water=water,
        ambient=water + float(rng.uniform(2, 15)),
        conductance=conductance,
        still_conductance=conductance * float(rng.uniform(0.01, 0.05)),
        water_mass=plate * float(rng.uniform(0.5, 2.0)),
        metal=plate * float(rng.uniform(200, 2000)),
        liquid_rate=float(np.clip(plate / (60 * rng.uniform(10, 40)), 2 * displacement * density, 0.2)),
        reach=float(rng.uniform(0.1, 0.4)),
        displacement=displacement,
        clearance=float(rng.uniform(0.01, 0.06)) * (0.3 if name in ("R-123", "R-1233zd(E)") else 1.0),
        hose=float(rng.uniform(0.0, 0.06)) * pressure / (displacement**2 * density),
        air=float(rng.choice([0.0, 0.0, 0.0, 5e3])),
        cylinder=plate / float(rng.uniform(1.2, 4.0)),
        swap_s=float(rng.uniform(120, 700)),
        marks=bool(rng.random() < 0.6),
        flow_marked=bool(rng.random() < 0.5),
        stop_at=float(rng.uniform(0.8, 0.98)),
        level_pa=level_pa,
        longest=2 * (plate / max(plate / 2400, 1e-3) + vapour_time) + 20 * volume / displacement,
        final_pause=float(rng.choice([1300.0, 2400.0, 5400.0])),
        sample=float(rng.choice([2, 2, 4, 10, 30])),
        step=2.0 if plate < 100 else 4.0,
        pressure_step=float(rng.choice([0.01, 0.1, 0.1, 0.5, 1.0])) if level_pa > 1e4 else 0.01,
        pressure_noise=float(rng.choice([0.0, 0.02, 0.1])) if level_pa > 1e4 else 0.005,
        weight_step=plate * float(rng.choice([1e-4, 5e-4, 1e-3])),
        weight_noise=plate * 2e-4,
        elevation=float(rng.choice([0.0, 0.0, 300.0, 1600.0])),
        channels=tuple(channels),
        volume_known=bool(rng.random() < 0.6),
        volume_stated=float(rng.normal(1.0, 0.05)),
        charge_known=bool(rng.random() < 0.9),
        charged=float(rng.choice([1.0, 1.0, 0.995, 1.01])),
        seed=seed,
    )
    hurried = np.random.default_rng((seed, 1))
    case = replace(case, fade=float(hurried.choice([0.0, 0.2, 0.5])), restart=float(hurried.choice([0.0, 60.0, 150.0])))
    if rng.random() < 0.3:
        begin = plate / 0.05 + rng.uniform(600, 6000)
        case = replace(case, pauses=((float(begin), float(rng.uniform(200, 900))),))
    if kind == "short":
        return replace(case, charged=float(rng.uniform(0.6, 0.97)))
    if kind == "no water flow":
        return replace(case, flow_off_at=0.0)
    if kind == "flow lost":
        lost = plate * 0.7 / case.liquid_rate * float(rng.uniform(0.6, 1.2))
        back = NEVER if rng.random() < 0.5 else lost + float(rng.uniform(1800, 5400))
        return replace(case, flow_off_at=lost, flow_on_at=back)
    if kind == "pocket":
        share = float(rng.uniform(0.01, 0.05))
        return replace(case, pocket=share * plate, pocket_conductance=plate * float(rng.uniform(0.005, 0.05)))
    if kind == "oil":
        return replace(case, oil=plate * float(rng.uniform(0.1, 0.3)), oil_time=float(rng.uniform(1500, 8000)))
    if kind == "no scale":
        return replace(case, channels=("circuit_pressure", "leaving_water_temperature"))
    if kind == "no temperature":
        return replace(case, channels=("circuit_pressure", "cylinder_weight"))
    return case


GENERATORS: dict[str, Callable[[int], Run]] = {
    "circuit": lambda seed: simulate(draw_circuit(seed)),
    "vessel": lambda seed: simulate_vessel(draw_vessel(seed)),
    "shapes": lambda seed: simulate_shape(draw_shape(seed)),
}


def truths(run: Run) -> dict[str, bool | None]:
    """Return which findings the truth asks for (True), forbids (False) or leaves open (None)."""
    fluid = refrigerant(run.case.refrigerant)
    bubble = np.asarray(fluid.bubble_temperature_k(run.pressure))
    dew = np.asarray(fluid.dew_temperature_k(run.pressure))
    step = run.seconds[1] - run.seconds[0]
    wet = run.liquid > 0.003 * run.case.plate
    main = run.liquid - run.apart > 0.02 * run.case.plate
    chilled = main & (run.case.water - dew > 4.5)
    # at the hose, where the gauge is, a strong machine draws a pool down further than in the circuit
    gauge = run.stretch.channel("circuit_pressure").dropna()
    rows_s = (gauge.index - run.stretch.begin) / pd.Timedelta(seconds=1)
    at_hose = np.asarray(fluid.bubble_temperature_k(np.interp(run.seconds, rows_s, gauge.to_numpy())))
    mild = wet & (run.case.water - np.fmin(bubble, at_hose) > 2.5)
    cold, cool = wet & (bubble < 272.6), (run.liquid + run.dissolved > 0.001 * run.case.plate) & (bubble < 273.6)
    rises = [0.0]
    edges = np.flatnonzero(np.diff(run.paused.astype(int), prepend=0, append=0))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        base = first + int(60 / step)
        depressed = run.case.water - bubble[max(first - 1, 0)]
        if first and base < end and depressed > 2.5:
            rise = float(run.pressure[base:end].max() / run.pressure[base] - 1)
            rises.append(rise if depressed > 3.5 and (end - first) * step > 200 else min(rise, 0.03))
    resolution = 3.5 * run.resolution_pa / run.pressure.min()
    rebound = True if max(rises) > max(0.06, 2 * resolution) else False if max(rises) < 0.02 else None
    return {
        "self_chilling": True if chilled.sum() * step > 900 else False if mild.sum() * step < 120 else None,
        "pressure_rebound": rebound,
        "freeze_risk": True if cold.sum() * step > 300 else False if cool.sum() * step < 60 else None,
    }


def fitting(run: Run) -> set[str]:
    """Return the verdicts that the truth allows."""
    required = required_level(run.stretch.job)
    assert required.level is not None
    level = required.level.absolute_pa(float(run.stretch.barometer_pa.iloc[-1]))
    step = run.seconds[1] - run.seconds[0]
    noise = 2.0 * run.resolution_pa / level
    if (run.pressure < level * (1.0 - noise)).sum() * step < 120.0:
        if (run.pressure < level * (1.0 + noise)).any():
            return set()
        return {
            "liquid_remains" if run.liquid[-1] > 0.01 * run.case.plate else "level_not_reached",
            "level_not_reached",
        }
    running = np.flatnonzero(~run.paused)
    end = run.pressure[running[-1] + 1 :]
    if len(end) * step < 720.0:
        return {"undecided"}
    high = end[int(60.0 / step) :].max() / level - 1.005
    if abs(high) < max(noise, 0.003):
        return set()
    return {"level_not_held"} if high > 0.0 else {"complete"}


@dataclass(frozen=True)
class Outcome:
    """One case: when liquid was called gone against the truth, what was missed or false, the mass's error.

    `due_delay_s` counts from when, besides, the depression was there.
    """

    run: Run
    assessment: Assessment
    delay_s: float
    due_delay_s: float
    liquid_share: float
    missed: tuple[str, ...]
    false: tuple[str, ...]
    asked: dict[str, bool | None]
    fits: bool
    mass_error: float
    seconds: float
    pull_delay_s: float


def judge(run: Run) -> Outcome:
    """Return how one case came out."""
    begun = time.perf_counter()
    assessment = assess(run.stretch)
    took = time.perf_counter() - begun
    kinds = {f.kind for f in assessment.findings}
    call = next((f for f in assessment.findings if f.kind == "liquid_gone"), None)
    pull = next((f for f in assessment.findings if f.kind == "liquid_pull_ended"), None)
    asked, allowed = truths(run), fitting(run)
    called_s = np.nan if call is None else (call.time - run.stretch.begin).total_seconds()
    recovered = assessment.figures["recovered"]
    assert not isinstance(recovered, str)
    return Outcome(
        run,
        assessment,
        called_s - run.gone_s,
        called_s - run.due_s,
        0.0 if call is None else run.liquid_share_at(call.time),
        tuple(k for k, v in asked.items() if v is True and k not in kinds),
        tuple(k for k, v in asked.items() if v is False and k in kinds),
        asked,
        not allowed or assessment.verdict in allowed,
        recovered.si / run.recovered - 1.0,
        took,
        np.nan if pull is None else (pull.time - run.stretch.begin).total_seconds() - run.pull_s,
    )


def _median(delays: list[float]) -> float:
    return float(np.median(np.nan_to_num(np.array(delays), nan=np.inf))) / 60.0 if delays else np.nan


def summary(outcomes: list[Outcome]) -> str:
    """Return the table."""
    lines = [
        f"{'kind':16s} {'n':>4s} {'called':>6s} {'early':>5s} {'median min':>10s} {'from due':>8s} {'missed':>8s} "
        f"{'false':>6s} {'verdict':>7s}"
    ]
    for kind in (*dict.fromkeys(o.run.case.name for o in outcomes), "all"):
        some = [o for o in outcomes if kind in (o.run.case.name, "all")]
        ends = [o for o in some if np.isfinite(o.run.due_s)]
        early = sum(o.liquid_share > 0.003 for o in some)
        called = sum(bool(np.isfinite(o.delay_s)) for o in some)
        missed, false = (sum(len(getattr(o, what)) for o in some) for what in ("missed", "false"))
        lines.append(
            f"{kind:16s} {len(some):4d} {called:6d} {early:5d} {_median([o.delay_s for o in ends]):10.1f} "
            f"{_median([o.due_delay_s for o in ends]):8.1f} {missed:8d} {false:6d} {sum(not o.fits for o in some):7d}"
        )
    for what in JUDGED:
        has = [o for o in outcomes if o.asked[what] is True]
        has_not = [o for o in outcomes if o.asked[what] is False]
        missed, false = sum(what in o.missed for o in has), sum(what in o.false for o in has_not)
        lines.append(f"{what}: missed {missed} of {len(has)}, false {false} of {len(has_not)}")
    # a vapour rate near the liquid rate is no breakdown; without a scale nothing shows it
    pulls = np.array([o.pull_delay_s for o in outcomes])
    told = np.isfinite(pulls)
    asked = np.array([o.run.breaks and bool(np.isfinite(o.run.pull_s)) for o in outcomes])
    lines.append(
        f"liquid_pull_ended: {np.sum(pulls[told] < 0)} of {told.sum()} early, missed {np.sum(asked & ~told)} of "
        f"{asked.sum()}, median delay {np.median(pulls[told]) / 60:.1f} min"
    )
    errors = np.array([abs(o.mass_error) for o in outcomes if np.isfinite(o.mass_error)])
    lines.append(f"recovered within 1 %: {np.mean(errors < 0.01):.1%} of {len(errors)}")
    verdicts = dict(Counter(o.assessment.verdict for o in outcomes))
    lines.append(f"slowest {max(o.seconds for o in outcomes):.2f} s; verdicts {verdicts}")
    return "\n".join(lines)


def main() -> None:
    """Print the table, and every case that came out wrong."""
    which = sys.argv[1] if len(sys.argv) > 1 else "circuit"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    outcomes = [judge(GENERATORS[which](seed)) for seed in range(first, first + count)]
    for o in outcomes:
        early = [f"EARLY {o.liquid_share:.2%}"] if o.liquid_share > 0.003 else []
        odd = [] if o.fits else [f"verdict {o.assessment.verdict}, not {' or '.join(sorted(fitting(o.run)))}"]
        wrong = [*early, *(f"missed {kind}" for kind in o.missed), *(f"false {kind}" for kind in o.false), *odd]
        if wrong:
            print(
                f"{o.run.case.seed:4d} {o.run.case.name:14s} {o.run.case.refrigerant:11s} {o.run.case.plate:5.0f} kg",
                ", ".join(wrong),
            )
    print(summary(outcomes))


if __name__ == "__main__":
    main()
