"""Law ``pi_park``: PI that rests where no better valve position exists."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controllers.law import GAIN, INTEGRAL, Law

if TYPE_CHECKING:
    from controllers.settings import Feedback

CODE = 4.0

MARGIN = 1.1  # Share by which the resting band exceeds half a move, for an rpm per step not known well.


def resting_band_rpm(deadband_rpm: float, min_move_steps: float, rpm_per_step: float) -> float:
    """Half-width of the band in which the law rests; ``rpm_per_step`` is 0 if not known.

    Semantics: the smallest move the valve can make changes rpm by ``min_move * rpm_per_step``. An error below
    half of that cannot be made smaller by any move, so the law treats it as none: the deadband is the larger
    of the one asked for and 1.1 times half a smallest move. The integral is frozen (parked) there. The rest
    is law ``pi``.
    Source: our own; that a resolution finer than the deadband is what ends the cycle: McMillan (2007), limit
    cycles from resolution.
    """
    half_move = MARGIN * 0.5 * min_move_steps * rpm_per_step
    return deadband_rpm if deadband_rpm > half_move else half_move


def parking_band_rpm(feedback: Feedback) -> float:
    """The band of settings."""
    move = float(feedback.min_move_steps)
    return resting_band_rpm(feedback.deadband_rpm, move, feedback.rpm_per_step)


LAW = Law(
    "pi_park",
    CODE,
    (GAIN, INTEGRAL, "rpm_per_step"),
    # A search chooses the deadband itself, and law pi with it is the same.
    (GAIN, INTEGRAL),
    resting_band_rpm=parking_band_rpm,
)
