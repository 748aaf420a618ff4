"""Stamps that do not rise from row to row: shared by several rows, going back, or far ahead of all that follow.

Rows that go back are a block exported twice when they show what was read at those stamps. When they show something
else, and go on as regularly as before, the clock was put back: their stamps go on from where it stood.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from analysis.bins import Runs
from analysis.log.clock import HOUR_US, NOT_A_TIME, SECOND_US

AHEAD_US = HOUR_US
NEARLY_ALL = 0.9
FOLLOWED = 3
"""Rows that come further ahead of those before than this are believed once so many follow each other."""
REGULAR = 5.0
"""Rows go on where the next comes within so many usual intervals, and no sooner than that part of one."""
LAST_STEPS = 21
NEAR_US = 120 * SECOND_US
"""A journal tells of a step of the clock within two minutes of it."""


@dataclass(frozen=True)
class PutBack:
    """A clock put back by `by_us`: so much is added to what it wrote, from `first_us` until it is past `until_us`."""

    first_us: int
    by_us: int
    until_us: float = np.inf


@dataclass(frozen=True)
class Order:
    """Which rows are kept; how many had no time, went back or repeated a stamp, or lay ahead of all that followed.

    `stamps_us` are the stamps, those of a clock that was put back going on from where it stood. `waits` counts last
    rows that lie far ahead and that too few have followed yet.
    """

    stamps_us: np.ndarray
    kept: np.ndarray
    timeless: int = 0
    backward: int = 0
    ahead: int = 0
    waits: int = 0
    put_back: tuple[PutBack, ...] = ()


def spread(stamps_us: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return the stamps with rows that share one spread evenly up to the next; how many share it, and its step [s].

    Loggers that write whole minutes, or whole seconds, of rows that come faster. Stamps that seldom repeat are
    returned as they are, with 1 row and a step of 0. The first stamp's rows may have begun late in its step.
    """
    if len(stamps_us) < 2:
        return stamps_us, 1.0, 0.0
    runs = Runs(stamps_us)
    begins, sizes = runs.first, runs.count
    at = stamps_us[begins]
    steps = np.diff(at)[(at[:-1] != NOT_A_TIME) & (at[1:] != NOT_A_TIME)]
    steps = steps[steps > 0]
    inner = sizes[1:-1] if len(sizes) > 2 else sizes
    usual = float(np.median(inner))
    if usual < 2.0 or not len(steps):
        return stamps_us, 1.0, 0.0
    step_us = float(np.median(steps))
    places = sizes.astype(float)
    places[[0, -1]] = np.maximum(places[[0, -1]], usual)
    number = np.arange(len(stamps_us)) - np.repeat(begins, sizes)
    number[: sizes[0]] += max(round(usual) - int(sizes[0]), 0)
    known = stamps_us != NOT_A_TIME
    apart = np.round(number * step_us / np.repeat(places, sizes)).astype(np.int64)
    return np.where(known, stamps_us + np.where(known, apart, 0), stamps_us), usual, step_us / SECOND_US


def newest_first(stamps_us: np.ndarray) -> bool:
    """Return whether nearly all rows lie before the row above them: the log was exported with its end on top."""
    steps = np.diff(stamps_us[stamps_us != NOT_A_TIME])
    steps = steps[steps != 0]
    return bool(np.count_nonzero(steps < 0) > NEARLY_ALL * len(steps)) and len(steps) >= FOLLOWED


