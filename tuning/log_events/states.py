"""Row by row, what the engine is doing in a log: stopped, cranking, idling or driven; and its mending."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import wraps
from itertools import pairwise
from typing import Any, TypeVar, cast
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from tuning.logs import Log

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STOPPED_rpm = 60.0  # Below it the crank stands [rpm].
CRANKING_SHARE = 0.55
"""Below this share of the usual idle speed an engine that stood is still being cranked [-]."""
OPEN_percent = 4.0  # A throttle this far above its usual shut reading is open [%].
OFF_IDLE_rpm, RACING_rpm = 450.0, 900.0
"""So far above the idle around it an engine is blipped or driven, or, if steady, may race [rpm]."""
STEADY_s, STEADY_rpm = 3.0, 90.0  # Steady: within so many rpm for so long either way [s, rpm].
RISE_rpm, RISE_s = 400.0, 0.5
"""A throttle opens where speed rises by so much in so short a time [rpm, s]: no valve does that."""
SWINGS_s, MANY_TURNS = 5.0, 5
"""A valve that turns back so often within so long either way hunts; after a blip it does not [s, -]."""
AROUND_s = 20.0  # Idle speed is taken over this time around each row [s].
MOVES_km_h = 2.0  # A car that moves faster does not idle [km/h].
TIMES_SWING = 2.5
"""Speed does not swing this much further from its idle than for three quarters of the time [-]."""
NEAR_s, TIMES_IDLE = 120.0, 1.5
"""So far above the lowest idle within this time either way an unsteady engine is driven [s, -]."""
RETURN_s = 4.0  # Time after a throttle shuts, or an engine starts, that does not count as idling yet [s].
AFTER_START_s = 8.0
QUICK_ENOUGH_s = 0.6
"""Speed refreshed more slowly shows no swing of a few seconds, and cannot be paired with spark [s]."""
BETWEEN_PARTS_s = 5.0  # Time put between the parts of a log that begin anew [s].
QUICK_ENOUGH_Hz = 8.0  # Recorded more slowly, one reading may well be a blip [Hz].
LONE_rpm, LONE_SHARE = 200.0, 0.2
"""A reading this far from the middle of five is a misreading: no flywheel does that in one row [rpm, -]."""
MOST_SHARE = 0.1
"""Where more than this share of the readings is so, it is not a matter of lone misreadings [-]."""


_REMEMBERED: WeakKeyDictionary[Log, dict[str, Any]] = WeakKeyDictionary()
"""What was worked out of each log that is in use."""

T = TypeVar("T")


def remembered(read: Callable[[Log], T]) -> Callable[[Log], T]:
    """Let a reading of a log be worked out once a log."""

    @wraps(read)
    def reading(log: Log) -> T:
        known = _REMEMBERED.setdefault(log, {})
        if read.__name__ not in known:
            known[read.__name__] = read(log)
            if isinstance(known[read.__name__], np.ndarray):
                known[read.__name__].flags.writeable = False
        return cast(T, known[read.__name__])

    return reading


def with_rising_time(log: Log) -> Log:
    """A log whose time rises throughout: each part that begins anew is put after the one before."""
    if np.all(np.diff(log.time_s) > 0.0):
        return log
    time_s = np.array(log.time_s)
    for before, part in pairwise(log.parts):
        late_s = time_s[before.stop - 1] + BETWEEN_PARTS_s - time_s[part.start]
        if late_s > BETWEEN_PARTS_s:
            time_s[part] += late_s
    return replace(log, time_s=time_s)


def mended(log: Log) -> Log:
    """Mend lone misreadings. Source: Hampel's identifier with a fixed limit (running median of five)."""
    log = with_rising_time(log)
    if log.rate_Hz < QUICK_ENOUGH_Hz or log.rpm.size < 5:
        return log
    around = np.lib.stride_tricks.sliding_window_view(np.pad(log.rpm, 2, mode="edge"), 5)
    middle = np.median(around, axis=1)
    lone = np.abs(log.rpm - middle) > np.maximum(LONE_rpm, LONE_SHARE * middle)
    count = int(np.count_nonzero(lone))
    if count == 0 or count > MOST_SHARE * log.rpm.size:
        return log
    return replace(log, rpm=np.where(lone, middle, log.rpm))


@remembered
def usual_idle_rpm(log: Log) -> Floats:
    """Idle speed around each row: the target, else the lower quartile of 20 s either way [rpm].

    Source: our definition; idle is the speed an engine keeps coming back to from above.
    """
    if log.target_rpm is not None and float(np.min(log.target_rpm)) > 200.0:
        return np.array(log.target_rpm)
    running = log.rpm > 4.0 * STOPPED_rpm
    if not running.any():
        return np.full(log.rpm.size, 800.0)
    time_s, speed = log.time_s[running], log.rpm[running]
    marks = np.arange(time_s[0], time_s[-1] + AROUND_s, AROUND_s / 2.0)
    lows = []
    for mark in marks:
        first, past = np.searchsorted(time_s, [mark - AROUND_s, mark + AROUND_s])
        near = speed[first : max(past, first + 1)] if first < speed.size else speed[-1:]
        lows.append(float(np.percentile(near, 25.0)))
    return np.interp(log.time_s, marks, lows)


def open_throttle(log: Log) -> Flags:
    """Rows in which the throttle is open: 4 % above the lowest tenth of the running engine's readings."""
    if log.throttle_percent is None:
        return np.zeros(log.rpm.size, dtype=bool)
    running = log.rpm > 4.0 * STOPPED_rpm
    readings = log.throttle_percent[running] if running.any() else log.throttle_percent
    shut = float(np.percentile(readings, 10.0))
    return np.asarray(log.throttle_percent > shut + OPEN_percent)


