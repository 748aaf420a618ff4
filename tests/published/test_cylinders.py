"""Safe fill and service pressure against published rules and values."""

from __future__ import annotations

import pytest

from analysis.cylinders.safe_fill import (
    air_excess_pa,
    cylinder_limits,
    hot_van_net_kg,
    safe_fill,
    service_pressure_needed_pa,
)
from analysis.fluids import refrigerant

PSI = 6_894.757293168
F77, F130 = (77 + 459.67) / 1.8, (130 + 459.67) / 1.8


def test_guideline_k_example() -> None:
    # AHRI Guideline K, example: R-22, specific gravity 1.197, water capacity 1000, tare 380: 957.6 net, 1,337.6 gross
    net = cylinder_limits().share_by_guideline * 1000.0 * 1.197
    assert net == pytest.approx(957.6, abs=0.05)
    assert net + 380.0 == pytest.approx(1337.6, abs=0.05)


# Computed with CoolProp 8.0.0, water at 60 degF, to 0.1 lb: 80 % at 77 degF, liquid-full at 130 degF and at 60 degC
NET = {
    "R-134a": {50: (48.3, 54.1, 52.7), 120: (116.0, 129.9, 126.5)},
    "R-22": {50: (47.7, 53.1, 51.6), 120: (114.4, 127.3, 123.8)},
    "R-407C": {50: (45.5, 49.4, 47.6), 120: (109.3, 118.6, 114.2)},
    "R-410A": {50: (42.4, 43.6, 40.8), 120: (101.8, 104.6, 97.9)},
}


@pytest.mark.parametrize("name", NET)
@pytest.mark.parametrize("capacity", [50, 120])
def test_net_fill(name: str, capacity: int) -> None:
    eighty, full_130f, full_60c = NET[name][capacity]
    fluid = refrigerant(name)
    fill = safe_fill(fluid, capacity)
    shares = {limit.said("us"): limit.share * capacity for limit in fill.limits}
    assert shares["80 % full at 77 degF"] == pytest.approx(eighty, abs=0.1)
    assert shares["liquid-full at 140 degF"] == pytest.approx(full_60c, abs=0.1)
    full = capacity * fluid.liquid_density(F130) / cylinder_limits().water_density
    assert full == pytest.approx(full_130f, abs=0.1)
    assert fill.net_kg == pytest.approx(min(eighty, full_60c), abs=0.1)


def test_for_r410a_eighty_percent_does_not_bind() -> None:
    assert safe_fill(refrigerant("R-410A"), 50.0).binding.said("si") == "liquid-full at 60 degC"
    assert safe_fill(refrigerant("R-134a"), 50.0).binding.said("us") == "80 % full at 77 degF"


@pytest.mark.parametrize(("name", "percent"), [("R-22", 105), ("R-12", 119)])
def test_filling_density(name: str, percent: int) -> None:
    # 49 CFR 173.304a(a)(2), filling density in percent of the water capacity
    listed = [limit for limit in safe_fill(refrigerant(name), 100.0).limits if limit.name == "filling density"]
    assert listed[0].share * 100 == pytest.approx(percent)


@pytest.mark.parametrize(
    ("name", "psig"),
    # pressure at 55 degC, psig, computed with CoolProp 8.0.0 and rounded to 1 psi
    [("R-134a", 202), ("R-22", 301), ("R-407C", 345), ("R-404A", 360), ("R-410A", 484), ("R-32", 496)],
)
def test_service_pressure(name: str, psig: int) -> None:
    # 49 CFR 173.304a: the pressure at 55 degC at most 5/4 of the service pressure
    assert service_pressure_needed_pa(refrigerant(name)) * 1.25 / PSI == pytest.approx(psig, abs=0.6)


def test_only_a_400_psig_cylinder_takes_r410a_and_r32() -> None:
    for name in ("R-410A", "R-32"):
        assert 350 < service_pressure_needed_pa(refrigerant(name)) / PSI <= 400


def test_hot_van_margin() -> None:
    # common practice, no published source: "a 120 lb cylinder takes about 105 lb of R-134a"
    net = hot_van_net_kg(refrigerant("R-134a"), 120.0)
    assert net == pytest.approx(105.0, abs=0.5)
    assert net / safe_fill(refrigerant("R-134a"), 120.0).net_kg == pytest.approx(0.90, abs=0.01)


def test_air_in_r134a() -> None:
    # AHRI 700, 1.5 % by volume of non-condensables: in R-134a at 77 degF 1.47 psi above saturation (computed)
    saturation = refrigerant("R-134a").bubble_pressure_pa(F77)
    assert air_excess_pa(saturation) / PSI == pytest.approx(1.47, abs=0.005)
