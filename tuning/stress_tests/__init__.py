"""A car with its settings put through a matrix of cases."""

from __future__ import annotations

from tuning.stress_tests.limits import Check, stress_limits
from tuning.stress_tests.stressing import Case, Stress, stress
from tuning.stress_tests.suites import is_fitted, not_fitted

__all__ = ["Case", "Check", "Stress", "is_fitted", "not_fitted", "stress", "stress_limits"]
