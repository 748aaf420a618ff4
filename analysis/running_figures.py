"""The figures by which a running circuit is judged, row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.fluids import Refrigerant


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

    def values(channel: str) -> np.ndarray:
        return frame[channel].to_numpy(dtype=float)

    if fluid is not None:
        dew, bubble = fluid.dew_temperature_k, fluid.bubble_temperature_k
        liquid = "liquid_pressure" if "liquid_pressure" in frame else "discharge_pressure"
        for name, channel, pressure, saturation_k, sign in (
            ("suction_superheat", "suction_temperature", "suction_pressure", dew, 1.0),
            ("discharge_superheat", "discharge_temperature", "discharge_pressure", dew, 1.0),
            ("subcooling", "liquid_temperature", liquid, bubble, -1.0),
            ("evaporator_approach", "leaving_water_temperature", "suction_pressure", dew, 1.0),
            ("condenser_approach", "condenser_leaving_temperature", "discharge_pressure", bubble, -1.0),
        ):
            if channel in frame and pressure in frame:
                figures[name] = sign * (values(channel) - saturation_k(values(pressure))) + 0.0  # no -0.0
    if "oil_pressure_before_filter" in frame and "oil_pressure_after_filter" in frame:
        figures["oil_filter_drop"] = values("oil_pressure_before_filter") - values("oil_pressure_after_filter")
    return figures
