"""What is to be expected on the car, and how it compares with what was recorded."""

from __future__ import annotations

from tuning.prediction.comparing import Comparison, compare
from tuning.prediction.expected import Expectation, Expected, expect

__all__ = ["Comparison", "Expectation", "Expected", "compare", "expect"]
