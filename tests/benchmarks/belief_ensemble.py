"""Faults put into logs of every stage: which are named, how soon, and what honest logs are accused of.

    python -m tests.benchmarks.belief_ensemble [logs]

Honest logs are those of the other ensembles and the sample job, as they are and shown more coarsely or seldom.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.belief import believe
from analysis.log import Log, load
from analysis.stretch import Stretch
from analysis.vocabulary.channels import make_column
from analysis.vocabulary.job import Job
from analysis.vocabulary.shipped import shipped
from tests.benchmarks.evacuation_ensemble import runs
from tests.benchmarks.pressure_test_nights import make_night
from tests.benchmarks.stage_ensemble import make_case

COARSE = {"temperature": (0.0, 0.1 / 1.8, 0.1, 1 / 1.8, 0.5, 1.0), "pressure": (0.0, 689.0, 3_447.0, 6_895.0, 1_000.0)}
ROOM = ("ambient_temperature", "surface_temperature", "entering_water_temperature", "leaving_water_temperature")


def log_of(stretch: Stretch) -> Log:
    """Return the log of which a stretch is a part."""
    return Log(stretch.frame, stretch.columns, stretch.journal, stretch.barometer_pa, stretch.barometer_source)


def honest(count: int) -> Iterator[tuple[str, Log, Job]]:
    """Yield honest logs."""
    sample, job = load(shipped("sample_logs") / "full-job")
    yield "sample", sample, job
    for seed in range(count):
        case = make_case(seed)
        yield "job", case.log, case.job
        night = make_night(seed).stretch
        yield "night", log_of(night), night.job
    for run in runs(list(range(count))).values():
        yield "evacuation", log_of(run.stretch), run.stretch.job


def shown(log: Log, dice: np.random.Generator) -> Log:
    """Return the log as coarser displays show it, and a recorder that looks less often."""
    frame = log.frame.copy()
    for channel, column in log.columns.items():
        step = float(dice.choice(COARSE.get(column.unit.dimension, (0.0,))))
        if step > 0.0 and channel not in ("vacuum", "pump_vacuum", "barometer"):
            zero = log.barometer_pa if column.unit.datum in ("gauge", "vacuum") else 0.0
            frame[channel] = ((frame[channel] - zero) / step).round() * step + zero
            frame[channel] = frame[channel].clip(lower=100.0)
    every = int(dice.choice([1, 1, 3, 6]))
    return replace(log, frame=frame.iloc[::every], barometer_pa=log.barometer_pa.iloc[::every])


def spoiled(log: Log, kind: str, dice: np.random.Generator) -> tuple[Log, str, pd.Timestamp] | None:
    """Return the log with a fault, its channel and its begin; None where it has no channel for it."""
    wanted = {"jump": "temperature", "unit": "temperature"}.get(kind)
    names = [
        c for c, column in log.columns.items()
        if (column.unit.dimension == wanted if wanted else column.unit.dimension in ("temperature", "pressure"))
        and c not in ("vacuum", "pump_vacuum", "barometer", "cylinder_pressure", "cylinder_temperature")
        and (kind != "unit" or c in ROOM) and log.frame[c].notna().mean() > 0.8
    ]  # fmt: skip
    if not names or len(log.frame) < 400:
        return None
    channel = str(dice.choice(names))
    frame = log.frame.copy()
    begin = int(len(frame) * dice.uniform(0.2, 0.5))
    end = int(len(frame) * dice.uniform(0.8, 1.0))
    values = frame[channel].to_numpy(dtype=float).copy()
    columns = dict(log.columns)
    if kind == "stuck":
        begin = int(np.flatnonzero(~np.isnan(values[: begin + 1]))[-1])
        zero = (
            log.barometer_pa.to_numpy() if columns[channel].unit.datum in ("gauge", "vacuum") else np.zeros(len(values))
        )
        values[begin:end] = np.where(np.isnan(values[begin:end]), np.nan, values[begin] - zero[begin] + zero[begin:end])
    elif kind == "jump":
        values[begin:end] += float(dice.choice([-1, 1]) * dice.uniform(6, 20))
    elif kind == "lost":
        values[begin:end] = np.nan
    elif kind == "open":
        values[begin:end] = 2_000.0 if columns[channel].unit.dimension == "temperature" else 2e7
    else:
        celsius = columns[channel].unit.symbol == "degC"
        number = values * 1.8 - 459.67 if celsius else values - 273.15
        symbol = "degC" if celsius else "degF"
        values = number + 273.15 if celsius else (number + 459.67) / 1.8
        columns[channel] = make_column(channel, symbol, channel)
        begin = 0
    frame[channel] = values
    return replace(log, frame=frame, columns=columns), channel, frame.index[begin]


def main() -> None:
    """Print the tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    dice = np.random.default_rng(1)
    accused: dict[str, Counter[str]] = defaultdict(Counter)
    tally: dict[str, Counter[str]] = defaultdict(Counter)
    delays: dict[str, list[float]] = defaultdict(list)
    for what, log, job in honest(count):
        for seen in (log, shown(log, dice), shown(log, dice)):
            found = believe(seen, job)[1]
            accused[what]["logs"] += 1
            for finding in found:
                accused[what][finding.kind] += 1
                if "-v" in sys.argv:
                    print(what, finding.time, finding.text)
        for kind in ("stuck", "jump", "lost", "open", "unit"):
            spoilt = spoiled(log, kind, dice)
            if spoilt is None:
                continue
            bad, channel, begin = spoilt
            before = {(f.kind, f.figures["channel"], f.since) for f in believe(log, job)[1]}
            found = tuple(f for f in believe(bad, job)[1] if (f.kind, f.figures["channel"], f.since) not in before)
            right = [f for f in found if f.figures["channel"] == channel]
            tally[kind]["faults"] += 1
            tally[kind]["named"] += bool(right)
            tally[kind]["once"] += len(right) == 1
            tally[kind]["others accused"] += len(found) - len(right)
            if right:
                delays[kind].append((right[0].time - begin).total_seconds() / 60.0)
            elif "-v" in sys.argv:
                print("missed", kind, what, channel, begin)
    for what, counts in accused.items():
        print(f"honest {what:12} {dict(counts)}")
    for kind, counts in tally.items():
        late = np.quantile(delays[kind], [0.5, 0.9]).round(1).tolist() if delays[kind] else []
        print(f"{kind:8} {dict(counts)}, minutes until named (median, 90 %): {late}")


if __name__ == "__main__":
    main()
