"""How long something waits from one step of its display to the next, and what that says of where it goes."""

from __future__ import annotations

import numpy as np

LAST_WAITS = 1.6
"""What comes to rest waits so many times as long for its last step as for those before: 1.7 times where it goes as an
exponential does that ends one step further on."""


def slowed(waits: np.ndarray) -> bool:
    """Return whether the last wait was longer than those before it, as where a level comes to rest; shape (n,)."""
    return len(waits) > 1 and bool(waits[-1] > LAST_WAITS * np.median(waits[:-1]))
