"""Law ``pi``: proportional and integral action."""

from __future__ import annotations

from controllers.law import GAIN, INTEGRAL, Law

CODE = 1.0
LAW = Law("pi", CODE, (GAIN, INTEGRAL), (GAIN, INTEGRAL), searched_unasked=True)


def proportional_trim(error_rpm: float, gain_steps_per_rpm: float, integral_steps: float) -> float:
    """Trim of the law before it is limited.

    Semantics: with e the error (target minus rpm) outside the deadband and 0 inside, the shell has already
    added ``integral * e * period`` to the integral and clamped it to the trim limits; trim = gain e +
    integral.

    Source: the textbook PI law, sampled; common practice, no source.

    Parameters
    ----------
    error_rpm : float
        Error after the deadband [rpm].
    gain_steps_per_rpm : float
        Proportional gain [steps/rpm].
    integral_steps : float
        Integral after this update [steps].

    Returns
    -------
    float
        Trim wanted, positive opens [steps].
    """
    return gain_steps_per_rpm * error_rpm + integral_steps
