"""Stamps that do not rise from row to row: shared by several rows, going back, or far ahead of all that follow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.bins import Runs
from analysis.clock import HOUR_US, NOT_A_TIME, SECOND_US

AHEAD_US = HOUR_US
NEARLY_ALL = 0.9
FOLLOWED = 3
"""Rows that come further ahead of those before than this are believed once so many follow each other."""


@dataclass(frozen=True)
class Order:
    """Which rows are kept; how many had no time, went back or repeated a stamp, or lay ahead of all that followed.

    `waits` counts last rows that lie far ahead and that too few have followed yet.
    """

    kept: np.ndarray
    timeless: int = 0
    backward: int = 0
    ahead: int = 0
    waits: int = 0


def spread(stamps_us: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return the stamps with rows that share one spread evenly up to the next; how many share it, and its step [s].

    Loggers that write whole minutes, or whole seconds, of rows that come faster. Stamps that seldom repeat are
    returned as they are, with 1 row and a step of 0. The first stamp's rows may have begun late in its step.
    """
    if len(stamps_us) < 2:
        return stamps_us, 1.0, 0.0
    runs = Runs(stamps_us)
    begins, sizes = runs.first, runs.count
    steps = np.diff(stamps_us[begins])
    steps = steps[(steps > 0) & (stamps_us[begins[:-1]] != NOT_A_TIME)]
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
    return bool(np.count_nonzero(steps < 0) > NEARLY_ALL * len(steps)) and len(steps) >= FOLLOWED


def in_order(stamps_us: np.ndarray) -> Order:
    """Return the rows whose stamps rise; those far ahead of all that follow are left out."""
    known = stamps_us != NOT_A_TIME
    timeless = int(np.count_nonzero(~known))
    before = np.maximum.accumulate(np.concatenate([[NOT_A_TIME], stamps_us]))[:-1]
    kept = stamps_us > before
    first = before == NOT_A_TIME
    jumps = kept & ~first & (stamps_us - np.where(first, stamps_us, before) > AHEAD_US)
    begins_ahead = _begins_ahead(stamps_us[known][:FOLLOWED])
    if not jumps.any() and not begins_ahead:
        return Order(kept, timeless, int(np.count_nonzero(known & ~kept)))
    return _one_by_one(stamps_us.tolist(), timeless, begins_ahead)


def _begins_ahead(first_us: np.ndarray) -> bool:
    """Return whether the very first stamp lies far ahead of those that follow it."""
    return len(first_us) == FOLLOWED and bool((first_us[0] - first_us[1:] > AHEAD_US).all())


def _one_by_one(stamps_us: list[int], timeless: int, begins_ahead: bool) -> Order:
    kept = np.zeros(len(stamps_us), dtype=bool)
    backward, ahead = 0, int(begins_ahead)
    last = None
    doubted: list[int] = []  # rows far ahead of the last one that is kept, rising
    for row, at in enumerate(stamps_us):
        if at == NOT_A_TIME:
            continue
        if last is None:
            if begins_ahead:
                begins_ahead = False
            else:
                kept[row], last = True, at
            continue
        if at <= last:
            backward += 1
            continue
        while doubted and stamps_us[doubted[-1]] > at:
            ahead += 1
            doubted.pop()
        if doubted and stamps_us[doubted[-1]] == at:
            backward += 1
        elif doubted or at - last > AHEAD_US:
            doubted.append(row)
            newest = [stamps_us[one] for one in doubted[-FOLLOWED:]]
            if len(newest) == FOLLOWED and max(np.diff(newest)) <= AHEAD_US:
                kept[doubted], last, doubted = True, at, []
        else:
            kept[row], last = True, at
    return Order(kept, timeless, backward, ahead, len(doubted))
