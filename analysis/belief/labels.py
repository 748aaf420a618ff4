"""The unit that a column is labelled with: which are taken for each other, and what a channel reads in another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.belief.fault import Readings
from analysis.vocabulary.units import UNITS, Unit

OF_GAUGE = {"psia": "psig", "kPa": "kPag", "bar": "barg"}
"""An absolute label, and that of a gauge whose numbers stand under it: one atmosphere alone lies between them."""
PROBES = ("micron", "mbar", "Pa", "Torr")
FAMILIES = ((*OF_GAUGE.values(), *OF_GAUGE), PROBES, ("degF", "degC"))
"""Labels that are taken for each other."""
MINUTES = 15
"""So many minutes on end a label is wrong before it is told: then a channel is out of its neighbours' reach as it is
labelled, and beside them otherwise."""


@dataclass(frozen=True)
class Label:
    """A label in doubt.

    Attributes
    ----------
    channel, meant : what is read, and the unit in which it makes sense.
    beside : what it agrees with in that unit.
    wrong : the minutes in which that unit alone makes sense, shape (n,) of bool.
    apart : how far it is off as it is labelled, shape (n,) [SI].
    witness : the one channel that says so, empty where it is none or several.
    """

    channel: str
    meant: Unit
    beside: str
    wrong: np.ndarray
    apart: np.ndarray
    witness: str = ""


def relabelled(read: np.ndarray, own: Unit, meant: Unit, barometer_pa: np.ndarray) -> np.ndarray:
    """Return what SI readings labelled `own` would be if their numbers were in the unit `meant`, shape of `read`."""
    return np.asarray(meant.si(own.number(read, barometer_pa), barometer_pa))


def otherwise(read: np.ndarray, own: Unit, barometer_pa: np.ndarray) -> Iterator[tuple[Unit, np.ndarray]]:
    """Yield each unit that `own` is taken for, and what its readings would be in it, shape of `read` [SI]."""
    for symbol in next((family for family in FAMILIES if own.symbol in family), ()):
        if symbol not in (own.symbol, OF_GAUGE.get(own.symbol)) and own.symbol != OF_GAUGE.get(symbol):
            yield UNITS[symbol], relabelled(read, own, UNITS[symbol], barometer_pa)


def in_other_units(channel: str, readings: Readings) -> Iterator[tuple[Unit, np.ndarray]]:
    """Yield each unit that a channel's is taken for, and what its minutes would be in it [SI]."""
    yield from otherwise(readings.by_minute(channel), readings.unit(channel), readings.minute_barometer_pa)


def known_at(wrong: np.ndarray) -> int | None:
    """Return the minute by which a label was wrong for long enough, None where it was not; `wrong` as in `Label`."""
    whole = np.flatnonzero(np.convolve(wrong, np.ones(MINUTES))[: len(wrong)] >= MINUTES - 0.5)
    return int(whole[0]) if len(whole) else None


def only_one_in(own: Unit, others: set[Unit]) -> set[Unit]:
    """Return the unit that several gauges share and this one alone does not, none where there is no such."""
    return others if len(others) == 1 and own not in others else set()
