"""A second world of scales: `python -m tests.benchmarks.scale_yard [logs] [seconds between rows]` prints a table.

Written from what happens in a yard, in continuous time: valves that open and shut, people, wind, hoses that stick and
slip, and what a scale's own electronics does. Nothing here is shared with `scale_ensemble` but the units.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch
from tests.support import make_stretch

LB = 0.45359237
FINE_S = 0.1
INTERVALS = (0.1, 0.5, 1.0, 1.0, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


@dataclass
class Bottle:
    """A cylinder as it really is [kg]."""

    name: str
    tare: float
    room: float
    inside: float

    @property
    def gross(self) -> float:
        return self.tare + self.inside


@dataclass
class Truth:
    """What happened: mass by cylinder in the stage's way, changes as (last moment of old, first of new, old, new)."""

    charge_kg: float
    by_cylinder: dict[str, float] = field(default_factory=dict)
    changes: list[tuple[float, float, str, str]] = field(default_factory=list)
    step_kg: float = 0.0
    tags: tuple[str, ...] = ()
    untellable: bool = False
    """The scale said nothing that could tell: blank at a change, or zeroed while mass moved over it."""

    @property
    def moved_kg(self) -> float:
        return sum(self.by_cylinder.values())


class _Yard:
    """Tells a job second by second: what the plate of the scale really carries."""

    def __init__(self, seed: int, interval: float) -> None:
        rng = self.rng = np.random.default_rng([seed, 77])
        self.sign = 1.0 if rng.random() < 0.55 else -1.0
        self.plate: list[np.ndarray] = []  # true weight of what stands there, by FINE_S or slower
        self.other: list[np.ndarray] = []  # hands, hoses, wind
        self.step = max(FINE_S, min(interval, 1.0) / 2.0)
        self.marks: list[tuple[float, str, str]] = []
        self.tags: list[str] = []
        self.quiet: list[tuple[float, float]] = []
        tare, room = [(4.5, 9.0), (8.0, 13.0), (11.5, 22.0), (24.0, 48.0), (28.0, 56.0), (62.0, 115.0), (150.0, 380.0)][
            int(rng.choice(7, p=[0.08, 0.1, 0.22, 0.25, 0.2, 0.1, 0.05]))
        ]
        count = int(rng.choice([1, 2, 3, 4, 6], p=[0.3, 0.25, 0.2, 0.15, 0.1]))
        self.bottles = []
        for number in range(count + 2):
            inside = 0.0 if self.sign > 0 else room * rng.uniform(0.7, 1.0)
            if self.sign > 0 and rng.random() < 0.2:
                inside = room * rng.uniform(0.1, 0.5)
            self.bottles.append(
                Bottle(f"{number + 1:02d}-{rng.integers(100, 999)}", tare * rng.uniform(0.93, 1.07), room, inside)
            )
        self.stated = {b.name: (b.tare, b.inside) for b in self.bottles}
        self.truth = Truth(0.0, {})
        self.slip = float(rng.choice([0.0, 0.01, 0.04, 0.12])) * min(2.0, tare / 20.0)
        self.hose = 0.0
        self.on: Bottle | None = None
        self.cradle = float(rng.choice([0.0, 0.0, 0.0, 2.3]))
        self.pace = min(float(np.exp(rng.normal(np.log(0.0007), 0.7))) * room, 0.2 if room < 200 else 0.6)
        self.wanted = [
            room * rng.uniform(0.55, 0.98) if self.sign > 0 else room * rng.uniform(0.4, 0.66) for _ in range(count)
        ]

    @property
    def now(self) -> float:
        return sum(len(p) for p in self.plate) * self.step

    def wait(self, long: float, extra: np.ndarray | float = 0.0) -> None:
        n = max(1, round(long / self.step))
        self.plate.append(np.full(n, 0.0 if self.on is None else self.on.gross))
        self.other.append(np.broadcast_to(np.asarray(extra), (n,)) + (0.0 if self.on is None else self.hose))

    def handling(self, long: float, start: float, end: float, rough: float) -> None:
        """A cylinder coming or going under someone's hands: from `start` to `end` of its weight on the plate."""
        assert self.on is not None
        n = max(2, round(long / self.step))
        path = np.interp(
            np.linspace(0, 1, n), [0, *np.sort(self.rng.random(3)), 1], [start, *self.rng.uniform(0.1, 1.15, 3), end]
        )
        swing = self.rng.normal(0, rough, n) * np.sin(np.pi * np.linspace(0, 1, n))
        self.plate.append(np.full(n, self.on.gross))
        self.other.append((path - 1.0) * self.on.gross + swing)

    def stand(self, bottle: Bottle) -> None:
        self.on = bottle
        self.hose = 0.0
        self.handling(self.rng.uniform(2, 15), 0.0, 1.0, 0.8)
        self.begun = self.now
        self.hose = float(self.rng.normal(0, self.slip))
        self.wait(self.rng.lognormal(np.log(40), 0.7))  # hose on, purge, open

    def leave(self) -> None:
        self.wait(self.rng.lognormal(np.log(25), 0.7))
        self.gone = self.now
        self.handling(self.rng.uniform(1, 5), 1.0, 0.0, 0.8)
        self.on = None

    def flow(self, kg: float) -> None:
        """Move mass: opens in a second or ten, chokes, pauses, pulses."""
        assert self.on is not None
        rng, left = self.rng, kg
        bursts = self.sign < 0 and rng.random() < 0.4
        while left > 1e-9:
            part = min(left, kg * rng.uniform(0.04, 0.15) if bursts else kg * rng.uniform(0.2, 1.0))
            pace = self.pace * rng.uniform(0.5, 1.6) * (0.25 if rng.random() < 0.2 else 1.0)
            n = max(2, round(part / pace / self.step))
            n = min(n, round(5400 / self.step))
            t = np.arange(n) * self.step
            rate = (1 - np.exp(-t / rng.uniform(0.5, 8))) * np.exp(-t / (n * self.step) * rng.uniform(0, 1.5)) + 0.02
            moved = part * np.cumsum(rate) / rate.sum()
            drag = self.hose + self.slip * 0.8 * np.round(moved / max(self.on.room, 1) * 6) / 6 * rng.choice([-1, 1])
            throb = self.throb * np.sin(2 * np.pi * rng.uniform(0.4, 3) * t + rng.uniform(0, 6))
            self.plate.append(self.on.gross + self.sign * moved)
            self.other.append(drag + throb)
            self.hose = float(drag[-1])
            self.on.inside += self.sign * part
            self.truth.by_cylinder[self.on.name] = self.truth.by_cylinder.get(self.on.name, 0.0) + part
            left -= part
            if left > 1e-9:
                self.wait(rng.uniform(20, 240) if bursts else rng.choice([3.0, 60.0, 700.0]) * rng.uniform(0.5, 1.5))

    def change(self, new: Bottle) -> None:
        """Change the cylinder on the scale for another, in one of the ways that people do it."""
        assert self.on is not None
        old, rng = self.on, self.rng
        way = str(rng.choice(["usual", "long", "slid", "together"], p=[0.5, 0.2, 0.15, 0.15]))
        self.tags.append(f"change {way}")
        off_mark = None
        if way in ("usual", "long"):
            self.leave()
            off_mark = self.now
            self.wait(rng.uniform(8, 70) if way == "usual" else rng.uniform(60, 1800))
        elif way == "slid":  # off and on in one go: the plate is never seen empty for long
            self.wait(rng.lognormal(np.log(25), 0.7))
            self.gone = self.now
            self.handling(rng.uniform(1, 3), 1.0, 0.1, 0.5)
        else:  # the new one beside the old one first
            self.wait(rng.lognormal(np.log(25), 0.7))
            self.gone = self.now
            n = max(2, round(rng.uniform(5, 40) / self.step))
            self.plate.append(np.full(n, old.gross))
            self.other.append(np.full(n, new.gross) + rng.normal(0, 0.3, n))
        gone = self.gone
        self.stand(new) if way != "together" else self._beside(new)
        self.truth.changes.append((gone, self.begun, old.name, new.name))
        self.quiet.append((gone - 40, self.begun + 90))
        self.marks += [
            (gone if off_mark is None else off_mark, "cylinder_off", old.name),
            (self.begun, "cylinder_on", new.name),
        ]

    def _beside(self, new: Bottle) -> None:
        self.on = new
        self.begun = self.now
        self.hose = float(self.rng.normal(0, self.slip))
        self.wait(self.rng.lognormal(np.log(40), 0.7))

    def job(self) -> None:
        rng = self.rng
        self.throb = float(rng.choice([0.0, 0.0, 0.02, 0.08])) * min(2.0, self.bottles[0].tare / 20)
        if rng.random() < 0.5:
            self.wait(rng.uniform(20, 400))
            self.stand(self.bottles[0])
        else:
            self._beside(self.bottles[0])
        self.marks.append((self.begun, "cylinder_on", self.bottles[0].name))
        for number, kg in enumerate(self.wanted):
            if number:
                new = self.bottles[number]
                if rng.random() < 0.12:  # nearly the same gross as the old one
                    self.tags.append("twin")
                    assert self.on is not None
                    target = self.on.gross + rng.choice([-1, 1]) * rng.uniform(0.4, 2.0)
                    if self.sign > 0:
                        new.inside, new.tare = 0.0, target
                    else:
                        new.tare = target - new.inside
                    if new.tare < 2.0:
                        new.tare = 2.0
                    self.stated[new.name] = (new.tare, new.inside)
                self.change(new)
            assert self.on is not None
            kg = min(kg, self.on.room - self.on.inside if self.sign > 0 else self.on.inside * 0.98)
            if rng.random() < 0.2:  # lifted to look, put back
                self.tags.append("lifted")
                self.flow(kg * 0.5)
                here, begun = self.on, self.now
                self.leave()
                self.wait(rng.uniform(5, 120))
                self.stand(here)
                self.quiet.append((begun - 40, self.now + 30))
                kg *= 0.5
            self.flow(kg)
        self.wait(rng.uniform(60, 400))
        self.truth.charge_kg = self.truth.moved_kg * float(rng.uniform(1.0, 1.15))


