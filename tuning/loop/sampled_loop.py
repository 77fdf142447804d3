"""A car's law as theory sees it, the sampled law around the linear plant, and how far it is from swinging."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from controllers import DERIVATIVE, GAIN, INTEGRAL, GainsForOneRpm, law_of
from sim import Car
from tuning.loop.linear import Complexes, LinearIdle, Reals, mean_over, travel_response

GAINS = (GAIN, INTEGRAL, DERIVATIVE)


@dataclass(frozen=True)
class SampledLaw(GainsForOneRpm):
    """The linear part of a law: what it does outside the deadband and inside its limits."""

    gain_steps_per_100rpm: float
    integral_steps_per_100rpm_s: float
    update_period_s: float
    derivative_steps_s_per_100rpm: float = 0.0

    def scaled(self, multiplier: float) -> SampledLaw:
        """The same law with all gains multiplied."""
        return replace(self, **{name: getattr(self, name) * multiplier for name in GAINS})

    def response(self, omega_rad_s: ArrayLike) -> Complexes:
        """Exact frequency response of the law, sample to sample [steps/rpm].

        ``Kp + Ki h z/(z - 1) + Kd (z - 1)/(h z)`` on the unit circle, the target standing still: the integral
        takes in the present error before the trim is formed (backward rectangle).
        """
        back = -np.expm1(-1j * np.asarray(omega_rad_s, dtype=float) * self.update_period_s)
        growth = self.integral_steps_per_rpm_s * self.update_period_s
        rate = self.derivative_steps_s_per_rpm / self.update_period_s
        return np.asarray(self.gain_steps_per_rpm + growth / back + rate * back)


def held_response(
    plant: LinearIdle, update_period_s: float, omega_rad_s: ArrayLike, move_steps: int = 1, images: int = 10
) -> Complexes:
    """Exact response of the readings at the updates to commands that are held between updates [rpm/step].

    ``sum_k P(w + 2 pi k/h)`` with P the plant, its reading and the hold over one update period h. The images
    k die away at least as ``|k|^-3``; ten leave less than 1e-4 of the whole at half the update rate.
    Source: sampled-data theory, e.g. Astrom & Wittenmark, Computer-Controlled Systems.
    """
    omega = np.asarray(omega_rad_s, dtype=float)
    shifts = np.arange(-images, images + 1) * 2.0 * math.pi / update_period_s
    s = 1j * np.add.outer(shifts, omega)
    held = plant.response(s, measured=True) * mean_over(s, update_period_s)
    held = held * travel_response(s, plant.valve_step_s, move_steps)
    return np.asarray(held.sum(axis=0))


def loop_response(
    plant: LinearIdle, law: SampledLaw, omega_rad_s: ArrayLike, move_steps: int = 1
) -> Complexes:
    """Exact open-loop frequency response of the sampled loop, broken at the error [-]."""
    held = held_response(plant, law.update_period_s, omega_rad_s, move_steps)
    return np.asarray(law.response(omega_rad_s) * held)


def frequencies(plant: LinearIdle, law: SampledLaw, count: int = 1500) -> Reals:
    """Frequencies fine enough to find all crossings, up to just below half the update rate [rad/s]."""
    top = math.pi / law.update_period_s
    slow = plant.residence_time_s + plant.delay_s + law.update_period_s
    low = min(1e-3 / abs(slow), top / 1e3)
    return np.geomspace(low, top * (1.0 - 1e-9), count)


def loop(plant: LinearIdle, law: SampledLaw, move_steps: int = 1, count: int = 1500) -> Any:
    """The sampled loop as python-control's frequency response data, for ``margins`` and plots."""
    import control

    omega = frequencies(plant, law, count)
    return control.frd(loop_response(plant, law, omega, move_steps), omega, smooth=True)


def linear_law(car: Car) -> SampledLaw | None:
    """The linear part of a car's law; None where feedback is off or all its gains are 0."""
    gain, integral, derivative = law_of(car.feedback).linear(car.feedback)
    if gain == 0.0 and integral == 0.0:
        return None
    return SampledLaw(gain, integral, car.feedback.update_period_ms / 1000.0, derivative)


def resting_deadband_rpm(car: Car) -> float:
    """Half-width within which a car's law leaves the valve alone [rpm]."""
    return law_of(car.feedback).resting_band_rpm(car.feedback)


def tread_steps(car: Car) -> int:
    """Distance of the positions between which the valve goes to and fro, as the law describes it [steps]."""
    return law_of(car.feedback).tread_steps(car.feedback)


@dataclass(frozen=True)
class Margins:
    """How far a loop is from swinging; infinite where there is no border, nan where none is found."""

    gain_margin: float
    phase_margin_deg: float
    sensitivity_peak: float
    phase_crossover_rad_s: float
    gain_crossover_rad_s: float


@dataclass(frozen=True)
class UltimateGain:
    """Factor on all gains at which a loop without quantisation begins to swing, and the period there.

    Below 1 the present settings are unstable already; 0 if the engine is with the valve still; infinite if no
    gain does it.
    """

    multiplier: float
    period_s: float


def margins(loop: Any) -> Margins:
    """Gain margin, phase margin and sensitivity peak of a loop, nearest to the border.

    They say how far the border is, not on which side the loop is: see ``ultimate_gain``.
    """
    import control

    gain, phase, distance, w_phase, w_gain, _ = (float(value) for value in control.stability_margins(loop))
    if not math.isfinite(distance):
        distance = _nearest_at_an_end(loop)
    return Margins(gain, phase, 1.0 / distance, w_phase, w_gain)


def _nearest_at_an_end(loop: Any) -> float:
    """Distance to -1 where ``stability_margins`` finds no minimum inside: at an end [-]."""
    omega = getattr(loop, "omega", None)
    if omega is None:
        return min(1.0, float(abs(1.0 + loop(0.0))))
    return float(np.min(np.abs(1.0 + loop(1j * omega))))


def ultimate_gain(plant: LinearIdle, law: SampledLaw, move_steps: int = 1) -> UltimateGain:
    """Gain at which the loop goes unstable without quantisation, all gains in proportion.

    The loop is stable for small gains; the border is the smallest multiplier that puts the exact loop
    response through -1, at a phase crossover or at half the update rate. Source: Nyquist; derivation our own.
    """
    from scipy.optimize import brentq

    if law.scaled(0.0) == law:
        raise ValueError("gains: all 0, allowed: at least one above 0")
    if not plant.is_stable():
        return UltimateGain(0.0, math.nan)

    def imaginary(omega: float) -> float:
        return float(loop_response(plant, law, omega, move_steps).imag)

    grid = frequencies(plant, law)
    side = np.sign(loop_response(plant, law, grid, move_steps).imag)
    crossings = [
        float(brentq(imaginary, grid[i], grid[i + 1], xtol=1e-12, rtol=1e-12))
        for i in np.flatnonzero(side[:-1] * side[1:] < 0)
    ]
    crossings.append(math.pi / law.update_period_s)
    sizes = loop_response(plant, law, np.array(crossings), move_steps).real
    at = int(np.argmin(sizes))
    if sizes[at] >= 0.0:
        return UltimateGain(math.inf, math.nan)
    return UltimateGain(-1.0 / float(sizes[at]), 2.0 * math.pi / crossings[at])
