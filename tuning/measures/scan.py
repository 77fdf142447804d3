"""Scans over a stretch of samples that several measures share, compiled.

A stretch is samples ``first`` to ``past - 1`` of a run, whose array ends where the run ends or the engine
stalls; rpm counts as 0 beyond. Smoothed rpm is the mean of the samples within 0.25 s on either side (eleven
at 50 ms; fewer at either end of the array).
"""

from __future__ import annotations

import math

import numpy as np

from controllers.compiling import compiled, relation
from tuning.measures.band import Samples

SMOOTHED_s = 0.5  # Length over which rpm is smoothed for settling [s].


@relation
def larger(so_far: float, value: float) -> float:
    """Larger of a value and what was kept so far, nan at first [any]."""
    return so_far if so_far >= value else value


@relation
def smaller(so_far: float, value: float) -> float:
    """Smaller of a value and what was kept so far, nan at first [any]."""
    return so_far if so_far <= value else value


@relation
def summed(so_far: float, value: float) -> float:
    """Sum of a value and what was kept so far, nan at first [any]."""
    return value if so_far != so_far else so_far + value


@relation
def whole_samples(time_s: float, dt_s: float) -> int:
    """Nearest whole number of samples in a time, 0 or more."""
    return int(math.floor(time_s / dt_s + 0.5))


@compiled
def is_outside(rpm: Samples, k: int, half: int, target_rpm: float, tolerance_rpm: float) -> bool:
    """Tell whether smoothed rpm near an end of the array is outside the target band."""
    total = 0.0
    first, past = max(0, k - half), min(rpm.size, k + half + 1)
    for j in range(first, past):
        total += rpm[j]
    used = past - first
    return abs(total - target_rpm * used) > tolerance_rpm * used


@compiled
def outside_band(
    rpm: Samples, first: int, past: int, target_rpm: float, tolerance_rpm: float, dt_s: float
) -> tuple[int, int]:
    """Count samples whose smoothed rpm is outside the target band, and find the last."""
    half = whole_samples(0.5 * SMOOTHED_s, dt_s)
    inside = min(past, rpm.size)
    # Away from the ends of the array the sum moves along: one comes, one goes.
    begin, end = max(first, half), min(inside, rpm.size - half)
    count, past_last = 0, first
    for k in range(first, min(begin, inside)):
        if is_outside(rpm, k, half, target_rpm, tolerance_rpm):
            count, past_last = count + 1, k + 1
    if begin < end:
        comes, goes = rpm[begin + half : end + half], rpm[begin - half : end - half]
        used = 2 * half + 1
        middle, width, total = target_rpm * used, tolerance_rpm * used, 0.0
        for k in range(begin - half, begin + half):
            total += rpm[k]
        for j in range(end - begin):
            if abs(total + comes[j] - middle) > width:
                count, past_last = count + 1, begin + j + 1
            total += np.float64(comes[j]) - goes[j]
    for k in range(max(begin, end), inside):
        if is_outside(rpm, k, half, target_rpm, tolerance_rpm):
            count, past_last = count + 1, k + 1
    if past > inside and abs(target_rpm) > tolerance_rpm:
        return count + past - max(first, inside), past
    return count, past_last


@compiled
def extremes(rpm: Samples, first: int, past: int) -> tuple[float, float, int]:
    """Lowest and highest rpm of a window, 0 once stalled, and where the highest is [rpm, rpm, -]."""
    if first >= rpm.size:
        return 0.0, 0.0, first
    lowest, highest, top = rpm[first], rpm[first], first
    for k in range(first, min(past, rpm.size)):
        here = rpm[k]
        lowest = here if here < lowest else lowest
        if here > highest:
            highest, top = here, k
    if past > rpm.size:
        return 0.0, np.float64(highest), top
    return np.float64(lowest), np.float64(highest), top


@compiled
def line_and_scatter(rpm: Samples, target_rpm: float) -> tuple[float, float, float, float]:
    """Mean and slope of the least-squares line, scatter about it, distance from target [rpm, rpm a sample].

    Sums are taken about the first sample, so they keep their digits at any speed.
    """
    n = rpm.size
    start = np.float64(rpm[0])
    middle, error = 0.5 * (n - 1), target_rpm - start
    total, squares, moment, distance = 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        here = rpm[k] - start
        total += here
        squares += here * here
        moment += (k - middle) * here
        distance += abs(error - here)
    spread = n * (np.float64(n) * n - 1.0) / 12.0
    slope = moment / spread if n > 1 else 0.0
    mean = total / n
    left = squares / n - mean * mean - slope * slope * spread / n
    return start + mean, slope, math.sqrt(max(0.0, left)), distance / n


@compiled
def mean_before(rpm: Samples, first: int, count: int, fewest: int, otherwise: float) -> float:
    """Mean of the samples just before a stretch [rpm]."""
    begin = max(0, first - count)
    if first - begin < fewest or first > rpm.size:
        return otherwise
    total = 0.0
    for k in range(begin, first):
        total += rpm[k]
    return total / (first - begin)
