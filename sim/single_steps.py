"""The compiled steps of one narrated run, each called from Python with the arrays of a block."""

from __future__ import annotations

import numpy as np

from controllers import compiled
from sim.advance import advance, predicted_firing
from sim.handlers import battery_now, fire_alone, handle
from sim.records import Tables
from sim.runs import Blocks, Plan, load_run


@compiled
def load_single(blocks: Blocks, plan: Plan, tables: Tables) -> None:
    """Make the first state of the plan's only run in the first lane."""
    load_run(blocks, 0, 0, plan, tables)


@compiled
def step_plant(state: np.ndarray, parameters: np.ndarray, memory: np.ndarray) -> float:
    """Advance the plant to its next event; gives its code [-]."""
    advance(state[0], parameters[0], 0, memory[0].due_update[0], True, True, False)
    return state[0].event[0]


@compiled
def next_firing(state: np.ndarray, parameters: np.ndarray) -> float:
    """Tick at which the crank is predicted to reach the next firing or step limit [ticks]."""
    return predicted_firing(state[0], parameters[0], 0)


@compiled
def fire_cylinder(
    state: np.ndarray, parameters: np.ndarray, settings: np.ndarray, memory: np.ndarray, tables: Tables
) -> None:
    """Handle a firing."""
    fire_alone(state[0], parameters[0], settings[0], memory[0], 0, tables, True)


@compiled
def handle_other(
    state: np.ndarray, parameters: np.ndarray, settings: np.ndarray, memory: np.ndarray, tables: Tables
) -> None:
    """Handle the event reached, which is not a firing."""
    handle(state[0], parameters[0], settings[0], memory[0], 0, tables)


@compiled
def volts_now(state: np.ndarray, parameters: np.ndarray) -> float:
    """Battery voltage [V]."""
    return battery_now(state[0], parameters[0], 0)
