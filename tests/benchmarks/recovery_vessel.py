"""A second circuit under recovery, simulated by other physics than `recovery_circuit`, for the same ensemble.

Here liquid and vapour are in balance at every moment (no rate of boiling), the last liquid of a blend is its
heavy end, the hose chokes, the machine has clearance and a motor that sags, the gas may be ideal, oil holds
refrigerant by its relative pressure, water flows, stands (and freezes) or is drained.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from analysis.fluids import refrigerant
from tests.benchmarks.recovery_log import GAS, Recovered, Run, asked_pa, logged


@dataclass(frozen=True)
class Vessel(Recovered):
    """One recovery. Masses kg, volumes m3, temperatures K, times s."""

    ideal: bool = False  # the gas law of the circuit's vapour
    heavy: float = 1.0  # share of the dew pressure at which the last liquid of a blend boils
    tubes: float = 8e3  # W/K between water and liquid, all wetted
    still: float = 0.05  # share of that while the water stands
    water_capacity: float = 8e3  # W/K of the flowing water
    water_mass: float = 150.0
    metal: float = 60e3  # J/K that stays as cold as the liquid
    flow: tuple[tuple[float, str], ...] = ((0.0, "flows"),)  # flows, stands, drained
    air_side: float = 20.0  # W/K from the room into the vessel
    gas_time: float = 120.0  # s in which vapour takes the walls' temperature
    froth: float = 0.0  # share of the charge over which the port draws less and less liquid
    swept: float = 8e-4  # m3/s
    clearance: float = 0.05
    sag: float = 0.1  # share of the speed lost at a pressure ratio of 10
    bore: float = 8e-6  # effective area of the hose, m2
    gauge_on_hose: float = 0.0  # share of the hose's drop that the gauge sees
    pocket: float = 0.0  # kg
    pocket_ua: float = 3.0
    pocket_metal: float = 4e3
    oil: float = 0.0  # kg of oil
    holds: float = 0.25  # kg refrigerant a kg of oil at saturation
    oil_time: float = 3000.0
    cylinder: float = 40.0  # kg net at which it is changed
    swap_s: float = 300.0
    stop_pa: float = 45e3
    step: float = 2.0
    scale_drift: float = 0.0  # kg/h
    volume_stated: float | None = 1.0  # share of the true volume that the job states


class _Table:
    """A curve on an even grid of temperature, looked up by scalars."""

    def __init__(self, grid: np.ndarray, values: np.ndarray) -> None:
        self.start, self.width = float(grid[0]), float(grid[1] - grid[0])
        self.values = values.tolist()

    def __call__(self, kelvin: float) -> float:
        place = min(max((kelvin - self.start) / self.width, 0.0), len(self.values) - 1.001)
        i = int(place)
        return self.values[i] + (self.values[i + 1] - self.values[i]) * (place - i)


def _choked(ratio: float) -> float:
    """Return the flow of a nozzle against its choked flow, at downstream over upstream pressure (gamma 1.1)."""
    critical = 0.585
    if ratio <= critical:
        return 1.0
    return sqrt(max(1.0 - ((ratio - critical) / (1.0 - critical)) ** 2, 0.0))


def simulate_vessel(case: Vessel) -> Run:
    """Return the readings and the truth of a recovery."""
    fluid = refrigerant(case.refrigerant)
    grid = np.linspace(max(fluid.range_k[0], 175.0), min(fluid.range_k[1], 345.0), 1201)
    bubble, dew = _Table(grid, fluid.bubble_pressure_pa(grid)), _Table(grid, fluid.dew_pressure_pa(grid))
    specific = GAS / fluid.molar_mass_kg_per_mol
    real = fluid.vapor_density(grid) * specific * grid / fluid.dew_pressure_pa(grid)
    squeeze = _Table(grid, np.ones_like(grid) if case.ideal else 1.0 / real)
    liquid_density = _Table(grid, fluid.liquid_density(grid))
    latent_of = _Table(grid, fluid.latent_heat_j_per_kg(grid))
    cp = float(fluid.liquid_heat_capacity(case.water))
    dt, charge = case.step, case.plate * case.charged
    t_barrel = t_pocket = t_gas = t_water = case.water
    ice = 0.0

    def saturation(kelvin: float, spent: float) -> float:
        return bubble(kelvin) ** (1.0 - spent) * (case.heavy * dew(kelvin)) ** spent

    def z_of(density: float, kelvin: float) -> float:
        full = dew(kelvin) / (squeeze(kelvin) * specific * kelvin)
        return 1.0 + (squeeze(kelvin) - 1.0) * min(density / full, 1.0)

    start_pa = bubble(case.water)
    gas = 0.0
    dissolved = case.oil * case.holds * min(start_pa / bubble(case.ambient), 1.0)
    barrel = charge
    for _ in range(20):
        room = case.volume - (barrel + case.pocket) / liquid_density(case.water)
        gas = room * start_pa / (squeeze(case.water) * specific * case.water)
        barrel = charge - gas - case.pocket - dissolved
    pocket = case.pocket
    barrel_full, boiling_from = barrel, 0.0
    cylinder_t, net, moved, drift = case.ambient, 0.0, 0.0, 0.0
    paused_until, finished_at, swapping, pulling = 60.0, np.inf, False, True
    tare = next_tare = 24.0
    pull_s, now = np.inf, 0.0
    pauses, rows, journal = list(case.pauses), [], []
    while now < finished_at + case.final_pause:
        state = [word for at, word in case.flow if at <= now][-1]
        pausing = now < paused_until or now >= finished_at
        room = case.volume - barrel / liquid_density(t_barrel) - pocket / liquid_density(t_pocket)
        density = gas / room
        pressure = density * specific * t_gas * z_of(density, t_gas)
        if swapping and not pausing:
            net, swapping = 0.0, False
            if case.marks:
                journal += [(now, "mark", "cylinder_on", f"c{int(now)}"), (now, "mark", "recovery_resumed", "")]
        vapour_rate = liquid_rate = seen_drop = 0.0
        if not pausing:
            left = barrel / charge - case.reach
            pulling = pulling and left > 0.1 * case.froth
            if left < 0.4 * case.froth or not pulling:
                pull_s = min(pull_s, now)
            if pulling:
                liquid_rate = case.liquid_rate * (min(left / case.froth, 1.0) if case.froth > 0.0 else 1.0)
            else:
                boiling_from = max(boiling_from, barrel)
                vapour_rate, inlet = _machine(case, pressure, density, bubble(cylinder_t) * 1.03)
                seen_drop = case.gauge_on_hose * (pressure - inlet)
            if pressure - seen_drop <= case.stop_pa or now > case.longest:
                finished_at, vapour_rate, liquid_rate = now, 0.0, 0.0
                if case.marks:
                    journal.append((now, "mark", "recovery_paused", ""))
            elif net >= case.cylinder:
                paused_until, swapping = now + case.swap_s, True
                next_tare = 24.0 + (now * 3.1) % 2.0
                if case.marks:
                    journal += [(now, "mark", "recovery_paused", ""), (now, "mark", "cylinder_off", "")]
            elif pauses and now >= pauses[0][0]:
                paused_until = now + pauses.pop(0)[1]
                if case.marks:
                    journal += [
                        (now, "mark", "recovery_paused", ""),
                        (paused_until, "mark", "recovery_resumed", ""),
                    ]
        # heat into the barrel's liquid
        wetted = min(max(barrel / barrel_full, 0.0) ** 0.4, 1.0) if barrel > 0.0 else 0.0
        through = {"flows": 1.0, "stands": case.still, "drained": 0.0}[state] * case.tubes * wetted
        heat = through * (t_water - t_barrel) + case.air_side * (case.ambient - t_barrel)
        if state == "flows":
            t_water = case.water - through * (case.water - t_barrel) / (case.water_capacity + through)
            ice = 0.0
        elif state == "stands":
            gain = 6.0 * (case.ambient - t_water) - through * (t_water - t_barrel)
            if t_water <= 273.15 and (gain < 0.0 or ice > 0.0):
                ice = max(ice - gain * dt / 334e3, 0.0)
                t_water = 273.15
            else:
                t_water += dt * gain / (case.water_mass * 4186.0)
        # balance between the phases: what boils so that pressure and saturation meet at the end of the step
        spent = 0.0 if pulling or boiling_from <= 0.0 else max(1.0 - barrel / boiling_from, 0.0) ** 1.5
        out = vapour_rate
        boil, t_barrel = _flash(
            case,
            barrel,
            t_barrel,
            heat,
            case.metal * (0.2 + 0.8 * wetted) + barrel * cp,
            saturation,
            spent,
            (pressure, gas, out),
            latent_of(t_barrel),
        )
        barrel = max(barrel - dt * (boil + liquid_rate), 0.0)
        boil_pocket = 0.0
        if case.pocket > 0.0:
            warm = case.pocket_ua * (case.ambient - t_pocket)
            after = gas + dt * (boil - out)
            boil_pocket, t_pocket = _flash(
                case,
                pocket,
                t_pocket,
                warm,
                case.pocket_metal + pocket * cp,
                saturation,
                0.3,
                (pressure * after / gas, after, 0.0),
                latent_of(t_pocket),
            )
            pocket = max(pocket - dt * boil_pocket, 0.0)
        settled = case.oil * case.holds * min(pressure / bubble(case.ambient), 1.0)
        release = (dissolved - settled) / case.oil_time
        dissolved -= dt * release
        before = gas
        gas = max(gas + dt * (boil + boil_pocket + release - out), 1e-6)
        wall = 0.5 * (case.ambient + (t_water if state != "drained" else case.ambient))
        t_gas += 0.09 * t_gas * (gas / before - 1.0) + dt * (wall - t_gas) / case.gas_time
        step = dt * (vapour_rate + liquid_rate)
        moved, net = moved + step, net + step
        cylinder_t += (step * 15e3 - dt * 15.0 * (cylinder_t - case.ambient)) / (2e4 + 1300.0 * net)
        drift += case.scale_drift * dt / 3600.0
        bare = swapping and pausing and now > paused_until - 0.3 * case.swap_s
        off = swapping and pausing and now > paused_until - 0.7 * case.swap_s
        tare = next_tare if off else tare
        gross = (0.0 if off and not bare else tare + (0.0 if off else net)) + drift
        leaving = t_water if state == "flows" else t_water if state == "stands" else case.ambient
        rows.append((now, pressure - seen_drop, gross, leaving, barrel, pocket, pressure, pausing, moved, dissolved))
        now += dt
    table = np.array(rows, dtype=float)
    words = {"flows": "water_flow_on", "stands": "water_flow_off", "drained": "water_flow_off"}
    flow_marks = [(at, words[word]) for at, word in case.flow if case.flow_marked and at < table[-1, 0]]
    suction = case.swept * start_pa / (squeeze(case.water) * specific * case.water)
    return Run(
        case=case,
        stretch=logged(case, table[:: max(1, round(case.sample / dt)), :4], case.volume_stated, journal, flow_marks),
        seconds=table[:, 0],
        liquid=table[:, 4] + table[:, 5],
        apart=table[:, 5],
        dissolved=table[:, 9],
        pressure=table[:, 6],
        paused=table[:, 7] > 0.0,
        recovered=moved,
        pull_s=pull_s,
        breaks="cylinder_weight" in case.channels
        and 5.0 * suction <= case.liquid_rate <= 60.0 * suction
        and case.froth < 0.05,
    )


def _flash(
    case: Vessel,
    mass: float,
    kelvin: float,
    heat: float,
    capacity: float,
    saturation: Callable[[float, float], float],
    spent: float,
    vapour: tuple[float, float, float],
    latent: float,
) -> tuple[float, float]:
    """Return the rate of boiling at which pressure and saturation meet after the step, and the new temperature."""
    pressure, gas, out = vapour
    dt = case.step
    now = saturation(kelvin, spent)
    slope = (saturation(kelvin + 0.05, spent) - now) / 0.05
    stiff = pressure / gas
    boil = (now - pressure + stiff * out * dt + slope * heat * dt / capacity) / (
        dt * (stiff + slope * latent / capacity)
    )
    if mass <= 0.0:
        boil = max(min(boil, 0.0), 0.0)
    boil = min(max(boil, -0.05 * gas / dt), mass / dt)
    return boil, kelvin + dt * (heat - boil * latent) / capacity


def _machine(case: Vessel, pressure: float, density: float, head: float) -> tuple[float, float]:
    """Return the mass rate and the machine's inlet pressure, where hose and machine agree."""
    most = case.bore * 0.64 * sqrt(pressure * density)
    low, high = 0.0, pressure
    rate = 0.0
    for _ in range(14):
        inlet = 0.5 * (low + high)
        ratio = max(head / max(inlet, 50.0), 1.0)
        fill = max(1.0 - case.clearance * (ratio ** (1 / 1.1) - 1.0), 0.0) * (1.0 - case.sag * min(ratio / 10.0, 1.5))
        rate = case.swept * fill * density * inlet / pressure
        if rate > most * _choked(inlet / pressure):
            high = inlet
        else:
            low = inlet
    return rate, inlet


