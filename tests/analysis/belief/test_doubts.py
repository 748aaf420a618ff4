"""Lost and impossible readings, and what every doubt has in common."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.belief import believe
from analysis.belief.stuck import LOOK_S, _unbroken
from analysis.log import assemble
from analysis.result import Finding
from analysis.vocabulary.channels import make_column
from analysis.vocabulary.job import parse_job
from tests.analysis.belief.logs import R134A, begun, found, night, recovering, standing, stick
from tests.support import START, journal_rows, make_log, rows_told, with_channels


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
def test_an_honest_night_raises_no_doubt(seed: int, step: float) -> None:
    assert found(night(seed, 4.0, step)) == []


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
    assert believe(log)[1][0].to_json("us")["figures"]["offset"] == {"value": None, "unit": "degF"}
    whole = night()
    gap = np.r_[0:500, 900 : len(whole.frame)]
    assert found(replace(whole, frame=whole.frame.iloc[gap], barometer_pa=whole.barometer_pa.iloc[gap])) == []


def test_what_sat_on_a_cylinder_that_is_off_is_not_lost() -> None:
    """The probe is off for five minutes, the cylinder for three and a half; the next one never gets its probe."""
    log = with_channels(night(), cylinder_temperature=("degC", 293.0 + 0.5 * np.round(np.sin(np.arange(4320.0)), 1)))
    log.frame.iloc[1008:1050, log.frame.columns.get_loc("cylinder_weight")] = 0.1
    probe = log.frame["cylinder_temperature"].to_numpy(copy=True)
    probe[1000:1060] = np.nan
    assert found(replace(log, frame=log.frame.assign(cylinder_temperature=probe))) == []
    probe[1060:] = np.nan
    ((lost,), at) = believe(replace(log, frame=log.frame.assign(cylinder_temperature=probe)))[1], log.frame.index
    assert (lost.kind, lost.time) == ("channel_lost", at[1049] + pd.Timedelta(minutes=2))
    standing = log.frame.assign(cylinder_temperature=probe, cylinder_weight=50.0)
    assert found(replace(log, frame=standing)) == [("channel_lost", "cylinder_temperature")]
    zeroed = log.frame.assign(cylinder_temperature=probe, cylinder_weight=0.0)
    assert found(replace(log, frame=zeroed)) == [("channel_lost", "cylinder_temperature")]


@pytest.mark.parametrize(("minutes", "told"), [(7, False), (12, True)])
def test_where_nothing_is_weighed_a_gauge_on_a_cylinder_may_be_off_for_a_change(minutes: int, told: bool) -> None:
    log = with_channels(night(), cylinder_temperature=("degC", 293.0 + 0.5 * np.round(np.sin(np.arange(4320.0)), 1)))
    probe = log.frame["cylinder_temperature"].to_numpy(copy=True)
    probe[1000 : 1000 + 12 * minutes] = np.nan
    blank = replace(log, frame=log.frame.assign(cylinder_temperature=probe, cylinder_weight=np.nan))
    columns = {name: column for name, column in log.columns.items() if name != "cylinder_weight"}
    none = replace(log, frame=blank.frame.drop(columns="cylinder_weight"), columns=columns)
    assert found(blank) == found(none) == [("channel_lost", "cylinder_temperature")] * told


def test_a_blank_micron_probe_is_out_of_range_not_lost() -> None:
    log = night()
    assert found(with_channels(log, vacuum=("micron", np.where(np.arange(len(log.frame)) < 100, 500.0, np.nan)))) == []


def test_an_error_code_is_never_a_reading() -> None:
    log = night()
    log.frame.loc[log.frame.index[300:302], "ambient_temperature"] = 999.9 + 273.15
    kept, findings = believe(log)
    assert findings == ()
    assert kept.frame["ambient_temperature"].iloc[300:302].isna().all()


def test_doubts_use_no_later_row() -> None:
    log = night()
    stick(log, "circuit_pressure", 1500, 3000)
    log.frame.loc[log.frame.index[1000:2000], "surface_temperature"] -= 12.0
    log.frame.loc[log.frame.index[500:900], "ambient_temperature"] = np.nan
    kept, whole = believe(log)
    assert len(whole) == 3
    cuts = np.random.default_rng(3).integers(1, len(log.frame), 5).tolist()
    for rows in {*cuts, *rows_told(log.frame, whole)}:
        now = log.frame.index[rows - 1]
        part, findings = believe(log.before(now))
        expected: list[Finding] = [f for f in whole if f.time <= now]
        assert list(findings) == expected
        pd.testing.assert_frame_equal(part.frame, kept.frame.iloc[:rows])


def test_a_channel_that_speaks_seldom_is_not_lost() -> None:
    log = night(1, 6.0, 5.0)
    dice = np.random.default_rng(1)
    kept = np.zeros(len(log.frame), dtype=bool)
    rows = np.cumsum(dice.choice([12, 24, 60, 120], 300))
    kept[rows[rows < len(kept)]] = True
    log.frame["ambient_temperature"] = log.frame["ambient_temperature"].where(kept)
    assert found(log) == []


@pytest.mark.parametrize("cut", [None, 900])
def test_a_channel_that_speaks_when_something_changes_is_lost_only_after_its_longest_silences(cut: int | None) -> None:
    """A building controller logs a chiller's water by changes of value: each minute of a run, seldom in a pause."""
    dice = np.random.default_rng(4)
    at = 60.0 * np.arange(1_440)
    waits = [[1] * 12 + dice.choice([3, 6, 9, 12, 35], 4, p=[0.3, 0.3, 0.2, 0.1, 0.1]).tolist() for _ in range(60)]
    rows = np.cumsum(np.concatenate([[1] * 10 + [6, 9, 12], *waits]))
    rows = rows[rows < (cut or len(at))]
    shown = np.full(len(at), np.nan)
    shown[rows] = 12.0 + 0.1 * dice.choice([-1, 1], len(rows)).cumsum()
    logged = {
        "leaving_water_temperature": ("degC", shown),
        "ambient_temperature": ("degC", np.round(20.0 + 0.05 * dice.normal(size=len(at)), 2)),
    }
    log, _ = make_log(at, logged)
    assert found(log) == ([] if cut is None else [("channel_lost", "leaving_water_temperature")])


