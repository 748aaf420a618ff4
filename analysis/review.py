"""The whole log judged: every stage by its own function, live and afterwards the same call."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from analysis import at_rest, charging, evacuation, pressure_test, recovery, startup
from analysis.belief import believe, stages_of
from analysis.belief.dead_gauge import while_alive
from analysis.belief.fault import HOSE
from analysis.belief.verdicts import seen_to_the_end, without_spoilt
from analysis.log import Log, gaps
from analysis.result import Assessment, Figure, Finding, figures_to_json, stamp
from analysis.stages import SLIP, StageSpan, find_stages, stretch_of
from analysis.stretch import Stretch, Weighed
from analysis.vocabulary.job import Job
from analysis.vocabulary.text import words

ASSESSMENTS: Mapping[str, Callable[[Stretch], Assessment]] = {
    "at_rest": at_rest.assess,
    "recovery": recovery.assess,
    "pressure_test": pressure_test.assess,
    "evacuation": evacuation.assess,
    "startup": startup.assess,
    "charging": charging.assess,
}
"""The function that judges each stage."""

RESULT_VERSION = 1

LIKE_AN_END = frozenset({"pressure_rebound", "loss_alarm", "hold_failed"})
"""Filling, bleeding down and breaking the vacuum look like these until the stage is known to be over."""
SECOND_LOOK = pd.Timedelta(minutes=5)
"""So long such a finding waits in a stage that nobody marked."""

PUT_RIGHT = pd.Timedelta(minutes=15)
"""The right stage after a slip goes on for longer than this (common practice): where all is short, a short stage is
one. A look at what agrees at rest may always be short."""

MOST_OF_IT = 0.5
"""A recovery after a charging that takes out this share of it empties the circuit; common practice."""

SAME_FAULT = pd.Timedelta(minutes=10)
"""Two faults of a channel that began so near to each other are one."""


@dataclass(frozen=True)
class StageReview:
    """One stage: the rows it was judged on and what was found."""

    stretch: Stretch
    assessment: Assessment


@dataclass(frozen=True)
class Review:
    """Everything that a log says. `findings` are those of all stages in the order of their time."""

    log: Log
    job: Job
    stages: tuple[StageReview, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the result as plain data, in the job's display units."""
        system = self.job.job.units
        index = self.log.frame.index
        return {
            "version": RESULT_VERSION,
            "log": {
                "rows": len(index),
                "begin": stamp(index[0]) if len(index) else None,
                "end": stamp(index[-1]) if len(index) else None,
                "gaps": [{"begin": stamp(a), "end": stamp(b)} for a, b in gaps(pd.DatetimeIndex(index))],
                "cautions": list(self.cautions),
            },
            "stages": [
                {
                    "stage": stage.stretch.stage,
                    "begin": stamp(stage.stretch.told[0]),
                    "end": None if stage.stretch.end is None else stamp(stage.stretch.end),
                    "found_by": stage.stretch.told[1],
                    "verdict": stage.assessment.verdict,
                    "figures": figures_to_json(stage.assessment.figures, system),
                    "text": stage.assessment.text,
                }
                for stage in self.stages
            ],
            "findings": [finding.to_json(system) for finding in self.findings],
        }


def _stage_at(spans: list[StageSpan], time: pd.Timestamp) -> StageSpan | None:
    """Return the stage that was known to run at a moment, None between stages."""
    running = (s for s in spans if s.known_from <= time and (s.known_until is None or time <= s.known_until))
    return next(running, None)


def _in_stage(doubt: Finding, spans: list[StageSpan]) -> Finding:
    """Return a doubt about a channel with the stage that ran.

    It is mere info between stages, where nothing is judged, and where a channel went blank that the stage does not
    need or never had: instruments are moved from stage to stage.
    """
    span = _stage_at(spans, doubt.time)
    if span is None:
        return replace(doubt, level="info")
    missed = span.stage in stages_of(str(doubt.figures["channel"])) and span.begin <= doubt.since
    return replace(
        doubt, stage=span.stage, level="info" if doubt.kind == "channel_lost" and not missed else doubt.level
    )


def _told(findings: Sequence[Finding], span: StageSpan, index: pd.DatetimeIndex) -> tuple[Finding, ...]:
    """Return the findings of a stage at the times at which a watcher could be told them.

    Not before the stage was known. In a stage found from the signals, what may be its own end seen too early waits
    for a second look, and is dropped when the stage turns out to have ended before it.
    """
    told = []
    for finding in findings:
        time = max(finding.time, span.known_from)
        if span.found_by == "signals" and finding.kind in LIKE_AN_END:
            row = int(index.searchsorted(finding.time + SECOND_LOOK))
            if row == len(index):
                continue
            time = max(index[row], time)
            over = span.end is not None and span.known_until is not None and span.known_until <= time
            if over and span.end is not None and span.end <= finding.time:
                continue
        told.append(replace(finding, time=time))
    return tuple(told)


def _named_once(findings: Sequence[Finding]) -> list[Finding]:
    """Return the findings without a second naming of a channel's fault: a stage has its own eye on its probes.

    What stood still already as it was told stands still since then, however long the stage took to see it.
    """
    kept: list[Finding] = []
    for finding in findings:
        stuck = finding.kind == "channel_stuck"
        again = finding.kind.startswith("channel_") and any(
            other.kind == finding.kind
            and other.figures.get("channel") == finding.figures.get("channel")
            and (abs(other.since - finding.since) <= SAME_FAULT or (stuck and finding.since <= other.time))
            for other in kept
        )
        if not again:
            kept.append(finding)
    return kept


