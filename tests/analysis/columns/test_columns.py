"""A foreign log, its proposed mapping, and the frame that both give: the same as the native log's."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.columns import propose_columns
from analysis.columns.channels import guess_channel
from analysis.log import load
from analysis.log.clock import text_us
from analysis.log.words import meanings, words
from analysis.vocabulary.channels import CHANNELS
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import parse_job
from analysis.vocabulary.units import UNITS
from collector.commands.columns import run_columns

NATIVE = {
    "circuit_pressure": ("psig", 62.9), "vacuum": ("micron", 812.0), "pump_vacuum": ("micron", 205.0),
    "cylinder_weight": ("lb", 74.2), "cylinder_pressure": ("psig", 88.0), "cylinder_temperature": ("degF", 71.3),
    "entering_water_temperature": ("degF", 59.5), "leaving_water_temperature": ("degF", 54.1),
    "condenser_entering_temperature": ("degF", 80.2), "condenser_leaving_temperature": ("degF", 89.9),
    "ambient_temperature": ("degF", 67.0), "surface_temperature": ("degF", 66.1),
    "suction_pressure": ("psig", 41.2), "suction_temperature": ("degF", 55.5),
    "discharge_pressure": ("psig", 121.7), "discharge_temperature": ("degF", 139.0),
    "liquid_pressure": ("psig", 118.1), "liquid_temperature": ("degF", 90.4),
    "oil_pressure_before_filter": ("psig", 131.0), "oil_pressure_after_filter": ("psig", 126.0),
    "oil_temperature": ("degF", 121.0), "compressor_load": ("%", 63.0), "barometer": ("mbar", 974.7),
}  # fmt: skip

ENGLISH = {
    "circuit_pressure": "System press. (psig)", "vacuum": "Vacuum (microns)", "pump_vacuum": "Pump vac (microns)",
    "cylinder_weight": "Scale (lbs)", "cylinder_pressure": "Cyl P (psig)", "cylinder_temperature": "Cyl Temp °F",
    "entering_water_temperature": "Evap water in °F", "leaving_water_temperature": "CHW Out Temp (°F)",
    "condenser_entering_temperature": "Cond Water In (F)", "condenser_leaving_temperature": "Cond Water Out (F)",
    "ambient_temperature": "Outdoor Air Temp (F)", "surface_temperature": "Pipe clamp temp (F)",
    "suction_pressure": "SuctionPress_psig", "suction_temperature": "SuctionTemp_F",
    "discharge_pressure": "DischPress_psig", "discharge_temperature": "DischTemp_F",
    "liquid_pressure": "Liq line press (psig)", "liquid_temperature": "Liq line temp (F)",
    "oil_pressure_before_filter": "Oil press upstream filter (psig)",
    "oil_pressure_after_filter": "Oil press downstream filter (psig)", "oil_temperature": "Oil temp (F)",
    "compressor_load": "Capacity %", "barometer": "Barometric (mbar)",
}  # fmt: skip

GERMAN = {
    "circuit_pressure": ("Druck Kältekreis (bar ü)", "barg"), "vacuum": ("Vakuum (mbar)", "mbar"),
    "pump_vacuum": ("Vakuum Pumpe (mbar)", "mbar"), "cylinder_weight": ("Gewicht Flasche [kg]", "kg"),
    "cylinder_pressure": ("Flaschendruck (bar abs)", "bar"), "cylinder_temperature": ("Flasche Temperatur °C", "degC"),
    "entering_water_temperature": ("Kaltwasser Eintritt (°C)", "degC"),
    "leaving_water_temperature": ("Kaltwasseraustritt (°C)", "degC"),
    "condenser_entering_temperature": ("Kühlwasser Eintritt (°C)", "degC"),
    "condenser_leaving_temperature": ("Kühlwasser Austritt (°C)", "degC"),
    "ambient_temperature": ("Außentemperatur [°C]", "degC"),
    "surface_temperature": ("Oberflächentemperatur [°C]", "degC"),
    "suction_pressure": ("Saugdruck [barg]", "barg"), "suction_temperature": ("Sauggastemperatur [°C]", "degC"),
    "discharge_pressure": ("Hochdruck [barg]", "barg"), "discharge_temperature": ("Heißgastemperatur [°C]", "degC"),
    "liquid_temperature": ("Temperatur Flüssigkeitsleitung [°C]", "degC"),
    "oil_temperature": ("Öltemperatur [°C]", "degC"), "compressor_load": ("Auslastung [%]", "%"),
    "barometer": ("Luftdruck [hPa]", "mbar"),
}  # fmt: skip

FRENCH = {
    "circuit_pressure": ("Pression circuit (bar g)", "barg"), "vacuum": ("Vide (mbar)", "mbar"),
    "pump_vacuum": ("Vide pompe (mbar)", "mbar"), "cylinder_weight": ("Poids bouteille [kg]", "kg"),
    "cylinder_pressure": ("Pression bouteille (bar abs)", "bar"),
    "cylinder_temperature": ("Température bouteille °C", "degC"),
    "entering_water_temperature": ("Eau entrée °C", "degC"), "leaving_water_temperature": ("Eau sortie °C", "degC"),
    "condenser_entering_temperature": ("Condenseur entrée °C", "degC"),
    "condenser_leaving_temperature": ("Condenseur sortie C", "degC"),
    "ambient_temperature": ("Température ambiante C", "degC"), "surface_temperature": ("Surface tuyau C", "degC"),
    "suction_pressure": ("Basse pression bar(g)", "barg"), "suction_temperature": ("Température aspiration C", "degC"),
    "discharge_pressure": ("Haute pression barg", "barg"),
    "discharge_temperature": ("Température refoulement C", "degC"),
    "oil_temperature": ("Température huile", "degC"), "compressor_load": ("Charge compresseur %", "%"),
    "barometer": ("Pression atmosphérique hPa", "mbar"),
}  # fmt: skip

SPANISH = {
    "circuit_pressure": ("Presión del circuito (kPa g)", "kPag"), "vacuum": ("Vacío mmHg", "Torr"),
    "cylinder_weight": ("Báscula kg", "kg"), "cylinder_temperature": ("Temperatura cilindro C", "degC"),
    "entering_water_temperature": ("Agua entrada C", "degC"), "leaving_water_temperature": ("Agua salida C", "degC"),
    "condenser_entering_temperature": ("Condensador entrada C", "degC"),
    "condenser_leaving_temperature": ("Condensador salida C", "degC"),
    "ambient_temperature": ("Temperatura ambiente C", "degC"), "surface_temperature": ("Superficie tubo C", "degC"),
    "suction_pressure": ("Baja presión barg", "barg"), "suction_temperature": ("Temperatura de aspiración C", "degC"),
    "discharge_pressure": ("Presión de descarga barg", "barg"),
    "discharge_temperature": ("Temperatura de descarga C", "degC"), "liquid_pressure": ("Presión líquido barg", "barg"),
    "oil_temperature": ("Temperatura aceite C", "degC"), "compressor_load": ("Carga compresor %", "%"),
    "barometer": ("Presión atmosférica hPa", "mbar"),
}  # fmt: skip


UNSAID, NO_UNIT = "the unit is not said", "'%s' is no unit of a log"
BY_SIZE = f"{UNSAID}, taken from the size of the numbers"


def times(rows: int) -> pd.DatetimeIndex:
    return pd.date_range("2026-03-14T07:05:00Z", periods=rows, freq="10s")


def readings(rows: int = 40) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(3)
    return {c: np.round(v + rng.normal(0, 0.1, rows) + np.arange(rows) * 0.01, 3) for c, (_, v) in NATIVE.items()}


def native(folder: Path, logged: dict[str, np.ndarray]) -> Path:
    folder.mkdir()
    (folder / "job.toml").write_text('[job]\nname = "n"\n', encoding="utf-8")
    frame = pd.DataFrame({f"{c} [{NATIVE[c][0]}]": v for c, v in logged.items()})
    frame.insert(0, "time", times(len(frame)).strftime("%Y-%m-%dT%H:%M:%S.000Z"))
    frame.to_csv(folder / "readings.csv", index=False)
    return folder


def proposed(folder: Path, text: str, encoding: str = "utf-8") -> tuple[Path, Path]:
    """Write the foreign log, let the command write its job, return both."""
    file, job = folder / "theirs.csv", folder / "theirs.toml"
    file.write_bytes(text.encode(encoding))
    run_columns(file, output=job)
    return file, job


def test_an_english_log_gives_the_frame_of_the_native_one(tmp_path: Path) -> None:
    logged = readings()
    frame = pd.DataFrame({ENGLISH[c]: v for c, v in logged.items()})
    frame.insert(0, "Date/Time", times(len(frame)).strftime("%m/%d/%Y %I:%M:%S %p"))
    file, job = proposed(tmp_path, "Data logger 4711\nExported\n" + frame.to_csv(index=False))
    theirs, _ = load(file, job)
    ours, _ = load(native(tmp_path / "ours", logged))
    assert set(theirs.frame) == set(NATIVE)
    pd.testing.assert_frame_equal(theirs.frame[list(ours.frame)], ours.frame, check_freq=False)


@pytest.mark.parametrize(
    ("stamp", "headers"), [("Datum Uhrzeit", GERMAN), ("Horodatage", FRENCH), ("Fecha y hora", SPANISH)]
)
def test_a_log_in_another_language_gives_the_frame_of_the_native_one(
    stamp: str, headers: dict[str, tuple[str, str]], tmp_path: Path
) -> None:
    logged = readings()
    ours, _ = load(native(tmp_path / "ours", logged))
    table: dict[str, object] = {stamp: times(40).tz_convert("UTC").strftime("%d.%m.%Y %H:%M:%S")}
    for channel, (name, symbol) in headers.items():
        unit = UNITS[symbol]
        si = ours.frame[channel].to_numpy()
        if unit.datum == "gauge":
            si = si - ours.barometer_pa.to_numpy()
        table[name] = [f"{x:.6f}".replace(".", ",") for x in (si - unit.offset) / unit.scale]
    file, job = proposed(tmp_path, pd.DataFrame(table).to_csv(index=False, sep=";"), "cp1252")
    theirs, settings = load(file, job)
    assert settings.columns is not None
    assert {c: e.column for c, e in settings.columns.mapping.items() if c != "time"} == {
        c: name for c, (name, _) in headers.items()
    }
    pd.testing.assert_frame_equal(theirs.frame, ours.frame[list(theirs.frame)], rtol=1e-5, check_freq=False)


@pytest.mark.parametrize(
    ("header", "cells", "channel", "unit", "doubt"),
    [
        ("Suction pressure (bar)", "3.2", "suction_pressure", "barg", "gauge or absolute is not said; bar if absolute"),
        ("Suction pressure (bar)", "-0.4", "suction_pressure", "barg", ""),
        ("Suction pressure (bar abs)", "3.2", "suction_pressure", "bar", ""),
        ("Suction pressure MPa(a)", "0.32", "suction_pressure", "MPa", ""),
        ("Hochdruck MPa abs", "1.32", "discharge_pressure", "MPa", ""),
        ("Suction pressure (bara)", "3.2", "suction_pressure", "bar", ""),
        ("ND [bar]", "3.2", "suction_pressure", "barg", "gauge or absolute is not said; bar if absolute"),
        ("P1 psig", "62.9", "circuit_pressure", "psig", "by its kind alone"),
        ("LWT", "6.9", "leaving_water_temperature", "degC", BY_SIZE),
        ("LWT", "44.5", "leaving_water_temperature", "degF", BY_SIZE),
        ("Discharge temp", "71", "discharge_temperature", "degC", BY_SIZE),
        ("Scale (oz)", "400", "cylinder_weight", "oz", ""),
        ("Vac [Pa]", "60", "vacuum", "Pa", ""),
        ("Saugdruck / kPa(a)", "320", "suction_pressure", "kPa", ""),
        ("Wasser Eintritt", "12", "entering_water_temperature", "degC", f"by its kind alone; {BY_SIZE}"),
        ("Low side inHg", "4", "suction_pressure", "inHg", ""),
        ("Wassertemperatur Austritt in °C", "12", "leaving_water_temperature", "degC", ""),
        ("Verdichterlast in %", "80", "compressor_load", "%", ""),
        ('"Amb, °F (LGR S/N: 99, SEN S/N: 99, LBL: Amb)"', "71", "ambient_temperature", "degF", ""),
        ("Suction A (bar)", "3.2", "suction_pressure", "barg", "gauge or absolute is not said; bar if absolute"),
        ("Suction (psi a)", "62", "suction_pressure", "psia", ""),
        ("Suction P (inHg abs)", "20", "suction_pressure", "barg", BY_SIZE.replace(UNSAID, NO_UNIT % "inHg abs")),
        ("Suction pressure (MPaG)", "0.32", "suction_pressure", "barg", BY_SIZE.replace(UNSAID, NO_UNIT % "MPaG")),
        ("Presión absoluta aspiración (bar)", "3.2", "suction_pressure", "bar", ""),
        ("Suction pressure gauge (lb/in²)", "32", "suction_pressure", "psig", ""),
        ("Vacuum (µm)", "500", "vacuum", "micron", ""),
        ("Pression absolue aspiration (bar absolu)", "3.2", "suction_pressure", "bar", ""),
        ("Pressione aspirazione (bar assoluti)", "3.2", "suction_pressure", "bar", ""),
        ("Pression d'aspiration (bar relatif)", "3.2", "suction_pressure", "barg", ""),
        ("Vacuum (inHg)", "28.9", "circuit_pressure", "inHg", "by its kind alone"),
        ("Vacuum (bar)", "-0.9", "circuit_pressure", "barg", "by its kind alone"),
        ("High side temp (F)", "95", "discharge_temperature", "degF", "it may be liquid_temperature as well"),
        ("Vibration (µm)", "500", "", "", "neither its name nor its unit says what it is"),
        ("Druckleitung (°C)", "71", "discharge_temperature", "degC", ""),
        ("Head pressure (psig)", "150", "discharge_pressure", "psig", ""),
        ("Suction pressure (V)", "2.1", "suction_pressure_other", "V", "carried and plotted, not judged"),
        ("Barometer (inHg abs)", "29.4", "barometer", "inHg", ""),
        ("Motor current (A)", "12", "motor_current", "A", "carried and plotted, not judged"),
        ("Remarks 7", "12", "", "", "neither its name nor its unit says what it is"),
    ],
)  # fmt: skip
def test_header_and_numbers_of_one_column_tell_channel_and_unit(
    header: str, cells: str, channel: str, unit: str, doubt: str
) -> None:
    rows = "".join(f"2026-03-14T07:05:{i:02d}Z,{cells}\n" for i in range(9))
    proposal = propose_columns(f"Stamp,{header}\n{rows}".encode(), "log.csv")
    (guess,) = proposal.guesses
    assert (guess.channel, guess.unit, guess.doubt) == (channel, unit, doubt)
    parse_job({"job": {"name": "n"}, **tomllib.loads(proposal.to_toml())})


def test_the_better_named_column_takes_the_channel() -> None:
    rows = "".join(f"2026-03-14T07:05:{i:02d}Z,3.1,7.5\n" for i in range(9))
    proposal = propose_columns(f"Time,Pressure (barg),System pressure (barg)\n{rows}".encode(), "log.csv")
    assert [(g.column, g.channel) for g in proposal.guesses] == [
        ("Pressure (barg)", ""), ("System pressure (barg)", "circuit_pressure"),
    ]  # fmt: skip
    assert (
        "# not used: \"Pressure (barg)\" (circuit_pressure is taken by 'System pressure (barg)')" in proposal.to_toml()
    )


def test_a_vacuum_gauge_that_is_blank_at_first_is_proposed_all_the_same() -> None:
    rows = "".join(f"2026-03-14T07:05:{i:02d}Z,,20.1\n" for i in range(9))
    vacuum, _ = propose_columns(f"Time,Vakuum,Umgebung (C)\n{rows}".encode(), "log.csv").guesses
    assert (vacuum.channel, vacuum.unit, vacuum.doubt) == ("vacuum", "micron", "no numbers in its first rows")


def test_units_below_the_header_are_read() -> None:
    rows = "".join(f"2026-03-14 07:05:{i:02d};21,5;4,1\n" for i in range(9))
    proposal = propose_columns(f"Zeit;Umgebung;Saugdruck\n;°C;bar(a)\n{rows}".encode(), "log.csv")
    assert [(g.channel, g.unit) for g in proposal.guesses] == [
        ("ambient_temperature", "degC"), ("suction_pressure", "bar"),
    ]  # fmt: skip
    assert proposal.layout.decimal == ","


def test_two_rows_below_the_header_may_say_what_the_columns_are() -> None:
    rows = "".join(f'"2026-03-14 07:05:{i:02d}",{i},21.5,4.1\n' for i in range(9))
    text = (
        '"TOA5","7","site"\n"TIMESTAMP","RECORD","Ambient_Avg","Suction_press_Avg"\n"TS","RN","Deg C","bar(g)"\n'
        f'"","","Avg","Smp"\n{rows}'
    )
    proposal = propose_columns(text.encode(), "log.csv")
    assert proposal.time.column == "TIMESTAMP"
    assert [(g.channel, g.unit) for g in proposal.guesses if g.channel] == [
        ("ambient_temperature", "degC"), ("suction_pressure", "barg"),
    ]  # fmt: skip


def test_names_of_channels_above_the_header_are_read() -> None:
    rows = "".join(f"{i},2026/03/14 07:05:{i:02d},21.5,4.1\n" for i in range(9))
    above = "Logger,X\nCH,Signal name,Input\nCH1,Ambient,TC\nP2,Vacuum,DC\nData\n"
    text = f"{above}Number,Date&Time,CH1,P2\nNO.,Time,degC,Pa\n{rows}"
    assert [(g.column, g.channel, g.unit) for g in propose_columns(text.encode(), "x").guesses if g.channel] == [
        ("CH1", "ambient_temperature", "degC"), ("P2", "vacuum", "Pa"),
    ]  # fmt: skip


def test_of_an_interval_the_mean_is_taken_and_none_takes_the_name_of_another() -> None:
    rows = "".join(f"2026-03-14 07:05:{i:02d},30,40,50,300,310,320\n" for i in range(9))
    names = ",".join(f"{name} {end} [Pa]" for name in ("Pump vacuum", "Vacuum") for end in ("Min", "Avg", "Max"))
    proposal = propose_columns(f"Time,{names}\n{rows}".encode(), "x")
    assert {g.channel: g.column for g in proposal.guesses if g.channel} == {
        "pump_vacuum": "Pump vacuum Avg [Pa]", "vacuum": "Vacuum Avg [Pa]",
    }  # fmt: skip


def test_the_time_of_one_channel_is_no_channel() -> None:
    rows = "".join(f"2026-03-14 07:05:{i:02d},3.1,2026-03-14 07:05:{i:02d},7.5\n" for i in range(9))
    names = "Suction press (bar) time,Suction press (bar),Ambient (C) time,Ambient (C)"
    assert [g.column for g in propose_columns(f"{names}\n{rows}".encode(), "x").guesses if g.channel] == [
        "Suction press (bar)", "Ambient (C)",
    ]  # fmt: skip


def test_a_date_that_is_told_once_is_proposed_with_its_clock() -> None:
    rows = "".join(f"{'14.03.2026' if i == 0 else ''};07:05:{i:02d};3,1\n" for i in range(9))
    time = propose_columns(f"Datum;Uhrzeit;Saugdruck (bar)\n{rows}".encode(), "x").time
    assert (time.column, time.clock, time.format) == ("Datum", ("Uhrzeit",), "%d.%m.%Y %H:%M:%S")


def test_a_zone_that_is_not_known_is_said_and_one_that_is_known_is_not() -> None:
    log = "Time,Temp (C)\n" + "2026-03-14T07:05:00{},20\n2026-03-14T07:05:01{},20\n2026-03-14T07:05:02{},20\n"
    assert "does not say its time zone" in propose_columns(log.replace("{}", "").encode(), "x").to_toml()
    assert "zone" not in propose_columns(log.replace("{}", "+01:00").encode(), "x").to_toml()


def test_day_and_month_that_could_be_either_are_said() -> None:
    one_day = "Time,T amb (C)\n" + "".join(f"03/04/2026 07:05:{i:02d},20\n" for i in range(9))
    assert "Day and month may be the other way round" in propose_columns(one_day.encode(), "x").to_toml()
    two_days = one_day + "".join(f"03/14/2026 07:05:{i:02d},20\n" for i in range(9))
    time = propose_columns(two_days.encode(), "x").time
    assert (time.format, time.doubts) == ("%m/%d/%Y %H:%M:%S", ())
    next_day = one_day + "".join(f"03/05/2026 07:05:{i:02d},20\n" for i in range(9))
    head, *rows = next_day.splitlines(keepends=True)
    for log in (next_day, "".join([head, *rows[::-1]])):
        time = propose_columns(log.encode(), "x").time
        assert time.format == "%m/%d/%Y %H:%M:%S"
        assert "%d/%m/%Y %H:%M:%S fits as well" in time.doubts[0]


@pytest.mark.parametrize(("day", "form"), [("May 3 2026", "%b %d %Y"), ("3 May 2026", "%d %b %Y")])
def test_a_month_that_is_named_is_taken_for_no_day(day: str, form: str) -> None:
    log = "Time,T amb (C)\n" + "".join(f"{day} 07:05:{i:02d},20\n" for i in range(9))
    time = propose_columns(log.encode(), "x").time
    assert (time.format, time.doubts) == (f"{form} %H:%M:%S", ())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,circuit_pressure [psig]\n2026-03-14T07:05:00Z,1\n", "names its own channels and units"),
        ("Pressure (bar),Temp (C)\n1,2\n3,4\n", "no column holds times: 'Pressure .bar.' holds '1'"),
        ("Time,Pressure (bar)\n" + 9 * f"{'x' * 5000},1\n", "no column holds times: 'Time' holds 'x{79}…; expected"),
        ("Time,Temp (C)\n" + "2026-W10-3 07:05:00,20\n" * 9, "no column holds times: 'Time' holds '2026-W10-3"),
        ("just words\nand more\n", "no line with names of columns"),
        (
            "Time,Channel,Value\n"
            + "".join(f"2026-03-14 07:0{i},{name},{i}\n" for i in range(5) for name in ("Vacuum", "Ambient Temp")),
            "column 'Channel' says what each row reads .Ambient Temp, Vacuum, ",
        ),
        ("", "no line with names of columns"),
    ],
)
def test_what_cannot_be_proposed_is_refused_in_one_line(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as refusal:
        propose_columns(text.encode(), "log.csv")
    assert "\n" not in str(refusal.value)


def test_a_log_that_counts_from_a_start_that_it_does_not_say(tmp_path: Path) -> None:
    text = "Elapsed (s),Temp (C)\n" + "".join(f"{i},20\n" for i in range(9))
    file, job = proposed(tmp_path, text)
    with pytest.raises(InputError, match=r"counts from 0; expected .columns. time to give start"):
        load(file, job)
    stated = job.read_text(encoding="utf-8").replace('unit = "s"', 'unit = "s", start = "2026-03-14 08:00"')
    job.write_text(stated.replace('zone = "UTC"', 'zone = "Europe/Berlin"'), encoding="utf-8")
    assert load(file, job)[0].frame.index[8] == pd.Timestamp("2026-03-14T07:00:08Z")


@pytest.mark.parametrize(
    ("above", "form", "start"),
    [
        ("Run started: 3/14/2026 4:00:00 PM\n", "", "2026-03-14T16:00:00.000"),
        ("Start 14.03.2026 15:59\n", "%H:%M", "2026-03-14T15:59:00.000"),
        ("Start date,2026-03-14\nStart time,16:00:00\n", "", "2026-03-14T16:00:00.000"),
        ("Start time: 4:00:00 PM\nStart date: 3/14/2026\n", "", "2026-03-14T16:00:00.000"),
        ("Exported 3/15/2026 9:30:00 AM\n", "%I:%M:%S %p", ""),
        ("", "%H:%M", ""),
    ],
)
def test_a_time_of_day_has_the_date_of_the_start_that_shows_it(above: str, form: str, start: str) -> None:
    times = pd.date_range("2026-03-14 16:00", periods=1_000, freq="min").strftime(form or "%H:%M:%S")
    time = propose_columns((above + "Time,Temp (C)\n" + "".join(f"{at},20\n" for at in times)).encode(), "x").time
    assert (time.column, time.format, time.start) == ("Time", form, start)
    assert any('add start = "2026-03-14 16:00:00"' in doubt for doubt in time.doubts) == (not start)


@pytest.mark.parametrize(
    ("header", "step", "unit", "said"),
    [
        ("Time (Minute(s))", 1 / 6, "min", False),
        ("Elapsed (Hours)", 1 / 360, "h", False),
        ("Time (µs)", 1e7, "us", False),
        ("Time", 1 / 6, "s", True),
    ],
)
def test_the_unit_of_a_count_is_read_or_said_to_be_missing(header: str, step: float, unit: str, said: bool) -> None:
    rows = "".join(f"{step * i:.10g},20\n" for i in range(600))
    time = propose_columns(f"Start 2026-03-14 07:05\n{header},T amb (C)\n{rows}".encode(), "x").time
    assert (time.column, time.unit, time.start) == (header, unit, "2026-03-14T07:05:00.000")
    assert any("in which unit it counts" in doubt for doubt in time.doubts) == said


def test_a_start_that_is_not_called_so_is_said() -> None:
    rows = "".join(f"{i},20\n" for i in range(9))
    exported, started = "Exported;2026-03-20 10:00\n", "Début;2026-03-14 07:05\n"
    times = [
        propose_columns(f"{above}Elapsed (s);T amb (C)\n{rows.replace(',', ';')}".encode(), "x").time
        for above in (exported, exported + started)
    ]
    assert times[0].doubts == ("The start of the log is taken from 'Exported;2026-03-20 10:00'.",)
    assert (times[1].start, times[1].doubts) == ("2026-03-14T07:05:00.000", ())


@pytest.mark.parametrize(
    ("date", "form", "also"),
    [("26/03/04", "%y/%m/%d", ""), ("04.03.26", "%d.%m.%y", ""), ("25.03.24", "%d.%m.%y", "%y.%m.%d")],
)
def test_of_two_digits_that_may_be_the_year_those_of_a_year_long_past_are_not(date: str, form: str, also: str) -> None:
    log = "Zeit,T amb (C)\n" + "".join(f"{date} 07:05:{i:02d},20\n" for i in range(9))
    time = propose_columns(log.encode(), "x").time
    assert time.format == f"{form} %H:%M:%S"
    assert [also in doubt for doubt in time.doubts] == [True] * bool(also)


def test_what_is_not_sure_is_printed_where_the_table_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    proposed(tmp_path, "Time,T amb (C)\n" + "".join(f"03/04/2026 07:05:{i:02d},20\n" for i in range(9)))
    said = capsys.readouterr().out.splitlines()
    assert any("Day and month may be the other way round: %m/%d/%Y %H:%M:%S" in line for line in said)
    assert any("does not say its time zone" in line for line in said)


def test_an_instrument_that_came_late_is_proposed(tmp_path: Path) -> None:
    rows = "".join(
        f"{at:%Y-%m-%d %H:%M:%S},20,{'' if i < 60_000 else 900}\n"
        for i, at in enumerate(pd.date_range("2026-03-14", periods=80_000, freq="s"))
    )
    proposed(tmp_path, "Time,T amb (C),Vac\n" + rows)
    assert 'vacuum = { column = "Vac", unit = "mbar" }' in (tmp_path / "theirs.toml").read_text(encoding="utf-8")


def test_a_table_that_is_there_is_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = "Time,Temp (C)\n" + "".join(f"2026-03-14T07:05:{i:02d}Z,20\n" for i in range(9))
    file, job = proposed(tmp_path, text)
    with pytest.raises(InputError, match="already"):
        run_columns(file, output=job)
    capsys.readouterr()
    run_columns(file)
    assert tomllib.loads(capsys.readouterr().out)["columns"]["time"] == {"column": "Time"}
    with pytest.raises(InputError, match="cannot be read"):
        run_columns(tmp_path / "none.csv")


def test_compounds_and_capitals_are_cut_into_words() -> None:
    assert words("Sauggastemperatur") == ["sauggas", "temperatur"]
    assert words("Wasseraustrittstemperatur") == ["wasser", "austritt", "temperatur"]
    assert words("DischTemp_F") == ["disch", "temp", "f"]
    assert meanings("CHW Out") == {"water", "leaving"}


def test_every_rule_names_a_channel() -> None:
    from analysis.columns.channels import ALONE, RULES

    assert {c for c, _ in (*RULES, *ALONE)} == set(CHANNELS)


def test_a_log_that_counts_for_a_day_holds_no_days_of_a_spreadsheet(tmp_path: Path) -> None:
    text = "Start;2026-03-28 09:30:39.409Z\nElapsed (s);Temp (C)\n"
    file, job = proposed(tmp_path, text + "".join(f"{i * 20},000;20,5\n" for i in range(5_000)))
    index = load(file, job)[0].frame.index
    assert index[0] == pd.Timestamp("2026-03-28T09:30:39.409Z")
    assert index[-1] - index[0] == pd.Timedelta(seconds=4_999 * 20)


@pytest.mark.parametrize(
    ("names", "channels"),
    [
        (("Manifold Low Side", "Saugdruck", "HP"), ("circuit_pressure", "suction_pressure", "discharge_pressure")),
        (("Manifold Low Side", "Manifold High Side"), ("circuit_pressure", "discharge_pressure")),
        (("System suction press", "Suction press"), ("circuit_pressure", "suction_pressure")),
        (("System suction press", "System discharge press"), ("suction_pressure", "discharge_pressure")),
        (("Evap pressure", "Cond pressure"), ("suction_pressure", "discharge_pressure")),
        (("Evaporator pressure", "Suction pressure"), ("circuit_pressure", "suction_pressure")),
        (("Evaporator pressure",), ("circuit_pressure",)),
        (("Oil filter inlet", "Oil P out"), ("oil_pressure_before_filter", "oil_pressure_after_filter")),
    ],
)
def test_a_name_that_fits_two_channels_leaves_the_one_that_another_needs(
    names: tuple[str, ...], channels: tuple[str, ...]
) -> None:
    head = ",".join(f"{name} (psig)" for name in names)
    rows = "\n".join(f"2026-03-14 08:00:{i:02d},{','.join(['62.5'] * len(names))}" for i in range(20))
    proposal = propose_columns(f"Time,{head}\n{rows}\n".encode(), "log.csv")
    assert tuple(guess.channel for guess in proposal.guesses) == channels


@pytest.mark.parametrize(("stamp", "order"), [("Horodatage", "%d/%m/%Y"), ("Date Time", "%m/%d/%Y")])
def test_a_date_that_may_be_read_either_way_is_read_as_its_language_writes_it(stamp: str, order: str) -> None:
    rows = "".join(f"07/03/2026 10:00:{second:02d};{60 + second}\n" for second in range(30))
    proposal = propose_columns(f"{stamp};Suction pressure (psig)\n{rows}".encode(), "theirs.csv")
    assert proposal.time.format.startswith(order)
    assert proposal.time.doubts


@pytest.mark.parametrize(
    ("stamp", "half", "order"),
    [("Stamp", "a.m.", "%d/%m/%Y"), ("Stamp", "AM", "%m/%d/%Y"), ("Fecha", "AM", "%d/%m/%Y")],
)
def test_halves_of_the_day_are_american_where_no_other_language_speaks(stamp: str, half: str, order: str) -> None:
    """Spanish writes a. m. (Unicode CLDR 45, es) and the day first."""
    rows = "".join(f"03/04/2026 07:05:{i:02d} {half},20,3\n" for i in range(9))
    assert propose_columns(f"{stamp},T (C),P (bar)\n{rows}".encode(), "x").time.format.startswith(order)


def test_digits_without_seconds_are_a_time() -> None:
    rows = "".join(f"2026031407{i:02d},32\n" for i in range(9))
    assert propose_columns(f"Time,Low side (psig)\n{rows}".encode(), "x").time.format == "%Y%m%d%H%M"


@pytest.mark.parametrize(
    ("date", "clock", "form"),
    [
        ("2026-073", "07:05:{:02d}", "%Y-%j %H:%M:%S"),  # ISO 8601: the day of the year
        ("14/03/2026", "07.05.{:02d}", "%d/%m/%Y %H.%M.%S"),
        ("14 de marzo de 2026", "07:05:{:02d}", "%d de %B de %Y %H:%M:%S"),
        ("14-août-2026", "07:05:{:02d}", "%d-%b-%Y %H:%M:%S"),
        ("14/out/2026", "07:05:{:02d}", "%d/%b/%Y %H:%M:%S"),
    ],
)
def test_date_and_clock_in_columns_of_their_own_are_read(tmp_path: Path, date: str, clock: str, form: str) -> None:
    rows = "".join(f"{date};{clock.format(i)};3,1\n" for i in range(9))
    file, job = proposed(tmp_path, f"Date;Time;Suction pressure (barg)\n{rows}")
    assert f'format = "{form}"' in job.read_text(encoding="utf-8")
    index = load(file, job)[0].frame.index
    assert (index[0].day, index[0].year, index[-1].second, len(index)) == (14, 2026, 8, 9)


def test_a_count_under_the_symbol_of_time_and_a_gauge_that_shows_nothing_yet() -> None:
    rows = "".join(f"{i},{'' if i < 60 else 900}\n" for i in range(70))
    proposal = propose_columns(f"t [min],Vacuum [micron]\n{rows}".encode(), "x")
    assert (proposal.time.unit, proposal.guesses[0].channel) == ("min", "vacuum")
    rows = "".join(f"2026-03-14 07:{i:02d},{'' if i < 50 else 900}\n" for i in range(60))
    (guess,) = propose_columns(f"Channel,A\nTime,Vacuum [micron]\n{rows}".encode(), "x").guesses
    assert (guess.channel, guess.doubt) == ("vacuum", "")


def test_two_letters_mean_another_pressure_beside_their_like() -> None:
    def channels(*names: str) -> list[str]:
        rows = "".join(f"2026-03-14 07:05:{i:02d}{',32' * len(names)}\n" for i in range(9))
        head = ",".join(f"{name} [psig]" for name in names)
        return [guess.channel for guess in propose_columns(f"Time,{head}\n{rows}".encode(), "x").guesses]

    assert channels("SP", "DP", "LP") == ["suction_pressure", "discharge_pressure", "liquid_pressure"]
    assert channels("SP1", "DP1", "LP1") == channels("SP", "DP", "LP")
    assert channels("LP", "HP") == ["suction_pressure", "discharge_pressure"]


def test_of_two_columns_that_may_be_one_channel_the_first_is_in_doubt() -> None:
    """Readings of two circuits say nothing of either; a net weight is no cylinder's beside a gross one."""
    rows = "".join(f"2026-03-14 07:05:{i:02d},32,150,32,42,52\n" for i in range(9))
    head = "Time,Circuit A LP (psig),Circuit A HP (psig),Circuit B LP (psig),Net weight (lb),Gross weight (lb)"
    low, high, other, net, gross = propose_columns(f"{head}\n{rows}".encode(), "x").guesses
    assert (low.channel, low.doubt) == ("suction_pressure", "'Circuit B LP (psig)' may be it as well")
    assert (high.doubt, other.channel, net.channel) == ("", "", "")
    assert (gross.channel, gross.doubt) == ("cylinder_weight", "")


