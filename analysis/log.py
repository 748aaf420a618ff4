"""Reading `readings.csv` and `journal.csv` into frames in SI.

Every oddity that loses nothing is a caution (torn last line, backward stamps, unreadable cells); what cannot
be used is refused in one line.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.foreign_log import read_foreign
from analysis.stretch import BarometerSource
from analysis.vocabulary.channels import JOURNAL_COLUMNS, Column, parse_header
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOURNAL_FILE, READINGS_FILE, Job, load_job
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA

GAP_FACTOR = 5.0
"""A pause in the rows longer than this many usual intervals (and 5 s) is a gap."""

BAROMETER_RANGE_PA = (50e3, 112e3)
"""Surface pressures outside this are no barometer reading (world records, WMO: 87.0 to 108.4 kPa at sea level;
the lower bound is the standard atmosphere at 5,500 m)."""


LARGEST = 1e12
"""No instrument shows more than this in any unit of the log."""
GAUGE_ERROR_PA = 7e3
"""A gauge with a small zero error shows less than nothing under vacuum: up to 1 psi of that is believed to be none."""
LEAST_PRESSURE_PA = 100.0
"""What a gauge shows there instead: it cannot tell a vacuum from a deeper one."""


@dataclass(frozen=True)
class Log:
    """A log in SI. `frame` as `Stretch.frame` describes; `cautions` are sentences for the reader."""

    frame: pd.DataFrame
    columns: Mapping[str, Column]
    journal: pd.DataFrame
    barometer_pa: pd.Series
    barometer_source: BarometerSource
    cautions: tuple[str, ...] = ()

    def before(self, time: pd.Timestamp) -> Log:
        """Return the log as it stood at `time`: rows and journal up to and including it."""
        rows = self.frame.index <= time
        return replace(
            self,
            frame=self.frame[rows],
            barometer_pa=self.barometer_pa[rows],
            journal=self.journal[self.journal["time"] <= time],
        )


def gaps(index: pd.DatetimeIndex) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """Return (last row before, first row after) of each stretch in which nothing was recorded."""
    if len(index) < 3:
        return []
    steps = np.diff(index.as_unit("us").asi8) / 1e6
    limit = max(GAP_FACTOR * float(np.median(steps)), 5.0)
    return [(index[i], index[i + 1]) for i in np.flatnonzero(steps > limit).tolist()]


def load(path: Path, job_file: Path | None = None) -> tuple[Log, Job]:
    """Return log and job of a job folder, or of a CSV file with its `job.toml` given apart.

    Raises
    ------
    InputError
        A missing file, a file that is not a log, a header with a wrong unit, a job that is refused.
    """
    if path.is_dir():
        folder, readings = path, path / READINGS_FILE
        job = load_job(job_file if job_file is not None else path)
    elif not path.exists():
        raise InputError(f"{path}: no such file or folder; expected a job folder, or a CSV with --job job.toml")
    else:
        folder, readings = path.parent, path
        if job_file is None:
            raise InputError(f"{path}: is a file; expected a job folder, or give its job with --job job.toml")
        job = load_job(job_file)
    frame, columns, cautions = read_readings(readings, job)
    journal, more = read_journal(folder / JOURNAL_FILE)
    return assemble(frame, columns, journal, job, (*cautions, *more)), job


def assemble(
    frame: pd.DataFrame,
    columns: Mapping[str, Column],
    journal: pd.DataFrame,
    job: Job,
    cautions: tuple[str, ...] = (),
) -> Log:
    """Return the log with every pressure absolute.

    `frame` holds SI values with gauge pressures still above the barometer (as `read_readings` returns them).
    """
    barometer, source, said = _barometer(frame, job)
    frame = frame.copy()
    gauge = [name for name, column in columns.items() if column.unit.datum in ("gauge", "vacuum")]
    for name in gauge:
        frame[name] = frame[name] + barometer
    notes = list(cautions)
    if gauge and said:
        notes.append(said)
    for name in (name for name, column in columns.items() if column.unit.dimension == "pressure"):
        impossible = frame[name] < -GAUGE_ERROR_PA
        if impossible.any():
            notes.append(
                f"{columns[name].header}: {int(impossible.sum())} readings are below absolute zero pressure and are"
                " not used; is the column absolute but labelled gauge?"
            )
        frame[name] = frame[name].mask(impossible).clip(lower=LEAST_PRESSURE_PA if name in gauge else None)
    return Log(frame, columns, journal, barometer, source, tuple(notes))


def _barometer(frame: pd.DataFrame, job: Job) -> tuple[pd.Series, BarometerSource, str]:
    stated = job.site.barometer
    elevation = job.site.elevation_m
    source: BarometerSource
    said = ""
    if stated is not None:
        fallback, source = stated.pa, "stated"
    elif elevation is not None:
        fallback, source = standard_atmosphere_pa(elevation), "elevation"
    else:
        fallback, source = STANDARD_ATMOSPHERE_PA, "assumed"
        said = "No barometer and no elevation: gauge pressures are taken at 101.325 kPa; state [site] elevation."
    if "barometer" in frame:
        logged = frame["barometer"].where(frame["barometer"].between(*BAROMETER_RANGE_PA))
        if logged.notna().any():
            return logged.ffill().fillna(fallback), "channel", ""
    return pd.Series(fallback, index=frame.index), source, said


def standard_atmosphere_pa(elevation_m: float) -> float:
    """Return the standard atmosphere's pressure [Pa] at an elevation [m] (ISO 2533, troposphere)."""
    return float(STANDARD_ATMOSPHERE_PA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def read_readings(path: Path, job: Job) -> tuple[pd.DataFrame, dict[str, Column], tuple[str, ...]]:
    """Return the rows of a readings file in SI, gauge pressures still above the barometer.

    A job with `[columns]` names the columns of a log that somebody else recorded.

    Returns
    -------
    frame : index UTC, strictly rising; one column a channel.
    columns : how each was logged.
    cautions : what was odd and passed over.

    Raises
    ------
    InputError
        No file, not a CSV with the columns expected, an unknown or wrong unit.
    """
    try:
        if job.columns is not None and job.columns.mapping:
            time, values, columns, cautions = read_foreign(path, job.columns)
        else:
            time, values, columns, cautions = _read_native(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); expected a log in CSV") from None
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeError) as error:
        raise InputError(f"{path}: is not a CSV ({str(error).strip().splitlines()[0]})") from None
    frame = pd.DataFrame(index=pd.DatetimeIndex(time, name="time"))
    for name, column in columns.items():
        unit = column.unit
        logged = values[name].to_numpy(dtype=float)
        logged = np.where(np.abs(logged) < LARGEST, logged, np.nan)
        si = logged * (-unit.scale if unit.datum == "vacuum" else unit.scale) + unit.offset
        frame[name] = np.where(np.isfinite(si), si, np.nan)
    lost = int(np.count_nonzero(frame.index.isna()))
    if lost:
        cautions.append(f"{path.name}: {lost} rows without a readable time were left out.")
        frame = frame[frame.index.notna()]
    rising = frame.index.to_series().cummax()
    backward = np.asarray((frame.index < rising) | frame.index.duplicated())
    if backward.any():
        cautions.append(f"{path.name}: {int(backward.sum())} rows go back in time or repeat a stamp and were left out.")
        frame = frame[~backward]
    return frame, columns, tuple(cautions)


