"""The normal distribution against Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.1, and erfc."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.normal import normal_below

STATED_ERROR = 7.5e-8


@pytest.mark.parametrize(
    ("z", "below"), [(0.0, 0.5), (1.0, 0.841344746), (1.96, 0.975002105), (2.0, 0.977249868), (3.0, 0.998650102)]
)
def test_table(z: float, below: float) -> None:
    assert normal_below(np.array([z, -z])) == pytest.approx([below, 1.0 - below], abs=STATED_ERROR)


def test_true_to_what_the_source_states_everywhere() -> None:
    z = np.linspace(-40.0, 40.0, 8_001)
    exact = [0.5 * math.erfc(-each / math.sqrt(2.0)) for each in z]
    np.testing.assert_allclose(normal_below(z), exact, rtol=0.0, atol=STATED_ERROR)
