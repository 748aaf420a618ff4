"""How much a cylinder may hold, shown as the sums that lead there, with the source of each."""

from __future__ import annotations

import datetime
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from analysis.fluids import Refrigerant
from analysis.result import Figure
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import CylinderTable
from analysis.vocabulary.shipped import shipped
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, UnitSystem, parse_quantity

LIMITS_FILE = "cylinders.toml"


@dataclass(frozen=True)
class CylinderLimits:
    """The values of `config/cylinders.toml`, SI."""

    share_by_guideline: float
    guideline_temperature_k: float
    liquid_full_temperature_k: float
    water_density: float
    hot_van_temperature_k: float
    filling_density: Mapping[str, float]
    service_temperature_k: float
    most_of_service_pressure: float
    non_condensables: float
    temperature_trusted_k: float
    rest_s: float
    near: float
    near_s: float
    near_s_from: float
    heating_s: float
    heating_near: float
    hottest_k: float
    tare_share_least: float
    tare_share_most: float
    single_use_most_kg: float
    single_use_tare_share_least: float

    def tare_fits(self, tare_kg: float, water_capacity_kg: float) -> bool:
        """Return whether a cylinder that holds so much water may weigh so much when it is empty."""
        small = water_capacity_kg <= self.single_use_most_kg
        least = self.single_use_tare_share_least if small else self.tare_share_least
        return least <= tare_kg / water_capacity_kg <= self.tare_share_most

    def single_use(self, tare_kg: float, water_capacity_kg: float) -> bool:
        """Return whether a cylinder is as light as those that must not be refilled."""
        light = tare_kg < self.tare_share_least * water_capacity_kg
        return light and self.tare_fits(tare_kg, water_capacity_kg)


@cache
def cylinder_limits() -> CylinderLimits:
    """Return the shipped limits.

    Raises
    ------
    InputError
        A value without a unit, or of another dimension.
    """
    read = tomllib.loads((shipped("config") / LIMITS_FILE).read_text(encoding="utf-8"))
    fill, service, air, warn = (read[table] for table in ("fill", "service_pressure", "air", "warn"))

    def value(table: Mapping[str, object], key: str, dimension: str) -> float:
        return parse_quantity(table[key], dimension, f"{LIMITS_FILE} {key}")

    return CylinderLimits(
        share_by_guideline=value(fill, "share_by_guideline", "fraction"),
        guideline_temperature_k=value(fill, "guideline_temperature", "temperature"),
        liquid_full_temperature_k=value(fill, "liquid_full_temperature", "temperature"),
        water_density=float(fill["water_density_kg_per_m3"]),
        hot_van_temperature_k=value(fill, "hot_van_temperature", "temperature"),
        filling_density={name: value(fill["density"], name, "fraction") for name in fill["density"]},
        service_temperature_k=value(service, "temperature", "temperature"),
        most_of_service_pressure=value(service, "most_of_service_pressure", "fraction"),
        non_condensables=value(air, "non_condensables", "fraction"),
        temperature_trusted_k=value(air, "temperature_trusted_to", "temperature_difference"),
        rest_s=value(air, "rest", "time"),
        near=value(warn, "near", "fraction"),
        near_s=value(warn, "near_time", "time"),
        near_s_from=value(warn, "near_time_from", "fraction"),
        heating_s=value(warn, "heating_time", "time"),
        heating_near=value(warn, "heating_near", "fraction"),
        hottest_k=value(warn, "hottest", "temperature"),
        tare_share_least=value(warn, "tare_share_least", "fraction"),
        tare_share_most=value(warn, "tare_share_most", "fraction"),
        single_use_most_kg=value(warn, "single_use_most", "mass"),
        single_use_tare_share_least=value(warn, "single_use_tare_share_least", "fraction"),
    )


SINGLE_USE_SAID = (
    "as light, by tare and water capacity, as cylinders that must never be refilled (49 CFR 178.65): look at its "
    "marks, and check both figures."
)


@dataclass(frozen=True)
class FillLimit:
    """One limit on the net fill: `share` of the water capacity by mass, what it is called and where it is from.

    `how` is the sum in words; ``{capacity}`` stands where the water capacity belongs. `at_k` is the temperature that
    it is reckoned at, None where it names none.
    """

    name: str
    share: float
    how: str
    source: str
    at_k: float | None = None

    def said(self, system: UnitSystem) -> str:
        """Return what it is called, with its temperature: ``80 % full at 77 degF``."""
        return self.name if self.at_k is None else f"{self.name} at {Figure(self.at_k, 'temperature').show(system, 2)}"


