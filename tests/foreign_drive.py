"""Engines of another structure run by the product's controller: idle, loads, a blip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controllers import make_controller
from sim import Car
from tests.foreign_engine import ForeignEngine, begun, go

SPACING_s = 0.05
LAMPS_W_per_l, EVERYTHING_W_per_l, BLIP_m2_per_l = 90.0, 190.0, 1.5e-4
"""Loads and throttle opening by displacement: of the size that cars have, no source."""
WINDOWS = (
    ("hunting", 8.0, 30.0), ("load", 30.0, 42.0), ("load", 42.0, 54.0), ("load", 54.0, 68.0),
    ("load", 68.0, 80.0), ("blip", 80.0, 92.0),
)  # fmt: skip
DURATION_s = 92.0


@dataclass(frozen=True)
class ForeignDrive:
    """Measured speed and commanded steps every 50 ms, and the lowest true speed."""

    rpm: np.ndarray
    steps: np.ndarray
    lowest_rpm: float


def outside(time_s: float, litres: float) -> tuple[float, float, float]:
    """Load [W], torque [Nm] and open throttle [m2] at a time of the drive."""
    watts = 0.0
    if 30.0 <= time_s < 42.0:
        watts = LAMPS_W_per_l * litres
    elif 54.0 <= time_s < 68.0:
        watts = EVERYTHING_W_per_l * litres
    return watts, 0.0, BLIP_m2_per_l * litres if 80.0 <= time_s < 80.8 else 0.0


def drive(
    engine: ForeignEngine, car: Car, seed: int, base_error_steps: float = 0.0,
    duration_s: float = DURATION_s,
) -> ForeignDrive:  # fmt: skip
    """Run an engine from its idle with a car's controller, which knows nothing of it."""
    controller = make_controller(car)
    draws = np.random.default_rng(seed)
    litres = engine.displacement_cm3 / 1000.0
    commanded = engine.base_steps + base_error_steps
    memory = begun(engine.numbers, engine.target_rpm, commanded, -4.0)
    rpm, _, _ = go(engine.numbers, memory, 0.0, commanded, (0.0, 0.0, 0.0), draws)
    memory[0, 19] = memory[0, 0]
    rows = round(duration_s / SPACING_s)
    measured, told, lowest = np.zeros(rows), np.zeros(rows), np.inf
    for row in range(rows):
        # The controller may be asked at any rate: it keeps its own time between updates.
        for part in range(5):
            at_s = row * SPACING_s + part * 0.01
            around = outside(at_s, litres)
            commanded = float(controller.step(at_s, rpm, 90.0, around[2] == 0.0))
            rpm, _, lowest = go(
                engine.numbers, memory, at_s + 0.01, commanded, around, draws
            )  # fmt: skip
        measured[row], told[row] = rpm, commanded
    return ForeignDrive(measured, told, float(lowest))
