"""How a fit bends the valve's table: area that each step adds, times a smooth factor."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sim import Car
from sim.monotone import monotone_cubic

Floats = NDArray[np.float64]

SCALE_SD, SHAPE_SD = 0.35, 0.35
"""Belief about the valve's area a step: common factor, and departures from it [log]."""
LENGTH_SHARE, SHORTEST_LENGTH_steps = 0.05, 5.0
"""Departures of the valve's curve are alike within this share of its travel: a guessed curve may bend
sharply about the base, where the log has been [-, steps]."""
FLATTEST_SHARE = 0.03
"""Least area a step adds, over the mean, so that a flat stretch of the file can be mended [-]."""
MOST_KNOTS = 5


@lru_cache(maxsize=32)
def _rise_mm2(points: tuple[tuple[float, float], ...]) -> tuple[float, Floats]:
    """Area at the seat and what each step adds, with a least rise."""
    table = np.asarray(points, dtype=float)
    last = int(table[-1, 0])
    area = monotone_cubic(table, np.arange(last + 1.0))
    rise = np.diff(area)
    return float(area[0]), np.maximum(rise, FLATTEST_SHARE * (area[-1] - area[0]) / max(last, 1))


def adjusted_area(car: Car, knots: Floats, adjust: Floats) -> tuple[tuple[float, float], ...]:
    """Valve table, never falling, with the area that each step adds multiplied by a smooth factor [mm2].

    Source: our own; a table of areas that never fall stays one whatever the factors.
    """
    seat_mm2, rise = _rise_mm2(car.valve.area_mm2)
    last = rise.size
    changed = np.full(last + 1, seat_mm2)
    changed[1:] += np.cumsum(rise * np.exp(np.interp(np.arange(last) + 0.5, knots, adjust)))
    points = np.floor([step for step, _ in car.valve.area_mm2])
    at = np.unique(np.concatenate([points, np.rint(knots)]))
    at = at[at <= last]
    return tuple((float(step), float(changed[int(step)])) for step in at)


def valve_knots(visited: Floats, open_limit_steps: float) -> Floats:
    """Positions at which the valve's curve is adjusted: where the log has been, and the ends [steps]."""
    low, high = float(np.min(visited)), float(np.max(visited))
    count = int(np.clip(np.unique(visited).size - 1, 1, MOST_KNOTS))
    inside = np.linspace(low, high, count) if count > 1 else np.array([0.5 * (low + high)])
    outside = [end for end in (0.0, open_limit_steps) if not low - 4.0 < end < high + 4.0]
    return np.unique(np.rint(np.concatenate([inside, outside])))


def knot_covariance(knots: Floats, travel_steps: float) -> Floats:
    """Belief about the adjustments, logarithms: a common factor, and departures alike near each other [-].

    Source: Gaussian process with a squared exponential covariance, Rasmussen and Williams, Gaussian
    Processes for Machine Learning (2006), ch. 4.
    """
    length = max(SHORTEST_LENGTH_steps, LENGTH_SHARE * travel_steps)
    apart = (knots[:, None] - knots[None, :]) / length
    alike = SHAPE_SD**2 * np.exp(-0.5 * apart**2)
    return np.asarray(SCALE_SD**2 + alike + 1.0e-6 * np.eye(knots.size))
