"""The linear idle and the sampled law in python-control's forms: the second way to compute them."""

from __future__ import annotations

from typing import Any

import control
import numpy as np

from tuning.loop.linear import INPUTS, Complexes, LinearIdle
from tuning.loop.sampled_loop import SampledLaw


def pade_delay(delay_s: float, order: int) -> Any:
    """A pure delay as a Pade fraction."""
    if delay_s == 0.0:
        return control.ss([], [], [], [[1.0]])
    return control.ss(control.tf(*control.pade(delay_s, order)))


def state_space(plant: LinearIdle, pade_order: int = 4, measured: bool = True) -> Any:
    """The plant with each delay a Pade fraction, by a lower linear fractional transformation.

    The reading, where it is included, is a delay of one firing interval and the lag.
    """
    late = np.array([[0.0], [1.0]])
    torque = plant.A_delayed[1:2, :]
    engine = control.ss(plant.A, np.hstack([plant.B, late]), np.vstack([plant.C, torque]), np.zeros((2, 5)))
    whole = engine.lft(pade_delay(plant.delay_s, pade_order), 1, 1)
    if measured:
        lag = control.ss(control.tf([1.0], [plant.sensor_lag_s, 1.0]))
        whole = control.series(whole, pade_delay(plant.firing_interval_s, pade_order), lag)
    return control.ss(whole, inputs=list(INPUTS), outputs=["rpm"])


def transfer_function(law: SampledLaw) -> Any:
    """The law as a discrete transfer function, error to trim."""
    period = law.update_period_s
    growth, gain = law.integral_steps_per_rpm_s * period, law.gain_steps_per_rpm
    rate = law.derivative_steps_s_per_rpm / period
    whole = control.tf([gain + rate, -rate], [1.0, 0.0], period)
    return whole + control.tf([growth, 0.0], [1.0, -1.0], period) if growth else whole


def closed_loop_poles(plant: LinearIdle, law: SampledLaw, pade_order: int = 4) -> Complexes:
    """Poles of the sampled closed loop; the travel of the valve counts as the delay of a step."""
    valve = state_space(plant, pade_order)[0, 0]
    valve = control.series(pade_delay(plant.valve_step_s, pade_order), valve)
    sampled = control.sample_system(valve, law.update_period_s, method="zoh")
    return np.asarray(control.feedback(transfer_function(law) * sampled, 1.0).poles())
