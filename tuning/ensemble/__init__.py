"""Plausible variations of a car, the drives they are put through, and their runs."""

from __future__ import annotations

from tuning.ensemble.drives import (
    ANSWER,
    HIGH,
    LOW,
    BASE_ERROR_steps,
    EVERYTHING_W_per_l,
    LAMPS_W_per_l,
    LOAD_SPAN_s,
    starting_phases,
)
from tuning.ensemble.known_idle import LARGEST_SHARE, held_swing_rpm, share_for_swing
from tuning.ensemble.plausible import (
    CARS_SHARE,
    SEARCH,
    SELECTION,
    STRESS,
    VERDICT,
    Plausible,
    is_acceptable,
    noise_seeds,
    plausible_cars,
)
from tuning.ensemble.runs import Runs, Samples, kept_samples, known_mean, picked
from tuning.ensemble.trial_runs import TrialRuns, measured

__all__ = [
    "ANSWER", "CARS_SHARE", "HIGH", "LARGEST_SHARE", "LOW", "SEARCH", "SELECTION", "STRESS", "VERDICT",
    "BASE_ERROR_steps", "EVERYTHING_W_per_l", "LAMPS_W_per_l", "LOAD_SPAN_s", "Plausible", "Runs",
    "Samples", "TrialRuns", "held_swing_rpm", "is_acceptable", "kept_samples", "known_mean", "measured",
    "noise_seeds", "picked", "plausible_cars", "share_for_swing", "starting_phases",
]  # fmt: skip
