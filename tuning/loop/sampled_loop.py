"""The sampled PI law around the linear plant, as one open loop."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tuning.loop.delays import Complexes, Reals, mean_over, travel_response
from tuning.loop.linear import LinearIdle


@dataclass(frozen=True)
class SampledPI:
    """The linear part of law ``pi``: what it does outside the deadband and inside its limits.

    Parameters
    ----------
    gain_steps_per_100rpm : float
        Proportional gain, 0 or more [steps per 100 rpm].
    integral_steps_per_100rpm_s : float
        Integral gain, 0 or more [steps per 100 rpm and second].
    update_period_s : float
        Time between updates, above 0 [s].

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    gain_steps_per_100rpm: float
    integral_steps_per_100rpm_s: float
    update_period_s: float

    def __post_init__(self) -> None:
        for name in ("gain_steps_per_100rpm", "integral_steps_per_100rpm_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name}: {value}, allowed: 0 or more")
        if not (math.isfinite(self.update_period_s) and self.update_period_s > 0.0):
            raise ValueError(f"update_period_s: {self.update_period_s}, allowed: above 0")

    @property
    def gain_steps_per_rpm(self) -> float:
        """Proportional gain [steps/rpm]."""
        return self.gain_steps_per_100rpm / 100.0

    @property
    def integral_steps_per_rpm_s(self) -> float:
        """Integral gain [steps/(rpm s)]."""
        return self.integral_steps_per_100rpm_s / 100.0

    def scaled(self, multiplier: float) -> SampledPI:
        """The same law with both gains multiplied.

        Parameters
        ----------
        multiplier : float
            0 or more [-].

        Returns
        -------
        SampledPI
            New settings.
        """
        return replace(
            self,
            gain_steps_per_100rpm=self.gain_steps_per_100rpm * multiplier,
            integral_steps_per_100rpm_s=self.integral_steps_per_100rpm_s * multiplier,
        )

    def transfer_function(self) -> Any:
        """The law as a discrete transfer function.

        Returns
        -------
        control.TransferFunction
            ``Kp + Ki h z/(z - 1)``, error [rpm] to trim [steps], time step the update period.

        Notes
        -----
        The integral takes in the present error before the trim is formed (backward rectangle).
        Source: semantics fixed for table [feedback].
        """
        import control

        growth = self.integral_steps_per_rpm_s * self.update_period_s
        gain = self.gain_steps_per_rpm
        if growth == 0.0:
            return control.tf([gain], [1.0], self.update_period_s)
        return control.tf([gain + growth, -gain], [1.0, -1.0], self.update_period_s)

    def response(self, omega_rad_s: ArrayLike) -> Complexes:
        """Exact frequency response of the law, sample to sample.

        Parameters
        ----------
        omega_rad_s : array_like
            Frequencies above 0 and up to pi / update period [rad/s].

        Returns
        -------
        ndarray
            Complex, same shape [steps/rpm].

        Notes
        -----
        ``transfer_function`` on the unit circle, written out because it is called often.
        Source: definition.
        """
        back = -np.expm1(-1j * np.asarray(omega_rad_s, dtype=float) * self.update_period_s)
        growth = self.integral_steps_per_rpm_s * self.update_period_s
        return np.asarray(self.gain_steps_per_rpm + growth / back)


def held_response(
    plant: LinearIdle,
    update_period_s: float,
    omega_rad_s: ArrayLike,
    move_steps: int = 1,
    images: int = 10,
) -> Complexes:
    """Exact response of the readings at the updates to commands that are held between updates.

    Gives complex, same shape [rpm/step].

    ``sum_k P(w + 2 pi k/h)`` with P the plant, its reading and the hold over one update period h.
    The images k die away at least as ``|k|^-3``; ten leave less than 1e-4 of the whole at half the
    update rate.
    Source: sampled-data theory, e.g. Astrom & Wittenmark, Computer-Controlled Systems.
    """
    omega = np.asarray(omega_rad_s, dtype=float)
    shifts = np.arange(-images, images + 1) * 2.0 * math.pi / update_period_s
    s = 1j * np.add.outer(shifts, omega)
    held = plant.response(s, measured=True) * mean_over(s, update_period_s)
    held = held * travel_response(s, plant.valve_step_s, move_steps)
    return np.asarray(held.sum(axis=0))


def loop_response(
    plant: LinearIdle, law: SampledPI, omega_rad_s: ArrayLike, move_steps: int = 1
) -> Complexes:
    """Exact open-loop frequency response of the sampled loop.

    Gives complex, same shape, positive for slow frequencies: breaks the loop at the error [-].

    Source: ``SampledPI.response`` times ``held_response``.
    """
    held = held_response(plant, law.update_period_s, omega_rad_s, move_steps)
    return np.asarray(law.response(omega_rad_s) * held)


def frequencies(plant: LinearIdle, law: SampledPI, count: int = 1500) -> Reals:
    """Frequencies fine enough to find all crossings of the loop.

    Gives rising, logarithmic, from 1/1000 of the slowest corner to just below half the update rate
    [rad/s].

    Source: common practice, no source.
    """
    top = math.pi / law.update_period_s
    slow = plant.residence_time_s + plant.delay_s + law.update_period_s
    low = min(1e-3 / abs(slow), top / 1e3)
    return np.geomspace(low, top * (1.0 - 1e-9), count)


def loop(plant: LinearIdle, law: SampledPI, move_steps: int = 1, count: int = 1500) -> Any:
    """The sampled loop as python-control's frequency response data, for ``margins`` and plots.

    Gives exact response on ``frequencies``, smooth between [-].

    Source: ``loop_response``.
    """
    import control

    omega = frequencies(plant, law, count)
    return control.frd(loop_response(plant, law, omega, move_steps), omega, smooth=True)
