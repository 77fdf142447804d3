"""What a log alone tells: hunting or not, and what drives it."""

from __future__ import annotations

from tuning.diagnosis.diagnosing import Diagnosis, diagnose

__all__ = ["Diagnosis", "diagnose"]
