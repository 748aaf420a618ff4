"""Bins of time: what each run of rows says, against pandas' own groups."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import trim_mean

from analysis.bins import Runs, bin_medians, median_of, running_median
from tests.support import make_stretch


@pytest.fixture
def uneven() -> tuple[np.ndarray, np.ndarray]:
    """Rows in runs of 1 to 40, some numbers left out, a third of the readings blank, one run all blank."""
    random = np.random.default_rng(3)
    of_row = np.repeat(np.arange(200) * 3 - 5, random.integers(1, 41, 200))
    values = np.where(random.random(len(of_row)) < 0.33, np.nan, random.normal(50.0, 9.0, len(of_row)).round(1))
    values[of_row == 31] = np.nan
    return of_row, values


@pytest.mark.parametrize("what", ["mean", "least"])
def test_each_run_says_what_a_group_of_pandas_says(uneven: tuple[np.ndarray, np.ndarray], what: str) -> None:
    of_row, values = uneven
    groups = pd.Series(values).groupby(of_row)
    expected = getattr(groups, {"least": "min"}.get(what, what))()
    runs = Runs(of_row)
    np.testing.assert_array_equal(of_row[runs.first], expected.index)
    np.testing.assert_allclose(getattr(runs, what)(values), expected, rtol=1e-13)
    np.testing.assert_array_equal(runs.shown(values), groups.count())


def test_medians_are_those_of_pandas(uneven: tuple[np.ndarray, np.ndarray]) -> None:
    of_row, values = uneven
    for medians, channel in zip(Runs(of_row).medians([values, -values]), (values, -values), strict=True):
        expected = pd.Series(channel).groupby(of_row).median()
        np.testing.assert_allclose(medians, expected, rtol=1e-13)
        assert median_of(channel[of_row == of_row[0]]) == expected.iloc[0]
    for window in (3, 6):
        expected = pd.Series(values).rolling(window, min_periods=1).median()
        np.testing.assert_allclose(running_median(values, window), expected, rtol=1e-13)


def test_a_trimmed_mean_is_that_of_scipy(uneven: tuple[np.ndarray, np.ndarray]) -> None:
    of_row, values = uneven
    shown = pd.Series(values).dropna()
    expected = shown.groupby(of_row[shown.index]).apply(trim_mean, proportiontocut=0.1)
    runs = Runs(of_row)
    np.testing.assert_allclose(
        runs.trimmed_mean(values, 0.1), expected.reindex(of_row[runs.first]).to_numpy(), rtol=1e-13
    )


def test_what_stands_for_a_run_stands_at_each_of_its_rows(uneven: tuple[np.ndarray, np.ndarray]) -> None:
    of_row, _ = uneven
    runs = Runs(of_row)
    np.testing.assert_array_equal(runs.each(of_row[runs.first]), of_row)
    assert runs.rows == len(of_row)


def test_only_whole_bins_are_given() -> None:
    seconds = np.array([0.0, 4.0, 9.9, 10.0, 31.0, 39.0, 45.0])
    stretch = make_stretch("recovery", seconds, {"ambient_temperature": ("K", seconds + 280.0)})
    bins = bin_medians(stretch, ["ambient_temperature"], 10.0)
    np.testing.assert_allclose(bins.end_s, [10.0, 20.0, 40.0])
    np.testing.assert_allclose(bins.medians["ambient_temperature"], [284.0, 290.0, 315.0])
    assert list((bins.known - stretch.begin).total_seconds()) == [10.0, 31.0, 45.0]
    assert bins.runs.rows == 6


def test_no_rows_give_no_bins() -> None:
    one = make_stretch("recovery", np.zeros(1), {"ambient_temperature": ("K", np.full(1, 280.0))})
    for stretch in (one, replace(one, frame=one.frame.iloc[:0])):
        bins = bin_medians(stretch, ["ambient_temperature"], 10.0)
        assert len(bins.medians) == len(bins.end_s) == len(bins.known) == bins.runs.rows == 0
