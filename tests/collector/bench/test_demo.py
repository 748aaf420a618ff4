"""`standwatch demo`, the whole of it, at its fast pace: what is found is what the script made true."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest
from rich.console import Console

from analysis.vocabulary.errors import InputError
from collector.commands.demo import run_demo
from collector.commands.review import run_review
from tests.collector.bench.truth import TRUTH
from tests.support import sample_review


@pytest.mark.timeout(600)  # under a minute on a machine that does nothing else
def test_demo_comes_to_the_truth_of_its_script(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.commands.demo.LOOK_EVERY_S", 20.0)  # some looks are enough to say each finding once
    said = io.StringIO()
    folder = tmp_path / "demo"
    report = run_demo(folder, fast=True, console=Console(file=said, width=200))

    run_review(folder, json_file=tmp_path / "result.json")
    result = json.loads((tmp_path / "result.json").read_text())
    verdicts: dict[str, list[str]] = {}
    for stage in result["stages"]:
        verdicts.setdefault(stage["stage"], []).append(stage["verdict"])
    assert verdicts == TRUTH
    assert result["log"]["gaps"] == []

    kinds = {(finding["stage"], finding["kind"]) for finding in result["findings"]}
    assert ("recovery", "required_level_reached") in kinds
    assert ("recovery", "required_level_held") in kinds
    assert ("pressure_test", "loss_alarm") in kinds
    assert ("evacuation", "hold_passed") in kinds
    stalls = [f["figures"]["cause"] for f in result["findings"] if f["kind"] == "stall"]
    assert "pump_oil" in stalls
    assert not {"leak", "moisture"} & set(stalls)
    off = [f["figures"]["channel"] for f in result["findings"] if f["kind"] == "sensor_disagrees"]
    assert off == ["condenser_leaving_temperature"]

    # what was said as it went is what the review of the whole log says, each finding once
    output = said.getvalue()
    assert len(re.findall(r"^\d\d Mar \d\d:\d\d ", output, re.MULTILINE)) == len(result["findings"])
    assert "SIMULATED" in output
    assert str(report) in output
    assert "SIMULATED" in report.read_text(encoding="utf-8").upper()


def test_a_pause_that_lets_pressure_back_leaves_liquid_open() -> None:
    """The circuit arrived short, and oil boils in both pauses: nothing tells that from a pocket that boils slowly."""
    result = sample_review().to_json()
    kinds = [f["kind"] for f in result["findings"]]
    assert "liquid_gone" not in kinds
    assert kinds.count("pressure_rebound") == 2
    [recovery] = [s for s in result["stages"] if s["stage"] == "recovery"]
    assert recovery["verdict"] == "complete"
    assert "No pause showed whether oil or a low point" in recovery["text"]
    # read off the log by eye: what each cylinder stood at before its first flow, and when it was shut
    by_eye = (155.8 - 57.65) + (154.75 - 56.75) + (111.75 - 58.3)
    assert recovery["figures"]["recovered"]["value"] == pytest.approx(by_eye, abs=0.5)


def test_demo_refuses_a_folder_that_holds_something_else(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    said = io.StringIO()
    with pytest.raises(InputError, match="not a demo"):
        run_demo(tmp_path, console=Console(file=said))
    assert said.getvalue() == ""
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_folder_that_cannot_be_written_is_refused_before_anything_starts(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    said = io.StringIO()
    with pytest.raises(InputError, match=r"^[^\n]*cannot be written[^\n]*$"):
        run_demo(tmp_path / "file" / "demo", console=Console(file=said))
    assert said.getvalue() == ""
