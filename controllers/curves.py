"""Curves over coolant temperature: base, target, cranking and after-start."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from controllers.compiling import compiled, relation
from controllers.records import Block

if TYPE_CHECKING:
    from controllers.settings import Curves

POINTS = 40  # Most points a curve may have.
BASE, TARGET, CRANKING, AFTER_START = 0, 1, 2, 3


def car_curves(curves: Curves) -> np.ndarray:
    """Pack a car's curves into an array for compiled code, shape (4, 2, POINTS).

    Base, target, cranking and after-start curve; temperature [degC] and value, the last point repeated.
    """
    table = np.empty((4, 2, POINTS))
    given = (curves.base_steps, curves.target_rpm, curves.cranking_steps, curves.after_start_steps)
    for which, points in enumerate(given):
        pairs = np.asarray(points, dtype=float)
        count = len(pairs)
        table[which, :, :count] = pairs.T
        table[which, :, count:] = pairs[-1][:, None]
    return table


@relation
def curve_value(temperatures_degC: np.ndarray, values: np.ndarray, coolant_degC: float) -> float:
    """Read a curve of ``car_curves``: straight lines between points, held flat beyond both ends [any]."""
    if coolant_degC <= temperatures_degC[0]:
        return values[0]
    for i in range(1, len(values)):
        high = temperatures_degC[i]
        if coolant_degC <= high:
            low = temperatures_degC[i - 1]
            share = (coolant_degC - low) / (high - low)
            return values[i - 1] + share * (values[i] - values[i - 1])
    return values[-1]


def curve_at(points: Sequence[Sequence[float]] | np.ndarray, coolant_degC: float) -> float:
    """Read one of a car file's curves at one temperature, by ``curve_value``.

    Parameters
    ----------
    points, coolant_degC : sequence of pairs, float
        Temperature, rising, and value, as in table [curves]; where to read [degC].

    Returns
    -------
    float [any]
    """
    table = np.asarray(points, dtype=np.float64)
    return float(curve_value(table[:, 0], table[:, 1], coolant_degC))


@compiled
def _read_along(
    temperatures_degC: np.ndarray, values: np.ndarray, places_degC: np.ndarray, out: np.ndarray
) -> None:
    for i in range(places_degC.size):
        out[i] = curve_value(temperatures_degC, values, places_degC[i])


def curve_along(points: Sequence[Sequence[float]], coolant_degC: np.ndarray) -> np.ndarray:
    """Read one of a car file's curves at many temperatures, each as ``curve_at`` does.

    Parameters
    ----------
    points, coolant_degC : sequence of pairs, numpy.ndarray
        The curve, and where to read it [degC].

    Returns
    -------
    numpy.ndarray [any]
    """
    table = np.ascontiguousarray(np.asarray(points, dtype=np.float64).T)
    out = np.empty(coolant_degC.size)
    _read_along(table[0], table[1], np.ascontiguousarray(coolant_degC, dtype=np.float64), out)
    return out


@relation
def begin_running(k: Block, lane: int, curves: np.ndarray, coolant_degC: float, tick: float) -> None:
    """Note that the engine runs: after-start air begins to fade, old trim is forgotten.

    Parameters
    ----------
    k, lane, curves, coolant_degC, tick : Block, int, numpy.ndarray, float
        Controller memory, lane, and ``car_curves``; coolant temperature measured, and now [degC, ticks].
    """
    after = curves[AFTER_START]
    k.after_steps[lane] = curve_value(after[0], after[1], coolant_degC)
    k.started_tick[lane] = tick
    k.integral_steps[lane] = 0.0


@relation
def read_coolant(
    k: Block, lane: int, curves: np.ndarray, coolant_degC: float, base_error_steps: float
) -> None:
    """Read the curves at the coolant temperature the controller sees.

    Parameters
    ----------
    k, lane, curves, coolant_degC, base_error_steps : Block, int, numpy.ndarray, float
        Controller memory, lane, and ``car_curves``; coolant temperature measured, and by how much this run's
        base curve is off [degC, steps].
    """
    base = curve_value(curves[BASE, 0], curves[BASE, 1], coolant_degC)
    k.base_steps[lane] = base + base_error_steps
    k.target_rpm[lane] = curve_value(curves[TARGET, 0], curves[TARGET, 1], coolant_degC)
    k.cranking_steps[lane] = curve_value(curves[CRANKING, 0], curves[CRANKING, 1], coolant_degC)
