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
from tuning.ensemble import LARGEST_SHARE
from tuning.identification.parameters import Floats
from tuning.identification.stretches import Stretch
from tuning.logs import Log
from tuning.notes import Told

Flags = NDArray[np.bool_]

MEMORIES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8)
LONGEST_LAG_s = 1.5
TRIAL_SHARE = 0.06
TRIAL_NOISE_rpm = 4.0
SEEDS = 6
NOTHING = 1.0e-9  # Mean square of an engine that does not run in the model [rpm2].
LEAST_SPREAD = 0.03  # Least relative standard deviation of a mean square [-].
LEAST_SHARE_SD = 0.08
"""Least relative standard deviation told of the share [-]: so far off is the swing of the fitted
car, with the valve held, from that of 30 engines of another structure (tests/foreign_engine.py)."""
ALIKE = 2.0  # Mean squares over neighbouring lags are so many times told twice [-].
MEMORY_SD = 0.25  # Belief about the memory: standard deviation about the car file's [-].
SETTLED_s, SETTLED_SHARE = 2.0, 0.3
"""Scatter is read this long after each change of the valve or a load, as what is left over before
is the model's own error too [s]; unless less than this share of the rows is left [-]."""
ODD = 4.0  # A hold is odd that leaves so many standard deviations more over than the middle one does [-].
READ_IN_rpm = (50.0, 40.0, 32.0, 25.0, 20.0, 16.0, 12.5, 10.0, 8.0, 5.0, 4.0, 2.0)
FEWEST_VALUES, READ_SO = 6, 0.995
"""Steps in which speed may be read (finer change nothing); readings, share of them that show it [-]."""
SLOWEST_ROWS_s = 0.3  # Rows farther apart than this tell how large scatter is, not its memory [s].


@dataclass(frozen=True)
class Scatter(Told):
    """Scatter of the firings as found."""

    share: float  # standard deviation of the work of a firing over its mean
    memory: float  # share carried to the next firing
    noise_rpm: float  # noise of the speed reading
    read_in_rpm: float  # steps in which it is read, 0 where none are seen
    share_sd: float  # relative standard deviation of the share
    rms_rpm: float  # scatter of measured speed that it makes with the valve held


def read_in_rpm(logs: Sequence[Log]) -> float:
    """Steps in which speed was read, 0 where none are seen; the controller is taken to read so too."""
    read = np.concatenate([log.rpm for log in logs])
    if np.unique(read).size < FEWEST_VALUES:
        return 0.0
    off = {step: np.abs(read / step - np.rint(read / step)) for step in READ_IN_rpm}
    return next((step for step, parts in off.items() if np.mean(parts < 0.01) >= READ_SO), 0.0)


def _lags(rate_Hz: float) -> NDArray[np.int64]:
    """Lags over which changes are compared: 1, 2, 3, then sparser [rows]."""
    if 1.0 / rate_Hz > SLOWEST_ROWS_s:
        return np.zeros(0, dtype=np.int64)
    longest = max(1, int(LONGEST_LAG_s * rate_Hz))
    wanted = np.concatenate([np.arange(1, 4), np.geomspace(4, max(longest, 5), 5)])
    return np.unique(wanted.astype(np.int64)[wanted <= longest])


def swings(series: Sequence[Floats], lags: NDArray[np.int64]) -> Floats:
    """Variance first, then mean squares of the change over each lag [rpm2].

    Source: structure function, definition.
    """
    everything = np.concatenate(list(series))
    changes = [
        float(np.mean(np.concatenate([one[lag:] - one[:-lag] for one in series]) ** 2)) for lag in lags
    ]
    return np.array([float(np.mean(everything**2)), *changes])


def _changed(car: Car, share: float, memory: float, noise_rpm: float) -> Car:
    engine = car.engine.model_copy(update={"scatter_share": share, "scatter_memory": memory})
    sensors = car.sensors.model_copy(update={"rpm_noise_rpm": noise_rpm})
    return car.model_copy(update={"engine": engine, "sensors": sensors})


def settled_slots(stretches: Sequence[Stretch]) -> list[Flags]:
    """Slots in which speed has settled after the last change; all used ones where few have."""
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


def _hold_squares(stretch: Stretch, slots: Flags, left: Floats) -> Floats:
    """Mean square of what is left over, and rows, of each hold that has any: shape (2, holds)."""
    hold = stretch.hold[stretch.slot][slots[stretch.slot]]
    _, number = np.unique(hold, return_inverse=True)
    rows = np.bincount(number).astype(float)
    return np.array([np.bincount(number, left**2) / rows, rows])


def without_odd_holds(
    stretches: Sequence[Stretch], slots: Sequence[Flags], left: Sequence[Floats],
    replays: Sequence[Sequence[Floats]],
) -> list[Flags]:  # fmt: skip
    """Slots without those holds whose speed departs from the model far more than others'.

    In one hold of many, near a stall or with a load that the model has too small, what is left over is
    not scatter; squares would let it speak for all the others.
    """
    each = list(zip(stretches, slots, strict=True))
    seen = np.hstack([_hold_squares(*at, one) for at, one in zip(each, left, strict=True)])
    made = np.array([
        np.hstack([_hold_squares(*at, one)[0] for at, one in zip(each, replayed, strict=True)])
        for replayed in replays
    ])  # fmt: skip
    mean = np.maximum(made.mean(axis=0), NOTHING)
    ratio, chance = seen[0] / mean, made.std(axis=0, ddof=1) / mean
    order = np.argsort(ratio)
    so_far = np.cumsum(seen[1][order])
    usual = ratio[order][np.searchsorted(so_far, 0.5 * so_far[-1])]
    odd = ratio > usual * (1.0 + ODD * chance)
    remaining, first = [], 0
    for stretch, at in each:
        holds = np.unique(stretch.hold[stretch.slot][at[stretch.slot]])
        its = odd[first : first + holds.size]
        remaining.append(at & ~np.isin(stretch.hold, holds[its]))
        first += holds.size
    return remaining


