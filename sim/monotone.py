"""Monotone cubic interpolation of a table.

Written out because importing ``scipy.interpolate`` costs more than half a second, which every
command that reads a car file would pay; a test holds it equal to scipy's.
"""

from __future__ import annotations

import numpy as np


def _end_slope(near_width: float, far_width: float, near: float, far: float) -> float:
    """Slope at an end from the secants of the two intervals beside it, kept monotone."""
    slope = ((2.0 * near_width + far_width) * near - near_width * far) / (near_width + far_width)
    if slope * near <= 0.0:
        return 0.0
    if near * far <= 0.0 and abs(slope) > 3.0 * abs(near):
        return 3.0 * near
    return slope


def _slopes(width: np.ndarray, secant: np.ndarray) -> np.ndarray:
    """Slope at each point: weighted harmonic mean of the secants, zero where they turn."""
    if secant.size == 1:
        return np.repeat(secant, 2)
    inner = np.zeros(secant.size - 1)
    same = secant[:-1] * secant[1:] > 0.0
    left, right = 2.0 * width[1:] + width[:-1], width[1:] + 2.0 * width[:-1]
    with np.errstate(over="ignore"):  # beside a secant of next to nothing the slope is nothing
        inner[same] = ((left + right)[same]) / (
            left[same] / secant[:-1][same] + right[same] / secant[1:][same]
        )
    first = _end_slope(width[0], width[1], secant[0], secant[1])
    last = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    return np.concatenate(([first], inner, [last]))


def monotone_cubic(points: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Interpolate a table by cubics that rise and fall only where the table does.

    Gives shape (m,), in the unit of the values.

    Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980); slopes by Fritsch and Butland,
    SIAM J. Sci. Stat. Comput. 5 (1984).
    """
    place, value = points[:, 0], points[:, 1]
    width = np.diff(place)
    secant = np.diff(value) / width
    slope = _slopes(width, secant)
    cell = np.clip(np.searchsorted(place, at, side="right") - 1, 0, width.size - 1)
    along = at - place[cell]
    bend = (slope[cell] + slope[cell + 1] - 2.0 * secant[cell]) / width[cell]
    cubic = bend / width[cell]
    square = (secant[cell] - slope[cell]) / width[cell] - bend
    return np.asarray(value[cell] + along * (slope[cell] + along * (square + along * cubic)))
