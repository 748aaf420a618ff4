"""The bench as a clockwork: the script played without wires, row by row. Same seed, same rows."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from collector.bench.plant import STEP_S, Plant, build_plant
from collector.bench.scenario import START_S, Script, Technician, job
from collector.bench.sensors import Panel
from collector.entries import Entry

MIDNIGHT = datetime.datetime(2026, 3, 17, tzinfo=datetime.UTC)
"""The first day of the invented job."""

SEED = 2026


def moment(seconds: float) -> datetime.datetime:
    """Return the time of the invented job at so many seconds after its first midnight."""
    return MIDNIGHT + datetime.timedelta(seconds=seconds)


@dataclass(frozen=True)
class Row:
    """What the instruments show at one time, in the log's units."""

    seconds: float
    shown: dict[str, float | None]


class Bench:
    """Plant, instruments and technician together, advanced to any time."""

    def __init__(
        self,
        seed: int = SEED,
        script: Callable[[Plant], Script] = job,
        say: Callable[[float, Entry], None] = lambda _seconds, _said: None,
    ) -> None:
        self.plant = build_plant(seed, START_S)
        self._panel = Panel(seed)
        self._technician = Technician(self.plant, script(self.plant), say)
        self.shown = self._panel.read(self.plant.seconds, self.plant.truth())

    @property
    def done(self) -> bool:
        """Whether the script has come to its end."""
        return self._technician.done

    def advance(self, seconds: float) -> None:
        """Step the plant up to a time, the technician acting at each step; then read the instruments."""
        while self.plant.seconds + STEP_S <= seconds and not self.done:
            self._technician.act()
            self.plant.step()
        self.shown = self._panel.read(seconds, self.plant.truth())


def play(bench: Bench, interval_s: float) -> Iterator[Row]:
    """Yield one row each interval until the script ends."""
    seconds = bench.plant.seconds
    while not bench.done:
        seconds += interval_s
        bench.advance(seconds)
        yield Row(seconds, bench.shown)
