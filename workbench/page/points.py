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
        kept = _kept(given, most // 4)
        times, given = times[kept], given[kept]
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


def _kept(values: Any, spans: int) -> Any:
    """Places of first, lowest, highest and last value in each span."""
    edges = np.linspace(0, values.size, spans + 1).astype(int)
    kept: set[int] = set()
    for begin, end in pairwise(edges.tolist()):
        if end > begin:
            part = values[begin:end]
            kept |= {int(begin), int(begin + np.argmin(part)), int(begin + np.argmax(part)), int(end - 1)}
    return np.array(sorted(kept), dtype=int)


def _pairs(times: Any, values: Any, digits: int) -> Pairs:
    return np.column_stack([np.round(times, 2), np.round(values, digits)]).tolist()
