"""Where what a minute of the signals shows began: pressure that left its level, a scale that moved, a pull."""

from __future__ import annotations

import numpy as np

from analysis.stage_signals import MINUTE_S, Signals

FLICKER_KG = 0.25
"""A scale may flicker by as much while nothing flows (common practice)."""
STILL_MINUTES, STILL_KG = 5, 0.08
"""A scale that moves by less in so many minutes shows no flow (common practice)."""
EQUAL_PART = 1.01
"""Discharge over suction pressure falls by such a part a minute, and more, while a stopped circuit equalises."""
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
        j = last = max(k - 1, 0)
        while j > 0 and not swapped[j] and abs(weight[j - 1] - weight[last]) < FLICKER_KG:
            j -= 1
        return float(self.s.end_s[j])

    def trickled(self, k: int, sign: float) -> bool:
        """Return whether a little went one way in the minutes before: enough to tell where it is known to flow."""
        weight, first = self.s.weight_kg, max(k - 1 - STILL_MINUTES, 0)
        return bool(not self._hands(first, k) and sign * (weight[max(k - 1, 0)] - weight[first]) > FLICKER_KG)

    def _hands(self, first: int, last: int) -> bool:
        """Return whether the scale was handled in these minutes, or just before: hands stay for a minute."""
        return bool(self.s.swapped[max(first - 1, 0) : last + 1].any())

    def flow_onset(self, k: int, sign: float) -> int:
        """Return the minute at whose end the scale began to move one way: the last that stood where it stood before."""
        weight, j = self.s.weight_kg, k
        while j > 0 and not self._hands(j, j):
            first = j
            while first > max(j - STILL_MINUTES, 0) and not self._hands(first - 1, first - 1):
                first -= 1
            if not sign * (weight[j] - weight[first]) > STILL_KG:
                break
            j -= 1
        moved = np.flatnonzero(~(sign * (weight[j : k + 1] - weight[j]) <= STILL_KG))
        onset = j + max(int(moved[0]) - 1, 0) if len(moved) else j
        while onset > 0 and onset == j and self._hands(j, j) and not self.s.swapped[j]:
            onset, j = j - 1, j - 1  # it flowed as soon as the hands were off
        return onset

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

    def changed(self, k: int, minutes: int, part: float) -> bool:
        """Return whether pressure moved by more than `part` of itself within so many minutes; a gap shows nothing."""
        window = self.s.calm_pa[self.s.back(k, minutes) : k + 1]
        window = window[~np.isnan(window)]
        return len(window) > 1 and bool(window.max() - window.min() > max(part * window.max(), 700.0))

    def rushes(self, first: int, k: int) -> np.ndarray:
        """Return the minutes from `first` to `k` from which pressure rose as only gas from a cylinder makes it."""
        s = self.s
        p, begin_s = s.calm_pa[first : k + 1], s.begin_s[first : k + 1]
        later = np.minimum(np.searchsorted(begin_s, begin_s + 5 * MINUTE_S), len(p) - 1)
        return first + np.flatnonzero(p[later] > 1.15 * p + 10e3)

    def rushed(self, k: int) -> bool:
        """Return whether pressure rose in the last hours by a good part within minutes."""
        return len(self.rushes(self.s.back(k, RUSH_MINUTES), k)) > 0

    def stopped(self, k: int) -> float:
        """Return when the compressor stopped that ran before minute `k`; pressures become equal only later [s]."""
        s = self.s
        j = k
        while j > 0 and not s.running[j]:
            j -= 1
        if s.load_read[j]:
            return float(s.end_s[j])
        while j > 0 and s.running[j - 1] and s.lift[j - 1] > EQUAL_PART * s.lift[j]:
            j -= 1
        return float(s.end_s[j])

    def has_scale(self, k: int) -> bool:
        """Return whether a cylinder stands on a scale that works."""
        return bool(self.s.on_scale[k])

    def came_to_air(self, k: int) -> int:
        """Return the minute in which pressure left where it was, from above or below, for the air's around minute `k`.

        A slow rise towards the air's pressure is none: it counts from where it became quick.
        """
        s = self.s
        j = k
        while j > 0 and abs(s.calm_pa[j - 1] / s.barometer_pa[j - 1] - 1.0) < 0.06:
            j -= 1
        sign = np.sign(s.calm_pa[max(j - 1, 0)] - s.barometer_pa[j])
        while j > 0 and sign * (s.calm_pa[j - 1] / s.calm_pa[j] - 1.0) > 0.01:
            j -= 1
        return j

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
