"""What a start shows: a valve that is not where it is counted, and trim that is the base curve's error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car, Trace
from tuning.notes import Note, Told

APART_steps = 0.5  # True and counted position differ if they are farther apart than this [steps].


@dataclass(frozen=True)
class HiddenOffset(Told):
    """What a homing that missed the seat does to the rest of the run."""

    steps: float
    left_steps: float
    from_s: float
    to_s: float
    trim_steps: float
    limited_share: float
    resting_share: float
    error_rpm: float
    closing_steps: float
    long_enough: bool

    def told(self) -> Note:
        """Tell it, with the remedy."""
        return Note(
            "starts.hidden_offset", steps=self.steps, left_steps=self.left_steps,
            after_min=(self.to_s - self.from_s) / 60.0, trim_steps=self.trim_steps,
            limited_percent=100.0 * self.limited_share,
            resting_percent=100.0 * self.resting_share, closing=self.closing_steps,
            error_rpm=self.error_rpm, long_enough=self.long_enough,
        )  # fmt: skip


@dataclass(frozen=True)
class Lost(Told):
    """A stretch in which the valve was not where it was counted."""

    from_s: float
    to_s: float
    low_steps: float
    high_steps: float

    def told(self, until_s: float) -> Note:
        """Tell it; ``until_s`` is when what is looked at was over [s]."""
        return Note(
            "starts.lost", from_s=self.from_s, to_s=self.to_s, mended=self.to_s < until_s,
            closed_steps=-self.low_steps, open_steps=self.high_steps, least_steps=APART_steps,
        )  # fmt: skip


def homing_rows(trace: Trace, crank_s: float) -> Any:
    """Rows of the last homing that began before the starter turned."""
    homing = trace["homing"] > 0.5
    begins = np.flatnonzero(homing & ~np.r_[False, homing[:-1]])
    begins = begins[trace.time_s[begins] <= crank_s]
    if not begins.size:
        return begins
    ends = np.flatnonzero(~homing[begins[-1] :])
    count = ends[0] if ends.size else homing.size - begins[-1]
    return np.arange(begins[-1], begins[-1] + count)


def lost_in(trace: Trace, rows: Any) -> Lost | None:
    """Find where the valve was not where it was counted, from the first such row looked at to the last.

    Parameters
    ----------
    trace, rows : Trace, ndarray of bool

    Returns
    -------
    Lost or None
    """
    off = np.where(rows, trace["shaft_steps"] - trace["believed_steps"], 0.0)
    apart = np.flatnonzero(np.abs(off) > APART_steps)
    if not apart.size:
        return None
    last = min(apart[-1] + 1, off.size - 1)
    low, high = float(np.min(off)), float(np.max(off))
    return Lost(float(trace.time_s[apart[0]]), float(trace.time_s[last]), low, high)


def hidden_offset(trace: Trace, car: Car, homed: int, since_s: float, until_s: float) -> HiddenOffset | None:
    """What a start shows of a homing that missed the seat."""
    off = trace["shaft_steps"] - trace["believed_steps"]
    later = (trace.time_s > since_s) & (trace.time_s < until_s) & (trace["running"] > 0.5)
    if off[homed] == 0.0 or not later.any():
        return None
    span = np.diff(trace.time_s, append=trace.duration_s)[later]
    acts, trim = trace["enabled"][later] > 0.5, trace["trim_steps"][later]
    low, high = car.feedback.trim_limit_steps
    limited = acts & ((trim <= low) | (trim >= high))
    farthest = max(car.valve.travel_steps, car.valve.open_limit_steps)
    return HiddenOffset(
        steps=float(off[homed]), left_steps=float(np.median(off[later])), from_s=since_s, to_s=until_s,
        trim_steps=float(np.average(trim[acts], weights=span[acts])) if acts.any() else 0.0,
        limited_share=float(np.average(limited, weights=span)),
        resting_share=float(np.average(~acts, weights=span)),
        error_rpm=float(np.average((trace["rpm"] - trace["target_rpm"])[later], weights=span)),
        closing_steps=float(np.min(trim[acts])) - low if acts.any() else 0.0,
        long_enough=car.valve.homing_steps > farthest,
    )  # fmt: skip


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
