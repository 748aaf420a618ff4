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

    def has(*channels: str) -> bool:
        return all(channel in frame for channel in channels)

    if fluid is not None:
        if has("suction_pressure", "suction_temperature"):
            figures["suction_superheat"] = values("suction_temperature") - fluid.dew_temperature_k(
                values("suction_pressure")
            )
        if has("discharge_pressure", "discharge_temperature"):
            figures["discharge_superheat"] = values("discharge_temperature") - fluid.dew_temperature_k(
                values("discharge_pressure")
            )
        liquid = "liquid_pressure" if has("liquid_pressure") else "discharge_pressure"
        if has(liquid, "liquid_temperature"):
            figures["subcooling"] = fluid.bubble_temperature_k(values(liquid)) - values("liquid_temperature")
        if has("suction_pressure", "leaving_water_temperature"):
            figures["evaporator_approach"] = values("leaving_water_temperature") - fluid.dew_temperature_k(
                values("suction_pressure")
            )
        if has("discharge_pressure", "condenser_leaving_temperature"):
            figures["condenser_approach"] = fluid.bubble_temperature_k(values("discharge_pressure")) - values(
                "condenser_leaving_temperature"
            )
    if has("oil_pressure_before_filter", "oil_pressure_after_filter"):
        figures["oil_filter_drop"] = values("oil_pressure_before_filter") - values("oil_pressure_after_filter")
    return figures
