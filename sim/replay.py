"""A recorded drive done again: the model's own handlers, told the recorded valve commands.

The controller is left out; everything else happens as in any other run.  A fit replays one
drive thousands of times: without a seed a replay is free of scatter and noise and its
readings are smooth in the car's parameters, so that they can be differentiated.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controllers import NEVER, TICKS_PER_s, car_curves, compiled, matrix, relation
from sim.advance import advance
from sim.air import standard_atmosphere
from sim.batch import Blocks, load_lane
from sim.begin import set_ambient, set_rest, set_valve, start_idling
from sim.car import Car
from sim.firing import RPM_PER_rad_s, draw_noise, read_balance
from sim.handlers import battery_now, fire_now, handle
from sim.happenings import SETTABLE, set_coolant
from sim.prepare import car_row, new_blocks, valve_areas_m2
from sim.records import FIRING, MOST_CYLINDERS, STALL, UPDATE, Block, Tables
from sim.valve import begin_move

_LOCAL = threading.local()

Floats = NDArray[np.float64]

READINGS = ("rpm", "map_kPa", "spark_deg", "battery_V")
"""What a replay reads at each of the drive's times."""
RUN_ON_s = 2.0
"""A replay runs on for this long, so that the last readings can be centred [s]."""
SURE_PULL_IN_s = 1.0e-9
"""Pull-in time with which no step is ever lost by chance [s]."""


class Beginning(NamedTuple):
    """What holds as a drive begins: an engine that has settled in manifold and torque.

    Attributes
    ----------
    ambient_Pa, ambient_K : float
        Pressure [Pa] and temperature [K] of the surroundings.
    coolant_degC : float
        Coolant temperature [degC].
    valve_steps : float
        Where the valve is [steps].
    rpm : float
        Speed, above 0 [rpm].
    load_W : float
        Electric load above the car's base load [W].
    """

    ambient_Pa: float
    ambient_K: float
    coolant_degC: float
    valve_steps: float
    rpm: float
    load_W: float


@dataclass(frozen=True, eq=False)
class Drive:
    """What was done to an engine over a stretch of time, ready to be done again.

    Attributes
    ----------
    ticks : ndarray
        Shape (n,): when readings are wanted [ticks].
    commands : ndarray
        Shape (moves + 1, 2): tick and steps of each valve command, the last one never comes.
    events : ndarray
        Shape (events + 1, 3): as of a scenario; the last row is the end.
    beginning : Beginning
        What holds before anything happens.
    """

    ticks: Floats
    commands: Floats
    events: Floats
    beginning: Beginning


@dataclass(frozen=True, eq=False)
class Replayed:
    """What a replay read at the drive's times.

    Attributes
    ----------
    rpm : ndarray
        Shape (n,): measured speed; 0 after a stall [rpm].
    map_kPa : ndarray
        Shape (n,): pressure of the manifold sensor [kPa].
    spark_deg : ndarray
        Shape (n,): spark advance of the last charge [deg].
    battery_V : ndarray
        Shape (n,): battery voltage [V].
    stalled_s : float
        When the engine stalled, from the drive's first time; nan if it did not [s].
    """

    rpm: Floats
    map_kPa: Floats
    spark_deg: Floats
    battery_V: Floats
    stalled_s: float


def make_drive(
    time_s: ArrayLike,
    valve_steps: ArrayLike,
    *,
    start_rpm: float,
    coolant_degC: float = 90.0,
    load_W: float = 0.0,
    events: Sequence[tuple[float, str, float]] = (),
    altitude_m: float = 0.0,
    ambient_degC: float = 20.0,
) -> Drive:
    """Describe what was done to an engine.

    Parameters
    ----------
    time_s : array_like
        Shape (n,): times of the wanted readings, strictly rising [s].
    valve_steps : array_like
        Shape (n,): commanded position there, rounded to whole steps; a change is taken to
        have come half way between two times [steps].
    start_rpm : float
        Speed at the first time, above 0 [rpm].
    coolant_degC : float
        Coolant temperature at the first time [degC].
    load_W : float
        Electric load above the car's base load at the first time [W].
    events : sequence of (float, str, float)
        Time [s], name as in a scenario, and value of whatever else happened.
    altitude_m : float
        Geopotential height [m].
    ambient_degC : float
        Air temperature [degC].

    Returns
    -------
    Drive
        Ready for ``replay``.

    Raises
    ------
    ValueError
        If times do not rise, shapes differ, or a name is not known.
    """
    times = np.asarray(time_s, dtype=np.float64)
    steps = np.rint(np.asarray(valve_steps, dtype=np.float64))
    if times.ndim != 1 or times.shape != steps.shape or times.size < 2:
        raise ValueError(f"times {times.shape}, steps {steps.shape}, allowed: two rows or more")
    if not np.all(np.diff(times) > 0.0) or not np.all(np.isfinite(steps)):
        raise ValueError("times or steps that do not rise or are not finite, allowed: both")
    unknown = sorted({name for _, name, _ in events} - set(SETTABLE))
    if unknown:
        raise ValueError(f"no event of that name ({', '.join(unknown)}), allowed: {SETTABLE}")
    ticks = np.rint((times - times[0]) * TICKS_PER_s)
    changed = np.flatnonzero(np.diff(steps)) + 1
    middle = np.rint(0.5 * (ticks[changed] + ticks[changed - 1]))
    commands = np.column_stack([middle, steps[changed]])
    happened = [
        (round((at_s - times[0]) * TICKS_PER_s), SETTABLE.index(name), value)
        for at_s, name, value in sorted(events, key=lambda event: event[0])
    ]
    happened.append((ticks[-1] + RUN_ON_s * TICKS_PER_s, -1, 0.0))
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    return Drive(
        ticks=ticks,
        commands=np.vstack([commands, [NEVER, 0.0]]),
        events=np.asarray(happened, dtype=np.float64),
        beginning=Beginning(
            pressure_Pa, ambient_degC + 273.15, coolant_degC, float(steps[0]), start_rpm, load_W
        ),
    )


