"""A log without a journal: how well its stages are found, and what is told of them."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from analysis.result import Finding
from analysis.review import review
from analysis.stages import StageSpan, _said, find_stages, from_signals
from tests.analysis.stages.days import SEEDS, at, case, spans_in, spans_of
from tests.benchmarks.stage_ensemble import NEAR_S, START, score
from tests.benchmarks.stage_orders import make_day

UNMARKED = (20,)
"""Those that are reviewed as a whole, which takes a while."""


def test_most_bounds_are_found_within_five_minutes() -> None:
    errors, extra = [], 0
    for seed in SEEDS:
        result = score(case(seed), list(spans_of(seed)))
        errors += [abs(e) for _, *both in result.errors for e in both]
        extra += len(result.extra)
    assert np.mean(np.array(errors) <= NEAR_S) >= 0.9
    assert extra == 0


@pytest.mark.parametrize("quiet_s", [1_200.0, 600.0])
def test_a_log_that_went_quiet_tells_its_last_end_as_it_looks(quiet_s: float) -> None:
    """25 kg in an hour, then nothing: the end is told, but what follows may still belong to it."""
    since = np.arange(-1_200.0, 3_600.0 + quiet_s, 10.0)
    gross = np.interp(since, [-301.0, -300.0, 0.0, 3_600.0], [0.0, 20.0, 20.0, 45.0])
    spans = spans_in(circuit_pressure=np.interp(since, [1_800.0, 3_600.0], [570e3, 60e3]), cylinder_weight=gross)
    assert [span.stage for span in spans] == ["recovery"]
    assert spans[0].end is not None
    assert at(4_800.0) <= spans[0].end <= at(4_800.0 + quiet_s)  # with the pause that shows that the level holds
    assert spans[0].known_until is None


def test_most_begins_and_ends_lie_within_what_is_told() -> None:
    """Nineteen of twenty, a minute aside, with what the scale shows and without."""
    outside = ends = 0
    for seed in SEEDS:
        left = list(spans_of(seed))
        for stage, *truth in case(seed).truth:
            alike = [span for span in left if span.stage == stage]
            if not alike:
                continue
            span = min(alike, key=lambda one: abs(one.begin - at(truth[0])))
            left.remove(span)
            for told, true, within_s in zip(
                (span.begin, span.end), truth, (span.within_s, span.end_within_s), strict=True
            ):
                if told is not None:
                    ends += 1
                    outside += abs((told - at(true)).total_seconds()) > within_s + 60.0
    assert ends > 100
    assert outside <= 3


@pytest.mark.parametrize("seed", SEEDS[::2])
def test_what_was_known_stays(seed: int) -> None:
    """At any moment the watcher's stages are the later ones, but for ends not yet known."""
    whole, log = spans_of(seed), case(seed).log
    rng = np.random.default_rng(seed)
    index = log.frame.index
    moments = list(index[rng.integers(0, len(index), 6)])
    for span in whole:
        moments += [t for t in (span.known_from, span.known_until) if t is not None]
        moments += [index[max(0, index.searchsorted(span.known_from) - 1)]]
    for now in moments:
        expected = [
            replace(s, end=None, known_until=None, end_within_s=0.0, left=None)
            if s.known_until is None or s.known_until > now
            else s
            for s in whole
            if s.known_from <= now
        ]
        seen = [
            s if s.known_until is not None else replace(s, end=None, end_within_s=0.0)  # how it looks may change
            for s in from_signals(log.before(now), case(seed).job)
        ]
        assert seen == expected, f"at {now}"


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_spans_follow_each_other(seed: int) -> None:
    whole = spans_of(seed)
    for before, after in itertools.pairwise(whole):
        assert before.end is not None
        assert before.end <= after.begin
        assert before.known_until is not None
        assert before.known_until >= before.end
    assert all(span.known_from >= span.begin for span in whole)


def test_no_rows_give_no_stages() -> None:
    log = case(2).log.before(START - pd.Timedelta(days=1))
    assert find_stages(log, case(2).job) == ([], [])
    assert review(log, case(2).job).stages == ()


def test_what_is_unsure_by_hours_is_told_without_minutes() -> None:
    span = StageSpan("recovery", START, START, "signals", START, START, within_s=7_260.0, end_within_s=600.0)
    said = _said(span, weighs=True)
    assert "UTC, give or take 2 h and ended at" in said
    assert " ± 10 min;" in said


def test_a_found_stage_says_how_it_was_found() -> None:
    _, cautions = find_stages(case(2).log, case(2).job)
    assert any(
        c.startswith("recovery was found from the signals, not from the journal: it began at 19 May") for c in cautions
    )


@pytest.mark.parametrize(
    "kind",
    [
        "overnight test alone",
        "overnight test, bare gauge",
        "evacuation alone",
        "tests and lunch",
        "rest alone",
        "run alone",
    ],
)
def test_a_log_of_other_work_than_the_usual_day(kind: str) -> None:
    """One stage alone, bare gauges, another order: see the table of `stage_orders` for all of them."""
    errors, extra = [], 0
    for seed in range(2):
        day = make_day(kind, seed)
        spans = from_signals(day.log, day.job)
        result = score(day, spans)
        errors += [abs(e) for _, *both in result.errors for e in both]
        extra += len([one for one in result.extra if one.stage != "at_rest"])  # twenty minutes before a run
        now = day.log.frame.index[len(day.log.frame) // 2]
        early = [s.begin for s in from_signals(day.log.before(now), day.job)]
        assert early == [s.begin for s in spans if s.known_from <= now]
    assert np.mean(np.array(errors) <= NEAR_S) >= 0.8
    assert extra == 0


@cache
def findings_of(seed: int) -> tuple[Finding, ...]:
    return review(case(seed).log, case(seed).job).findings


@pytest.mark.parametrize("seed", UNMARKED)
def test_findings_of_an_unmarked_log_are_those_of_the_log_so_far(seed: int) -> None:
    log, job = case(seed).log, case(seed).job
    whole = [f.to_json("us") for f in findings_of(seed)]
    rng = np.random.default_rng(seed)
    index = log.frame.index
    ends = [s.known_until for s in spans_of(seed) if s.known_until is not None]
    for now in [index[rng.integers(0, len(index))], *ends[1:5:3]]:
        told = [f.to_json("us") for f in review(log.before(now), job).findings]
        assert told == [f for f in whole if pd.Timestamp(f["time"]) <= now], f"at {now}"


@pytest.mark.parametrize("seed", UNMARKED)
def test_the_end_of_an_unmarked_stage_is_no_alarm(seed: int) -> None:
    """Filling with nitrogen is no rebound, bleeding down no loss, breaking the vacuum no failed hold."""
    ended = {stage: [at(end) for s, _, end in case(seed).truth if s == stage] for stage, _, _ in case(seed).truth}
    for finding in findings_of(seed):
        if finding.kind in ("pressure_rebound", "loss_alarm", "hold_failed"):
            after = [finding.time - end for end in ended[finding.stage]]
            assert not any(pd.Timedelta(0) < late < pd.Timedelta(minutes=30) for late in after), finding
