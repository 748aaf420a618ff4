"""Where what a minute of the signals shows began: pressure that left its level, a scale that moved, a pull."""

from __future__ import annotations

import numpy as np

from analysis.stages.signals import FLICKER_KG, FLICKER_MINUTES, HANDLED_KG, HELD_MINUTES, MINUTE_S, Signals

STILL_MINUTES, STILL_KG = 5, 0.08
"""A scale that moves by less in so many minutes shows no flow (common practice)."""
SLOW_MINUTES, SLOW_KG = 60, 0.5
"""The last liquid boils so slowly out of a small circuit, yet faster than a scale drifts (common practice)."""
VACUUM_PA = 3e3
SUDDEN = 1.5
"""What flows in one minute moves the scale by at most so much more than in another."""
EQUAL_PART = 1.01
"""Discharge over suction pressure falls by such a part a minute, and more, while a stopped circuit equalises."""
FADES_PART = 1.1
"""Water in a vessel that cools no more is replaced within some minutes (common practice): it leaves less cool by such a
part each minute."""
PULL_MINUTES = 60
"""So long one cylinder is filled before the next; a slow machine at a large one takes longer (common practice)."""
SHUT_PART = 0.015
"""A probe at a steady vacuum wanders by less from minute to minute."""
FLICKER_PA = 8e3
"""A gauge may flicker by a step of 1 psi."""
BACK_MINUTES = 8
"""Liquid that was drawn from comes back to the room's saturation within so many minutes (common practice)."""
STEP_PA = 600.0
"""Two minutes that move pressure by as much each, one way, are a machine or a valve (common practice)."""
QUICK = 3.0
"""Gas that is let in, or out, moves pressure by so much more in a minute than what the circuit does by itself."""
BEND_MINUTES, BEND = 5, 4.0
"""Pressure bends where it falls in so many minutes by so many flickers of its gauge more than in as many before: by
chance alone such a difference has a deviation of one and a half of them."""
STOOD_AFTER_PART = 1.05
"""A room that warms by 2 K raises what stands in it by no more than this."""
RUSH_MINUTES = 180
"""Oil and low points give back refrigerant over hours; nitrogen is let in within minutes, and then stands."""
SLOWED_PARTS = (0.5, 0.8, 0.975)
"""What comes back exponentially takes twice as long from the second to the third of these parts of its rise as from
the first to the second; what a valve lets in until somebody shuts it takes half as long."""


