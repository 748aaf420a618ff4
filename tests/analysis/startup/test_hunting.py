"""Start-up: what hunts, and with which period."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.startup import assess
from tests.analysis.startup.plants import plant, windows
from tests.support import START, value


def test_hunting_is_never_steady_and_its_period_is_told() -> None:
    stretch, _ = plant([(0, 0.7)], 40, swing_k=2.5)
    result = assess(stretch)
    assert result.verdict == "never_steady"
    assert "suction superheat hunts with a period of about 1.7 min" in result.text
    assert result.figures["cause"] == "hunting"


def test_hunting_that_sets_in_ends_the_window_and_its_period_is_learnt() -> None:
    """A cause learnt later comes as a further finding with the same beginning."""
    stretch, _ = plant([(0, 0.7)], 70)
    at = np.arange(len(stretch.frame))
    swing = np.where(at >= 1_800, 3.0 * np.sin(2 * np.pi * at / 240.0), 0.0)
    swung = stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + swing)
    ends = [f for f in assess(replace(stretch, frame=swung)).findings if f.kind == "unsteady"]
    assert ends[-1].figures["cause"] == "hunting"
    period = value(ends[-1], "period")
    assert period == pytest.approx(240.0, rel=0.1)
    assert all((f.since - START) / pd.Timedelta(minutes=1) == pytest.approx(30.0, abs=2.0) for f in ends)


@pytest.mark.parametrize(("period_s", "swing_k"), [(40.0, 2.0), (64.0, 1.2), (90.0, 1.2)])
def test_no_window_opens_while_it_hunts_fast_or_little(period_s: float, swing_k: float) -> None:
    stretch, _ = plant([(0, 0.7)], 60, 2.0)
    at = np.arange(len(stretch.frame)) * 2.0
    swing = np.where((at >= 1_500) & (at < 2_400), swing_k * np.sin(2 * np.pi * at / period_s), 0.0)
    swung = replace(
        stretch, frame=stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + swing)
    )
    (_, first_end), (second, last_end) = windows(swung)
    assert first_end == pytest.approx(25.0, abs=1.0)
    assert second == pytest.approx(40.0, abs=2.0)
    assert last_end is None
    heard = [f.figures["period"].si for f in assess(swung).findings if "period" in f.figures]  # type: ignore[union-attr]
    assert heard == pytest.approx([period_s] * len(heard), rel=0.05)
    assert heard


@pytest.mark.parametrize("with_load", [True, False])
def test_what_another_stage_sets_swinging_is_no_hunting(with_load: bool) -> None:
    """The valve rings by 2.5 K with a period of 100 s, and four minutes later by less than half of it."""
    stretch, _ = plant([(0, 0.5), (30, 0.9)], 70, 2.0, with_load=with_load)
    since = np.clip(np.arange(len(stretch.frame)) * 2.0 - 1_800.0, 0.0, None)
    rings = 2.5 * np.exp(-since / 300.0) * np.sin(2 * np.pi * since / 100.0)
    frame = stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + rings)
    ends = [f for f in assess(replace(stretch, frame=frame)).findings if f.kind == "unsteady"]
    assert [f.figures["cause"] for f in ends] == ["staging"]


def test_a_compressor_that_cycles_is_named_and_not_the_valve() -> None:
    result = assess(plant([(minute, 0.5 + 0.3 * (minute // 4 % 2)) for minute in range(0, 30, 4)], 30)[0])
    assert result.verdict == "never_steady"
    assert "compressor load hunts with a period of about 8." in result.text
    assert result.figures["cause"] == "staging"


@pytest.mark.parametrize("stands_first", [False, True])
def test_a_load_that_came_and_went_is_told_with_its_period(stands_first: bool) -> None:
    """It cycles for half an hour, then stands; what it did before is told as well, and once."""
    cycles = [(minute, 0.5 + 0.3 * (minute // 4 % 2)) for minute in range(20, 52, 4)]
    result = assess(plant([(0 if stands_first else 19, 0.4), *cycles, (52, 0.4)], 70)[0])
    ends = [f for f in result.findings if "period" in f.figures]
    assert [(f.kind, f.figures["cause"]) for f in ends] == [("unsteady", "staging")] * stands_first
    assert all(value(f, "period") == pytest.approx(480.0, rel=0.1) for f in ends)
    assert ("Before it first stood, compressor load hunted" in result.text) == (not stands_first)


def test_what_hunts_on_at_another_load_is_told_again() -> None:
    """A valve's period follows the load (common practice)."""
    stretch, _ = plant([(0, 0.7), (55, 0.4)], 80, 2.0)
    at = np.arange(len(stretch.frame)) * 2.0
    period_s = np.where(at < 3_300.0, 240.0, 120.0)
    swing = np.where(at >= 1_800.0, 2.5 * np.sin(2 * np.pi * at / period_s), 0.0)
    swung = stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + swing)
    told = [value(f, "period") for f in assess(replace(stretch, frame=swung)).findings if "period" in f.figures]
    assert told == pytest.approx([240.0, 120.0], rel=0.1)


@pytest.mark.parametrize("minutes", [30, 50])
def test_what_hunted_before_the_first_window_is_told(minutes: int) -> None:
    """It hunts for 25 minutes with a period of 3 minutes: half an hour is too short to stand after that."""
    stretch, _ = plant([(0, 0.7)], minutes)
    at = np.arange(len(stretch.frame))
    swing = np.where(at < 1_500, 2.5 * np.sin(2 * np.pi * at / 180.0), 0.0)
    swung = stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + swing)
    result = assess(replace(stretch, frame=swung))
    assert (result.verdict == "never_steady") == (minutes == 30)
    assert "suction superheat hunted with a period of about 3.0 min" in result.text
    assert result.figures.get("cause") == ("hunting" if minutes == 30 else None)


@pytest.mark.parametrize("channel", ["suction_temperature", "suction_pressure"])
@pytest.mark.parametrize("swings_s", [190, 400])
def test_what_hunted_when_it_was_read_last_is_in_no_later_window(channel: str, swings_s: int) -> None:
    stretch, _ = plant([(0, 0.7)], 70)
    at = np.arange(len(stretch.frame))
    swing = np.where(at >= 1_800, 3.0 * np.sin(2 * np.pi * (at - 1_800) / 240.0), 0.0)
    failed = stretch.frame.assign(suction_temperature=stretch.frame["suction_temperature"] + swing)
    failed[channel] = failed[channel].where(at < 1_800 + swings_s)
    opened = [f for f in assess(replace(stretch, frame=failed)).findings if f.kind == "steady"]
    assert len(opened) == 2
    assert "suction_superheat" in opened[0].figures
    assert "suction_superheat" not in opened[1].figures
    assert "subcooling" in opened[1].figures
    assert opened[1].since >= START + pd.Timedelta(seconds=1_790 + swings_s)
