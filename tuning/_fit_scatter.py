"""How uneven the firings are: scatter and its memory, matched to what the fit leaves over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controllers import TICKS_PER_s
from sim import Car
from sim.happenings import ELECTRICAL
from sim.replay import replay
from tuning._fit_stretches import Stretch
from tuning.logs import Log

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

MEMORIES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8)
LONGEST_LAG_s = 1.5
TRIAL_SHARE = 0.06
TRIAL_NOISE_rpm = 4.0
SEEDS = 6
NOTHING = 1.0e-9
"""Mean square of an engine that does not run in the model [rpm2]."""
LEAST_SPREAD = 0.03
"""Least relative standard deviation of a mean square [-]."""
ALIKE = 2.0
"""Mean squares over neighbouring lags are so many times told twice [-]."""
MEMORY_SD = 0.25
"""Belief about the memory: standard deviation about the car file's [-]."""
SETTLED_s, SETTLED_SHARE = 3.0, 0.3
"""Scatter is read this long after each change of the valve or a load, as what is left over before
is the model's own error too [s]; unless less than this share of the rows is left [-]."""
SLOWEST_ROWS_s = 0.3
"""Rows farther apart than this tell how large scatter is, not its memory [s]."""


@dataclass(frozen=True)
class Scatter:
    """Scatter of the firings as found.

    Attributes
    ----------
    share : float
        Standard deviation of the work of a firing over its mean [-].
    memory : float
        Share carried to the next firing [-].
    noise_rpm : float
        Noise of the speed reading [rpm].
    share_sd : float
        Relative standard deviation of the share [-].
    rms_rpm : float
        Scatter of measured speed that it makes with the valve held [rpm].
    """

    share: float
    memory: float
    noise_rpm: float
    share_sd: float
    rms_rpm: float


def _lags(rate_Hz: float) -> NDArray[np.int64]:
    """Lags over which changes are compared: 1, 2, 3, then sparser [rows]."""
    if 1.0 / rate_Hz > SLOWEST_ROWS_s:
        return np.zeros(0, dtype=np.int64)
    longest = max(1, int(LONGEST_LAG_s * rate_Hz))
    wanted = np.concatenate([np.arange(1, 4), np.geomspace(4, max(longest, 5), 5)])
    return np.unique(wanted.astype(np.int64)[wanted <= longest])


def swings(series: Sequence[Floats], lags: NDArray[np.int64]) -> Floats:
    """Variance, and mean squares of the change over each lag.

    Parameters
    ----------
    series : sequence of ndarray
        Even residuals, about zero [rpm].
    lags : ndarray of int
        Lags, each 1 or more [rows].

    Returns
    -------
    ndarray
        Shape (1 + lags,): the variance first [rpm2].

    Notes
    -----
    Source: structure function, definition.
    """
    everything = np.concatenate(list(series))
    changes = [
        float(np.mean(np.concatenate([one[lag:] - one[:-lag] for one in series]) ** 2))
        for lag in lags
    ]
    return np.array([float(np.mean(everything**2)), *changes])


def _changed(car: Car, share: float, memory: float, noise_rpm: float) -> Car:
    engine = car.engine.model_copy(update={"scatter_share": share, "scatter_memory": memory})
    sensors = car.sensors.model_copy(update={"rpm_noise_rpm": noise_rpm})
    return car.model_copy(update={"engine": engine, "sensors": sensors})


def settled_slots(stretches: Sequence[Stretch]) -> list[Flags]:
    """Slots in which speed has settled after the last change.

    Parameters
    ----------
    stretches : sequence of Stretch
        Stretches of idling.

    Returns
    -------
    list of ndarray
        Shape (slots,) each; all used ones where few have settled.
    """
    settled = []
    for one in stretches:
        drive = one.drive
        loads = drive.events[drive.events[:, 1] == ELECTRICAL, 0]
        changes = np.concatenate([drive.ticks[:1], drive.commands[:-1, 0], loads])
        # A slot's time is the middle of its rows, the drive's first tick that of its first row.
        starts = one.time_s[0] + np.sort(changes - drive.ticks[0]) / TICKS_PER_s
        last = np.searchsorted(starts, one.time_s, side="right") - 1
        settled.append(one.used & (one.time_s - starts[np.maximum(last, 0)] >= SETTLED_s))
    many = sum(map(np.sum, settled)) >= SETTLED_SHARE * sum(np.sum(one.used) for one in stretches)
    return settled if many else [one.used for one in stretches]