def test_the_low_side_is_the_circuit_beside_a_scale() -> None:
    """The hose of a recovery hangs there; of a machine that runs both sides are logged (common practice)."""

    def said(*more: str) -> tuple[str, str]:
        rows = "".join(f"2026-03-14 07:05:{i:02d}{',32' * (1 + len(more))}\n" for i in range(9))
        guess = propose_columns(f"Time,Low side (psig),{','.join(more)}\n{rows}".encode(), "x").guesses[0]
        return guess.channel, guess.doubt

    hose = "circuit_pressure", "it may be suction_pressure as well"
    assert said("Scale (lb)") == said("High side (psig)", "Vacuum (micron)") == hose
    assert said("High side (psig)") == ("suction_pressure", "")
    both = said("High side (psig)", "Scale (lb)", "Suction temp (F)")
    assert both == ("suction_pressure", "it may be circuit_pressure as well")
    assert said("Ambient (F)") == both


def test_the_only_pressure_beside_a_scale_is_the_circuits() -> None:
    rows = "".join(f"2026-03-14 07:05:{i:02d},132,60\n" for i in range(9))
    high, _ = propose_columns(f"Time,High side (psig),Scale (lb)\n{rows}".encode(), "x").guesses
    assert (high.channel, high.doubt) == ("circuit_pressure", "it may be discharge_pressure as well")