@pytest.mark.parametrize(
    ("channel", "number"),
    [
        *[("surface_temperature", number) for number in (-200.0, 850.0, 3_276.7, 999.9)],
        *[(channel, 150.0) for channel in ("leaving_water_temperature", "ambient_temperature")],
    ],
)
def test_an_open_probe_from_the_first_row_is_named_once(channel: str, number: float) -> None:
    """Codes, and the end of a probe's range where water or air cannot be."""
    log = night(3, 2.0)
    log.frame[channel] = number + 273.15
    kept, findings = believe(log)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_lost", channel)]
    assert "impossible numbers" in findings[0].text
    assert kept.frame[channel].isna().all()


def test_a_gauge_at_the_hose_is_doubted_only_where_nothing_flows() -> None:
    """A recovery machine that starts to pull takes the gauge at its hose down at once, by what the hose loses."""
    log = standing(dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "psig"))
    log.frame.loc[log.frame.index[500:], "circuit_pressure"] -= 90e3
    assert found(replace(log, journal=journal_rows([]))) == []
    assert found(replace(log, journal=journal_rows(begun("recovery")))) == []
    resting = replace(log, journal=journal_rows(begun("at_rest")))
    assert found(resting) == [("channel_jumped", "circuit_pressure")]


def test_a_gauge_that_is_opened_to_the_circuit_is_right_from_then_on() -> None:
    log = standing(dict.fromkeys(("circuit_pressure", "suction_pressure", "discharge_pressure"), "psig"))
    log.frame.loc[log.frame.index[:500], "circuit_pressure"] -= 200e3
    assert found(log) == []


