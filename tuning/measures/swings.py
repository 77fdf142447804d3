"""How large an oscillation is, compiled: whole swings between its extremes."""

from __future__ import annotations

import math

import numpy as np

from controllers.compiling import compiled
from tuning.measures.band import Floats

SWING_HYSTERESIS = 0.5
"""A swing counts once the signal has passed this share of its rms on both sides of zero [-]."""


@compiled
def root_mean_square(x: Floats) -> float:
    """Root of the mean square [any]."""
    even, odd = 0.0, 0.0
    for i in range(0, x.size - 1, 2):
        even += x[i] * x[i]
        odd += x[i + 1] * x[i + 1]
    if x.size % 2 == 1:
        even += x[x.size - 1] * x[x.size - 1]
    return math.sqrt((even + odd) / x.size)


@compiled
def swings(x: Floats, rms: float) -> tuple[float, float]:
    """Peak to peak and period of a signal from its whole swings [any, samples].

    A half swing runs from where the signal leaves a band of half its rms on one side to where it leaves it on
    the other, so ripple near zero does not count. Peak to peak is the mean of the largest values of the upper
    half swings less the mean of the smallest of the lower, those cut off by an end left out. It is 2A for a
    sine of amplitude A (ten samples a second cut 2 % off one of 1 Hz), a triangle and a square, where a
    multiple of the rms would be right for one of them only; for pure scatter about 3 times its rms, however
    long the stretch.
    Source: our definition.
    """
    band = SWING_HYSTERESIS * rms
    side, crossings, first_cross, last_cross = 0, 0, 0, 0
    upper, lower, largest, smallest, extreme = 0.0, 0.0, x[0], x[0], 0.0
    uppers, lowers = 0, 0
    for i in range(x.size):
        value = x[i]
        largest = max(largest, value)
        smallest = min(smallest, value)
        if (value > band and side <= 0) or (value < -band and side >= 0):
            if side != 0:
                crossings += 1
                last_cross = i
            if crossings == 1:
                first_cross = i
            elif crossings > 1 and side > 0:
                upper += extreme
                uppers += 1
            elif crossings > 1:
                lower += extreme
                lowers += 1
            side = 1 if value > 0.0 else -1
            extreme = value
        elif side * value > side * extreme:
            extreme = value
    if uppers == 0 or lowers == 0:
        return largest - smallest, np.nan
    return upper / uppers - lower / lowers, 2.0 * (last_cross - first_cross) / (uppers + lowers)