def test_decimal_commas_put_the_day_first() -> None:
    rows = "".join(f"07/03/2026 10:00:{second:02d};{60 + second},5\n" for second in range(30))
    proposal = propose_columns(f"Date Time;Suction pressure (psig)\n{rows}".encode(), "theirs.csv")
    assert proposal.time.format.startswith("%d/%m/%Y")


def test_a_whole_stamp_is_read_before_the_parts_that_stand_beside_it() -> None:
    rows = "".join(f"2026-03-14 10:{minute:02d}:00,2026,3,14,10,{60 + minute}.5\n" for minute in range(30))
    proposal = propose_columns(f"Timestamp,Year,Month,Day,Hour,Suction pressure (psig)\n{rows}".encode(), "log.csv")
    assert (proposal.time.column, proposal.time.clock) == ("Timestamp", ())


@pytest.mark.parametrize(
    ("head", "form"),
    [
        ("Year,Month,Day,Time", "%Y,%-m,%-d,%H:%M:%S"),
        ("Day,Month,Year,Time", "%d,%m,%Y,%I:%M:%S %p"),
        ("YYYY,MM,DD,hh,mm,ss", "%Y,%m,%d,%H,%M,%S"),
    ],
)
def test_a_date_in_columns_of_its_parts_gives_the_frame_of_the_native_log(tmp_path: Path, head: str, form: str) -> None:
    """The first of a month too: 1 is then no part of a day."""
    logged = {"circuit_pressure": readings()["circuit_pressure"]}
    at = times(len(logged["circuit_pressure"])).shift(-13, "D").strftime(form)
    shown = zip(at, logged["circuit_pressure"], strict=True)
    rows = "".join(f"{time},{pressure}\n" for time, pressure in shown)
    file, job = proposed(tmp_path, f"{head},System press. (psig)\n{rows}")
    theirs, _ = load(file, job)
    ours, _ = load(native(tmp_path / "ours", logged))
    assert list(theirs.frame.index) == list(ours.frame.index.shift(-13, "D"))
    np.testing.assert_array_equal(theirs.frame["circuit_pressure"], ours.frame["circuit_pressure"])


