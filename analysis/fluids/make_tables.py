"""Make the shipped property tables again: ``python -m analysis.fluids.make_tables [NAME ...]``.

One comma-separated table over even kelvins for every refrigerant of `config/refrigerants.toml`. Single compounds
are CoolProp's reference equations of state, blends its multi-fluid mixtures of them. Called point by point,
the mixture solver has holes and false points near the critical point; walked from point to point, with the
last one as the guess for the next, it has none.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from CoolProp import CoolProp
from numpy.typing import NDArray

from analysis.fluids import nitrogen
from analysis.fluids.curve import GAS_CONSTANT, TABLES
from analysis.fluids.refrigerants import COLUMNS
from analysis.vocabulary.refrigerants import known_refrigerants

STEP_K = 2
"""Spacing of the tables: close enough for the accuracy that `analysis.fluids.refrigerants` states."""
LOWEST_K, HIGHEST_K = 170, 400
"""Nothing in the trade is colder or hotter on the saturation line."""
BELOW_CRITICAL_K = 6.0
"""The tables stop this far under the critical point: beyond, a cubic no longer follows the densities."""
WALK_FROM_K, WALK_STEP_K = 280, 1.0
"""Where the mixture solver needs no guess, and how far its last point serves as one."""
NITROGEN_ORDER = 4
"""Highest power of pressure and of 1/T in the compressibility of nitrogen."""


def open_state(mass_fractions: dict[str, float]) -> Any:
    """Return the CoolProp state of a compound or of a blend of compounds."""
    state = CoolProp.AbstractState("HEOS", "&".join(mass_fractions))
    if len(mass_fractions) > 1:
        state.set_mass_fractions(list(mass_fractions.values()))
    return state


def critical_temperature_k(mass_fractions: dict[str, float]) -> float:
    """Return the critical temperature [K]; of a blend, the hottest stable critical point of the model."""
    state = open_state(mass_fractions)
    if len(mass_fractions) == 1:
        return float(state.T_critical())
    return max(float(point.T) for point in state.all_critical_points() if point.stable and point.p > 1e6)


def walk(mass_fractions: dict[str, float], quality: float, from_k: float, to_k: float) -> Iterator[Any]:
    """Yield the state on the bubble line (quality 0) or dew line (1) at every `WALK_STEP_K` on the way."""
    state = open_state(mass_fractions)
    state.update(CoolProp.QT_INPUTS, quality, from_k)
    yield state
    steps = round(abs(to_k - from_k) / WALK_STEP_K)
    for i in range(1, steps + 1):
        temperature_k = from_k + math.copysign(i * WALK_STEP_K, to_k - from_k)
        if len(mass_fractions) == 1:
            state.update(CoolProp.QT_INPUTS, quality, temperature_k)
        else:
            guess = CoolProp.PyGuessesStructure()
            guess.T, guess.p = state.T(), state.p()
            guess.x, guess.y = state.mole_fractions_liquid(), state.mole_fractions_vapor()
            guess.rhomolar_liq = state.saturated_liquid_keyed_output(CoolProp.iDmolar)
            guess.rhomolar_vap = state.saturated_vapor_keyed_output(CoolProp.iDmolar)
            state.update_with_guesses(CoolProp.QT_INPUTS, quality, temperature_k, guess)
        yield state


def row(bubble: Any, dew: Any, liquid: Any, gas: Any) -> list[float]:
    """Return one row of the table; `liquid` and `gas` are states held to that phase, for scratch."""
    temperature_k = bubble.T()
    compressibility = []
    for fraction in (1 / 3, 2 / 3):
        gas.update(CoolProp.DmolarT_INPUTS, fraction * dew.rhomolar(), temperature_k)
        compressibility.append(gas.p() / (gas.rhomolar() * GAS_CONSTANT * temperature_k))
    liquid.update(CoolProp.DmolarT_INPUTS, bubble.rhomolar(), temperature_k)
    return [
        temperature_k,
        bubble.p(),
        dew.p(),
        bubble.rhomass(),
        dew.rhomass(),
        *compressibility,
        dew.hmass() - bubble.hmass(),
        liquid.cpmass(),
    ]


def make_table(mass_fractions: dict[str, float]) -> NDArray[np.float64]:
    """Return the table of one refrigerant, columns `COLUMNS`, one row a temperature."""
    lowest = float(LOWEST_K)
    if len(mass_fractions) == 1:
        lowest = max(lowest, open_state(mass_fractions).Ttriple())
    first = STEP_K * math.ceil(lowest / STEP_K)
    last = STEP_K * math.floor(min(HIGHEST_K, critical_temperature_k(mass_fractions) - BELOW_CRITICAL_K) / STEP_K)
    liquid, gas = open_state(mass_fractions), open_state(mass_fractions)
    liquid.specify_phase(CoolProp.iphase_liquid)
    gas.specify_phase(CoolProp.iphase_gas)
    rows = {}
    for end in (first, last):
        lines = (walk(mass_fractions, quality, WALK_FROM_K, end) for quality in (0.0, 1.0))
        for bubble, dew in zip(*lines, strict=True):
            if round(bubble.T()) % STEP_K == 0:
                rows[round(bubble.T())] = row(bubble, dew, liquid, gas)
    return np.array([rows[temperature_k] for temperature_k in sorted(rows)])


def write_table(name: str, mass_fractions: dict[str, float], folder: Path) -> None:
    """Write the table of one refrigerant into `folder`."""
    blend = ", ".join(f"{compound} {share:g}" for compound, share in mass_fractions.items())
    lines = [
        f"# {name}: {blend} by mass; Helmholtz-energy equations of CoolProp 8",
        f"# molar_mass_kg_per_mol = {open_state(mass_fractions).molar_mass():.9g}",
        f"# critical_temperature_k = {critical_temperature_k(mass_fractions):.7g}",
        ",".join(COLUMNS),
        *(",".join(f"{value:.9g}" for value in values) for values in make_table(mass_fractions)),
    ]
    (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def nitrogen_coefficients() -> NDArray[np.float64]:
    """Return the coefficients that `analysis.fluids.nitrogen` reads, by least squares over its range."""
    state = CoolProp.AbstractState("HEOS", "Nitrogen")
    columns, excess = [], []
    for pressure_pa in np.linspace(*nitrogen.RANGE_PA, 31)[1:]:
        for temperature_k in np.linspace(*nitrogen.RANGE_K, 31):
            state.update(CoolProp.PT_INPUTS, pressure_pa, temperature_k)
            x, y = pressure_pa / nitrogen.PRESSURE_SCALE_PA, nitrogen.TEMPERATURE_SCALE_K / temperature_k
            columns.append(np.outer(x ** np.arange(1, NITROGEN_ORDER + 1), y ** np.arange(NITROGEN_ORDER + 1)))
            excess.append(state.compressibility_factor() - 1.0)
    fitted, *_ = np.linalg.lstsq(np.array(columns).reshape(len(columns), -1), np.array(excess))
    return np.asarray(fitted).reshape(NITROGEN_ORDER, NITROGEN_ORDER + 1)


def write_nitrogen(folder: Path) -> None:
    """Write the polynomial of nitrogen into `folder`."""
    rows = [",".join(f"{value:.9g}" for value in values) for values in nitrogen_coefficients()]
    heading = "# Z - 1 = x sum c[i, j] x^i y^j, x = p / 1e7 Pa, y = 300 K / T; rows i, columns j; CoolProp 8"
    (folder / nitrogen.TABLE.name).write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")


def main(names: Sequence[str]) -> None:
    """Write the tables of these refrigerants beside this module; without a name every table, and nitrogen's."""
    known = known_refrigerants()
    if unknown := [name for name in names if name not in known]:
        sys.exit(f"{', '.join(unknown)}: not in config/refrigerants.toml; expected {', '.join(known)}")
    if not names:
        write_nitrogen(TABLES)
    for name in names or known:
        write_table(name, known[name].mass_fractions, TABLES)
        print(name)


if __name__ == "__main__":
    main(sys.argv[1:])
