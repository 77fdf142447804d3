"""A car with its settings put through a matrix of cases."""

from __future__ import annotations

from tuning.stress_tests.limits import (
    Check,
)
from tuning.stress_tests.stressing import (
    Case,
    Stress,
    stress,
)

__all__ = [
    "Case",
    "Check",
    "Stress",
    "stress",
]
