"""Recoveries drawn, not simulated: the curves that the trade describes, for the same ensemble.

Pressure stands at saturation while there is liquid and falls by e in a fixed time when there is none; liquid that
chills itself follows a curve of temperature; a pause brings the pressure back towards rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.fluids import refrigerant
from tests.benchmarks.recovery_log import GAS, Recovered, Run, asked_pa, logged


@dataclass(frozen=True)
class Shape(Recovered):
    """One recovery. Masses kg, volumes m3, temperatures K, times s."""

    ideal: bool = False
    chills_k: float = 0.0  # how far the liquid chills itself in the end
    chills_s: float = 900.0
    boil_rate: float | None = None  # kg/s at standing pressure; None: what the machine takes of saturated vapour
    fall_s: float = 900.0  # for a fall by e, of vapour alone
    comes_back: float = 0.0  # share of the standing pressure to which it comes back in a pause
    back_s: float = 600.0
    stop_pa: float = 45e3
    volume_stated: float | None = 1.0


def simulate_shape(case: Shape) -> Run:
    """Return the readings and the truth of a recovery."""
    fluid = refrigerant(case.refrigerant)
    rest_pa = float(fluid.bubble_pressure_pa(case.water))

    def density(pascal: float) -> float:
        if case.ideal:
            return pascal * fluid.molar_mass_kg_per_mol / GAS / case.water
        return float(fluid.vapor_density_at(pascal, case.water))

    full = density(rest_pa)
    liquid = case.plate * case.charged - case.volume * full
    start = liquid
    boil = case.volume * full / case.fall_s if case.boil_rate is None else case.boil_rate
    dt = max(case.sample, 2.0)
    pressure, moved, now, chilling = rest_pa, 0.0, 0.0, 0.0
    pauses, journal, rows = list(case.pauses), [], []
    paused_until, finished_at, pull_s = 60.0, np.inf, np.inf
    held = density(pressure)
    saturations = {}
    while now < finished_at + case.final_pause:
        pausing = now < paused_until or now >= finished_at
        if not pausing and liquid > 0.0:
            pulls = liquid > case.reach * start
            if not pulls:
                pull_s = min(pull_s, now)
                chilling += dt
            kelvin = case.water - case.chills_k * (1.0 - np.exp(-chilling / case.chills_s))
            key = round(kelvin, 3)
            if key not in saturations:
                saturations[key] = float(fluid.bubble_pressure_pa(kelvin))
            pressure = saturations[key]
            step = min(dt * (case.liquid_rate if pulls else boil * pressure / rest_pa), liquid)
            liquid = max(liquid - step + case.volume * (held - density(pressure)), 0.0)
            liquid = 0.0 if liquid < 1e-4 * case.plate else liquid
            moved += step
            held = density(pressure)
        elif not pausing:
            pressure *= np.exp(-dt / case.fall_s)
            moved += case.volume * (held - density(pressure))
            held = density(pressure)
        elif now > 60.0:
            back = rest_pa if liquid > 0.0 else case.comes_back * rest_pa
            pressure += max(back - pressure, 0.0) * dt / case.back_s
            held = density(pressure)
            chilling = max(chilling - dt * (chilling / case.back_s), 0.0)
        if not pausing:
            if pressure <= case.stop_pa or now > case.longest:
                finished_at = now
                if case.marks:
                    journal.append((now, "mark", "recovery_paused", ""))
            elif pauses and now >= pauses[0][0]:
                paused_until = now + pauses.pop(0)[1]
                if case.marks:
                    journal += [
                        (now, "mark", "recovery_paused", ""),
                        (paused_until, "mark", "recovery_resumed", ""),
                    ]
        rows.append((now, pressure, 20.0 + moved, case.water, liquid, pausing))
        now += dt
    table = np.array(rows, dtype=float)
    flow_marks = [(0.0, "water_flow_off" if case.chills_k > 0.0 else "water_flow_on")] if case.flow_marked else []
    return Run(
        case=case,
        stretch=logged(case, table[:, :4], case.volume_stated, journal, flow_marks),
        seconds=table[:, 0],
        liquid=table[:, 4],
        apart=np.zeros(len(table)),
        dissolved=np.full(len(table), case.comes_back),
        pressure=table[:, 1],
        paused=table[:, 5] > 0.0,
        recovered=moved,
        pull_s=pull_s,
        breaks="cylinder_weight" in case.channels and 5.0 * boil <= case.liquid_rate <= 60.0 * boil,
    )


KINDS = ("plain", "plain", "plain", "self-chilling", "rebound", "short", "volume not stated", "no pause")


def draw_shape(seed: int) -> Shape:
    """Return one case with round numbers, as a textbook has it."""
    rng = np.random.default_rng((seed, 78))
    kind = KINDS[seed % len(KINDS)]
    name = str(rng.choice(["R-134a", "R-134a", "R-410A", "R-407C", "R-22", "R-123", "R-513A"]))
    fluid = refrigerant(name)
    plate = float(rng.choice([10, 25, 50, 100, 118, 200, 400]))
    water = float(rng.uniform(281, 298))
    stop = asked_pa(name, plate) * float(rng.uniform(0.85, 0.98))
    deep = stop < 2e4
    case = Shape(
        name=kind,
        refrigerant=name,
        plate=plate,
        volume=plate / float(fluid.liquid_density(water)) * float(rng.uniform(2.5, 6.0)),
        ideal=bool(rng.random() < 0.5),
        water=water,
        ambient=water + 5.0,
        liquid_rate=min(plate / (60.0 * float(rng.uniform(10, 40))), 0.25),
        reach=float(rng.uniform(0.1, 0.4)),
        fall_s=60.0 * float(rng.uniform(3, 30)),
        stop_pa=stop,
        marks=bool(rng.random() < 0.6),
        flow_marked=bool(rng.random() < 0.5),
        final_pause=float(rng.choice([900.0, 1500.0])),
        sample=float(rng.choice([1, 2, 5, 10, 30, 60])),
        pressure_step=0.01 if deep else float(rng.choice([0.01, 0.1, 0.5])),
        pressure_noise=0.005 if deep else float(rng.choice([0.0, 0.02, 0.1])),
        weight_step=float(rng.choice([0.01, 0.02, 0.05])),
        weight_noise=float(rng.choice([0.0, 0.01, 0.02])),
        seed=seed,
    )
    if kind == "self-chilling":
        return replace(case, chills_k=float(rng.uniform(8, 25)), chills_s=float(rng.uniform(300, 1500)))
    if kind == "rebound":
        return replace(case, comes_back=float(rng.uniform(0.3, 0.8)), back_s=float(rng.uniform(600, 5000)))
    if kind == "short":
        return replace(case, charged=float(rng.uniform(0.7, 0.98)))
    if kind == "volume not stated":
        return replace(case, volume_stated=None)
    if kind == "no pause":
        return replace(case, final_pause=30.0, marks=False)
    return case
