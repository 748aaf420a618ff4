"""Machines at rest with sensors that err a little, one or two that lie, a sunny side and weather; who is named.

Each thing that a probe sits on follows the air with its own lag; liquid collects at the coldest of them and sets the
pressure, a little under the bubble point where some of a blend has boiled off. Run it for the table:
``python -m tests.benchmarks.at_rest_ensemble [cases] [first]``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.at_rest import assess
from analysis.at_rest.way import PRESSURES
from analysis.fluids import refrigerant
from analysis.result import Figure
from analysis.stretch import Stretch
from tests.support import make_stretch

PSI = 6_894.757293
LAG_S = {
    "ambient_temperature": 120.0,
    "surface_temperature": 1_500.0,
    "entering_water_temperature": 7_000.0,
    "leaving_water_temperature": 6_500.0,
    "condenser_entering_temperature": 2_500.0,
    "condenser_leaving_temperature": 2_500.0,
    "suction_temperature": 900.0,
    "discharge_temperature": 1_500.0,
    "liquid_temperature": 1_200.0,
    "oil_temperature": 8_000.0,
}
"""Seconds by which each lags the air, before a machine's own scatter."""
SUNNY = ("ambient_temperature", "surface_temperature", "condenser_entering_temperature",
         "condenser_leaving_temperature")  # fmt: skip
WET = ("entering_water_temperature", "condenser_entering_temperature", "liquid_temperature")
GAUGES = ("circuit_pressure", "suction_pressure", "discharge_pressure", "liquid_pressure")
PLAIN_LIE_K = 1.5
PLAIN_LIE_PSI = 3.0


@dataclass(frozen=True)
class Case:
    """A stretch at rest; `lies` is the offset of each liar [K or Pa], `honest` that of everything else."""

    stretch: Stretch
    lies: dict[str, float]
    honest: dict[str, float]
    sun: tuple[str, ...]
    settling: bool
    what: str


def make_case(seed: int) -> Case:
    """Return one machine, one day's weather, one set of sensors."""
    rng = np.random.default_rng(seed)
    fluid_name = str(rng.choice(["R-134a", "R-410A", "R-22", "R-407C", "R-513A", "R-404A", "R-1233zd(E)", "R-448A"]))
    fluid = refrigerant(fluid_name)
    hours = float(rng.choice([0.7, 1.0, 1.5, 3.0, 8.0]))
    interval = float(rng.choice([1.0, 5.0, 10.0, 30.0, 60.0]))
    settling = bool(rng.random() < 0.2)
    warm_up = 30.0 * 3_600.0
    at = np.arange(-warm_up, hours * 3_600.0 + 1.0, 60.0)
    day = float(rng.uniform(0.0, 2 * np.pi))
    swing, front = float(rng.uniform(0.3, 3.0)), float(rng.uniform(-0.2, 0.2))
    air = 273.15 + rng.uniform(8, 30) + swing * np.sin(2 * np.pi * at / 86_400.0 + day) + front * at / 3_600.0
    air = air + pd.Series(rng.normal(0, 1, len(at))).ewm(alpha=0.02).mean().to_numpy() * rng.uniform(0.0, 2.0)
    names = list(rng.permutation(list(LAG_S)[:9])[: int(rng.integers(5, 10))])
    heated = bool(rng.random() < 0.25)
    true: dict[str, np.ndarray] = {}
    shape = rng.uniform(0.3, 1.0)  # how high the sun stands: nothing, or half a day's arc
    sun_lasts = np.clip(np.sin(2 * np.pi * at / 86_400.0 + rng.uniform(0.0, np.pi)), 0.0, None) * shape
    exposed = [name for name in names if name in SUNNY]
    side = list(rng.permutation(exposed)[: int(rng.integers(1, 4))]) if exposed and rng.random() < 0.35 else []
    ran_s = -float(rng.uniform(0, 1.5)) * 3_600.0
    shared: dict[str, tuple[float, float]] = {}
    for name in dict.fromkeys([*names, *WET]):
        body = name.replace("entering", "").replace("leaving", "")
        drawn = (float(rng.uniform(0.6, 1.5)), float(rng.normal(0, 8.0)) if settling else 0.0)
        slow, start = shared.setdefault(body, drawn)  # two ends of one barrel
        lag = LAG_S[name] * slow * float(rng.uniform(0.95, 1.05))
        followed = pd.Series(air).ewm(alpha=1.0 - np.exp(-60.0 / lag)).mean().to_numpy()
        left = np.where(at >= ran_s, start * np.exp(-np.clip(at - ran_s, 0.0, None) / lag), start)
        warmth = float(rng.uniform(2.0, 7.0)) * sun_lasts if name in side else 0.0
        true[name] = followed + left + warmth + rng.normal(0, 0.12)
    coldest = np.min([true[name] for name in WET], axis=0)
    quality = float(rng.uniform(0.02, 0.35))
    bubble, dew = np.asarray(fluid.bubble_pressure_pa(coldest)), np.asarray(fluid.dew_pressure_pa(coldest))
    pressure = bubble - quality * (bubble - dew)
    gauges = list(rng.permutation(list(GAUGES))[: int(rng.integers(1, 5))])
    liars = list(map(str, rng.permutation([*names, *gauges])[: int(rng.choice([0, 1, 2], p=[0.3, 0.5, 0.2]))]))
    if len(liars) == 2 and len(names) + len(gauges) < 6:
        liars = liars[:1]
    elevation_pa = float(rng.uniform(84e3, 102e3))
    seen = np.arange(0.0, hours * 3_600.0, interval)
    spread_k, spread_psi = float(rng.uniform(0.15, 0.3)), float(rng.uniform(0.1, 0.5))
    quantum_k = float(rng.choice([0.1, 0.2, 0.5, 1.0], p=[0.5, 0.2, 0.15, 0.15])) / 1.8
    logged: dict[str, tuple[str, np.ndarray]] = {}
    lies: dict[str, float] = {}
    honest: dict[str, float] = {}
    for name in names:
        offset = float(rng.normal(0, spread_k))
        if name in liars:
            offset = lies[name] = float(rng.choice([-1, 1]) * rng.uniform(1.0, 5.0))
        else:
            honest[name] = offset
        values = np.interp(seen, at, true[name]) + offset + rng.normal(0, 0.05, len(seen))
        logged[name] = ("degC", np.round((values - 273.15) / quantum_k) * quantum_k)
    if heated:
        values = np.interp(seen, at, air) + 15 + 3 * np.sin(seen / 900.0)
        logged["oil_temperature"] = ("degC", np.round(values - 273.15, 1))
    quantum_psi = float(rng.choice([0.1, 0.5, 1.0]))
    for name in gauges:
        offset_psi = float(rng.normal(0, spread_psi))
        if name in liars:
            offset_psi = float(rng.choice([-1, 1]) * rng.uniform(2.0, 10.0))
            lies[name] = offset_psi * PSI
        else:
            honest[name] = offset_psi * PSI
        values = (np.interp(seen, at, pressure) - elevation_pa) / PSI + offset_psi + rng.normal(0, 0.05, len(seen))
        logged[name] = ("psig", np.round(values / quantum_psi) * quantum_psi)
    logged = {
        name: (unit, np.where(rng.random(len(seen)) < 0.01, np.nan, values)) for name, (unit, values) in logged.items()
    }
    stated = rng.random() < 0.8
    tables: dict[str, object] = {
        "circuit": {"refrigerant": fluid_name},
        "site": {"barometer": f"{elevation_pa / 1e3:.2f} kPa"} if stated else {},
        "at_rest": {"ignore": ["oil_temperature"]} if heated else {},
    }
    what = (
        f"{fluid_name:11} {len(names)} T {len(gauges)} p {hours:g} h each {interval:2.0f} s {quantum_k * 1.8:.1f} F"
        f" {quantum_psi:g} psi{' settling' if settling else ''}{' sun on ' + ','.join(side) if side else ''}"
        f"{'' if stated else ' no barometer'}"
    )
    stretch = make_stretch("at_rest", seen, logged, tables=tables)
    return Case(stretch, lies, honest, tuple(side), settling, what)


