"""The pressure that was reached against the job's design pressures and the rule file it names."""

from __future__ import annotations

import numpy as np

from analysis.result import Figure
from analysis.rules import load_rules
from analysis.stretch import Stretch

LOW_PA, LOW_PSI_PA, ROOM_K = 410e3, 207e3, 293.15
"""A test of up to 410 psi that is logged as kPa stands under the first, one of 30 bar that is logged as psi under the
second: under what most refrigerants make in a room (common practice: hardly anybody tests so low)."""
KEYS = ("least_share", "most_share", "first_step", "preliminary", "stand")
CLOSE = 0.03
"""Within 3 % of the stated test pressure counts as reached (common practice: gauge accuracy and settling)."""
FIRST_STEP_MINUTES, FIRST_STEP_ROOM, FIRST_STEP_STILL = 3, 3.0, 0.15
"""A first step was held when the gauge stood for so many whole minutes between half of it and the most for a
preliminary test, or else three times it, moving by at most 15 % of it (common practice: the rule files state no time;
gas that cools by 10 K there moves by 8 %)."""


def said_of_pressure(
    stretch: Stretch, reached_gauge_pa: float, barometer_pa: float, before_gauge_pa: np.ndarray, stood_s: float
) -> list[str]:
    """Return sentences on the pressure reached [Pa above the barometer], how it was reached and how long it has stood.

    `before_gauge_pa` is the gauge by minute before it stood at test pressure, shape (n,).

    Raises
    ------
    InputError
        The rule file that `[pressure_test] rules` names is missing or holds a key that is not known.
    """
    system = stretch.job.job.units
    circuit, test = stretch.job.circuit, stretch.job.pressure_test

    def show(gauge_pa: float) -> str:
        return Figure(gauge_pa, "gauge_pressure").show(system)

    def over(gauge_pa: float, bound_pa: float) -> bool:  # by no less than is told
        return gauge_pa > bound_pa and show(gauge_pa) != show(bound_pa)

    said = []
    stated = None if test.pressure is None else test.pressure.gauge_pa(barometer_pa)
    if stated is not None and reached_gauge_pa < (1.0 - CLOSE) * stated:
        said.append(f"Test pressure {show(stated)} was not reached: the circuit stood at {show(reached_gauge_pa)}.")
    designs = {
        side: pressure.gauge_pa(barometer_pa)
        for side, pressure in (
            ("low", circuit.low_side_design_pressure),
            ("high", circuit.high_side_design_pressure),
        )
        if pressure is not None
    }
    rules = None if test.rules is None else load_rules(test.rules)
    if rules is not None and rules.has("pressure_test"):
        table = rules.table("pressure_test").only(*KEYS)
        least, most = table.quantity("least_share", "fraction"), table.quantity("most_share", "fraction")
        first = table.pressure("first_step")
        for side, design in designs.items():
            if most is not None and over(reached_gauge_pa, most * design):
                said.append(
                    f"{show(reached_gauge_pa)} is over {100 * most:.0f} % of the {side} side's design pressure "
                    f"{show(design)}: let it down slowly."
                )
            if least is not None and over(least * design, reached_gauge_pa):
                said.append(f"For the {side} side the rule file asks for {show(least * design)} at least.")
        if first is not None:
            step, preliminary = first.gauge_pa(barometer_pa), table.pressure("preliminary")
            most_pa = FIRST_STEP_ROOM * step if preliminary is None else preliminary.gauge_pa(barometer_pa)
            if reached_gauge_pa > most_pa and not np.any(before_gauge_pa <= most_pa):
                said.append(f"A first step near {show(step)} was held before this test began, or not at all.")
            elif reached_gauge_pa > most_pa and not _held(before_gauge_pa, step, most_pa):
                said.append(f"No hold at a first step near {show(step)} was seen.")
        stand = table.quantity("stand", "time")
        if stand is not None and stood_s < stand:
            said.append(f"The rule file asks for {stand / 3_600.0:.0f} h; it has stood for {stood_s / 3_600.0:.1f} h.")
        memory = " (from memory: check the text)" if rules.from_memory else ""
        said.append(f"Rules: {rules.title}{memory}. {rules.note}".strip())
    else:
        if rules is not None:
            said.append(f"Rules: {rules.title}; nothing in them on a standing pressure test.")
        said += [
            f"{show(reached_gauge_pa)} is over the {side} side's design pressure {show(design)}: is this meant?"
            for side, design in designs.items()
            if over(reached_gauge_pa, design)
        ]
    return said


def too_low_for_a_test(stretch: Stretch, reached_gauge_pa: float, barometer_pa: float) -> bool:
    """Return whether it stood so low [Pa above the barometer] that the gauge's unit is in doubt, and nothing stated
    says otherwise: neither a test pressure nor a refrigerant that stands lower."""
    low_pa = LOW_PSI_PA if stretch.columns["circuit_pressure"].unit.symbol.startswith("psi") else LOW_PA
    if stretch.job.pressure_test.pressure is not None or not reached_gauge_pa < low_pa:
        return False
    fluid = stretch.fluid
    return fluid is None or float(fluid.bubble_pressure_pa(ROOM_K)) > reached_gauge_pa + barometer_pa


def _held(gauge_pa: np.ndarray, step_pa: float, most_pa: float) -> bool:
    if len(gauge_pa) < FIRST_STEP_MINUTES:
        return False
    spans = np.lib.stride_tricks.sliding_window_view(gauge_pa, FIRST_STEP_MINUTES)
    low, high = spans.min(axis=1), spans.max(axis=1)
    return bool(np.any((low >= 0.5 * step_pa) & (high <= most_pa) & (high - low <= FIRST_STEP_STILL * step_pa)))