def in_order(
    stamps_us: np.ndarray, differ: Callable[[int, int], bool] = lambda row, other: False, sharing: int = 1
) -> Order:
    """Return the rows whose stamps rise; those far ahead of all that follow are left out.

    `differ` says whether two rows show different numbers; `sharing` rows had one stamp and may have been spread apart.
    """
    known = stamps_us != NOT_A_TIME
    timeless = int(np.count_nonzero(~known))
    before = np.maximum.accumulate(np.concatenate([[NOT_A_TIME], stamps_us]))[:-1]
    kept = stamps_us > before
    first = before == NOT_A_TIME
    jumps = kept & ~first & (stamps_us - np.where(first, stamps_us, before) > AHEAD_US)
    begins_ahead = _begins_ahead(stamps_us[known][:FOLLOWED])
    backward = known & ~kept
    if not jumps.any() and not begins_ahead and not (sharing > 1 and backward.any()) and not _fall_back(backward):
        return Order(stamps_us, kept, timeless, int(np.count_nonzero(backward)))
    odd = np.flatnonzero(~kept | jumps)
    return _OneByOne(stamps_us, before, odd, differ, FOLLOWED + sharing - 1).order(timeless, begins_ahead)


def _fall_back(backward: np.ndarray) -> bool:
    """Return whether so many rows in a row go back that the clock may have been put back."""
    some = sliding_window_view(backward, FOLLOWED) if len(backward) >= FOLLOWED else backward[:0, None]
    return bool(some.all(axis=1).any())


def _begins_ahead(first_us: np.ndarray) -> bool:
    """Return whether the very first stamp lies far ahead of those that follow it."""
    return len(first_us) == FOLLOWED and bool((first_us[0] - first_us[1:] > AHEAD_US).all())


