"""How well the scale is read in hostile logs: `python -m tests.benchmarks.scale_ensemble [logs]` prints a table.

The world here is its own: cylinders on a scale under people's hands, nothing shared with any other simulator.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

import numpy as np

from analysis.scale import Weighing, weigh
from analysis.stretch import Stretch
from tests.support import make_stretch

LB = 0.45359237
SIZES = ((12.0, 8.0), (21.6, 12.2), (54.0, 26.0), (108.0, 47.0), (453.6, 172.0))
"""Water capacity and tare of usual cylinders [kg]."""


@dataclass
class Truth:
    """What really happened: total mass, real swaps as (lifted off, put on, old, new) in seconds."""

    charge_kg: float
    moved_kg: float = 0.0
    step_kg: float = 0.0
    swaps: list[tuple[float, float, str, str]] = field(default_factory=list)
    by_cylinder: dict[str, float] = field(default_factory=dict)
    hostile: tuple[str, ...] = ()
    blind: bool = False  # the scale gave nothing while a cylinder was changed


@dataclass
class _Track:
    """The true weight on the plate on an even grid, and the disturbances on it."""

    step_s: float
    weight: list[float] = field(default_factory=list)
    hands: list[float] = field(default_factory=list)

    def add(self, weight: np.ndarray, hands: np.ndarray | None = None) -> None:
        self.weight += weight.tolist()
        self.hands += (np.zeros(len(weight)) if hands is None else hands).tolist()

    @property
    def now(self) -> float:
        return len(self.weight) * self.step_s


def world(seed: int, *, every_s: float | None = None) -> tuple[Stretch, Truth]:
    """Return one hostile log and what really happened in it."""
    rng = np.random.default_rng(seed)
    stage = "recovery" if rng.random() < 0.6 else "charging"
    sign = 1.0 if stage == "recovery" else -1.0
    interval = every_s or float(rng.choice([0.2, 0.5, 1.0, 1.0, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0]))
    grid = min(interval, 0.5)
    big = rng.choice([0, 1, 1, 2, 2, 2, 3, 4])
    capacity, tare0 = SIZES[big]
    safe = 0.8 * capacity * float(rng.uniform(1.03, 1.2))
    pieces = int(rng.integers(1, 5))
    charge = safe * float(rng.uniform(0.55, 0.95)) * pieces
    truth = Truth(charge)
    hostile = []
    track = _Track(grid)
    hose = float(rng.choice([0.0, 0.03, 0.08, 0.15])) * min(1.0, tare0 / 20.0)
    hurry = float(rng.uniform(0.6, 1.4))
    pull = (
        float(np.clip(rng.lognormal(np.log(0.04), 0.8), 0.008, 0.2))
        * (1.0 if big else 0.4)
        * (2.0 if big == 4 else 1.0)
    )
    tares = {f"C{i}": tare0 * float(rng.uniform(0.9, 1.1)) for i in range(pieces + 3)}
    inside = {name: (0.0 if sign > 0 else safe * float(rng.uniform(0.6, 0.95))) for name in tares}
    if rng.random() < 0.25:
        inside["C1"] = safe * float(rng.uniform(0.2, 0.6))  # partly full
    start_inside = dict(inside)
    marks: list[tuple[float, str, str, str]] = []
    names = list(tares)
    current, number = names[0], 1

    def seconds(count: float) -> int:
        return max(1, round(count / grid))

    def rest(long_s: float, load: float, offset: float) -> None:
        n = seconds(long_s)
        track.add(np.full(n, load + offset))

    def put_on(name: str, offset: float) -> None:
        n = seconds(float(rng.uniform(4, 25)) * hurry)
        press = float(rng.uniform(-0.5, 0.6)) * tares[name] * np.linspace(1, 0, n) ** 0.5
        load = tares[name] + inside[name]
        track.add(np.full(n, load + offset), np.maximum(press, -load) + rng.normal(0, 0.6, n))

    def lift(name: str, offset: float) -> None:
        n = seconds(float(rng.uniform(1, 8)) * hurry)
        load = tares[name] + inside[name]
        track.add(np.full(n, load + offset), np.linspace(0, -load, n) + rng.normal(0, 0.8, n))

    if rng.random() < 0.4:
        rest(float(rng.uniform(10, 90)), 0.0, 0.0)
        put_on(current, 0.0)
    marks.append((track.now, "mark", "cylinder_on", current))
    offset = float(rng.normal(0, hose))
    rest(float(rng.uniform(15, 120)), tares[current] + inside[current], offset)
    left = charge * float(rng.uniform(0.9, 1.0))
    rate = pull
    while left > 0.02 * charge:
        room = (safe * rng.uniform(0.85, 1.0) - inside[current]) if sign > 0 else inside[current] - 0.01 * safe
        todo = min(left, max(room, 0.0))
        done = 0.0
        while done < todo - 1e-9:
            part = min(todo - done, todo * float(rng.uniform(0.3, 1.2)))
            slow = rate * float(rng.uniform(0.4, 1.2)) * (0.15 + 0.85 * (left - done) / charge)
            n = seconds(part / slow)
            if n * grid > 7200:
                n = seconds(7200)
            shape = np.clip(1.0 + 0.3 * np.cumsum(rng.normal(0, 1, n)) / np.sqrt(n), 0.2, 2.0)
            gone = part * np.cumsum(shape) / shape.sum()
            track.add(tares[current] + inside[current] + sign * (done + gone) + offset)
            done += part
            if rng.random() < 0.5:
                if rng.random() < 0.3:
                    offset += float(rng.normal(0, hose))
                rest(float(rng.uniform(20, 600)), tares[current] + inside[current] + sign * done, offset)
        inside[current] += sign * done
        truth.moved_kg += done
        truth.by_cylinder[current] = truth.by_cylinder.get(current, 0.0) + done
        left -= done
        rest(float(rng.uniform(10, 60)), tares[current] + inside[current], offset)
        if left <= 0.02 * charge:
            break
        if rng.random() < 0.15:  # lifted off and put back
            hostile.append("lifted")
            lift(current, offset)
            rest(float(rng.uniform(5, 60)), 0.0, 0.0)
            put_on(current, offset)
            rest(float(rng.uniform(20, 90)), tares[current] + inside[current], offset)
        if sign < 0 and len(truth.by_cylinder) > 1 and rng.random() < 0.1:
            new = next(iter(truth.by_cylinder))
        else:
            new = names[number % len(names)]
        number += 1
        if new == current or (sign > 0 and inside[new] > 0.8 * safe) or (sign < 0 and inside[new] < 0.05 * safe):
            new = next((n for n in names if n != current and (inside[n] < 0.5 * safe) == (sign > 0)), None) or "X"
            if new == "X":
                break
        off = track.now
        marks.append((off, "mark", "cylinder_off", current))
        lift(current, offset)
        rest(float(rng.uniform(15, 240)), 0.0, float(rng.normal(0, hose)))
        put_on(new, 0.0)
        marks.append((track.now, "mark", "cylinder_on", new))
        truth.swaps.append((off, track.now, current, new))
        current = new
        offset = float(rng.normal(0, hose))
        rest(float(rng.uniform(15, 90)), tares[current] + inside[current], offset)
    rest(float(rng.uniform(60, 300)), tares[current] + inside[current], offset)

    true = np.array(track.weight)
    shown = true + np.array(track.hands)
    n = len(true)
    at = np.arange(n) * grid
    quiet = np.ones(n, dtype=bool)
    for off, on, *_ in truth.swaps:
        quiet &= (at < off - 30) | (at > on + 60)
    for _ in range(rng.poisson(at[-1] / 1500.0)):  # a hand leans
        a, long = rng.uniform(60, at[-1]), float(rng.choice([rng.uniform(2, 20), rng.uniform(20, 90)]))
        part = (at >= a) & (at < a + long) & quiet
        shown[part] += float(rng.uniform(1.5, 25.0)) * float(rng.choice([1, 1, -0.3])) + rng.normal(
            0, 0.5, int(part.sum())
        )
    for _ in range(rng.poisson(at[-1] / 1200.0)):  # bump
        part = (at >= (a := rng.uniform(5, at[-1]))) & (at < a + float(rng.uniform(0.3, 2.5)))
        shown[part] += float(rng.normal(0, 12.0))
    shown += float(rng.normal(0, 0.04)) * at / 3600 + 0.03 * np.sin(at / 3000)
    if rng.random() < 0.1:
        hostile.append("tare at no load")
        for off, on, *_ in truth.swaps[:1]:
            shown[at >= (off + on) / 2] += float(rng.normal(0, 1.0))
    tau = float(rng.choice([0.0, 0.3, 1.0]))
    if tau > grid:
        alpha = grid / tau
        slow, level = np.empty(n), shown[0]
        for i, value in enumerate(shown.tolist()):
            level += alpha * (value - level)
            slow[i] = level
        shown = slow
    pick = np.arange(0, n, max(1, round(interval / grid)))
    when, read = at[pick], shown[pick] + rng.normal(0, float(rng.choice([0.0, 0.01, 0.03, 0.08])), len(pick))
    unit = "lb" if rng.random() < 0.7 else "kg"
    number_ = read / (LB if unit == "lb" else 1.0)
    quantum = float(rng.choice([0.02, 0.05, 0.1, 0.1, 0.2, 0.5, 1.0])) * (1.0 if unit == "lb" else 0.5)
    if big == 0:
        quantum = min(quantum, 0.1)
    number_ = np.round(number_ / quantum) * quantum
    if rng.random() < 0.1:
        hostile.append("unit")
        for _ in range(int(rng.integers(1, 3))):
            a = rng.uniform(0, when[-1])
            part = (when >= a) & (when < a + float(rng.uniform(5, 150)))
            for off, on, *_ in truth.swaps:
                if np.any(part & (when > off - 60) & (when < on + 60)):
                    part[:] = False
            number_[part] *= LB if unit == "lb" else 1 / LB
    number_[rng.random(len(when)) < float(rng.choice([0.0, 0.02, 0.2]))] = np.nan
    if rng.random() < 0.25:
        hostile.append("lost")
        a = rng.uniform(0, when[-1])
        b = a + float(rng.uniform(60, 900))
        number_[(when >= a) & (when < b)] = np.nan
        truth.blind = b > when[-1] or any(a < on + 60 and b > off - 30 for off, on, *_ in truth.swaps)
    hold = float(rng.choice([0, 0, 0, 3.0, 6.0]))
    if hold > interval:
        keep = np.floor(when / hold) != np.floor((when - interval) / hold)
        number_[~keep] = np.nan
    style = rng.choice(["none", "exact", "late", "early", "some"], p=[0.4, 0.2, 0.15, 0.1, 0.15])
    hostile.append(f"marks {style}")
    if style == "none":
        marks = []
    elif style == "late":
        marks = [(t + float(rng.uniform(5, 150)), *rest_) for t, *rest_ in marks]
    elif style == "early":
        marks = [(max(0.0, t - float(rng.uniform(5, 100))), *rest_) for t, *rest_ in marks]
    elif style == "some":
        marks = [m for m in marks if rng.random() < 0.6]
    marks = sorted((m for m in marks if m[0] <= when[-1]), key=lambda m: m[0])
    tables: dict[str, object] = {"circuit": {"refrigerant": "R-134a", "charge": f"{charge:.4f} kg"}}
    if rng.random() < 0.6:
        hostile.append("declared")
        tables["cylinder"] = [
            {
                "id": name,
                "tare": f"{tares[name]:.2f} kg",
                "water_capacity": f"{capacity} kg",
                "contents": f"{start_inside[name]:.2f} kg",
            }
            for name in names
        ]
    truth.step_kg = quantum * (LB if unit == "lb" else 1.0)
    truth.hostile = (f"{interval:g} s", *hostile, f"{quantum:g} {unit}")
    logged = {"cylinder_weight": (unit, number_)}
    return make_stretch(stage, when, logged, tables=tables, journal=marks), truth


@dataclass(frozen=True)
class Score:
    """One log judged: mass error beyond half a step of the scale, as a share of the charge; swaps."""

    seed: int
    error: float
    found: int
    missed: int
    invented: int
    took_s: float
    truth: Truth
    weighing: Weighing


def score(seed: int, **options: float) -> Score:
    """Weigh one log and compare."""
    stretch, truth = world(seed, **options)
    begun = time.perf_counter()
    weighing = weigh(stretch)
    took = time.perf_counter() - begun
    zero = stretch.begin
    told = [((c.since - zero).total_seconds(), (c.time - zero).total_seconds()) for c in weighing.changes]
    left, found = list(told), 0
    for off, on, *_ in truth.swaps:
        hit = next((t for t in left if t[0] <= on + 400 and t[1] >= off and t[1] <= on + 1300), None)
        if hit is not None:
            found += 1
            left.remove(hit)
    error = (
        max(0.0, abs(weighing.total_kg - truth.moved_kg) - 0.5 * truth.step_kg)
        / truth.charge_kg
        * np.sign(weighing.total_kg - truth.moved_kg)
    )
    return Score(seed, error, found, len(truth.swaps) - found, len(left), took, truth, weighing)


def main(logs: int) -> None:
    """Print the table."""
    scores = [score(seed) for seed in range(logs)]
    real = sum(len(s.truth.swaps) for s in scores)
    seen = [s for s in scores if not s.truth.blind]
    print(f"{logs} hostile logs, {real} real swaps; in {logs - len(seen)} the scale was blank at a swap or at the end")
    for name, part in (("all", scores), ("scale not blank then", seen)):
        errors = np.abs([s.error for s in part])
        print(
            f"mass, {name}: within 1 % of charge {np.mean(errors <= 0.01):.1%}, within 0.5 % "
            f"{np.mean(errors <= 0.005):.1%}, median {np.median(errors):.2%}, "
            f"worst of 20 {np.quantile(errors, 0.95):.2%}"
        )
    print(f"swaps found {sum(s.found for s in scores) / max(real, 1):.1%}")
    print(f"swaps invented a log {sum(s.invented for s in scores) / logs:.3f}")
    print(f"longest time {max(s.took_s for s in scores):.2f} s")
    groups = sorted({s.truth.hostile[0] for s in scores}, key=lambda g: float(g.split()[0]))
    tags = sorted({tag for s in scores for tag in s.truth.hostile[1:-1]})
    for group in [*groups, *tags]:
        part = [s for s in seen if group in s.truth.hostile]
        swaps = sum(len(s.truth.swaps) for s in part)
        print(
            f"  {group:16s} {len(part):5d} logs: within 1 % {np.mean([abs(s.error) <= 0.01 for s in part]):6.1%}, "
            f"swaps {sum(s.found for s in part) / max(swaps, 1):6.1%}, invented {sum(s.invented for s in part):3d}"
        )
    bad = [s for s in seen if abs(s.error) > 0.01 or s.missed or s.invented]
    for s in bad[:40]:
        print(
            f"  seed {s.seed}: {s.error:+.2%}, missed {s.missed}, invented {s.invented}, {', '.join(s.truth.hostile)}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
