"""Nights that are like another but for something."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.pressure_test import assess
from analysis.stretch import Stretch
from tests.benchmarks.pressure_test_nights import Night
from tests.support import make_stretch

PSI = 6_894.757293168
CALM: dict[str, object] = {
    "probes": "both", "sensor": "gauge+baro", "sun": False, "stuck": False, "falls_off": False, "bleed": False,
    "steps": False, "quantum_psi": 0.1, "noise_psi": 0.04, "ar_psi": 0.01, "interval": 10.0, "hours": 10.0,
    "psig": 150.0, "allowed_psi_d": 1.0, "ratio": 0.0, "probe_quantum_f": 0.1, "parts": 1, "swing_k": 2.0,
}  # fmt: skip


def changed(
    night: Night,
    change: Callable[[np.ndarray, np.ndarray], np.ndarray],
    without: tuple[str, ...] = (),
    allowed: bool = True,
) -> Stretch:
    """Return the night with its true gauge pressure [psig] changed, read anew."""
    at = night.at_s
    noise = np.random.default_rng(0).normal(0.0, 0.04, len(at))
    shown = np.round((change(at, night.gauge_psi) + noise) / 0.1) * 0.1
    frame = night.stretch.frame
    logged = {
        "circuit_pressure": ("psig", shown),
        "surface_temperature": ("K", frame["surface_temperature"].to_numpy()),
        "ambient_temperature": ("K", frame["ambient_temperature"].to_numpy()),
        "barometer": ("Pa", frame["barometer"].to_numpy()),
    }
    tables = {"pressure_test": {"allowed_loss": "1 psi/d"} if allowed else {}, "circuit": {"internal_volume": "420 L"}}
    kept = {name: column for name, column in logged.items() if name not in without}
    return make_stretch("pressure_test", at, kept, tables=tables)


def slept(stretch: Stretch, begin_s: float, end_s: float) -> Stretch:
    """Return the stretch without the rows of a gap."""
    at = (stretch.frame.index - stretch.begin).total_seconds()
    kept = (at < begin_s) | (at > end_s)
    return replace(stretch, frame=stretch.frame[kept], barometer_pa=stretch.barometer_pa[kept])


def ruled(rules: str, night: Night, psi: np.ndarray) -> str:
    tables = {"pressure_test": {"allowed_loss": "1 psi/d", "pressure": "150 psig", "rules": rules}}
    shown = {"circuit_pressure": ("psig", np.round(psi, 2))}
    return assess(make_stretch("pressure_test", night.at_s, shown, tables=tables)).text
