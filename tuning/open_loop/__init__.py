"""Proposals for the open-loop curves, from logs where there are any, else from the model."""

from __future__ import annotations

from tuning.open_loop.from_logs import LoggedBase, base_from_logs
from tuning.open_loop.from_model import BaseProposal, base_from_model

__all__ = ["BaseProposal", "LoggedBase", "base_from_logs", "base_from_model"]
