"""A law as theory sees it: its linear part, the band in which it rests, the size of its moves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim import Car
from tuning.loop.delays import Complexes
from tuning.loop.sampled_loop import SampledPI

SLOWEST_NUDGES_rpm = 25.0
"""Error at which a nudge is as quick as an integral gain, where the deadband is smaller [rpm]."""


@dataclass(frozen=True)
class SampledPID(SampledPI):
    """The linear part of law ``pid``: PI and a derivative on the measured speed.

    Parameters
    ----------
    gain_steps_per_100rpm, integral_steps_per_100rpm_s, update_period_s : float
        As in ``SampledPI`` [steps per 100 rpm (and second), s].
    derivative_steps_s_per_100rpm : float
        Derivative gain, 0 or more [steps s per 100 rpm].
    """

    derivative_steps_s_per_100rpm: float = 0.0

    def scaled(self, multiplier: float) -> SampledPID:
        """The same law with all gains multiplied.

        Parameters
        ----------
        multiplier : float
            0 or more [-].

        Returns
        -------
        SampledPID
            New settings.
        """
        return SampledPID(
            self.gain_steps_per_100rpm * multiplier,
            self.integral_steps_per_100rpm_s * multiplier,
            self.update_period_s,
            self.derivative_steps_s_per_100rpm * multiplier,
        )

    def transfer_function(self) -> Any:
        """The law as a discrete transfer function.

        Returns
        -------
        control.TransferFunction
            That of ``SampledPI`` plus ``Kd (z - 1)/(h z)``, error [rpm] to trim [steps].

        Notes
        -----
        Source: semantics of law ``pid``; the target is taken to stand still.
        """
        import control

        rate = self.derivative_steps_s_per_100rpm / 100.0 / self.update_period_s
        return super().transfer_function() + control.tf(
            [rate, -rate], [1.0, 0.0], self.update_period_s
        )

    def response(self, omega_rad_s: Any) -> Complexes:
        """Exact frequency response of the law, sample to sample.

        Parameters
        ----------
        omega_rad_s : array_like
            Frequencies above 0 and up to pi / update period [rad/s].

        Returns
        -------
        ndarray
            Complex, same shape [steps/rpm].
        """
        omega = np.asarray(omega_rad_s, dtype=float)
        back = -np.expm1(-1j * omega * self.update_period_s)
        rate = self.derivative_steps_s_per_100rpm / 100.0 / self.update_period_s
        return np.asarray(super().response(omega) + rate * back)


def linear_law(car: Car) -> SampledPI | None:
    """The linear part of a car's law.

    Parameters
    ----------
    car : Car
        Its table [feedback].

    Returns
    -------
    SampledPI or None
        None where feedback is off or both gains are 0.  A nudge of n steps at each update counts
        as the integral gain that moves as fast at an error of the deadband (25 rpm if that is
        less): more than that outside, which is what a describing function of a relay says too.

    Notes
    -----
    Source: semantics of the laws; the equivalent of the nudge is our own.
    """
    feedback = car.feedback
    period_s = feedback.update_period_ms / 1000.0
    gain, integral = feedback.gain_steps_per_100rpm, feedback.integral_steps_per_100rpm_s
    if feedback.law == "none":
        return None
    if feedback.law == "nudge":
        error_rpm = max(feedback.deadband_rpm, SLOWEST_NUDGES_rpm)
        return SampledPI(0.0, 100.0 * feedback.nudge_steps / period_s / error_rpm, period_s)
    if gain == 0.0 and integral == 0.0:
        return None
    if feedback.law == "pid":
        return SampledPID(gain, integral, period_s, feedback.derivative_steps_s_per_100rpm)
    return SampledPI(gain, integral, period_s)


def resting_deadband_rpm(car: Car) -> float:
    """Half-width within which a car's law leaves the valve alone.

    Parameters
    ----------
    car : Car
        Its table [feedback].

    Returns
    -------
    float
        The deadband; for law ``pi_park`` the wider band in which it parks [rpm].
    """
    feedback = car.feedback
    if feedback.law != "pi_park":
        return feedback.deadband_rpm
    from controllers.law_pi_park import resting_band_rpm

    return float(
        resting_band_rpm(
            feedback.deadband_rpm, float(feedback.min_move_steps), feedback.rpm_per_step
        )
    )


def tread_steps(car: Car) -> int:
    """Distance of the positions between which the valve goes to and fro.

    Parameters
    ----------
    car : Car
        Its table [feedback].

    Returns
    -------
    int
        The minimum move; for law ``nudge`` the whole nudges that make one [steps].
    """
    feedback = car.feedback
    if feedback.law != "nudge":
        return feedback.min_move_steps
    nudge = feedback.nudge_steps
    return nudge * math.ceil(feedback.min_move_steps / nudge)
