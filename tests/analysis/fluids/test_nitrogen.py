"""Nitrogen against the equation of state that the polynomial was fitted to."""

from __future__ import annotations

import numpy as np
from CoolProp import CoolProp
from hypothesis import given
from hypothesis import strategies as st

from analysis.fluids import nitrogen
from tests.support import nitrogen_density

PRESSURES = st.floats(*nitrogen.RANGE_PA)
TEMPERATURES = st.floats(*nitrogen.RANGE_K)


def test_agrees_with_the_equation_of_state() -> None:
    state = CoolProp.AbstractState("HEOS", "Nitrogen")
    pressure, temperature = np.meshgrid(np.linspace(1e3, 7.4e6, 23), np.linspace(233.4, 353.0, 19))
    z, density = np.empty_like(pressure), np.empty_like(pressure)
    for place in np.ndindex(pressure.shape):
        state.update(CoolProp.PT_INPUTS, pressure[place], temperature[place])
        z[place], density[place] = state.compressibility_factor(), state.rhomass()
    np.testing.assert_allclose(nitrogen.compressibility(pressure, temperature), z, atol=3e-6)
    np.testing.assert_allclose(nitrogen_density(pressure, temperature), density, rtol=1e-5)


@given(pressure=PRESSURES, temperature=TEMPERATURES, share=st.floats(0.0, 0.999))
def test_density_rises_with_pressure_and_falls_with_temperature(
    pressure: float, temperature: float, share: float
) -> None:
    assert nitrogen_density(share * pressure, temperature) <= nitrogen_density(pressure, temperature)
    warmer = temperature + (nitrogen.RANGE_K[1] - temperature) * share
    assert nitrogen_density(pressure, warmer) <= nitrogen_density(pressure, temperature)


def test_outside_and_missing_is_nan() -> None:
    pressure = np.array([1e6, -1.0, 8e6, np.nan, 1e6, 1e6])
    temperature = np.array([300.0, 300.0, 300.0, 300.0, 200.0, np.nan])
    assert np.isfinite(nitrogen.compressibility(pressure, temperature)).tolist() == [True] + [False] * 5


def test_a_number_gives_a_number_and_an_array_one_of_its_shape() -> None:
    assert type(nitrogen.compressibility(1e6, 300.0)) is float
    assert nitrogen.compressibility(np.full((2, 3), 1e6), 300.0).shape == (2, 3)
    assert nitrogen.compressibility(np.full(4, 1e6), 300.0).shape == (4,)
