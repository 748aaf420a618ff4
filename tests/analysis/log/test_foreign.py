"""Logs recorded by somebody else: spreadsheets' habits, decimal commas, clocks that change."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.log import load
from analysis.log.rows import number_in
from analysis.vocabulary.errors import InputError

COLUMNS = """
[job]
name = "n"
[columns]
time = { column = "Date", format = "%d.%m.%Y %H:%M:%S", zone = "Europe/Berlin" }
circuit_pressure = { column = "P1 (bar abs)", unit = "bar" }
leaving_water_temperature = { column = "T out", unit = "degC" }
"""


def write(tmp_path: Path, text: str | bytes, job: str = COLUMNS) -> Path:
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    (tmp_path / "readings.csv").write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return tmp_path


ROWS = 'Logger 12;;\nDate;T out;"P1 (bar abs)"\n14.03.2026 08:00:00;12,5;1,013\n14.03.2026 08:00:01;---;1,100\n'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_semicolons_decimal_commas_and_a_preamble(tmp_path: Path, encoding: str) -> None:
    log, _ = load(write(tmp_path, ("sep=;\n" + ROWS).encode(encoding)))
    assert log.frame.index[0] == pd.Timestamp("2026-03-14T07:00:00Z")
    assert log.frame["circuit_pressure"].tolist() == pytest.approx([101_300.0, 110_000.0])
    assert log.frame["leaving_water_temperature"].iloc[0] == pytest.approx(285.65)
    assert np.isnan(log.frame["leaving_water_temperature"].iloc[1])
    assert any("T out: 1 cell without a number" in caution for caution in log.cautions)


def test_tabs_and_quoted_thousands(tmp_path: Path) -> None:
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\nvacuum={column="v",unit="micron"}\n'
    log, _ = load(write(tmp_path, 't\tv\n2026-03-14T07:00:00Z\t"12,500"\n2026-03-14T07:00:01Z\t980\n', job))
    assert log.frame["vacuum"].tolist() == pytest.approx([12_500 * 0.1333224, 980 * 0.1333224], rel=1e-6)


@pytest.mark.parametrize(("cell", "read"), [("12.5 (Good)", 12.5), ("12.5 psi;GOOD", 12.5), ("12.5 (Bad)", None)])
def test_a_number_that_is_said_to_be_good_behind_it_is_read(cell: str, read: float | None) -> None:
    assert number_in(cell, ".", "psig") == read


def test_the_repeated_autumn_hour_follows_row_order(tmp_path: Path) -> None:
    """Central Europe puts clocks back on the last Sunday of October, 01:00 UTC (Directive 2000/84/EC)."""
    local = ["01:59:00", "02:00:00", "02:30:00", "02:59:00", "02:00:00", "02:30:00", "02:59:00", "03:00:00"]
    rows = "".join(f"25.10.2026 {clock};10,0;1,0\n" for clock in local)
    log, _ = load(write(tmp_path, "Date;T out;P1 (bar abs)\n" + rows))
    assert log.frame.index.strftime("%H:%M").tolist() == [
        "23:59", "00:00", "00:30", "00:59", "01:00", "01:30", "01:59", "02:00",
    ]  # fmt: skip


def test_a_log_that_begins_in_the_second_pass_of_the_repeated_hour_runs_on_past_it(tmp_path: Path) -> None:
    """A clock that is put back only after its last row of the hour would show that hour again."""
    rows = "".join(f"25.10.2026 {clock};10,0;1,0\n" for clock in ["02:40:00", "02:50:00", "03:00:00", "03:10:00"])
    log, _ = load(write(tmp_path, "Date;T out;P1 (bar abs)\n" + rows))
    assert log.frame.index.strftime("%H:%M").tolist() == ["01:40", "01:50", "02:00", "02:10"]


def test_days_counted_from_1904_are_those_of_a_calendar(tmp_path: Path) -> None:
    """14 July 2026 is day 44,755 from 1 January 1904, and 09:00 in Berlin, in summer, is 07:00 UTC."""
    job = '[job]\nname="n"\n[columns]\nvacuum={column="v",unit="micron"}\n'
    job += 'time={column="t",start="1904-01-01",unit="d",zone="Europe/Berlin"}\n'
    log, _ = load(write(tmp_path, "t,v\n44755.375,980\n44755.376,980\n", job))
    assert log.frame.index[0] == pd.Timestamp("2026-07-14T07:00:00Z")


def test_a_header_may_stand_again_but_no_other_one(tmp_path: Path) -> None:
    again = ROWS + ROWS.partition("\n")[2].replace(":0", ":1")
    assert len(load(write(tmp_path, again))[0].frame) == 4
    other = again[: len(ROWS)] + again[len(ROWS) :].replace("T out", "T in")
    with pytest.raises(InputError, match="another table begins, with 'T in' where 'T out' stood"):
        load(write(tmp_path, other))


def test_a_name_that_stands_twice_is_given_with_its_number(tmp_path: Path) -> None:
    text = "Date;P;T;T\n14.03.2026 08:00:00;1,5;12,5;20,5\n14.03.2026 08:00:01;1,5;12,5;20,5\n"
    job = COLUMNS.replace("P1 (bar abs)", "P")
    with pytest.raises(InputError, match=r"column 'T' stands 2 times .* as in 'T \(1\)' for the first"):
        load(write(tmp_path, text, job.replace("T out", "T")))
    log, _ = load(write(tmp_path, text, job.replace("T out", "T (2)")))
    assert log.frame["leaving_water_temperature"].iloc[0] == pytest.approx(293.65)


def test_a_date_that_is_told_once_holds_until_the_next(tmp_path: Path) -> None:
    job = COLUMNS.replace('"Date", ', '"Date", clock = "Time", ')
    rows = ("13.03.2026;23:59:58", ";23:59:59", "14.03.2026;00:00:00", ";00:00:01")
    text = "Date;Time;T out;P1 (bar abs)\n" + "".join(f"{row};12,5;1,0\n" for row in rows) + ";;12,5;1,0\n"
    log, _ = load(write(tmp_path, text, job))
    assert log.frame.index.strftime("%d %H:%M:%S").tolist() == [
        "13 22:59:58", "13 22:59:59", "13 23:00:00", "13 23:00:01",
    ]  # fmt: skip


def test_one_row_with_a_time_among_many_without_is_kept_where_it_stands(tmp_path: Path) -> None:
    text = "Date;T out;P1 (bar abs)\n14.03.2026 08:00:00;12,5;1,0\n" + 9 * "-;12,5;1,0\n"
    assert load(write(tmp_path, text))[0].frame.index.tolist() == [pd.Timestamp("2026-03-14T07:00:00Z")]


def test_seconds_since_1904_are_no_times_of_2092(tmp_path: Path) -> None:
    text = "Date;T out;P1 (bar abs)\n" + "".join(f"{3_856_320_000 + i};12,5;1,0\n" for i in range(3))
    log, _ = load(write(tmp_path, text, COLUMNS.replace(' format = "%d.%m.%Y %H:%M:%S",', "")))
    assert log.frame.index[0] == pd.Timestamp("1904-01-01T00:00:00Z") + pd.Timedelta(seconds=3_856_320_000)


@pytest.mark.parametrize(
    ("form", "stated"),
    [
        ("%H:%M:%S", 'start = "2026-03-14 22:00:00"'),
        ("%H:%M:%S", 'start = "2026-03-14"'),
        ("%I:%M:%S %p", 'start = "2026-03-14 21:59:58", format = "%I:%M:%S %p"'),
        ("%H:%M-%d/%m", 'start = "2026-01-01", format = "%H:%M-%d/%m"'),
    ],
)
def test_times_of_day_without_a_date_go_on_after_midnight(tmp_path: Path, form: str, stated: str) -> None:
    times = pd.date_range("2026-03-14 22:00", periods=200, freq="10min")
    job = f'[job]\nname="n"\n[columns]\ntime={{column="t", {stated}, zone="Europe/Berlin"}}\n'
    rows = "".join(f"{at:{form}},{i}\n" for i, at in enumerate(times))
    log, _ = load(write(tmp_path, "t,v\n" + rows, job + 'vacuum={column="v",unit="micron"}\n'))
    assert log.frame.index.equals(times.tz_localize("Europe/Berlin").tz_convert("UTC").rename("time"))


def test_a_count_written_as_a_clock_is_no_time_of_day(tmp_path: Path) -> None:
    job = '[job]\nname="n"\n[columns]\ntime={column="t", start="2026-03-14T00:05:00Z"}\n'
    log, _ = load(write(tmp_path, "t,v\n00:00:00,1\n00:00:10,2\n", job + 'vacuum={column="v",unit="micron"}\n'))
    assert log.frame.index[1] == pd.Timestamp("2026-03-14T00:05:10Z")


def test_the_missing_spring_hour_goes_straight_on(tmp_path: Path) -> None:
    """The clock that was not put forward (29 March 2026) still gives rising times."""
    rows = "".join(f"29.03.2026 {clock};10,0;1,0\n" for clock in ("01:59:00", "02:30:00", "03:30:01"))
    log, _ = load(write(tmp_path, "Date;T out;P1 (bar abs)\n" + rows))
    assert log.frame.index.strftime("%H:%M:%S").tolist() == ["00:59:00", "01:30:00", "01:30:01"]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("46095.5", "2026-03-14T12:00:00Z"),  # a spreadsheet's day number: 2026-03-14 is day 46095
        ("1773489600", "2026-03-14T12:00:00Z"),
        ("1773489600250", "2026-03-14T12:00:00.250Z"),
        ("2026-03-14T13:00:00+01:00", "2026-03-14T12:00:00Z"),
        ("2026-03-14 12:00:00.250", "2026-03-14T12:00:00.250Z"),
    ],
)
def test_times_without_a_stated_format(tmp_path: Path, cell: str, expected: str) -> None:
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\nvacuum={column="v",unit="micron"}\n'
    log, _ = load(write(tmp_path, f"t,v\n{cell},900\n", job))
    assert log.frame.index[0] == pd.Timestamp(expected)


@pytest.mark.parametrize(
    ("form", "cell"),
    [
        ("%d.%m.%Y %H:%M:%S,%f", "14.03.2026 12:00:00,250"),
        ("%d %B %Y %H:%M:%S.%f", "14 mars 2026 12:00:00.25"),
        ("%d %b %Y %H:%M:%S.%f", "14 Mrz 2026 12:00:00.25"),
        ("%d. %B %Y %H:%M:%S,%f", "14. März 2026 12:00:00,25"),
        ("%d de %B de %Y %H:%M:%S.%f", "14 de marzo de 2026 12:00:00.25"),
        ("%d-%b-%Y %H:%M:%S.%f", "14-MAR-2026 12:00:00.25"),
        ("%d/%m/%Y %I:%M:%S.%f %p", "14/03/2026 12:00:00.25 p. m."),
    ],
)
def test_times_in_a_stated_format(tmp_path: Path, form: str, cell: str) -> None:
    """Names of months as in the Unicode CLDR."""
    job = f'[job]\nname="n"\n[columns]\ntime={{column="t",format="{form}"}}\nvacuum={{column="v",unit="micron"}}\n'
    log, _ = load(write(tmp_path, f"t;v\n{cell};900\n", job))
    assert log.frame.index[0] == pd.Timestamp("2026-03-14T12:00:00.250Z")


@pytest.mark.parametrize(
    "text",
    [
        "t,p,w\n" + "".join(f"2026-03-14T07:00:0{i}Z,10,{i},20\n" for i in range(9)),  # decimal commas, not quoted
        "t,p,w\n"
        + "".join(f"{i},2026-03-14T07:00:0{i}Z,10,20\n" for i in range(9)),  # rows have names, their column none
    ],
)
def test_rows_with_more_numbers_than_the_header_has_names_are_refused(tmp_path: Path, text: str) -> None:
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\ncircuit_pressure={column="p",unit="barg"}\n'
    with pytest.raises(InputError, match=r"9 of 9 rows have more cells|counts from 0"):
        load(write(tmp_path, text, job))


def test_a_barometer_in_inches_of_mercury_is_no_vacuum(tmp_path: Path) -> None:
    """29.921 inHg is the standard atmosphere, 101,325 Pa (the domain's reference; NIST SP 811 for 3,386.39 Pa)."""
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\nbarometer={column="b",unit="inHg"}\n'
    job += 'circuit_pressure={column="p",unit="inHg"}\n'
    log, _ = load(write(tmp_path, "t,b,p\n2026-03-14T07:00:00Z,29.921,10\n", job))
    assert log.frame["barometer"].iloc[0] == pytest.approx(101_325.0, abs=4.0)
    assert log.frame["circuit_pressure"].iloc[0] == pytest.approx(101_325.0 - 33_863.9, abs=4.0)


def test_a_remark_behind_the_last_named_column_is_no_reading(tmp_path: Path) -> None:
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\ncircuit_pressure={column="p",unit="barg"}\n'
    rows = "".join(f"2026-03-14T07:00:0{i}Z,10,{'door, open' * (i > 2)}\n" for i in range(9))
    log, _ = load(write(tmp_path, "t,p\n" + rows, job))
    assert log.frame["circuit_pressure"].notna().all()
    assert not any("more cells" in caution for caution in log.cautions)


@pytest.mark.parametrize(
    ("form", "cell", "said"),
    [
        ("", "22:00:00", "day"),
        (', format = "%H:%M"', "22:00", "day"),
        (', format = "%d/%m %H:%M"', "14/3 22:00", "year"),
    ],
)
def test_a_time_without_its_date_asks_for_the_start(tmp_path: Path, form: str, cell: str, said: str) -> None:
    job = f'[job]\nname="n"\n[columns]\ntime={{column="t"{form}}}\nvacuum={{column="v",unit="micron"}}\n'
    with pytest.raises(InputError, match=f"holds '{cell}', which tells no {said}; expected .* start = "):
        load(write(tmp_path, f"t,v\n{cell},1\n", job))


def test_stamps_that_a_spreadsheet_cut_short_are_refused(tmp_path: Path) -> None:
    """1.77361E+12 ms since 1970 is the same for 10,000 s: how fast the rows came is lost."""
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\ncircuit_pressure={column="p",unit="barg"}\n'
    rows = "".join(f"{1_773_600_000_000 + 10_000 * i:.5E},10\n" for i in range(4_000))
    with pytest.raises(InputError, match="rows share each stamp, one every 10000 s"):
        load(write(tmp_path, "t,p\n" + rows, job))


@pytest.mark.parametrize("since_s", [11_644_473_600, 62_135_596_800])
def test_counts_of_a_tenth_of_a_microsecond_are_no_nanoseconds_since_1970(since_s: int, tmp_path: Path) -> None:
    """As operating systems and controllers count from the years 1601 and 1: 10 s would be read as a tenth of one."""
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\ncircuit_pressure={column="p",unit="barg"}\n'
    rows = "".join(f"{(1_773_600_000 + since_s + 10 * i) * 10_000_000},10\n" for i in range(9))
    with pytest.raises(InputError, match="none of its 9 rows has a readable time"):
        load(write(tmp_path, "t,p\n" + rows, job))


@pytest.mark.parametrize(
    ("job", "said"),
    [
        (COLUMNS.replace("P1 (bar abs)", "P2"), r"no column P2; the header holds 'Date, T out, P1 \(bar abs\)'"),
        (COLUMNS.replace("Europe/Berlin", "Mars/Base"), r"'Mars/Base' is not accepted; expected an IANA name"),
        (COLUMNS.replace("%d.%m.%Y", "%Y/%m/%d"), r"'14.03.2026 08:00:00', which is not a time"),
        (COLUMNS.replace("%d.%m.%Y", "%Q"), r"time format: '%Q %H:%M:%S' is not accepted; expected one of strptime's"),
        (COLUMNS.replace("%m", "%d"), r"time format: '%d.%d.%Y %H:%M:%S' is not accepted; expected one of strptime's"),
        (COLUMNS.replace("%d.%m.%Y %H:%M:%S", "min"), r"format: 'min' is not accepted; .* and their unit, unit = .min"),
        (COLUMNS.replace("time =", "clock ="), r"clock: expected a unit|which column is the time"),
    ],
)
def test_a_mapping_that_does_not_fit_is_refused_in_one_line(tmp_path: Path, job: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as refusal:
        load(write(tmp_path, ROWS, job))
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("rows", "refused"),
    [
        (["20,5,1,", "21,0,1,", "21,1,"], True),  # 20,5 and a whole number without decimals
        (["20,05,,", "20,15,,"], True),  # nobody writes 05
        (["20,1,18,", "21,0,18,", "21,1,18,"], False),  # each row ends in a delimiter
        (["20,1,18,", "21,0,18", "21,1,"], False),
    ],
)
def test_decimals_apart_that_push_blank_cells_beyond_the_header_are_refused(
    tmp_path: Path, rows: list[str], refused: bool
) -> None:
    job = '[job]\nname="n"\n[columns]\ntime={column="t"}\nleaving_water_temperature={column="T",unit="degC"}\n'
    job += 'circuit_pressure={column="P",unit="bar"}\nambient_temperature={column="A",unit="degC"}\n'
    text = "t,T,P,A\n" + "".join(f"2026-03-14 08:{i:02d}:00,{rows[i % len(rows)]}\n" for i in range(12))
    if refused:
        with pytest.raises(InputError, match=r"12 rows have more cells than the header has columns; .* other than ','"):
            load(write(tmp_path, text, job))
    else:
        assert load(write(tmp_path, text, job))[0].frame["leaving_water_temperature"].iloc[0] == 293.15
