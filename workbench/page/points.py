"""Fewer points, the same picture: what a chart is sent is what a screen can show of it."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

Pairs = list[list[float]]


def thinned(time_s: ArrayLike, values: ArrayLike, most: int, digits: int = 1) -> Pairs:
    """Reduce a line to its first, lowest, highest and last point in each of many short spans."""
    times = np.asarray(time_s, dtype=float)
    given = np.asarray(values, dtype=float)
    known = np.isfinite(given)
    times, given = times[known], given[known]
    if times.size > most:
        kept: set[int] = set()
        for begin, end in pairwise(np.linspace(0, given.size, most // 4 + 1).astype(int).tolist()):
            part = given[begin:end]
            kept |= {begin, begin + int(np.argmin(part)), begin + int(np.argmax(part)), end - 1}
        places = sorted(kept)
        times, given = times[places], given[places]
    return _pairs(times, given, digits)


def changes(time_s: ArrayLike, values: ArrayLike, most: int, digits: int = 1) -> Pairs:
    """Reduce a line of steps to the points at which it changes, and its end."""
    times = np.asarray(time_s, dtype=float)
    given = np.asarray(values, dtype=float)
    if times.size == 0:
        return []
    places = np.flatnonzero(np.diff(given)) + 1
    kept = np.unique(np.concatenate(([0], places, [times.size - 1])))
    if kept.size > most:
        return thinned(times, given, most, digits)
    return _pairs(times[kept], given[kept], digits)


def _pairs(times: Any, values: Any, digits: int) -> Pairs:
    return np.column_stack([np.round(times, 2), np.round(values, digits)]).tolist()
