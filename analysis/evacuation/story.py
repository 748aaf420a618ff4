"""What an evacuation is told as: closed stretches, stalls, and what happened in which order."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from analysis.evacuation.pace import Pace
from analysis.evacuation.rise import Rise


@dataclass
class Closed:
    """A stretch with the pump valve closed.

    `first`, `last`: ticks; `begin_s`, `end_s`: when the valve moved, as far as is known; `pull`: which pull it is part
    of; `sure`: somebody said so or the pump's gauge shows it, else only the rise; `stopped`: the pull before it stopped
    too suddenly for a floor; `level_pa`: just before; `pumped_s`: since the pull began; `kind`: what the rise looked
    like when it was judged last; `said_s`: when somebody said that the valve was closed, where it was thought to be
    closed before; `told`: that it does not tell the cause of a stall was said; `still`: it would have held, by a gauge
    that may be dead.
    """

    first: int
    begin_s: float
    pull: int
    sure: bool
    level_pa: float
    pumped_s: float
    stopped: bool = False
    last: int | None = None
    end_s: float | None = None
    hold: bool = False
    rise: Rise | None = None
    kind: str = ""
    said_s: float = -math.inf
    next_check_s: float = 90.0
    outcome: str = ""
    cause: str = ""
    told: bool = False
    still: bool = False

    def stood_s(self, now_s: float) -> float:
        """Return for how long it was closed by a second, or until it was opened [s]."""
        return (now_s if self.end_s is None else self.end_s) - self.begin_s


@dataclass
class Stall:
    """A stall: since which tick, at what level [Pa], and what is thought to be the cause."""

    since: int
    level_pa: float
    cause: str
    shares: dict[str, float]
    pull: int
    cleared: int | None = None


@dataclass(frozen=True)
class Happening:
    """Something that became known at tick `tick`, true since second `since_s`; `what` names the finding.

    `told_s`: the second at which it became known, where a row between two ticks showed it. `close_for_s`: how long the
    valve should be closed before the cause can be told, 0 where nobody tried yet. `one_number`: the gauge of a hold
    showed no other, as far as was known then. `learnt`: the cause of a hold of which it was told before that it failed.
    """

    tick: int
    since_s: float
    what: str
    told_s: float | None = None
    closed: Closed | None = None
    stall: Stall | None = None
    cause: str = ""
    shares: dict[str, float] = field(default_factory=dict)
    held_s: float = 0.0
    level_pa: float = 0.0
    close_for_s: float = 0.0
    one_number: bool = False
    learnt: bool = False


@dataclass
class Story:
    """The whole walk.

    `pumping` says for each tick whether the pump had the circuit, as known then; `targets` in which second each pull
    (by its place in `pull_starts`) reached the target; `pump_stopped`, `opened` when somebody said that the pump was
    switched off, and that it got the circuit; `pace` that of the pumping that runs.
    """

    happenings: list[Happening] = field(default_factory=list)
    closeds: list[Closed] = field(default_factory=list)
    stalls: list[Stall] = field(default_factory=list)
    pull_starts: list[int] = field(default_factory=list)
    oil_changes: list[float] = field(default_factory=list)
    pumping: list[bool] = field(default_factory=list)
    pace: Pace | None = None
    targets: dict[int, float] = field(default_factory=dict)
    pump_stopped: list[float] = field(default_factory=list)
    opened: list[float] = field(default_factory=list)

    @property
    def pull(self) -> int:
        """The present pull, by its place in `pull_starts`."""
        return len(self.pull_starts) - 1

    def part(self, pull: int) -> slice:
        """Return the ticks of a pull."""
        return slice(*[*self.pull_starts, None][pull : pull + 2])

    @property
    def oil_since_s(self) -> float:
        """Since when the pump has the oil that it has [s]."""
        return max([0.0, *self.oil_changes])

    @property
    def reached(self) -> bool:
        """Whether the present pull reached the target."""
        return self.pull in self.targets
