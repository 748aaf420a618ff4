"""Which stage ran when: from the journal where it speaks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.log import Log
from analysis.stretch import Stretch
from analysis.vocabulary.channels import STAGES
from analysis.vocabulary.job import Job


@dataclass(frozen=True)
class StageSpan:
    """When a stage ran. `end` is None while it runs.

    `known_from` is the moment from which a live watcher could know the stage, `known_until` the moment
    at which its end could be known; rows up to `known_until` were judged as part of it.
    """

    stage: str
    begin: pd.Timestamp
    end: pd.Timestamp | None
    found_by: Literal["journal", "signals"]
    known_from: pd.Timestamp
    known_until: pd.Timestamp | None


def from_journal(journal: pd.DataFrame) -> tuple[list[StageSpan], list[str]]:
    """Return the stages that the journal names, in order, and what was odd about its rows.

    A stage that begins while another runs ends that one; a second `begin` of a running stage changes
    nothing (a recorder that resumed may say it again).
    """
    spans: list[StageSpan] = []
    cautions: list[str] = []
    running: tuple[str, pd.Timestamp] | None = None

    def close(at: pd.Timestamp) -> None:
        if running is not None:
            spans.append(StageSpan(running[0], running[1], at, "journal", running[1], at))

    rows = journal[journal["kind"] == "stage"]
    for at, stage, what in zip(rows["time"], rows["subject"], rows["value"], strict=True):
        if stage not in STAGES or what not in ("begin", "end"):
            cautions.append(f"journal.csv: stage row {stage!r} {what!r} is not known and was left out.")
        elif what == "begin":
            if running is None or running[0] != stage:
                close(at)
                running = (stage, at)
        elif running is not None and running[0] == stage:
            close(at)
            running = None
        else:
            cautions.append(f"journal.csv: {stage} ends without a beginning.")
    if running is not None:
        spans.append(StageSpan(running[0], running[1], None, "journal", running[1], None))
    return spans, cautions


def stretch_of(span: StageSpan, log: Log, job: Job) -> Stretch:
    """Return the rows and marks of one stage."""
    index = log.frame.index
    first = int(index.searchsorted(span.begin))
    last = len(index) if span.known_until is None else int(index.searchsorted(span.known_until, side="right"))
    journal = log.journal
    within = journal["time"] >= span.begin
    if span.known_until is not None:
        within &= journal["time"] <= span.known_until
    return Stretch(
        stage=span.stage,
        begin=span.begin,
        end=span.end,
        known_from=span.known_from,
        found_by=span.found_by,
        frame=log.frame.iloc[first:last],
        journal=journal[within].reset_index(drop=True),
        columns=log.columns,
        barometer_pa=log.barometer_pa.iloc[first:last],
        barometer_source=log.barometer_source,
        job=job,
    )
