"""An independent simulation for the tests: the shell of table [feedback] on a linear idle plant.

Shares nothing with the product but the plant's matrices: exact matrix exponentials between
milliseconds, a ring buffer for the delay, a reading that is the mean over one firing interval, the
shell written out from its published semantics, and a valve that takes its time a step.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from sim.linearise import Slopes
from tuning.loop import linear
from tuning.loop.linear import LinearIdle
from tuning.loop.sampled_loop import SampledLaw, ultimate_gain

Reals = NDArray[np.float64]
TICK_s = 1e-3


@dataclass(frozen=True)
class IdleJacobian:
    """Slopes of the engine model at one operating point, and its times; units by the names, in SI."""

    pressure_rate_per_Pa: float  # of dp/dt, 1/s; negative: an engine that fills
    pressure_rate_per_rad_s: float  # Pa/rad; negative: a faster engine draws more
    pressure_rate_per_m2: float  # by effective inlet area, Pa/(s m2)
    charge_torque_per_Pa: float  # by pressure at induction, acts after the delay
    charge_torque_per_rad_s: float  # by speed at induction, acts after the delay
    resisting_torque_per_rad_s: float  # less what the spark table adds at once; positive steadies
    area_per_step_m2: float  # not 0
    inertia_kg_m2: float
    delay_s: float  # from charge to torque
    firing_interval_s: float
    sensor_lag_s: float = 0.0  # of the reading, beyond its averaging over one firing
    resisting_torque_per_Pa: float = 0.0  # pumping; negative: a higher pressure resists less
    spark_torque_per_deg: float = 0.0  # by advance, at once
    valve_step_s: float = 0.0  # pulse and rest


def linear_idle(jac: IdleJacobian) -> LinearIdle:
    """The product's linear engine from these slopes alone, no settled point."""
    slopes = Slopes(
        speed_rad_s=0.0,
        map_Pa=0.0,
        torque_Nm=0.0,
        opening_m2=0.0,
        pressure_rate_per_Pa=jac.pressure_rate_per_Pa,
        pressure_rate_per_rad_s=jac.pressure_rate_per_rad_s,
        pressure_rate_per_m2=jac.pressure_rate_per_m2,
        charge_torque_per_Pa=jac.charge_torque_per_Pa,
        charge_torque_per_rad_s=jac.charge_torque_per_rad_s,
        resisting_torque_per_Pa=jac.resisting_torque_per_Pa,
        resisting_torque_per_rad_s=jac.resisting_torque_per_rad_s,
        torque_per_spark_deg=jac.spark_torque_per_deg,
        area_per_step_m2=jac.area_per_step_m2,
    )
    return linear.linear_idle(
        slopes, jac.inertia_kg_m2, jac.delay_s, jac.firing_interval_s, jac.sensor_lag_s, jac.valve_step_s
    )


@dataclass(frozen=True)
class LoopCase:
    """An engine, gains, and the shell around them."""

    plant: LinearIdle
    law: SampledLaw
    min_move_steps: int
    deadband_rpm: float
    required_steps: float

    @property
    def ratio(self) -> float:
        """Width of the deadband over the rpm of a minimum move."""
        return 2.0 * self.deadband_rpm / (self.min_move_steps * self.plant.rpm_per_step)


@dataclass(frozen=True)
class Run:
    """True rpm about the target and commanded steps, one sample a millisecond."""

    rpm: Reals
    commanded: Reals


@dataclass(frozen=True)
class SeenCycle:
    """A limit cycle as the simulation shows it."""

    period_s: float
    period_spread_s: float
    peak_to_peak_rpm: float
    lowest_steps: float
    positions: int
    only_minimum_moves: bool


def random_jacobian(rng: np.random.Generator) -> IdleJacobian:
    """Slopes of a plausible idling engine: 1 to 5 l, 3 to 8 cylinders, 600 to 1200 rpm."""
    rev_per_s = rng.uniform(600.0, 1200.0) / 60.0
    omega = 2.0 * math.pi * rev_per_s
    displacement = rng.uniform(1.0, 5.0) * 1e-3
    volume = rng.uniform(1.0, 4.0) * displacement
    filling = rng.uniform(0.5, 0.8)
    gas, air_K, pressure = 287.0, 310.0, 35e3
    lag = 2.0 * volume / (filling * displacement * rev_per_s)
    flow = pressure / (gas * air_K) * filling * displacement * rev_per_s / 2.0
    area = flow / (1e5 / math.sqrt(gas * 290.0) * 0.6847)
    torque = flow * rng.uniform(350e3, 500e3) / omega
    slopes: dict[str, float] = {
        "pressure_rate_per_Pa": -rng.uniform(0.9, 1.2) / lag,
        "pressure_rate_per_rad_s": -pressure / lag / omega * rng.uniform(0.5, 1.0),
        "pressure_rate_per_m2": gas * air_K / volume * flow / area,
        "charge_torque_per_Pa": torque / pressure * rng.uniform(1.0, 1.3),
        "charge_torque_per_rad_s": torque / omega * rng.uniform(0.0, 0.3),
        "resisting_torque_per_rad_s": torque / omega * rng.uniform(-0.2, 0.8),
        "inertia_kg_m2": rng.uniform(60.0, 120.0) * displacement,
        "delay_s": rng.uniform(0.5, 1.0) / rev_per_s,
        "firing_interval_s": round(2.0 / rev_per_s / int(rng.choice([3, 4, 5, 6, 8])), 3),
        "sensor_lag_s": float(rng.choice([0.0, 0.05, 0.1])),
        "valve_step_s": float(rng.choice([0.0, 0.003, 0.008])),
    }
    one = linear_idle(IdleJacobian(area_per_step_m2=1e-6, **slopes)).rpm_per_step
    return IdleJacobian(area_per_step_m2=1e-6 * rng.uniform(5.0, 40.0) / one, **slopes)


