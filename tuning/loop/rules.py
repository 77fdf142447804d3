"""Starting settings by rule: from a first-order model with delay to PI gains, to seed a search.

The rules know nothing of deadband, minimum move or scatter.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuning.loop.linear import Complexes, LinearIdle, mean_over
from tuning.loop.sampled_loop import SampledLaw, frequencies, loop_response, ultimate_gain

SLOW_DELAYS = 4.0  # Closed-loop time of the rule "slow", in delays of the reduced engine [-].


@dataclass(frozen=True)
class FirstOrderDelay:
    """Model ``gain exp(-s delay)/(s time_constant + 1)``."""

    gain_rpm_per_step: float
    time_constant_s: float
    delay_s: float


@dataclass(frozen=True)
class RulePI:
    """PI settings as the rules give them: ``gain (e + integral of e / integral_time)``."""

    gain_steps_per_rpm: float
    integral_time_s: float

    @property
    def gain_steps_per_100rpm(self) -> float:
        """Proportional gain as table [feedback] has it [steps per 100 rpm]."""
        return 100.0 * self.gain_steps_per_rpm

    @property
    def integral_steps_per_100rpm_s(self) -> float:
        """Integral gain as table [feedback] has it [steps per 100 rpm and second]."""
        return 100.0 * self.gain_steps_per_rpm / self.integral_time_s


def half_rule(gain_rpm_per_step: float, time_constants_s: ArrayLike, delay_s: float) -> FirstOrderDelay:
    """Reduce several lags and a delay to one lag (the largest, half the second) and a delay (the rest).

    Source: S. Skogestad, Simple analytic rules for model reduction and PID controller tuning, Journal of
    Process Control 13 (2003) 291-309, section 2.
    """
    lags = np.sort(np.atleast_1d(np.asarray(time_constants_s, dtype=float)))[::-1]
    half = 0.5 * float(lags[1]) if lags.size > 1 else 0.0
    rest = float(lags[2:].sum())
    return FirstOrderDelay(gain_rpm_per_step, float(lags[0]) + half, delay_s + half + rest)


def critical_point_model(
    response: Callable[[float], complex], highest_rad_s: float, gain_rpm_per_step: float
) -> FirstOrderDelay:
    """The first-order model with delay that agrees at rest and where the phase is -180 degrees.

    A plant that resonates there more than 1/1.05 of its steady gain is given that much. With ratio k/``|G|``
    at w: T = sqrt(ratio^2 - 1)/w, delay = (pi - atan(w T))/w. Source: identification from the critical point,
    e.g. Astrom & Hagglund, PID Controllers, 2nd ed. 1995 (from memory); derivation our own.
    """
    from scipy.optimize import brentq

    grid = np.geomspace(1e-4 * highest_rad_s, highest_rad_s, 400)
    phase = np.unwrap(np.angle([response(float(w)) for w in grid]))
    beyond = np.flatnonzero(phase < -math.pi)
    if beyond.size == 0 or beyond[0] == 0:
        raise ValueError(f"highest_rad_s: {highest_rad_s}, allowed: where the phase has passed -180 degrees")
    below, above = float(grid[beyond[0] - 1]), float(grid[beyond[0]])
    omega = float(brentq(lambda w: (-response(w) / abs(response(w))).imag, below, above))
    ratio = max(gain_rpm_per_step / abs(response(omega)), 1.05)
    lag = math.sqrt(ratio * ratio - 1.0) / omega
    return FirstOrderDelay(gain_rpm_per_step, lag, (math.pi - math.atan(omega * lag)) / omega)


def first_order_plus_delay(plant: LinearIdle, update_period_s: float) -> FirstOrderDelay:
    """Reduce the idle plant with its reading, valve and sampling to a first-order model with delay.

    By ``half_rule`` where manifold and crank have real poles, from the critical point where they swing.
    Counted as delay: charge to torque, one firing interval for the reading, one valve step, half an update
    for the hold (Skogestad 2003).

    Raises
    ------
    ValueError
        If the engine is unstable with the valve still.
    """
    if not plant.is_stable():
        raise ValueError("plant: unstable with the valve still, allowed: a stable engine")
    poles = plant.poles()
    gain = plant.rpm_per_step
    late = plant.firing_interval_s + plant.valve_step_s + 0.5 * update_period_s
    if float(np.max(np.abs(poles.imag))) < 1e-6 * float(np.max(np.abs(poles))):
        lags = [float(-1.0 / pole.real) for pole in poles]
        if plant.sensor_lag_s > 0.0:
            lags.append(plant.sensor_lag_s)
        return half_rule(gain, lags, plant.delay_s + late)

    def response(omega: float) -> complex:
        s = 1j * omega
        held: Complexes = plant.response(s, measured=True) * mean_over(s, update_period_s)
        return complex(held * np.exp(-s * plant.valve_step_s))

    return critical_point_model(response, math.pi / late, gain)


def simc_pi(model: FirstOrderDelay, closed_loop_time_s: float | None = None) -> RulePI:
    """PI settings by the SIMC rule: kc = T/(k (tc + L)), Ti = min(T, 4 (tc + L)).

    Source: S. Skogestad, Journal of Process Control 13 (2003) 291-309.
    """
    total = model.delay_s + (model.delay_s if closed_loop_time_s is None else closed_loop_time_s)
    return RulePI(
        model.time_constant_s / (model.gain_rpm_per_step * total), min(model.time_constant_s, 4.0 * total)
    )


def amigo_pi(model: FirstOrderDelay) -> RulePI:
    """PI settings by the AMIGO rule: more cautious, made for a sensitivity peak of 1.4.

    K = 0.15/k + (0.35 - L T/(L + T)^2) T/(k L), Ti = 0.35 L + 13 L T^2/(T^2 + 12 L T + 7 L^2).
    Source: K. J. Astrom & T. Hagglund, Revisiting the Ziegler-Nichols step response method for PID control,
    Journal of Process Control 14 (2004) 635-650.
    """
    k, t, late = model.gain_rpm_per_step, model.time_constant_s, model.delay_s
    gain = 0.15 / k + (0.35 - late * t / (late + t) ** 2) * t / (k * late)
    integral = 0.35 * late + 13.0 * late * t**2 / (t**2 + 12.0 * late * t + 7.0 * late**2)
    return RulePI(gain, integral)


def robust_share(loop: Complexes, largest_sensitivity: float) -> float:
    """How much of a loop's gain can be kept without a higher sensitivity peak than allowed, 0.02 to 1 [-].

    From small to large: beyond its stability border a loop's peak falls again.
    """
    shares = np.geomspace(0.02, 1.0, 80)
    distance = np.abs(1.0 + shares[:, None] * np.asarray(loop)[None, :]).min(axis=1)
    beyond = np.flatnonzero(distance < 1.0 / largest_sensitivity)
    return float(shares[max(0, int(beyond[0]) - 1)]) if beyond.size else 1.0


def starting_settings(
    plant: LinearIdle, update_period_s: float, rule: str = "simc", largest_sensitivity: float = 1.8
) -> SampledLaw:
    """Gains to start a search from: by rule, then eased until the exact loop is calm.

    Parameters
    ----------
    plant, update_period_s : LinearIdle, float
        The engine, stable with the valve still [s].
    rule : str
        "simc", "amigo", or "slow": SIMC with a closed-loop time of four delays.
    largest_sensitivity : float
        All gains are lowered together until the exact sampled loop's sensitivity peak is no higher, above
        1; a first-order model is a poor one of an engine that swings.

    Returns
    -------
    SampledLaw

    Raises
    ------
    ValueError
        If rpm does not rise with steps.
    """
    rules: dict[str, Callable[[FirstOrderDelay], RulePI]] = {
        "simc": simc_pi, "amigo": amigo_pi, "slow": lambda model: simc_pi(model, SLOW_DELAYS * model.delay_s),
    }  # fmt: skip
    if not plant.rpm_per_step > 0.0:
        raise ValueError(f"rpm_per_step: {plant.rpm_per_step}, allowed: above 0")
    found = rules[rule](first_order_plus_delay(plant, update_period_s))
    law = SampledLaw(found.gain_steps_per_100rpm, found.integral_steps_per_100rpm_s, update_period_s)
    response = loop_response(plant, law, frequencies(plant, law, 800))
    return law.scaled(robust_share(response, largest_sensitivity))


def calm_settings(
    plant: LinearIdle, update_period_s: float, move_steps: int, border_least: float
) -> SampledLaw:
    """Gains by the rule "amigo", and so many times below those at which the loop swings.

    Parameters
    ----------
    plant, update_period_s, move_steps, border_least : LinearIdle, float, int, float
        As for ``starting_settings``; size of the moves whose travel time counts; least factor from the gains
        to those at the border, above 0 [s, steps, -].

    Returns
    -------
    SampledLaw
    """
    law = starting_settings(plant, update_period_s, "amigo")
    return law.scaled(min(1.0, ultimate_gain(plant, law, move_steps).multiplier / border_least))