def _weighed_after(stage: str, assessment: Assessment, before: Weighed) -> Weighed:
    """Return what was weighed by the end of a stage.

    A recovery of less than most of what was charged takes out what was too much. A circuit under vacuum or nitrogen
    holds none.
    """
    weighed = replace(before, left_kg={**before.left_kg, **assessment.left_kg})
    if stage in ("pressure_test", "evacuation"):
        return replace(weighed, charged_kg=0.0)
    figure = assessment.figures.get({"recovery": "recovered", "charging": "charged"}.get(stage, ""))
    if not isinstance(figure, Figure) or not figure.si > 0.0:
        return weighed
    kg, charged_kg = figure.si, weighed.charged_kg
    if stage == "charging":
        return replace(weighed, charged_kg=charged_kg + kg)
    if charged_kg == 0.0:
        return replace(weighed, recovered_kg=(weighed.recovered_kg or 0.0) + kg)
    if kg < MOST_OF_IT * charged_kg:
        return replace(weighed, charged_kg=charged_kg - kg)
    return replace(weighed, recovered_kg=kg, charged_kg=0.0)


def _only_filled(before: StageReview, marked: StageSpan) -> bool:
    """Return whether a test was found from its filling, and not judged before somebody marked it: it is that one."""
    test, judged = before.stretch, before.assessment.figures.get("hours_judged")
    same = test.stage == marked.stage == "pressure_test" and test.end == marked.begin
    filled = test.found_by == "signals" and marked.found_by == "journal"
    return same and filled and not before.assessment.findings and isinstance(judged, Figure) and judged.si == 0.0


def _slipped(span: StageSpan, after: StageSpan) -> bool:
    """Return whether a stage was marked by mistake: the right one was marked soon after it, and no end of its own."""
    marked = span.found_by == after.found_by == "journal" and span.end == after.begin
    return marked and span.stage not in ("at_rest", after.stage) and after.begin - span.begin <= SLIP


def _disagreed(at_rest: Assessment) -> dict[str, Figure]:
    """Return the offsets of the channels that were named at rest, none where all agreed in the end."""
    named = [f.figures for f in at_rest.findings if f.kind == "sensor_disagrees" and at_rest.verdict != "agree"]
    return {str(f["channel"]): f["offset"] for f in named if isinstance(f["offset"], Figure)}


def review(log: Log, job: Job) -> Review:
    """Return the review of a log, growing or finished.

    Findings made by a row are the same whatever rows follow it.
    """
    log, doubts = believe(log, job)
    below_zero = pd.DatetimeIndex(log.frame.index)[log.impossible.get(HOSE, np.zeros(len(log.frame), dtype=bool))]
    spans, odd = find_stages(log, job)
    stages: list[StageReview] = []
    findings = [_in_stage(f, spans) for f in doubts]
    weighed, disagreed = Weighed(), dict[str, Figure]()
    before: StageSpan | None = None
    for span, after in zip(spans, [*spans[1:], None], strict=False):
        judge = ASSESSMENTS[span.stage]
        judged = stretch = stretch_of(span, log, job, before, spans, weighed, disagreed)
        assessment = judge(judged)
        found = _told(assessment.findings, span, pd.DatetimeIndex(log.frame.index))
        if span.end is not None and span.known_until is not None and span.known_until > span.end:
            # what was said while the end was not known stays said; the verdict is on the stage itself
            over = span.end if span.left is None else max(span.end, span.left)
            stretch = stretch_of(replace(span, known_until=over), log, job, before, spans, weighed, disagreed)
        believed = without_spoilt(stretch, doubts)
        if believed is not judged:
            assessment = judge(believed)
        if span.stage == "pressure_test":
            assessment = while_alive(believed, assessment, (*doubts, *found), judge)
        assessment = seen_to_the_end(believed, assessment, doubts, below_zero)
        findings += found
        if after is None or found or not _slipped(span, after):
            before, weighed = span, _weighed_after(span.stage, assessment, weighed)
        elif (after.end or log.frame.index[-1]) - after.begin > PUT_RIGHT:
            odd.append(
                f"journal.csv: {words(span.stage)} was marked at {span.begin:%d %b %H:%M} UTC and"
                f" {words(after.stage)} right after it: the first is taken for a slip and left out."
            )
            continue
        if span.stage == "at_rest":
            disagreed = _disagreed(assessment)
        if stages and _only_filled(stages[-1], span):
            stages.pop()
        stages.append(StageReview(stretch, replace(assessment, findings=found)))
    findings = _named_once(sorted(findings, key=lambda f: f.time))
    told = {id(finding) for finding in findings}
    stages = [
        replace(s, assessment=replace(s.assessment, findings=tuple(f for f in s.assessment.findings if id(f) in told)))
        for s in stages
    ]
    cautions = [*log.cautions, *odd]
    cautions += [
        f"[at_rest] ignore names {channel}, which the log does not have: is it spelled as there?"
        for channel in job.at_rest.ignore
        if channel not in log.columns
    ]
    if len(log.frame) == 0:
        cautions.append("The log holds no rows yet.")
    return Review(log, job, tuple(stages), tuple(findings), tuple(cautions))
