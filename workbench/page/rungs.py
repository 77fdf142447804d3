"""The positions that the valve can hold, each at its own steady speed, against the deadband."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import sim
import tuning


def rungs_of(car: sim.Car, coolant_degC: float, standing_steps: float) -> dict[str, Any]:
    """Find where the valve can hold."""
    still = sim.with_values(car, {"feedback": {"law": "none"}})
    point = _idle_point(still, coolant_degC)
    if point is None:
        return {"reached": [], "passed": [], "bar": [], "holds": None, "text": ""}
    on = car.feedback.acts
    move = tuning.tread_steps(car) if on else point.rpm.size
    first = int(round(standing_steps)) % move
    half = tuning.resting_deadband_rpm(car) if on else 0.0
    bar = [point.target_rpm - half, point.target_rpm + half]
    every = [[float(steps), round(float(rpm), 1)] for steps, rpm in enumerate(point.rpm)]
    reached = [one for one in every if int(one[0]) % move == first]
    inside = [one for one in reached if bar[0] <= one[1] <= bar[1]]
    return {
        "reached": reached, "passed": [one for one in every if one not in reached], "bar": bar,
        "holds": bool(inside) if on else None,
        "text": _told(point, reached, inside, move, 2.0 * half) if on else "",
    }  # fmt: skip


def _told(
    point: tuning.IdlePoint, reached: list[list[float]], inside: list[list[float]], move: int, wide_rpm: float
) -> str:
    """Say whether a position holds, and why not."""
    moves = "Single steps" if move == 1 else f"Moves of {move} steps"
    below = [rpm for _, rpm in reached if rpm <= point.target_rpm]
    above = [rpm for _, rpm in reached if rpm > point.target_rpm]
    apart = f" are {min(above) - max(below):.0f} rpm apart here" if below and above else ""
    told = f"{moves}{apart}, the deadband is {wide_rpm:.0f} rpm wide:"
    if inside:
        named = ", ".join(f"{steps:.0f}" for steps, _ in inside[:3])
        more = " and more" if len(inside) > 3 else ""
        return f"{told} at {named}{more} steps the valve can hold."
    return f"{told} no position reached lies in it, so the valve cannot hold."


@lru_cache(maxsize=8)
def _idle_point(still: sim.Car, coolant_degC: float) -> tuning.IdlePoint | None:
    """Found once while only settings of the feedback change."""
    return tuning.idle_point(still, coolant_degC)
