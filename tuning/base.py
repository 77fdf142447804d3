"""Proposals for the open-loop curves: from logs where there are any, else from the model."""

from __future__ import annotations

from tuning.base_curve import BasePoint, LoggedBase, base_from_logs
from tuning.base_model import BaseProposal, base_from_model
from tuning.base_search import StartTargets

__all__ = [
    "BasePoint",
    "BaseProposal",
    "LoggedBase",
    "StartTargets",
    "base_from_logs",
    "base_from_model",
]
