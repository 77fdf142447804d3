"""A recorded drive done again: the model's own handlers, told the recorded valve commands.

Without a seed a replay is free of scatter and noise and its readings are smooth in the car's parameters, so
that a fit, which replays one drive thousands of times, can differentiate them.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controllers import NEVER, TICKS_PER_s, compiled, matrix, relation
from sim.air import standard_atmosphere
from sim.begin import set_ambient, set_rest, set_valve, start_idling
from sim.car import Car
from sim.firing import draw_noise, read_balance
from sim.handlers import advance_alone, battery_now, fire_now, handle
from sim.happenings import SETTABLE, set_coolant
from sim.prepare import car_row, new_blocks, own_tables
from sim.records import FIRING, STALL, UPDATE, Block, Tables
from sim.runs import Blocks, load_lane
from sim.sensors import RPM_PER_rad_s
from sim.valve_moves import begin_move

_LOCAL = threading.local()

Floats = NDArray[np.float64]

READINGS = ("rpm", "map_kPa", "spark_deg", "battery_V")  # What a replay reads at each of the drive's times.
RUN_ON_s = 2.0  # A replay runs on for this long, so that the last readings can be centred [s].
SURE_PULL_IN_s = 1.0e-9  # Pull-in time with which no step is ever lost by chance [s].


class Beginning(NamedTuple):
    """What holds as a drive begins: an engine that has settled in manifold and torque.

    ``load_W`` is the electric load above the car's base load.
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

    ``ticks``: when readings are wanted; ``commands``: rows of tick and steps, the last one never comes;
    ``events``: rows as of a scenario, the last is the end.
    """

    ticks: Floats
    commands: Floats
    events: Floats
    beginning: Beginning


@dataclass(frozen=True, eq=False)
class Replayed:
    """What a replay read at the drive's times; speed is 0 after a stall, at ``stalled_s`` (nan without)."""

    rpm: Floats
    map_kPa: Floats
    spark_deg: Floats
    battery_V: Floats
    stalled_s: float


def _checked_rows(time_s: ArrayLike, valve_steps: ArrayLike) -> tuple[Floats, Floats]:
    """Times and whole steps as arrays, of one length, rising and finite."""
    times = np.asarray(time_s, dtype=np.float64)
    steps = np.rint(np.asarray(valve_steps, dtype=np.float64))
    if times.ndim != 1 or times.shape != steps.shape or times.size < 2:
        raise ValueError(f"times {times.shape}, steps {steps.shape}, allowed: two rows or more")
    if not np.all(np.diff(times) > 0.0) or not np.all(np.isfinite(steps)):
        raise ValueError("times or steps that do not rise or are not finite, allowed: both")
    return times, steps


def _commands(ticks: Floats, steps: Floats) -> Floats:
    """Tick and steps of each change, half way between two rows; one that never comes is last."""
    changed = np.flatnonzero(np.diff(steps)) + 1
    middle = np.rint(0.5 * (ticks[changed] + ticks[changed - 1]))
    return np.vstack([np.column_stack([middle, steps[changed]]), [NEVER, 0.0]])


def _happened(events: Sequence[tuple[float, str, float]], begin_s: float, last: float) -> Floats:
    """Rows of events as of a scenario, in order; the end, after the last tick, is last."""
    unknown = sorted({name for _, name, _ in events} - set(SETTABLE))
    if unknown:
        raise ValueError(f"no event of that name ({', '.join(unknown)}), allowed: {SETTABLE}")
    happened: list[tuple[float, int, float]] = [
        (round((at_s - begin_s) * TICKS_PER_s), SETTABLE.index(name), value)
        for at_s, name, value in sorted(events, key=lambda event: event[0])
    ]
    happened.append((last + RUN_ON_s * TICKS_PER_s, -1, 0.0))
    return np.asarray(happened, dtype=np.float64)


def make_drive(
    time_s: ArrayLike, valve_steps: ArrayLike, *, start_rpm: float, coolant_degC: float = 90.0,
    load_W: float = 0.0, events: Sequence[tuple[float, str, float]] = (), altitude_m: float = 0.0,
    ambient_degC: float = 20.0,
) -> Drive:  # fmt: skip
    """Describe what was done to an engine, for ``replay``."""
    times, steps = _checked_rows(time_s, valve_steps)
    ticks = np.rint((times - times[0]) * TICKS_PER_s)
    pressure_Pa, _ = standard_atmosphere(altitude_m)
    return Drive(
        ticks=ticks,
        commands=_commands(ticks, steps),
        events=_happened(events, float(times[0]), float(ticks[-1])),
        beginning=Beginning(
            pressure_Pa, ambient_degC + 273.15, coolant_degC, float(steps[0]), start_rpm, load_W
        ),
    )


@relation
def fill_line(
    ticks: np.ndarray, row: int, tick0: float, value0: float, tick1: float, value1: float, out: np.ndarray
) -> int:
    """Read a line at all wanted times up to its end, held before it; gives the first not yet read."""
    slope = (value1 - value0) / (tick1 - tick0) if tick1 > tick0 else 0.0
    while row < len(ticks) and ticks[row] <= tick1:
        beyond = ticks[row] - tick0
        out[row] = value0 + slope * beyond if beyond > 0.0 else value0
        row += 1
    return row


