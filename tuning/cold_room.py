"""How far the open-loop curves are off while the engine warms up, by the model.

A cold engine never settles: it warms as it runs, and its oil is behind.  So what the curves give on
the way through a temperature is compared with what the engine needs there, in starts from several
temperatures; after-start air counts for as long as it lasts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from sim import Car

COLD_STARTS_degC = (-20.0, 0.0, 20.0)
COLDEST_degC, WARMED_degC = -10.0, 45.0
"""A start from the coldest has warmed to the first of these when flare and hand-over are over; from
the second on an engine is looked at as settled [degC]."""
PASSED_s = 20.0
"""Flare and hand-over are over, after the engine runs; common practice, no source [s]."""
NEAR_K, ENOUGH = 6.0, 6
"""Readings this near a temperature tell of it, so many of one start or more: [K] and count [-]."""


def warm_up_errors(car: Car, coolant_degC: Sequence[float], seed: int = 0) -> dict[float, float]:
    """Steps that the curves lack on the way through temperatures.

    Parameters
    ----------
    car : Car
        The car.
    coolant_degC : sequence of float
        Temperatures as the controller reads them [degC].
    seed : int
        Of the starts.

    Returns
    -------
    dict of float to float
        Temperature to steps wanted more, negative for fewer, mean over the starts that pass it;
        temperatures that none passes are left out [degC, steps].

    Notes
    -----
    Source: definition our own.
    """
    from tuning.base_need import held_in_starts
    from tuning.check_room import curve_at

    if not coolant_degC:
        return {}
    curves, limit = car.curves, float(car.valve.open_limit_steps)
    held = held_in_starts(car, COLD_STARTS_degC, seed)
    after = np.array([curve_at(curves.after_start_steps, degC) for degC in COLD_STARTS_degC])
    left = np.maximum(1.0 - held.since_s / curves.after_start_fade_s, 0.0)
    base = np.interp(held.coolant_degC, *np.asarray(curves.base_steps, dtype=float).T)
    given = np.minimum(base + after[held.start] * left, limit)
    lacks = held.steps - given
    found = {}
    for place in coolant_degC:
        near = (np.abs(held.coolant_degC - place) <= NEAR_K) & (held.since_s >= PASSED_s)
        each = [lacks[near & (held.start == start)] for start in range(len(COLD_STARTS_degC))]
        means = [float(one.mean()) for one in each if one.size >= ENOUGH]
        if means:
            found[place] = float(np.mean(means))
    return found