def plain(case: Case, channel: str) -> bool:
    """Return whether a lie is one that has to be found: as large as 1.5 K, or 3 psi beside two other gauges."""
    offset = abs(case.lies[channel])
    if channel not in PRESSURES:
        return offset >= PLAIN_LIE_K
    fluid = case.stretch.fluid
    assert fluid is not None
    slope = float(fluid.bubble_pressure_pa(293.65) - fluid.bubble_pressure_pa(292.65))
    if sum(c in PRESSURES for c in case.stretch.frame) > 2:
        return offset >= max(PLAIN_LIE_PSI * PSI, PLAIN_LIE_K * slope)
    glide = float(fluid.dew_temperature_k(8e5) - fluid.bubble_temperature_k(8e5))  # only thermometers can tell
    return offset >= (PLAIN_LIE_K + 0.5 * glide + (1.0 if case.stretch.barometer_source == "assumed" else 0.0)) * slope


def main(cases: int = 200, first: int = 0) -> None:
    """Print the table."""
    rows, false, errors, within = [], [], [], []
    verdicts: dict[str, int] = {}
    for seed in range(first, first + cases):
        case = make_case(seed)
        result = assess(case.stretch)
        named = {str(f.figures["channel"]): f.figures["offset"] for f in result.findings}
        verdicts[result.verdict] = verdicts.get(result.verdict, 0) + 1
        missed = []
        for channel, lie in case.lies.items():
            if plain(case, channel):
                rows.append((channel in PRESSURES, case.settling, channel in named, channel in SUNNY and lie > 0))
                missed += [] if channel in named else [f"{channel} {lie if abs(lie) < 20 else lie / PSI:+.1f}"]
            offset = named.get(channel)
            if isinstance(offset, Figure):
                errors.append((channel in PRESSURES, offset.si - lie))
        for channel, off in case.honest.items():
            shown, unsure = result.figures.get(channel), result.figures.get(f"{channel}_uncertainty")
            if isinstance(shown, Figure) and isinstance(unsure, Figure) and channel not in case.sun:
                within.append(abs(shown.si - off) <= unsure.si)
        wrong = [c for c in named if c not in case.lies]
        false += [(seed, c) for c in wrong]
        if missed or wrong:
            print(f"{seed:4} {case.what}: missed {missed} false {wrong} lies {case.lies}")
    table = pd.DataFrame(rows, columns=["pressure", "settling", "found", "warm_outdoors"])
    table["all"] = 1
    print(table.groupby(["pressure", "settling", "warm_outdoors"])["found"].agg(["size", "mean"]).round(3).to_string())
    print(f"liars found: {table['found'].mean():.3f} of {len(table)}; on equalised machines: "
          f"{table['found'][~table['settling']].mean():.3f}; named falsely: {len(false)} in {cases} cases")  # fmt: skip
    kelvin = np.array([e for p, e in errors if not p])
    pascal = np.array([e for p, e in errors if p])
    print(f"error of the offset, rms: {np.sqrt(np.mean(kelvin**2)):.2f} K, {np.sqrt(np.mean(pascal**2)) / PSI:.2f} psi")
    if within:
        print(f"offsets of honest channels within their stated uncertainty: {np.mean(within):.3f} of {len(within)}")
    print(verdicts)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
