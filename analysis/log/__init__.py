"""Reading `readings.csv` and `journal.csv` into frames in SI.

Every oddity that loses nothing is a caution (torn last line, backward stamps, unreadable cells); what cannot
be used is refused in one line.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.log.clock import utc_us
from analysis.log.clock_order import PutBack, journal_put_on
from analysis.log.foreign import foreign_source
from analysis.log.rows import Source, read_rows
from analysis.rules import load_rules
from analysis.stretch import BarometerSource
from analysis.vocabulary.channels import (
    CHANNELS,
    JOURNAL_COLUMNS,
    JOURNAL_KINDS,
    MARKS,
    MICRON_PROBES,
    Column,
    parse_header,
)
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import JOB_FILE, JOURNAL_FILE, READINGS_FILE, Job, load_job
from analysis.vocabulary.text import LONGEST_NAME, LONGEST_TEXT, counted, one_line
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA

GAP_FACTOR = 5.0
"""A pause in the rows longer than this many usual intervals (and 5 s) is a gap."""

BAROMETER_RANGE_PA = (50e3, 112e3)
"""Surface pressures outside this are no barometer reading (world records, WMO: 87.0 to 108.4 kPa at sea level;
the lower bound is the standard atmosphere at 5,500 m)."""

BAROMETER_STEP_PA, STEP_WITHIN_US, BAROMETER_READINGS = 800.0, 65_000_000, 5
"""No weather moves a barometer by 8 hPa between two readings a minute apart; five readings are a level to step from."""

SITE_DISAGREES_PA = 6e3
"""Weather seldom moves a barometer this far off the standard atmosphere of its elevation (common practice)."""

GAUGE_ERROR_PA = 7e3
"""A gauge with a small zero error shows less than nothing under vacuum: up to 1 psi of that is believed to be none."""
PANEL_ERROR_PA = 35e3
"""Of a transmitter of the running machine, labelled gauge, up to 5 psi: class 1 of 500 psi (common practice), made for
its high side. One that is labelled absolute and shows so much less than nothing is a gauge with a wrong label."""
LEAST_PRESSURE_PA = 100.0
"""What a gauge shows there instead: it cannot tell a vacuum from a deeper one. Micron probes can."""
LEAST_POSSIBLE = {"pressure": -GAUGE_ERROR_PA, "temperature": 1.0}
"""What lies under these [Pa, K] was never there: a wrong unit, or a logger's sign for a missing reading."""
NOT_OF_THE_MACHINE = ("circuit_pressure", "cylinder_pressure", "barometer", *MICRON_PROBES)
PANEL = {name for name, kind in CHANNELS.items() if kind == "pressure"}.difference(NOT_OF_THE_MACHINE)
HEADER_BYTES = 1 << 16
MOST_NAMED = 5