@relation
def read_step(
    s: Block, p: Block, ticks: np.ndarray, held: bool, tick: float, sensed_Pa: float,
    rows: tuple[int, int, int], out: np.ndarray,
) -> tuple[int, int, int]:  # fmt: skip
    """Read all but centred speed at the wanted times that a step went past; gives the first not yet read."""
    rpm_row, map_row, slow_row = rows
    now = s.tick[0]
    map_row = fill_line(ticks, map_row, tick, sensed_Pa, now, s.map_sensed_Pa[0], out[1])
    if held:
        while rpm_row < len(ticks) and ticks[rpm_row] < now:
            out[0, rpm_row] = s.measured_rpm[0]
            rpm_row += 1
    while slow_row < len(ticks) and ticks[slow_row] <= now:
        out[2, slow_row] = s.spark_deg[0]
        out[3, slow_row] = battery_now(s, p, 0)
        slow_row += 1
    return rpm_row, map_row, slow_row


@relation
def read_centred(
    s: Block, ticks: np.ndarray, rows: tuple[int, int, int], centre: tuple[float, float], out: np.ndarray
) -> tuple[tuple[int, int, int], tuple[float, float]]:
    """At a firing, read speed by a line to the middle of the time its measured value was held."""
    middle = 0.5 * (s.fired_tick[0] + s.tick[0])
    read = s.measured_rpm[0]
    row = fill_line(ticks, rows[0], centre[0], centre[1], middle, read, out[0])
    return (row, rows[1], rows[2]), (middle, read)


@relation
def take_command(s: Block, p: Block, k: Block, commands: np.ndarray, row: int) -> None:
    """Tell the valve where to go, and note when the next command comes."""
    k.commanded_steps[0] = commands[row, 1]
    begin_move(s, p, 0, commands[row, 1])
    k.due_update[0] = commands[row + 1, 0]


@relation
def begin_replay(blocks: Blocks, car: np.ndarray, tables: Tables, start: Beginning) -> None:
    """Make the first state of a replay in the first lane."""
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


@relation
def do_event(blocks: Blocks, tables: Tables, commands: np.ndarray, command: int) -> int:
    """Let the event that is due in the first lane happen; gives the next command."""
    s, p, c, k = blocks.state[0], blocks.parameters[0], blocks.settings[0], blocks.memory[0]
    event = s.event[0]
    if event == FIRING:
        draw_noise(s, p, 0, True)
        read_balance(s, p, 0, tables.balance)
        fire_now(s, p, c, k, 0, True, True)
    elif event == UPDATE:
        take_command(s, p, k, commands, command)
        command += 1
    else:
        handle(s, p, c, k, 0, tables)
    return command


@compiled
def run_replay(
    blocks: Blocks, car: np.ndarray, tables: Tables, start: Beginning, commands: np.ndarray,
    ticks: np.ndarray, held: bool, seed: float, out: np.ndarray,
) -> float:  # fmt: skip
    """Replay a drive; gives the tick of a stall, NEVER without one [ticks]."""
    begin_replay(blocks, car, tables, start)
    s, p, k = blocks.state[0], blocks.parameters[0], blocks.memory[0]
    p.seed[0] = seed
    k.due_update[0] = commands[0, 0]
    command, rows = 0, (0, 0, 0)
    centre = (0.0, s.measured_rpm[0])
    while s.live[0] > 0.5:
        tick, sensed = s.tick[0], s.map_sensed_Pa[0]
        advance_alone(s, p, 0, k.due_update[0], True)
        rows = read_step(s, p, ticks, held, tick, sensed, rows, out)
        event = s.event[0]
        if event == FIRING and not held:
            rows, centre = read_centred(s, ticks, rows, centre, out)
        command = do_event(blocks, tables, commands, command)
        if event == STALL:
            break  # nothing that follows tells anything
    out[0, rows[0] :] = s.measured_rpm[0]
    out[1, rows[1] :] = s.map_sensed_Pa[0]
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
    tables = own_tables(car, events)
    if alike:
        tables.balance[:] = np.mean(car.engine.cylinder_balance)
    else:
        tables.balance[0, : car.engine.cylinders] = car.engine.cylinder_balance
    return tables


def replay(car: Car, drive: Drive, *, seed: int | None = None) -> Replayed:
    """Do to a car in the model what was done to an engine."""
    if seed is not None and not 0 <= seed < 2**31:
        raise ValueError(f"seed is out of range ({seed}), allowed: 0 to {2**31 - 1}")
    quiet = seed is None
    row = _quiet(car_row(car)) if quiet else car_row(car)
    tables = _tables(car, drive.events, alike=quiet)
    out = np.zeros((len(READINGS), drive.ticks.size))
    stalled = run_replay(
        _memory(), matrix(row)[0], tables, drive.beginning, drive.commands, drive.ticks, not quiet,
        float(seed or 0), out,
    )  # fmt: skip
    out[1] *= 1.0e-3  # here, as in compiled code this one line takes two seconds to compile
    stalled_s = stalled / TICKS_PER_s if stalled < NEVER else math.nan
    return Replayed(out[0], out[1], out[2], out[3], stalled_s)
