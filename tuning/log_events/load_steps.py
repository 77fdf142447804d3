"""Loads whose size was not recorded, found by their mark: a lasting shift with the valve still.

Scatter does not do that, and hunting does not last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.log_events.states import BETWEEN_PARTS_s, Floats, idle_rows, remembered, stretches
from tuning.logs import Log
from tuning.notes import Note

LOOK_s, GAP_s = 4.0, 1.5
"""Means over this long on both sides are compared, leaving out this long after the change [s]."""
SMALLEST_rpm = 40.0  # Smaller shifts are not taken for loads [rpm].
TIMES_SCATTER = 2.5  # A shift is this many times the scatter within the means compared [-].


@dataclass(frozen=True)
class Shift:
    """A lasting change of speed, and of manifold pressure where recorded, with the valve still."""

    at_s: float
    rpm: float
    map_kPa: float

    @property
    def comes_on(self) -> bool:
        """Whether it is a load coming on: speed falls."""
        return self.rpm < 0.0

    def note(self) -> Note:
        """Tell it."""
        told = {"change_rpm": self.rpm, "change_kPa": self.map_kPa}
        if self.rpm * self.map_kPa >= 0.0:  # a load drives speed and pressure apart
            if self.rpm > 0.0:
                return Note("log_events.segment.air_comes", **told)
            return Note("log_events.segment.air_goes", **told)
        if self.comes_on:
            return Note("log_events.segment.load_comes", **told)
        return Note("log_events.segment.load_goes", **told)


def _means(values: Floats, time_s: Floats, at_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Means before and after each time, and the scatter within both."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    squares = np.concatenate([[0.0], np.cumsum(values * values)])
    spans = [
        np.searchsorted(time_s, [at_s - LOOK_s, at_s - 0.2]),
        np.searchsorted(time_s, [at_s + GAP_s, at_s + GAP_s + LOOK_s]),
    ]
    means, variances = [], []
    for first, past in spans:
        count = np.maximum(past - first, 1)
        mean = (total[past] - total[first]) / count
        means.append(mean)
        variances.append(np.maximum((squares[past] - squares[first]) / count - mean**2, 0.0))
    return means[0], means[1], np.sqrt(0.5 * (variances[0] + variances[1]))


def still_valve(log: Log, at_s: Floats) -> NDArray[np.bool_]:
    """Whether the valve stands still around each time."""
    if log.valve_steps is None:
        return np.ones(at_s.size, dtype=bool)
    moves = log.time_s[1:][np.diff(log.valve_steps) != 0.0]
    first = np.searchsorted(moves, at_s - LOOK_s)
    past = np.searchsorted(moves, at_s + GAP_s + LOOK_s)
    return np.asarray(past == first)


@remembered
def find_shifts(log: Log) -> tuple[Shift, ...]:
    """Find lasting changes of speed with the valve still: peaks of the difference of two means (ours)."""
    idle = idle_rows(log)
    if idle.sum() < 20:
        return ()
    # A row every quarter second will do, whatever the rate of the log.
    step = max(1, int(0.25 * log.rate_Hz)) if log.rate_Hz > 0.0 else 1
    rows = np.arange(0, log.time_s.size, step)
    at_s = log.time_s[rows]
    before, after, scatter = _means(log.rpm, log.time_s, at_s)
    change = after - before
    inside = (at_s > log.time_s[0] + LOOK_s) & (at_s < log.time_s[-1] - LOOK_s - GAP_s)
    clear = np.abs(change) > np.maximum(SMALLEST_rpm, TIMES_SCATTER * scatter)
    away_s = log.time_s[~idle]
    first, past = np.searchsorted(away_s, [at_s - LOOK_s, at_s + GAP_s + LOOK_s])
    clear &= inside & (first == past) & still_valve(log, at_s)
    for later in log.parts[1:]:
        # Another recording: the engine may idle otherwise without any load.
        begin_s = float(log.time_s[later.start])
        clear &= (at_s < begin_s - BETWEEN_PARTS_s - GAP_s - LOOK_s) | (at_s > begin_s + LOOK_s)
    peaks = [part[np.argmax(np.abs(change[part]))] for part in _groups(clear, change)]
    peaks_s, change_kPa = at_s[peaks], np.full(len(peaks), np.nan)
    if log.map_kPa is not None and peaks:
        low, high, _ = _means(log.map_kPa, log.time_s, peaks_s)
        change_kPa = high - low
    return tuple(Shift(*map(float, one)) for one in zip(peaks_s, change[peaks], change_kPa, strict=True))


def switched(log: Log) -> list[tuple[float, bool]]:
    """When loads recorded as switches come on (True) or go [s]."""
    if log.load_on is None:
        return []
    change = np.diff(log.load_on)
    rows = np.flatnonzero(change != 0.0)
    return [(float(log.time_s[row + 1]), bool(change[row] > 0.0)) for row in rows]


def load_changes_s(log: Log) -> list[float]:
    """When loads come or go, found by their mark and recorded [s]."""
    recorded = [] if log.load_W is None else log.time_s[1:][np.diff(log.load_W) != 0.0].tolist()
    return [*(shift.at_s for shift in find_shifts(log)), *recorded, *(at_s for at_s, _ in switched(log))]


def _groups(clear: NDArray[np.bool_], change: Floats) -> list[NDArray[np.int64]]:
    """Runs of rows that are clear and of one sign."""
    signed = np.where(clear, np.sign(change), 0.0)
    cuts = np.flatnonzero(np.diff(signed)) + 1
    parts = np.split(np.arange(signed.size), cuts)
    return [part for part in parts if part.size and signed[part[0]] != 0.0]


def unrecorded_loads(log: Log) -> list[tuple[float, float]]:
    """Find when loads came on and went (or the log ended) [s], where the log does not record load."""
    if log.load_W is not None:
        return []
    if log.load_on is not None:
        return [
            (float(log.time_s[rows.start]), float(log.time_s[rows.stop - 1]))
            for rows in stretches(log.loaded, log.parts)
        ]
    loads: list[tuple[float, float]] = []
    on_s: float | None = None
    for shift in find_shifts(log):
        if shift.comes_on and on_s is None:
            on_s = shift.at_s
        elif not shift.comes_on and on_s is not None:
            loads.append((on_s, shift.at_s))
            on_s = None
    if on_s is not None:
        loads.append((on_s, float(log.time_s[-1])))
    return loads