@dataclass(frozen=True)
class Log:
    """A log in SI. `frame` as `Stretch.frame` describes; `cautions` are sentences for the reader.

    `impossible` says for a channel which rows held a number that cannot be: they are blank in the frame.
    """

    frame: pd.DataFrame
    columns: Mapping[str, Column]
    journal: pd.DataFrame
    barometer_pa: pd.Series
    barometer_source: BarometerSource
    cautions: tuple[str, ...] = ()
    impossible: Mapping[str, np.ndarray] = field(default_factory=dict)

    def before(self, time: pd.Timestamp) -> Log:
        """Return the log as it stood at `time`: rows and journal up to and including it."""
        rows = self.frame.index <= time
        return replace(
            self,
            frame=self.frame[rows],
            barometer_pa=self.barometer_pa[rows],
            journal=self.journal[self.journal["time"] <= time],
            impossible={channel: wrong[rows] for channel, wrong in self.impossible.items()},
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
    said_in = job_file if job_file is not None else path / JOB_FILE
    for stage, rules in (
        ("recovery", job.recovery.rules),
        ("pressure_test", job.pressure_test.rules),
        ("evacuation", job.evacuation.rules),
    ):
        if rules is not None:  # one that cannot be used is refused whatever stages the log holds
            try:
                load_rules(rules)
            except InputError as error:
                raise InputError(f"{said_in}: {stage}.{error}") from None
    try:
        frame, columns, cautions, put_back = read_readings(readings, job)
    except InputError as error:
        said = str(error)
        raise InputError(f"{said_in}: {said}" if said.startswith("[columns]") else said) from None
    journal, more = read_journal(folder / JOURNAL_FILE, put_back, job.columns is None or not job.columns.mapping)
    return assemble(frame, columns, journal, job, (*cautions, *more)), job


def assemble(
    frame: pd.DataFrame,
    columns: Mapping[str, Column],
    journal: pd.DataFrame,
    job: Job,
    cautions: tuple[str, ...] = (),
) -> Log:
    """Return the log with every pressure absolute.

    `frame` holds SI values with gauge pressures still above the barometer (as `read_readings` returns them). It is left
    empty: a long log is not to be held twice.
    """
    barometer, source, said = _barometer(frame, job)
    above = barometer.to_numpy()
    notes = list(cautions)
    gauge = [name for name, column in columns.items() if column.unit.from_barometer]
    if gauge and said:
        notes.append(said)
    kept: dict[str, np.ndarray | pd.Series] = {}
    below: dict[str, np.ndarray] = {}
    for name in list(map(str, frame)):
        column = columns[name]
        kept[name] = read = frame.pop(name)
        if column.unit.dimension not in LEAST_POSSIBLE:
            continue
        logged = read.to_numpy(dtype=float)
        value = logged + above if name in gauge else logged
        panel = name in PANEL and name in gauge
        impossible = value < (-PANEL_ERROR_PA if panel else LEAST_POSSIBLE[column.unit.dimension])
        if impossible.any():
            below[name] = impossible
            notes.append(
                f"{column.header}: {counted(int(impossible.sum()), 'reading')} below absolute zero, not used: is its"
                f" unit right{', gauge or absolute' if column.unit.dimension == 'pressure' else ''}?"
            )
            value = np.where(impossible, np.nan, value)
        if name in gauge or (CHANNELS.get(name) == "pressure" and name not in MICRON_PROBES):
            value = np.maximum(value, LEAST_PRESSURE_PA)
        if value is not logged:
            kept[name] = value
    frame = pd.DataFrame(kept, index=frame.index, copy=False)
    return Log(frame, columns, journal, barometer, source, tuple(notes), below)


def _barometer(frame: pd.DataFrame, job: Job) -> tuple[pd.Series, BarometerSource, str]:
    stated = job.site.barometer
    elevation = job.site.elevation_m
    source: BarometerSource
    said = ""
    if stated is not None:
        fallback, source = stated.pa, "stated"
        there = stated.pa if elevation is None else standard_atmosphere_pa(elevation)
        if abs(there - stated.pa) > SITE_DISAGREES_PA:
            said = (
                f"[site] barometer is {stated.pa / 1e3:.1f} kPa, but at its elevation of {elevation:.0f} m the air has "
                f"about {there / 1e3:.1f} kPa: the barometer is gone by; is it that of sea level?"
            )
    elif elevation is not None:
        fallback, source = standard_atmosphere_pa(elevation), "elevation"
    else:
        fallback, source = STANDARD_ATMOSPHERE_PA, "assumed"
        said = "No barometer and no elevation: gauge pressures are taken at 101.325 kPa; state [site] elevation."
    if "barometer" in frame:
        logged = frame["barometer"].where(frame["barometer"].between(*BAROMETER_RANGE_PA))
        if logged.notna().any():
            return _weather(logged).ffill().fillna(fallback), "channel", ""
    return pd.Series(fallback, index=frame.index), source, said


def _weather(logged: pd.Series) -> pd.Series:
    """Return a logged barometer without what it shows after a step that no weather makes, until it is back."""
    there = np.flatnonzero(logged.notna().to_numpy())
    shown = logged.to_numpy(dtype=float)[there]
    at_us = pd.DatetimeIndex(logged.index).as_unit("us").asi8[there]
    leaps = 1 + np.flatnonzero((np.abs(np.diff(shown)) >= BAROMETER_STEP_PA) & (np.diff(at_us) <= STEP_WITHIN_US))
    if not len(leaps):
        return logged
    believed = shown.copy()
    good: float | None = None
    for first, end in pairwise([0, *leaps.tolist(), len(shown)]):
        if good is not None and abs(shown[first] - good) >= BAROMETER_STEP_PA:
            believed[first:end] = np.nan
        elif good is not None or end - first >= BAROMETER_READINGS:
            good = float(shown[end - 1])
    return pd.Series(believed, index=logged.index[there]).reindex(logged.index)


def standard_atmosphere_pa(elevation_m: float) -> float:
    """Return the standard atmosphere's pressure [Pa] at an elevation [m] (ISO 2533, troposphere)."""
    return float(STANDARD_ATMOSPHERE_PA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def read_readings(path: Path, job: Job) -> tuple[pd.DataFrame, dict[str, Column], tuple[str, ...], tuple[PutBack, ...]]:
    """Return the rows of a readings file in SI, gauge pressures still above the barometer.

    A job with `[columns]` names the columns of a log that somebody else recorded.

    Returns
    -------
    frame : index UTC, strictly rising; one column a channel.
    columns : how each was logged.
    cautions : what was odd and passed over.
    put_back : when its clock was put back, in the order of the rows.

    Raises
    ------
    InputError
        No file, not a CSV with the columns expected, an unknown or wrong unit.
    """
    odd: list[str] = []
    try:
        if job.columns is not None and job.columns.mapping:
            source = foreign_source(path, job.columns)
        else:
            source, odd = native_source(path)
        rows = read_rows(source)
    except FileNotFoundError:
        raise InputError(f"{path}: is not there; expected a log in CSV, as recording writes one") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); expected a log in CSV") from None
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeError) as error:
        raise InputError(f"{path}: is not a CSV ({str(error).strip().splitlines()[0]})") from None
    frame = pd.DataFrame(rows.values, index=rows.index, copy=False)
    columns = {channel: column for channel, (_, column) in source.channels.items()}
    return frame, columns, (*odd, *rows.cautions), rows.put_back