def _left_over(stretch: Stretch, slots: Flags, speed: Floats, model: Floats) -> Floats:
    """Speed less model in the rows of some slots, each hold about its own mean."""
    used = slots[stretch.slot]
    left = (speed - model)[used]
    hold = stretch.hold[stretch.slot][used]
    _, number = np.unique(hold, return_inverse=True)
    mean = np.bincount(number, left) / np.bincount(number)
    return np.asarray(left - mean[number])


def match_scatter(
    car: Car, logs: Sequence[Log], stretches: Sequence[Stretch], loads_W: Floats, seed: int
) -> Scatter:
    """Find the scatter with which replays leave the same over as the log.

    Parameters
    ----------
    car : Car
        The fitted car.
    logs : sequence of Log
        The logs.
    stretches : sequence of Stretch
        Their stretches of idling.
    loads_W : ndarray
        Sizes found of the loads that were not recorded [W].
    seed : int
        Seed of the replays.

    Returns
    -------
    Scatter
        What matches the size and the quickness of what is left over best.

    Notes
    -----
    Source: our own; small scatter adds to speed in proportion, so that its mean squares are
    mixed from those of one trial size and of the sensor's noise (non-negative least squares).
    """
    lags = _lags(float(np.median([log.rate_Hz for log in logs])) or 1.0)
    drives = [one.drive_with(loads_W) for one in stretches]
    quiet = [replay(car, drive).rpm for drive in drives]
    measured = [logs[one.log].rpm[one.rows] for one in stretches]
    slots = settled_slots(stretches)
    left = [_left_over(*each) for each in zip(stretches, slots, measured, quiet, strict=True)]
    wanted = swings(left, lags)

    each = list(zip(stretches, slots, drives, quiet, strict=True))

    def made(share: float, memory: float, noise_rpm: float) -> Floats:
        varied = _changed(car, share, memory, noise_rpm)
        seeds = [seed + 7919 * number for number in range(SEEDS)]
        replays = [
            [
                _left_over(one, at, replay(varied, drive, seed=its).rpm, model)
                for one, at, drive, model in each
            ]
            for its in seeds
        ]
        return np.array([swings(left, lags) for left in replays])

    memory, of_share, of_noise, spread_sd = _best_mixture(wanted, made, car.engine.scatter_memory)
    return Scatter(
        share=float(np.clip(TRIAL_SHARE * np.sqrt(of_share), 0.0, 0.4)),
        memory=float(memory),
        noise_rpm=float(min(TRIAL_NOISE_rpm * np.sqrt(of_noise), 100.0)),
        share_sd=float(np.clip(spread_sd, 0.03, 0.5)),
        rms_rpm=float(np.sqrt(max(wanted[0], 0.0))),
    )


def _best_mixture(
    wanted: Floats, made: Callable[[float, float, float], Floats], usual: float
) -> tuple[float, float, float, float]:
    """Memory, shares of trial scatter and of sensor noise that mix to what is wanted, spread."""
    from scipy.optimize import nnls

    sensor = made(0.0, 0.0, TRIAL_NOISE_rpm).mean(axis=0)
    with_lags = wanted.size > 1
    best = (np.inf, usual, 0.0, 0.0, 0.5)
    for memory in MEMORIES if with_lags else (usual,):
        runs = made(TRIAL_SHARE, memory, 0.0)
        parts = np.column_stack([runs.mean(axis=0), sensor])
        spread = np.maximum(
            runs.std(axis=0, ddof=1) / np.maximum(runs.mean(axis=0), NOTHING), LEAST_SPREAD
        )
        sd = spread * wanted + 1.0e-9
        sizes, error = nnls(parts / sd[:, None], wanted / sd)
        cost = error**2 / ALIKE + ((memory - usual) / MEMORY_SD) ** 2
        best = min(best, (cost, memory, float(sizes[0]), float(sizes[1]), float(spread[0])))
    return best[1:]
