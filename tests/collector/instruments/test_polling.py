"""The supervisor of a link, on a wire that fails in ways that no real one can be made to."""

from __future__ import annotations

import asyncio
import dataclasses
from pathlib import Path
from types import SimpleNamespace

import pytest

from analysis.vocabulary.errors import RecorderError
from collector.backoff import LONGEST_RETRY_S, Backoff
from collector.instruments import polling
from collector.instruments.decode import Decoded
from collector.instruments.polling import NoAnswer, PolledLink
from collector.instruments.reading import Fault, Reading, Reporter, Sample
from collector.instruments.settings import InstrumentSettings, load_instruments

from .conftest import Recorded, running


def gauge(folder: Path, name: str, channel: str) -> InstrumentSettings:
    table = {
        "name": name,
        "profile": "ascii-gauge",
        "port": "/dev/ttyX",
        "interval": "0.02 s",
        "channels": {"pressure": channel},
    }
    return load_instruments([table], folder)[0]


class ScriptedWire:
    """Does what a script says, one step for each question; then answers 10 psig for ever."""

    def __init__(self, *script: Exception) -> None:
        self.script = list(script)
        self.opened = self.closed = 0
        self.silent: set[str] = set()

    async def open(self) -> None:
        self.opened += 1

    async def close(self) -> None:
        self.closed += 1

    async def ask(self, instrument: InstrumentSettings) -> list[Decoded]:
        if self.script:
            raise self.script.pop(0)
        if instrument.name in self.silent:
            raise NoAnswer("silent")
        return [Sample("pressure", 10.0, "psig")]


async def test_each_is_asked_at_its_own_interval_and_beats_that_went_by_are_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now, asked = 0.0, list[tuple[str, float]]()

    async def sleep(seconds: float) -> None:
        nonlocal now
        now += seconds
        await asyncio.sleep(0)

    class Noted(ScriptedWire):
        async def ask(self, instrument: InstrumentSettings) -> list[Decoded]:
            nonlocal now
            asked.append((instrument.name, round(now, 3)))
            now += 0.065 if len(asked) == 5 else 0.0  # one answer takes long
            return await super().ask(instrument)

    monkeypatch.setattr(polling, "time", SimpleNamespace(monotonic=lambda: now))
    monkeypatch.setattr(polling, "asyncio", SimpleNamespace(sleep=sleep))
    quick, slow = (gauge(tmp_path, "quick", "suction_pressure"), gauge(tmp_path, "slow", "discharge_pressure"))
    slow = dataclasses.replace(slow, interval_s=0.05)
    async with running(PolledLink("port", [quick, slow], Noted())) as sink:
        await sink.more("discharge_pressure", 4)
    at = {each: [when for name, when in asked if name == each] for each in ("quick", "slow")}
    assert at["quick"][:3] == [0.0, 0.02, 0.04]
    assert at["slow"][:4] == [0.0, 0.05, 0.115, 0.165]
    assert at["quick"][4:7] == [0.115, 0.135, 0.155], "at once after the long answer, then on the beat again"


async def test_an_unforeseen_error_stays_in_its_link(tmp_path: Path) -> None:
    wire = ScriptedWire(RuntimeError("never thought of this"))
    link = PolledLink("port", [gauge(tmp_path, "gauge", "circuit_pressure")], wire)
    async with running(link) as sink:
        await sink.more("circuit_pressure", 3)
    assert [event.text for event in sink.events] == ["port: never thought of this", "answers again"]
    assert (wire.opened, wire.closed) == (2, 2)


async def test_what_the_recorder_raises_is_passed_on(tmp_path: Path) -> None:
    class Full(Recorded):
        def reading(self, reading: Reading) -> None:
            raise RecorderError("disk full")

    wire = ScriptedWire()
    with pytest.raises(RecorderError):
        await PolledLink("port", [gauge(tmp_path, "gauge", "circuit_pressure")], wire).run(Full())
    assert wire.closed == 1


async def test_one_or_two_misses_are_not_a_loss(tmp_path: Path) -> None:
    wire = ScriptedWire(NoAnswer("late"), NoAnswer("late"))
    async with running(PolledLink("port", [gauge(tmp_path, "gauge", "circuit_pressure")], wire)) as sink:
        await sink.more("circuit_pressure", 3)
    assert sink.events == []


async def test_the_wire_is_opened_afresh_only_when_all_are_silent(tmp_path: Path) -> None:
    wire = ScriptedWire()
    both = [gauge(tmp_path, "a", "suction_pressure"), gauge(tmp_path, "b", "discharge_pressure")]
    wire.silent.add("a")
    async with running(PolledLink("port", both, wire)) as sink:
        await sink.until(lambda: sink.told("a") == ["lost"])
        await sink.more("discharge_pressure", 20)
        assert wire.opened == 1
        wire.silent.add("b")
        await sink.until(lambda: sink.told("b") == ["lost"])
        wire.silent.clear()
        await sink.until(lambda: sink.told("a") == sink.told("b") == ["lost", "back"])
        assert wire.opened >= 2


def test_an_instrument_that_sends_only_what_cannot_be_read_is_lost() -> None:
    sink, now = Recorded(), [0.0]
    reporter = Reporter("gauge", sink, lambda: now[0])
    bad, over = Fault("bad_frame", "the CRC does not match"), Fault("over_range", "reports OL")
    good = [Reading("circuit_pressure", 10.0)]
    for second in range(100):  # now and then a good one: not lost
        now[0] = second
        reporter.fault(bad)
        if second % 20 == 0:
            reporter.good(good)
    assert set(sink.told("gauge")) == {"bad_frame"}
    for second in range(100, 200):
        now[0] = second
        reporter.fault(bad)
    assert sink.told("gauge").count("lost") == 1
    assert "CRC" in next(event.text for event in sink.events if event.value == "lost")
    assert "back" not in sink.told("gauge")
    reporter.fault(over)  # it shows no number, but it speaks
    assert sink.told("gauge")[-2:] == ["back", "over_range"]


def test_retries_are_capped_and_jittered() -> None:
    backoff = Backoff()
    waits = [backoff.next_s() for _ in range(200)]
    assert max(waits) <= LONGEST_RETRY_S
    assert waits[0] <= backoff.first_s
    assert len(set(waits[10:])) > 150
    assert min(waits[10:]) >= LONGEST_RETRY_S / 2
    backoff.reset()
    assert backoff.next_s() <= backoff.first_s
