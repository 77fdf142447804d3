"""Row by row, what the engine is doing in a log: stopped, cranking, idling or driven."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tuning.logs import Log

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STOPPED_rpm = 60.0
"""Below it the crank stands [rpm]."""
CRANKING_SHARE = 0.55
"""Below this share of the usual idle speed an engine that stood is still being cranked [-]."""
OPEN_percent = 4.0
"""A throttle this far above its usual shut reading is open [%]."""
OFF_IDLE_rpm = 450.0
"""This far above the idle speed around it the engine is not idling: a blip, or a drive [rpm]."""
RISE_rpm, RISE_s = 400.0, 0.5
"""A throttle opens where speed rises by so much in so short a time [rpm, s]: no valve does that."""
AROUND_s = 20.0
"""Idle speed is taken over this time around each row [s]."""
RETURN_s = 4.0
"""Time after a throttle shuts, or an engine starts, that does not count as idling yet [s]."""
AFTER_START_s = 8.0


def usual_idle_rpm(log: Log) -> Floats:
    """Idle speed around each row, whatever the engine does in that row.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    ndarray
        Shape (rows,): the target where it was recorded, else the lower quartile of the running
        speed within 20 s either way [rpm].

    Notes
    -----
    Source: our definition; idle is the speed an engine keeps coming back to from above.
    """
    if log.target_rpm is not None and float(np.min(log.target_rpm)) > 200.0:
        return log.target_rpm
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
    """Rows in which the throttle is open, by its own reading where there is one.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    ndarray of bool
        Shape (rows,).

    Notes
    -----
    Source: our definition: 4 % above the lowest tenth of the readings of the running engine.
    """
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


def running_rows(log: Log) -> Flags:
    """Rows in which the engine runs on its own: not stopped, not cranked.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    ndarray of bool
        Shape (rows,).
    """
    idle = usual_idle_rpm(log)
    runs = np.zeros(log.rpm.size, dtype=bool)
    running = bool(log.rpm.size and log.rpm[0] >= 0.5 * idle[0])
    for row, (speed, usual) in enumerate(zip(log.rpm, idle, strict=True)):
        if speed < STOPPED_rpm:
            running = False
        elif speed >= CRANKING_SHARE * usual:
            running = True
        runs[row] = running
    return runs


def starting_rows(log: Log) -> Flags:
    """Rows of a start: cranking, and the first seconds of running after it.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    ndarray of bool
        Shape (rows,).
    """
    runs = running_rows(log)
    return np.asarray(_held_for(log.time_s, ~runs, AFTER_START_s) & (log.rpm >= STOPPED_rpm))


def driven_rows(log: Log) -> Flags:
    """Rows in which someone works the throttle, and those until speed has come back.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    ndarray of bool
        Shape (rows,).
    """
    before = np.interp(log.time_s - RISE_s, log.time_s, log.rpm)
    shot_up = running_rows(log) & (log.rpm - before > RISE_rpm)
    high = log.rpm > usual_idle_rpm(log) + OFF_IDLE_rpm
    return _held_for(log.time_s, open_throttle(log) | high | shot_up, RETURN_s)


def idle_rows(log: Log) -> Flags:
    """Rows in which the engine idles: running, throttle shut, start and overrun behind it.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    ndarray of bool
        Shape (rows,).
    """
    return np.asarray(running_rows(log) & ~starting_rows(log) & ~driven_rows(log))


def stretches(flags: Flags, parts: tuple[slice, ...] = ()) -> list[slice]:
    """Runs of rows that are flagged, cut where the log's parts meet.

    Parameters
    ----------
    flags : ndarray of bool
        Shape (rows,).
    parts : tuple of slice
        The log's parts; one part when left out.

    Returns
    -------
    list of slice
        In order.
    """
    found = []
    for part in parts or (slice(0, flags.size),):
        inside = flags[part].astype(np.int8)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], inside, [0]])))
        found += [
            slice(part.start + int(first), part.start + int(past))
            for first, past in edges.reshape(-1, 2)
        ]
    return found
