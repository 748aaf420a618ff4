"""Reading logs as they are found: torn, with CRLF, with gaps, with columns that nobody knows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.log import gaps, load, standard_atmosphere_pa
from analysis.review import review
from analysis.stages import find_stages, stretch_of
from analysis.vocabulary.errors import InputError

JOB = '[job]\nname = "n"\n'
HEAD = "time,circuit_pressure [psig],leaving_water_temperature [degF]\n"


def folder(tmp_path: Path, readings: bytes | str, job: str = JOB) -> Path:
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    (tmp_path / "readings.csv").write_bytes(readings if isinstance(readings, bytes) else readings.encode())
    return tmp_path


def row(second: int, *cells: object) -> str:
    return f"2026-03-14T07:00:{second:02d}.000Z," + ",".join(str(c) for c in cells) + "\n"


def test_rows_in_si_with_blanks_kept_missing(tmp_path: Path) -> None:
    log, _ = load(folder(tmp_path, HEAD + row(0, 0, 32) + row(1, "", 212) + row(2, 10, "")))
    assert log.frame["circuit_pressure"].tolist()[0] == pytest.approx(101_325.0)
    assert np.isnan(log.frame["circuit_pressure"].iloc[1])
    assert log.frame["leaving_water_temperature"].tolist()[:2] == pytest.approx([273.15, 373.15])
    assert log.barometer_source == "assumed"
    assert any("101.325 kPa" in caution for caution in log.cautions)


@pytest.mark.parametrize("cut", range(1, 40))
def test_a_torn_last_line_is_ignored_wherever_it_is_torn(tmp_path: Path, cut: int) -> None:
    whole = HEAD + row(0, 1, 50) + row(1, 2, 51)
    last = row(2, 3, 52)
    log, _ = load(folder(tmp_path, whole + last[: min(cut, len(last) - 1)]))
    assert len(log.frame) == 2
    assert any("torn" in caution for caution in log.cautions)


def test_a_header_may_stand_again_but_no_other_one(tmp_path: Path) -> None:
    again = HEAD + row(0, 1.5, 50) + HEAD + row(1, 2.5, 51)
    assert len(load(folder(tmp_path, again))[0].frame) == 2
    other = HEAD + row(0, 1.5, 50) + HEAD.replace("leaving", "entering") + row(0, 2.5, 51)
    with pytest.raises(InputError, match="another table begins, with 'entering_water_temperature"):
        load(folder(tmp_path, other))


def test_crlf_reads_the_same_as_lf(tmp_path: Path) -> None:
    text = HEAD + row(0, 1.5, 50) + row(1, 2.5, 51)
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    lf, _ = load(folder(tmp_path / "a", text))
    crlf, _ = load(folder(tmp_path / "b", text.replace("\n", "\r\n")))
    pd.testing.assert_frame_equal(lf.frame, crlf.frame)


def test_backward_repeated_and_unreadable_rows_are_left_out_and_said(tmp_path: Path) -> None:
    text = HEAD + row(1, 1, 50) + row(0, 2, 50) + row(1, 3, 50) + "yesterday,4,50\n" + row(5, "five", 50)
    log, _ = load(folder(tmp_path, text))
    assert len(log.frame) == 2
    said = " ".join(log.cautions)
    assert "2 rows that went back in time" in said
    assert "1 row without a readable time" in said
    assert "1 cell without a number" in said


def test_gaps_are_pauses_in_the_rows(tmp_path: Path) -> None:
    text = HEAD + "".join(row(s, 1, 50) for s in (0, 1, 2, 3, 30, 31))
    log, _ = load(folder(tmp_path, text))
    assert [(b - a).total_seconds() for a, b in gaps(pd.DatetimeIndex(log.frame.index))] == [27.0]


def test_elevation_makes_gauge_absolute(tmp_path: Path) -> None:
    """U.S. Standard Atmosphere 1976: 84.556 kPa at 1,500 m; about 16 kPa less than at sea level."""
    assert standard_atmosphere_pa(1500.0) == pytest.approx(84_556, abs=5)
    log, _ = load(folder(tmp_path, HEAD + row(0, 0, 50), JOB + '[site]\nelevation = "1500 m"\n'))
    assert log.frame["circuit_pressure"].iloc[0] == pytest.approx(84_556, abs=5)


@pytest.mark.parametrize(("barometer", "doubted"), [("101.3 kPa", True), ("83.1 kPa", False)])
def test_a_barometer_that_is_not_that_of_the_elevation_is_named(tmp_path: Path, barometer: str, doubted: bool) -> None:
    """U.S. Standard Atmosphere 1976: 84.6 kPa at 1,500 m; a weather report gives what it would be at sea level."""
    site = f'[site]\nelevation = "1500 m"\nbarometer = "{barometer}"\n'
    log, _ = load(folder(tmp_path, HEAD + row(0, 0, 50), JOB + site))
    assert log.barometer_pa.iloc[0] == pytest.approx(float(barometer.split()[0]) * 1e3)
    assert any("is it that of sea level" in said for said in log.cautions) == doubted


@pytest.mark.parametrize("word", ["now", "today"])
def test_no_cell_stands_for_the_moment_of_the_review(tmp_path: Path, word: str) -> None:
    log, _ = load(folder(tmp_path, HEAD + f"{word},5,50\n" + row(0, 5, 50)))
    assert len(log.frame) == 1
    assert any("without a readable time" in caution for caution in log.cautions)


def test_a_log_without_any_time_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="none of its 2 rows has a readable time; expected such as 2026"):
        load(folder(tmp_path, HEAD + "yesterday,5,50\n9999-01-01T00:00:00.000Z,5,50\n"))


def test_vacuum_in_inches_counts_down_from_the_logged_barometer(tmp_path: Path) -> None:
    text = "time,circuit_pressure [inHg],barometer [kPa]\n" + row(0, 10, 100) + row(1, 10, "") + row(2, 10, 98)
    log, _ = load(folder(tmp_path, text))
    assert log.frame["circuit_pressure"].tolist() == pytest.approx([66_136, 66_136, 64_136], abs=1)
    assert log.barometer_source == "channel"


@pytest.mark.parametrize(("unit", "shown"), [("psig", -15.0), ("psia", -0.3), ("psia", 0.0)])
def test_a_gauge_that_shows_a_vacuum_as_less_than_nothing_is_believed(tmp_path: Path, unit: str, shown: float) -> None:
    log, _ = load(folder(tmp_path, f"time,circuit_pressure [{unit}],vacuum [micron]\n" + row(0, shown, 0)))
    assert log.frame["circuit_pressure"].tolist() == [100.0]
    assert log.frame["vacuum"].tolist() == [0.0]
    assert not any("absolute zero" in caution for caution in log.cautions)


def test_a_machine_s_transmitter_in_a_vacuum_may_be_off_by_its_class(tmp_path: Path) -> None:
    """Class 1 of 500 psi is 5 psi to either side (the usual make for a condenser, common practice)."""
    for shown, believed in ((-19.0, 100.0), (-21.0, np.nan)):
        log, _ = load(folder(tmp_path, f"time,suction_pressure [psig],vacuum [micron]\n{row(0, shown, 500)}"))
        assert log.frame["suction_pressure"].tolist() == pytest.approx([believed], nan_ok=True)


@pytest.mark.parametrize(("column", "shown"), [("cylinder_pressure [psig]", -19.0), ("suction_pressure [psia]", -3.0)])
def test_a_cylinder_s_gauge_and_a_gauge_labelled_absolute_are_no_transmitters_off_by_their_class(
    tmp_path: Path, column: str, shown: float
) -> None:
    log, _ = load(folder(tmp_path, f"time,{column},vacuum [micron]\n{row(0, shown, 500)}"))
    assert np.isnan(log.frame[column.partition(" ")[0]].iloc[0])
    assert any("below absolute zero" in caution for caution in log.cautions)


def test_absolute_labelled_gauge_is_named_and_not_used(tmp_path: Path) -> None:
    log, _ = load(folder(tmp_path, HEAD + row(0, -20, 50) + row(1, 5, 50)))
    assert np.isnan(log.frame["circuit_pressure"].iloc[0])
    assert any("below absolute zero" in caution for caution in log.cautions)


def test_a_logger_s_sign_for_a_missing_temperature_is_named_and_not_used(tmp_path: Path) -> None:
    log, _ = load(folder(tmp_path, HEAD + row(0, 5, -999) + row(1, 5, 50)))
    assert log.frame["leaving_water_temperature"].tolist() == pytest.approx([np.nan, 283.15], nan_ok=True)
    assert any("1 reading below absolute zero" in caution for caution in log.cautions)


def test_a_journal_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    made = folder(tmp_path, HEAD + row(0, 5, 50))
    (made / "journal.csv").mkdir()
    with pytest.raises(InputError, match=r"journal\.csv: cannot be read"):
        load(made)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,circuit_pressure [degF]\n", r"degF is not a unit of pressure; expected one of psia"),
        ("time,circuit_pressure [stone]\n", r"'stone' is not accepted"),
        ("time,vacuum [micron],vacuum [Pa]\n", r"stands in two columns"),
        ("date;p\n1;2\n", r"the header starts with 'date;p'"),
        (b"\x89PNG\r\n\x1a\n\xff\xfe", r"is not a CSV"),
        (b"", r"readings\.csv: holds no header line; expected 'time,channel"),
        (
            "time,vacuum,circuit pressure\n",
            r"no column of the header names its unit, as 'vacuum'; expected 'channel \[unit\]'",
        ),
    ],
)
def test_what_is_not_a_log_is_refused_in_one_line(tmp_path: Path, text: str | bytes, said: str) -> None:
    with pytest.raises(InputError, match=said) as refusal:
        load(folder(tmp_path, text))
    assert "\n" not in str(refusal.value)


def test_an_unknown_column_is_carried_and_one_without_unit_is_left_out(tmp_path: Path) -> None:
    log, _ = load(folder(tmp_path, "time,door [%],remark\n" + row(0, 50, "x")))
    assert log.frame["door"].tolist() == [0.5]
    assert any("remark" in caution for caution in log.cautions)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[evacuation]\nrules = "mars"\n', r"job\.toml: evacuation\.rules: 'mars' is not accepted; expected ashrae"),
        ('[columns]\ntime = { column = "time", zone = "Mars" }\n', r"job\.toml: \[columns\] time zone: 'Mars' is not"),
    ],
)
def test_what_the_job_names_wrongly_is_refused_by_file_and_key(tmp_path: Path, table: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        load(folder(tmp_path, HEAD + row(0, 1, 50), JOB + table))


def test_a_refused_unit_names_its_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"readings\.csv: column 'vacuum \[furlong\]': 'furlong' is not accepted"):
        load(folder(tmp_path, "time,vacuum [furlong]\n" + row(0, 1)))


def test_a_channel_may_be_named_in_any_language(tmp_path: Path) -> None:
    log, _ = load(folder(tmp_path, "time,Größe (außen) [V],+x [V]\n" + row(0, 3, 4)))
    assert log.frame["Größe (außen)"].tolist() == [3.0]
    assert log.cautions == ("Column '+x [V]' is not of the form 'name [unit]' and was left out.",)


def test_a_decimal_comma_is_no_reading_cut_short(tmp_path: Path) -> None:
    """150,75 is no 150 with something behind it."""
    with pytest.raises(InputError, match="2 of 2 rows have more cells than the header"):
        load(folder(tmp_path, HEAD + row(0, "150,75", "49,5") + row(1, "150,71", "49,5")))
    log, _ = load(folder(tmp_path, HEAD + row(0, "150.75", "49.5") + row(1, "150,71", "49,5") + row(2, "150.7", "")))
    assert log.frame["circuit_pressure"].notna().tolist() == [True, False, True]
    assert "readings.csv: 1 rows have more cells than the header" in log.cautions[0]
    short = row(3, "150.7")  # as many cells in all as two whole rows
    log, _ = load(folder(tmp_path, HEAD + row(0, "150.75", "49.5") + row(1, "150,71", "49.5") + short))
    assert log.frame["circuit_pressure"].notna().tolist() == [True, False, True]


def test_what_the_journal_says_and_nobody_knows_is_told(tmp_path: Path) -> None:
    at = "2026-03-14T07:00:00.000Z"
    folder(tmp_path, HEAD + row(0, 1, 50))
    (tmp_path / "journal.csv").write_text(
        f"time,kind,subject,value,text\n{at},Stage,recovery,begin,\n{at},mark,oil_chnge,,\n{at},mark,oil_change,,\n"
    )
    said = [caution for caution in load(tmp_path)[0].cautions if "not known" in caution]
    assert said[0].startswith(
        "journal.csv: kind 'Stage' is not known and is not used; expected stage, mark, instrument"
    )
    assert said[1].startswith("journal.csv: mark 'oil_chnge' is not known and is not used; expected cylinder_on")
    assert len(said) == 2


def test_a_log_with_no_rows_is_a_log(tmp_path: Path) -> None:
    log, _ = load(folder(tmp_path, HEAD))
    assert len(log.frame) == 0


def test_journal_rows_with_quotes_and_a_torn_end(tmp_path: Path) -> None:
    folder(tmp_path, HEAD + row(0, 1, 50))
    (tmp_path / "journal.csv").write_bytes(
        b'time,kind,subject,value,text\r\n2026-03-14T07:00:00.000Z,note,,,"said ""so"", twice"\r\n2026-03-14T07:00:0'
    )
    log, _ = load(tmp_path)
    assert log.journal["text"].tolist() == ['said "so", twice']
    assert any("journal.csv: the last line is torn" in caution for caution in log.cautions)


def test_a_journal_of_nanoseconds_is_read(tmp_path: Path) -> None:
    text = HEAD + row(0, 1, 50) + row(1, 2, 50)
    where = folder(tmp_path, text)
    (where / "journal.csv").write_text(
        "time,kind,subject,value,text\n2026-03-14T07:00:00.123456789Z,stage,recovery,begin,\n", encoding="utf-8"
    )
    log, job = load(where)
    spans, _ = find_stages(log, job)
    assert len(stretch_of(spans[0], log, job).frame) == len(log.frame[log.frame.index > spans[0].begin])


def test_what_is_made_ready_before_a_stage_belongs_to_it(tmp_path: Path) -> None:
    where = folder(tmp_path, HEAD + "".join(row(second, 1, 50) for second in range(20)))
    rows = ["00,mark,cylinder_on,A", "01,stage,recovery,begin", "02,mark,cylinder_on,B", "05,stage,recovery,end",
            "08,mark,pump_off,", "09,mark,cylinder_on,C", "10,stage,charging,begin",
            "11,mark,cylinder_on,D"]  # fmt: skip
    lines = "".join(f"2026-03-14T07:00:{line},\n".replace(",", ".000Z,", 1) for line in rows)
    (where / "journal.csv").write_text(f"time,kind,subject,value,text\n{lines}", encoding="utf-8")
    result = review(*load(where))
    said = [stage.stretch.marks("cylinder_on", "pump_off")["value"].tolist() for stage in result.stages]
    assert said == [["A", "B"], ["C", "D"]]