def yard(seed: int, every_s: float | None = None) -> tuple[Stretch, Truth]:
    """Return one log and what really happened in it."""
    pick = np.random.default_rng([seed, 5])
    interval = every_s or float(pick.choice(INTERVALS))
    world = _Yard(seed, interval)
    world.job()
    rng, truth, step = world.rng, world.truth, world.step
    true, other = np.concatenate(world.plate), np.concatenate(world.other)
    n = len(true)
    at = np.arange(n) * step
    tags = world.tags
    shown = true + other + (world.cradle if world.cradle else 0.0)
    quiet = np.ones(n, dtype=bool)
    for a, b in world.quiet:
        quiet &= (at < a) | (at > b)
    for _ in range(rng.poisson(at[-1] / 2000)):  # a person leans, or stands a tool there
        a, long = (
            rng.uniform(60, at[-1]),
            float(rng.choice([rng.uniform(1, 15), rng.uniform(15, 60), rng.uniform(60, 170)])),
        )
        part = (at >= a) & (at < a + long)
        if quiet[part].all():
            lean = rng.uniform(0.8, 18) if rng.random() < 0.7 else -rng.uniform(0.5, 0.2 * world.bottles[0].tare)
            shown[part] += lean * np.sin(np.pi * (at[part] - a) / long) ** 0.3 + rng.normal(0, 0.2, int(part.sum()))
    if rng.random() < 0.3:  # wind on the cylinder: gusts that come and go
        tags.append("wind")
        gust = np.exp(
            np.interp(at, np.arange(0, at[-1] + 600, 300), rng.normal(0, 0.6, len(np.arange(0, at[-1] + 600, 300))))
        )
        coarse = rng.normal(0, 1, n // max(1, round(1.0 / step)) + 2)
        shown += (
            0.06
            * min(1.5, world.bottles[0].tare / 25)
            * gust
            * np.interp(at, np.arange(len(coarse)) * max(step, 1.0), coarse)
        )
    if rng.random() < 0.3:  # the scale in the sun
        tags.append("warms")
        shown = shown * (1 + rng.normal(0, 2e-4) * np.sin(2 * np.pi * at / 28800)) + rng.normal(0, 0.06) * at / 7200
    for (_, a, *_), (b, *_) in pairwise([(0, 0.0, "", ""), *truth.changes, (at[-1], at[-1], "", "")]):
        if rng.random() < 0.08 and b - a > 400:  # someone presses zero with the cylinder on it
            tags.append("zeroed on")
            k = int(rng.uniform(a + 100, b - 100) / step)
            end = min(n, int((b + 5) / step)) if rng.random() < 0.5 else n
            shown[k:end] -= shown[k]
    if rng.random() < 0.3:  # keeps its zero while nothing stands there, as scales do
        tags.append("zero kept")
        for a, b, *_ in truth.changes:
            if b - a > 40:
                shown[int((a + 20) / step) :] += rng.normal(0, 0.25)
    tau = float(rng.choice([0.05, 0.4, 1.2]))
    if tau > step:
        from scipy.signal import lfilter

        k = 1 - np.exp(-step / tau)
        shown, _ = lfilter([k], [1, k - 1], shown, zi=[(1 - k) * shown[0]])
    when = np.arange(0, at[-1], interval)
    when = np.sort(when + rng.uniform(0, 0.03 * interval, len(when)))
    read = shown[np.minimum((when / step).astype(int), n - 1)] + rng.standard_t(4, len(when)) * float(
        rng.choice([0.0, 0.01, 0.03])
    )
    unit = "lb" if rng.random() < 0.65 else "kg"
    number = read / (LB if unit == "lb" else 1.0)
    quantum = float(rng.choice([0.1, 0.1, 0.2, 0.5, 1.0] if unit == "lb" else [0.01, 0.05, 0.1, 0.2]))
    if world.bottles[0].tare < 9:
        quantum = min(quantum, 0.2)
    number = np.floor(number / quantum + 0.5) * quantum
    if rng.random() < 0.15:  # the unit button
        tags.append("unit")
        a = rng.uniform(30, at[-1])
        b = a + float(rng.choice([rng.uniform(8, 60), rng.uniform(60, 900)]))
        number[(when >= a) & (when < b)] *= LB if unit == "lb" else 1 / LB
    if rng.random() < 0.2:  # off, or out of battery, or over its range
        tags.append("off")
        a = rng.uniform(30, at[-1])
        b = a + rng.uniform(60, 700)
        number[(when >= a) & (when < b)] = np.nan
        truth.untellable = b > at[-1] or any(p < b + 30 and q > a - 60 for p, q, *_ in truth.changes)
    number[rng.random(len(when)) < float(rng.choice([0.0, 0.0, 0.03]))] = np.nan
    style = str(rng.choice(["none", "exact", "late", "wrong", "double", "some"], p=[0.35, 0.2, 0.15, 0.1, 0.1, 0.1]))
    tags.append(f"marks {style}")
    marks = [] if style == "none" else list(world.marks)
    if style == "late":
        marks = [(t + rng.uniform(20, 100), s, v) for t, s, v in marks]
    elif style == "wrong":  # one of them written with an id that is another's
        k = int(rng.integers(len(marks)))
        marks[k] = (marks[k][0], marks[k][1], world.bottles[-1].name)
    elif style == "double":
        marks += [(t + rng.uniform(1, 40), s, v) for t, s, v in marks]
    elif style == "some":
        marks = [m for m in marks if rng.random() < 0.5]
    marks = sorted(m for m in marks if m[0] < when[-1])
    tables: dict[str, object] = {"circuit": {"refrigerant": "R-134a", "charge": f"{truth.charge_kg:.3f} kg"}}
    if rng.random() < 0.6:
        tags.append("declared")
        stamped = 0.1 * LB if unit == "lb" else 0.05
        tables["cylinder"] = [
            {
                "id": name,
                "tare": f"{round(tare / stamped) * stamped + world.cradle:.3f} kg",
                "water_capacity": f"{world.bottles[0].room / 0.96:.2f} kg",
                "contents": f"{inside:.2f} kg",
            }
            for name, (tare, inside) in world.stated.items()
        ]
    truth.step_kg = quantum * (LB if unit == "lb" else 1.0)
    truth.tags = (f"{interval:g} s", *dict.fromkeys(tags), f"{quantum:g} {unit}")
    journal = [(t, "mark", s, v) for t, s, v in marks]
    stage = "recovery" if world.sign > 0 else "charging"
    return make_stretch(stage, when, {"cylinder_weight": (unit, number)}, tables=tables, journal=journal), truth


@dataclass(frozen=True)
class Score:
    """One log judged. `error` is of the moved mass, beyond half a step of the scale, signed."""

    seed: int
    error: float
    found: int
    invented: int
    identity: float
    truth: Truth
    weighing: Weighing


def score(seed: int, every_s: float | None = None) -> Score:
    """Weigh one log and compare."""
    stretch, truth = yard(seed, every_s)
    weighing = weigh(stretch)
    zero = stretch.begin
    told = [((c.since - zero).total_seconds(), (c.time - zero).total_seconds()) for c in weighing.changes]
    found = 0
    for off, on, *_ in truth.changes:
        hit = next((t for t in told if t[0] <= on + 200 and off - 90 <= t[1] <= on + 700), None)
        if hit is not None:
            found += 1
            told.remove(hit)
    off_by = weighing.total_kg - truth.moved_kg
    error = max(0.0, abs(off_by) - 0.5 * truth.step_kg) / truth.charge_kg * np.sign(off_by)
    known = weighing.by_cylinder()
    right = sum(
        1 for name, kg in truth.by_cylinder.items() if abs(known.get(name, 0.0) - kg) <= 0.02 * kg + 0.5 * truth.step_kg
    )
    return Score(seed, float(error), found, len(told), right / len(truth.by_cylinder), truth, weighing)


def _line(name: str, part: list[Score]) -> str:
    changes = sum(len(s.truth.changes) for s in part)
    within = np.mean([abs(s.error) <= 0.01 for s in part])
    return (
        f"  {name:18s}{len(part):5d} logs: within 1 % {within:6.1%}, changes found "
        f"{sum(s.found for s in part) / max(changes, 1):6.1%} of {changes}, invented {sum(s.invented for s in part)}"
    )


def main(logs: int, every_s: float | None) -> None:
    """Print the table."""
    scores = [score(seed, every_s) for seed in range(logs)]
    tellable = [s for s in scores if not s.truth.untellable]
    sys.stdout.flush()
    print(_line("all", scores))
    print(_line("scale not off then", tellable))
    named = [
        s
        for s in tellable
        if "declared" in s.truth.tags or {"marks exact", "marks late", "marks double"} & {*s.truth.tags}
    ]
    print(f"  cylinders right by name and net, where marks or tares tell: {np.mean([s.identity for s in named]):.1%}")
    tags = Counter(tag for s in tellable for tag in s.truth.tags)
    for tag in sorted(tags, key=lambda t: (t[0].isalpha(), t)):
        if tags[tag] >= 4:
            print(_line(tag, [s for s in tellable if tag in s.truth.tags]))
    for s in tellable:
        missed = len(s.truth.changes) - s.found
        if abs(s.error) > 0.01 or missed or s.invented:
            print(f"  seed {s.seed}: {s.error:+.2%}, missed {missed}, invented {s.invented}, {', '.join(s.truth.tags)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200, float(sys.argv[2]) if len(sys.argv) > 2 else None)