def _held_for(time_s: Floats, flags: Flags, after_s: float) -> Flags:
    """Flags, and the rows up to some time after each of them."""
    marked = np.flatnonzero(flags)
    if not marked.size:
        return flags
    last = np.searchsorted(marked, np.arange(flags.size), side="right") - 1
    since = time_s - time_s[marked[np.maximum(last, 0)]]
    return np.asarray((last >= 0) & (since >= 0.0) & (since <= after_s))


@remembered
def running_rows(log: Log) -> Flags:
    """Rows in which the engine runs on its own: not stopped, not cranked."""
    usual = usual_idle_rpm(log)
    rows = np.arange(log.rpm.size)
    stands = log.rpm < STOPPED_rpm
    told = stands | (log.rpm >= CRANKING_SHARE * usual)
    # Between standing and idling the engine goes on as it was: cranked, or running and slow.
    last = np.maximum.accumulate(np.where(told, rows, -1))
    begins = bool(log.rpm.size and log.rpm[0] >= 0.5 * usual[0])
    return np.where(last >= 0, ~stands[np.maximum(last, 0)], begins)


def starting_rows(log: Log) -> Flags:
    """Rows of a start: cranking, and the first seconds of running after it."""
    runs = running_rows(log)
    return np.asarray(_held_for(log.time_s, ~runs, AFTER_START_s) & (log.rpm >= STOPPED_rpm))


@remembered
def steady_rows(log: Log) -> Flags:
    """Rows around which speed hardly changes: an engine that races on a leak is not driven."""
    marks = np.column_stack([np.interp(log.time_s + shift, log.time_s, log.rpm)
                             for shift in np.linspace(-STEADY_s, STEADY_s, 9)])  # fmt: skip
    return np.asarray(np.ptp(marks, axis=1) < STEADY_rpm)


def _swung_by_valve(log: Log) -> Flags:
    """Rows around which the valve goes to and fro: it is what swings speed, not the throttle."""
    if log.valve_steps is None:
        return np.zeros(log.rpm.size, dtype=bool)
    change = np.diff(log.valve_steps)
    moved = np.flatnonzero(change != 0.0)
    turned = moved[1:][np.diff(np.sign(change[moved])) != 0.0]
    turns_s = log.time_s[turned + 1]
    first = np.searchsorted(turns_s, log.time_s - SWINGS_s)
    past = np.searchsorted(turns_s, log.time_s + SWINGS_s)
    return np.asarray(past - first >= MANY_TURNS)


def moving_rows(log: Log) -> Flags:
    """Rows in which the car moves, by its own speed where that was recorded."""
    if log.vehicle_speed_km_h is None:
        return np.zeros(log.rpm.size, dtype=bool)
    return np.asarray(log.vehicle_speed_km_h > MOVES_km_h)


def _above_its_idle(log: Log) -> Flags:
    """Rows in which speed stays far above what the engine came back to a little before or after."""
    usual = usual_idle_rpm(log)
    marks = np.arange(log.time_s[0], log.time_s[-1] + AROUND_s, AROUND_s / 2.0)
    at_marks = np.interp(marks, log.time_s, usual)
    near = int(2 * NEAR_s / AROUND_s)
    padded = np.pad(at_marks, near, mode="edge")
    lowest = np.lib.stride_tricks.sliding_window_view(padded, 2 * near + 1).min(axis=1)
    high = np.interp(log.time_s, marks, at_marks / lowest) > TIMES_IDLE
    return np.asarray(high & ~steady_rows(log))


def driven_rows(log: Log) -> Flags:
    """Rows in which someone works the throttle, and those until speed has come back."""
    swings = _swung_by_valve(log)
    before = np.interp(log.time_s - RISE_s, log.time_s, log.rpm)
    shot_up = running_rows(log) & (log.rpm - before > RISE_rpm)
    above = log.rpm - usual_idle_rpm(log)
    high = (above > OFF_IDLE_rpm) & ~((above < RACING_rpm) & steady_rows(log))
    usual = np.abs(above[running_rows(log)])
    # A blip in the midst of hunting stands out of its swing.
    far = above > max(OFF_IDLE_rpm, TIMES_SWING * float(np.percentile(usual, 75.0)) if usual.size else 0.0)
    by_speed = (high | shot_up | _above_its_idle(log)) & (~swings | far)
    return _held_for(log.time_s, open_throttle(log) | by_speed | moving_rows(log), RETURN_s)


def driven_share(log: Log) -> float:
    """Share of the running engine's rows in which it is driven, 0 where it never runs [-]."""
    running = running_rows(log)
    return float(np.mean(driven_rows(log)[running])) if running.any() else 0.0


@remembered
def idle_rows(log: Log) -> Flags:
    """Rows in which the engine idles: running, throttle shut, start and overrun behind it."""
    return np.asarray(running_rows(log) & ~starting_rows(log) & ~driven_rows(log))


def stretches(flags: Flags, parts: tuple[slice, ...] = ()) -> list[slice]:
    """Runs of rows that are flagged, cut where the log's parts meet.

    Parameters
    ----------
    flags, parts : ndarray of bool, tuple of slice
        One part when left out.

    Returns
    -------
    list of slice
    """
    found = []
    for part in parts or (slice(0, flags.size),):
        inside = flags[part].astype(np.int8)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], inside, [0]])))
        found += [
            slice(part.start + int(first), part.start + int(past)) for first, past in edges.reshape(-1, 2)
        ]
    return found
