"""The figures by which a running circuit is judged, row by row."""

from __future__ import annotations

from collections.abc import Container

import pandas as pd

from analysis.fluids import Refrigerant

UNDER_THE_BUBBLE_POINT = ("subcooling", "condenser_approach")


def channels_of(channels: Container[str]) -> dict[str, tuple[str, str]]:
    """Return what each figure of a running circuit is worked out of, for those figures whose two channels exist."""
    liquid = "liquid_pressure" if "liquid_pressure" in channels else "discharge_pressure"
    pairs = {
        "suction_superheat": ("suction_temperature", "suction_pressure"),
        "discharge_superheat": ("discharge_temperature", "discharge_pressure"),
        "subcooling": ("liquid_temperature", liquid),
        "evaporator_approach": ("leaving_water_temperature", "suction_pressure"),
        "condenser_approach": ("condenser_leaving_temperature", "discharge_pressure"),
        "oil_filter_drop": ("oil_pressure_before_filter", "oil_pressure_after_filter"),
    }
    return {figure: pair for figure, pair in pairs.items() if pair[0] in channels and pair[1] in channels}


def running_figures(frame: pd.DataFrame, fluid: Refrigerant | None) -> pd.DataFrame:
    """Return the figures of a running circuit, those whose columns exist.

    Superheats and the evaporator approach are counted from the dew point, subcooling and the condenser
    approach from the bubble point (terms of the trade; equal for a refrigerant without glide).

    Parameters
    ----------
    frame : channels in SI, pressures [Pa absolute], temperatures [K].
    fluid : None leaves out what needs a saturation temperature.

    Returns
    -------
    DataFrame with the same index: `suction_superheat`, `discharge_superheat`, `subcooling`,
    `evaporator_approach`, `condenser_approach` [K], `oil_filter_drop` [Pa].
    """
    figures = pd.DataFrame(index=frame.index)
    for name, (channel, other) in channels_of(frame).items():
        value, beside = frame[channel].to_numpy(dtype=float), frame[other].to_numpy(dtype=float)
        if name == "oil_filter_drop":
            figures[name] = value - beside
        elif fluid is not None and name in UNDER_THE_BUBBLE_POINT:
            figures[name] = fluid.bubble_temperature_k(beside) - value
        elif fluid is not None:
            figures[name] = value - fluid.dew_temperature_k(beside)
    return figures
