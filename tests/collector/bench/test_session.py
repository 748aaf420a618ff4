"""Bench, wires, recorder and control channel together, for one simulated hour."""

from __future__ import annotations

import asyncio
from functools import partial
from pathlib import Path

import pytest

from analysis.log import load
from analysis.vocabulary.errors import InputError, RecorderError
from collector.bench.job_folder import prepare
from collector.bench.plant import Plant
from collector.bench.scenario import START_S, Script, at_rest, minutes
from collector.bench.sensors import SENSORS
from collector.bench.session import run_session
from collector.bench.wires import Wires
from collector.entries import Entry
from collector.folder_lock import FolderLock
from tests.patience import PATIENCE_S


def hour(plant: Plant) -> Script:
    yield from at_rest(plant)
    yield Entry("mark", "pump_on")
    yield minutes(2)


async def test_rows_land_from_the_wires_and_marks_from_outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # what is written to a pseudo-terminal is handed on by a thread of the kernel, which waits on a busy machine while
    # the bench goes on: for some 0.3 s, twenty rows
    monkeypatch.setattr("collector.bench.session.Wires", partial(Wires, sockets=True))
    ticks: list[float] = []
    await run_session(tmp_path, seed=3, speed=1_200.0, interval_s=20.0, script=hour, tick=ticks.append)
    log, job = load(tmp_path)
    assert job.job.simulated
    assert ticks == sorted(ticks)
    assert len(ticks) > 50
    passed = (log.frame.index[-1] - log.frame.index[0]).total_seconds()
    assert passed >= 60 * 60  # it goes on until the last mark is written
    assert len(log.frame) > 0.9 * passed / 20.0  # a busy machine may miss a beat, never shift one
    # no vacuum probe speaks at 63 psig; every other channel of the bench is there
    assert set(log.frame.columns) == set(SENSORS)
    full = log.frame.drop(columns=["vacuum", "pump_vacuum"]).notna().mean()
    assert full.min() > 0.9
    assert log.frame[["vacuum", "pump_vacuum"]].isna().all().all()
    psia = log.frame["circuit_pressure"].median() / 6_894.757
    assert psia == pytest.approx(77.0, abs=1.5)
    journal = [(row.kind, row.subject, row.value) for row in log.journal.itertuples()]
    scripted = [entry for entry in journal if entry[0] in ("stage", "mark")]
    assert scripted == [("stage", "at_rest", "begin"), ("stage", "at_rest", "end"), ("mark", "pump_on", "")]
    assert journal[0] == ("recorder", "", "started")
    assert journal[-1] == ("recorder", "", "stopped")
    assert any("SIMULATED" in text for text in log.journal["text"])
    stages = log.journal[log.journal["kind"] == "stage"]["time"]
    assert (stages.iloc[1] - stages.iloc[0]).total_seconds() == pytest.approx(3_600.0, abs=120)


async def test_an_interrupted_session_leaves_a_whole_log(tmp_path: Path) -> None:
    recorded = asyncio.Event()

    def tick(seconds: float) -> None:
        if seconds > START_S + 1_200.0:
            recorded.set()

    session = asyncio.create_task(run_session(tmp_path, seed=3, speed=1_200.0, interval_s=20.0, tick=tick))
    async with asyncio.timeout(PATIENCE_S):
        await recorded.wait()
        session.cancel()
        with pytest.raises(asyncio.CancelledError):
            await session
    log, _ = load(tmp_path)
    assert len(log.frame) > 20
    assert log.cautions == ()
    assert log.journal["value"].iloc[-1] == "stopped"


async def test_a_folder_that_is_no_demo_ends_the_session_before_it_begins(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[job]\nname = "mine"\n')
    with pytest.raises(InputError, match="not a demo"):
        await run_session(tmp_path, seed=3, speed=1_000.0, interval_s=30.0)


async def test_a_demo_that_is_being_recorded_is_left_alone(tmp_path: Path) -> None:
    prepare(tmp_path, [], 30.0)
    (tmp_path / "readings.csv").write_text("time\n")
    with FolderLock(tmp_path), pytest.raises(InputError, match="records this job already"):
        await run_session(tmp_path, seed=3, speed=1_000.0, interval_s=30.0)
    assert (tmp_path / "readings.csv").exists()


async def test_a_recorder_that_stops_ends_the_session_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def broken(*_: object) -> None:
        raise RecorderError("the disk is gone")

    monkeypatch.setattr("collector.bench.session.Recorder.run", broken)
    with pytest.raises(RecorderError, match="the disk is gone"):
        await run_session(tmp_path, seed=3, speed=1_000.0, interval_s=30.0)
