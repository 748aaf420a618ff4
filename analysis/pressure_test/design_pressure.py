"""The pressure that was reached against the job's design pressures and the rule file it names."""

from __future__ import annotations

from analysis.result import Figure
from analysis.rules import load_rules
from analysis.stretch import Stretch

KEYS = ("least_share", "most_share", "first_step", "preliminary")
CLOSE = 0.03
"""Within 3 % of the stated test pressure counts as reached (common practice: gauge accuracy and settling)."""


def said_of_pressure(
    stretch: Stretch, reached_gauge_pa: float, barometer_pa: float, first_hold_gauge_pa: float
) -> list[str]:
    """Return sentences on the pressure reached [Pa above the barometer] and on the first quiet step on the way up.

    Raises
    ------
    InputError
        The rule file that `[pressure_test] rules` names is missing or holds a key that is not known.
    """
    system = stretch.job.job.units
    circuit, test = stretch.job.circuit, stretch.job.pressure_test

    def show(gauge_pa: float) -> str:
        return Figure(gauge_pa, "gauge_pressure").show(system)

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
            if most is not None and reached_gauge_pa > most * design:
                said.append(
                    f"{show(reached_gauge_pa)} is over {100 * most:.0f} % of the {side} side's design pressure "
                    f"{show(design)}: let it down slowly."
                )
            if least is not None and reached_gauge_pa < least * design:
                said.append(f"For the {side} side the rule file asks for {show(least * design)} at least.")
        if first is not None and first_hold_gauge_pa > 3.0 * first.gauge_pa(barometer_pa):
            said.append(f"No hold at a first step near {show(first.gauge_pa(barometer_pa))} was seen.")
        memory = " (from memory: check the text)" if rules.from_memory else ""
        said.append(f"Rules: {rules.title}{memory}. {rules.note}".strip())
    else:
        said += [
            f"{show(reached_gauge_pa)} is over the {side} side's design pressure {show(design)}: is this meant?"
            for side, design in designs.items()
            if reached_gauge_pa > design
        ]
    return said
