"""How far speed swings with the valve held, and the scatter that makes it swing so far."""

from __future__ import annotations

import math

import numpy as np

from sim import Car
from sim.replay import make_drive, replay

DURATION_s, SETTLED_s, SPACING_s = 45.0, 5.0, 0.05
AVERAGED_ROWS = 5
"""Readings averaged: what is quicker than about 2 Hz is no swing of the idle [-]."""
SEEDS = 4
"""The same for all cars, so that their swings can be compared."""
LARGEST_SHARE = 0.4
"""Of scatter: beyond it firings fail, which is another fault; our judgement [-]."""
LARGEST_CHANGE = 2.0
"""The share is changed by at most this factor, either way [-]."""


def held_swing_rpm(car: Car, steps: float, start_rpm: float) -> float:
    """Standard deviation of the warm engine's speed with the valve held, below about 2 Hz.

    Parameters
    ----------
    car : Car
    steps, start_rpm : float
        Whole valve position, and where it idles there, above 0 [steps, rpm].

    Returns
    -------
    float
        nan where a run stalls [rpm].
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
    car : Car
        Its scatter is where the search begins.
    swing_rpm, steps, start_rpm : float
        As of ``held_swing_rpm`` [rpm, steps, rpm].

    Returns
    -------
    float
        Standard deviation of the work of a firing over its mean; the car's own where it does not run, or
        does not scatter [-].
    """
    share = car.engine.scatter_share
    makes = held_swing_rpm(car, steps, start_rpm)
    if not (makes > 0.0 and swing_rpm > 0.0):
        return share
    factor = min(max(swing_rpm / makes, 1.0 / LARGEST_CHANGE), LARGEST_CHANGE)
    return min(share * factor, LARGEST_SHARE)
