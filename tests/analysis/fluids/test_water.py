"""Vapour pressure of water against the reference library of the IAPWS formulations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS97
from iapws._iapws import _Sublimation_Pressure
from iapws.iapws97 import _PSat_T

from analysis.fluids import water


def test_agrees_with_the_reference_library() -> None:
    for temperature in np.linspace(131.0, 273.0, 40):
        assert water.vapor_pressure_pa(float(temperature)) == pytest.approx(
            1e6 * _Sublimation_Pressure(float(temperature)), rel=1e-12
        )
    for temperature in np.linspace(273.2, 646.0, 40):
        pressure = 1e6 * _PSat_T(float(temperature))
        assert water.vapor_pressure_pa(float(temperature)) == pytest.approx(pressure, rel=1e-12)
    assert pytest.approx(IAPWS97(T=320.0, x=0.0).P * 1e6, rel=1e-9) == water.vapor_pressure_pa(320.0)


@given(temperature=st.floats(130.01, 647.0), apart=st.floats(1e-4, 50.0))
def test_what_is_warmer_has_more_pressure(temperature: float, apart: float) -> None:
    pressure = water.vapor_pressure_pa(temperature)
    warmer = temperature + apart
    if warmer < 647.0:
        assert water.vapor_pressure_pa(warmer) > pressure


def test_ice_and_liquid_meet_at_the_triple_point() -> None:
    below, above = water.vapor_pressure_pa(np.array([273.16 - 1e-9, 273.16 + 1e-9]))
    assert below == pytest.approx(above, rel=1e-7)


def test_outside_and_missing_is_nan_without_a_warning() -> None:
    bad = np.array([np.nan, -1.0, 0.0, 100.0, 700.0, np.inf])
    assert np.isnan(water.vapor_pressure_pa(bad)).all()


def test_a_number_gives_a_number_and_an_array_one_of_its_shape() -> None:
    assert type(water.vapor_pressure_pa(280.0)) is float
    assert water.vapor_pressure_pa(np.full((2, 3), 280.0)).shape == (2, 3)