def native_source(path: Path) -> tuple[Source, list[str]]:
    """Return where the rows of our own log stand, and what its header holds that is not used.

    Raises
    ------
    InputError
        The header is not ours, or names a channel twice.
    OSError
        The file cannot be read.
    """
    with path.open("rb") as file:
        line = file.readline(HEADER_BYTES)
    try:
        head = next(csv.reader([line.decode("utf-8-sig")]), []) if line.endswith(b"\n") else []
    except (UnicodeDecodeError, csv.Error):
        raise InputError(f"{path}: is not a CSV in UTF-8; expected a header 'time,channel [unit],…'") from None
    if not head:
        raise InputError(f"{path}: holds no header line; expected 'time,channel [unit],…'")
    if head[0].strip() != "time":
        raise InputError(f"{path}: the header starts with {head[0][:40]!r}; expected 'time,channel [unit],…'")
    odd: list[str] = []
    channels: dict[str, tuple[int, Column]] = {}
    for position, name in enumerate(head[1:], start=1):
        try:
            column = parse_header(name)
        except InputError as error:
            raise InputError(f"{path}: {error}") from None
        if column is None:
            odd.append(f"Column {name!r} is not of the form 'name [unit]' and was left out.")
        elif column.channel in channels:
            raise InputError(f"{path}: channel {column.channel!r} stands in two columns; expected one")
        else:
            channels[column.channel] = (position, column)
    if odd and not channels:
        raise InputError(
            f"{path}: no column of the header names its unit, as {head[1][:40]!r}; expected 'channel [unit]'"
        )
    return Source(path, len(line), "utf-8", ",", ".", len(head), (0,), channels, lambda: utc_us), odd


def read_journal(path: Path, put_back: Sequence[PutBack], one_clock: bool) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the journal's rows (columns `time kind subject value text`, strings but for the time).

    Where the clock of the log was `put_back`, a journal kept by the same clock (`one_clock`) goes on with it. A
    missing journal is an empty one. Rows without a readable time are left out with a caution.

    Raises
    ------
    InputError
        It is there and cannot be read: without its marks the log would be judged otherwise.
    """
    empty = pd.DataFrame({name: pd.Series(dtype="str") for name in JOURNAL_COLUMNS})
    empty["time"] = pd.to_datetime(empty["time"], utc=True)
    try:
        body, _, torn = path.read_bytes().rpartition(b"\n")
    except FileNotFoundError:
        return empty, ()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); expected the journal, or no such file") from None
    cautions = [f"{path.name}: the last line is torn and was left out."] if torn else []
    csv.field_size_limit(max(csv.field_size_limit(), len(body)))  # one endless note takes nothing else along
    rows = list(csv.reader(io.StringIO(body.decode("utf-8-sig", errors="replace"), newline="")))
    if not rows or tuple(rows[0]) != JOURNAL_COLUMNS:
        return empty, (
            *cautions,
            f"{path.name}: the header is not '{','.join(JOURNAL_COLUMNS)}'; it was left out.",
        )
    longest = (LONGEST_NAME, LONGEST_NAME, LONGEST_NAME, LONGEST_NAME, LONGEST_TEXT)
    cells = [tuple(map(one_line, (*row, *[""] * 5), longest)) for row in rows[1:] if row]
    table = pd.DataFrame(cells, columns=list(JOURNAL_COLUMNS), dtype="str")
    table["time"] = pd.to_datetime(table["time"], format="ISO8601", utc=True, errors="coerce").dt.as_unit("us")
    unread = int(table["time"].isna().sum())
    if unread:
        cautions.append(f"{path.name}: {counted(unread, 'row')} without a readable time left out.")
    kept = table[table["time"].notna()]
    for what, said, known in (
        ("kind", kept["kind"], JOURNAL_KINDS),
        ("mark", kept.loc[kept["kind"] == "mark", "subject"], MARKS),
    ):
        other = ", ".join(repr(word) for word in said[~said.isin(known)].unique()[:MOST_NAMED])
        if other:
            cautions.append(f"{path.name}: {what} {other} is not known and is not used; expected {', '.join(known)}.")
    if put_back:
        tells = (kept["kind"] == "recorder") & (kept[["subject", "value"]] == "clock_step").any(axis=1)
        at_us = pd.DatetimeIndex(kept["time"]).as_unit("us").asi8.tolist()
        moved = journal_put_on(at_us, tells.tolist(), put_back, one_clock)
        kept = kept.assign(time=pd.DatetimeIndex(np.array(moved, dtype="M8[us]")).tz_localize("UTC"))
    return kept.sort_values("time", kind="stable").reset_index(drop=True), tuple(cautions)
