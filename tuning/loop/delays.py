"""Transfer functions of things that take time: delays, means over a period, a valve's steps."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Complexes = NDArray[np.complex128]
Reals = NDArray[np.float64]


def mean_over(s: ArrayLike, period_s: float) -> Complexes:
    """Transfer function of the mean over the last period, also of a hold: (1 - exp(-s T))/(s T) [-]."""
    product = np.asarray(s, dtype=complex) * period_s
    small = np.abs(product) < 1e-6
    safe = np.where(small, 1.0, product)
    return np.where(small, 1.0 - product / 2.0, -np.expm1(-safe) / safe)


def travel_response(s: ArrayLike, valve_step_s: float, steps: int) -> Complexes:
    """Transfer function from a commanded move to the position: each step done a step time later [-].

    Exact for moves of that many steps that do not overlap; the valve's slew is not linear.
    """
    s = np.asarray(s, dtype=complex)
    done = np.exp(-np.multiply.outer(np.arange(1, steps + 1), s) * valve_step_s)
    return np.asarray(done.mean(axis=0))
