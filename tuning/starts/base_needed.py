"""What a start tells of the base curve: trim that feedback held, and where it did not act."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tuning.notes import Note, Told

if TYPE_CHECKING:
    from sim import Car, Trace

BIN_degC = 10.0
LIKE_UNLOADED_W = 5.0
FAR_rpm, FAR_s = 250.0, 10.0
"""A speed so far off for so long, with feedback not acting, is the base curve's doing; ours."""


@dataclass(frozen=True)
class BaseError(Told):
    """Trim that feedback held over a stretch of temperature while warming up."""

    from_degC: float
    to_degC: float
    trim_steps: float
    at_limit: bool

    def told(self) -> Note:
        """Tell it: a line."""
        return Note(
            "starts.base_error", from_degC=self.from_degC, to_degC=self.to_degC,
            at_limit=self.at_limit, by_steps=abs(self.trim_steps), low=self.trim_steps > 0,
        )  # fmt: skip


@dataclass(frozen=True)
class OutOfReach(Told):
    """Temperatures at which feedback did not act, as speed was too far off."""

    from_degC: float
    to_degC: float
    off_rpm: float

    def told(self) -> Note:
        """Tell where, and how far speed was off."""
        return Note(
            "starts.out_of_reach", from_degC=self.from_degC, to_degC=self.to_degC,
            off_rpm=abs(self.off_rpm), above=self.off_rpm > 0.0,
        )  # fmt: skip


def base_errors(trace: Trace, car: Car, used: Any) -> tuple[BaseError, ...]:
    """Mean trim by sensed temperature where feedback acted for long and nothing was switched on."""
    sensed, trim, load_W = (trace[n] for n in ("coolant_sensed_degC", "trim_steps", "load_W"))
    if used.any():
        used = used & (load_W <= float(np.min(load_W[used])) + LIKE_UNLOADED_W)
    low_steps, high_steps = car.feedback.trim_limit_steps
    limited = (trim <= low_steps) | (trim >= high_steps)
    span = np.diff(trace.time_s, append=trace.duration_s)
    found = []
    for low in np.arange(-40.0, 130.0, BIN_degC):
        here = used & (sensed >= low) & (sensed < low + BIN_degC)
        if np.sum(span[here]) > 5.0:
            mean = float(np.average(trim[here], weights=span[here]))
            at_limit = bool(np.average(limited[here], weights=span[here]) > 0.5)
            found.append(BaseError(float(low), float(low + BIN_degC), mean, at_limit))
    return tuple(found)


def out_of_reach(trace: Trace, idle: Any) -> OutOfReach | None:
    """Temperatures at which the running engine stood far off its target without feedback."""
    error = trace["rpm"] - trace["target_rpm"]
    far = idle & (trace["running"] > 0.5) & (np.abs(error) > FAR_rpm)
    span = np.diff(trace.time_s, append=trace.duration_s)
    if np.sum(span[far]) < FAR_s:
        return None
    sensed = trace["coolant_sensed_degC"][far]
    mean = float(np.average(error[far], weights=span[far]))
    return OutOfReach(float(np.min(sensed)), float(np.max(sensed)), mean)
