"""`standwatch cylinder`: how much a cylinder may hold, sum by sum, with the source of each."""

from __future__ import annotations

import math

from rich.console import Console
from rich.table import Table

from analysis.cylinders.safe_fill import (
    SINGLE_USE_SAID,
    SafeFill,
    cylinder_limits,
    hot_van_net_kg,
    liquid_share,
    safe_fill,
    service_pressure_needed_pa,
    specific_gravity,
)
from analysis.fluids import Refrigerant, refrigerant
from analysis.result import Figure
from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.units import (
    STANDARD_ATMOSPHERE_PA,
    UnitSystem,
    parse_pressure,
    parse_quantity,
    parse_water_capacity,
)


def run_cylinder(
    *,
    refrigerant_name: str,
    water_capacity: str,
    tare: str | None = None,
    temperature: str | None = None,
    service_pressure: str | None = None,
    contents: str | None = None,
    units: UnitSystem = "us",
    console: Console | None = None,
) -> SafeFill:
    """Print the safe fill of a cylinder and what follows from it; return it.

    Parameters
    ----------
    refrigerant_name : such as ``R-410A``.
    water_capacity, tare, contents : masses with unit, ``47.6 lb``; `contents` is the net weight now.
    temperature : of the cylinder, with unit; tells its pressure and how full it is.
    service_pressure : as marked on the cylinder, ``400 psig``.

    Raises
    ------
    InputError
        A value was refused, or two of them contradict each other.
    """
    fluid = refrigerant(refrigerant_name)
    capacity_kg = _mass("--water-capacity", water_capacity, least_open=True)
    tare_kg = None if tare is None else _mass("--tare", tare)
    contents_kg = None if contents is None else _mass("--contents", contents)
    temperature_k = None if temperature is None else parse_quantity(temperature, "temperature", "--temperature")
    service_pa = None if service_pressure is None else _above_the_air_pa("--service-pressure", service_pressure)
    if temperature_k is not None and not fluid.range_k[0] <= temperature_k <= fluid.range_k[1]:
        coldest, hottest = (Figure(k, "temperature").show(units) for k in fluid.range_k)
        raise InputError(
            f"--temperature: {temperature} is not accepted for {fluid.name}; expected {coldest} to {hottest}, where it "
            "has liquid and vapor"
        )
    fill = safe_fill(fluid, capacity_kg)
    if contents_kg is not None and contents_kg > capacity_kg * specific_gravity(fluid, fluid.range_k[0]):
        raise InputError(
            f"--contents: {contents} is not accepted with a water capacity of {water_capacity}; that cylinder cannot "
            "hold it, however cold: expected the net weight, without the tare (check the units)"
        )
    if tare_kg is not None and not cylinder_limits().tare_fits(tare_kg, capacity_kg):
        raise InputError(
            f"--tare: {tare} is not accepted with a water capacity of {water_capacity}; expected the empty weight of "
            "that cylinder (check the units)"
        )
    said = [
        *_weights(fluid, fill, capacity_kg, tare_kg, units),
        *_pressure(fluid, service_pa, units),
        *([] if contents_kg is None else [_still_to_go_in(fluid, fill, contents_kg, service_pa, units)]),
        *([] if temperature_k is None else _now(fluid, capacity_kg, contents_kg, temperature_k, units)),
        "Local codes, the cylinder's own marks and the licensed technician come first. "
        "Never overfill or heat a cylinder.",
    ]
    out = console or Console()
    out.print(_table(fluid, fill, capacity_kg, units))
    for line in said:
        out.print(line, highlight=False, markup=False, soft_wrap=True)
    return fill


def _table(fluid: Refrigerant, fill: SafeFill, capacity_kg: float, units: UnitSystem) -> Table:
    capacity = _shown_kg(capacity_kg, units)
    table = Table(title=f"{fluid.name}, water capacity {capacity}", title_justify="left")
    for heading in ("limit", "sum", "net", "source"):
        table.add_column(heading, justify="right" if heading == "net" else "left")
    for limit in fill.limits:
        name = f"{'> ' if limit is fill.binding else ''}{limit.said(units)}"
        net = _shown_kg(limit.share * capacity_kg, units)
        table.add_row(name, limit.how.format(capacity=capacity), net, limit.source)
    return table


