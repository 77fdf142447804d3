"""What is known of every car whose base curve was set by hand: where it idles, how it swings."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sim import Car, InputError, equilibrium, with_values
from sim.replay import make_drive, replay
from tuning.loop import WARM_degC, base_position

IDLE_TOLERANCE_rpm = 3.0  # How near a car is set to a wanted warm idle on the base curve [rpm].
COOL_degC = 20.0
DURATION_s, SETTLED_s, SPACING_s = 45.0, 5.0, 0.05
AVERAGED_ROWS = 5  # Readings averaged: what is quicker than about 2 Hz is no swing of the idle [-].
SEEDS = 4  # The same for all cars, so that their swings can be compared.
LARGEST_SHARE = 0.4  # Of scatter: beyond it firings fail, which is another fault; our judgement [-].
LARGEST_CHANGE = 2.0  # The share is changed by at most this factor, either way [-].


def bounded(model: Any, key: str, value: float) -> float:
    """The value cut off at the bounds that the car file's field has [any]."""
    for rule in type(model).model_fields[key].metadata:
        value = max(value, float(getattr(rule, "ge", value)))
        value = min(value, float(getattr(rule, "le", value)))
    return value


def idle_rpm(car: Car, coolant_degC: float) -> float:
    """Where a car idles on its base curve, without load."""
    return equilibrium(car, base_position(car, coolant_degC), coolant_degC)["rpm"]


def idles_at(car: Car, wanted_rpm: float) -> Car:
    """The car with the throttle leak, else the work per air, at which it idles at that speed."""
    leak = _solved(car, "throttle", "leak_mm2", wanted_rpm, 0.3 * car.throttle.leak_mm2 + 0.5)
    if abs(idle_rpm(leak, WARM_degC) - wanted_rpm) <= IDLE_TOLERANCE_rpm:
        return leak
    work = leak.engine.work_per_air_kJ_per_kg
    return _solved(leak, "engine", "work_per_air_kJ_per_kg", wanted_rpm, 0.1 * work)


def seen_swing_rpm(car: Car, warm_rpm: float) -> float:
    """How far speed swings with the valve held, 0 where the file does not say that it was seen."""
    if warm_rpm <= 0.0 or "scatter_share" not in car.uncertainty.get("engine", {}):
        return 0.0
    return held_swing_rpm(car, base_position(car), warm_rpm)


def swings_as(car: Car, swing_rpm: float, warm_rpm: float) -> Car:
    """The car with the scatter at which it swings so far; 0: as it is."""
    if not swing_rpm > 0.0:
        return car
    share = share_for_swing(car, swing_rpm, base_position(car), warm_rpm)
    return with_values(car, {"engine": {"scatter_share": share}})


def _solved(car: Car, table: str, key: str, wanted_rpm: float, step: float) -> Car:
    """Change one number by secants until the warm idle on the base curve is right."""
    model = getattr(car, table)
    here = getattr(model, key)
    best, before = car, (math.nan, math.nan)
    for _ in range(12):
        off = idle_rpm(best, WARM_degC) - wanted_rpm
        if abs(off) <= IDLE_TOLERANCE_rpm:
            break
        slope = (off - before[1]) / (here - before[0])
        move = -off / slope if math.isfinite(slope) and slope > 0.0 else -math.copysign(step, off)
        before = (here, off)
        here = bounded(model, key, here + min(max(move, -2.0 * step), 2.0 * step))
        if here == before[0]:
            break
        try:
            best = with_values(best, {table: {key: here}})
        except InputError:  # leak above the throttle's opening, and the like
            break
    return best


def held_swing_rpm(car: Car, steps: float, start_rpm: float) -> float:
    """Standard deviation of the warm engine's speed with the valve held, below about 2 Hz.

    Parameters
    ----------
    car, steps, start_rpm : Car, float
        Whole valve position, and where it idles there, above 0 [steps, rpm].

    Returns
    -------
    float, nan where a run stalls [rpm]
    """
    times = np.arange(0.0, DURATION_s, SPACING_s)
    drive = make_drive(times, np.full(times.size, steps), start_rpm=start_rpm)
    squares = []
    for seed in range(SEEDS):
        run = replay(car, drive, seed=seed)
        if math.isfinite(run.stalled_s):
            return math.nan
        settled = run.rpm[times >= SETTLED_s]
        mean = np.convolve(settled, np.full(AVERAGED_ROWS, 1.0 / AVERAGED_ROWS), mode="valid")
        squares.append(float(np.var(mean)))
    return math.sqrt(sum(squares) / SEEDS)


def share_for_swing(car: Car, swing_rpm: float, steps: float, start_rpm: float) -> float:
    """Scatter with which speed swings as far as was seen.

    Parameters
    ----------
    car, swing_rpm, steps, start_rpm : Car, float
        As of ``held_swing_rpm``; the car's scatter is where the search begins [rpm, steps].

    Returns
    -------
    float
        Standard deviation of the work of a firing over its mean; the car's own where it does not run, or does
        not scatter [-].
    """
    share = car.engine.scatter_share
    makes = held_swing_rpm(car, steps, start_rpm)
    if not (makes > 0.0 and swing_rpm > 0.0):
        return share
    factor = min(max(swing_rpm / makes, 1.0 / LARGEST_CHANGE), LARGEST_CHANGE)
    return min(share * factor, LARGEST_SHARE)
