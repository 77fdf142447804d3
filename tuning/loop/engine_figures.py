"""The few figures that say how an engine answers its valve: worth of a step, speed of answering."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import Car
from tuning.loop.linear import LinearIdle

DELAY_STAGES = 8
"""Stages in which the delay is let grow while a pole is followed."""
NEWTON_STEPS, LONGEST_MOVE = 60, 0.3
"""Steps of Newton's method at most, and the longest of them over the pole's size [-, -]."""


@dataclass(frozen=True)
class EngineFigures:
    """How an engine answers its valve at one position.

    Attributes
    ----------
    rpm : float
        Settled speed, 0 where it cannot run [rpm].
    rpm_per_step : float
        Steady change of speed a step [rpm/step].
    main_pole_rad_s : float
        Distance from zero of its slowest pole: the larger, the quicker [rad/s].
    """

    rpm: float
    rpm_per_step: float
    main_pole_rad_s: float


def slowest_pole(linear: LinearIdle) -> float:
    """Distance from zero of the slowest pole of manifold and crank.

    Gives distance [rad/s].

    Source: poles without delay, followed by Newton's method while the delay grows to its own
    (as ``LinearIdle.poles``, without the library that takes seconds to load).
    """
    # Off the real axis, so that two real poles that meet may part into a pair.
    poles = np.linalg.eigvals(linear.A + linear.A_delayed) * (1.0 + 0.02j)
    for delay_s in np.linspace(0.0, linear.delay_s, DELAY_STAGES + 1)[1:]:
        poles = np.array([_followed(linear, pole, float(delay_s)) for pole in poles])
    return float(np.min(np.abs(poles)))


def _followed(linear: LinearIdle, pole: complex, delay_s: float) -> complex:
    """Newton's method on det(s I - A - A_delayed exp(-s delay)) = 0 from a pole nearby."""
    s = pole
    for _ in range(NEWTON_STEPS):
        late = linear.A_delayed * np.exp(-s * delay_s)
        pencil = s * np.eye(2) - linear.A - late
        slope = np.eye(2) + delay_s * late
        # d det(M)/ds = trace(adj(M) dM/ds), written out for two rows.
        change = (
            pencil[0, 0] * slope[1, 1] + pencil[1, 1] * slope[0, 0]
            - pencil[0, 1] * slope[1, 0] - pencil[1, 0] * slope[0, 1]
        )  # fmt: skip
        value = pencil[0, 0] * pencil[1, 1] - pencil[0, 1] * pencil[1, 0]
        if change == 0.0:
            break
        move = value / change
        s -= move * min(1.0, LONGEST_MOVE * abs(pole) / max(abs(move), 1.0e-12))
        if abs(move) < 1.0e-9 * abs(s):
            break
    return complex(s)


def engine_figures(car: Car, steps: float, coolant_degC: float = 90.0) -> EngineFigures:
    """Work out how an engine answers its valve.

    Parameters
    ----------
    car : Car
        The car.
    steps : float
        Valve position [steps].
    coolant_degC : float
        Coolant temperature [degC].

    Returns
    -------
    EngineFigures
        All 0 where the engine cannot run.

    Notes
    -----
    Source: slopes of the one model (``sim.linearise``) in ``tuning.loop.linear``.
    """
    from sim.linearise import linearise
    from tuning.loop.linear import IdleJacobian, linear_idle

    slopes = linearise(car, steps, coolant_degC)
    if slopes.speed_rad_s <= 0.0 or slopes.area_per_step_m2 <= 0.0:
        return EngineFigures(0.0, 0.0, 0.0)
    deg_per_rad_s = car.spark.advance_deg_per_100rpm / 100.0 * 30.0 / np.pi
    linear = linear_idle(
        IdleJacobian(
            pressure_rate_per_Pa=slopes.pressure_rate_per_Pa,
            pressure_rate_per_rad_s=slopes.pressure_rate_per_rad_s,
            pressure_rate_per_m2=slopes.pressure_rate_per_m2,
            charge_torque_per_Pa=slopes.charge_torque_per_Pa,
            charge_torque_per_rad_s=slopes.charge_torque_per_rad_s
            - slopes.torque_per_spark_deg * deg_per_rad_s,
            resisting_torque_per_rad_s=slopes.resisting_torque_per_rad_s,
            resisting_torque_per_Pa=slopes.resisting_torque_per_Pa,
            area_per_step_m2=slopes.area_per_step_m2,
            inertia_kg_m2=car.engine.inertia_kg_m2,
            delay_s=float(np.radians(car.engine.torque_delay_deg)) / slopes.speed_rad_s,
            firing_interval_s=4.0 * np.pi / car.engine.cylinders / slopes.speed_rad_s,
        )
    )
    return EngineFigures(slopes.rpm, float(linear.rpm_per_step), slowest_pole(linear))
