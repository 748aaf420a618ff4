"""When a freeze risk is told, and when it is over: the same of a circuit that is emptied and of one that is charged."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.stretch import Stretch

CLEAR_K, CLEAR_S = 1.0, 300.0
"""A freeze risk is over, and the next one is told, once saturation stood this far above freezing this long; common
practice."""


def episodes(
    at_s: np.ndarray, cold: np.ndarray, clear: np.ndarray, stays_s: float | np.ndarray
) -> Iterator[tuple[int, float]]:
    """Yield where each freeze risk is told, and since when it was cold [s].

    Parameters
    ----------
    at_s : when each look was [s], shape (n,), rising.
    cold : saturation stands at or under freezing while liquid may stand, shape (n,) of bool.
    clear : it stands more than `CLEAR_K` above freezing, shape (n,) of bool.
    stays_s : how long it has to be cold [s], by what is known at each look: a number, or of shape (n,).
    """
    begun, warm, armed = -1.0, -1.0, True
    enough_s = np.broadcast_to(stays_s, at_s.shape)
    for k, at in enumerate(at_s.tolist()):
        if cold[k]:
            begun, warm = (at if begun < 0.0 else begun), -1.0
            if armed and at - begun >= enough_s[k]:
                armed = False
                yield k, begun
        else:
            begun = -1.0
            if clear[k]:
                warm = at if warm < 0.0 else warm
                armed = armed or at - warm >= CLEAR_S


def if_any(stretch: Stretch) -> str:
    """Return what to say before what to do where neither the job nor the log tells of a water side, else nothing."""
    circuit = stretch.job.circuit
    told = circuit.water is not None or circuit.freeze_point_k is not None
    if told or any(f"{way}_water_temperature" in stretch.frame for way in ("entering", "leaving")):
        return ""
    return "Neither the job nor the log tells of water: what follows is for a circuit that cools water or glycol. "
