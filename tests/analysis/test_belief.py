"""Readings that lie: named once, left out from then on, honest ones left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.belief import believe
from analysis.log import Log, assemble
from analysis.result import Finding
from analysis.vocabulary.channels import make_column
from analysis.vocabulary.job import parse_job
from tests.support import START, journal_rows


def night(seed: int = 0, hours: float = 6.0, step: float = 5.0) -> Log:
    """Return a night under nitrogen: air falls by 8 K, metal and water follow, pressure with them, all quantised."""
    noise = np.random.default_rng(seed)
    at = np.arange(0.0, hours * 3600.0, step)
    air = 294.0 - 8.0 * at / at[-1] + 0.1 * noise.normal(size=len(at))
    metal = 294.0 - 6.0 * at / at[-1]
    logged = {
        "ambient_temperature": ("degF", np.round(air * 1.8 - 459.67, 1)),
        "surface_temperature": ("degF", np.round((metal + 0.1 * noise.normal(size=len(at))) * 1.8 - 459.67, 1)),
        "leaving_water_temperature": ("degC", np.round(290.0 - 273.15 + 0.05 * noise.normal(size=len(at)), 1)),
        "entering_water_temperature": ("degC", np.round(290.5 - 273.15 + 0.05 * noise.normal(size=len(at)), 1)),
        "circuit_pressure": ("psig", np.round(150.0 * metal / 294.0 + 0.2 * noise.normal(size=len(at)), 1)),
        "cylinder_weight": ("lb", np.full(len(at), 120.0)),
        "barometer": ("kPa", np.round(99.0 + 0.5 * at / at[-1], 1)),
    }
    frame = pd.DataFrame(index=pd.DatetimeIndex(START + pd.to_timedelta(at, unit="s"), name="time"))
    columns = {}
    for channel, (unit, readings) in logged.items():
        columns[channel] = make_column(channel, unit, channel)
        frame[channel] = readings * columns[channel].unit.scale + columns[channel].unit.offset
    return assemble(frame, columns, journal_rows([]), parse_job({"job": {"name": "n"}}))


def stick(log: Log, channel: str, first: int, end: int | None = None) -> None:
    """Let a channel show the number of its row `first` until `end`; a gauge's counts from the barometer."""
    rows = log.frame.index[first:end]
    zero = log.barometer_pa if log.columns[channel].unit.datum == "gauge" else 0.0 * log.barometer_pa
    shown = float((log.frame[channel] - zero).iloc[first])
    log.frame.loc[rows, channel] = shown + zero[rows]


def found(log: Log) -> list[tuple[str, str]]:
    return [(f.kind, str(f.figures["channel"])) for f in believe(log)[1]]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
def test_an_honest_night_raises_no_doubt(seed: int, step: float) -> None:
    assert found(night(seed, 4.0, step)) == []


def test_a_stuck_gauge_is_named_and_left_out_from_then_on() -> None:
    log = night()
    stick(log, "circuit_pressure", 1500)
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_stuck", "circuit_pressure")]
    assert abs((findings[0].since - log.frame.index[1500]).total_seconds()) < 60
    assert kept.frame["circuit_pressure"].loc[findings[0].time :].isna().all()
    assert kept.frame["circuit_pressure"].loc[: findings[0].time].iloc[:-1].notna().all()


def test_a_probe_that_comes_off_is_left_out_until_it_is_back() -> None:
    log = night()
    log.frame.loc[log.frame.index[1000:2000], "surface_temperature"] -= 12.0
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", "surface_temperature")]
    assert findings[0].figures["offset"].si == pytest.approx(-12.0, abs=0.5)  # type: ignore[union-attr]
    assert kept.frame["surface_temperature"].iloc[1100:2000].isna().all()
    assert kept.frame["surface_temperature"].iloc[2001:].notna().all()


def test_a_lost_channel_is_named_once_and_a_gap_of_all_rows_is_not_a_lost_channel() -> None:
    log = night()
    log.frame.loc[log.frame.index[500:900], "ambient_temperature"] = np.nan
    assert found(log) == [("channel_lost", "ambient_temperature")]
    whole = night()
    gap = np.r_[0:500, 900 : len(whole.frame)]
    assert found(replace(whole, frame=whole.frame.iloc[gap], barometer_pa=whole.barometer_pa.iloc[gap])) == []


def test_a_blank_micron_probe_is_out_of_range_not_lost() -> None:
    log = night()
    columns = {**log.columns, "vacuum": make_column("vacuum", "micron", "vacuum")}
    log.frame["vacuum"] = np.where(np.arange(len(log.frame)) < 100, 500.0, np.nan)
    assert found(replace(log, columns=columns)) == []


def test_an_error_code_is_never_a_reading() -> None:
    log = night()
    log.frame.loc[log.frame.index[300:302], "ambient_temperature"] = 999.9 + 273.15
    kept, findings = believe(log)
    assert findings == ()
    assert kept.frame["ambient_temperature"].iloc[300:302].isna().all()


def test_degrees_celsius_logged_as_fahrenheit() -> None:
    log = night()
    celsius = log.frame["leaving_water_temperature"] - 273.15
    log.frame["leaving_water_temperature"] = (celsius + 459.67) / 1.8
    columns = {**log.columns, "leaving_water_temperature": make_column("leaving_water_temperature", "degF", "x")}
    _, findings = believe(replace(log, columns=columns))
    assert [f.figures["channel"] for f in findings] == ["leaving_water_temperature"]
    assert "only as degC" in findings[0].text


def test_doubts_use_no_later_row() -> None:
    log = night()
    stick(log, "circuit_pressure", 1500, 3000)
    log.frame.loc[log.frame.index[1000:2000], "surface_temperature"] -= 12.0
    log.frame.loc[log.frame.index[500:900], "ambient_temperature"] = np.nan
    kept, whole = believe(log)
    assert len(whole) == 3
    for rows in np.random.default_rng(3).integers(1, len(log.frame), 40).tolist():
        now = log.frame.index[rows - 1]
        part, findings = believe(log.before(now))
        expected: list[Finding] = [f for f in whole if f.time <= now]
        assert list(findings) == expected
        pd.testing.assert_frame_equal(part.frame, kept.frame.iloc[:rows])
