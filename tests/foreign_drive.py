"""Engines of another structure run by the product's controller: idle, loads, a blip."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from controllers import make_controller
from sim import Car, with_values
from tests.foreign_engine import ForeignEngine, begun, chance, go

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


CHANGES_s = (30.0, 42.0, 54.0, 68.0, 80.0, 80.8)
"""When something outside changes: lamps, everything, the throttle, each on and off."""


def outside(time_s: float, litres: float) -> tuple[float, float, float]:
    """Load [W], torque [Nm] and open throttle [m2] from a time of the drive on."""
    watts = 0.0
    if 30.0 <= time_s < 42.0:
        watts = LAMPS_W_per_l * litres
    elif 54.0 <= time_s < 68.0:
        watts = EVERYTHING_W_per_l * litres
    return watts, 0.0, BLIP_m2_per_l * litres if 80.0 <= time_s < 80.8 else 0.0


@numba.njit(cache=False)
def go_on(
    n: np.ndarray, memory: np.ndarray, first: int, until_s: float, commanded: float,
    around: tuple[float, float, float], draws: np.ndarray, out: np.ndarray,
) -> tuple[int, float, float]:  # fmt: skip
    """Run on to a time and fill the rows (rpm, steps) passed on the way.

    Gives the first row not filled, measured rpm and the lowest true rpm so far.
    """
    while first < out.shape[1] and (first + 1) * SPACING_s <= until_s + 1e-9:
        rpm, _, lowest = go(n, memory, (first + 1) * SPACING_s, commanded, around, draws)
        out[0, first], out[1, first] = rpm, commanded
        first += 1
    rpm, _, lowest = go(n, memory, until_s, commanded, around, draws)
    return first, rpm, lowest


def with_base_error(car: Car, error_steps: float) -> Car:
    """The car with its base curve that much higher."""
    points = [(degC, max(steps + error_steps, 0.0)) for degC, steps in car.curves.base_steps]
    return with_values(car, {"curves": {"base_steps": points}}) if error_steps else car


def drive(
    engine: ForeignEngine, car: Car, seed: int, base_error_steps: float = 0.0,
    duration_s: float = DURATION_s, shift_s: float = 0.0,
) -> ForeignDrive:  # fmt: skip
    """Run an engine from its idle with a car's controller, which knows nothing of it.

    The base curve is wrong by ``base_error_steps`` throughout.  All that happens comes
    ``shift_s`` later, and the drive lasts that much longer.
    """
    controller = make_controller(with_base_error(car, base_error_steps))
    draws = chance(seed)
    litres = engine.displacement_cm3 / 1000.0
    commanded = engine.base_steps + base_error_steps
    memory = begun(engine.numbers, engine.target_rpm, commanded, -4.0)
    rpm, _, _ = go(engine.numbers, memory, 0.0, commanded, (0.0, 0.0, 0.0), draws)
    memory[0, 19] = memory[0, 0]
    out = np.zeros((2, round((duration_s + shift_s) / SPACING_s)))
    end_s, first, lowest = out.shape[1] * SPACING_s, 0, np.inf
    updates = np.arange(0.0, end_s, controller.period_s)
    changes = np.array(CHANGES_s) + shift_s
    times = np.unique(np.concatenate([updates, changes[changes < end_s]]))
    for at_s, next_s in zip(times, [*times[1:], end_s], strict=True):
        around = outside(at_s - shift_s, litres)
        commanded = float(controller.step(at_s, rpm, 90.0, around[2] == 0.0))
        first, rpm, lowest = go_on(
            engine.numbers, memory, first, next_s, commanded, around, draws, out
        )
    return ForeignDrive(out[0], out[1], float(lowest))
