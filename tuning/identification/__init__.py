"""The model fitted to recorded logs, with intervals and a verdict."""

from __future__ import annotations

from tuning.identification.fitting import fit
from tuning.identification.recording_guide import recording_plan
from tuning.identification.result import Curve, Fit, Fitted

__all__ = ["Curve", "Fit", "Fitted", "fit", "recording_plan"]
