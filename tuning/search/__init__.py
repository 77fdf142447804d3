"""The search for feedback settings over plausible variations of a car."""

from __future__ import annotations

from tuning.search.compared import not_acceptable
from tuning.search.entry_form import to_entry
from tuning.search.objective import acceptances
from tuning.search.predicted import Prediction, predict
from tuning.search.reasons import Instead, Reason
from tuning.search.searching import tune
from tuning.search.so_far import SoFar, Watch, judged
from tuning.search.tuned import Tuning, non_dominated

__all__ = [
    "Instead", "Prediction", "Reason", "SoFar", "Tuning", "Watch", "acceptances", "judged",
    "non_dominated", "not_acceptable", "predict", "to_entry", "tune",
]  # fmt: skip