def random_case(rng: np.random.Generator, widest_ratio: float = 0.6) -> LoopCase:
    """A random engine under gains that are stable without quantisation."""
    plant = linear_idle(random_jacobian(rng))
    move = int(rng.choice([1, 1, 2, 3, 4]))
    update = float(rng.choice([0.05, 0.1, 0.2, 0.3]))
    law = SampledLaw(rng.uniform(0.0, 4.0), rng.uniform(0.3, 6.0), update)
    law = law.scaled(ultimate_gain(plant, law, move).multiplier * rng.uniform(0.05, 0.6))
    half_width = 0.5 * rng.uniform(0.0, widest_ratio) * move * plant.rpm_per_step
    return LoopCase(plant, law, move, half_width, 5.0 + rng.uniform(0.0, 1.0))


def run_case(case: LoopCase, duration_s: float, noise_rpm: float = 0.0, start_steps: float = 0.0) -> Run:
    """Start settled at position 0 and let the shell find the (real) position it needs."""
    plant, law = case.plant, case.law
    block = np.zeros((5, 5))
    block[:2, :2] = plant.A * TICK_s
    block[:2, 2] = plant.B[:, 0] * TICK_s
    block[:2, 3:] = plant.A_delayed * TICK_s
    target = case.required_steps * plant.rpm_per_step
    count = round(duration_s / TICK_s)
    rpm, commanded = _march(
        np.asarray(expm(block))[:2, :],
        float(plant.C[0, 1]),
        max(1, round(plant.delay_s / TICK_s)),
        max(1, round(plant.firing_interval_s / TICK_s)),
        round(plant.valve_step_s / TICK_s),
        max(1, round(law.update_period_s / TICK_s)),
        plant.sensor_lag_s,
        law.gain_steps_per_rpm,
        law.integral_steps_per_rpm_s,
        case.deadband_rpm,
        float(case.min_move_steps),
        target,
        start_steps,
        np.random.default_rng(0).normal(0.0, noise_rpm, count) if noise_rpm else np.zeros(count),
    )
    return Run(rpm - target, commanded)


def _march_in_python(
    move: Reals,
    rpm_per_rad_s: float,
    late: int,
    firing: int,
    step_ticks: int,
    update: int,
    lag_s: float,
    gain: float,
    integral_gain: float,
    deadband: float,
    min_move: float,
    target: float,
    integral: float,
    noise: Reals,
) -> tuple[Reals, Reals]:
    """One run, tick by tick."""
    rpm = np.zeros(noise.size)
    commanded = np.zeros(noise.size)
    past = np.zeros((late, 2))
    p, w, position, command, busy = 0.0, 0.0, 0.0, 0.0, 0
    mean, reading, smooth = 0.0, 0.0, 0.0
    for i in range(noise.size):
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
        p = new_p + move[0, 3] * q + move[0, 4] * v
        w = new_w + move[1, 3] * q + move[1, 4] * v
        rpm[i] = w * rpm_per_rad_s
        commanded[i] = command
        mean += rpm[i]
    return rpm, commanded


_march: Any = numba.njit(_march_in_python)


def seen_cycle(run: Run, from_s: float, min_move_steps: int) -> SeenCycle | None:
    """Measure the limit cycle of a run; None if the valve rests or does not turn round."""
    first = round(from_s / TICK_s)
    rpm, commanded = run.rpm[first:], run.commanded[first:]
    moves = np.flatnonzero(np.diff(commanded))
    if moves.size < 3:
        return None
    sizes = np.diff(commanded)[moves]
    turns = moves[1:][(sizes[1:] > 0) & (sizes[:-1] < 0)]
    if turns.size < 3:
        return None
    periods = np.diff(turns) * TICK_s
    swings = [np.ptp(rpm[a:b]) for a, b in itertools.pairwise(turns)]
    return SeenCycle(
        period_s=float(periods.mean()),
        period_spread_s=float(periods.std()),
        peak_to_peak_rpm=float(np.mean(swings)),
        lowest_steps=float(commanded.min()),
        positions=int(np.unique(commanded).size),
        only_minimum_moves=bool(np.all(np.abs(sizes) == min_move_steps)),
    )
