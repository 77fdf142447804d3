"""Engines of another structure run by the product's controller: the drives of the score on them."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from controllers import make_controller
from sim import Car, with_values
from tests.foreign_engine import LEAK, ForeignEngine, begun, chance, go
from tuning.ensemble.drives import (
    BLIP_OPENING,
    ANSWER_s,
    BLIP_AT_s,
    BLIP_CLOSING_s,
    BLIP_OPEN_s,
    EVERYTHING_W_per_l,
    LAMPS_W_per_l,
    LOAD_SPAN_s,
    LOADS_AT_s,
    REST_s,
)

SPACING_s = 0.05
CLOSING_PART_s = 0.05
"""The throttle closes in steps of so much time here, twice as fine as in the model [s]."""
WINDOWS = (
    *(("load", at_s, at_s + LOAD_SPAN_s) for at_s in LOADS_AT_s), ("blip", BLIP_AT_s, ANSWER_s),
)  # fmt: skip
CLOSED_s = BLIP_AT_s + BLIP_OPEN_s + BLIP_CLOSING_s
CHANGES_s = (*LOADS_AT_s, BLIP_AT_s, *np.arange(BLIP_AT_s + BLIP_OPEN_s, CLOSED_s, CLOSING_PART_s), CLOSED_s)
"""When something outside changes: lamps, everything, each on and off, and the throttle."""


@dataclass(frozen=True)
class ForeignDrive:
    """Measured speed and commanded steps every 50 ms, and the lowest true speed."""

    rpm: np.ndarray
    steps: np.ndarray
    lowest_rpm: float


def outside(engine: ForeignEngine, time_s: float) -> tuple[float, float, float]:
    """Load [W], torque [Nm] and open throttle [m2] from a time of the loads and the blip on."""
    litres = engine.displacement_cm3 / 1000.0
    lamps_s, off_s, everything_s, all_off_s = LOADS_AT_s
    watts = 0.0
    if lamps_s <= time_s < off_s:
        watts = LAMPS_W_per_l * litres
    elif everything_s <= time_s < all_off_s:
        watts = EVERYTHING_W_per_l * litres
    return watts, 0.0, opened(time_s) * float(engine.numbers[LEAK])


def opened(time_s: float) -> float:
    """How far the throttle is open beyond its leak, over the leak [-]."""
    share = np.interp(
        time_s, (BLIP_AT_s, BLIP_AT_s + BLIP_OPEN_s, CLOSED_s), (1.0, 1.0, 0.0), left=0.0, right=0.0
    )
    return float((BLIP_OPENING - 1.0) * share) if time_s < CLOSED_s - 1e-9 else 0.0


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
    duration_s: float = ANSWER_s, shift_s: float = 0.0, resting: bool = False,
) -> ForeignDrive:  # fmt: skip
    """Run an engine from its idle with a car's controller, which knows nothing of it.

    The base curve is wrong by ``base_error_steps`` throughout.  All that happens comes
    ``shift_s`` later, and the drive lasts that much longer; nothing happens to one ``resting``.
    """
    controller = make_controller(with_base_error(car, base_error_steps))
    draws = chance(seed)
    commanded = engine.base_steps + base_error_steps
    memory = begun(engine.numbers, engine.target_rpm, commanded, -4.0)
    rpm, _, _ = go(engine.numbers, memory, 0.0, commanded, (0.0, 0.0, 0.0), draws)
    memory[0, 19] = memory[0, 0]
    out = np.zeros((2, round((duration_s + shift_s) / SPACING_s)))
    end_s, first, lowest = out.shape[1] * SPACING_s, 0, np.inf
    updates = np.arange(0.0, end_s, controller.period_s)
    changes = np.array(() if resting else CHANGES_s) + shift_s
    times = np.unique(np.concatenate([updates, changes[changes < end_s]]))
    around = (0.0, 0.0, 0.0)
    for at_s, next_s in zip(times, [*times[1:], end_s], strict=True):
        if not resting:
            around = outside(engine, at_s - shift_s)
        commanded = float(controller.step(at_s, rpm, 90.0, around[2] == 0.0))
        first, rpm, lowest = go_on(engine.numbers, memory, first, next_s, commanded, around, draws, out)
    return ForeignDrive(out[0], out[1], float(lowest))


def rest(engine: ForeignEngine, car: Car, seed: int, base_error_steps: float) -> ForeignDrive:
    """A warm idle of the score."""
    return drive(engine, car, seed, base_error_steps, REST_s, resting=True)
