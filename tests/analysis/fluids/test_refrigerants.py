"""The refrigerant tables: names, shapes, ranges, and agreement with the library that they were made from."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from CoolProp import CoolProp
from hypothesis import given
from hypothesis import strategies as st

from analysis.fluids import UnknownRefrigerant, make_tables, refrigerant
from analysis.fluids.curve import TABLES
from analysis.fluids.make_tables import open_state, write_nitrogen, write_table
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.refrigerants import known_refrigerants

NAMES = list(known_refrigerants())
ATMOSPHERE = 101_325.0


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("r134a", "R-134a"),
        ("134a", "R-134a"),
        ("R-134A", "R-134a"),
        (" R 134a ", "R-134a"),
        ("HFC-134a", "R-134a"),
        ("HFO-1234yf", "R-1234yf"),
        ("r1234ze(e)", "R-1234ze(E)"),
        ("R-1234ZE(E)", "R-1234ze(E)"),
        ("R1234ze", "R-1234ze(E)"),
        ("HCFO-1233zd", "R-1233zd(E)"),
        ("454b", "R-454B"),
        ("R507", "R-507A"),
        ("hcfc22", "R-22"),
        ("CFC-12", "R-12"),
        ("CO2", "R-744"),
        ("Ammonia", "R-717"),
        ("HC-290", "R-290"),
    ],
)
def test_names_as_people_type_them(typed: str, meant: str) -> None:
    assert refrigerant(typed).name == meant


@pytest.mark.parametrize("name", NAMES)
def test_every_listed_name_is_its_own(name: str) -> None:
    assert refrigerant(name).name == name


def test_unknown_name_offers_the_nearest() -> None:
    with pytest.raises(UnknownRefrigerant, match=r"'R-134b' is not known; expected a name such as R-134a"):
        refrigerant("R-134b")
    for nonsense in ("", "R", "water", "R-", "1234"):
        with pytest.raises(InputError):
            refrigerant(nonsense)


def test_every_blend_that_coolprop_predefines_has_the_same_composition() -> None:
    compared = []
    for name, entry in known_refrigerants().items():
        predefined = name.replace("-", "") + ".mix"
        if len(entry.mass_fractions) == 1 or predefined not in CoolProp.get_global_param_string("predefined_mixtures"):
            continue
        theirs = CoolProp.AbstractState("HEOS", predefined)
        ours = open_state(entry.mass_fractions)
        assert dict(zip(ours.fluid_names(), ours.get_mole_fractions(), strict=True)) == pytest.approx(
            dict(zip(theirs.fluid_names(), theirs.get_mole_fractions(), strict=True)), abs=1e-4
        )
        compared.append(name)
    assert len(compared) >= 17


@pytest.mark.parametrize("name", NAMES)
def test_tables_agree_with_coolprop_between_their_knots(name: str) -> None:
    fluid = refrigerant(name)
    low, high = fluid.range_k
    bubble, dew, gas = (open_state(known_refrigerants()[name].mass_fractions) for _ in range(3))
    gas.specify_phase(CoolProp.iphase_gas)
    seen = 0
    for temperature in [*np.linspace(low + 0.7, high - 0.7, 9), high - 15.3, high - 1.1]:
        try:
            bubble.update(CoolProp.QT_INPUTS, 0.0, temperature)
            dew.update(CoolProp.QT_INPUTS, 1.0, temperature)
            pressure = dew.p() * (0.02 + 0.96 * (temperature * 7.3 % 1.0))
            gas.update(CoolProp.PT_INPUTS, pressure, temperature)
        except ValueError:
            continue  # a hole of the mixture solver, which needs a guess there
        seen += 1
        assert fluid.bubble_temperature_k(bubble.p()) == pytest.approx(temperature, abs=1e-3)
        assert fluid.dew_temperature_k(dew.p()) == pytest.approx(temperature, abs=1e-3)
        assert fluid.bubble_pressure_pa(temperature) == pytest.approx(bubble.p(), rel=1e-5)
        assert fluid.dew_pressure_pa(temperature) == pytest.approx(dew.p(), rel=1e-5)
        assert fluid.liquid_density(temperature) == pytest.approx(bubble.rhomass(), rel=1e-4)
        assert fluid.vapor_density(temperature) == pytest.approx(dew.rhomass(), rel=1e-4)
        assert fluid.vapor_density_at(pressure, temperature) == pytest.approx(gas.rhomass(), rel=1e-3)
        latent = dew.hmass() - bubble.hmass()
        assert fluid.latent_heat_j_per_kg(temperature) == pytest.approx(latent, rel=1e-3)
    assert seen >= 7
    assert fluid.molar_mass_kg_per_mol == pytest.approx(bubble.molar_mass(), rel=1e-6)


@pytest.mark.parametrize("name", ["R-134a", "R-744", "R-454B"])
def test_shipped_table_is_what_the_script_makes(name: str, tmp_path) -> None:
    write_table(name, known_refrigerants()[name].mass_fractions, tmp_path)
    made, shipped = (np.loadtxt(folder / f"{name}.csv", delimiter=",", skiprows=4) for folder in (tmp_path, TABLES))
    np.testing.assert_allclose(made, shipped, rtol=1e-7)


def test_one_table_is_made_without_the_others(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(make_tables, "TABLES", tmp_path)
    make_tables.main(["R-134a"])
    assert [file.name for file in tmp_path.iterdir()] == ["R-134a.csv"]
    with pytest.raises(SystemExit, match=r"R-134: not in config/refrigerants\.toml; expected R-11, "):
        make_tables.main(["R-134"])


def test_shipped_nitrogen_is_what_the_script_makes(tmp_path) -> None:
    write_nitrogen(tmp_path)
    made, shipped = (np.loadtxt(folder / "nitrogen.csv", delimiter=",") for folder in (tmp_path, TABLES))
    np.testing.assert_allclose(made, shipped, rtol=1e-5)


def test_no_table_without_a_refrigerant_and_all_of_them_small() -> None:
    files = {file.stem for file in TABLES.iterdir()}
    assert files == {*NAMES, "nitrogen"}
    assert sum(file.stat().st_size for file in TABLES.iterdir()) < 1_000_000


@given(
    name=st.sampled_from(NAMES),
    place=st.floats(0.001, 0.999),
    apart=st.floats(1e-4, 0.5),
)
def test_round_trip_and_order(name: str, place: float, apart: float) -> None:
    fluid = refrigerant(name)
    low, high = fluid.range_k
    temperature = low + place * (high - low)
    bubble, dew = fluid.bubble_pressure_pa(temperature), fluid.dew_pressure_pa(temperature)
    assert dew <= bubble * (1 + 1e-6)
    assert fluid.bubble_temperature_k(bubble) == pytest.approx(temperature, abs=1e-4)
    assert fluid.dew_temperature_k(dew) == pytest.approx(temperature, abs=1e-4)
    warmer = min(high, temperature + apart * (high - temperature))
    if warmer > temperature:
        assert fluid.bubble_pressure_pa(warmer) > bubble
        assert fluid.dew_pressure_pa(warmer) > dew
        assert fluid.liquid_density(warmer) < fluid.liquid_density(temperature)
        assert fluid.vapor_density(warmer) > fluid.vapor_density(temperature)
        assert fluid.latent_heat_j_per_kg(warmer) < fluid.latent_heat_j_per_kg(temperature)


@given(name=st.sampled_from(NAMES), place=st.floats(0.0, 1.0), share=st.floats(0.0, 1.0))
def test_vapour_is_never_denser_than_saturated_and_ideal_when_thin(name: str, place: float, share: float) -> None:
    fluid = refrigerant(name)
    low, high = fluid.range_k
    temperature = low + place * (high - low)
    pressure = share * fluid.dew_pressure_pa(temperature)
    density = fluid.vapor_density_at(pressure, temperature)
    ideal = pressure * fluid.molar_mass_kg_per_mol / (8.31446261815324 * temperature)
    # one part in 1e4: the density of saturated vapour is itself interpolated
    assert ideal * (1 - 1e-4) <= density <= fluid.vapor_density(temperature) * (1 + 1e-4)
    thin = fluid.vapor_density_at(1e-3, temperature)
    assert thin == pytest.approx(1e-3 * fluid.molar_mass_kg_per_mol / (8.31446261815324 * temperature), rel=2e-4)


def test_vapour_above_its_dew_pressure_counts_as_saturated() -> None:
    fluid = refrigerant("R-134a")
    assert fluid.vapor_density_at(1e6, 290.0) == pytest.approx(fluid.vapor_density(290.0), rel=1e-6)
    assert np.isnan(fluid.vapor_density_at(-1.0, 290.0))


def test_float_gives_float_and_array_gives_array() -> None:
    fluid = refrigerant("R-407C")
    assert type(fluid.bubble_temperature_k(5e5)) is float
    assert type(fluid.superheat_k(5e5, 290.0)) is float
    assert type(fluid.vapor_density_at(5e5, 290.0)) is float
    grid = np.array([[3e5, np.nan], [5e5, 1e9]])
    answer = fluid.dew_temperature_k(grid)
    assert answer.shape == grid.shape
    assert np.isfinite(answer).tolist() == [[True, False], [True, False]]
    assert answer[1, 0] == fluid.dew_temperature_k(5e5)
    assert fluid.subcooling_k(np.array([5e5, 6e5]), 270.0).shape == (2,)


@pytest.mark.parametrize("bad", [np.nan, 0.0, -5e4, 1e-3, 1e9, np.inf, -np.inf])
def test_what_the_table_does_not_reach_is_nan_without_a_warning(bad: float) -> None:
    fluid = refrigerant("R-22")
    for answer in (
        fluid.bubble_temperature_k(bad),
        fluid.dew_pressure_pa(bad),
        fluid.superheat_k(bad, 300.0),
        fluid.vapor_density_at(5e5, bad),
    ):
        assert np.isnan(answer)


def test_ends_of_the_range_belong_to_it() -> None:
    for name in NAMES:
        fluid = refrigerant(name)
        ends = np.array(fluid.range_k)
        assert fluid.bubble_temperature_k(fluid.bubble_pressure_pa(ends)) == pytest.approx(ends, abs=1e-3)
        assert np.isfinite(fluid.dew_temperature_k(np.array(fluid.range_pa))).all()
        assert np.isfinite(fluid.bubble_temperature_k(np.array(fluid.range_pa))).all()


def test_superheat_by_dew_and_subcooling_by_bubble() -> None:
    fluid = refrigerant("R-407C")
    pressure = 6e5
    bubble, dew = fluid.bubble_temperature_k(pressure), fluid.dew_temperature_k(pressure)
    assert dew - bubble > 5.0
    assert fluid.superheat_k(pressure, dew + 6.0) == pytest.approx(6.0)
    assert fluid.subcooling_k(pressure, bubble - 4.0) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("name", "glide", "within"), [("R-134a", 0.0, 1e-9), ("R-410A", 0.1, 0.1), ("R-407C", 7.0, 0.3)]
)
def test_a_compound_has_no_glide_and_a_blend_some_kelvin(name: str, glide: float, within: float) -> None:
    fluid = refrigerant(name)
    assert fluid.dew_temperature_k(101_325.0) - fluid.bubble_temperature_k(101_325.0) == pytest.approx(
        glide, abs=within
    )


def test_the_library_that_made_the_tables_is_not_needed_to_read_them() -> None:
    program = (
        "import sys\n"
        "from analysis.fluids import refrigerant, nitrogen, water\n"
        "refrigerant('R-454B').bubble_temperature_k(5e5)\n"
        "nitrogen.compressibility(1e6, 300.0), water.vapor_pressure_pa(280.0)\n"
        "heavy = {'CoolProp', 'scipy', 'pandas', 'iapws'} & set(sys.modules)\n"
        "sys.exit(f'imported {heavy}' if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