@relation
def take_command(s: Block, p: Block, k: Block, commands: np.ndarray, row: int) -> None:
    """Tell the valve where to go, and note when the next command comes.

    Parameters
    ----------
    s, p, k : Block
        State (changed), parameters, controller memory (changed).
    commands : numpy.ndarray
        Shape (moves + 1, 2): tick and steps [ticks, steps].
    row : int
        The command that is due [-].
    """
    k.commanded_steps[0] = commands[row, 1]
    begin_move(s, p, 0, commands[row, 1])
    k.due_update[0] = commands[row + 1, 0]


@relation
def fill_line(
    ticks: np.ndarray,
    row: int,
    tick0: float,
    value0: float,
    tick1: float,
    value1: float,
    out: np.ndarray,
) -> int:
    """Read a straight line at all wanted times up to its end.

    Parameters
    ----------
    ticks : numpy.ndarray
        Shape (n,): wanted times [ticks].
    row : int
        First time not yet read [-].
    tick0, tick1 : float
        Beginning and end of the line [ticks].
    value0, value1 : float
        Values there [any].
    out : numpy.ndarray
        Shape (n,): readings (changed) [any].

    Returns
    -------
    int
        First time not yet read [-].

    Notes
    -----
    Source: linear interpolation; before its beginning the line is held.
    """
    slope = (value1 - value0) / (tick1 - tick0) if tick1 > tick0 else 0.0
    while row < len(ticks) and ticks[row] <= tick1:
        beyond = ticks[row] - tick0
        out[row] = value0 + slope * beyond if beyond > 0.0 else value0
        row += 1
    return row


@relation
def begin_replay(blocks: Blocks, car: np.ndarray, tables: Tables, start: Beginning) -> None:
    """Make the first state of a replay in the first lane.

    Parameters
    ----------
    blocks : Blocks
        Working memory (changed).
    car : numpy.ndarray
        One row of ``CAR_FIELDS``.
    tables : Tables
        Tables of the car and the drive.
    start : Beginning
        What holds as the drive begins.
    """
    for matrix_ in (blocks.state_matrix, blocks.memory_matrix, blocks.settings_matrix):
        matrix_[:, 0] = 0.0
    load_lane(blocks.parameters_matrix, 0, car)
    s, p, k = blocks.state[0], blocks.parameters[0], blocks.memory[0]
    p.row_car[0], p.row_scenario[0], p.base_error_steps[0] = 0.0, 0.0, 0.0
    set_ambient(s, p, 0, start.ambient_Pa, start.ambient_K)
    set_rest(s, p, 0, start.coolant_degC)
    s.electrical_W[0] = start.load_W
    k.throttle_closed[0] = 1.0
    s.due_event[0] = tables.events[0, 0, 0]
    set_coolant(s, p, k, 0, tables)
    k.commanded_steps[0] = start.valve_steps
    set_valve(s, p, 0, tables, start.valve_steps)
    start_idling(s, p, 0, max(start.rpm / RPM_PER_rad_s, 1.05 * p.stall_rad_s[0]))


