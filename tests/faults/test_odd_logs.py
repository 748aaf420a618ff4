"""Logs cut, thinned, blanked and garbled at random: reviewed or refused in one line, and told alike at every row."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.log import load
from analysis.review import Review, review
from analysis.vocabulary.errors import StandwatchError
from analysis.vocabulary.shipped import shipped
from tests.support import sample_log, sample_review

SAMPLE = shipped("sample_logs") / "full-job"
GARBAGE = ("999999", "-99999", "1e308", "OL", "-0.0", "nan", "inf", "0")


@cache
def cells() -> pd.DataFrame:
    """Return the readings of the sample job as they are written."""
    return pd.read_csv(SAMPLE / "readings.csv", dtype="str", keep_default_na=False)


def garbled(folder: Path, seed: int) -> None:
    """Write the sample job into `folder`: a random piece of its rows, its channels, its marks and its settings."""
    dice = np.random.default_rng(seed)
    table = cells()
    first = int(dice.integers(len(table)))
    table = table.iloc[first : first + int(dice.choice([0, 1, 2, 5, 50, 300, 2000])) : int(dice.choice([1, 3, 6]))]
    share = dice.choice([0.0, 0.2, 0.6])
    table = table.drop(columns=[c for c in table.columns[1:] if dice.random() < share])
    for column in table.columns[1:]:
        chance = dice.random()
        if chance < 0.1:
            table[column] = np.where(dice.random(len(table)) < 0.3, "", table[column])
        elif chance < 0.2:
            table[column] = np.where(dice.random(len(table)) < 0.05, str(dice.choice(GARBAGE)), table[column])
        elif chance < 0.25:
            table[column] = str(dice.choice(["", "0"]))
    table.to_csv(folder / "readings.csv", index=False)
    head, *marks = (SAMPLE / "journal.csv").read_text(encoding="utf-8").splitlines()
    kept = [mark for mark in marks if dice.random() < dice.choice([0.0, 0.6, 1.0])]
    (folder / "journal.csv").write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    head, *tables = (SAMPLE / "job.toml").read_text(encoding="utf-8").split("\n[")
    kept = [each for each in tables if each.startswith("job]") or dice.random() < 0.8]
    (folder / "job.toml").write_text("\n[".join([head, *kept]), encoding="utf-8")


@pytest.mark.parametrize("seed", range(30))
def test_whatever_is_logged_is_reviewed_or_refused(tmp_path: Path, seed: int) -> None:
    garbled(tmp_path, seed)
    said = ""
    try:
        said = json.dumps(review(*load(tmp_path)).to_json(), allow_nan=False)
    except StandwatchError as error:
        said = str(error)
    assert said
    assert "\n" not in said


@pytest.mark.parametrize("marked", [True, False])
def test_the_sample_job_is_told_alike_at_every_row(marked: bool) -> None:
    log, job = sample_log(marked)

    def told(result: Review) -> list[str]:
        return [json.dumps(f.to_json(job.job.units)) for f in result.findings]

    whole = sample_review(marked)
    findings = list(zip(told(whole), whole.findings, strict=True))
    for row in np.random.default_rng(4).integers(50, len(log.frame), 2).tolist():
        now = log.frame.index[row]
        assert told(review(log.before(now), job)) == [text for text, f in findings if f.time <= now], str(now)