@dataclass(frozen=True)
class SafeFill:
    """The safe fill of a cylinder.

    Attributes
    ----------
    net_kg : by the smallest limit.
    limits : every limit that could be worked out, in the order of the contract.
    binding : the limit that `net_kg` comes from.
    left_out : why a limit was left out, one sentence each.
    """

    net_kg: float
    limits: tuple[FillLimit, ...]
    binding: FillLimit
    left_out: tuple[str, ...]

    def gross_kg(self, tare_kg: float) -> float:
        """Return the safe gross weight of a cylinder of this tare [kg]."""
        return self.net_kg + tare_kg


def specific_gravity(fluid: Refrigerant, temperature_k: float) -> float:
    """Return the density of the saturated liquid over that of water at 60 degF; NaN above the critical point."""
    return fluid.liquid_density(temperature_k) / cylinder_limits().water_density


def safe_fill(fluid: Refrigerant, water_capacity_kg: float) -> SafeFill:
    """Return the safe net fill: the smallest of the limits that could be worked out.

    Parameters
    ----------
    water_capacity_kg : mass of water that fills the cylinder.

    Raises
    ------
    InputError
        The water capacity is not above zero, or no limit can be worked out for this refrigerant.

    Notes
    -----
    Sources: AHRI Guideline K; 49 CFR 173.304(b); 49 CFR 173.304a(a)(2); see `config/cylinders.toml`.
    """
    if not (math.isfinite(water_capacity_kg) and water_capacity_kg > 0.0):
        raise InputError(f"water capacity: {water_capacity_kg:g} kg is not accepted; expected a mass above 0")
    rule = cylinder_limits()
    gravity = specific_gravity(fluid, rule.guideline_temperature_k)
    full = specific_gravity(fluid, rule.liquid_full_temperature_k)
    limits, left_out = [], []
    if math.isfinite(gravity):
        limits.append(
            FillLimit(
                f"{100 * rule.share_by_guideline:.0f} % full",
                rule.share_by_guideline * gravity,
                f"{rule.share_by_guideline:.2f} x {{capacity}} x specific gravity {gravity:.3f}",
                "AHRI Guideline K, at 77 degF",
                rule.guideline_temperature_k,
            )
        )
    else:
        left_out.append(f"No density of liquid {fluid.name} at 77 degF is known here, so the 80 % rule is left out.")
    if math.isfinite(full):
        limits.append(
            FillLimit(
                "liquid-full",
                full,
                f"{{capacity}} x specific gravity {full:.3f}",
                "49 CFR 173.304(b) asks for 55 degC (from memory); 60 degC is the safer",
                rule.liquid_full_temperature_k,
            )
        )
    else:
        left_out.append(f"No density of liquid {fluid.name} at 60 degC is known here, so liquid-full is left out.")
    listed = rule.filling_density.get(fluid.name)
    if listed is not None:
        limits.append(FillLimit("filling density", listed, f"{listed:.2f} x {{capacity}}", "49 CFR 173.304a(a)(2)"))
    else:
        left_out.append(f"49 CFR 173.304a lists no filling density for {fluid.name} that is known here.")
    if not limits:
        raise InputError(
            f"{fluid.name}: no safe fill can be worked out; expected a refrigerant with a liquid at 77 degF"
        )
    binding = min(limits, key=lambda limit: limit.share)
    return SafeFill(binding.share * water_capacity_kg, tuple(limits), binding, tuple(left_out))


def hot_van_net_kg(fluid: Refrigerant, water_capacity_kg: float) -> float:
    """Return the net fill that is 80 % by volume in a hot van [kg]; NaN without a liquid. Common practice."""
    rule = cylinder_limits()
    return rule.share_by_guideline * water_capacity_kg * specific_gravity(fluid, rule.hot_van_temperature_k)


def service_pressure_needed_pa(fluid: Refrigerant) -> float:
    """Return the least service pressure [Pa gauge]: 4/5 of the gauge pressure at 55 degC (49 CFR 173.304a).

    NaN where the refrigerant has no saturation at 55 degC.
    """
    rule = cylinder_limits()
    hot = fluid.bubble_pressure_pa(rule.service_temperature_k) - STANDARD_ATMOSPHERE_PA
    return hot / rule.most_of_service_pressure