class LookBack:
    """Looks back over the signals from any minute; nothing looks ahead."""

    def __init__(self, signals: Signals) -> None:
        self.s = signals

    def departure(
        self, k: int, sign: float, part: float = 0.03, least_pa: float = 1_500.0, most_pa: float = np.inf
    ) -> int:
        """Return the minute in which pressure left, upward or downward, the level it had around minute `k`.

        A level above `most_pa` is taken for that: gas that was let out until a moment ago stood higher.
        """
        pressure = self.s.pressure_pa
        first = self.s.back(k, 10)
        level = min(float(np.nanmedian(pressure[first : k + 1])), most_pa)
        left = sign * (pressure[first:k] - level) > max(part * level, least_pa)
        stood = np.flatnonzero(~left)
        return first + int(stood[-1]) + 1 if len(stood) else first

    def last_flow(self, k: int) -> float:
        """Return when the scale last moved, looking back from a minute in which its last minutes showed a flow [s]."""
        weight = self.s.weight_kg
        j = last = max(k - 1, 0)
        while j > 0 and abs(weight[j - 1] - weight[last]) < FLICKER_KG:
            j -= 1
        return float(self.s.end_s[j])

    def trickled(self, k: int, sign: float) -> bool:
        """Return whether a little went one way in the minutes before: enough to tell where it is known to flow."""
        weight, first, least_kg = self.s.weight_kg, max(k - 1 - STILL_MINUTES, 0), FLICKER_KG
        slow = min(self.s.back(k, SLOW_MINUTES), first)
        if not self.s.swapped[slow : k + 1].any() and sign * (weight[max(k - 1, 0)] - weight[slow]) > SLOW_KG:
            return True
        handled = np.flatnonzero(self.s.swapped[max(first - 1, 0) : k + 1])
        if len(handled):  # hands stay for a minute
            first, least_kg = max(first - 1, 0) + int(handled[-1]) + 1, HANDLED_KG
        return bool(first < k - 1 and sign * (weight[k - 1] - weight[first]) > least_kg)

    def poured(self, k: int, sign: float, fastest_kg: float) -> bool:
        """Return whether a cylinder that stayed moved the scale in this minute as refrigerant did in one before."""
        weight, bears = self.s.weight_kg, self.s.on_scale
        step = sign * (weight[k] - weight[max(k - 1, 0)])
        return bool(bears[max(k - 1, 0)] and bears[k] and HANDLED_KG < step <= SUDDEN * fastest_kg)

    def lighter(self, k: int, since_s: float, least_kg: float = STILL_KG) -> bool:
        """Return whether the cylinder on the scale gave a little since then, too little or too slowly for a flow."""
        s = self.s
        first = self.without_hands(since_s, k)
        gave_kg = s.weight_kg[first] - s.weight_kg[k] if s.on_scale[first : k + 1].all() else 0.0
        return bool(gave_kg > max(least_kg, 1.5 * s.restless_kg[k]))

    def gave_until(self, since_s: float, k: int) -> float:
        """Return when the cylinder on the scale last became lighter since then, before hands moved it [s]."""
        s, first = self.s, min(int(np.searchsorted(self.s.end_s, since_s)), k)
        handled = np.flatnonzero(s.swapped[first + 1 : k + 1])
        last = max(first + int(handled[0]) - 1, first) if len(handled) else k  # hands may have come a minute before
        heavier = s.weight_kg[first : last + 1] > s.weight_kg[last] + max(STILL_KG, 1.5 * s.restless_kg[k])
        return float(s.end_s[first + int(np.flatnonzero(heavier)[-1])]) if heavier.any() else since_s

    def without_hands(self, since_s: float, k: int) -> int:
        """Return the last minute before that second, or the first after hands last moved the scale up to `k`."""
        first = max(int(np.searchsorted(self.s.end_s, since_s)) - 1, 0)
        handled = np.flatnonzero(self.s.swapped[first : k + 1])
        return min(first + int(handled[-1]) + 1, k) if len(handled) else first

    def flow_onset(self, k: int, sign: float) -> int:
        """Return the minute at whose end the scale began to move one way: the last that stood where it stood before."""
        weight, j = self.s.weight_kg, k
        still = max(STILL_KG, 1.5 * self.s.restless_kg[k])
        while j > 0 and not self._handled(j):
            first = j
            while first > max(j - STILL_MINUTES, 0) and not self._handled(first - 1):
                first -= 1
            if not sign * (weight[j] - weight[first]) > still:
                break
            j -= 1
        moved = np.flatnonzero(~(sign * (weight[j : k + 1] - weight[j]) <= still))
        return j + max(int(moved[0]) - 1, 0) if len(moved) else j

    def _handled(self, j: int) -> bool:
        """Return whether hands moved the scale in this minute or the one before."""
        return bool(self.s.swapped[max(j - 1, 0) : j + 1].any())

    def held(self, k: int, minutes: int, part: float, least_pa: float = 700.0) -> bool:
        """Return whether pressure stood within `part` of itself for so many minutes."""
        first = self.s.back(k, minutes)
        if self.s.end_s[k] - self.s.begin_s[first] < (minutes - 1.5) * MINUTE_S:
            return False
        window = self.s.calm_pa[first : k + 1]
        window = window[~np.isnan(window)]
        if len(window) < max(2, minutes // 3):
            return False
        highest = window.max()
        return bool(highest - window.min() <= max(part * highest, least_pa))

    def stepped(self, k: int, now: int | None = None) -> int:
        """Return 1 or -1 where pressure rose or fell in two minutes up to `k` as only a machine or a valve moves it.

        It moves by more than the gauge's own steps and flicker, as known before or, looked back upon, in minute `now`,
        and does not come back in the second minute.
        """
        s = self.s
        lately = s.pressure_pa[max(k - 2, 0) : k + 1]
        own_pa = s.step_pa[max(k - 2, 0) if now is None else now]
        flicker_pa = s.flicker_pa[k if now is None else min(max(k, 2 * FLICKER_MINUTES), now)]
        least_pa = max(STEP_PA, 1.5 * flicker_pa, min(own_pa if own_pa > 0.0 else np.inf, FLICKER_PA) / 2.0)
        for way in (1, -1):
            moved = way * (lately[1:] - lately[0])
            if (
                len(moved) == 2
                and s.end_s[k] - s.end_s[k - 2] < HELD_MINUTES * MINUTE_S
                and (moved.min() > 2.0 * least_pa or np.diff(moved, prepend=0.0).min() > 1.3 * least_pa)
            ):
                return way
        return 0

    def fell_at_once(self, k: int, now: int | None = None) -> bool:
        """Return whether pressure fell in two minutes up to `k` as it did not before: what cools falls on and on."""
        p, before = self.s.pressure_pa, max(k - 2 - STILL_MINUTES, 0)
        if self.stepped(k, now) >= 0:
            return False
        usual_pa = 2.0 * (p[before] - p[k - 2]) / max(k - 2 - before, 1)
        return not usual_pa > (p[k - 2] - p[k]) / 4.0

    def opened_at(self, k: int, first: int, now: int) -> tuple[int, bool]:
        """Return the minute before a valve was opened to what flowed by minute `k`, and whether that was seen by `now`.

        Pressure that does not stand after its fall may have fallen later, when what was drawn began to boil.
        A gauge at the hose falls at once by what the hose takes, though saturation stays. Back from step to step, as at
        each cylinder, and not before minute `first`; what falls as a log begins may have come to rest only then, unless
        it flowed soon after.
        """
        s, j, seen = self.s, k, False
        for i in range(k, first + 1, -1):
            fell = self.fell_at_once(i, now) and np.nanmax(s.calm_pa[i : min(i + 3, now + 1)]) < s.pressure_pa[i - 2]
            if fell and (i > 2 or s.end_s[j] - s.end_s[i] <= PULL_MINUTES * MINUTE_S):
                j, seen = i - 2, self._at_once(i, now)
        return j, seen

    def shut_at(self, first: int, last: int, now: int) -> float | None:
        """Return when between two minutes a hose was last shut that let liquid in, None where that was not seen [s].

        Its gauge falls at once by what drove the liquid, and stands. What rises at once, or much higher, after that is
        let in again.
        """
        s = self.s
        for i in range(last, first + 2, -1):
            if self.stepped(i, now) > 0:
                return None
            if self.fell_at_once(i, now) and self._at_once(i, now):
                stood = np.nanmax(s.calm_pa[i : last + 1]) < STOOD_AFTER_PART * s.pressure_pa[i - 2]
                return float(s.end_s[i - 2]) if stood else None
        return None

    def fell_from(self, k: int, first: int, now: int) -> tuple[int, bool]:
        """Return the minute before what made pressure fall by minute `k`, and whether that was seen by `now`.

        A valve that was opened, or the bend of its course where that comes before.
        """
        onset, seen = self.opened_at(max(k - 1, 0), first, now)
        bent = self.bent(k, first)
        if bent is not None and bent < onset + (0 if seen else BEND_MINUTES):
            return bent, True
        return onset, seen

    def bent(self, k: int, first: int) -> int | None:
        """Return the first minute since `first` after which pressure fell as not before, and stayed lower till `k`.

        What opens a valve, or turns water on, bends its course at once, however little it falls; None where none does.
        """
        s, p, far = self.s, self.s.calm_pa, BEND_MINUTES
        i = np.arange(max(first, 0) + far, k - far)
        if not len(i):
            return None
        more = 2.0 * p[i] - p[i - far] - p[i + far]
        lower = np.fmax.accumulate(p[k : i[0] : -1])[::-1][far - 1 :][: len(i)] < p[i]
        bends = np.flatnonzero(lower & (more > np.maximum(BEND * s.flicker_pa[i], max(2.5 * s.step_pa[k], STEP_PA))))
        if not len(bends):
            return None
        j = int(bends[0])
        return int(i[j + int(np.nanargmax(more[j : j + far]))])

    def _at_once(self, i: int, now: int) -> bool:
        """Return whether pressure stood, fell by minute `i` and stood again, as behind a valve that was opened."""
        s = self.s
        before_pa = s.pressure_pa[i - 3] - s.pressure_pa[i - 2] if i > 2 else np.inf
        after_pa = s.pressure_pa[i] - s.calm_pa[min(i + STILL_MINUTES, now)]
        return bool(max(before_pa, after_pa) < (s.pressure_pa[i - 2] - s.pressure_pa[i]) / 4.0)

    def read_from(self, first: int, k: int) -> int:
        """Return the minute from `first` on from which pressure was read up to minute `k` without a long break."""
        read = first + np.flatnonzero(self.s.seen[first : k + 1])
        again = np.flatnonzero(np.diff(self.s.end_s[read]) > HELD_MINUTES * MINUTE_S)
        return int(read[again[-1] + 1]) if len(again) else first

    def read_until(self, at_s: float, k: int) -> float:
        """Return this time, or when the long break began in which it lies and no pressure was read [s]."""
        read_s = self.s.end_s[: k + 1][self.s.seen[: k + 1]]
        i = int(np.searchsorted(read_s, at_s, side="right"))
        broke = 0 < i < len(read_s) and read_s[i] - read_s[i - 1] > HELD_MINUTES * MINUTE_S
        return float(read_s[i - 1]) if broke else at_s

    def rushes(self, first: int, k: int, falls: bool = False) -> np.ndarray:
        """Return the minutes from `first` to `k` from which pressure rose, or fell, as only gas let in or out does."""
        s = self.s
        p, begin_s = s.calm_pa[first : k + 1], s.begin_s[first : k + 1]
        later = np.searchsorted(begin_s, begin_s + 5 * MINUTE_S, side="right") - 1
        low, high = (p[later], p) if falls else (p, p[later])
        return first + np.flatnonzero(high > 1.15 * low + 10e3)

    def rushed(self, k: int, since_s: float = -np.inf) -> bool:
        """Return whether pressure rose in the last hours, and `since_s`, by a good part within minutes, and stands so.

        What came back in a pause is drawn again, and a gauge that looked at a cylinder falls back: nothing was let in.
        A leak, however big, takes gas away more slowly than that.
        """
        s = self.s
        first = max(s.back(k, RUSH_MINUTES), int(np.searchsorted(s.begin_s, since_s)))
        rose = self.rushes(first, k)
        stands = bool((s.calm_pa[k] > 1.15 * s.calm_pa[rose] + 10e3).any())
        return stands or (len(rose) > 0 and not len(self.rushes(int(rose[0]), k, falls=True)))

    def slowed_down(self, k: int) -> bool:
        """Return whether pressure slowed down on its way up to where it stands, as liquid that boils back does.

        So it may have where it rose too quickly to be seen.
        """
        s = self.s
        first = s.back(k, RUSH_MINUTES)
        low = first + int(np.nanargmin(s.calm_pa[first : k + 1]))
        rose = np.fmax.accumulate(s.calm_pa[low : k + 1])
        parts_pa = rose[0] + np.array(SLOWED_PARTS) * (s.calm_pa[k] - rose[0])
        begun_s, most_s, there_s = np.interp(parts_pa, rose, s.end_s[low : k + 1])
        return bool(there_s - begun_s < 2.0 * MINUTE_S or there_s - most_s > most_s - begun_s)

    def stopped(self, k: int) -> float:
        """Return when the compressor stopped that ran before minute `k`; pressures become equal only later [s].

        What shows it may be blank from then on, and is held for some minutes.
        """
        s = self.s
        j = k
        while j > 0 and not (s.running[j] and s.run_read[j]):
            j -= 1
        if s.load_read[j]:
            return float(s.end_s[j])
        while j > 0 and s.running[j - 1] and s.lift[j - 1] > EQUAL_PART * s.lift[j]:
            j -= 1
        return float(s.end_s[j])

    def cooled_until(self, j: int) -> int:
        """Return the minute in which the cooling stopped whose last is seen in minute `j`: it fades once it has."""
        chill_k = self.s.chill_k
        while j > 0 and chill_k[j - 1] > FADES_PART * chill_k[j]:
            j -= 1
        return j

    def has_scale(self, k: int) -> bool:
        """Return whether a cylinder stands on a scale that works."""
        return bool(self.s.on_scale[k])

    def came_to_air(self, k: int, since_s: float) -> float:
        """Return when since then gas was let in or out, up to the air's pressure around minute `k` [s].

        Infinite where pressure came there no quicker than it went all the time, as vapour from oil comes.
        """
        s = self.s
        first = int(np.searchsorted(s.begin_s, since_s))
        p = s.calm_pa[first : k + 1]
        if len(p) < 3:
            return np.inf
        towards = np.sign(s.barometer_pa[k] - p[0]) * np.nan_to_num(np.diff(p))
        usual = max(float(np.median(towards)), s.step_pa[k], 0.003 * s.barometer_pa[k])
        i = int(np.argmax(towards))
        if towards[i] < QUICK * usual:
            return np.inf
        least = max(towards[i] / QUICK, 1.5 * usual)
        while i > 0 and towards[i - 1] > least:
            i -= 1
        return float(s.end_s[first + i])

    def pulled_from(self, k: int, least: int = 0) -> int:
        """Return the minute in which pressure left the air's, or stopped standing, on its way down to minute `k`.

        It is not before minute `least`.
        """
        s = self.s
        j = k
        while j > least and s.pressure_pa[j] < 0.88 * s.barometer_pa[j]:
            first = s.back(j, 15)
            before = s.pressure_pa[first:j]
            if not len(before) or np.isnan(before).all() or not np.nanmax(before) > 1.01 * s.pressure_pa[j]:
                break
            above = min(0.98 * np.nanmax(before), 0.88 * s.barometer_pa[j])
            j = first + int(np.flatnonzero(before >= above)[-1])
        return max(self.departure(j, -1.0, most_pa=float(s.barometer_pa[j])), least)

    def may_hide_vacuum(self, k: int) -> bool:
        """Return whether in the hour before minute `k` a gauge stood at the air's pressure, where it may end."""
        return bool(self.s.at_end[self.s.back(k, 60) : k + 1].any())

    def seen_rising(self, since_s: float, k: int) -> float:
        """Return when since then pressure was first seen to rise [s].

        A probe taken off leaves a gauge that ends at the air's pressure alone with the vacuum, and it shows neither.
        """
        s = self.s
        first = int(np.searchsorted(s.begin_s, since_s))
        tells = np.flatnonzero(~s.at_end[first : k + 1] | s.probe[first : k + 1])
        j = first + int(tells[0]) if len(tells) else k
        return max(since_s, float(s.end_s[j - 1])) if j > first else since_s

    def left_vacuum(self, k: int) -> float:
        """Return when pressure left a vacuum last before minute `k`, infinite where it did not [s]."""
        low = np.flatnonzero(self.s.pressure_pa[: k + 1] < VACUUM_PA)
        return float(self.s.end_s[low[-1]]) if len(low) else np.inf

    def shut_off(self, first: int, k: int) -> int | None:
        """Return the minute in which a vacuum that rose until minute `k` was shut off from its pump, None if not seen.

        What is pumped falls or stands; what is shut off rises, by what the walls give off, a leak or a warm morning.
        """
        s = self.s
        blind = np.flatnonzero(~s.probe[first : k + 1])
        first += int(blind[-1]) + 1 if len(blind) else 0
        if k - first < STILL_MINUTES:
            return None
        level = np.log(np.maximum(s.calm_pa[first : k + 1], 0.1))
        own = max(SHUT_PART, 1.75 * float(np.quantile(np.abs(np.diff(level, 2)), 0.75)))  # twice its deviation
        falls = np.flatnonzero(level > np.minimum.accumulate(level[::-1])[::-1] + own)
        still = int(falls[-1]) + 1 if len(falls) else 0
        above = level[still:] - level[still:].min()
        once, twice = (int(np.flatnonzero(above <= times * own)[-1]) for times in (1.0, 2.0))
        return first + still + max(2 * once - twice, 0) if once < len(above) - 1 else None  # it rises straight at first

    def out_of_sight(self, j: int, k: int) -> float:
        """Return when a pull began whose fall a probe saw only from minute `j` on: pressure falls exponentially [s].

        A pump takes the same volume in a minute at any pressure down to some millibar, towards where water boils or a
        leak holds it. It began after the last minute in which a gauge read and did not stand at the end of its scale.
        """
        s = self.s
        read = np.flatnonzero(s.seen[:j] & ~s.at_end[:j])
        least_s = float(s.end_s[read[-1]]) if len(read) else 0.0
        while j < k and not s.seen[j]:
            j += 1
        seen = s.pressure_pa[j : k + 1]
        high = np.flatnonzero(seen >= seen[0] / 1.4)
        last = max(int(high[-1]) if len(high) else 0, 1)
        if last >= len(seen) or not seen[last] < 0.95 * seen[0]:
            return float(s.begin_s[j])
        lag_s, floor_pa = (s.end_s[j + last] - s.end_s[j]) / np.log(seen[0] / seen[last]), 0.0
        half = last // 2
        fell, then = seen[0] - seen[half], seen[half] - seen[2 * half]
        towards_pa = seen[2 * half] - then**2 / (fell - then) if 0.0 < then < fell else 0.0
        if towards_pa > 0.0:  # it slows down
            lag_s, floor_pa = (s.end_s[j + half] - s.end_s[j]) / np.log(fell / then), towards_pa
        return max(least_s, float(s.end_s[j] - lag_s * np.log((s.barometer_pa[j] - floor_pa) / (seen[0] - floor_pa))))
