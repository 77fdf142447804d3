"""Plausible variations of a car, the drives they are put through, and their runs."""

from __future__ import annotations

from tuning.ensemble.drives import (
    BASE_ERROR_steps,
    EVERYTHING_W_per_l,
    search_drives,
    starting_phases,
)
from tuning.ensemble.held_swing import (
    LARGEST_SHARE,
    held_swing_rpm,
    share_for_swing,
)
from tuning.ensemble.known_idle import (
    WARM_degC,
    warm_base_steps,
)
from tuning.ensemble.plausible import (
    SEARCH,
    SELECTION,
    STRESS,
    VERDICT,
    Plausible,
    noise_seeds,
    plausible_cars,
)
from tuning.ensemble.runs import (
    Runs,
    Samples,
    TrialRuns,
    kept_samples,
    known_mean,
    measured,
    picked,
)

__all__ = [
    "LARGEST_SHARE",
    "SEARCH",
    "SELECTION",
    "STRESS",
    "VERDICT",
    "BASE_ERROR_steps",
    "EVERYTHING_W_per_l",
    "Plausible",
    "Runs",
    "Samples",
    "TrialRuns",
    "WARM_degC",
    "held_swing_rpm",
    "kept_samples",
    "known_mean",
    "measured",
    "noise_seeds",
    "picked",
    "plausible_cars",
    "search_drives",
    "share_for_swing",
    "starting_phases",
    "warm_base_steps",
]
