"""What the score of settings is made of, measured on the samples of runs; compiled.

One engine with one noise seed makes three runs with the settings, and one with the valve held
(``tuning.ensemble.drives`` has the times):
* at rest, warm, the base curve 3 steps too high, and again 3 too low. ``hunting``: 1st to 99th percentile of
the speed band-passed 0.05 to 2 Hz, less the same of the run with the valve held on the base curve as it is,
at least 0; ``error``: distance of the mean speed from target beyond 15 rpm; ``moves``: moves of the valve a
minute. Each a mean of both.
* with the base curve as it is, two loads coming and going. ``excursion``: largest distance from target of the
speed averaged over 0.5 s; ``settling``: seconds until that average stays within 45 rpm of target, or the held
valve's swing if that is larger. Each is the mean of the four.
* the throttle opened and closed. ``undershoot``: how far the speed averaged over 0.3 s falls below target,
beyond 40 rpm.
``stalls`` counts the runs that stall. After a stall the speed is 0.
Source: the score as it is fixed for this project; the same for engines that are not the model's.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from controllers.compiling import compiled
from tuning.measures.band import Floats, MIRROR_s, Samples, band_pass
from tuning.measures.measuring import SAMPLE_s
from tuning.measures.reduce import scratch_size, valve_wear
from tuning.measures.scan import line_and_scatter, whole_samples
from tuning.measures.windows import TOLERANCE_rpm

TERMS = ("hunting", "error", "moves", "excursion", "settling", "undershoot", "stalls")
"""The terms in order: rpm, rpm, moves a minute, rpm, s, rpm, stalls."""
ERROR_FREE_rpm = 15.0
UNDERSHOOT_FREE_rpm = 40.0
LOW_SHARE, HIGH_SHARE = 0.01, 0.99  # A swing is told between these shares of the samples [-].
EXCURSION_s, UNDERSHOOT_s = 0.5, 0.3
"""Speed is averaged over these spans before it is compared with the target [s]."""

Rows = NDArray[np.float32]


@compiled
def between_shares(values: Floats, low: float, high: float) -> float:
    """Distance between two quantiles, linear between samples [any]."""
    ordered = np.sort(values)
    ends = np.zeros(2)
    for i, share in enumerate((low, high)):
        at = share * (ordered.size - 1)
        below = int(at)
        above = min(below + 1, ordered.size - 1)
        ends[i] = ordered[below] + (at - below) * (ordered[above] - ordered[below])
    return float(ends[1] - ends[0])


@compiled
def swing_of(rpm: Samples, dt_s: float, scratch: Floats) -> float:
    """1st to 99th percentile of the band-passed speed of a stretch [rpm]."""
    mean, slope, _, _ = line_and_scatter(rpm, 0.0)
    band, _, _ = band_pass(rpm, mean, slope, dt_s, scratch)
    return between_shares(band, LOW_SHARE, HIGH_SHARE)


@compiled
def rest_into(
    rpm: Rows, steps: Rows, first: int, past: int, target_rpm: Floats, dt_s: float,
    scratch: Floats, out: Floats,
) -> None:  # fmt: skip
    """Swing [rpm], target less mean speed [rpm] and moves a minute of each run's stretch."""
    minutes = (past - first) * dt_s / 60.0
    for run in range(rpm.shape[0]):
        still = rpm[run, first:past]
        out[run, 0] = swing_of(still, dt_s, scratch)
        total = 0.0
        for k in range(still.size):
            total += still[k]
        out[run, 1] = target_rpm[run] - total / still.size
        moves, _, _ = valve_wear(steps[run], first, past)
        out[run, 2] = moves / minutes


@compiled
def answer_of(
    rpm: Samples, first: int, past: int, width: int, target_rpm: float, tolerance_rpm: float,
    dt_s: float,
) -> tuple[float, float]:  # fmt: skip
    """Largest distance from target of the averaged speed [rpm], and time until it stays near [s].

    The whole window's length where the last average is still outside.
    """
    total = 0.0
    for k in range(first, first + width):
        total += rpm[k]
    largest, last = 0.0, -1
    for k in range(first, past - width + 1):
        off = abs(total / width - target_rpm)
        if off > largest:
            largest = off
        if off > tolerance_rpm:
            last = k
        if k + width < past:
            total += np.float64(rpm[k + width]) - rpm[k]
    if last < 0:
        return largest, 0.0
    if last == past - width:
        return largest, (past - first) * dt_s
    return largest, (last + 1 - first + 0.5 * width) * dt_s


@compiled
def answers_into(
    rpm: Rows, begins: NDArray[np.int64], span: int, width: int, target_rpm: Floats,
    tolerance_rpm: Floats, dt_s: float, out: Floats,
) -> None:  # fmt: skip
    """Excursion [rpm] and settling [s] of each run at each load: shape (runs, 2, loads)."""
    for run in range(rpm.shape[0]):
        for load in range(begins.size):
            first = begins[load]
            out[run, 0, load], out[run, 1, load] = answer_of(
                rpm[run], first, first + span, width, target_rpm[run], tolerance_rpm[run], dt_s
            )


