"""An independent simulation for the tests: the shell of table [feedback] on a linear idle plant.

Shares nothing with the product but the plant's matrices: exact matrix exponentials between
milliseconds, a ring buffer for the delay, a reading that is the mean over one firing interval,
the shell written out from its published semantics, and a valve that takes its time a step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np
from scipy.linalg import expm

from tuning.linear import LinearIdle

TICK_s = 1e-3


@dataclass(frozen=True)
class Run:
    """What a run yields: every millisecond true rpm (about the target) and commanded steps."""

    rpm: np.ndarray
    commanded: np.ndarray

    @property
    def time_s(self) -> np.ndarray:
        return np.arange(self.rpm.size) * TICK_s


def run_shell(
    plant: LinearIdle,
    gain_steps_per_rpm: float,
    integral_steps_per_rpm_s: float,
    update_period_s: float,
    deadband_rpm: float,
    min_move_steps: int,
    required_steps: float,
    duration_s: float,
    start_integral: float = 0.0,
    noise_rpm: float = 0.0,
    seed: int = 0,
) -> Run:
    """Start settled at position 0 and let the shell find the (real) position it needs."""
    m = np.zeros((5, 5))
    m[:2, :2] = plant.A * TICK_s
    m[:2, 2] = plant.B[:, 0] * TICK_s
    m[:2, 3:] = plant.A_delayed * TICK_s
    move = expm(m)[:2, :]
    g = plant.rpm_per_step
    duration = round(duration_s / TICK_s)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, duration) * noise_rpm
    rpm, commanded = _run(
        move,
        plant.C[0, 1],
        max(1, round(plant.delay_s / TICK_s)),
        max(1, round(plant.firing_interval_s / TICK_s)),
        round(plant.valve_step_s / TICK_s),
        max(1, round(update_period_s / TICK_s)),
        plant.sensor_lag_s,
        gain_steps_per_rpm,
        integral_steps_per_rpm_s,
        deadband_rpm,
        float(min_move_steps),
        required_steps * g,
        start_integral,
        noise,
    )
    return Run(rpm - required_steps * g, commanded)


@numba.njit  # type: ignore[untyped-decorator]
def _run(
    move,
    rpm_per_rad_s,
    late,
    firing,
    step_ticks,
    update,
    lag_s,
    gain,
    integral_gain,
    deadband,
    min_move,
    target,
    integral,
    noise,
):
    n = noise.size
    rpm = np.zeros(n)
    commanded = np.zeros(n)
    past = np.zeros((late, 2))
    p, w, position, command, busy = 0.0, 0.0, 0.0, 0.0, 0
    mean, reading, smooth = 0.0, 0.0, 0.0
    for i in range(n):
        if i % firing == 0 and i > 0:
            reading = mean / firing + noise[i]
            mean = 0.0
        if lag_s > 0.0:
            smooth += (reading - smooth) * (1.0 - math.exp(-TICK_s / lag_s))
        else:
            smooth = reading
        if i % update == 0:
            error = target - smooth
            if abs(error) <= deadband:
                error = 0.0
            integral += integral_gain * error * update * TICK_s
            wanted = math.floor(gain * error + integral + 0.5)
            if abs(wanted - command) >= min_move:
                command = wanted
        if step_ticks == 0:
            position = command
        elif busy > 0:
            busy -= 1
            if busy == 0:
                position += 1.0 if command > position else -1.0 if command < position else 0.0
        if step_ticks > 0 and busy == 0 and command != position:
            busy = step_ticks
        q, v = past[i % late, 0], past[i % late, 1]
        past[i % late, 0], past[i % late, 1] = p, w
        new_p = move[0, 0] * p + move[0, 1] * w + move[0, 2] * position
        new_w = move[1, 0] * p + move[1, 1] * w + move[1, 2] * position
        new_p += move[0, 3] * q + move[0, 4] * v
        new_w += move[1, 3] * q + move[1, 4] * v
        p, w = new_p, new_w
        rpm[i] = w * rpm_per_rad_s
        commanded[i] = command
        mean += rpm[i]
    return rpm, commanded
