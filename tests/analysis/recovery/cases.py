"""Recoveries made for several tests."""

from __future__ import annotations

import numpy as np

from analysis.recovery import assess
from analysis.result import Assessment, Finding
from analysis.stretch import Stretch
from tests.benchmarks.recovery_circuit import Case, simulate
from tests.benchmarks.recovery_log import Run
from tests.support import make_stretch

WITHOUT_SCALE = ("circuit_pressure", "leaving_water_temperature")


def found(assessment: Assessment, kind: str) -> Finding | None:
    return next((f for f in assessment.findings if f.kind == kind), None)


def judged(case: Case) -> tuple[Run, Assessment]:
    run = simulate(case)
    return run, assess(run.stretch)


def minutes_late(run: Run, assessment: Assessment) -> float:
    call = found(assessment, "liquid_gone")
    assert call is not None
    return ((call.time - run.stretch.begin).total_seconds() - run.gone_s) / 60.0


def weighed(
    seconds: np.ndarray, shown_kpa: np.ndarray, shown_kg: np.ndarray, water_c: float = 11.85, **circuit: str
) -> Stretch:
    """Return a recovery of R-134a, as gauge, scale and a thermometer in the leaving water show it, shape (n,) each."""
    return make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", shown_kpa),
            "cylinder_weight": ("kg", shown_kg),
            "leaving_water_temperature": ("degC", np.full(len(seconds), water_c)),
        },
        tables={"circuit": {"refrigerant": "R-134a"} | circuit},
    )


def paused(comes_back: float, gauge_step: float, from_s: float = 2100.0) -> Stretch:
    """Return a fall by e in 10 min until a pause, in which the pressure comes back by a share in 10 min."""
    seconds = np.arange(0.0, from_s + 1200.0, 5.0)
    fall, stands = np.clip(seconds, 600.0, from_s) - 600.0, np.maximum(seconds - from_s, 0.0)
    pressure = 420.0 * np.exp(-fall / 600.0) * (1.0 + comes_back * stands / 600.0)
    return make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure / gauge_step) * gauge_step),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "60 kg", "internal_volume": "400 L"}},
        journal=[(from_s, "mark", "recovery_paused", "")],
    )