class _LeftOver:
    """Speed less model: of the logs, and of replays with scatter."""

    def __init__(
        self, car: Car, logs: Sequence[Log], stretches: Sequence[Stretch], loads_W: Floats, seed: int
    ) -> None:
        self._car, self._stretches, self._seed = car, stretches, seed
        self._drives = [one.drive_with(loads_W) for one in stretches]
        self._model = [replay(car, drive).rpm for drive in self._drives]
        self._measured = [logs[one.log].rpm[one.rows] for one in stretches]

    def _about_holds(self, speeds: Sequence[Floats], slots: Sequence[Flags]) -> list[Floats]:
        """In the rows of some slots, each hold about its own mean."""
        every = []
        each = zip(self._stretches, slots, speeds, self._model, strict=True)
        for stretch, at, speed, model in each:
            used = at[stretch.slot]
            left = (speed - model)[used]
            _, number = np.unique(stretch.hold[stretch.slot][used], return_inverse=True)
            mean = np.bincount(number, left) / np.bincount(number)
            every.append(left - mean[number])
        return every

    def of_log(self, slots: Sequence[Flags]) -> list[Floats]:
        """What the model leaves over of the logs, by stretch [rpm]."""
        return self._about_holds(self._measured, slots)

    def of_replays(
        self, made_by: tuple[float, float, float], slots: Sequence[Flags], count: int = SEEDS
    ) -> list[list[Floats]]:
        """The same of replays with a share of scatter, its memory and noise of the sensor [rpm]."""
        varied = _changed(self._car, *made_by)
        seeds = [self._seed + 7919 * number for number in range(count)]
        speeds = [[replay(varied, drive, seed=its).rpm for drive in self._drives] for its in seeds]
        return [self._about_holds(one, slots) for one in speeds]


def match_scatter(
    car: Car, logs: Sequence[Log], stretches: Sequence[Stretch], loads_W: Floats, seed: int
) -> Scatter:
    """The scatter with which replays leave over what the log does, in size and quickness.

    Source: our own; small scatter adds to speed in proportion, so that its mean squares are mixed from
    those of one trial size and of the sensor's noise (non-negative least squares).
    """
    lags = _lags(float(np.median([log.rate_Hz for log in logs])) or 1.0)
    steps_rpm = read_in_rpm(logs) or car.sensors.rpm_resolution_rpm
    sensors = car.sensors.model_copy(update={"rpm_resolution_rpm": steps_rpm})
    car = car.model_copy(update={"sensors": sensors})
    left_over, slots = _LeftOver(car, logs, stretches, loads_W, seed), settled_slots(stretches)
    usual = car.engine.scatter_memory
    first, _ = _matched(left_over, slots, lags, usual)
    left, replays = left_over.of_log(slots), left_over.of_replays(first, slots, 2 * SEEDS)
    ordinary = without_odd_holds(stretches, slots, left, replays)
    (share, memory, noise_rpm), spread = _matched(left_over, ordinary, lags, usual)
    return Scatter(
        share=share, memory=memory, noise_rpm=noise_rpm, read_in_rpm=steps_rpm,
        # A mean square that is off by so much makes its root off by half of it.
        share_sd=float(np.clip(0.5 * spread, LEAST_SHARE_SD, 0.5)),
        rms_rpm=float(np.sqrt(swings(left_over.of_log(ordinary), lags)[0])),
    )  # fmt: skip


def _matched(
    left_over: _LeftOver, slots: Sequence[Flags], lags: NDArray[np.int64], usual: float
) -> tuple[tuple[float, float, float], float]:
    """Share, memory and sensor noise [rpm] that leave the log's over, spread of mean squares."""

    def made(share: float, memory: float, noise_rpm: float) -> Floats:
        replays = left_over.of_replays((share, memory, noise_rpm), slots)
        return np.array([swings(left, lags) for left in replays])

    wanted = swings(left_over.of_log(slots), lags)
    memory, of_share, of_noise, spread = _best_mixture(wanted, made, usual)
    share = float(np.clip(TRIAL_SHARE * np.sqrt(of_share), 0.0, LARGEST_SHARE))
    noise_rpm = float(min(TRIAL_NOISE_rpm * np.sqrt(of_noise), 100.0))
    return (share, float(memory), noise_rpm), spread


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
        spread = np.maximum(runs.std(axis=0, ddof=1) / np.maximum(runs.mean(axis=0), NOTHING), LEAST_SPREAD)
        sd = spread * wanted + 1.0e-9
        sizes, error = nnls(parts / sd[:, None], wanted / sd)
        cost = error**2 / ALIKE + ((memory - usual) / MEMORY_SD) ** 2
        best = min(best, (cost, memory, float(sizes[0]), float(sizes[1]), float(spread[0])))
    return best[1:]