def _read_native(path: Path) -> tuple[pd.DatetimeIndex, pd.DataFrame, dict[str, Column], list[str]]:
    """Return times (UTC, NaT where unreadable), values in the logged units, columns and cautions."""
    cautions: list[str] = []
    body, torn = _whole_lines(path.read_bytes())
    if torn:
        cautions.append(f"{path.name}: the last line is torn and was left out.")
    try:
        head = next(csv.reader(io.StringIO(body[: body.find(b"\n") + 1].decode("utf-8-sig"))), [])
    except (UnicodeDecodeError, csv.Error):
        raise InputError(f"{path}: is not a CSV in UTF-8; expected a header 'time,channel [unit],…'") from None
    if not head or head[0].strip() != "time":
        raise InputError(f"{path}: the header starts with {(head or [''])[0][:40]!r}; expected 'time,channel [unit],…'")
    positions: dict[str, str] = {}
    columns: dict[str, Column] = {}
    for position, name in enumerate(head[1:], start=1):
        column = parse_header(name)
        if column is None:
            cautions.append(f"Column {name!r} has no unit in brackets and was left out.")
        elif column.channel in columns:
            raise InputError(f"{path}: channel {column.channel!r} stands in two columns; expected one")
        else:
            columns[column.channel] = column
            positions[column.channel] = str(position)
    table = pd.read_csv(
        io.BytesIO(body),
        header=None,
        skiprows=1,
        names=[str(i) for i in range(len(head))],
        index_col=False,
        dtype={"0": "str"},
        encoding="utf-8-sig",
        encoding_errors="replace",
        on_bad_lines="skip",
        skip_blank_lines=True,
        low_memory=False,
    )
    time = pd.DatetimeIndex(pd.to_datetime(table["0"], format="ISO8601", utc=True, errors="coerce"))
    values = pd.DataFrame(index=table.index)
    for channel, place in positions.items():
        cells = table[place]
        values[channel] = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        unread = int((values[channel].isna() & cells.notna()).sum())
        if unread:
            cautions.append(f"{columns[channel].header}: {unread} cells are not numbers and count as missing.")
    return time, values, columns, cautions


def _whole_lines(raw: bytes) -> tuple[bytes, bool]:
    """Return the bytes up to the last line end, and whether anything stood behind it."""
    end = raw.rfind(b"\n") + 1
    return raw[:end], end < len(raw)


def read_journal(path: Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the journal's rows (columns `time kind subject value text`, strings but for the time).

    A missing journal is an empty one. Rows without a readable time are left out with a caution.
    """
    empty = pd.DataFrame({name: pd.Series(dtype="str") for name in JOURNAL_COLUMNS})
    empty["time"] = pd.to_datetime(empty["time"], utc=True)
    try:
        body, torn = _whole_lines(path.read_bytes())
    except OSError:
        return empty, ()
    cautions = [f"{path.name}: the last line is torn and was left out."] if torn else []
    rows = list(csv.reader(io.StringIO(body.decode("utf-8-sig", errors="replace"), newline="")))
    if not rows or tuple(rows[0]) != JOURNAL_COLUMNS:
        return empty, (
            *cautions,
            f"{path.name}: the header is not '{','.join(JOURNAL_COLUMNS)}'; it was left out.",
        )
    table = pd.DataFrame([(*row, *[""] * 5)[:5] for row in rows[1:] if row], columns=list(JOURNAL_COLUMNS), dtype="str")
    table["time"] = pd.to_datetime(table["time"], format="ISO8601", utc=True, errors="coerce")
    unread = int(table["time"].isna().sum())
    if unread:
        cautions.append(f"{path.name}: {unread} rows without a readable time were left out.")
    kept = table[table["time"].notna()].sort_values("time", kind="stable").reset_index(drop=True)
    return kept, tuple(cautions)
