"""A circuit under recovery, simulated, for the ensemble of `recovery_ensemble.py`.

Lumps: the liquid in the barrel with metal and water around it, a pocket at a low point, refrigerant in the
oil, vapour with its own temperature, a machine whose displacement falls with the pressure ratio, a hose, and
a scale with cylinders on it. Explicit steps in time; the truth (liquid left) is kept beside the readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.fluids import refrigerant
from tests.benchmarks.recovery_log import Recovered, Run, logged

NEVER = 1e9


@dataclass(frozen=True)
class Case(Recovered):
    """One recovery. Masses kg, volumes m3, temperatures K, times s."""

    conductance: float = 8e3  # W/K, water flowing, all the surface wetted
    still_conductance: float = 300.0  # W/K to the standing water
    water_mass: float = 150.0
    metal: float = 120e3  # J/K
    flow_off_at: float = NEVER
    flow_on_at: float = NEVER
    fade: float = 0.0  # share of the liquid rate that is lost as a cylinder fills and warms
    restart: float = 0.0  # s after a pause until the machine really pulls
    displacement: float = 6e-4  # m3/s
    clearance: float = 0.06
    pocket: float = 0.0  # kg
    pocket_conductance: float = 3.0  # W/K to the ambient
    oil: float = 0.0  # kg of oil
    oil_time: float = 3000.0
    hose: float = 2e8  # Pa / ((kg/s)^2 / (kg/m3))
    air: float = 0.0  # Pa of air in the circuit at the start
    cylinder: float = 40.0  # kg net at which it is changed
    swap_s: float = 240.0
    stop_at: float = 0.9  # share of the level at which the machine is stopped
    level_pa: float = 50e3
    step: float = 2.0
    pressure_noise: float = 0.05
    volume_known: bool = True
    volume_stated: float = 1.0  # share of the true volume that the job states


def simulate(case: Case) -> Run:
    """Return the readings and the truth of a recovery."""
    fluid = refrigerant(case.refrigerant)
    grid = np.linspace(max(fluid.range_k[0], 180.0), min(fluid.range_k[1], 340.0), 801)
    saturation = 0.5 * (fluid.bubble_pressure_pa(grid) + fluid.dew_pressure_pa(grid))
    liquid_density = fluid.liquid_density(grid)
    gas_constant = 8.314462 / fluid.molar_mass_kg_per_mol
    dew_density = fluid.vapor_density(grid)
    z = fluid.dew_pressure_pa(grid) / (dew_density * gas_constant * grid)

    def at(column: np.ndarray, kelvin: float) -> float:
        place = min(max((kelvin - grid[0]) / (grid[1] - grid[0]), 0.0), len(grid) - 1.001)
        i = int(place)
        return float(column[i] + (column[i + 1] - column[i]) * (place - i))

    dt = case.step
    cp, latent = 1350.0, 195e3
    charge = case.plate * case.charged
    t_liquid = t_pocket = t_gas = t_barrel = case.water
    gas_volume = case.volume - (charge / at(liquid_density, t_liquid))
    gas = gas_volume * at(dew_density, t_gas)
    dissolved = case.oil * 0.25
    pocket = case.pocket
    main = charge - gas - pocket - dissolved
    pocket_start, main_start = max(pocket, 1e-9), main
    air = case.air
    cylinder_t = case.ambient
    net, moved = 0.0, 0.0
    gross_tare = next_tare = 22.0
    paused_until = 60.0
    finished_at = NEVER
    swapping = False
    rows, journal = [], []
    pauses = list(case.pauses)
    now = 0.0
    pull_liquid = True
    pull_s = np.inf
    drop = 0.0
    while now < case.longest + case.final_pause and now < finished_at + case.final_pause:
        flow = not (case.flow_off_at <= now < case.flow_on_at)
        liquid_volume = (main + pocket) / at(liquid_density, t_liquid)
        density = gas / (case.volume - liquid_volume)
        pressure = (
            density * gas_constant * t_gas * (1 + (at(z, t_gas) - 1) * min(1.0, density / at(dew_density, t_gas)))
        )
        total = pressure + air
        pausing = now < paused_until or now >= finished_at
        if swapping and not pausing:
            net, swapping = 0.0, False
            if case.marks:
                journal.append((now, "mark", "cylinder_on", f"c{int(now)}"))
                journal.append((now, "mark", "recovery_resumed", ""))
        rate = liquid_rate = 0.0
        if not pausing:
            head = at(saturation, cylinder_t) * 1.05
            ratio = max(head / max(total, 100.0), 1.0)
            efficiency = max(1.0 - case.clearance * (ratio ** (1 / 1.15) - 1.0), 0.0)
            if pull_liquid and main > case.reach * charge:
                waits = now < paused_until + case.restart
                liquid_rate = 0.0 if waits else case.liquid_rate * (1.0 - case.fade * net / case.cylinder)
            else:
                pull_s = now if pull_liquid else pull_s
                pull_liquid = False
                rate = case.displacement * efficiency * density
            if total - drop <= case.level_pa * case.stop_at or now > case.longest:
                finished_at, rate = now, 0.0
                if case.marks:
                    journal.append((now, "mark", "recovery_paused", ""))
            elif net >= case.cylinder:
                paused_until, swapping = now + case.swap_s, True
                next_tare = 22.0 + 1.3 * ((now * 7.0) % 3.0)
                if case.marks:
                    journal.append((now, "mark", "recovery_paused", ""))
                    journal.append((now, "mark", "cylinder_off", ""))
            elif pauses and now >= pauses[0][0]:
                paused_until = now + pauses.pop(0)[1]
                if case.marks:
                    journal.append((now, "mark", "recovery_paused", ""))
                    journal.append((paused_until, "mark", "recovery_resumed", ""))
        # boiling and condensing
        wetted = min(max(main / main_start, 0.0) ** 0.5, 1.0)
        stiffness = case.volume * density / max(pressure, 1.0) / 8.0
        boil = (stiffness * (0.2 + wetted)) * (at(saturation, t_liquid) - pressure)
        boil = min(max(boil, -gas / dt / 20), main / dt)
        pocket_boil = 0.0
        if case.pocket > 0:
            pocket_boil = stiffness * (at(saturation, t_pocket) - pressure) * min(1.0, 3 * pocket / pocket_start)
            pocket_boil = min(max(pocket_boil, 0.0), pocket / dt)
        settled = case.oil * 0.25 * min(pressure / at(saturation, case.ambient), 1.0)
        release = (dissolved - settled) / case.oil_time if case.oil > 0 else 0.0
        conductance = (case.conductance if flow else case.still_conductance) * wetted
        into_liquid = conductance * (t_barrel - t_liquid)
        t_liquid += dt * (into_liquid - boil * latent) / (main * cp + case.metal * wetted + 2e3)
        if flow:
            t_barrel += dt * (case.water - t_barrel) / 60.0
        else:
            leak = 8.0 * (case.ambient - t_barrel)
            ice = 12.0 if t_barrel < 273.2 else 1.0
            t_barrel += dt * (leak - into_liquid) / (case.water_mass * 4186.0 * ice + 1e3)
        if case.pocket > 0:
            heat = case.pocket_conductance * (case.ambient - t_pocket) - pocket_boil * latent
            t_pocket += dt * heat / (pocket * cp + 2e3)
        new_gas = gas + dt * (boil + pocket_boil + release - rate)
        new_gas = max(new_gas, 1e-6)
        t_gas += t_gas * 0.11 * (new_gas / gas - 1.0) + dt * ((t_barrel + case.ambient) / 2 - t_gas) / 90.0
        air *= 1.0 - rate / max(gas, 1e-9) * dt if rate > 0 else 1.0
        gas = new_gas
        main = max(main - dt * (boil + liquid_rate), 0.0)
        pocket = max(pocket - dt * pocket_boil, 0.0)
        dissolved -= dt * release
        moved += dt * (rate + liquid_rate)
        net += dt * (rate + liquid_rate)
        cylinder_t += dt * ((rate + liquid_rate) * 20e3 - 12.0 * (cylinder_t - case.ambient)) / 40e3
        drop = min(case.hose * (rate + 0.2 * liquid_rate) ** 2 / max(density, 0.01), 0.1 * total)
        off_scale = swapping and pausing and now > paused_until - case.swap_s * 0.7
        gross_tare = next_tare if off_scale else gross_tare
        gross = 0.0 if off_scale and now < paused_until - case.swap_s * 0.3 else gross_tare + (0 if off_scale else net)
        rows.append(
            (
                now,
                max(total - drop, 100.0),
                gross,
                t_barrel if flow else 0.97 * case.water + 0.03 * t_barrel,
                main + pocket,
                total,
                now if pausing else -1.0,
                moved,
                pocket,
                dissolved,
            )
        )
        now += dt
    table = np.array(rows)
    flow_marks = [(case.flow_off_at, "water_flow_off"), (case.flow_on_at, "water_flow_on")]
    flow_marks = [(at, word) for at, word in flow_marks if case.flow_marked and at < table[-1, 0]]
    vapour = case.displacement * float(fluid.vapor_density(case.water))
    return Run(
        case=case,
        stretch=logged(
            case,
            table[:: max(1, round(case.sample / dt)), :4],
            case.volume_stated if case.volume_known else None,
            journal,
            flow_marks,
        ),
        seconds=table[:, 0],
        liquid=table[:, 4],
        apart=table[:, 8],
        dissolved=table[:, 9],
        pressure=table[:, 5],
        paused=table[:, 6] >= 0,
        recovered=moved,
        pull_s=pull_s,
        breaks="cylinder_weight" in case.channels
        and case.liquid_rate * (1.0 - case.fade) >= 5.0 * vapour
        and case.liquid_rate <= 60.0 * vapour,
    )
