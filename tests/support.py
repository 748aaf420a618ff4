"""What several tests need: stretches made from arrays, and the check that findings use no later row."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from analysis.fluids import nitrogen
from analysis.log import Log, assemble, load
from analysis.result import Assessment, Figure, Finding
from analysis.review import Review, review
from analysis.stretch import Stretch
from analysis.vocabulary.channels import JOURNAL_COLUMNS, make_column
from analysis.vocabulary.job import Job, parse_job
from analysis.vocabulary.shipped import shipped

START = pd.Timestamp("2026-03-14T07:00:00Z")
GAS_CONSTANT = 8.314462618


@cache
def sample_log(marked: bool = True) -> tuple[Log, Job]:
    """Return the sample job as it is read, without its journal where it is not `marked`."""
    log, job = load(shipped("sample_logs") / "full-job")
    return (log if marked else replace(log, journal=log.journal.iloc[:0])), job


@cache
def sample_review(marked: bool = True) -> Review:
    """Return the review of the sample job, made once for all who look at it."""
    return review(*sample_log(marked))


def nitrogen_density(pressure_pa: float | np.ndarray, temperature_k: float | np.ndarray) -> np.ndarray:
    """Return the density of nitrogen [kg/m3] by its compressibility."""
    ideal = np.asarray(pressure_pa) * nitrogen.MOLAR_MASS_KG_PER_MOL / (GAS_CONSTANT * np.asarray(temperature_k))
    return np.asarray(ideal / nitrogen.compressibility(pressure_pa, temperature_k))


def journal_rows(rows: Iterable[tuple[float, str, str, str]], start: pd.Timestamp = START) -> pd.DataFrame:
    """Return a journal from (seconds, kind, subject, value)."""
    listed = [(start + pd.Timedelta(seconds=at), kind, subject, value, "") for at, kind, subject, value in rows]
    table = pd.DataFrame(listed, columns=list(JOURNAL_COLUMNS))
    table["time"] = pd.to_datetime(table["time"], utc=True)
    return table


def make_log(
    seconds: Sequence[float] | np.ndarray,
    logged: Mapping[str, tuple[str, np.ndarray]],
    *,
    tables: Mapping[str, object] | None = None,
    journal: Iterable[tuple[float, str, str, str]] = (),
    start: pd.Timestamp = START,
) -> tuple[Log, Job]:
    """Return a log and its job from numbers as an instrument shows them; the parameters are those of `make_stretch`."""
    job = parse_job({"job": {"name": "test"}, **(tables or {})})
    index = pd.DatetimeIndex(start + pd.to_timedelta(np.asarray(seconds, dtype=float), unit="s"), name="time")
    columns = {channel: make_column(channel, unit, f"{channel} [{unit}]") for channel, (unit, _) in logged.items()}
    frame = pd.DataFrame(index=index)
    for channel, (_, readings) in logged.items():
        frame[channel] = columns[channel].unit.si(np.asarray(readings, dtype=float))
    return assemble(frame, columns, journal_rows(sorted(journal, key=lambda row: row[0]), start), job), job


def with_channels(log: Log, **channels: tuple[str, np.ndarray | pd.Series | float]) -> Log:
    """Return the log with more or other channels: name to (unit as in the log, readings in SI, pressures absolute)."""
    columns = {name: make_column(name, unit, name) for name, (unit, _) in channels.items()}
    frame = log.frame.assign(**{name: si for name, (_, si) in channels.items()})
    return replace(log, frame=frame, columns={**log.columns, **columns})


def make_stretch(
    stage: str,
    seconds: Sequence[float] | np.ndarray,
    logged: Mapping[str, tuple[str, np.ndarray]],
    *,
    tables: Mapping[str, object] | None = None,
    journal: Iterable[tuple[float, str, str, str]] = (),
    ended: bool = True,
    start: pd.Timestamp = START,
) -> Stretch:
    """Return a stretch from numbers as an instrument shows them.

    Parameters
    ----------
    seconds : times of the rows since `start`.
    logged : channel to (unit as in the log, readings in that unit).
    tables : `job.toml` as a dict, `[job]` may be left out.
    journal : (seconds, kind, subject, value) rows.
    ended : whether the stage's end is known (the last row).
    """
    log, job = make_log(seconds, logged, tables=tables, journal=journal, start=start)
    index = pd.DatetimeIndex(log.frame.index)
    return Stretch(
        stage=stage,
        begin=index[0],
        end=index[-1] if ended else None,
        known_from=index[0],
        found_by="journal",
        frame=log.frame,
        journal=log.journal,
        columns=log.columns,
        barometer_pa=log.barometer_pa,
        barometer_source=log.barometer_source,
        job=job,
    )


def kinds(found: Assessment) -> list[str]:
    """Return the kinds of the findings, in their order."""
    return [finding.kind for finding in found.findings]


def causes(found: Assessment) -> list[str]:
    """Return what is said to be the cause of each stall, in their order."""
    return [str(finding.figures["cause"]) for finding in found.findings if finding.kind == "stall"]


def value(found: Assessment | Finding, name: str) -> float:
    """Return a figure of a stage or of a finding [SI]."""
    figure = found.figures[name]
    assert isinstance(figure, Figure)
    return figure.si


def cut(stretch: Stretch, rows: int) -> Stretch:
    """Return the stretch as it stood when only its first `rows` rows had been recorded."""
    now = stretch.frame.index[rows - 1]
    return replace(
        stretch,
        end=None if stretch.end is None or stretch.end > now else stretch.end,
        frame=stretch.frame.iloc[:rows],
        barometer_pa=stretch.barometer_pa.iloc[:rows],
        journal=stretch.journal[stretch.journal["time"] <= now],
    )


def rows_told(frame: pd.DataFrame, findings: Iterable[Finding]) -> set[int]:
    """Return how many rows of a frame there were when each finding was told."""
    return {int(frame.index.searchsorted(f.time)) + 1 for f in findings}


def assert_prefix_consistent(
    assess: Callable[[Stretch], Assessment], stretch: Stretch, cuts: Iterable[int] = ()
) -> Assessment:
    """Assert that the findings of what was recorded up to a row are those of the whole told by then; return the whole.

    That is asked at the row at which each finding is told, where what looks even one row ahead shows, and at `cuts`.
    """
    whole = assess(stretch)
    system = stretch.job.job.units
    for rows in sorted({*cuts, *rows_told(stretch.frame, whole.findings)}):
        part = cut(stretch, rows)
        now = part.frame.index[-1]
        expected = [f.to_json(system) for f in whole.findings if f.time <= now]
        found = [f.to_json(system) for f in assess(part).findings]
        assert found == expected, f"cut after {rows} rows"
    return whole
