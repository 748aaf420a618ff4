"""Nights that are like another but for something."""

from __future__ import annotations

import pytest

from tests.analysis.pressure_test.nights import CALM
from tests.benchmarks.pressure_test_nights import Night, make_night


@pytest.fixture(scope="module")
def calm() -> Night:
    return make_night(2, **CALM)