@pytest.mark.parametrize(
    ("room", "pressure", "units"),
    [
        ("71.5", "62", ("degF", "psig", "lb")),
        ("21.5", "430", ("degC", "kPag", "kg")),
        ("21.5", "6.2", ("degC", "barg", "kg")),
    ],
)
def test_what_does_not_say_its_unit_is_in_those_of_its_neighbours(
    room: str, pressure: str, units: tuple[str, ...]
) -> None:
    rows = "".join(f"2026-03-14 08:00:{i:02d},{room},{pressure},60.5\n" for i in range(20))
    proposal = propose_columns(f"Time,Ambient temp,Suction pressure,Scale\n{rows}".encode(), "log.csv")
    assert tuple(guess.unit for guess in proposal.guesses) == units
    assert all(BY_SIZE in guess.doubt for guess in proposal.guesses)


@pytest.mark.parametrize(
    ("name", "channel"),
    [
        ("CHW supply temperature (°F)", "leaving_water_temperature"),
        ("Chilled water return (°F)", "entering_water_temperature"),
        ("Condenser water supply temp (°F)", "condenser_entering_temperature"),
        ("Kühlwasser Rücklauf [°C]", "condenser_leaving_temperature"),
    ],
)
def test_water_is_supplied_by_the_evaporator_and_to_the_condenser(name: str, channel: str) -> None:
    assert guess_channel(name, "", np.array([50.0, 51.0])).channel == channel


