"""Which stage ran when: from the journal where it speaks, from the signals where it does not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from analysis.log import Log
from analysis.result import Figure
from analysis.stages.signals import read_signals
from analysis.stages.watcher import watch
from analysis.stretch import Stretch, Weighed
from analysis.vocabulary.channels import STAGES
from analysis.vocabulary.job import Job
from analysis.vocabulary.text import duration, words

PATIENCE, SOON = pd.Timedelta(minutes=15), pd.Timedelta(minutes=5)
"""A technician who marks stages gets this long to mark one before it is taken from the signals; one who has marked
other things alone so far may mark no stages at all, and gets less."""

FILLING = pd.Timedelta(minutes=60)
"""A test may be marked when it is filled, and that in steps with a look for leaks at each (common practice)."""

SLIP = pd.Timedelta(minutes=2)
"""A wrong mark is put right within so many minutes (common practice)."""

LATE = pd.Timedelta(minutes=60)
"""A begin may be marked so late (common practice): the stage runs already."""

AHEAD = pd.Timedelta(minutes=5)
"""A mark may come so much later than the log's last row: rows come up to a minute apart, and a recorder may pause."""

BEYOND = pd.Timedelta(minutes=15)
"""A logger may be switched on so much later than the journal begins, or off so much earlier (common practice)."""

CLOCK_OFF, CLOCK_ALIKE = pd.Timedelta(minutes=25), pd.Timedelta(minutes=6)
"""Marks that lie further than this beside the signals, all by as much, are those of another clock."""

MAKES_READY = ("cylinder_on", "cylinder_off", "water_flow_on", "water_flow_off")
"""Marks of what stays as it is when a stage begins."""

WEIGHS = ("recovery", "charging")
BESIDE = pd.Timedelta(minutes=15)
"""So far before the begin, and after the end, of a stage that weighs the scale is looked at."""
BESIDE_UNMARKED = pd.Timedelta(minutes=40)
"""So far where nobody marked the begin: small cylinders filled within minutes show late that it is one. And so far for
a cylinder that rests before it is opened."""

WIDE_S = 1_800.0
"""A begin or an end that is less sure than this comes with what would have shown it."""
ROUND_S = 900.0
"""How unsure that is, is then told in quarters of an hour."""
UNSURE_S = 300.0
"""An end that is less sure than this is told with how unsure it is."""

Mark = tuple[pd.Timestamp, str, str, str]


@dataclass(frozen=True)
class StageSpan:
    """When a stage ran. `end` is None while it runs; without `known_until` it is how it looks so far.

    `known_from` is the moment from which a live watcher could know the stage, `known_until` the moment
    at which its end could be known; rows up to `known_until` were judged as part of it. `within_s` and `end_within_s`
    are how unsure begin and end are [s], `doubt` what else the reader should know. Rows up to `left`, where it is
    later than `end`, show what the stage left as it was and tell of it: a vacuum that went on standing. `marked` is the
    begin that the journal gives to a stage that was known from the signals before.
    """

    stage: str
    begin: pd.Timestamp
    end: pd.Timestamp | None
    found_by: Literal["journal", "signals"]
    known_from: pd.Timestamp
    known_until: pd.Timestamp | None
    within_s: float = 0.0
    end_within_s: float = 0.0
    doubt: str = ""
    left: pd.Timestamp | None = None
    marked: pd.Timestamp | None = None


def find_stages(log: Log, job: Job) -> tuple[list[StageSpan], list[str]]:
    """Return the stages of a log in order, and what is odd or unsure about them, as sentences."""
    index = log.frame.index
    if not len(index):
        return from_journal(log.journal)
    zone = job.columns.mapping["time"].zone or "UTC" if job.columns is not None and job.columns.mapping else None
    journal, late = up_to(log.journal, index[-1] + AHEAD, zone)
    named, odd = from_journal(journal)
    odd = [*late, *odd]
    found = from_signals(log, job)
    marks = _marks(journal)
    seen = [_end_seen(span, found, marks) for span in named]
    spans = merge(seen, _ended(found, marks), marks, index[-1])
    odd += other_clock(named, found, zone) or [
        *beyond_the_log(named, pd.DatetimeIndex(index), zone),
        *doubted(seen, found, index[-1]),
    ]
    odd += [_end_said(span) for span in spans if span.found_by == "journal" and span.end != span.known_until]
    weighs = "cylinder_weight" in log.frame
    followed = zip(spans, [*spans[1:], None], strict=False)
    return spans, [*odd, *(_said(span, weighs, after) for span, after in followed if span.found_by == "signals")]


