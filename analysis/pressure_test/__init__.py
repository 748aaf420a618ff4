"""Standing pressure test: the temperature-corrected loss with its interval, and the verdict against what is allowed.

The loss is judged on a grid of checkpoints fixed to the beginning of the stage (`judging`), each with only the minutes
before it, and at the end once more with all of them; the model stands in `loss_model`. A quiet segment that ends
in a fall was bled down and is judged up to there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.pressure_test.judging import Judged, Plan, checkpoints, judge_all, plans_at
from analysis.pressure_test.minutes import Minutes, first_readings, minutes_of
from analysis.pressure_test.night import STAGE, Night, corrected, gas_part_k, nothing_judged, summary
from analysis.pressure_test.probes import ProbeFault, probe_faults
from analysis.pressure_test.segments import (
    CONFIRM,
    LEVEL_MINUTES,
    TEST_LEVEL,
    Segment,
    all_segments,
    let_down,
    level_held,
    steps_of,
)
from analysis.pressure_test.standing import (
    AGAINST,
    ONCE,
    TWICE,
    before_warming,
    limit_of,
    on_the_way,
    side_of,
    verdicts,
)
from analysis.result import Assessment, Figure, Finding, Span
from analysis.stretch import Stretch
from analysis.vocabulary.channels import METAL

BEGUN = 0.1
"""A step began with the first minute that is off by so much of it (common practice)."""

FAST_FALL = 0.10
FAST_FALL_MINUTES = 30
"""A fall that never lets the pressure rest: over 10 % in the half hour that ends now, half an hour after the top."""


def assess(stretch: Stretch) -> Assessment:
    """Return the assessment of a standing pressure test.

    Reads `circuit_pressure`, and `ambient_temperature`, `surface_temperature` and `barometer` where they are logged.
    Verdict `tight` when the whole interval of the loss is inside `[pressure_test] allowed_loss`, `leaking` when it
    is wholly beyond, else `undecided`. Rates are at the mean gas temperature of the judged period.
    """
    if not stretch.has("circuit_pressure"):
        return Assessment(
            "undecided",
            "Cannot tell: there is no reading of the circuit pressure to go by. Log it by a gauge on the circuit.",
        )
    minutes = minutes_of(stretch)
    segments = all_segments(minutes, steps_of(minutes))
    faults = probe_faults(minutes)
    wanted = _wanted_pa(stretch, minutes)
    allowed = stretch.job.pressure_test.allowed_loss_pa_per_s
    night = Night(stretch, minutes, segments, faults, allowed)
    grid = checkpoints(len(minutes))
    last = len(minutes)
    held = level_held(minutes)
    judged = judge_all(
        minutes, {c: plans_at(minutes, segments, faults, held, c, wanted) for c in dict.fromkeys([*grid, last])}
    )
    whole = [best for plans in judged.values() for best in _best(night, plans)]
    looks = before_warming(whole, allowed, night.confidence)
    running = [look for look in looks if look.checkpoint in grid]
    fast = _fast_fall(minutes, segments, grid)
    findings = _findings(night, {c: judged[c] for c in grid}, running, fast)
    if not looks:
        verdict, text, figures = nothing_judged(night, fast is not None)
        return Assessment(verdict, text, figures, findings, _early_traces(stretch, minutes))
    ended = stretch.end is not None and looks[-1].checkpoint == last
    counts = ended or side_of(looks[-1], allowed, night.confidence, on_the_way(looks[-1], ONCE)) in ("tight", "leaking")
    decided = verdicts(looks if counts else running, allowed, night.confidence, told=True, ended=ended)
    side, stands = decided[-1] if decided else ("undecided", None)
    told = looks[-1] if stands is None else stands
    part = gas_part_k(night, told)
    verdict, text, figures = summary(night, side, told, part)
    traces = {**_early_traces(stretch, minutes), **corrected(night, told, part), **_band(stretch, minutes, looks)}
    return Assessment(verdict, text, figures, findings, traces, _spans(night, told))


def _wanted_pa(stretch: Stretch, minutes: Minutes) -> float | None:
    """Return the stated test pressure as the gauge would show it."""
    stated = stretch.job.pressure_test.pressure
    if stated is None or not len(minutes):
        return None
    barometer = float(stretch.barometer_pa.iloc[0])
    return stated.gauge_pa(barometer) if minutes.gauge else stated.absolute_pa(barometer)


def _best(night: Night, plans: list[Judged]) -> list[Judged]:
    """Return the judgement that stands for a checkpoint, if there is any: the surest, or the one that leaks.

    Gas that has not settled says nothing but that it leaks, and has to be very sure of that. Of the same readings until
    two moments, for the sun may have come to the probe between them, only the surest counts.
    """

    def leaks(plan: Judged) -> bool:
        shares = on_the_way(plan, TWICE if plan.plan.settled else ONCE)
        return side_of(plan, night.allowed, night.confidence, shares) == "leaking"

    every = sorted(_since_let_down(night, plans), key=lambda p: p.rate(p.loss.deviation))
    surest: dict[object, Judged] = {}
    for judged in every:
        surest.setdefault(judged.plan.same_data(), judged)
    losing = sorted(filter(leaks, surest.values()), key=lambda p: -p.surely_above(limit_of(p, night.allowed)))
    settled = [p for p in surest.values() if p.plan.settled]
    return losing[:1] or [replace(p, doubted=_doubted(night, p, every)) for p in settled[:1]]


def _doubted(night: Night, told: Judged, every: list[Judged]) -> bool:
    """Return whether more of the same quiet readings than are told may be a loss beyond what is allowed."""
    longer = [p for p in every if p.plan.segment_begin == told.plan.segment_begin and p.plan.end > told.plan.end]
    return any(p.surely_above(limit_of(p, night.allowed)) > AGAINST for p in longer)


def _since_let_down(night: Night, plans: list[Judged]) -> list[Judged]:
    """Return the judgements of what was filled after the circuit was last let down, once its gas has settled.

    Who let it down may have mended it: that is another test, whatever the one before it showed.
    """
    settled = [p.plan for p in plans if p.plan.settled]

    def ended(plan: Plan) -> bool:
        return any(let_down(night.minutes, plan.begin, plan.end, after.segment_begin) for after in settled)

    return [p for p in plans if not ended(p.plan)]


def _fast_fall(minutes: Minutes, segments: list[Segment], grid: list[int]) -> int | None:
    """Return the checkpoint at which a fall that never rested since filling was seen."""
    x = minutes.logged_pa
    for checkpoint in grid:
        usable = x[:checkpoint]
        if not np.isfinite(usable).any() or any(s.settled is not None and s.settled < checkpoint for s in segments):
            return None
        top = int(np.nanargmax(usable))
        if checkpoint - top < FAST_FALL_MINUTES or any(
            s.begin + LEVEL_MINUTES <= checkpoint and s.level_pa > TEST_LEVEL * usable[top] for s in segments
        ):
            continue
        looked = usable[checkpoint - FAST_FALL_MINUTES :]
        looked = looked[np.isfinite(looked)]
        absolute = float(np.nanmax(minutes.pressure_pa[:checkpoint]))
        if len(looked) < 20 or looked[0] - looked[-1] < FAST_FALL * absolute:
            continue
        thirds = [float(np.mean(part)) for part in np.array_split(looked, 3)]
        if thirds[0] > thirds[1] > thirds[2] and thirds[2] > 0.02 * absolute:
            return checkpoint
    return None


def _findings(
    night: Night, judged: dict[int, list[Judged]], looks: list[Judged], fast: int | None
) -> tuple[Finding, ...]:
    minutes = night.minutes
    found = [_probe_finding(night, fault) for fault in night.faults]
    found += [_event_finding(night, s) for s in night.segments if _was_disturbed(night, s)]
    found += [_stuck_finding(night, s) for s in night.segments if s.stuck_known is not None]
    if fast is not None:
        found.append(
            Finding(
                minutes.known[fast - 1], night.time_of(fast - FAST_FALL_MINUTES), STAGE, "loss_alarm", "alarm",
                "Pressure has fallen fast ever since filling and does not rest. This is a big leak or an open valve: "
                "look now, do not leave the circuit for the night.",
            )
        )  # fmt: skip
    seen: set[int] = set()
    for checkpoint, plans in judged.items():
        for plan in plans:
            if plan.plan.settled and plan.plan.segment_begin not in seen:
                seen.add(plan.plan.segment_begin)
                found.append(night.settled_finding(checkpoint, plan))
    before = "undecided" if fast is None else "leaking"
    for look, (verdict, _) in zip(looks, verdicts(looks, night.allowed, night.confidence), strict=True):
        if verdict == "leaking" != before:
            found.append(night.alarm_finding(look))
        before = verdict
    return tuple(sorted((f for f in found if f.time <= night.stretch.frame.index[-1]), key=lambda f: f.time))


def _was_disturbed(night: Night, segment: Segment) -> bool:
    """Return whether a settled segment ended in a rise or fall that has been confirmed."""
    confirmed = segment.end + CONFIRM <= len(night.minutes)
    return segment.closed_by in ("rise", "fall") and segment.settled is not None and confirmed


def _probe_finding(night: Night, fault: ProbeFault) -> Finding:
    offset = Figure(night.rounded(fault.jump_k), "temperature_difference")
    what, put_back = (
        ("surface", "has it come off? Put it back on the metal, under insulation.")
        if fault.probe == METAL
        else ("air", "does the sun or a draught reach it, or was it moved? Hang it in the shade, beside the circuit.")
    )
    if fault.alone:
        return Finding(
            night.minutes.known[fault.known], night.time_of(fault.since), STAGE, "channel_jumped", "caution",
            f"Within an hour the {what} probe came {offset.show(night.system, 2)} above its way before, and the gas "
            "did not follow: does the sun reach it, or has it come off? Put it on the metal, in the shade, under "
            "insulation. Where the hours before tell more than all together, only those are judged.",
            {"channel": fault.probe, "offset": offset},
        )  # fmt: skip
    since = f"{night.time_of(fault.believed):%H:%M} UTC"
    stood = "It is" if fault.believed == fault.since else f"It had stood at one number since {since}, so it is"
    return Finding(
        night.minutes.known[fault.known], night.time_of(fault.since), STAGE, "channel_jumped", "caution",
        f"The {what} probe jumped by {offset.show(night.system, 2)} within minutes and stayed: {put_back} {stood} not "
        "used from there on, and the interval is wider for it.",
        {"channel": fault.probe, "offset": offset},
    )  # fmt: skip


def _event_finding(night: Night, segment: Segment) -> Finding:
    x = night.minutes.logged_pa
    after, before = x[segment.end + 4 : segment.end + CONFIRM], x[segment.end - 8 : segment.end - 2]
    moved = first_readings(after) - first_readings(before)
    away = np.abs(x[segment.end : segment.end + CONFIRM] - first_readings(before)) > BEGUN * abs(moved)
    since = segment.end + int(np.argmax(away))
    offset = Figure(night.rounded(moved), "pressure_difference")
    fell = segment.closed_by == "fall"
    size = (
        Figure(abs(moved), "pressure_difference").show(night.system, 2) if np.isfinite(moved) else "an unknown amount"
    )
    by = f" by {size}" if abs(moved) >= night.minutes.quantum_pa[segment.end] else ""
    text = (
        f"Pressure fell by {size} within minutes: let down, or "
        "something gave way. It is not judged as loss. If nobody opened a valve, go and look."
        if fell
        else f"Pressure was raised{by}: judging starts afresh when the gas has settled."
    )
    return Finding(
        night.minutes.known[segment.end + CONFIRM - 1], night.time_of(since), STAGE, "channel_jumped",
        "caution" if fell else "info", text, {"channel": "circuit_pressure", "offset": offset},
    )  # fmt: skip


def _stuck_finding(night: Night, segment: Segment) -> Finding:
    assert segment.stuck_known is not None
    assert segment.stuck_from is not None
    return Finding(
        night.minutes.known[segment.stuck_known], night.time_of(segment.stuck_from), STAGE, "channel_stuck", "caution",
        "Circuit pressure has stood at one number while temperatures moved: the gauge or its link is stuck. Nothing "
        "from there on is judged. Tap or restart the gauge and look at it yourself.",
        {"channel": "circuit_pressure", "offset": Figure(np.nan, "pressure_difference")},
    )  # fmt: skip


def _early_traces(stretch: Stretch, minutes: Minutes) -> dict[str, pd.Series]:
    index = stretch.begin + pd.to_timedelta(np.arange(len(minutes)) + 0.5, unit="min")
    gauge = minutes.pressure_pa - minutes.barometer_pa
    return {"pressure": pd.Series(gauge, index=index)} if len(minutes) else {}


def _band(stretch: Stretch, minutes: Minutes, looks: list[Judged]) -> dict[str, pd.Series]:
    """Return the loss rate, its interval and the smallest loss that could be told, at each checkpoint."""
    confidence = stretch.job.pressure_test.confidence
    index = pd.DatetimeIndex([minutes.known[look.checkpoint - 1] for look in looks])
    bounds = np.array([look.interval(confidence) for look in looks])
    return {
        "loss_low": pd.Series(bounds[:, 0], index=index),
        "loss_high": pd.Series(bounds[:, 1], index=index),
        "loss_estimate": pd.Series([look.rate(look.loss.mean) for look in looks], index=index),
        "smallest_detectable": pd.Series(0.5 * (bounds[:, 1] - bounds[:, 0]), index=index),
    }


def _spans(night: Night, last: Judged) -> tuple[Span, ...]:
    plan = last.plan
    spans = [Span("settling", night.time_of(plan.segment_begin), night.time_of(plan.begin), " ")] * plan.settled
    words = "settled, judged" if plan.settled else "judged"
    spans.append(Span("judged", night.time_of(plan.begin), night.time_of(plan.end), words))
    end = night.stretch.frame.index[-1]
    spans += [
        Span("bled", night.time_of(s.end), end, "let down")
        for s in night.segments
        if s.begin == plan.segment_begin and s.closed_by == "fall"
    ]
    return tuple(spans)
