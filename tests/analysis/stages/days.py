"""Days made once for all tests, and marks upon them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Literal

import numpy as np
import pandas as pd

from analysis.log import Log
from analysis.stages import StageSpan, from_signals
from analysis.vocabulary.channels import make_column
from analysis.vocabulary.job import CircuitTable, EvacuationTable, Job, JobTable, PressureTestTable
from tests.benchmarks.stage_ensemble import NEAR_S, START, Case, make_case
from tests.support import journal_rows

SEEDS = (2, 4, 6, 15, 17, 20, 22, 26, 29, 36)


@cache
def case(seed: int) -> Case:
    return make_case(seed)


@cache
def spans_of(seed: int) -> tuple[StageSpan, ...]:
    return tuple(from_signals(case(seed).log, case(seed).job))


def at(seconds: float) -> pd.Timestamp:
    return START + pd.Timedelta(seconds=seconds)


def si_log(
    seconds: np.ndarray,
    shown: Mapping[str, np.ndarray],
    journal: Iterable[tuple[float, str, str, str]] = (),
    pressure_in: str = "psig",
) -> Log:
    """Return a log of readings in SI, pressures absolute, each column in the unit that such channels are logged in."""
    ends = {"pressure": pressure_in, "temperature": "degC", "weight": "kg", "vacuum": "micron", "load": "%"}
    columns = {name: make_column(name, ends[name.rsplit("_")[-1]], name) for name in shown}
    frame = pd.DataFrame(dict(shown), index=START + pd.to_timedelta(seconds, unit="s").as_unit("us"))
    return Log(frame, columns, journal_rows(journal, START), pd.Series(101_325.0, index=frame.index), "stated")


def spans_in(
    refrigerant: str | None = "R-134a",
    hold: float | None = None,
    every_s: float = 10.0,
    water: Literal["water"] | None = None,
    test: str | None = None,
    **shown: np.ndarray,
) -> list[StageSpan]:
    """Return the stages of a log with a row `every_s`, in SI; `hold` [s] and `test` are what the job asks for."""
    seconds = every_s * np.arange(len(next(iter(shown.values()))))
    job = Job(job=JobTable(name="a job"), circuit=CircuitTable(refrigerant=refrigerant, water=water))
    if hold is not None:
        job = job.model_copy(update={"evacuation": EvacuationTable(hold=f"{hold} s")})
    if test is not None:
        job = job.model_copy(update={"pressure_test": PressureTestTable(pressure=test)})
    return from_signals(si_log(seconds, shown), job)


def near(moment: pd.Timestamp | None, seconds: float) -> bool:
    return moment is not None and abs((moment - at(seconds)).total_seconds()) <= NEAR_S


def charged(since: np.ndarray) -> dict[str, np.ndarray]:
    """40 kg leave a cylinder that came 5 min before, within half an hour, seen by a gauge that ends at the air's."""
    return {
        "circuit_pressure": np.interp(since, [0.0, 20.0, 600.0], [101_325.0, 120e3, 570e3]),
        "cylinder_weight": np.interp(since, [-301.0, -300.0, 0.0, 1_800.0], [0.0, 90.0, 90.0, 50.0]),
    }


def pulled_and_broken(seconds: np.ndarray, broken: float) -> np.ndarray:
    """The air's pressure, pulled from after 20 min and shut off from the pump before it is let in at `broken`."""
    vacuum = 26.0 + 101_299.0 * np.exp(-np.maximum(seconds - 1_200.0, 0.0) / 180.0)
    return np.where(seconds < broken, vacuum, 101_325.0)