@pytest.mark.parametrize(
    ("name", "shown", "said"),
    [
        ("VacSetPT", [0.0, 500.0], "set"),
        ("CHAMBER.VACUUM_SP.F_CV", [100.0, 80.0], "set"),
        ("Suction pressure setpoint [psig]", [60.0, 60.0], "set"),
        ("MassFlowVial", [0.2, 0.3], "another kind"),
        ("Chilled water flow return", [11.0, 12.0], "another kind"),
        ("P_Total", [3_240.0, 3_600.0], "another kind"),
        ("A_HP_Total", [14.1, 1.0], "another kind"),
        ("Vacuum pump", [0.0, 1.0], "0 and 1"),
        ("Wait for low temperature", [0.0, 0.0], "0 and 1"),
        ("Sat Suction Temp (°F)", [38.9, 39.4], "worked out"),
        ("Saturated Discharge Temp (°F)", [99.1, 99.0], "worked out"),
        ("Discharge Superheat (K)", [24.0, 25.0], "worked out"),
        ("Sauggas Überhitzung [K]", [5.0, 6.0], "worked out"),
        ("Liquid subcooling (°F)", [9.0, 9.5], "worked out"),
        ("Outdoor wet bulb (°F)", [66.0, 66.5], "worked out"),
        ("Low limit (psig)", [40.0, 40.0], "set"),
        ("High pressure cut-out (psig)", [395.0, 395.0], "set"),
        ("Cylinder tare (lb)", [27.1, 27.1], "set"),
        ("Discharge lb/in² (g)", [121.0, 122.0], "says what it is"),
    ],
)
def test_set_values_flows_powers_and_switches_are_no_readings(name: str, shown: list[float], said: str) -> None:
    """Headers of freeze dryers, of heat pumps in the field, of chillers, as their loggers wrote them or like them."""
    guess = guess_channel(name, "", np.array(shown))
    assert (guess.channel, guess.choices) == ("", ())
    assert said in guess.doubt


