"""What is measured on a run or a log; the one rule of hunting is here."""

from __future__ import annotations

from tuning.measures.hunting_rule import (
    ABOVE_FLOOR,
    hunts,
)
from tuning.measures.measuring import (
    COLUMN,
    MEASURES,
    Measures,
    is_hunting,
    measure,
    measure_runs,
    resample_hold,
    stalled_at,
)
from tuning.measures.row import (
    RUNNING_SHARE,
    START_TOLERANCE_rpm,
)
from tuning.measures.scan import (
    SMOOTHED_s,
    whole_samples,
)

__all__ = [
    "ABOVE_FLOOR",
    "COLUMN",
    "MEASURES",
    "RUNNING_SHARE",
    "Measures",
    "SMOOTHED_s",
    "START_TOLERANCE_rpm",
    "hunts",
    "is_hunting",
    "measure",
    "measure_runs",
    "resample_hold",
    "stalled_at",
    "whole_samples",
]
