"""How far the open-loop curves are off while the engine warms up, by the model.

A cold engine never settles, so what the curves give is held against what it needs on its way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from sim import Car

COLD_STARTS_degC = (-20.0, 0.0, 20.0)
COLDEST_degC, WARMED_degC = -10.0, 45.0
"""A start from the coldest has warmed to the first of these when flare and hand-over are over; from the
second on an engine is looked at as settled [degC]."""
PASSED_s = 20.0  # Flare and hand-over are over, after the engine runs; common practice, no source [s].
NEAR_K, ENOUGH = 6.0, 6
"""Readings this near a temperature tell of it, so many of one start or more: [K] and count [-]."""


STUCK_steps, STUCK_rpm = 1.0, 30.0
"""A valve held within this of an end, while the speed is this far off, does not reach the target; our
judgement."""


class Passing(NamedTuple):
    """An engine on its way through a temperature, mean over the starts that pass it."""

    lacks_steps: float
    over_rpm: float
    reach: float


def passings(car: Car, coolant_degC: Sequence[float]) -> dict[float, Passing]:
    """Look at an engine on its way through temperatures, in starts from several; definition our own."""
    from controllers import curve_along, curve_at
    from tuning.starts import held_in_starts

    if not coolant_degC:
        return {}
    curves, limit = car.curves, float(car.valve.open_limit_steps)
    held = held_in_starts(car, COLD_STARTS_degC, 0)
    after = np.array([curve_at(curves.after_start_steps, degC) for degC in COLD_STARTS_degC])
    left = np.maximum(1.0 - held.since_s / curves.after_start_fade_s, 0.0)
    base = curve_along(curves.base_steps, held.coolant_degC)
    given = np.minimum(base + after[held.start] * left, limit)
    each = np.array([held.steps - given, held.over_rpm, held.steps])
    found = {}
    for place in coolant_degC:
        near = (np.abs(held.coolant_degC - place) <= NEAR_K) & (held.since_s >= PASSED_s)
        passed = [near & (held.start == start) for start in range(len(COLD_STARTS_degC))]
        means = [each[:, one].mean(axis=1) for one in passed if one.sum() >= ENOUGH]
        if means:
            lacks, over_rpm, steps = (float(one) for one in np.mean(means, axis=0))
            found[place] = Passing(lacks, over_rpm, _reach(steps, over_rpm, limit))
    return found


def _reach(steps: float, over_rpm: float, limit_steps: float) -> float:
    if steps >= limit_steps - STUCK_steps and over_rpm < -STUCK_rpm:
        return 1.0
    return -1.0 if steps <= STUCK_steps and over_rpm > STUCK_rpm else 0.0