@pytest.mark.parametrize("step", [1.0, 60.0])
def test_what_began_beside_its_room_and_grew_hot_is_right_and_what_stepped_there_is_not(step: float) -> None:
    """80 degC read as degF lie beside a room of 20 degC, as 24 degC shown in degF do; a changed cylinder is cold."""
    log = standing({}, step=step)
    hot = np.interp(np.arange(len(log.frame)) * step, [1_200.0, 3_600.0, 6_000.0], [293.15, 353.15, 353.15])
    early = log.frame.index < START + pd.Timedelta(seconds=1_100)
    grew = with_channels(log, cylinder_temperature=("degC", np.where(early, 335.0, hot)))
    assert found(replace(grew, frame=grew.frame[grew.frame.index >= START + pd.Timedelta(seconds=900)])) == []
    stepped = with_channels(log, cylinder_temperature=("degC", np.where(hot > 320.0, 75.2 + 273.15, 293.15)))
    (fault,) = believe(stepped)[1]
    assert fault.figures["channel"] == "cylinder_temperature"


def test_a_cylinder_that_grew_hot_accuses_no_room() -> None:
    """R-134a: saturation of the cylinder climbs from the room's 8 degC to 45 degC, beside which 46 degC would lie."""
    row = np.arange(1_080)
    for kpa, faults in ((np.interp(row, [60, 400], [387.6, 1_160.0]), 0), (np.full(len(row), 1_160.0), 1)):
        logged = {"ambient_temperature": ("degF", np.full(len(row), 46.4)), "cylinder_pressure": ("kPa", kpa)}
        log = make_log(10.0 * row, logged, tables=R134A, journal=begun("at_rest"))
        assert len(believe(*log)[1]) == faults


def test_a_channel_of_another_name_is_kept_and_not_judged() -> None:
    log = night()
    stick(log, "circuit_pressure", 2_000)
    assert found(log) != []
    columns = {**log.columns, "header": make_column("header", "psig", "header [psig]")}
    del columns["circuit_pressure"]
    other = replace(log, frame=log.frame.rename(columns={"circuit_pressure": "header"}), columns=columns)
    kept, findings = believe(other)
    assert findings == ()
    assert kept.frame["header"].equals(other.frame["header"])


def test_a_clock_put_right_by_decades_is_not_looked_through() -> None:
    """Where nothing was read there is nothing to look at."""
    before = np.arange(0.0, 3600.0, 5.0)
    times = np.concatenate([before, 8e8 + before])
    parts = list(_unbroken(times, 0, len(times)))
    assert sum(times[end - 1] - times[first] for first, end in parts) <= 24 * LOOK_S
    assert [first for first, _ in parts[1:]] == [end for _, end in parts[:-1]]


def test_a_channel_that_gave_error_codes_from_the_first_row_is_named_whatever_the_code() -> None:
    log = night()
    for code in (-999.0, 9999.0):
        shown = log.frame.copy()
        shown["surface_temperature"] = (code + 459.67) / 1.8  # degF
        spoilt = assemble(shown, log.columns, log.journal, parse_job({"job": {"name": "n"}}))
        assert found(spoilt) == [("channel_lost", "surface_temperature")]


def test_every_second_number_impossible_is_named_once_and_one_is_not() -> None:
    log = night()
    column = log.frame.columns.get_loc("surface_temperature")
    log.frame.iloc[100, column] = 2_000.0
    assert found(log) == []
    log.frame.iloc[500::2, column] = 2_000.0
    assert found(log) == [("channel_lost", "surface_temperature")]


def test_a_channel_that_is_left_out_is_not_named_again() -> None:
    log = night()
    column = log.frame.columns.get_loc("surface_temperature")
    log.frame.iloc[1_000:, column] = 255.0
    assert found(log) == [("channel_jumped", "surface_temperature")]


def test_a_pressure_that_comes_back_in_a_pause_does_not_doubt_the_scale() -> None:
    log = recovering(True, -250e3)
    assert found(log) == []
