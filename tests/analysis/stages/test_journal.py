"""Stages that the journal gives, alone and beside the signals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.review import review
from analysis.stages import StageSpan, find_stages, from_journal, from_signals, stretch_of
from analysis.vocabulary.job import ColumnsTable, Job
from analysis.vocabulary.text import words
from tests.analysis.stages.days import SEEDS, at, case, near, si_log, spans_of
from tests.benchmarks.stage_ensemble import NEAR_S, START, Case
from tests.support import journal_rows, sample_log


def marked(seed: int, rows: list[tuple[float, str, str, str]]) -> Case:
    whole = case(seed)
    return replace(whole, log=replace(whole.log, journal=journal_rows(sorted(rows), START)))


def marks_of(truth: tuple[tuple[str, float, float], ...], late_s: float = 0.0) -> list[tuple[float, str, str, str]]:
    rows = []
    for stage, begin, end in truth:
        rows += [(begin + late_s, "stage", stage, "begin"), (end + late_s, "stage", stage, "end")]
    return rows


def test_a_stage_that_begins_ends_the_one_that_ran() -> None:
    journal = journal_rows([
        (0, "stage", "recovery", "begin"), (60, "stage", "recovery", "begin"), (90, "note", "", ""),
        (100, "stage", "evacuation", "begin"),
    ])  # fmt: skip
    spans, odd = from_journal(journal)
    assert [(s.stage, (s.begin - spans[0].begin).total_seconds()) for s in spans] == [
        ("recovery", 0), ("evacuation", 100),
    ]  # fmt: skip
    assert spans[0].end == spans[1].begin
    assert spans[1].end is None
    assert odd == []


def test_what_the_journal_cannot_mean_is_said_and_left_out() -> None:
    journal = journal_rows([(0, "stage", "lunch", "begin"), (5, "stage", "recovery", "end")])
    spans, odd = from_journal(journal)
    assert spans == []
    assert odd == [
        "journal.csv: stage row 'lunch' 'begin' is not known and was left out.",
        "journal.csv: recovery ends without a beginning.",
    ]


def test_an_end_after_another_stage_began_says_which_one_ended_it() -> None:
    journal = journal_rows([
        (0, "stage", "evacuation", "begin"), (100, "stage", "charging", "begin"), (160, "stage", "evacuation", "end"),
    ])  # fmt: skip
    spans, odd = from_journal(journal)
    assert spans[0].end == spans[1].begin
    assert len(odd) == 1
    assert odd[0].endswith("after charging began, which had ended it.")


@pytest.mark.parametrize(
    ("off_s", "side"), [(3_600.0, "60 min later"), (-3_600.0, "60 min earlier"), (7_200.0, "2 h later")]
)
def test_a_journal_by_another_clock_is_said_once(off_s: float, side: str) -> None:
    _, odd = find_stages(marked(17, marks_of(case(17).truth, off_s)).log, case(17).job)
    about = [said for said in odd if "journal" in said and "found from the signals" not in said]
    assert len([said for said in about if "another clock" in said or "its clock" in said]) == 1
    assert f"about {side} than" in " ".join(about)
    assert not any("The journal names" in said for said in about)


def test_a_stage_that_begins_after_the_log_is_left_out() -> None:
    late = marks_of(case(17).truth, 365 * 86_400.0)
    spans, odd = find_stages(marked(17, late).log, case(17).job)
    assert [span.found_by for span in spans] == ["signals"] * len(spans)
    assert spans == list(spans_of(17))[: len(spans)]
    assert len([said for said in odd if "after the log's last row" in said]) == 1


@pytest.mark.parametrize("zone", ["UTC", None])
@pytest.mark.parametrize(
    ("off_h", "told"),
    [
        (0, ""),
        (-1, "60 min beyond the log"),
        (1, "60 min beyond the log"),
        (-24, "all of it beyond"),
        (24, "and UTC the"),
    ],
)
def test_a_stage_marked_beyond_a_foreign_log_asks_for_its_zone(zone: str | None, off_h: int, told: str) -> None:
    """A zone that was left as UTC moves the log by whole hours; our own recorder keeps one clock for both."""
    stage, begin, end = case(17).truth[-1]
    whole = marked(17, marks_of(((stage, begin, end),), 3_600.0 * off_h)).log
    rows = (whole.frame.index >= at(begin)) & (whole.frame.index <= at(end))
    log = replace(whole, frame=whole.frame[rows], barometer_pa=whole.barometer_pa[rows])
    columns = ColumnsTable.model_validate({"time": {"column": "t", "zone": zone}} if zone else {})
    _, odd = find_stages(log, case(17).job.model_copy(update={"columns": columns}))
    about = [said for said in odd if "zone" in said]
    assert len(about) == (1 if told and zone else 0)
    assert not about or told in about[0]


def test_one_stage_of_a_foreign_log_shows_another_zone_by_begin_and_end() -> None:
    stage, begin, end = case(17).truth[1]
    one = marked(17, marks_of(((stage, begin, end),), 3_600.0))
    columns = ColumnsTable.model_validate({"time": {"column": "t", "zone": "UTC"}})
    said = [find_stages(one.log, job)[1] for job in (one.job, one.job.model_copy(update={"columns": columns}))]
    told = ["the zone of [columns] time (UTC) or the journal's clock" in " ".join(each) for each in said]
    assert told == [False, True]


def test_a_stage_by_another_name_is_doubted() -> None:
    truth = tuple(("charging" if name == "evacuation" else name, a, b) for name, a, b in case(17).truth)
    spans, odd = find_stages(marked(17, marks_of(truth)).log, case(17).job)
    assert all(span.found_by == "journal" for span in spans)
    assert [said for said in odd if "names charging" in said and "look like evacuation" in said]


def test_an_end_that_nobody_marked_is_that_of_the_signals_once_another_stage_begins() -> None:
    begins = [row for row in marks_of(case(17).truth) if row[3] == "begin"]
    (_, recovery_s, ended_s), (_, test_s, _), *_ = case(17).truth
    whole = marked(17, begins)
    spans, odd = find_stages(whole.log, whole.job)
    assert [span.found_by for span in spans] == ["journal"] * len(spans)
    assert spans[0].begin == at(recovery_s)
    assert near(spans[0].end, ended_s)
    assert spans[0].known_until == at(test_s)  # rows up to there were judged as part of it, as a watcher did
    assert [said for said in odd if "does not say when recovery ended" in said]
    before = replace(whole.log, frame=whole.log.frame[: at(test_s - 60.0)], journal=whole.log.journal.iloc[:1])
    assert find_stages(before, whole.job)[0][0].end is None


def test_a_stage_after_one_whose_end_nobody_marked_is_filled_in_once_the_next_is_marked() -> None:
    """Begins alone are marked, and that of the first test was forgotten: till the next mark the recovery may go on."""
    begins = [row for row in marks_of(case(17).truth) if row[3] == "begin"]
    (_, recovery_s, ended_s), (forgotten, test_s, _), (_, marked_s, _), *_ = case(17).truth
    whole = marked(17, [row for row in begins if row[0] != test_s])
    recovery, test, *_ = find_stages(whole.log, whole.job)[0]
    assert (recovery.begin, test.stage, test.found_by) == (at(recovery_s), forgotten, "signals")
    assert near(recovery.end, ended_s)
    assert near(test.begin, test_s)
    assert test.known_from == test.known_until == at(marked_s)
    (until,), _ = find_stages(whole.log.before(at(marked_s - 60.0)), whole.job)
    assert until.end is None


@pytest.mark.parametrize("seed", SEEDS[:1])
@pytest.mark.parametrize("next_begin", [True, False])
def test_a_stage_whose_end_or_the_next_one_is_marked_waits_for_its_begin_no_more(seed: int, next_begin: bool) -> None:
    """It was known for three minutes, and is gone before it would be taken for one that nobody marks."""
    truth = case(seed).truth
    number = next(i for i, one in enumerate(truth) if one[0] == "evacuation")
    stage, begin, _ = truth[number]
    known = next(one.known_from for one in spans_of(seed) if one.stage == stage)
    soon_s = (known - START).total_seconds() + 180.0
    row = (soon_s, "stage", "charging", "begin") if next_begin else (soon_s, "stage", stage, "end")
    both = marked(seed, [*marks_of(truth[:number]), row])
    found = next(one for one in find_stages(both.log, both.job)[0] if one.stage == stage)
    assert (found.found_by, found.end) == ("signals", at(soon_s))
    assert found.known_from == at(soon_s + 120.0)  # by then a slip would have been put right
    assert near(found.begin, begin)


@pytest.mark.parametrize("slip", ["begin", "end"])
def test_a_wrong_mark_that_is_put_right_leaves_no_stage_of_its_own(slip: str) -> None:
    """Two minutes after its pull was known somebody presses the next stage, or an end, and a minute later the right."""
    truth = case(SEEDS[0]).truth
    number = next(i for i, one in enumerate(truth) if one[0] == "evacuation")
    known = next(one.known_from for one in spans_of(SEEDS[0]) if one.stage == "evacuation")
    wrong_s = (known - START).total_seconds() + 120.0
    wrong = (wrong_s, "stage", "charging" if slip == "begin" else "evacuation", slip)
    right = (wrong_s + 60.0, "stage", "evacuation", "begin")
    both = marked(SEEDS[0], [*marks_of(truth[:number]), wrong, right])
    pulls = [one for one in find_stages(both.log, both.job)[0] if one.stage == "evacuation"]
    assert [one.begin for one in pulls if one.found_by == "journal" or one.marked is not None] == [at(wrong_s + 60.0)]
    assert len(pulls) == 1


def test_the_sample_job_is_found_without_its_journal() -> None:
    log, job = sample_log()
    named, _ = from_journal(log.journal)
    found = from_signals(log, job)
    assert [s.stage for s in found] == [s.stage for s in named]
    bounds = [(f.begin, n.begin) for f, n in zip(found, named, strict=True)]
    bounds += [(f.end, n.end) for f, n in zip(found, named, strict=True) if f.end is not None and n.end is not None]
    near = [abs((one - other).total_seconds()) <= NEAR_S for one, other in bounds]
    assert len(bounds) >= 13
    assert np.mean(near) >= 0.9


@pytest.mark.parametrize("late_s", [0.0, 240.0])
@pytest.mark.parametrize("seed", SEEDS[::2])
def test_a_journal_that_marks_all_is_all_there_is(seed: int, late_s: float) -> None:
    """… also when each mark comes some minutes late; at most the rest before the first mark is added."""
    truth = case(seed).truth
    both = marked(seed, marks_of(truth, late_s))
    spans, _ = find_stages(both.log, both.job)
    named = [s for s in spans if s.found_by == "journal" or s.marked is not None]
    assert [s.stage for s in named] == [stage for stage, _, _ in truth]
    first = at(truth[0][1] + late_s)
    assert all(s.begin < first for s in spans if s.found_by == "signals")


@pytest.mark.parametrize("seed", SEEDS[:6])
@pytest.mark.parametrize("forgotten", ["evacuation", "pressure_test", "startup"])
def test_a_forgotten_stage_is_filled_in(forgotten: str, seed: int) -> None:
    truth = case(seed).truth
    both = marked(seed, marks_of(tuple(t for t in truth if t[0] != forgotten)))
    spans, cautions = find_stages(both.log, both.job)
    begins = [begin for stage, begin, _ in truth if stage == forgotten]
    found = [s for s in spans if s.stage == forgotten]
    assert len(found) == len(begins)
    assert all(abs((s.begin - at(b)).total_seconds()) <= NEAR_S for s, b in zip(found, begins, strict=True))
    assert all(s.found_by == "signals" for s in found)
    assert any(words(forgotten) in caution for caution in cautions)


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_an_end_without_its_begin_ends_what_the_signals_show(seed: int) -> None:
    """The end of the evacuation alone is marked, six minutes before the signals would have it."""
    stage, _, end = next(one for one in case(seed).truth if one[0] == "evacuation")
    both = marked(seed, [(end - 360.0, "stage", stage, "end")])
    spans, odd = find_stages(both.log, both.job)
    found = next(span for span in spans if span.stage == stage)
    assert found.end == at(end - 360.0)
    assert found.found_by == "signals"
    assert any("evacuation ends without a beginning" in said for said in odd)
    early, _ = find_stages(both.log.before(at(end - 420.0)), both.job)
    assert next(span for span in early if span.stage == stage).end is None


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_with_half_a_journal_what_was_known_stays(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = [row for row in marks_of(case(seed).truth, 60.0) if rng.random() < 0.6]
    both = marked(seed, rows)
    whole, _ = find_stages(both.log, both.job)
    index = both.log.frame.index
    for now in index[rng.integers(0, len(index), 8)]:
        part, _ = find_stages(both.log.before(now), both.job)
        known = [s for s in whole if s.known_from <= now]
        assert [(s.stage, s.begin, s.known_from, s.found_by) for s in part] == [
            (s.stage, s.begin, s.known_from, s.found_by) for s in known
        ]
        for then, later in zip(part, known, strict=True):
            if then.known_until is not None:
                assert then == later
            else:
                assert later.known_until is None or later.known_until > now


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_an_end_that_nobody_marked_is_asked_for(seed: int) -> None:
    """The journal is believed; that the signals show other stages inside is said."""
    truth = case(seed).truth
    number, (stage, begin, _) = next((i, t) for i, t in enumerate(truth) if t[0] == "recovery")
    both = marked(seed, [*marks_of(truth[:number]), (begin, "stage", stage, "begin")])
    spans, cautions = find_stages(both.log, both.job)
    assert [s.stage for s in spans if s.found_by == "journal"] == [s for s, _, _ in truth[: number + 1]]
    told = [c for c in cautions if c.startswith("The journal names")]
    assert len(told) == 1
    assert "recovery" in told[0]
    assert all(words(later) in told[0] for later, _, _ in truth[number + 1 :])
    full = marked(seed, marks_of(truth))
    assert not any(c.startswith("The journal names") for c in find_stages(full.log, full.job)[1])


def test_a_begin_that_is_marked_late_is_no_second_stage() -> None:
    """The evacuation was known when somebody marked it: the mark is told, and all of it is judged."""
    truth = case(17).truth
    stage, begin, end = next(one for one in truth if one[0] == "evacuation")
    rows = [row for row in marks_of(truth) if row[:3] != (begin, "stage", stage) or row[3] != "begin"]
    both = marked(17, [*rows, (begin + 2_400.0, "stage", stage, "begin")])
    spans, cautions = find_stages(both.log, both.job)
    (late,) = [span for span in spans if span.stage == stage]
    assert near(late.begin, begin)
    assert (late.end, late.marked) == (at(end), at(begin + 2_400.0))
    assert [said for said in cautions if "what was read before the mark is judged with it" in said]
    judged = stretch_of(late, both.log, both.job)
    assert judged.frame.index[0] < at(begin + 300.0)
    assert judged.told == (late.marked, "journal")
    early = find_stages(both.log.before(at(begin + 2_340.0)), both.job)[0][-1]
    assert (early.stage, early.begin, early.known_from) == (late.stage, late.begin, late.known_from)


@pytest.mark.parametrize("ended", [True, False])
@pytest.mark.parametrize("stage", ["pressure_test", "evacuation", "recovery"])
def test_what_is_marked_goes_on_whatever_it_looks_like(stage: str, ended: bool) -> None:
    """Trace gas is weighed in before the nitrogen, a vacuum is broken with vapour to look for leaks and pulled again, a
    second vessel is opened to the recovery (common practice, all three): each looks like another stage.
    """
    t, air = np.arange(0.0, 21_600.0, 30.0), 101_325.0
    pressures: dict[str, tuple[list[float], list[float]]] = {
        "pressure_test": ([0, 20, 30, 40, 60, 360], [1, 1, 1.7, 1.7, 16, 16]),
        "evacuation": (
            [0, 20, 40, 100, 110, 150, 170, 175, 200, 360],
            [1, 1, 3e-3, 6e-4, 2.5, 2.5, 0.9, 0.9, 2e-3, 6e-4],
        ),
        "recovery": ([0, 20, 80, 120, 125, 200, 240, 360], [5.7, 5.7, 1, 1, 5, 5, 1, 0.5]),
    }
    weights: dict[str, tuple[list[float], list[float]]] = {
        "pressure_test": ([0, 20, 30], [30.0, 30.0, 28.5]),
        "evacuation": ([0, 100, 110, 150, 170], [60.0, 60.0, 58.0, 58.0, 59.8]),
        "recovery": ([0, 20, 80, 200, 240, 360], [20.0, 20.0, 60.0, 60.0, 75.0, 78.0]),
    }
    shown = {
        "circuit_pressure": air * np.interp(t / 60.0, *pressures[stage]),
        "cylinder_weight": np.interp(t / 60.0, *weights[stage]),
    }
    rows = [(1_080.0, "stage", stage, "begin"), *([(20_400.0, "stage", stage, "end")] if ended else [])]
    whole = with_journal(rows, t, **shown)
    looks_like = [s.stage for s in with_journal([], t, **shown) if s.begin > at(1_080.0)]
    assert {"pressure_test": "charging", "evacuation": "charging", "recovery": "pressure_test"}[stage] in looks_like
    (span,) = [s for s in whole if s.begin <= at(20_400.0)]
    assert (span.stage, span.begin, span.end) == (stage, at(1_080.0), at(20_400.0) if ended else None)


def with_journal(rows: list[tuple[float, str, str, str]], seconds: np.ndarray, **shown: np.ndarray) -> list[StageSpan]:
    """Return the stages of a log of R-134a that somebody marked."""
    return find_stages(
        si_log(seconds, shown, rows, "kPa"),
        Job.model_validate({"job": {"name": "a job"}, "circuit": {"refrigerant": "R-134a"}}),
    )[0]


def test_a_test_that_is_marked_when_it_is_filled_is_not_told_twice() -> None:
    """Two steps of nitrogen, each looked at for a quarter of an hour and more; the test is marked at the third."""
    seconds = np.arange(0.0, 10 * 3_600.0, 10.0)
    steps = [1_800, 1_860, 3_000, 3_060, 4_200, 4_260]
    pressure = np.interp(seconds, steps, [101_325, 300e3, 300e3, 900e3, 900e3, 1_500e3])
    rows = [(4_300.0, "stage", "pressure_test", "begin")]
    rows = [(60.0, "mark", "water_flow_off", ""), *rows]
    spans = with_journal(rows, seconds, circuit_pressure=pressure, ambient_temperature=np.full(len(seconds), 293.0))
    assert [(span.stage, span.found_by) for span in spans] == [("pressure_test", "journal")]


def test_a_charge_that_nobody_ended_is_over_before_the_start_up_that_is_marked_next() -> None:
    """That its cylinder gave no more is sure only when the machine runs, a few minutes after that was marked."""
    seconds = np.arange(0.0, 3 * 3_600.0, 10.0)
    pressure = np.interp(seconds, [1_800.0, 2_400.0], [100.0, 572e3])
    weight = np.interp(seconds, [1_800.0, 5_400.0], [80.0, 40.0])
    load = np.where(seconds > 6_600.0, 60.0, 0.0)
    rows = [(1_700.0, "stage", "charging", "begin"), (6_600.0, "stage", "startup", "begin")]
    spans = with_journal(
        rows, seconds, circuit_pressure=pressure, cylinder_weight=weight, compressor_load=load,
        leaving_water_temperature=np.full(len(seconds), 293.0),
    )  # fmt: skip
    assert [span.stage for span in spans] == ["charging", "startup"]
    assert near(spans[0].end, 5_400.0)


@pytest.mark.parametrize("marked_s", [[], [200.0]])
def test_a_cylinder_that_is_marked_promises_no_mark_of_the_charge_from_it(marked_s: list[float]) -> None:
    """Ten kilograms in a quarter of an hour, in a log that ends soon after; the cylinder alone may be marked."""
    seconds = np.arange(0.0, 1_440.0, 5.0)
    pressure = np.interp(seconds, [300.0, 600.0], [100.0, 572e3])
    gross = np.interp(seconds, [199.0, 200.0, 300.0, 1_200.0], [0.0, 30.0, 30.0, 20.0])
    rows = [(at_s, "mark", "cylinder_on", "N1") for at_s in marked_s]
    spans = with_journal(
        rows, seconds, circuit_pressure=pressure, cylinder_weight=gross,
        leaving_water_temperature=np.full(len(seconds), 293.0),
    )  # fmt: skip
    assert [(span.stage, span.found_by) for span in spans] == [("charging", "signals")]
    assert near(spans[0].begin, 300.0)


@pytest.mark.parametrize(("right_s", "stages"), [(660.0, ["evacuation"]), (900.0, ["charging", "evacuation"])])
def test_a_wrong_stage_that_is_put_right_at_once_is_a_slip(right_s: float, stages: list[str]) -> None:
    seconds = np.arange(0.0, 3_600.0, 10.0)
    rows = [(600.0, "stage", "charging", "begin"), (right_s, "stage", "evacuation", "begin")]
    log = si_log(seconds, {"circuit_pressure": np.full(len(seconds), 101_325.0)}, rows)
    found = review(log, Job.model_validate({"job": {"name": "a job"}}))
    assert [one.stretch.stage for one in found.stages] == stages
    assert any("taken for a slip" in said for said in found.cautions) == (len(stages) == 1)


def test_where_all_is_short_a_short_stage_is_no_slip() -> None:
    """A whole job of some minutes, its begins marked alone."""
    names = ["at_rest", "recovery", "pressure_test", "evacuation", "charging", "startup"]
    seconds = np.arange(0.0, 420.0)
    rows = [(60.0 * i, "stage", name, "begin") for i, name in enumerate(names)]
    log = si_log(seconds, {"circuit_pressure": np.full(len(seconds), 101_325.0)}, rows)
    found = review(log, Job.model_validate({"job": {"name": "a job"}}))
    assert [(one.stretch.stage, one.stretch.begin) for one in found.stages] == [
        (name, at(60.0 * i)) for i, name in enumerate(names)
    ]