@compiled
def lowest_into(rpm: Rows, first: int, past: int, width: int, out: Floats) -> None:
    """Lowest average of each run over a window [rpm]."""
    for run in range(rpm.shape[0]):
        total = 0.0
        for k in range(first, first + width):
            total += rpm[run, k]
        lowest = total
        for k in range(first + width, past):
            total += np.float64(rpm[run, k]) - rpm[run, k - width]
            if total < lowest:
                lowest = total
        out[run] = lowest / width


def rest_terms(rpm: Rows, steps: Rows, window_s: tuple[float, float], target_rpm: Floats) -> Floats:
    """Measure runs at rest: swing [rpm], target less mean speed [rpm], moves a minute.

    Parameters
    ----------
    rpm, steps, window_s, target_rpm : numpy.ndarray, numpy.ndarray, tuple of float, numpy.ndarray
        Shape (runs, samples): speed, 0 after a stall, and commanded position; from when to when; (runs,)
        [rpm, steps, s, rpm].

    Returns
    -------
    numpy.ndarray
        Shape (runs, 3).
    """
    first, past = (whole_samples(at_s, SAMPLE_s) for at_s in window_s)
    out = np.zeros((len(rpm), 3))
    scratch = np.zeros(scratch_size(past - first, SAMPLE_s) + 2 * round(MIRROR_s / SAMPLE_s))
    rest_into(rpm, steps, first, past, np.asarray(target_rpm, float), SAMPLE_s, scratch, out)
    return out


def answer_terms(
    rpm: Rows, begins_s: Sequence[float], span_s: float, target_rpm: Floats,
    tolerance_rpm: Floats,
) -> Floats:  # fmt: skip
    """Measure how runs answer loads: excursion [rpm] and settling, ``span_s`` if it did not come back [s].

    Parameters
    ----------
    rpm, target_rpm, tolerance_rpm : numpy.ndarray
        Shape (runs, samples), (runs,): target, and how near it counts as back; raised to 45 [rpm].
    begins_s, span_s : sequence of float, float
        When each load comes or goes, and how long each is looked at [s].

    Returns
    -------
    numpy.ndarray
        Shape (runs, 2, loads).
    """
    begins = np.array([whole_samples(at_s, SAMPLE_s) for at_s in begins_s])
    out = np.zeros((len(rpm), 2, begins.size))
    answers_into(
        rpm, begins, whole_samples(span_s, SAMPLE_s), whole_samples(EXCURSION_s, SAMPLE_s),
        np.asarray(target_rpm, float), np.maximum(tolerance_rpm, TOLERANCE_rpm), SAMPLE_s, out,
    )  # fmt: skip
    return out


def below_target_rpm(rpm: Rows, window_s: tuple[float, float], target_rpm: Floats) -> Floats:
    """Measure how far runs fall below target after the throttle has closed, below 0 where they stay above.

    Parameters
    ----------
    rpm, window_s, target_rpm : numpy.ndarray, tuple of float, numpy.ndarray
        Shape (runs, samples); from the moment the throttle begins to close; shape (runs,) [rpm, s, rpm].

    Returns
    -------
    numpy.ndarray
        Shape (runs,) [rpm].
    """
    first, past = (whole_samples(at_s, SAMPLE_s) for at_s in window_s)
    lowest = np.zeros(len(rpm))
    lowest_into(rpm, first, past, whole_samples(UNDERSHOOT_s, SAMPLE_s), lowest)
    return np.asarray(target_rpm - lowest)


def score_terms(
    high: Floats, low: Floats, held_swing_rpm: Floats, answers: Floats, below_rpm: Floats,
    stalls: Floats,
) -> Floats:  # fmt: skip
    """Put the terms of the score together, each in its own unit, not weighed, in the order of ``TERMS``.

    Parameters
    ----------
    high, low, answers, held_swing_rpm, below_rpm, stalls : numpy.ndarray
        ``rest_terms`` with the base curve too high, and too low; ``answer_terms``; swing with the valve held,
        of the same engine and seed; ``below_target_rpm``; runs that stalled [rpm].

    Returns
    -------
    numpy.ndarray
        Shape (..., 7).
    """
    rest = np.stack([high, low])
    hunting = np.maximum(rest[..., 0] - held_swing_rpm, 0.0).mean(axis=0)
    error = np.maximum(np.abs(rest[..., 1]) - ERROR_FREE_rpm, 0.0).mean(axis=0)
    moves = rest[..., 2].mean(axis=0)
    excursion, settling = (answers[..., which, :].mean(axis=-1) for which in (0, 1))
    undershoot = np.maximum(below_rpm - UNDERSHOOT_FREE_rpm, 0.0)
    return np.stack([hunting, error, moves, excursion, settling, undershoot, stalls], axis=-1)