def liquid_share(fluid: Refrigerant, water_capacity_kg: float, contents_kg: float, temperature_k: float) -> float:
    """Return the share of a cylinder's volume that is liquid, 0 to 1 and above 1 when it is over-full; NaN unknown."""
    volume = water_capacity_kg / cylinder_limits().water_density
    liquid, vapor = fluid.liquid_density(temperature_k), fluid.vapor_density(temperature_k)
    return max(0.0, (contents_kg / volume - vapor) / (liquid - vapor))


def air_excess_pa(saturation_pa: float) -> float:
    """Return how far above saturation the pressure stands at the most air that AHRI 700 allows [Pa].

    By partial pressures: air is `y` of the vapour, so p = p_sat / (1 - y).
    """
    share = cylinder_limits().non_condensables
    return saturation_pa * share / (1.0 - share)


@dataclass(frozen=True)
class Unfit:
    """Why a cylinder must not be used: a word for it, and a sentence."""

    cause: str
    said: str


def unfit(
    table: CylinderTable, fluid: Refrigerant | None, today: datetime.date, system: UnitSystem, *, filling: bool = True
) -> tuple[Unfit, ...]:
    """Return why a cylinder must not be used for this refrigerant today; none when it may be.

    `fluid` is what it is to hold, or what is to come out of it when not `filling`. Judges the refrigerant that it is
    marked for, its service pressure and (for filling) its retest date, each where it is known.
    """
    found = []
    if table.refrigerant is not None and fluid is not None and table.refrigerant != fluid.name:
        mixed = "mixed refrigerant cannot be used again" if filling else "it does not belong into this circuit"
        found.append(Unfit("refrigerant", f"{table.id} is for {table.refrigerant}, not {fluid.name}: {mixed}."))
    if table.service_pressure is not None and fluid is not None:
        needed = service_pressure_needed_pa(fluid)
        if table.service_pressure.gauge_pa(STANDARD_ATMOSPHERE_PA) < 0.999 * needed:
            said = (
                f"{table.id}: its service pressure is too low for {fluid.name}; "
                f"{Figure(needed, 'gauge_pressure').show(system)} or more is needed (49 CFR 173.304a)."
            )
            found.append(Unfit("service_pressure", said))
    if table.retest_due is not None and filling:
        due = retest_date(table.retest_due)
        if due is None:
            said = f"{table.id}: retest_due {table.retest_due!r} is no date; expected one such as 2029-05-01."
            found.append(Unfit("retest", said))
        elif due < today:
            said = f"{table.id}: its retest was due on {due.isoformat()}; it must not be filled."
            found.append(Unfit("retest", said))
    return tuple(found)


def doubts(tables: Sequence[CylinderTable], system: UnitSystem) -> list[str]:
    """Return why the safe fill of cylinders is not judged by what the job says of them, none where it can be.

    Those that lack the same share a sentence.
    """
    lacking: dict[str, list[str]] = {}
    at_odds = []
    for table in tables:
        tare, capacity = table.tare_kg, table.water_capacity_kg
        if tare is None or capacity is None:
            given = (("tare", tare), ("water capacity", capacity))
            lacking.setdefault(" and ".join(word for word, kg in given if kg is None), []).append(table.id)
        elif not cylinder_limits().tare_fits(tare, capacity):
            at_odds.append(
                f"{table.id}: a tare of {Figure(tare, 'mass').show(system)} does not go with a water capacity of "
                f"{Figure(capacity, 'mass').show(system)}: check both and their units; its safe fill is not judged."
            )
    return [
        f"{', '.join(names)}: {what} not given, so {'its' if len(names) == 1 else 'their'} safe fill is not judged."
        for what, names in lacking.items()
    ] + at_odds


def retest_date(stated: datetime.date | str) -> datetime.date | None:
    """Return the last day on which a cylinder may be filled: a date, or the end of a month such as ``2029-05``."""
    if isinstance(stated, datetime.date):
        return stated
    text = stated.strip()
    for form in ("%Y-%m-%d", "%Y-%m", "%m/%Y", "%m-%Y"):
        try:
            day = datetime.datetime.strptime(text, form).date()
        except ValueError:
            continue
        if "%d" in form:
            return day
        following = (day.replace(day=28) + datetime.timedelta(days=4)).replace(day=1)
        return following - datetime.timedelta(days=1)
    return None
