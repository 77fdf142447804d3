"""Whether the same steps still give the same air: lost position, a leak, a wrong direction.

Air drawn goes with manifold pressure times speed.  A load changes speed and pressure one against
the other and leaves air to the valve; steps lost, or a leak, change air with the valve where it
was.  Without manifold pressure a load and a lost position look alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tuning.log_events import idle_rows, steady_rows, valve_moves
from tuning.logs import Log

Floats = NDArray[np.float64]

SPACING_s = 1.0
SETTLED_s = 2.5  # Of a valve that goes to and fro air is read where it has not moved for this long [s].
OPENED_s = 1.5  # Rows so shortly before the throttle is seen to open are left out [s].
SHORTEST_SIDE = 6  # Readings needed on each side of a jump [-].
BEFORE_s, AFTER_s = 0.1, 0.5  # Pressure is compared from just before a move to so long after [s].
CLEAR_T = 4.0  # A slope is clear above this many of its standard errors [-].
CLEAR_F = 60.0  # A jump is clear where it lowers the sum of squares by this factor's worth (F value) [-].
WARMING_degC = 8.0
"""Coolant so far below its highest: the engine still warms, and air at the same steps changes by
itself [degC]."""
HALF_WARM_degC = 60.0  # A log that only warms, and ends colder than this, has no hot rows [degC].
LARGEST_RISE = 0.5
"""Logarithm of the speed at the end over that at the beginning, beyond which it is no idle [-]."""
CLEAR_DRIFT_T = 8.0  # A drift is clear above this many of its standard errors [-].
MOVED_steps = 0.3  # The log's own moves tell what a step is worth where positions spread by more [steps].
SAME_steps, FEWEST_AT_SAME = 0.3, 3
"""Positions no further apart are the same; readings on either side of a jump that must be [steps, -]."""
LEAST_RANGE_steps = 4.0  # A valve that moved over less does not show by its air which way it works [steps].
LEAST_JUMP_steps, LEAST_JUMP_SHARE, LOOK = 2.0, 0.07, 5
"""Smaller jumps of air are not told: play in the thread, worth up to a step or two, makes such too; readings
on either side that show whether a jump is a load's [steps, -, -]."""


@dataclass(frozen=True)
class AirJump:
    """A lasting change of air at the same steps."""

    at_s: float  # when
    share: float  # change of air over air
    steps: float  # what it is worth in steps, nan where the worth of a step is not known [steps]
    f_value: float  # how clear it is


@dataclass(frozen=True)
class AirReadings:
    """Air and steps while the engine idles."""

    time_s: Floats  # all shape (n,): time, pressure times speed over its mean, commanded position, speed
    air: Floats
    steps: Floats
    rpm: Floats


def read_air(log: Log, settled_only: bool = False) -> AirReadings | None:
    """Air and steps once a second while idling hot, of a busy valve where it and speed settled."""
    if log.map_kPa is None or log.valve_steps is None:
        return None
    idle = idle_rows(log) & ~warming_rows(log)
    # A throttle lets air in before speed shows it.
    away_s = log.time_s[~idle_rows(log)]
    first, past = np.searchsorted(away_s, [log.time_s, log.time_s + OPENED_s])
    idle &= first == past
    if settled_only:
        moves_s = log.time_s[1:][np.diff(log.valve_steps) != 0.0]
        first, past = np.searchsorted(moves_s, [log.time_s - SETTLED_s, log.time_s + SPACING_s])
        idle &= (first == past) & steady_rows(log)
    if idle.sum() < 3 * SHORTEST_SIDE:
        return None
    slot = np.floor((log.time_s - log.time_s[0]) / SPACING_s).astype(np.int64)
    count = np.bincount(slot, idle.astype(float))
    filled = count > 0.0

    def mean(values: Floats) -> Floats:
        return np.bincount(slot, values * idle)[filled] / count[filled]

    air = mean(log.map_kPa) * mean(log.rpm)
    if not np.mean(air) > 0.0:
        return None
    # Air through a move of the valve lags behind it: pair it with the steps of a moment before.
    before = np.interp(log.time_s - 0.3, log.time_s, log.valve_steps)
    return AirReadings(mean(log.time_s), air / float(np.mean(air)), mean(before), mean(log.rpm))


