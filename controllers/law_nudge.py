"""Law ``nudge``: a fixed number of steps toward the target at each update."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from controllers.law import Law, LinearPart

if TYPE_CHECKING:
    from controllers.settings import Feedback

CODE = 3.0
SLOWEST_rpm = 25.0
"""Error at which a nudge is as quick as an integral gain, where the deadband is smaller [rpm]."""
LONGEST_UPDATE_ms, SHORTEST_UPDATE_ms = 10_000.0, 1.0


def nudge_steps(error_rpm: float, nudge: float) -> float:
    """Steps to add to the integral at this update, positive opens [steps].

    Semantics: outside the deadband the integral grows by ``nudge`` steps toward the target and is clamped to
    the trim limits; trim = integral. Gains are not used. Source: common practice, no source.
    """
    if error_rpm > 0.0:
        return nudge
    if error_rpm < 0.0:
        return -nudge
    return 0.0


def as_integral(feedback: Feedback) -> LinearPart:
    """Integral gain that moves as fast at an error of the deadband (25 rpm if that is less).

    More than that outside, which is what a describing function of a relay says too. Source: the equivalent is
    our own.
    """
    error_rpm = max(feedback.deadband_rpm, SLOWEST_rpm)
    per_s = 1000.0 * feedback.nudge_steps / feedback.update_period_ms
    return LinearPart(0.0, 100.0 * per_s / error_rpm)


def whole_nudges_steps(feedback: Feedback) -> int:
    """The whole nudges that make a minimum move [steps]."""
    nudge = feedback.nudge_steps
    return nudge * math.ceil(feedback.min_move_steps / nudge)


def slower(feedback: Feedback, share: float) -> dict[str, Any]:
    """Nudges so much more seldom."""
    period_ms = feedback.update_period_ms / max(share, 1.0e-3)
    return {"update_period_ms": min(LONGEST_UPDATE_ms, period_ms)}


def small_nudges(feedback: Feedback, parts: int) -> dict[str, Any]:
    """As many more nudges of one small step each."""
    period_ms = feedback.update_period_ms / (parts * feedback.nudge_steps)
    return {"nudge_steps": 1, "update_period_ms": max(SHORTEST_UPDATE_ms, period_ms)}


LAW = Law(
    "nudge", CODE, ("nudge_steps",), ("nudge_steps",), searched_unasked=True, linear=as_integral,
    tread_steps=whole_nudges_steps, eased=slower, finer=small_nudges,
)  # fmt: skip
