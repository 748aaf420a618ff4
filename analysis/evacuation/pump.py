"""The pump and its hose, as the job states them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.evacuation import flow
from analysis.result import Figure
from analysis.stretch import Stretch
from analysis.vocabulary.units import UnitSystem

SHARES = 201
"""So finely the share of the pressure that is at the pump is looked for."""


@dataclass(frozen=True)
class Pump:
    """What is stated of the pump, its hose and the circuit that it empties; None where nobody stated it."""

    flow_m3_per_s: float | None
    bore_m: float | None
    length_m: float | None
    volume_m3: float | None

    @property
    def changes_per_s(self) -> float:
        """How often the pump could empty the circuit in a second, NaN where that is not stated."""
        return math.nan if self.flow_m3_per_s is None or self.volume_m3 is None else self.flow_m3_per_s / self.volume_m3

    def speed(self, pressure_pa: float) -> float | None:
        """Return what pump and hose together can take at a pressure [m3/s], None when not stated."""
        if self.flow_m3_per_s is None or self.bore_m is None or self.length_m is None:
            return self.flow_m3_per_s
        return float(flow.in_series(self.flow_m3_per_s, flow.hose_conductance(self.bore_m, self.length_m, pressure_pa)))

    def share(self, level_pa: float) -> float:
        """Return the pressure at the pump over a level that inflow holds up, NaN where pump and hose are not stated.

        The hose lets through what the pump takes: C (1 - r) = S r, with C at the mean of both ends.
        """
        if self.flow_m3_per_s is None or self.bore_m is None or self.length_m is None:
            return math.nan
        shares = np.linspace(0.0, 1.0, SHARES)
        conductance = np.asarray(flow.hose_conductance(self.bore_m, self.length_m, 0.5 * level_pa * (1.0 + shares)))
        return float(np.interp(0.0, self.flow_m3_per_s * shares - conductance * (1.0 - shares), shares))

    def words(self, pressure_pa: float, system: UnitSystem) -> str:
        """Return what the hose lets through of the flow at a level, as a sentence; empty when it lets most of it."""
        speed = self.speed(pressure_pa)
        if speed is None or self.flow_m3_per_s is None or speed > 0.5 * self.flow_m3_per_s:
            return ""
        level = Figure(pressure_pa, "vacuum").show(system, 2)
        through, whole = (Figure(each, "flow").show(system, 2) for each in (speed, self.flow_m3_per_s))
        return f" At {level} the hose gives {through} of the pump's {whole}; a wider and shorter one is quicker."


def pump_of(stretch: Stretch) -> Pump:
    """Return the pump and the hose that a stretch's job states."""
    stated = stretch.job.evacuation
    volume = stretch.job.circuit.internal_volume_m3
    return Pump(stated.pump_flow_m3_per_s, stated.hose_bore_m, stated.hose_length_m, volume)