@pytest.mark.parametrize(
    ("name", "shown", "channel", "unit"),
    [
        ("VacPirani", [738_690.0, 157.0], "vacuum", "micron"),
        ("Presure (mb)", [926.0, 0.213], "vacuum", "mbar"),
        ("Air pressure (mb)", [1_002.0, 1_003.0], "circuit_pressure", "mbar"),
        ("Set 2 suction pressure [psig]", [60.0, 61.0], "suction_pressure", "psig"),
        ("Flow temp", [50.0, 51.0], "", ""),
        ("Circuit pressure psig", [0.0, 1.0], "circuit_pressure", "psig"),
        ("T3 [C]", [20.0, 21.0], "t3", "degC"),
        ("System Vacuum (microns)", [738_690.0, 157.0], "vacuum", "micron"),
        ("System vacuum (mbar)", [926.0, 0.213], "vacuum", "mbar"),
        ("Circuit pressure (inHg vac)", [0.0, 28.9], "circuit_pressure", "inHg"),
        ("TSUC [C]", [5.0, 6.0], "suction_temperature", "degC"),
        ("PDIS [psig]", [200.0, 201.0], "discharge_pressure", "psig"),
        ("Heißgastemp. [°C]", [70.0, 71.0], "discharge_temperature", "degC"),
        ("Départ eau glacée (°C)", [7.0, 7.1], "leaving_water_temperature", "degC"),
        ("Evap water pressure (psig)", [40.0, 41.0], "circuit_pressure", "psig"),
        ("DLT (°F)", [160.0, 161.0], "discharge_temperature", "degF"),
        ("ambient_f", [66.0, 67.0], "ambient_temperature", "degF"),
        ("phase_c", [66.0, 67.0], "", ""),
    ],
)
def test_names_that_measuring_people_give(name: str, shown: list[float], channel: str, unit: str) -> None:
    guess = guess_channel(name, "", np.array(shown))
    assert (guess.channel, guess.unit) == (channel, unit)


