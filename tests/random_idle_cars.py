"""Random cars and settings on which the explanation is held against simulation.

Each is one of the demonstration cars with its engine, manifold, valve times, sensor and feedback
settings drawn anew.  Kept are those that reach their target well inside the valve's travel and
whose loop is stable without steps (unless asked otherwise): what they do is then the shell's doing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim import Car, load_car, with_values
from tuning.loop.point import IdlePoint, idle_point
from tuning.loop.sampled_loop import linear_law, tread_steps
from tuning.loop.view import border

NAMES = ("trials", "twin", "six")
LEAST_NEED_steps = 8.0
"""A target reached nearer to the seat than this leaves no room to swing [steps]."""


@dataclass(frozen=True)
class RandomIdle:
    """A car, its warm idle, and the factor on its gains at which it swings without steps."""

    car: Car
    point: IdlePoint
    border: float


def random_car(rng: np.random.Generator, *, wild: bool = False) -> Car:
    """Draw a car; wild ones also have gains and valves that make the loop swing by itself."""
    car = load_car(NAMES[int(rng.integers(len(NAMES)))])
    engine, u = car.engine, rng.uniform
    gain, integral = (14.0, 14.0) if wild else (6.0, 5.0)
    slow = float(rng.choice([1.0, 1.0, 4.0])) if wild else 1.0
    return with_values(
        car,
        {
            "engine": {
                "inertia_kg_m2": engine.inertia_kg_m2 * u(0.6, 1.8),
                "torque_delay_deg": float(u(200.0, 340.0)),
                "work_per_air_kJ_per_kg": engine.work_per_air_kJ_per_kg * u(0.93, 1.07),
                "friction_scale": engine.friction_scale * u(0.93, 1.07),
                "volumetric_efficiency": engine.volumetric_efficiency * u(0.9, 1.1),
            },
            "manifold": {"volume_cm3": car.manifold.volume_cm3 * u(0.6, 2.0)},
            "valve": {
                # Warm at 13.8 V a pulse below 3.4 ms loses steps, which is another fault.
                "pulse_ms": float(u(3.5, 7.0)) * slow,
                "rest_ms": float(u(0.5, 3.0)) * slow,
                "backlash_steps": 0.0,
            },
            "sensors": {"rpm_smoothing": float(u(0.0, 0.7))},
            "feedback": {
                "law": "pi",
                "gain_steps_per_100rpm": float(u(0.0, gain)),
                "integral_steps_per_100rpm_s": math.exp(u(math.log(0.5), math.log(integral))),
                "deadband_rpm": float(u(0.0, 60.0)),
                "min_move_steps": int(rng.integers(1, 7)),
                "update_period_ms": float(rng.choice([50.0, 100.0, 200.0, 300.0, 500.0])),
                "trim_limit_steps": (-25.0, 30.0),
                "enable_delay_s": 0.0,
                "enable_above_target_rpm": 1000.0,
            },
        },
    )


def random_idles(count: int, seed: int, *, wild: bool = False) -> list[RandomIdle]:
    """Draw until enough cars are kept."""
    rng = np.random.default_rng(seed)
    kept: list[RandomIdle] = []
    while len(kept) < count:
        car = random_car(rng, wild=wild)
        point = idle_point(car)
        if point is None or point.needed_steps <= LEAST_NEED_steps:
            continue
        multiplier = border(point, linear_law(car), tread_steps(car)).multiplier
        if wild or multiplier > 1.0:
            kept.append(RandomIdle(car, point, multiplier))
    return kept
