"""Running plants with load steps of known time, and the steady windows that are found in them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.fluids import refrigerant
from analysis.startup import assess
from analysis.stretch import Stretch
from tests.support import START, make_stretch

PSI = 6894.757293


def plant(
    loads: list[tuple[float, float]],
    minutes: float,
    step: float = 1.0,
    seed: int = 0,
    lag_s: float = 90.0,
    swing_k: float = 0.0,
    with_load: bool = True,
    opens_k: float = 6.0,
    **tables: object,
) -> tuple[Stretch, float]:
    """Return a running plant that follows load steps (minute, part) with one lag, and its final superheat [K].

    Superheat rises by `opens_k` from no load to full load; `swing_k` hunts with a period of 100 s.
    """
    noise = np.random.default_rng(seed)
    at = np.arange(0.0, minutes * 60.0, step)
    load = np.zeros(len(at))
    for minute, part in loads:
        load[at >= minute * 60.0] = part
    slow = np.zeros(len(at))
    for i in range(1, len(at)):
        slow[i] = slow[i - 1] + (load[i] - slow[i - 1]) * (1.0 - np.exp(-step / lag_s))
    fluid = refrigerant("R-134a")
    suction_dew = 278.0 - 3.0 * slow
    superheat = 3.0 + opens_k * slow + swing_k * np.sin(2 * np.pi * at / 100.0)
    condensing = 303.0 + 10.0 * slow

    def gauge(kelvin: np.ndarray) -> np.ndarray:
        return np.round(
            (np.asarray(fluid.dew_pressure_pa(kelvin)) - 101_325.0) / PSI + noise.normal(0, 0.1, len(at)), 1
        )

    def probe(kelvin: np.ndarray) -> np.ndarray:
        return np.round(kelvin * 1.8 - 459.67 + noise.normal(0, 0.1, len(at)), 1)

    logged = {
        "suction_pressure": ("psig", gauge(suction_dew)),
        "suction_temperature": ("degF", probe(suction_dew + superheat)),
        "discharge_pressure": ("psig", gauge(condensing)),
        "liquid_temperature": ("degF", probe(condensing - 5.0)),
        "leaving_water_temperature": ("degF", probe(suction_dew + 2.0)),
    }
    if with_load:
        logged["compressor_load"] = ("%", np.round(100 * load + noise.normal(0, 0.2, len(at)), 1))
    job = {"circuit": {"refrigerant": "R-134a"}, "site": {"barometer": "101.325 kPa"}, **tables}
    return make_stretch("startup", at, logged, tables=job), float(superheat[-1])


def windows(stretch: Stretch) -> list[tuple[float, float | None]]:
    """Return begin and end of the steady windows in minutes."""
    opened: list[tuple[float, float | None]] = []
    for finding in assess(stretch).findings:
        minute = (finding.since - START) / pd.Timedelta(minutes=1)
        if finding.kind == "steady":
            opened.append((minute, None))
        elif finding.kind == "unsteady":
            opened[-1] = (opened[-1][0], minute)
    return opened
