"""Where what a minute of the signals shows began: pressure that left its level, a scale that moved, a pull."""

from __future__ import annotations

import numpy as np

from analysis.stage_signals import MINUTE_S, Signals

FLICKER_KG = 0.25
"""A scale may flicker by as much while nothing flows (common practice)."""
RUSH_MINUTES = 180
"""Oil and low points give back refrigerant over hours; nitrogen is let in within minutes, and then stands."""


class LookBack:
    """Looks back over the signals from any minute; nothing looks ahead."""

    def __init__(self, signals: Signals) -> None:
        self.s = signals

    def departure(self, k: int, sign: float, part: float = 0.03, least_pa: float = 1_500.0) -> int:
        """Return the minute in which pressure left, upward or downward, the level it had around minute `k`."""
        pressure = self.s.pressure_pa
        first = self.s.back(k, 10)
        level = float(np.nanmedian(pressure[first : k + 1]))
        j = k
        while j > first and not sign * (pressure[j - 1] - level) <= max(part * level, least_pa):
            j -= 1
        return j

    def last_flow(self, k: int) -> float:
        """Return when the scale last moved, looking back from a minute in which its last minutes showed a flow [s]."""
        weight, swapped = self.s.weight_kg, self.s.swapped
        j = k
        while j > 0 and not swapped[j] and abs(weight[j - 1] - weight[k]) < FLICKER_KG:
            j -= 1
        return float(self.s.end_s[j])

    def flow_onset(self, k: int, sign: float) -> int:
        """Return the minute at whose end the scale began to move one way."""
        weight, swapped = self.s.weight_kg, self.s.swapped
        begin, still = k, 0
        for j in range(k, 0, -1):
            if swapped[j]:
                break
            if sign * (weight[j] - weight[j - 1]) > 0.015:
                begin, still = j - 1, 0
            else:
                still += 1
                if still > 3:
                    break
        return begin

    def held(self, k: int, minutes: int, part: float, least_pa: float = 700.0) -> bool:
        """Return whether pressure stood within `part` of itself for so many minutes."""
        first = self.s.back(k, minutes)
        if self.s.end_s[k] - self.s.begin_s[first] < (minutes - 1.5) * MINUTE_S:
            return False
        window = self.s.calm_pa[first : k + 1]
        window = window[~np.isnan(window)]
        if len(window) < max(2, minutes // 3):
            return False
        return bool(window.max() - window.min() <= max(part * window.max(), least_pa))

    def rushed(self, k: int) -> bool:
        """Return whether pressure rose in the last hours as only gas from a cylinder makes it: by a part in minutes."""
        s = self.s
        first = s.back(k, RUSH_MINUTES)
        p = s.calm_pa[first : k + 1]
        later = np.searchsorted(s.begin_s[first : k + 1], s.begin_s[first : k + 1] + 5 * MINUTE_S)
        later = np.minimum(later, len(p) - 1)
        return bool(np.any(p[later] > 1.15 * p + 10e3))

    def has_scale(self, k: int) -> bool:
        """Return whether a cylinder stands on a scale that works."""
        return bool(self.s.on_scale[k])

    def pulled_from(self, k: int) -> int:
        """Return the minute in which pressure left the air's, or stopped standing, on its way down to minute `k`."""
        s = self.s
        j = k
        while j > 0 and s.pressure_pa[j] < 0.88 * s.barometer_pa[j]:
            first = s.back(j, 15)
            before = s.pressure_pa[first:j]
            if not len(before) or np.isnan(before).all() or not np.nanmax(before) > 1.01 * s.pressure_pa[j]:
                break
            above = min(0.98 * np.nanmax(before), 0.88 * s.barometer_pa[j])
            j = first + int(np.flatnonzero(before >= above)[-1])
        return self.departure(j, -1.0)

    def out_of_sight(self, j: int, k: int) -> float:
        """Return when a pull began whose fall a probe saw only from minute `j` on: pressure falls exponentially [s].

        A pump takes the same volume in a minute at any pressure down to some millibar.
        """
        s = self.s
        while j < k and np.isnan(s.pressure_pa[j]):
            j += 1
        seen = s.pressure_pa[j : k + 1]
        high = np.flatnonzero(seen >= seen[0] / 1.4)
        last = int(high[-1]) if len(high) else 0
        if last < 1 or not seen[last] < 0.95 * seen[0]:
            return float(s.begin_s[j])
        lag_s = (s.end_s[j + last] - s.end_s[j]) / np.log(seen[0] / seen[last])
        return max(0.0, float(s.end_s[j] - lag_s * np.log(s.barometer_pa[j] / seen[0])))
