"""A million saturation temperatures against a million natural logarithms, in one run.

python -m tests.benchmarks.refrigerant_speed
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from analysis.fluids import refrigerant

ROUNDS = 7


def best_of(work: Callable[[], object]) -> float:
    """Return the shortest time of a few rounds [s]."""
    took = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        work()
        took.append(time.perf_counter() - begin)
    return min(took)


def main() -> None:
    """Print both times and their ratio."""
    pressure = np.random.default_rng(1).uniform(5e4, 2e6, 1_000_000)
    fluid = refrigerant("R-410A")
    ours, logarithm = best_of(lambda: fluid.bubble_temperature_k(pressure)), best_of(lambda: np.log(pressure))
    print(f"saturation {ours * 1e3:.1f} ms, logarithm {logarithm * 1e3:.1f} ms, ratio {ours / logarithm:.1f}")


if __name__ == "__main__":
    main()
