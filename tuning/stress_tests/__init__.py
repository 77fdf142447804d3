"""A car with its settings put through a matrix of cases."""

from __future__ import annotations

from tuning.stress_tests.limits import RACING_SHARE, Check, START_FLARE_rpm
from tuning.stress_tests.stressing import Case, Stress, stress
from tuning.stress_tests.suites import is_fitted, not_fitted

__all__ = ["RACING_SHARE", "Case", "Check", "START_FLARE_rpm", "Stress", "is_fitted", "not_fitted", "stress"]