def up_to(journal: pd.DataFrame, last: pd.Timestamp, zone: str | None = None) -> tuple[pd.DataFrame, list[str]]:
    """Return the journal without the stages that begin after the log (recorded by somebody else in `zone`), and a
    sentence that says so.
    """
    late = journal["time"][(journal["kind"] == "stage") & (journal["value"] == "begin") & (journal["time"] > last)]
    if not len(late):
        return journal, []
    said = (
        f"journal.csv: a stage begins on {late.iloc[0]:%d %b %Y %H:%M} UTC, after the log's last row; it and what"
        f" follows it were left out: is the date right{'' if zone is None else f', and {zone} the zone of the log'}?"
    )
    return journal[journal["time"] < late.iloc[0]], [said]


def _marks(journal: pd.DataFrame) -> list[Mark]:
    """Return what people said of stages, and of anything else: when, `stage` or `mark`, of what, and its value."""
    rows = journal[journal["kind"].isin(["stage", "mark"])]
    return list(zip(rows["time"], rows["kind"], rows["subject"], rows["value"], strict=True))


def from_journal(journal: pd.DataFrame) -> tuple[list[StageSpan], list[str]]:
    """Return the stages that the journal names, in order, and what was odd about its rows.

    A stage that begins while another runs ends that one; a second `begin` of a running stage changes
    nothing (a recorder that resumed may say it again).
    """
    spans: list[StageSpan] = []
    cautions: list[str] = []
    running: tuple[str, pd.Timestamp] | None = None
    ended_by: dict[str, str] = {}

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
                if running is not None:
                    ended_by[running[0]] = stage
                running = (stage, at)
        elif running is not None and running[0] == stage:
            close(at)
            running = None
        elif stage in ended_by:
            by = ended_by.pop(stage)
            cautions.append(f"journal.csv: {stage} ends at {at:%H:%M} UTC, after {by} began, which had ended it.")
        else:
            cautions.append(f"journal.csv: {stage} ends without a beginning.")
    if running is not None:
        spans.append(StageSpan(running[0], running[1], None, "journal", running[1], None))
    return spans, cautions


def from_signals(log: Log, job: Job) -> list[StageSpan]:
    """Return the stages that the signals alone show, in order and without overlap.

    Of the journal only the marks of what draws are looked at; see `watcher`. A span keeps its begin, and its `end` and
    `known_until` once the latter is set, whatever rows follow.
    """
    signals = read_signals(log, job)

    def at(seconds: float) -> pd.Timestamp:
        return signals.origin + pd.Timedelta(milliseconds=round(1e3 * seconds))

    return [
        StageSpan(
            stage=one.stage,
            begin=at(one.begin_s),
            end=None if one.end_s is None else at(one.end_s),
            found_by="signals",
            known_from=signals.known[one.known],
            known_until=None if one.ended is None else signals.known[one.ended],
            within_s=one.within_s,
            end_within_s=0.0 if one.end_s is None else one.end_within_s,
            doubt=one.note,
            left=None if one.left_s is None else at(one.left_s),
        )
        for one in watch(signals)
    ]


def _said_of(stage: str, what: str, marks: Sequence[Mark]) -> list[pd.Timestamp]:
    """Return when somebody marked that a stage begins, or ends."""
    return [at for at, *said in marks if said == ["stage", stage, what]]


def _ended(found: Iterable[StageSpan], marks: Sequence[Mark]) -> list[StageSpan]:
    """Return the stages of the signals, ended where the journal says so before they do, though it gives no begin."""
    spans = []
    for span in found:
        at = min((at for at in _said_of(span.stage, "end", marks) if at > span.begin), default=None)
        lone = at is not None and not any(begun <= at for begun in _said_of(span.stage, "begin", marks))
        if at is not None and lone and (span.known_until is None or at < span.known_until):
            until = max(at, span.known_from)
            span = replace(span, end=at, known_until=until, end_within_s=0.0, left=None)
        spans.append(span)
    return spans


