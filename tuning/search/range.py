"""The range of one thing that a search varies, and places within it."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Range:
    """Range of one thing that is varied, in its unit; ``log``: proposed evenly over its logarithm."""

    low: float
    high: float
    log: bool = False
    whole: bool = False

    def at(self, place: float) -> float:
        """The value at a place [any]."""
        place = min(max(place, 0.0), 1.0)
        if self.whole:
            return float(min(math.floor(self.low + place * (self.high - self.low + 1)), self.high))
        if self.log:
            return float(self.low * (self.high / self.low) ** place)
        return float(self.low + place * (self.high - self.low))

    def place(self, value: float) -> float:
        """Where a value lies between low and high, such that ``at`` gives it back [-]."""
        value = min(max(value, self.low), self.high)
        if self.high <= self.low:
            return 0.0
        if self.whole:
            return (value - self.low + 0.5) / (self.high - self.low + 1.0)
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)