class _OneByOne:
    """Goes through the rows in their order; decides on each from those before it.

    `before_us` is the latest stamp before each row, `odd` the rows that do not simply come next after that.
    """

    def __init__(
        self,
        stamps_us: np.ndarray,
        before_us: np.ndarray,
        odd: np.ndarray,
        differ: Callable[[int, int], bool],
        followed: int,
    ) -> None:
        self.stamps = array("q", stamps_us.astype(np.int64).tobytes())  # a long log in a list is four times as large
        self.before, self.odd = before_us, odd
        self.differ = differ
        self.followed = followed
        self.rows = array("q")  # those kept, and their stamps
        self.held = array("q")
        self.put_back: list[PutBack] = []
        self.shift = 0
        self.fallen: list[int] = []  # rows since the stamps went back, going on regularly
        self.new = 0  # how many of them, up to the last, show something else than was read at their stamps
        self.doubted: list[int] = []  # rows far ahead of the last one that is kept, rising
        self.backward = self.ahead = 0  # how many were left out for either

    def order(self, timeless: int, begins_ahead: bool) -> Order:
        """Return what is kept; `timeless` rows have no stamp, and a first one that `begins_ahead` is left out."""
        self.ahead = int(begins_ahead)
        row = -1
        while row + 1 < len(self.stamps):
            row += 1
            if not (self.shift or self.fallen or self.doubted or begins_ahead):
                row = self._keep_to_the_next_odd(row)
                if row == len(self.stamps):
                    break
            if self.stamps[row] == NOT_A_TIME:
                continue
            if begins_ahead:
                begins_ahead = False
            elif not self.held:
                self._keep(row)
            else:
                self._after_others(row)
        kept = np.zeros(len(self.stamps), dtype=bool)
        kept[np.array(self.rows)] = True
        told = np.array(self.stamps, dtype=np.int64)
        return Order(told, kept, timeless, self.backward, self.ahead, len(self.doubted), tuple(self.put_back))

    def _after_others(self, row: int) -> None:
        """Decide on a row by the last one that is kept: it goes back, lies far ahead, or simply follows."""
        last = self.held[-1]
        if self.shift and self.stamps[row] > last:  # the clock has come back to where it was: it goes on as it is
            self.put_back[-1] = replace(self.put_back[-1], until_us=last)
            self.shift = 0
        self.stamps[row] += self.shift
        at = self.stamps[row]
        if at <= last:
            self._went_back(row)
            return
        self.fallen = []
        while self.doubted and self.stamps[self.doubted[-1]] > at:
            self.ahead += 1
            self.doubted.pop()
        if self.doubted and self.stamps[self.doubted[-1]] == at:
            self.backward += 1
        elif self.doubted or at - last > AHEAD_US:
            self._doubt(row)
        else:
            self._keep(row)

    def _went_back(self, row: int) -> None:
        """Leave a row out; once enough such rows say that the clock was put back, all of them go on from the last."""
        self.backward += 1
        if self._goes_on(row):
            self.backward -= len(self.fallen)
            self.ahead += len(self.doubted)
            self.doubted = []
            self._put_on()

    def _doubt(self, row: int) -> None:
        """Let a row far ahead wait; once enough follow each other there, all of them are kept."""
        self.doubted.append(row)
        newest = [self.stamps[one] for one in self.doubted[-FOLLOWED:]]
        if len(newest) == FOLLOWED and max(np.diff(newest)) <= AHEAD_US:
            for one in self.doubted:
                self._keep(one)
            self.doubted = []

    def _keep_to_the_next_odd(self, row: int) -> int:
        """Keep the rows that simply come one after the other; return the first other one."""
        if not self.held or self.held[-1] != self.before[row]:
            return row
        place = int(np.searchsorted(self.odd, row))
        end = int(self.odd[place]) if place < len(self.odd) else len(self.stamps)
        self.rows.extend(range(row, end))
        self.held.extend(self.stamps[row:end])
        return end

    def _keep(self, row: int) -> None:
        self.rows.append(row)
        self.held.append(self.stamps[row])

    def _usual(self) -> float:
        return float(np.median(np.diff(self.held[-LAST_STEPS:]))) if len(self.held) > 1 else 0.0

    def _goes_on(self, row: int) -> bool:
        """Return whether enough rows have come since the stamps went back to say that the clock was put back."""
        at, usual = self.stamps[row], self._usual()
        step = at - self.stamps[self.fallen[-1]] if self.fallen else usual
        if not usual <= REGULAR * step <= REGULAR**2 * usual:
            self.fallen = []
        place = bisect_left(self.held, at)
        covered = place > 0 and self.held[place] - self.held[place - 1] <= REGULAR * usual  # else a row may come late
        new = covered and all(self.differ(row, self.rows[each]) for each in (place - 1, place))
        self.new = self.new * bool(self.fallen) + 1 if new else 0
        self.fallen.append(row)
        return self.new >= self.followed

    def _put_on(self) -> None:
        """Let the stamps of the fallen rows go on from the last one."""
        first = self.stamps[self.fallen[0]]
        by = self.held[-1] + round(self._usual()) - first
        self.put_back.append(PutBack(first - self.shift, self.shift + by))
        self.shift += by
        for row in self.fallen:
            self.stamps[row] += by
            self._keep(row)
        self.fallen = []


def journal_put_on(
    times_us: Sequence[int], tells: Sequence[bool], put_back: Sequence[PutBack], one_clock: bool
) -> list[int]:
    """Return the times of a journal, in its order, moved as those of a log whose clock was put back.

    Only where it was kept by that clock: it is `one_clock`, or the journal `tells` of the step, or goes back itself.
    A time that came twice is the second one where the order of the entries says so.
    """
    moved: list[int] = []
    left, now, before = list(put_back), PutBack(0, 0), -np.inf
    told = [at for at, one in zip(times_us, tells, strict=True) if one]
    for at, one in zip(times_us, tells, strict=True):
        if at > now.until_us:
            now = PutBack(0, 0)
        if left:
            first, by = left[0].first_us, left[0].by_us - now.by_us
            known = one_clock or any(min(abs(each - first), abs(each - first - by)) < NEAR_US for each in told)
            passed = known and (at > first + by + NEAR_US or (one and at > first - NEAR_US))
            if passed or (at > first - NEAR_US and before - at > by / 2):
                now, before = left.pop(0), -np.inf
        second = not one or at < now.first_us + now.by_us / 2  # the entry of the step itself may have the old time
        moved.append(at + now.by_us * second)
        before = max(before, at if second else -np.inf)
    return moved
