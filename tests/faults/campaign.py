"""A night of faults: every one named, with what is promised, and a table of what was measured. Run it::

    python -m tests.faults.campaign [--long [SHARE]] [--seed N] [--only WORD]

The short form is part of the tests (`test_campaign.py`); the long form repeats each fault more often and longer, for
most of an hour; with a SHARE such as 0.2 for that share of it. It ends with 1 when a promise was broken.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from analysis.vocabulary.errors import StandwatchError
from tests.faults import rig

BACK_WITHIN_S = 5.0
"""Rows, or the instrument's readings, are there again so soon after a fault has ended."""


@dataclass
class Tally:
    """What was counted over the rounds of one fault.

    Attributes
    ----------
    acknowledged : rows and marks that were on the disk, or told to be; None where a fault is about none.
    lost : those of them that were not there afterwards.
    wrong : numbers in the log that no instrument had sent, and lines that nobody had written.
    disturbed : beats without a row and blank cells of instruments that had no fault.
    back_s : the longest time from a fault's end until all was well again; None where a fault has no end.
    note : what else was measured.
    """

    rounds: int = 0
    acknowledged: int | None = 0
    lost: int = 0
    wrong: int = 0
    disturbed: int = 0
    back_s: float | None = None
    note: str = ""

    def back(self, seconds: float) -> None:
        """Note how long it took until all was well again."""
        self.back_s = max(seconds, self.back_s or 0.0)

    def broken(self, busy: bool = False) -> list[str]:
        """Return the promises that were not kept, in words.

        On a `busy` machine, which may stand still for some seconds, no time is held to, and a few cells may come late.
        """
        said = []
        if self.rounds == 0 or self.acknowledged == 0:
            said.append("nothing was tried")
        for count, words in ((self.lost, "lost"), (self.wrong, "wrong values")):
            if count:
                said.append(f"{count} {words}")
        if self.disturbed > busy * max(4.0, (self.acknowledged or 0) / 20):
            said.append(f"{self.disturbed} others disturbed")
        if self.back_s is not None and self.back_s > BACK_WITHIN_S and not busy:
            said.append(f"back after {self.back_s:.1f} s")
        return said


@dataclass(frozen=True)
class Plan:
    """How one run of a fault is drawn: where it may write, its dice, and what share of the long form it is."""

    folder: Path
    dice: random.Random
    long: float = 0.0

    def times(self, short: int, long: int) -> int:
        """Return how often, or for how many seconds, something is done."""
        return max(short, round(self.long * long))


@dataclass(frozen=True)
class Fault:
    """One fault: what it does, and how it is tried and counted."""

    name: str
    does: str
    run: Callable[[Plan], Tally]


def faults() -> list[Fault]:
    """Return every fault of the campaign."""
    from tests.faults import clocks, disks, fuzz, processes, wires

    return [*disks.FAULTS, *processes.FAULTS, *wires.FAULTS, *clocks.FAULTS, *fuzz.FAULTS]


HEAD = ("fault", "rounds", "acknowledged", "lost", "wrong", "disturbed", "back [s]", "took [s]", "")
WIDTHS = (26, 7, 13, 6, 6, 10, 9, 9, 0)


def line(*cells: object) -> str:
    """Return one line of the table."""
    return " ".join(
        f"{cell:<{width}}" if place in (0, len(HEAD) - 1) else f"{cell:>{width}}"
        for place, (cell, width) in enumerate(zip(map(str, cells), WIDTHS, strict=True))
    ).rstrip()


def main() -> int:
    """Run the campaign, print the table, and return 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=str(__doc__).partition(" Run it")[0])
    parser.add_argument(
        "--long",
        type=float,
        nargs="?",
        const=1.0,
        default=0.0,
        metavar="SHARE",
        help="most of an hour, or a share of it",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="faults with this word in their name")
    options = parser.parse_args()
    broken = 0
    print(line(*HEAD), flush=True)
    for fault in faults():
        if options.only not in fault.name:
            continue
        begin = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            plan = Plan(Path(folder), random.Random(f"{options.seed} {fault.name}"), options.long)
            try:
                tally = fault.run(plan)
                said = tally.broken()
            except (AssertionError, TimeoutError, StandwatchError) as error:
                tally = Tally()
                place = next(
                    f for f in reversed(traceback.extract_tb(error.__traceback__)) if f.filename != rig.__file__
                )
                words = " ".join(str(error).split())[:200] or type(error).__name__
                said = [f"{words} ({Path(place.filename).name} line {place.lineno})"]
        broken += bool(said)
        back = "" if tally.back_s is None else f"{tally.back_s:.1f}"
        counts = (
            tally.rounds,
            "" if tally.acknowledged is None else tally.acknowledged,
            tally.lost,
            tally.wrong,
            tally.disturbed,
            back,
        )
        words = "; ".join(filter(None, (*("BROKEN: " + each for each in said), tally.note)))
        print(line(fault.name, *counts, f"{time.monotonic() - begin:.0f}", words), flush=True)
    return int(broken > 0)


if __name__ == "__main__":
    sys.exit(main())