@compiled
def run_replay(
    blocks: Blocks,
    car: np.ndarray,
    tables: Tables,
    start: Beginning,
    commands: np.ndarray,
    ticks: np.ndarray,
    held: bool,
    seed: float,
    out: np.ndarray,
) -> float:
    """Replay a drive.

    Parameters
    ----------
    blocks : Blocks
        Working memory.
    car : numpy.ndarray
        One row of ``CAR_FIELDS``.
    tables : Tables
        Tables of the car, events of the drive.
    start : Beginning
        What holds as the drive begins.
    commands : numpy.ndarray
        Shape (moves + 1, 2): tick and steps [ticks, steps].
    ticks : numpy.ndarray
        Shape (n,): when readings are wanted [ticks].
    held : bool
        Read speed as a recorder does, the last measured; else each measured value at the
        middle of the time it was held, with straight lines between [-].
    seed : float
        Seed of all random numbers [-].
    out : numpy.ndarray
        Shape (4, n): readings in the order of ``READINGS`` (changed) [rpm, kPa, deg, V].

    Returns
    -------
    float
        Tick of a stall, NEVER without one [ticks].
    """
    begin_replay(blocks, car, tables, start)
    s, p, c, k = blocks.state[0], blocks.parameters[0], blocks.settings[0], blocks.memory[0]
    p.seed[0] = seed
    k.due_update[0] = commands[0, 0]
    command, rpm_row, map_row, slow_row = 0, 0, 0, 0
    centre, centre_rpm = 0.0, s.measured_rpm[0]
    while s.live[0] > 0.5:
        tick, sensed = s.tick[0], s.map_sensed_Pa[0]
        advance(s, p, 0, k.due_update[0], True, False)
        now = s.tick[0]
        map_row = fill_line(ticks, map_row, tick, sensed, now, s.map_sensed_Pa[0], out[1])
        if held:
            while rpm_row < len(ticks) and ticks[rpm_row] < now:
                out[0, rpm_row] = s.measured_rpm[0]
                rpm_row += 1
        while slow_row < len(ticks) and ticks[slow_row] <= now:
            out[2, slow_row] = s.spark_deg[0]
            out[3, slow_row] = battery_now(s, p, 0)
            slow_row += 1
        event = s.event[0]
        if event == FIRING:
            if not held:
                middle = 0.5 * (s.fired_tick[0] + now)
                read = s.measured_rpm[0]
                rpm_row = fill_line(ticks, rpm_row, centre, centre_rpm, middle, read, out[0])
                centre, centre_rpm = middle, read
            draw_noise(s, p, 0, True)
            read_balance(s, p, 0, tables.balance)
            fire_now(s, p, c, k, 0, True, True)
        elif event == UPDATE:
            take_command(s, p, k, commands, command)
            command += 1
        else:
            handle(s, p, c, k, 0, tables)
        if event == STALL:
            break  # nothing that follows tells anything
    out[0, rpm_row:] = s.measured_rpm[0]
    out[1, map_row:] = s.map_sensed_Pa[0]
    out[1] *= 1.0e-3
    return s.stalled_tick[0]


def _memory() -> Blocks:
    """Working memory of the calling thread; kept, for making it takes longer than a replay."""
    blocks: Blocks | None = getattr(_LOCAL, "blocks", None)
    if blocks is None:
        blocks = new_blocks()
        _LOCAL.blocks = blocks
    return blocks


def _quiet(row: np.ndarray) -> np.ndarray:
    """Take scatter, noise, rounding and chance out of a car's record."""
    for name in ("scatter_share", "rpm_noise", "rpm_resolution"):
        row[name] = 0.0
    row["pull_in_s"] = SURE_PULL_IN_s
    return row


def _tables(car: Car, events: Floats, alike: bool) -> Tables:
    """Tables of one car and one drive."""
    balance = np.ones((1, MOST_CYLINDERS))
    balance[0, : car.engine.cylinders] = car.engine.cylinder_balance
    if alike:
        balance[:] = np.mean(car.engine.cylinder_balance)
    return Tables(
        valve_m2=valve_areas_m2(car)[None],
        balance=balance,
        curves=car_curves(car.curves)[None],
        events=events[None],
    )


def replay(car: Car, drive: Drive, *, seed: int | None = None) -> Replayed:
    """Do to a car in the model what was done to an engine.

    Parameters
    ----------
    car : Car
        The car; its feedback takes no part.
    drive : Drive
        What was done.
    seed : int, optional
        Seed of scatter and noise, 0 to 2**31 - 1: readings as a recorder would take them.
        Left out: no scatter, no noise, cylinders alike, no step lost by chance, and readings
        of speed that are smooth in the car's parameters (each at the middle of its time).

    Returns
    -------
    Replayed
        Readings at the drive's times.

    Raises
    ------
    ValueError
        If the seed is out of range.
    """
    if seed is not None and not 0 <= seed < 2**31:
        raise ValueError(f"seed is out of range ({seed}), allowed: 0 to {2**31 - 1}")
    quiet = seed is None
    row = _quiet(car_row(car)) if quiet else car_row(car)
    tables = _tables(car, drive.events, alike=quiet)
    out = np.zeros((len(READINGS), drive.ticks.size))
    stalled = run_replay(
        _memory(),
        matrix(row)[0],
        tables,
        drive.beginning,
        drive.commands,
        drive.ticks,
        not quiet,
        float(seed or 0),
        out,
    )
    stalled_s = stalled / TICKS_PER_s if stalled < NEVER else math.nan
    return Replayed(out[0], out[1], out[2], out[3], stalled_s)
