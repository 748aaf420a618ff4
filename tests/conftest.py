"""What every test is held to: nothing left running or open, an end, and in CI nothing skipped."""

from __future__ import annotations

import asyncio
import faulthandler
import inspect
import os
import sys
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as `standwatch` does: with more, threads only wait in turn

import pytest
import pytest_asyncio
from hypothesis import HealthCheck, settings

from tests.patience import PATIENCE_S

# neither an example nor the making of examples is held to a time; each run tries the same examples
settings.register_profile(
    "shared machine", deadline=None, derandomize=True, database=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("shared machine")

END_WITHIN_S = 60.0
"""A test that was stopped at its time limit has so long to clean up."""

_DESCRIPTORS = Path("/proc/self/fd")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    """Count a skipped test as failed where CI says that everything needed is there."""
    report = yield
    if os.environ.get("CI") == "true" and report.skipped and not hasattr(report, "wasxfail"):  # type: ignore[attr-defined]
        report.outcome = "failed"  # type: ignore[attr-defined]
        report.longrepr = f"skipped where nothing may be skipped: {report.longrepr}"  # type: ignore[attr-defined]
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """End the process with every thread's stack where a test does not end even when it is stopped at its time limit.

    A task that forgets its cancellation would else hold up the whole run without a word.
    """
    mark = item.get_closest_marker("timeout")
    limit_s = float(mark.args[0] if mark is not None else item.config.getini("timeout"))

    def give_up() -> None:
        item.config.pluginmanager.getplugin("capturemanager").suspend_global_capture()
        print(f"\n{item.nodeid} does not end", file=sys.__stderr__, flush=True)
        faulthandler.dump_traceback(sys.__stderr__)
        os._exit(1)

    watch = threading.Timer(limit_s + END_WITHIN_S, give_up)
    watch.daemon = True
    watch.start()
    try:
        return (yield)
    finally:
        watch.cancel()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Hold every async test to leaving no task and no descriptor behind."""
    for item in items:
        if inspect.iscoroutinefunction(getattr(item, "function", None)):
            item.fixturenames.insert(0, "nothing_left")  # type: ignore[attr-defined]


@pytest.fixture(scope="session", autouse=True)
def patient_recorder() -> Iterator[None]:
    """Marks are waited for as long as anything else: a machine's own disk may stand still for a while."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("collector.recorder.TAKEN_WITHIN_S", PATIENCE_S)
        patch.setattr("collector.control.TIMEOUT_S", PATIENCE_S)
        yield


@pytest_asyncio.fixture
async def nothing_left() -> AsyncIterator[None]:
    """Fail an async test that leaves tasks running or descriptors open (descriptors: Linux)."""
    before = _descriptors()
    yield
    # what was closed ends on the next turns of the loop, a thread that still works with its work
    for turns in range(200):
        left, more = asyncio.all_tasks() - {asyncio.current_task()}, _descriptors() - before
        if (not left and more <= 0) or (left and turns >= 20):
            break
        await asyncio.sleep(0.05)
    assert not left, f"tasks left running: {left}"
    assert more <= 0, f"{more} descriptors left open"


def _descriptors() -> int:
    return len(list(_DESCRIPTORS.iterdir())) if _DESCRIPTORS.is_dir() else 0