def _end_seen(span: StageSpan, found: Iterable[StageSpan], marks: Sequence[Mark]) -> StageSpan:
    """Return a stage of the journal, ended where the signals show its end if the journal tells the next begin alone.

    That nobody marked its end is known only by then, so all rows up to there were judged as part of it.
    """
    if span.end is None or span.end in _said_of(span.stage, "end", marks):
        return span
    seen = [one for one in found if one.stage == span.stage and one.begin < span.end]
    if span.stage == "pressure_test":  # gas that was let out is let in again for another one
        seen = [one for one in seen if one.end is None or one.end > span.begin][:1]
    if not seen or seen[-1].end is None or seen[-1].known_until is None:
        return span
    if not span.begin < seen[-1].end < span.end:
        return span
    return replace(span, end=seen[-1].end, end_within_s=seen[-1].end_within_s)


def merge(
    named: Sequence[StageSpan], found: Iterable[StageSpan], marks: Sequence[Mark], now: pd.Timestamp
) -> list[StageSpan]:
    """Return the journal's stages and those of the signals that fill the time in which it is silent.

    A found stage is taken when it is known, or, once somebody has marked anything, some time later (see `_taken`),
    unless the journal then says that a stage runs, or has named this very stage in its place.
    Where the journal tells only by its next stage that nobody marked an end, it is taken then, if the signals show that
    end before it. It ends at the latest when the journal begins another. At rest is not taken once the journal has
    named a stage.
    """
    spans = list(named)
    for span in found:
        taken, known = _taken(span, marks)
        before = [other for other in named if other.begin < taken]
        later = named[len(before) :]
        runs = before[-1] if before else None
        if runs is not None and (runs.known_until is None or runs.known_until > taken):
            late = bool(later) and later[0].stage == span.stage and (span.end is None or span.end > later[0].begin)
            if runs.known_until is None or runs.end is None or runs.end > span.begin or late:
                continue
            taken, known = runs.known_until, max(known, runs.known_until)
        if known > now or (before and span.stage == "at_rest"):
            continue
        over = [other for other in before if other.end is not None and other.end > span.begin]
        begin = max([span.begin, *(other.end for other in over if other.end is not None)])
        if any(other.stage == span.stage for other in over) or (span.end is not None and span.end <= begin):
            continue
        end, until = span.end, span.known_until
        after = later[0].begin if later else None
        if taken == after and after - begin <= SOON:  # a mark within minutes of its begin says what it is
            continue
        if _marked_late(span, later):
            spans.remove(later[0])
            told = replace(later[0], begin=begin, found_by=span.found_by, known_from=known, within_s=span.within_s)
            spans.append(replace(told, marked=after))
            continue
        if after is not None and (until is None or until > after):
            end, until = after if end is None else min(end, after), after
        left = span.left if span.left is None or after is None else min(span.left, after)
        if until is not None:
            until = max(until, known)
        spans.append(replace(span, begin=begin, end=end, known_from=known, known_until=until, left=left))
    return sorted(spans, key=lambda span: span.begin)


def _marked_late(span: StageSpan, later: Sequence[StageSpan]) -> bool:
    """Return whether the next stage of the journal is a found one that still ran: its begin was marked late.

    A test begins with its mark: it may be marked once it is filled, and what leaked by then is tightened.
    """
    if not later or later[0].stage != span.stage or span.stage == "pressure_test":
        return False
    runs = span.known_until is None or span.known_until > later[0].begin
    return runs and later[0].begin - span.begin <= LATE


def beyond_the_log(named: Sequence[StageSpan], index: pd.DatetimeIndex, zone: str | None) -> list[str]:
    """Return a sentence where stages are marked outside a log that somebody else recorded in `zone` (None: our own)."""
    out = [max(index[0] - span.begin, (span.end or index[-1]) - index[-1]) for span in named]
    if zone is None or not out or max(out) <= BEYOND:
        return []
    span = named[out.index(max(out))]
    end = span.end or index[-1]
    beyond = "all of it" if end < index[0] else duration(max(out).total_seconds())
    return [
        f"The journal names {words(span.stage)} from {span.begin:%d %b %H:%M} to {end:%d %b %H:%M} UTC, {beyond} beyond"
        f" the log, which runs from {index[0]:%d %b %H:%M} to {index[-1]:%d %b %H:%M}. It is judged as the journal"
        f" says: if the zone of [columns] time ({zone}) is wrong, put it right and review again."
    ]


