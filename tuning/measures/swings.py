"""How large an oscillation is, and how regular: its autocorrelation crosses zero evenly in hunting."""

from __future__ import annotations

import math

import numpy as np

from controllers.compiling import compiled
from tuning.measures.band import Floats

LAG_SHARE = 0.8  # Longest lag of the autocorrelation as a share of the stretch [-]: 2.2 periods are enough.
LONGEST_LAG_s = 40.0  # Longest lag of the autocorrelation [s]: two of the slowest periods in the band.
LAGS_A_PERIOD = 10  # Lags aimed at in a period [-].
SHORTEST_STEP_s = 0.2  # Shortest spacing of lags [s]: 5 a second, above twice the band's upper corner.
LONGEST_STEP_s = 1.0  # Longest spacing of lags [s].
LAG_BLOCK = 8  # Lags worked out side by side [-].
CROSSINGS = 11  # Zero crossings of the autocorrelation used at most: ten intervals.
FEWEST_INTERVALS = 3  # Below this many intervals regularity is not told (nan).
LARGEST_REGULARITY = 1000.0  # Regularity is cut here: evenly spaced crossings would make it infinite [-].
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
    long the stretch. Source: our definition.
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


@compiled
def eight_lags(x: Floats, n: int, first: int, lags: Floats) -> None:
    """Autocorrelation at eight lags side by side (eight sums that do not wait on each other).

    Not divided by n (biased) nor by n - lag (unbiased): neither moves a zero crossing.
    """
    s0, s1, s2, s3, s4, s5, s6, s7 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    later = x[first:]
    for i in range(n - first):
        now = x[i]
        s0 += now * later[i]
        s1 += now * later[i + 1]
        s2 += now * later[i + 2]
        s3 += now * later[i + 3]
        s4 += now * later[i + 4]
        s5 += now * later[i + 5]
        s6 += now * later[i + 6]
        s7 += now * later[i + 7]
    lags[0], lags[1], lags[2], lags[3] = s0, s1, s2, s3
    lags[4], lags[5], lags[6], lags[7] = s4, s5, s6, s7


@compiled
def autocorrelation(x: Floats, n: int, wanted: int, lags: Floats) -> int:
    """Autocorrelation from lag 0 on, until it has crossed zero often enough; gives the lags written."""
    crossings = 0
    for first in range(0, wanted, LAG_BLOCK):
        eight_lags(x, n, first, lags[first : first + LAG_BLOCK])
        past = min(first + LAG_BLOCK, wanted)
        for lag in range(max(first, 1), past):
            if (lags[lag] < 0.0) != (lags[lag - 1] < 0.0):
                crossings += 1
        if crossings >= CROSSINGS:
            return past
    return wanted


@compiled
def crossing_intervals(lags: Floats) -> tuple[int, float, float]:
    """Count, mean and deviation of the spacings of an autocorrelation's zero crossings [-, lags, lags].

    Source: Thornhill, Huang & Zhang, Detection of multiple oscillations in control loops, Journal of Process
    Control 13 (2003), from memory. The quarter period before the first crossing is no interval.
    """
    found = 0
    before, total, squares = 0.0, 0.0, 0.0
    for lag in range(1, lags.size):
        here, last = lags[lag], lags[lag - 1]
        if (here < 0.0) == (last < 0.0):
            continue
        at = lag - here / (here - last)
        if found > 0:
            total += at - before
            squares += (at - before) * (at - before)
        before = at
        found += 1
        if found == CROSSINGS:
            break
    intervals = found - 1
    if intervals < 1:
        return 0, np.nan, np.nan
    mean = total / intervals
    return intervals, mean, math.sqrt(max(0.0, squares / intervals - mean * mean))


@compiled
def repeat_share(lags: Floats, n: int, period: float) -> float:
    """Share of the signal's power that comes back after one period [-].

    For a sine of mean square s in scatter of variance v that has forgotten itself after a period it is s/(s +
    v). Source: our definition.
    """
    if not period <= lags.size - 1 or lags[0] <= 0.0:
        return np.nan
    at, highest = 0, -np.inf
    past = min(int(math.floor(1.25 * period)) + 1, lags.size)
    for lag in range(int(math.ceil(0.75 * period)), past):
        here = lags[lag] / (n - lag)
        if here > highest:
            at, highest = lag, here
    if 0 < at < lags.size - 1:
        left, right = lags[at - 1] / (n - at + 1), lags[at + 1] / (n - at - 1)
        bend = left - 2.0 * highest + right
        if bend < 0.0 and highest >= left and highest >= right:
            highest -= (left - right) * (left - right) / (8.0 * bend)
    return highest * n / lags[0]


@compiled
def regularity(x: Floats, spacing_s: float, expected_s: float, scratch: Floats) -> tuple[float, float, float]:
    """Period, regularity and repeating share by the autocorrelation [s, -, -]; period 10 +- 1 gives 3.33."""
    step_s = min(max(expected_s / LAGS_A_PERIOD, SHORTEST_STEP_s), LONGEST_STEP_s)
    if expected_s != expected_s:
        step_s = SHORTEST_STEP_s
    thin = max(1, int(math.floor(step_s / spacing_s + 1e-9)))
    used = x.size // thin
    wanted = min(used, int(min(LAG_SHARE * used, LONGEST_LAG_s / (spacing_s * thin))) + 1)
    copy = scratch[wanted + LAG_BLOCK : wanted + 2 * LAG_BLOCK + used]
    for i in range(used):
        total = 0.0
        for j in range(i * thin, (i + 1) * thin):
            total += x[j]
        copy[i] = total / thin
    copy[used:] = 0.0
    lags = scratch[: autocorrelation(copy, used, wanted, scratch)]
    intervals, mean, deviation = crossing_intervals(lags)
    period_s = 2.0 * mean * spacing_s * thin
    share = repeat_share(lags, used, 2.0 * mean)
    if intervals < FEWEST_INTERVALS:
        return period_s, np.nan, share
    return period_s, min(mean / (3.0 * max(deviation, 1e-30)), LARGEST_REGULARITY), share
