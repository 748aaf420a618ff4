"""The short form of the campaign: every fault once or a few times, every promise kept."""

from __future__ import annotations

import random
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from tests.faults.campaign import Fault, Plan, Tally, faults

AT_ONCE = 4
"""Most of the time a fault is waited for: so many share it."""


@pytest.fixture(scope="module")
def tallies(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, Future[Tally]]]:
    """Run the faults whose tests were chosen, a few at a time."""
    chosen = [item.callspec.params.get("fault") for item in request.session.items if hasattr(item, "callspec")]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {
            fault.name: pool.submit(fault.run, Plan(tmp_path_factory.mktemp("fault"), random.Random(f"1 {fault.name}")))
            for fault in chosen
            if isinstance(fault, Fault)
        }


@pytest.mark.timeout(420)
@pytest.mark.parametrize("fault", faults(), ids=lambda fault: fault.name)
def test_what_is_promised_is_kept(fault: Fault, tallies: dict[str, Future[Tally]]) -> None:
    tally = tallies[fault.name].result()
    assert tally.broken(busy=True) == [], tally  # other tests may share the machine


def test_a_broken_promise_is_named() -> None:
    assert Tally(1, 10, 0, 0, 0, 4.9).broken() == []
    assert Tally().broken() == Tally().broken(busy=True) == ["nothing was tried"]
    assert Tally(1, 100, 0, 0, 5, 15.1).broken(busy=True) == []
    assert Tally(1, 100, 0, 0, 6, 15.1).broken(busy=True) == ["6 others disturbed"]
    assert Tally(1, 10, 0, 0, 4).broken(busy=True) == []
    assert Tally(1, 10, 0, 0, 5).broken(busy=True) == ["5 others disturbed"]
    assert Tally(1, 10, 1, 2, 3, 5.1).broken() == [
        "1 lost",
        "2 wrong values",
        "3 others disturbed",
        "back after 5.1 s",
    ]