def other_clock(named: Sequence[StageSpan], found: Sequence[StageSpan], zone: str | None = None) -> list[str]:
    """Return a sentence where the journal's stages all lie beside those of the signals by about as much.

    In a log that somebody else recorded in `zone`, begin and end of one stage tell it too: a zone left as it was
    proposed is the commonest reason.
    """
    apart = []
    for span in named:
        alike = [other for other in found if other.stage == span.stage]
        if alike:
            nearest = min(alike, key=lambda other: abs(span.begin - other.begin))
            apart.append(span.begin - nearest.begin)
            if zone is not None and len(named) == 1 and span.end is not None and nearest.end is not None:
                apart.append(span.end - nearest.end)
    if len(apart) < 2:
        return []
    middle = sorted(apart)[len(apart) // 2]
    near = [one for one in apart if abs(one - middle) <= CLOCK_ALIKE]
    if abs(middle) < CLOCK_OFF or len(near) < 2 or len(near) < 0.6 * len(apart):
        return []
    side = "later" if middle > pd.Timedelta(0) else "earlier"
    wrong, mend = "its clock or its time zone", "journal.csv"
    if zone is not None:
        wrong, mend = f"the zone of [columns] time ({zone}) or the journal's clock", "it"
    return [
        f"The journal's stages begin about {duration(abs(middle).total_seconds())} {side} than what the signals show of"
        f" them: {wrong} may be wrong. It is judged as the journal says: put {mend} right and review again."
    ]


def doubted(named: Iterable[StageSpan], found: Sequence[StageSpan], now: pd.Timestamp) -> list[str]:
    """Return what the signals say against the journal, which is believed all the same, as sentences.

    Another stage that was known `PATIENCE` or more before a named one ended, and so long after it began, is told:
    the commonest reason is an end that nobody marked. So is one that begins with a named one, takes up most of
    it, and of the named one the signals show nothing.
    """
    told = []
    for other in named:
        inside = [
            f"{words(span.stage)} from {span.begin:%d %b %H:%M}"
            for span in found
            if span.stage not in (other.stage, "at_rest") and _speaks_against(span, other, found, now)
        ]
        if inside:
            missing = " and does not say that it ended" if other.end is None else ""
            told.append(
                f"The journal names {words(other.stage)} from {other.begin:%d %b %H:%M} UTC{missing}; the signals look"
                f" like {', '.join(inside)}. It is judged as the journal says: if a mark was forgotten or is wrong,"
                " mend journal.csv and review again."
            )
    return told


def _speaks_against(span: StageSpan, other: StageSpan, found: Sequence[StageSpan], now: pd.Timestamp) -> bool:
    """Return whether a found stage began well inside a named one, or stands in the place of it."""
    end = now if other.end is None else other.end
    if max(span.known_from, span.begin + PATIENCE) > end:
        return False
    if span.begin >= other.begin + PATIENCE:
        return True
    runs = end - other.begin
    seen = any(one.stage == other.stage and _shared(one, other, now) > 0.3 * runs for one in found)
    in_place = abs(span.begin - other.begin) < PATIENCE and _shared(span, other, now) > max(PATIENCE, 0.6 * runs)
    return in_place and not seen


def _shared(one: StageSpan, other: StageSpan, now: pd.Timestamp) -> pd.Timedelta:
    """Return how long two stages run at the same time."""
    end = min(now if one.end is None else one.end, now if other.end is None else other.end)
    return end - max(one.begin, other.begin)


def _taken(span: StageSpan, marks: Sequence[Mark]) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return until when a found stage waits for somebody to mark it, and when that is known.

    Where nobody marked anything so far it waits not at all. Whoever marks its end, or another stage after it, marks its
    begin no more, unless that was a slip.
    """
    marked = {kind for at, kind, *_ in marks if at <= span.known_from}
    if not marked:
        return span.known_from, span.known_from
    patience = FILLING if span.stage == "pressure_test" else PATIENCE if "stage" in marked else SOON
    taken = span.known_from + patience
    begins = [at for at in _said_of(span.stage, "begin", marks) if at > span.known_from]
    for at, kind, stage, what in marks:
        passes = kind == "stage" and (stage == span.stage) == (what == "end")
        if passes and span.known_from < at < taken and not any(at <= begun <= at + SLIP for begun in begins):
            return at, at + SLIP
    return taken, taken


def _said(span: StageSpan, weighs: bool, after: StageSpan | None = None) -> str:
    again = after is not None and (after.stage, after.begin, after.found_by) == (span.stage, span.end, "journal")
    marked = after.begin if after is not None and again else span.marked
    if marked is not None:
        return (
            f"The journal marks {words(span.stage)} at {marked:%d %b %H:%M} UTC; the signals show it from"
            f" {span.begin:%d %b %H:%M}{_within(span.within_s)}: what was read before the mark is"
            f"{' not' if again else ''} judged with it."
        )
    doubt = f"; {span.doubt}" if span.doubt else ""
    if max(span.within_s, span.end_within_s) > WIDE_S:
        doubt += f"; a mark{' or a scale' if span.stage in WEIGHS and not weighs else ''} would have shown it"
    ended = ""
    if span.end is not None and span.end_within_s > UNSURE_S:
        ended = f" and ended at {span.end:%d %b %H:%M}{_within(span.end_within_s)}"
    return (
        f"{words(span.stage)} was found from the signals, not from the journal:"
        f" it began at {span.begin:%d %b %H:%M} UTC{_within(span.within_s)}{ended}{doubt}."
    )


def _end_said(span: StageSpan) -> str:
    return (
        f"journal.csv does not say when {words(span.stage)} ended: the signals show it at {span.end:%d %b %H:%M} UTC"
        f"{_within(span.end_within_s)}."
    )


def _within(seconds: float) -> str:
    """Return how unsure a begin or an end is; what is wide has no minutes."""
    wide = round(seconds / ROUND_S) * ROUND_S
    return f", give or take {duration(wide)}" if seconds > WIDE_S else f" ± {duration(seconds)}"


def stretch_of(
    span: StageSpan,
    log: Log,
    job: Job,
    before: StageSpan | None = None,
    spans: Sequence[StageSpan] = (),
    weighed: Weighed | None = None,
    disagreed: Mapping[str, Figure] | None = None,
) -> Stretch:
    """Return the rows and marks of one stage; `before` is the stage before it, None when it is the first.

    `spans` are all stages: what the scale shows in those that weigh is theirs; `weighed` and `disagreed` are what those
    before told.

    What was marked between the two to make ready (a cylinder put on, water turned on) belongs to it.
    """
    index = log.frame.index
    first = int(index.searchsorted(span.begin))
    last = len(index) if span.known_until is None else int(index.searchsorted(span.known_until, side="right"))
    journal = log.journal
    within = journal["time"] >= span.begin
    ready = (journal["kind"] == "mark") & journal["subject"].isin(MAKES_READY) & ~within
    if before is not None:
        ready &= journal["time"] > (before.begin if before.end is None else before.end)
    within |= ready
    if span.known_until is not None:
        within &= journal["time"] <= span.known_until
    return Stretch(
        stage=span.stage,
        begin=span.begin,
        end=span.end,
        known_from=span.known_from,
        found_by=span.found_by,
        marked=span.marked,
        frame=log.frame.iloc[first:last],
        journal=journal[within].reset_index(drop=True),
        columns=log.columns,
        barometer_pa=log.barometer_pa.iloc[first:last],
        barometer_source=log.barometer_source,
        job=job,
        weighed=_beside(span, log, spans, weighed or Weighed()),
        disagreed=disagreed or {},
    )


def _beside(span: StageSpan, log: Log, spans: Sequence[StageSpan], weighed: Weighed) -> Weighed:
    """Return what was weighed with what the scale showed shortly before a stage that weighs, and after it."""
    index = log.frame.index
    if span.stage not in WEIGHS or "cylinder_weight" not in log.frame:
        return weighed
    others = [one for one in spans if one.stage in WEIGHS]
    # where nobody marked either, the stage before may hold what flowed first
    ended = (
        one.end
        for one in others
        if one.begin < span.begin
        and one.end is not None
        and (one.stage == span.stage or "journal" in (one.found_by, span.found_by))
    )
    since, first = max([span.begin - BESIDE_UNMARKED, *ended]), int(index.searchsorted(span.begin))
    weight, stood = log.frame["cylinder_weight"], log.frame.iloc[int(index.searchsorted(since, side="right")) : first]
    weighed = replace(weighed, stood=stood)
    before = stood["cylinder_weight"]
    if span.found_by == "journal":
        before = before[before.index > span.begin - BESIDE]
    if span.end is None or span.known_until is None:
        return replace(weighed, before=before.dropna())
    over = max(span.end, span.known_until)
    until = min([span.end + BESIDE, *(one.begin for one in others if one.begin > span.begin)])
    last = int(index.searchsorted(over, side="right"))
    return replace(weighed, before=before.dropna(), after=weight.iloc[last : int(index.searchsorted(until))].dropna())
