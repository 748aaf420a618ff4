"""What every test is held to: nothing left running or open, and in CI nothing skipped."""

from __future__ import annotations

import asyncio
import inspect
import os
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio
from hypothesis import HealthCheck, settings

# neither an example nor the making of examples is held to a time
settings.register_profile("shared machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("shared machine")

_DESCRIPTORS = Path("/proc/self/fd")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    """Count a skipped test as failed where CI says that everything needed is there."""
    report = yield
    if os.environ.get("CI") == "true" and report.skipped and not hasattr(report, "wasxfail"):  # type: ignore[attr-defined]
        report.outcome = "failed"  # type: ignore[attr-defined]
        report.longrepr = f"skipped where nothing may be skipped: {report.longrepr}"  # type: ignore[attr-defined]
    return report


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Hold every async test to leaving no task and no descriptor behind."""
    for item in items:
        if inspect.iscoroutinefunction(getattr(item, "function", None)):
            item.fixturenames.insert(0, "nothing_left")  # type: ignore[attr-defined]


@pytest_asyncio.fixture
async def nothing_left() -> AsyncIterator[None]:
    """Fail an async test that leaves tasks running or descriptors open (descriptors: Linux)."""
    before = _descriptors()
    yield
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    assert not left, f"tasks left running: {left}"
    for _ in range(20):  # transports close on the next turns of the loop
        if _descriptors() <= before:
            return
        await asyncio.sleep(0.05)
    assert _descriptors() <= before, "descriptors left open"


def _descriptors() -> int:
    return len(list(_DESCRIPTORS.iterdir())) if _DESCRIPTORS.is_dir() else 0