def _weights(
    fluid: Refrigerant, fill: SafeFill, capacity_kg: float, tare_kg: float | None, units: UnitSystem
) -> list[str]:
    rule, net = cylinder_limits(), _shown_kg(fill.net_kg, units)
    said = [f"Safe net fill: {net}, by {fill.binding.said(units)} ({fill.binding.source})."]
    if tare_kg is not None:
        gross = _shown_kg(fill.gross_kg(tare_kg), units)
        said.append(f"Safe gross weight: {net} + tare {_shown_kg(tare_kg, units)} = {gross}.")
        if rule.single_use(tare_kg, capacity_kg):
            said.append(f"This cylinder is {SINGLE_USE_SAID}")
    said += fill.left_out
    hot_kg = hot_van_net_kg(fluid, capacity_kg)
    if math.isfinite(hot_kg) and hot_kg < fill.net_kg:
        said.append(
            f"In a hot van {_shown_kg(hot_kg, units)} leaves room: 80 % by volume at "
            f"{Figure(rule.hot_van_temperature_k, 'temperature').show(units)} (common practice, no published source)."
        )
    return said


def _still_to_go_in(
    fluid: Refrigerant, fill: SafeFill, contents_kg: float, service_pa: float | None, units: UnitSystem
) -> str:
    with_it = f"With {_shown_kg(contents_kg, units)} in it, "
    left_kg = fill.net_kg - contents_kg
    if left_kg < 0.0:
        return (
            f"{with_it}it is overfull by {_shown_kg(-left_kg, units)}: keep it cool, and move that much into another "
            "cylinder now; never vent it."
        )
    if service_pa is not None and service_pa < service_pressure_needed_pa(fluid):
        return f"{with_it}nothing more may go in: its service pressure is too low."
    return f"{with_it}{_shown_kg(left_kg, units)} may still go in."


def _shown_kg(mass_kg: float, units: UnitSystem) -> str:
    return Figure(mass_kg, "mass").show(units, 4)


def _above_the_air_pa(where: str, text: str) -> float:
    gauge_pa = parse_pressure(text, where).gauge_pa(STANDARD_ATMOSPHERE_PA)
    if gauge_pa <= 0.0:
        raise refused(where, text, "a pressure above the air's, such as '400 psig'")
    return gauge_pa


def _mass(where: str, text: str, *, least_open: bool = False) -> float:
    mass = parse_water_capacity(text, where) if least_open else parse_quantity(text, "mass", where)
    if mass < 0.0 or (least_open and mass == 0.0):
        raise InputError(
            f"{where}: {text!r} is not accepted; expected a mass {'above' if least_open else 'not below'} 0"
        )
    return mass


def _pressure(fluid: Refrigerant, service_pa: float | None, units: UnitSystem) -> list[str]:
    needed, rule = service_pressure_needed_pa(fluid), cylinder_limits()
    at = Figure(rule.service_temperature_k, "temperature").show(units, 2)
    if not math.isfinite(needed):
        return [f"{fluid.name} has no saturation at {at}: ask the cylinder's maker for its service pressure."]
    hot = Figure(needed * rule.most_of_service_pressure, "gauge_pressure").show(units, 4)
    least = Figure(needed, "gauge_pressure").show(units, 4)
    said = [f"At {at} it stands at {hot}; service pressure at least 4/5 of that, {least} (49 CFR 173.304a)."]
    if service_pa is not None:
        marked = Figure(service_pa, "gauge_pressure").show(units, 4)
        said.append(
            f"A service pressure of {marked} is enough."
            if service_pa >= needed
            else f"A service pressure of {marked} is too low: do not fill it with {fluid.name}."
        )
    return said


def _now(
    fluid: Refrigerant, capacity_kg: float, contents_kg: float | None, temperature_k: float, units: UnitSystem
) -> list[str]:
    at = Figure(temperature_k, "temperature").show(units)
    gauge = float(fluid.bubble_pressure_pa(temperature_k)) - STANDARD_ATMOSPHERE_PA
    said = [
        f"At {at} a rested cylinder with liquid in it stands at {Figure(gauge, 'gauge_pressure').show(units, 4)} "
        "(bubble point, at sea level); more is air or another refrigerant."
    ]
    if contents_kg is not None:
        share = liquid_share(fluid, capacity_kg, contents_kg, temperature_k)
        if share >= 1.0:
            said.append(f"At {at} it would be liquid-full: DANGER, it bursts. Keep away, cool it, get it emptied.")
        else:
            said.append(f"At {at} it is {100.0 * share:.0f} % full of liquid by volume.")
    return said