@pytest.mark.parametrize(
    ("name", "shown", "said"),
    [
        ("Room pressure (Pa)", [4.0, 9.0], "by the size of its numbers alone"),
        ("Suction pressure (MPa)", [0.3, 0.4], "gauge or absolute is not said"),
        ("R-134a (lb)", [12.0, 14.0], "by its kind alone"),
        ("Net weight (lb)", [12.0, 14.0], "net"),
        ("Load (pu)", [0.4, 0.9], "in a unit of its own"),
        ("EWT - LWT (°F)", [9.0, 9.6], "of something else"),
        ("Battery charge (%)", [90.0, 89.0], "of something else"),
        ("Load", [0.4, 0.9], "the unit is not said"),
        ("Capacity (tons)", [40.0, 90.0], "in a unit of its own"),
        ("Vac pump oil temp (°C)", [60.0, 61.0], "of a vacuum pump"),
        ("Return air temp (°F)", [60.0, 61.0], "of something else"),
        ("Hot water supply temp (°F)", [130.0, 131.0], "of something else"),
    ],
)
def test_what_may_be_another_reading_is_said(name: str, shown: list[float], said: str) -> None:
    guess = guess_channel(name, "", np.array(shown))
    assert guess.channel
    assert said in guess.doubt


@pytest.mark.parametrize(("unit", "per_bar"), [("kPa", 100.0), ("bar", 1.0), ("psi", 14.5)])
@pytest.mark.parametrize("absolute", [True, False])
def test_a_pressure_that_stood_open_says_whether_it_counts_from_the_air(
    unit: str, per_bar: float, absolute: bool
) -> None:
    """At rest at 5.7 bar, open at the air's pressure for an hour, tested at 10 bar, pulled to nothing."""
    bar = np.repeat([5.7, 0.98, 10.0, 0.0], [60, 60, 900, 200])
    shown = bar if absolute else np.maximum(bar - 0.98, 0.0)  # a gauge without a scale for vacuum
    guess = guess_channel("Circuit Pressure", unit, shown * per_bar)
    assert guess.unit == {"kPa": ("kPag", "kPa"), "bar": ("barg", "bar"), "psi": ("psig", "psia")}[unit][absolute]
    assert "gauge or absolute is not said" in guess.doubt


