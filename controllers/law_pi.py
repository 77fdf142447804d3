"""Law ``pi``: proportional and integral action."""

from __future__ import annotations

from controllers.law import GAIN, INTEGRAL, Law

CODE = 1.0
LAW = Law("pi", CODE, (GAIN, INTEGRAL), (GAIN, INTEGRAL), searched_unasked=True)


def proportional_trim(error_rpm: float, gain_steps_per_rpm: float, integral_steps: float) -> float:
    """Trim of the law before it is limited, positive opens [steps].

    Semantics: with e the error (target minus rpm) outside the deadband and 0 inside, the shell has already
    added ``integral * e * period`` to the integral and clamped it to the trim limits; trim = gain e +
    integral. Source: the textbook PI law, sampled; common practice, no source.
    """
    return gain_steps_per_rpm * error_rpm + integral_steps
