"""What is measured on a run or a log; the one rule of hunting is here."""

from __future__ import annotations

from tuning.measures.hunting_rule import (
    CANNOT_TELL,
    DOES_NOT_HUNT,
    FEWEST_HALF_SWINGS,
    HUNTS,
    RULED_BY,
    HuntingChance,
    SMALLEST_HUNTING_rpm,
    chance_over,
    hunts,
    races,
    regular_swing,
    run_answer,
    run_note,
)
from tuning.measures.measuring import measure, measure_runs, resample_hold, stalled_at
from tuning.measures.row import COLUMN, MEASURES, RUNNING_SHARE, Measures, START_TOLERANCE_rpm
from tuning.measures.scan import SMOOTHED_s, whole_samples
from tuning.measures.terms import TERMS, answer_terms, below_target_rpm, rest_terms, score_terms
from tuning.measures.windows import TOLERANCE_rpm

__all__ = [
    "CANNOT_TELL", "COLUMN", "DOES_NOT_HUNT", "FEWEST_HALF_SWINGS", "HUNTS", "MEASURES", "RULED_BY",
    "RUNNING_SHARE", "TERMS", "HuntingChance", "Measures", "SMALLEST_HUNTING_rpm", "SMOOTHED_s",
    "START_TOLERANCE_rpm", "TOLERANCE_rpm", "answer_terms", "below_target_rpm", "chance_over", "hunts",
    "measure", "measure_runs", "races", "regular_swing", "resample_hold", "rest_terms", "run_answer",
    "run_note", "score_terms", "stalled_at", "whole_samples",
]  # fmt: skip
