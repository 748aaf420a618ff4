"""The rows of a log in memory for the trends, and their thinning to what a screen can show."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

FIRST_ROWS = 4_096
GAP_STEPS = 8.0
GAP_S = 90.0
"""A line is broken where readings are further apart than this many usual steps, and than this time."""


class ColumnsStore:
    """Rows of numbers that only grow: `at` seconds since 1970, one column a channel, NaN where blank."""

    def __init__(self, channels: Sequence[str] = ()) -> None:
        self.channels = list(channels)
        self._count = 0
        self._at = np.empty(FIRST_ROWS)
        self._values = np.empty((len(self.channels), FIRST_ROWS))

    def __len__(self) -> int:
        return self._count

    @property
    def at(self) -> np.ndarray:
        """Times of the rows, shape (n,)."""
        return self._at[: self._count]

    def values(self, channel: str) -> np.ndarray:
        """Readings of a channel, shape (n,)."""
        return self._values[self.channels.index(channel), : self._count]

    def add(self, rows: Sequence[tuple[float, Sequence[float]]]) -> None:
        """Add rows at the end; those that do not rise in time are left out, as the review does."""
        rising, last = [], self._at[self._count - 1] if self._count else -np.inf
        for row in rows:
            if row[0] > last:
                rising.append(row)
                last = row[0]
        if not rising:
            return
        need = self._count + len(rising)
        if need > len(self._at):
            room = max(need, 2 * len(self._at)) - len(self._at)
            self._at = np.pad(self._at, (0, room))
            self._values = np.pad(self._values, ((0, 0), (0, room)))
        self._at[self._count : need] = [row[0] for row in rising]
        if self.channels:
            self._values[:, self._count : need] = np.array([row[1] for row in rising], dtype=float).T
        self._count = need

    def still(self, channel: str, since: float) -> bool:
        """Return whether a channel has shown one and the same number from a time on (seconds since 1970)."""
        values = self.values(channel)[int(np.searchsorted(self.at, since)) :]
        known = values[np.isfinite(values)]
        return len(known) > 0 and bool(np.ptp(known) == 0.0)

    def line(self, channel: str, begin: float, most: int) -> list[list[float | None]]:
        """Return [milliseconds, value] pairs from `begin` on, about `most` at most, None where the line is broken."""
        first = int(np.searchsorted(self.at, begin))
        at, values = self.at[first:], self.values(channel)[first:]
        known = np.isfinite(values)
        return broken_line(*thin(at[known], values[known], most))


def thin(at: np.ndarray, values: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Return about `most` points, the lowest and the highest of every bin of equal count, in time order.

    `at`, `values`: shape (n,), without NaN; what is shorter than `most` comes back as it is.
    """
    count = len(values)
    if count <= most:
        return at, values
    size = -(-count // max(most // 2, 1))
    bins = -(-count // size)
    padded = np.full(bins * size, np.nan)
    padded[:count] = values
    table = padded.reshape(bins, size)
    start = np.arange(bins) * size
    kept = np.unique(
        np.concatenate([start + np.nanargmin(table, axis=1), start + np.nanargmax(table, axis=1), [0, count - 1]])
    )
    return at[kept], values[kept]


def broken_line(at: np.ndarray, values: np.ndarray) -> list[list[float | None]]:
    """Return [milliseconds, value] pairs with a None where nothing was read for long."""
    if len(at) == 0:
        return []
    steps = np.diff(at)
    limit = max(GAP_STEPS * float(np.median(steps)), GAP_S) if len(steps) else GAP_S
    line: list[list[float | None]] = []
    for i, (time, value) in enumerate(zip((at * 1e3).round().tolist(), values.tolist(), strict=True)):
        if i and steps[i - 1] > limit:
            line.append([time - 1.0, None])
        line.append([time, float(f"{value:.6g}")])
    return line
