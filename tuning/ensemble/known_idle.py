"""What is known of every car whose base curve was set by hand: where it idles, how it swings."""

from __future__ import annotations

import math
from typing import Any

from sim import Car, InputError, equilibrium, with_values
from tuning.ensemble.held_swing import held_swing_rpm, share_for_swing
from tuning.loop import WARM_degC, base_position

IDLE_TOLERANCE_rpm = 3.0
"""How near a car is set to a wanted warm idle on the base curve [rpm]."""
COOL_degC = 20.0


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
