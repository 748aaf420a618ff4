"""The loader of rule files, on the shipped files and on files of a shop's own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.recovery import assess
from analysis.recovery.required_level import required_level
from analysis.rules import load_rules, shipped_rules
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import load_job, parse_job
from tests.benchmarks.recovery_circuit import Case, simulate

HEAD = '[rules]\ntitle = "shop"\nsource = "our own"\n'


def written(folder: Path, text: str) -> str:
    file = folder / "shop.toml"
    file.write_text(text, encoding="utf-8")
    return str(file)


@pytest.mark.parametrize("name", shipped_rules())
def test_every_shipped_file_loads_and_says_where_it_is_from(name: str) -> None:
    rules = load_rules(name)
    assert rules.title
    assert rules.source
    assert rules.tables


def test_without_rules_there_is_no_level() -> None:
    found = required_level(parse_job({"job": {"name": "t"}, "recovery": {"rules": "none"}}))
    assert found.level is None


def test_a_shop_may_bring_its_own_file(tmp_path: Path) -> None:
    name = written(tmp_path, HEAD + '[[recovery.level]]\nlevel = "20 inHg"\n')
    found = required_level(parse_job({"job": {"name": "t"}, "recovery": {"rules": name}}))
    assert found.level is not None
    assert found.level.pa == pytest.approx(101_325 - 20 * 3386.389)
    assert (found.hold_s, found.hold_within) == (600.0, 0.005)


def test_rules_without_a_row_for_the_job_are_told_from_rules_that_ask_for_nothing(tmp_path: Path) -> None:
    name = written(tmp_path, HEAD + '[[recovery.level]]\nclass = ["low"]\nlevel = "25 Torr"\n')
    job = {"job": {"name": "t"}, "circuit": {"refrigerant": "R-134a"}, "recovery": {"rules": name}}
    assert required_level(parse_job(job)).no_row
    assert not required_level(parse_job(job | {"circuit": {"refrigerant": "R-123"}})).no_row
    assert not required_level(parse_job(job | {"recovery": {"rules": "none"}})).no_row
    stretch = simulate(Case()).stretch
    told = {}
    for rules in (name, "none"):
        recovery = stretch.job.recovery.model_copy(update={"rules": rules})
        told[rules] = assess(replace(stretch, job=stretch.job.model_copy(update={"recovery": recovery})))
    assert told["none"].verdict == "complete"
    assert told[name].verdict == "undecided"
    assert "has no level for a job like this" in told[name].text


def test_a_rule_file_is_looked_for_beside_the_job(tmp_path: Path) -> None:
    written(tmp_path, HEAD + '[[recovery.level]]\nlevel = "0.5 bar"\n')
    (tmp_path / "job.toml").write_text('[job]\nname = "t"\n[recovery]\nrules = "shop.toml"\n', encoding="utf-8")
    found = required_level(load_job(tmp_path))
    assert found.level is not None
    assert found.level.pa == pytest.approx(50e3)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no table [rules]"),
        ("[rules]\ntitle = 1\nsource = ''\n", "title (str)"),
        ("[rules\n", "is not TOML"),
        (HEAD + "[vacuum]\n", "nothing reads a table [vacuum]; expected rules, recovery, pressure_test, evacuation"),
        (HEAD + "[recovery]\n[charging]\ntolerance = '1 kg'\n", "nothing reads a table [charging]"),
        (HEAD + "[evacuation]\n", "no table [recovery]"),
        (HEAD + "[recovery]\nlevels = 1\n", "unknown key 'levels'"),
        (HEAD + "[recovery]\nlevel = 1\n", "recovery].level: 1"),
        (HEAD + "[[recovery.level]]\n", "no level; expected"),
        (HEAD + "[[recovery.level]]\nlevel = '10 apples'\n", "'10 apples' is not accepted"),
        (HEAD + "[[recovery.level]]\nclass = ['tall']\nlevel = '1 bar'\n", "'tall' is not accepted"),
        (HEAD + "[[recovery.level]]\nmade_before = 'then'\nlevel = '1 bar'\n", "a date such as 1993-11-15"),
    ],
)
def test_a_bad_file_is_refused_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    name = written(tmp_path, text)
    with pytest.raises(InputError) as refusal:
        required_level(parse_job({"job": {"name": "t"}, "recovery": {"rules": name}}))
    assert says in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_an_unknown_name_lists_the_shipped_ones() -> None:
    with pytest.raises(InputError, match="us-40cfr82"):
        load_rules("us-40cfr28")