KINDS = (
    "plain",
    "plain",
    "plain",
    "short",
    "water stands",
    "water stops",
    "drained",
    "pocket",
    "oil",
    "no scale",
    "no temperature",
    "plain",
)
FLUIDS = ("R-134a", "R-410A", "R-407C", "R-22", "R-123", "R-1233zd(E)", "R-32", "R-404A", "R-513A", "R-454B")


def draw_vessel(seed: int) -> Vessel:
    """Return one case out of what a shop meets."""
    rng = np.random.default_rng((seed, 77))
    kind = KINDS[seed % len(KINDS)]
    name = str(rng.choice(FLUIDS))
    fluid = refrigerant(name)
    plate = float(np.exp(rng.uniform(np.log(4), np.log(400))))
    water = float(rng.uniform(279, 301))
    full = float(fluid.vapor_density(water))
    pressure = float(fluid.bubble_pressure_pa(water))
    volume = plate / float(fluid.liquid_density(water)) * float(rng.uniform(2.5, 6.0))
    swept = volume / (60.0 * float(np.exp(rng.uniform(np.log(3), np.log(30)))))
    stop = asked_pa(name, plate) * float(rng.uniform(0.8, 0.97))
    charged = float(rng.choice([1.0, 1.0, 0.99, 1.02]))
    liquid_rate = min(max(plate / (60.0 * float(rng.uniform(10, 40))), 2.0 * swept * full), 0.25)
    unit, fine = [("psig", 1.0), ("psia", 1.0), ("kPa", 6.9), ("bar", 0.069)][int(rng.integers(4))]
    deep = stop < 2e4
    pauses: tuple[tuple[float, float], ...] = ()
    if rng.random() < 0.4:
        pauses = ((plate / liquid_rate + float(rng.uniform(300, 5000)), float(rng.uniform(150, 1200))),)
    glide = fluid.dew_temperature_k(101_325.0) - fluid.bubble_temperature_k(101_325.0)
    case = Vessel(
        name=kind,
        refrigerant=name,
        plate=plate,
        charged=charged,
        volume=volume,
        ideal=bool(rng.random() < 0.4),
        heavy=float(rng.uniform(0.85, 1.0)) if glide > 1.0 else 1.0,
        water=water,
        ambient=water + float(rng.uniform(0, 15)),
        tubes=plate * float(rng.uniform(40, 200)),
        still=float(rng.uniform(0.01, 0.08)),
        water_capacity=plate * float(rng.uniform(80, 400)),
        water_mass=plate * float(rng.uniform(0.5, 2.0)),
        metal=plate * float(rng.uniform(100, 1000)),
        flow_marked=bool(rng.random() < 0.5),
        air_side=plate * float(rng.uniform(0.05, 0.4)),
        gas_time=float(rng.uniform(20, 300)),
        liquid_rate=liquid_rate,
        reach=float(rng.uniform(0.05, 0.4)),
        froth=float(rng.choice([0.0, 0.02, 0.15])),
        swept=swept,
        clearance=float(rng.uniform(0.005, 0.05)) * (0.3 if deep else 1.0),
        sag=float(rng.uniform(0.0, 0.2)),
        bore=swept * full / (0.64 * (pressure * full) ** 0.5) * float(rng.uniform(0.6, 5.0)),
        gauge_on_hose=float(rng.choice([0.0, 0.0, 0.5])),
        cylinder=plate / float(rng.uniform(1.2, 4.0)),
        swap_s=float(rng.uniform(120, 700)),
        pauses=pauses,
        marks=bool(rng.random() < 0.6),
        stop_pa=stop,
        final_pause=float(rng.choice([900.0, 1500.0, 3600.0])),
        longest=2.0 * plate / liquid_rate + 30.0 * volume / swept,
        step=2.0 if plate < 100 else 4.0,
        sample=float(rng.choice([2, 5, 10, 30, 60])),
        pressure_unit=unit,
        pressure_step=fine * (0.02 if deep else float(rng.choice([0.01, 0.1, 0.1, 0.5, 1.0]))),
        pressure_noise=fine * (0.005 if deep else float(rng.choice([0.0, 0.03, 0.1]))),
        weight_unit="lb" if unit.startswith("psi") else "kg",
        weight_step=plate * float(rng.choice([1e-4, 5e-4, 1e-3])),
        weight_noise=plate * float(rng.choice([0.0, 2e-4, 5e-4])),
        scale_drift=plate * float(rng.choice([0.0, 0.0, 2e-4])),
        elevation=float(rng.choice([0.0, 0.0, 500.0, 1600.0])),
        volume_stated=None if rng.random() < 0.3 else float(rng.choice([1.0, rng.normal(1.0, 0.05)])),
        charge_known=bool(rng.random() < 0.9),
        seed=seed,
    )
    if kind == "short":
        return replace(case, charged=float(rng.uniform(0.6, 0.97)))
    if kind == "water stands":
        return replace(case, flow=((0.0, "stands"),))
    if kind == "drained":
        return replace(case, flow=((0.0, "drained"),))
    if kind == "water stops":
        stops = plate / liquid_rate * float(rng.uniform(0.3, 1.0))
        back = ((stops + float(rng.uniform(1200, 5400)), "flows"),) if rng.random() < 0.5 else ()
        return replace(case, flow=((0.0, "flows"), (stops, "stands"), *back))
    if kind == "pocket":
        return replace(
            case,
            pocket=plate * float(rng.uniform(0.008, 0.05)),
            pocket_ua=plate * float(rng.uniform(0.003, 0.05)),
            pocket_metal=plate * float(rng.uniform(10, 100)),
        )
    if kind == "oil":
        return replace(
            case,
            oil=plate * float(rng.uniform(0.05, 0.3)),
            holds=float(rng.uniform(0.15, 0.4)),
            oil_time=float(rng.uniform(900, 9000)),
        )
    if kind == "no scale":
        return replace(case, channels=("circuit_pressure", "leaving_water_temperature"))
    if kind == "no temperature":
        return replace(case, channels=("circuit_pressure", "cylinder_weight"))
    return case
