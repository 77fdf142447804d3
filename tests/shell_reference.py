"""The controller's semantics once more, in plain Python, for the tests to hold it against.

Written from the published contract of table [feedback] (and, for what the contract leaves to the
laws, from their docstrings); it shares no line with the product.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from controllers import Curves, Feedback

Curve = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class ControlledPlan:
    """What a controller needs of a car, without a car."""

    feedback: Feedback
    curves: Curves
    valve: ValveLimit


@dataclass(frozen=True)
class ValveLimit:
    """The one thing a controller knows of a valve."""

    open_limit_steps: float


def read_curve(curve: Curve, coolant_degC: float) -> float:
    """Straight lines between the points, held beyond both ends."""
    if coolant_degC <= curve[0][0]:
        return curve[0][1]
    for (low, before), (high, after) in pairwise(curve):
        if coolant_degC <= high:
            return before + (coolant_degC - low) / (high - low) * (after - before)
    return curve[-1][1]


def limited(value: float, low: float, high: float) -> float:
    """A value held within limits."""
    return min(max(value, low), high)


class ReferenceController:
    """One controller whose engine has run for long when it begins."""

    def __init__(self, plan: ControlledPlan) -> None:
        self.plan = plan
        self.integral = 0.0
        self.trim = 0.0
        self.last_rpm = 0.0
        self.commanded: float | None = None
        self.closed_s = -1e4
        self.was_closed = True

    def entry_steps(self, t_s: float, throttle_closed: bool) -> float:
        """Air added while the throttle is open and faded once it is closed."""
        feedback = self.plan.feedback
        if not throttle_closed:
            return feedback.entry_extra_steps
        left = max(1.0 - (t_s - self.closed_s) / feedback.entry_fade_s, 0.0)
        return feedback.entry_extra_steps * left

    def deadband(self) -> float:
        """Half-width; law pi_park rests within 1.1 times half a smallest move too."""
        feedback = self.plan.feedback
        if feedback.law != "pi_park":
            return feedback.deadband_rpm
        half_move = 1.1 * 0.5 * feedback.min_move_steps * feedback.rpm_per_step
        return max(feedback.deadband_rpm, half_move)

    def feedback_trim(self, target: float, rpm: float) -> float:
        """e, integral, law, limits."""
        feedback = self.plan.feedback
        low, high = feedback.trim_limit_steps
        period_s = round(feedback.update_period_ms * 1e6) / 1e9
        error = target - rpm if abs(target - rpm) > self.deadband() else 0.0
        if feedback.law == "nudge":
            growth = math.copysign(feedback.nudge_steps, error) if error else 0.0
            self.integral = limited(self.integral + growth, low, high)
            return self.integral
        growth = feedback.integral_steps_per_100rpm_s / 100.0 * error * period_s
        self.integral = limited(self.integral + growth, low, high)
        trim = feedback.gain_steps_per_100rpm / 100.0 * error + self.integral
        if feedback.law == "pid" and error:
            slope = feedback.derivative_steps_s_per_100rpm / 100.0
            trim -= slope * (rpm - self.last_rpm) / period_s
        return limited(trim, low, high)

    def update(self, t_s: float, rpm: float, coolant_degC: float, throttle_closed: bool) -> int:
        """One update at its own time; every call is one."""
        feedback, curves = self.plan.feedback, self.plan.curves
        open_limit = self.plan.valve.open_limit_steps
        base = read_curve(curves.base_steps, coolant_degC)
        target = read_curve(curves.target_rpm, coolant_degC)
        if self.commanded is None:
            first = base + self.entry_steps(t_s, True)
            self.commanded = limited(math.floor(first + 0.5), 0.0, open_limit)
        if throttle_closed and not self.was_closed:
            self.closed_s = t_s
        self.was_closed = throttle_closed
        enabled = (
            feedback.law != "none" and throttle_closed and rpm < target + feedback.enable_above_target_rpm
        )
        self.trim = self.feedback_trim(target, rpm) if enabled else self.integral
        self.last_rpm = rpm
        open_loop = base + self.entry_steps(t_s, throttle_closed)
        wanted = limited(math.floor(open_loop + self.trim + 0.5), 0.0, open_limit)
        if wanted != self.commanded and abs(wanted - self.commanded) >= feedback.min_move_steps:
            self.commanded = wanted
        return int(self.commanded)
