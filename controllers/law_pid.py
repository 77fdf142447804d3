"""Law ``pid``: PI with derivative action on the measured speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controllers.law import GAINS, Law, LinearPart

if TYPE_CHECKING:
    from controllers.settings import Feedback

CODE = 2.0


def derivative_trim(
    error_rpm: float, change_rpm: float, derivative_steps_s_per_rpm: float, period_s: float
) -> float:
    """Derivative part of the trim, positive opens [steps].

    Semantics: outside the deadband, minus derivative times the change of measured rpm since the last update
    over the period; inside the deadband nothing (no action there). The rest is law ``pi``. Source: the
    textbook law, derivative on measurement; common practice, no source.
    """
    if error_rpm == 0.0:
        return 0.0
    return -derivative_steps_s_per_rpm * change_rpm / period_s


def all_gains(feedback: Feedback) -> LinearPart:
    """All three gains as they are set."""
    return LinearPart(*(getattr(feedback, key) for key in GAINS))


LAW = Law("pid", CODE, GAINS, GAINS, searched_unasked=True, linear=all_gains)
