"""What is asked of an evacuation: target and hold, by the job, else by its rule file."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.rules import load_rules
from analysis.stretch import Stretch
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, Pressure

STALL_TARGET_PA = 66.661
"""Where no target is stated a stall is judged above 500 micron: common practice."""


@dataclass(frozen=True)
class Aim:
    """What is asked for: pascal and seconds, None where nobody stated it; `source` names the rule file used."""

    target_pa: float | None
    hold_s: float | None
    limit_pa: float | None
    source: str
    limit_is_target: bool = False

    @property
    def stalls_above_pa(self) -> float:
        """The level above which a pull that stops is a stall [Pa]."""
        return STALL_TARGET_PA if self.target_pa is None else self.target_pa


def aim_of(stretch: Stretch) -> Aim:
    """Return what the job asks for, and where it is silent its rule file.

    Raises
    ------
    InputError
        The job's rule file cannot be used.
    """
    stated = stretch.job.evacuation

    def pascal(pressure: Pressure | None) -> float | None:
        return None if pressure is None else pressure.absolute_pa(STANDARD_ATMOSPHERE_PA)

    target, hold, limit, source = pascal(stated.target), stated.hold_s, pascal(stated.hold_limit), ""
    if stated.rules is not None:
        rules = load_rules(stated.rules)
        table = rules.table("evacuation").only("target", "hold", "hold_limit")
        target = pascal(table.pressure("target")) if target is None else target
        hold = table.quantity("hold", "time") if hold is None else hold
        limit = pascal(table.pressure("hold_limit")) if limit is None else limit
        source = rules.title
    return Aim(target, hold, limit if limit is not None else target, source, limit is None)
