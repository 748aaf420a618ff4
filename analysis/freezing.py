"""What is told of a freeze risk alike of a circuit that is emptied and of one that is charged."""

from __future__ import annotations

from analysis.stretch import Stretch

CLEAR_K, CLEAR_S = 1.0, 300.0
"""A freeze risk is over, and the next one is told, once saturation stood this far above freezing this long; common
practice."""


def if_any(stretch: Stretch) -> str:
    """Return what to say after what to do where neither the job nor the log tells of a water side, else nothing."""
    circuit = stretch.job.circuit
    told = circuit.water is not None or circuit.freeze_point_k is not None
    if told or any(f"{way}_water_temperature" in stretch.frame for way in ("entering", "leaving")):
        return ""
    return " if this circuit cools water or glycol (neither the job nor the log tells of water)"