def warming_rows(log: Log) -> NDArray[np.bool_]:
    """Rows in which the engine warms, by its coolant; none where that was not recorded."""
    if log.coolant_degC is None or not np.isfinite(log.coolant_degC).any():
        return np.zeros(log.rpm.size, dtype=bool)
    coldest, hottest = float(np.nanmin(log.coolant_degC)), float(np.nanmax(log.coolant_degC))
    if hottest < HALF_WARM_degC and hottest - coldest > 0.5 * WARMING_degC:
        return np.ones(log.rpm.size, dtype=bool)
    return np.asarray(log.coolant_degC < hottest - WARMING_degC)


def find_drift(
    read: AirReadings, worth_of_step: float = np.nan, by_table: Floats | None = None
) -> AirJump | None:
    """A clear change of air at the same steps that goes on from beginning to end, none without one.

    ``by_table`` is the air that the car's own area lets in at the readings' steps, over its mean. Source:
    straight line, t value, any textbook on regression; our limits.
    """
    if by_table is None:
        read = _comparable(read)
    count = read.air.size
    if count < 2 * SHORTEST_SIDE + 3:
        return None
    tenth = max(1, count // 10)
    if abs(np.log(np.mean(read.rpm[-tenth:]) / np.mean(read.rpm[:tenth]))) > LARGEST_RISE:
        return None  # speed itself goes elsewhere: not an idle that is held
    time = (read.time_s - read.time_s.mean()) / np.ptp(read.time_s)
    columns, air = [np.ones(count), time], read.air
    if by_table is not None:
        air = air - by_table
    elif float(np.std(read.steps)) > MOVED_steps:
        columns.append(read.steps)
    design = np.column_stack(columns)
    weights, error = _line(design, air, 1)
    change = float(weights[1])
    slope = float(weights[2]) if len(columns) > 2 else worth_of_step
    steps = change / slope if np.isfinite(slope) and slope > 0.0 else np.nan
    known = np.isfinite(steps)
    enough = abs(steps) >= LEAST_JUMP_steps if known else abs(change) > 1.5 * LEAST_JUMP_SHARE
    t_value = abs(change) / max(error, 1.0e-12)
    if not enough or abs(change) < LEAST_JUMP_SHARE or t_value < CLEAR_DRIFT_T:
        return None
    return AirJump(float(read.time_s[0]), change, float(steps), t_value**2)


def find_jump(read: AirReadings, worth_of_step: float = np.nan) -> AirJump | None:
    """The clearest lasting change of air at the same steps, none where none is clear.

    Source: two straight lines against one, F value, any textbook on regression; our limits.
    """
    read = _comparable(read)
    count = read.air.size
    if count < 2 * SHORTEST_SIDE + 3:
        return None
    moved = float(np.std(read.steps)) > MOVED_steps
    # A slow drift (warming up) is not a jump.
    base = [np.ones(count), (read.time_s - read.time_s.mean()) / np.ptp(read.time_s)]
    if moved:
        base.append(read.steps)
    plain = np.column_stack(base)
    cut, f_value = _best_cut(plain, read.air)
    if f_value < CLEAR_F:
        return None
    design = np.column_stack([plain, (np.arange(count) >= cut).astype(float)])
    weights = np.linalg.lstsq(design, read.air, rcond=None)[0]
    jump = float(weights[-1])
    early, late = read.steps[:cut], read.steps[cut:]
    fewest = min(_at_steps_of(early, late), _at_steps_of(late, early))
    if fewest < FEWEST_AT_SAME and jump * (late.mean() - early.mean()) > 0.0:
        return None  # the valve itself went there
    faster = float(np.log(read.rpm[cut : cut + LOOK].mean() / read.rpm[max(cut - LOOK, 0) : cut].mean()))
    if abs(faster) > LEAST_JUMP_SHARE and faster * (jump - faster) < 0.0:
        return None  # a load: speed and pressure go apart
    slope = float(weights[2]) if moved and weights[2] > 0.0 else worth_of_step
    steps = jump / slope if np.isfinite(slope) and slope > 0.0 else np.nan
    enough = abs(steps) >= LEAST_JUMP_steps if np.isfinite(steps) else True
    if not enough or abs(jump) < LEAST_JUMP_SHARE:
        return None
    return AirJump(float(read.time_s[cut]), jump, float(steps), float(f_value))


def _comparable(read: AirReadings) -> AirReadings:
    """Readings whose positions can be told apart by a slope, else those at the usual position alone."""
    if float(np.std(read.steps)) > MOVED_steps:
        return read
    near = np.abs(read.steps - np.median(read.steps)) <= SAME_steps
    return AirReadings(read.time_s[near], read.air[near], read.steps[near], read.rpm[near])


def _at_steps_of(some: Floats, others: Floats) -> int:
    """How many of some positions lie within the range of others."""
    return int(np.count_nonzero((some > others.min() - SAME_steps) & (some < others.max() + SAME_steps)))


def _best_cut(plain: Floats, values: Floats) -> tuple[int, float]:
    """Where a step lowers the sum of squares the most, and its F value.

    Its time grows with the readings alone. Source: a regressor that is added takes (s'r)^2 / (s's - |Q's|^2)
    off, where r is what is left and Q spans what was there before (Frisch & Waugh 1933, from memory).
    """
    count = values.size
    spans = np.linalg.qr(plain)[0]
    rest = values - spans @ (spans.T @ values)
    left = float(np.sum(rest**2))

    def from_here_on(columns: Floats) -> Floats:
        return np.cumsum(columns[::-1], axis=0)[::-1]

    room = np.arange(count, 0, -1) - np.sum(from_here_on(spans) ** 2, axis=1)
    taken = from_here_on(rest) ** 2 / np.maximum(room, 1e-9)
    taken[:SHORTEST_SIDE], taken[count - SHORTEST_SIDE :] = 0.0, 0.0
    cut = int(np.argmax(taken))
    after = max(left - float(taken[cut]), 0.0)
    return cut, float(taken[cut]) / max(after / (count - plain.shape[1] - 1), 1.0e-15)


def air_against_steps(read: AirReadings) -> float:
    """T value of the slope of air over steps, 0 where the valve hardly moved.

    Source: straight line, t value, any textbook on regression; our limits.
    """
    count = read.air.size
    if count < 3 * SHORTEST_SIDE or np.ptp(read.steps) < LEAST_RANGE_steps:
        return 0.0
    time = (read.time_s - read.time_s.mean()) / np.ptp(read.time_s)
    design = np.column_stack([np.ones(count), time, read.steps])
    # Air that came or went for good, and was answered by the valve, is no slope.
    cut, f_value = _best_cut(design, read.air)
    if f_value >= CLEAR_F:
        design = np.column_stack([design, (np.arange(count) >= cut).astype(float)])
    weights, error = _line(design, read.air, 2)
    return float(weights[2]) / max(error, 1e-12)


def _line(design: Floats, values: Floats, of: int) -> tuple[Floats, float]:
    """Weights of least squares, and the standard error of one of them."""
    weights: Floats = np.asarray(np.linalg.lstsq(design, values, rcond=None)[0], dtype=float)
    variance = float(np.sum((values - design @ weights) ** 2)) / (len(values) - design.shape[1])
    return weights, float(np.sqrt(variance * np.linalg.pinv(design.T @ design)[of, of]))


def pressure_after_moves(log: Log) -> tuple[float, bool]:
    """What a step does to manifold pressure within the first half second.

    Speed has hardly answered by then, so that neither feedback nor scatter decides the sign. Source: straight
    line through the origin, t value, any textbook on regression.
    """
    moves, idle = valve_moves(log), idle_rows(log)
    moves = moves[idle[np.searchsorted(log.time_s, moves[:, 0])]]
    if log.map_kPa is None or len(moves) < 3:
        return 0.0, False
    size = moves[:, 2] - moves[:, 1]
    at = moves[:, 0]
    before = np.interp(at - BEFORE_s, log.time_s, log.map_kPa)
    after = np.interp(at + AFTER_s, log.time_s, log.map_kPa)
    earlier = np.interp(at - 2.0 * BEFORE_s - AFTER_s, log.time_s, log.map_kPa)
    # Where pressure was heading anyway is taken off.
    change = (after - before) - (before - earlier)
    squares = float(np.dot(size, size))
    if squares == 0.0:
        return 0.0, False
    worth = float(np.dot(size, change)) / squares
    left = change - worth * size
    error = float(np.sqrt(np.dot(left, left) / max(len(size) - 1, 1) / squares))
    return worth, abs(worth) > CLEAR_T * max(error, 1.0e-9)
