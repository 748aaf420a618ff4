"""Pull-downs of our own for judging the judge: pump, hose, wet walls, oil and leak as lumped parts in small steps.

Nothing here is shared with the project's bench.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.fluids import water
from analysis.stretch import Stretch
from tests.support import make_stretch

MICRON = 0.1333224


@dataclass
class Circuit:
    """One circuit. Times in minutes, pressures in pascal, flows in Pa m3/s; `script` maps a minute to an action."""

    seed: int
    volume: float = 0.4
    speed: float = 0.004
    conductance: float = 0.003
    ultimate: float = 2.0
    oil_ultimate: float = 2.0
    leak: float = 0.0
    water_kg: float = 0.0
    evaporation: float = 0.0
    temperature: float = 293.0
    swing_k: float = 1.0
    minutes: float = 240.0
    step_s: float = 5.0
    noise: float = 0.01
    quantum: float = 1.0
    spikes: float = 0.0005
    range_micron: float = 20_000.0
    with_pump_gauge: bool = False
    marks: bool = True
    start_pa: float = 101_325.0
    script: list[tuple[float, str]] = field(default_factory=list)
    job: dict[str, object] = field(default_factory=dict)

    def stretch(self) -> tuple[Stretch, np.ndarray]:
        """Return what is logged, and the true pressure at each row [Pa]."""
        noise = np.random.default_rng(self.seed)
        dt = min(1.0, self.step_s)
        count = int(self.minutes * 60 / dt)
        p, inlet, wet = self.start_pa, self.start_pa, self.water_kg
        closed, oil, actions = False, self.oil_ultimate, sorted(self.script)
        rows_p, rows_inlet, rows_k = [], [], []
        journal: list[tuple[float, str, str, str]] = []
        every = max(1, round(self.step_s / dt))
        minutes = np.arange(count) * dt / 60.0
        kelvins = self.temperature + self.swing_k * np.sin(2 * np.pi * minutes / 900.0)
        saturated, evened = water.vapor_pressure_pa(kelvins), float(np.exp(-dt / 5.0))
        steps = zip(minutes.tolist(), kelvins.tolist(), saturated.tolist(), strict=True)
        for i, (minute, kelvin, full) in enumerate(steps):
            while actions and actions[0][0] <= minute:
                action = actions.pop(0)[1]
                if action in ("pump_valve_closed", "pump_valve_open"):
                    closed = action == "pump_valve_closed"
                elif action == "oil_change":
                    oil = self.ultimate
                elif action == "vacuum_broken":
                    p, closed = 105_000.0, False
                if self.marks:
                    journal.append((minute * 60.0, "mark", action, ""))
            # conductance with a viscous part that fades with pressure
            hose = self.conductance * (1.0 + p / 40.0)
            if closed:
                flow, inlet = 0.0, oil + (inlet - oil) * evened
            else:
                inlet = (hose * p + self.speed * oil) / (hose + self.speed)
                flow = hose * (p - inlet)
            steam = 0.0
            if wet > 0.0:
                steam = max(0.0, self.evaporation * (full - p))
                wet -= steam * dt * 0.018 / (8.314 * kelvin)
            p = max(0.1, p + dt * (self.leak + steam - flow) / self.volume)
            if i % every == 0:
                rows_p.append(p)
                rows_inlet.append(inlet)
                rows_k.append(kelvin)
        true = np.array(rows_p)

        def probe(pressure: np.ndarray) -> np.ndarray:
            shown = pressure / MICRON * np.exp(self.noise * noise.normal(size=len(pressure)))
            shown = np.where(noise.random(len(pressure)) < self.spikes, shown * 8.0, shown)
            shown = np.round(shown / self.quantum) * self.quantum
            return np.where(shown > self.range_micron, np.nan, shown)

        logged = {
            "vacuum": ("micron", probe(true)),
            "surface_temperature": ("degC", np.round(np.array(rows_k) - 273.15, 1)),
        }
        if self.with_pump_gauge:
            logged["pump_vacuum"] = ("micron", probe(np.array(rows_inlet)))
        at = np.arange(len(true)) * every * dt
        tables = {"evacuation": {"target": "500 micron", "hold": "20 min", "hold_limit": "1000 micron"}, **self.job}
        return make_stretch("evacuation", at, logged, tables=tables, journal=journal), true
