"""From a reported value to a channel of the log: unit, two-point calibration, offset."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.units import UNITS, convert, number_and_symbol, parse_quantity
from collector.instruments.reading import Fault, Reading, Sample


@dataclass(frozen=True)
class LoggedChannel:
    """How one value of an instrument is logged: numbers are in `unit`, the unit of the column.

    `calibration` holds two points (reference, shown): what was true and what the instrument showed then. The
    straight line through both corrects the reading; `offset` is added after that.
    """

    value: str
    channel: str
    unit: str
    calibration: tuple[tuple[float, float], tuple[float, float]] | None = None
    offset: float = 0.0

    def reading(self, sample: Sample) -> Reading | Fault:
        """Return the corrected reading of a sample, or why there is none."""
        try:
            number = self.corrected(convert(sample.number, sample.unit, self.unit))
        except InputError as error:
            return Fault("bad_frame", f"{sample.value}: {error}")
        if not math.isfinite(number):
            return Fault("over_range", f"{sample.value}: {sample.number:g} {sample.unit} cannot be logged")
        return Reading(self.channel, number)

    def corrected(self, number: float) -> float:
        """Return `number` [unit] after calibration and offset."""
        if self.calibration is not None:
            (low, shown_low), (high, shown_high) = self.calibration
            number = low + (number - shown_low) * (high - low) / (shown_high - shown_low)
        return number + self.offset

    @property
    def correction(self) -> str:
        """What is applied to this channel, in words for the journal; empty when nothing is."""
        parts = []
        if self.calibration is not None:
            points = (f"shown {shown:g} is {true:g} {self.unit}" for true, shown in self.calibration)
            parts.append(f"two-point calibration ({'; '.join(points)})")
        if self.offset != 0.0:
            parts.append(f"offset {self.offset:+g} {self.unit}")
        return ", then ".join(parts)


def number_in(text: object, unit: str, where: str) -> float:
    """Return the quantity `text`, such as ``"100 lb"``, as a number of `unit`.

    Raises
    ------
    InputError
        No quantity, or one that does not measure the same thing as `unit`.
    """
    parse_quantity(text, UNITS[unit].dimension, where)
    number, symbol = number_and_symbol(text) or (math.nan, unit)
    try:
        return convert(number, symbol, unit)
    except InputError:
        raise refused(where, text, f"a quantity that can be turned into {unit}") from None


def difference_in(text: object, unit: str, where: str) -> float:
    """Return the difference `text`, such as ``"0.2 lb"`` or ``"-1 degF"``, as a number of `unit`.

    Raises
    ------
    InputError
        No quantity, or one of another dimension.
    """
    column = UNITS[unit]
    dimension = column.dimension
    if dimension in ("temperature", "pressure"):
        dimension = f"{dimension}_difference"
    return parse_quantity(text, dimension, where) / column.scale
