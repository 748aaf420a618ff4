"""Each part of the analysis on two days (or a night) of one-second rows, against the bare pandas read, in one run.

python -m tests.benchmarks.assessment_speed
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from analysis.evacuation import assess as judge_evacuation
from analysis.fluids import nitrogen, refrigerant
from analysis.pressure_test import assess as judge_night
from analysis.scale import weigh
from tests.benchmarks.evacuation_pulls import Circuit
from tests.benchmarks.pressure_test_nights import make_night
from tests.support import make_stretch

ROWS = 172_800


def best_of(work: Callable[[], object], rounds: int = 3) -> float:
    """Return the shortest time of a few rounds [s]."""
    took = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        took.append(time.perf_counter() - begin)
    return min(took)


def main() -> None:
    """Print one line a part: seconds, and the ratio to the read."""
    text = pd.DataFrame(np.random.default_rng(1).normal(50, 1, (ROWS, 14)).round(2)).to_csv(index=False)
    read = best_of(lambda: pd.read_csv(io.StringIO(text)))
    print(f"bare read of {ROWS:,} x 14: {read:.3f} s")
    seconds = np.arange(ROWS, dtype=float)
    weight = 30.0 + (seconds % 1_500.0) * 0.04 * (seconds % 1_500.0 < 1_400.0)
    scale = make_stretch("recovery", seconds, {"cylinder_weight": ("kg", np.round(weight, 2))})
    pull = Circuit(10, minutes=2_880, step_s=1.0, oil_ultimate=120.0).stretch()[0]
    night = make_night(6, interval=1.0, hours=16.0).stretch
    pressure, temperature = np.full(60_000, 1e6), np.linspace(280.0, 300.0, 60_000)
    for name, work in (
        ("weight, 48 h", lambda: weigh(scale)),
        ("evacuation, 48 h", lambda: judge_evacuation(pull)),
        ("pressure test, 16 h", lambda: judge_night(night)),
        ("nitrogen, 60,000 rows", lambda: nitrogen.compressibility(pressure, temperature)),
    ):
        took = best_of(work)
        print(f"{name}: {took:.3f} s, {took / read:.2f} of the read")
    million, fluid = np.random.default_rng(1).uniform(5e4, 2e6, 1_000_000), refrigerant("R-410A")
    ours, logarithm = best_of(lambda: fluid.bubble_temperature_k(million), 7), best_of(lambda: np.log(million), 7)
    print(f"a million saturation temperatures: {ours * 1e3:.1f} ms, {ours / logarithm:.1f} of as many logarithms")


if __name__ == "__main__":
    main()
