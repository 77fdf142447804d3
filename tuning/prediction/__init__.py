"""What is to be expected on the car, and how it compares with what was recorded."""

from __future__ import annotations

from tuning.prediction.comparing import compare
from tuning.prediction.expected import Expectation, Expected, expect
from tuning.prediction.result import Comparison

__all__ = ["Comparison", "Expectation", "Expected", "compare", "expect"]
