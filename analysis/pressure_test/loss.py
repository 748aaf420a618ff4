"""What is believed of the loss at a moment: a mixture of normal distributions and the fit behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.special import ndtr


@dataclass(frozen=True)
class Coefficients:
    """What the fit says of the gas: kelvin of `transients`, and the weight of each lag."""

    transients: np.ndarray
    lags: np.ndarray


@dataclass(frozen=True)
class Loss:
    """The loss at a moment, kelvin of gas a minute: a mixture of normal distributions.

    `coefficients()`: settling, slow parts, lags (weights of `lagged_k`), worked out when asked for.
    """

    weights: np.ndarray
    means: np.ndarray
    deviations: np.ndarray
    coefficients: Callable[[], Coefficients]
    _intervals: dict[float, tuple[float, float]] = field(default_factory=dict, init=False, repr=False)

    @cached_property
    def mean(self) -> float:
        """Mean of the mixture, in the unit of `means`."""
        return float(self.weights @ self.means)

    @cached_property
    def deviation(self) -> float:
        """Standard deviation of the mixture."""
        return float(np.sqrt(self.weights @ (self.deviations**2 + (self.means - self.mean) ** 2)))

    def below(self, loss: float) -> float:
        """Return the probability that the loss is below a value."""
        return float(self.weights @ ndtr((loss - self.means) / self.deviations))

    def quantile(self, probability: float) -> float:
        """Return the loss that is not exceeded with a probability."""
        weights, means, deviations = self.weights, self.means, self.deviations
        low, high = float((means - 8.0 * deviations).min()), float((means + 8.0 * deviations).max())
        close = (high - low) * 2.0**-28
        loss = self.mean + 4.0 * (probability - 0.5) * self.deviation
        while high - low > close:  # Newton's way, halved where it would leave what is known to hold the answer
            z = (loss - means) / deviations
            over = float(weights @ ndtr(z)) - probability
            low, high = (low, loss) if over > 0.0 else (loss, high)
            slope = float(weights @ (np.exp(-0.5 * z**2) / deviations)) / np.sqrt(2.0 * np.pi)
            ahead = loss - over / slope if slope * (high - low) > abs(over) else low
            ahead = ahead if low < ahead < high else 0.5 * (low + high)
            if abs(ahead - loss) <= close:
                return ahead
            loss = ahead
        return loss

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the central interval that holds the loss with this probability."""
        if confidence not in self._intervals:  # one look is asked again and again
            ends = self.quantile(0.5 - 0.5 * confidence), self.quantile(0.5 + 0.5 * confidence)
            self._intervals[confidence] = ends
        return self._intervals[confidence]