@pytest.mark.parametrize(
    ("header", "column", "zone"),
    [
        ('"Date Time, GMT+02:00"', "Date Time, GMT+02:00", "Etc/GMT-2"),
        ("Time (UTC)", "Time (UTC)", "UTC"),
        ("Time GMT-5", "Time GMT-5", "Etc/GMT+5"),
    ],
)
def test_a_header_that_names_the_zone_of_its_times_is_believed(header: str, column: str, zone: str) -> None:
    rows = "".join(f"2026-03-14 08:{minute:02d}:00,20.5\n" for minute in range(30))
    proposal = propose_columns(f"{header},Suction temp (°C)\n{rows}".encode(), "log.csv")
    assert (proposal.time.column, proposal.time.zone) == (column, zone)
    assert not proposal.doubts()


@pytest.mark.parametrize("said", ["UTC+05:30", "GMT-3:30", "UTC +0545", "UTC+25"])
def test_a_zone_that_is_no_whole_hour_is_not_taken_for_utc(said: str) -> None:
    """India, Newfoundland and Nepal are no whole hours off; nobody is a day off."""
    rows = "".join(f"2026-03-14 08:{minute:02d}:00,20.5\n" for minute in range(30))
    proposal = propose_columns(f"Time ({said}),Suction temp (°C)\n{rows}".encode(), "log.csv")
    assert proposal.time.column == f"Time ({said})"
    assert (proposal.time.zone, proposal.time.zone_known) == ("", False)


def test_of_two_times_the_one_that_says_its_zone_is_taken() -> None:
    rows = "".join(f"2026-03-14 09:{minute:02d}:00,2026-03-14 08:{minute:02d}:00,20.5\n" for minute in range(30))
    proposal = propose_columns(f"Time (local),Time (UTC),Suction temp (°C)\n{rows}".encode(), "log.csv")
    assert (proposal.time.column, proposal.time.zone) == ("Time (UTC)", "UTC")


def test_units_behind_the_numbers_are_read() -> None:
    rows = "".join(f"2026-03-14 08:{minute:02d}:00,{300 + minute} Pa,150.5 lbs\n" for minute in range(30))
    table = tomllib.loads(propose_columns(f"Time,Vacuum,Cylinder weight\n{rows}".encode(), "log.csv").to_toml())
    assert table["columns"]["vacuum"]["unit"] == "Pa"
    assert table["columns"]["cylinder_weight"]["unit"] == "lb"


def test_the_whole_beginning_of_a_log_tells_day_and_month_units_and_datum() -> None:
    """A row every 20 s for a day and a half: the first hours stand at rest, then it is pulled and stands open."""
    stamps = pd.date_range("2026-06-09 08:00", periods=6_480, freq="20s")
    bar = np.select([np.arange(6_480) < 3_000, np.arange(6_480) < 5_000], [6.0, 0.98], 0.001)
    warm = np.where(np.arange(6_480) < 6_000, 68.0, 150.0)
    rows = "".join(
        f"{stamp:%m/%d/%Y %H:%M:%S},{high},66.0,67.0,{hot}\n"
        for stamp, high, hot in zip(stamps, bar, warm, strict=True)
    )
    header = "Time,Circuit pressure,Water in temp,Water out temp,Discharge temp\n"
    proposal = propose_columns(f"{header}{rows}".encode(), "log.csv")
    assert proposal.time.format == "%m/%d/%Y %H:%M:%S"
    assert [guess.unit for guess in proposal.guesses] == ["bar", "degF", "degF", "degF"]


def test_days_of_a_spreadsheet_say_from_which_year_they_are_taken() -> None:
    time = propose_columns(
        b"Time,Temp (C)\n" + b"".join(b"%.6f,20\n" % (46_095.3 + i / 1e4) for i in range(9)), "x"
    ).time
    assert any("the first being 2026-03-14" in doubt and 'start = "1904-01-01"' in doubt for doubt in time.doubts)


def test_the_time_of_a_web_page_is_read() -> None:
    """ECMA-262, Date.prototype.toString: the name of the zone in brackets is the writer's own."""
    rows = "".join(f"Fri Oct 24 2025 09:{minute:02d}:00 GMT-0700 (PDT),20\n" for minute in range(30))
    time = propose_columns(f"Time,Temp (C)\n{rows}".encode(), "x").time
    assert (time.format, time.zone_known) == ("%b %d %Y %H:%M:%S %z", True)
    cells = pd.Series(["Fri Oct 24 2025 09:00:00 GMT-0700 (PDT)"], dtype="str")
    assert text_us(cells, time.format, True)[0] == pd.Timestamp("2025-10-24T16:00:00Z").value // 1_000
