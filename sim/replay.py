"""A recorded drive done again: the model's own handlers, told the recorded valve commands.

Without a seed a replay is free of scatter and noise and its readings are smooth in the car's parameters, so
that a fit, which replays one drive thousands of times, can differentiate them.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controllers import NEVER, TICKS_PER_s, compiled, matrix, relation
from sim.begin import set_ambient, set_rest, set_valve, start_idling
from sim.car import Car
from sim.firing import RPM_PER_rad_s, draw_noise, read_balance
from sim.handlers import advance_alone, fire_now, handle
from sim.happenings import set_coolant
from sim.prepare import car_row, new_blocks, own_tables
from sim.recorded_drive import Beginning, Drive, make_drive
from sim.records import FIRING, STALL, UPDATE, Block, Tables
from sim.replay_readings import read_centred, read_step
from sim.runs import Blocks, load_lane
from sim.valve import begin_move

__all__ = ["READINGS", "Beginning", "Drive", "Replayed", "make_drive", "replay"]

_LOCAL = threading.local()

Floats = NDArray[np.float64]

READINGS = ("rpm", "map_kPa", "spark_deg", "battery_V")
"""What a replay reads at each of the drive's times."""
SURE_PULL_IN_s = 1.0e-9
"""Pull-in time with which no step is ever lost by chance [s]."""


@dataclass(frozen=True, eq=False)
class Replayed:
    """What a replay read at the drive's times; speed is 0 after a stall, at ``stalled_s`` (nan without)."""

    rpm: Floats
    map_kPa: Floats
    spark_deg: Floats
    battery_V: Floats
    stalled_s: float


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
    stalled_s = stalled / TICKS_PER_s if stalled < NEVER else math.nan
    return Replayed(out[0], out[1], out[2], out[3], stalled_s)
