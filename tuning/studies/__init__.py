"""A search that can be stopped, resumed and shared: places to try, storage, workers."""

from __future__ import annotations

from tuning.studies.storage import open_storage
from tuning.studies.studies import Progress, open_study, run_search
from tuning.studies.study import Outcome, Study

__all__ = ["Outcome", "Progress", "Study", "open_storage", "open_study", "run_search"]
