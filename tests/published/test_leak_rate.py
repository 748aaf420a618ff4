"""Leak rates against the formulas of the regulation with numbers worked by hand."""

from __future__ import annotations

import datetime

import pytest

from analysis.leak_rate import Addition, annualised_leak_rate, leak_rules, rolling_leak_rate


def test_annualising() -> None:
    # 40 CFR 82.157 and 84.106: 40 lb / 800 lb x 365 / 73 days = 25.0 %
    assert annualised_leak_rate(40.0, 800.0, 73) == pytest.approx(0.250, abs=0.0005)
    # the shorter of the days since the last addition and 365
    assert annualised_leak_rate(40.0, 800.0, 900) == pytest.approx(0.05, abs=1e-12)


def test_rolling_average() -> None:
    # the same with 20 lb earlier in the year: 60 lb / 800 lb = 7.5 %
    today = datetime.date(2026, 6, 1)
    added = [Addition(datetime.date(2025, 9, 1), 20.0), Addition(today, 40.0)]
    assert rolling_leak_rate(added, 800.0, today) == pytest.approx(0.075, abs=0.0005)


def test_leak_rate_thresholds_are_those_of_the_rule() -> None:
    # 40 CFR 82.157(c)(2) and 84.106(c)(2), from memory: 10 comfort cooling, 20 commercial refrigeration, 30 industrial
    assert leak_rules().thresholds == pytest.approx(
        {"comfort_cooling": 0.10, "commercial_refrigeration": 0.20, "industrial_process": 0.30}
    )
