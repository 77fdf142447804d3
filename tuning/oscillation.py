"""Oscillation measures of process control, on evenly sampled arrays.

They tell a regular oscillation from scatter, whether the swings are large enough to matter, and
how far a loop's variance is from the least that its delay allows.  ``tuning.measures`` has the
band-passed, compiled measures for batches; the definitions shared by both stand in
``tuning._regularity`` and are used from there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tuning.delays import Reals


def _signal(values: ArrayLike, least: int, name: str) -> Reals:
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or x.size < least:
        raise ValueError(f"{name}: shape {x.shape}, allowed: one dimension, {least} or more values")
    if not np.all(np.isfinite(x)):
        raise ValueError(f"{name}: holds values that are not finite, allowed: finite numbers")
    return x


def _spacing(dt_s: float) -> None:
    if not (math.isfinite(dt_s) and dt_s > 0.0):
        raise ValueError(f"dt_s: {dt_s}, allowed: above 0")


def autocorrelation(signal: ArrayLike) -> Reals:
    """Autocorrelation of a signal about its mean, all lags.

    Parameters
    ----------
    signal : array_like
        Shape (n,), n of 2 or more, even spacing [any].

    Returns
    -------
    ndarray
        Shape (n,): lag 0 to n - 1, 1 at lag 0, biased (divided by n); zeros for a constant [-].

    Raises
    ------
    ValueError
        If the signal is too short, not one-dimensional or not finite.

    Notes
    -----
    Source: definition; computed with ``scipy.signal.correlate``.
    """
    from scipy.signal import correlate

    x = _signal(signal, 2, "signal")
    x = x - x.mean()
    if not np.any(np.abs(x) > 0.0):
        return np.zeros(x.size)
    sums = correlate(x, x, mode="full", method="fft")[x.size - 1 :]
    return np.asarray(sums / sums[0])


@dataclass(frozen=True)
class Regularity:
    """How regular an oscillation is.

    Parameters
    ----------
    period_s : float
        Twice the mean interval between zero crossings of the autocorrelation, nan without [s].
    regularity : float
        r = mean/(3 standard deviations) of the intervals; above 1 is regular; nan below three
        intervals; at most 1000 [-].
    intervals : int
        Intervals found, at most ten [-].
    """

    period_s: float
    regularity: float
    intervals: int


def regularity_of(periods_s: ArrayLike) -> float:
    """Thornhill's regularity of a row of periods or intervals.

    Parameters
    ----------
    periods_s : array_like
        At least two, above 0 [s].

    Returns
    -------
    float
        mean/(3 standard deviation); above 1 the oscillation is regular; infinite if even [-].

    Raises
    ------
    ValueError
        If there are fewer than two.

    Notes
    -----
    Source: Thornhill, Huang & Zhang, Detection of multiple oscillations in control loops, Journal
    of Process Control 13 (2003), from memory.  The deviation is divided by the count.
    """
    periods = _signal(periods_s, 2, "periods_s")
    deviation = float(periods.std())
    return float(periods.mean()) / (3.0 * deviation) if deviation > 0.0 else math.inf


def thornhill_regularity(signal: ArrayLike, dt_s: float) -> Regularity:
    """Period and regularity from the zero crossings of the autocorrelation.

    Parameters
    ----------
    signal : array_like
        Shape (n,), n of 8 or more, free of drift [any].
    dt_s : float
        Sampling time, above 0 [s].

    Returns
    -------
    Regularity
        From the first eleven crossings within the first 80 % of the lags; what comes after is made
        of too few products to trust.

    Raises
    ------
    ValueError
        If the signal or the spacing is not usable.

    Notes
    -----
    The autocorrelation of scatter has crossings at random places; that of a cycle evenly spaced
    ones, and averaging over the record takes noise out of it.
    Source: Thornhill, Huang & Zhang (2003), from memory; crossings as in
    ``tuning._regularity.crossing_intervals``.
    """
    from tuning._regularity import (
        FEWEST_INTERVALS,
        LAG_SHARE,
        LARGEST_REGULARITY,
        crossing_intervals,
    )

    x = _signal(signal, 8, "signal")
    _spacing(dt_s)
    lags = autocorrelation(x)[: int(LAG_SHARE * x.size)]
    count, mean, deviation = crossing_intervals(np.ascontiguousarray(lags))
    if count < FEWEST_INTERVALS:
        return Regularity(2.0 * mean * dt_s, math.nan, int(count))
    ratio = mean / (3.0 * deviation) if deviation > 0.0 else LARGEST_REGULARITY
    return Regularity(2.0 * mean * dt_s, min(ratio, LARGEST_REGULARITY), int(count))


def integrals_between_crossings(error: ArrayLike, dt_s: float) -> Reals:
    """Hagglund's measure: integral of ``|error|`` between its zero crossings.

    Parameters
    ----------
    error : array_like
        Shape (n,), n of 2 or more [rpm].
    dt_s : float
        Sampling time, above 0 [s].

    Returns
    -------
    ndarray
        One value for each whole half swing, in order; empty with fewer than two crossings [rpm s].

    Raises
    ------
    ValueError
        If the error or the spacing is not usable.

    Notes
    -----
    Crossings are interpolated linearly and the integral is the trapezoid's.  A sine of amplitude A
    and period T gives A T/pi, which is the usual limit for counting a half swing.
    Source: T. Hagglund, A control-loop performance monitor, Control Engineering Practice 3 (1995)
    1543-1551 (from memory).
    """
    x = _signal(error, 2, "error")
    _spacing(dt_s)
    before = np.flatnonzero((x[:-1] < 0.0) != (x[1:] < 0.0))
    if before.size < 2:
        return np.zeros(0)
    place = before + x[before] / (x[before] - x[before + 1])
    index = np.concatenate([np.arange(x.size), place])
    value = np.concatenate([np.abs(x), np.zeros(place.size)])
    order = np.argsort(index, kind="stable")
    index, value = index[order], value[order]
    pieces = 0.5 * (value[1:] + value[:-1]) * np.diff(index) * dt_s
    total = np.concatenate([[0.0], np.cumsum(pieces)])
    return np.asarray(np.diff(np.interp(place, index, total)))


def hagglund_load(amplitude: float, period_s: float) -> float:
    """Integral of ``|error|`` over one half swing of a sine.

    Parameters
    ----------
    amplitude : float
        Amplitude [rpm].
    period_s : float
        Period [s].

    Returns
    -------
    float
        A T/pi [rpm s].

    Notes
    -----
    Source: T. Hagglund (1995), from memory; integral of a sine.
    """
    return amplitude * period_s / math.pi


def harris_index(signal: ArrayLike, delay_samples: int, order: int = 20) -> float:
    """Least variance that the loop's delay allows, over the variance there is.

    Parameters
    ----------
    signal : array_like
        Error or speed, shape (n,), n above 4 times the order [any].
    delay_samples : int
        Delay from a move to its effect, the sample of the move included, 1 or more [samples].
    order : int
        Order of the autoregressive model fitted, at least the delay [-].

    Returns
    -------
    float
        0 to 1: near 1 no controller could do much better, near 0 much could be gained; nan for a
        constant signal [-].

    Raises
    ------
    ValueError
        If the signal is too short for the order, or delay and order do not fit.

    Notes
    -----
    An autoregressive model by the Yule-Walker equations gives the impulse response psi of the
    disturbance; the first ``delay_samples`` terms cannot be controlled:
    s_e^2 (1 + psi_1^2 + ...)/s_y^2.  A limit cycle is no linear process: read it together with
    ``thornhill_regularity``.
    Source: T. J. Harris, Assessment of control loop performance, Canadian Journal of Chemical
    Engineering 67 (1989) 856-861 (from memory).
    """
    from scipy.linalg import solve_toeplitz
    from scipy.signal import lfilter

    if not 1 <= delay_samples <= order:
        raise ValueError(f"delay_samples: {delay_samples}, allowed: 1 to the order ({order})")
    x = _signal(signal, 4 * order + 1, "signal")
    lags = autocorrelation(x)
    if lags[0] == 0.0:
        return math.nan
    weights = solve_toeplitz(lags[:order], lags[1 : order + 1])
    left = 1.0 - float(weights @ lags[1 : order + 1])
    impulse = np.zeros(delay_samples)
    impulse[0] = 1.0
    response = lfilter([1.0], np.concatenate([[1.0], -weights]), impulse)
    return min(1.0, left * float(np.sum(response**2)))
