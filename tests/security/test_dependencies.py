"""What is installed is what is asked for. Known holes are not looked up: that needs a network (see DEVELOPERS.md)."""

from __future__ import annotations

import importlib.metadata
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
DEPENDENCIES = [Requirement(line) for line in PROJECT["dependencies"]]
ASKED = [requirement for requirement in DEPENDENCIES if requirement.marker is None or requirement.marker.evaluate()]


@pytest.mark.parametrize("asked", ASKED, ids=lambda asked: asked.name)
def test_each_dependency_is_there_in_a_version_that_is_asked_for(asked: Requirement) -> None:
    assert asked.specifier.contains(importlib.metadata.version(asked.name))


@pytest.mark.parametrize("asked", [each for each in ASKED if each.name != "tzdata"], ids=lambda asked: asked.name)
def test_each_dependency_names_the_oldest_version_that_was_tried(asked: Requirement) -> None:
    assert [each.operator for each in asked.specifier] == [">="]


def missing(name: str, extras: frozenset[str], seen: set[tuple[str, frozenset[str]]]) -> list[str]:
    """Return what a distribution and those below it ask for and do not find, as ``who: what``."""
    if (name, extras) in seen:
        return []
    seen.add((name, extras))
    found = []
    for line in importlib.metadata.requires(name) or []:
        asked = Requirement(line)
        if asked.marker is not None and not any(asked.marker.evaluate({"extra": extra}) for extra in (*extras, "")):
            continue
        try:
            version = importlib.metadata.version(asked.name)
        except importlib.metadata.PackageNotFoundError:
            version = ""
        if not version or not asked.specifier.contains(version, prereleases=True):
            found.append(f"{name}: {asked}, found {version or 'nothing'}")
        else:
            found += missing(asked.name, frozenset(asked.extras), seen)
    return found


def test_what_the_dependencies_ask_for_is_there_too() -> None:
    seen: set[tuple[str, frozenset[str]]] = set()
    assert [fault for asked in ASKED for fault in missing(asked.name, frozenset(asked.extras), seen)] == []
    assert len({name for name, _ in seen}) > len(ASKED)
