"""Working memory of a run, what to run, and what is kept of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from controllers import MEMORY_FIELDS, NEVER, SETTINGS_FIELDS, TICKS_PER_s, block_dtype, relation, routine
from sim.begin import begin
from sim.records import RUN_FIELDS, STATE_FIELDS, Tables
from sim.sensors import RPM_PER_rad_s

COUNTERS = (
    "moves",
    "reversals",
    "valve_steps",
    "limited_updates",
    "lowest_rpm",
    "stalled_s",  # nan while it has not
    "target_rpm",
    "trim_steps",
    "hidden_error_steps",
    "started_s",  # when it first ran by itself: 0 where it idles at the start, else nan
    "raced_s",  # when over-speed ended it; nan where it did not
)
"""What each run counts, in order."""
LANES = 8  # Runs side by side; sixteen were slower, four no faster.
SAMPLE_s = 0.05  # Spacing of the samples that a batch keeps [s].
SAMPLE_TICKS = SAMPLE_s * TICKS_PER_s


class Blocks(NamedTuple):
    """Working memory of one thread: four arrays of one block each, also as matrices (fields, lanes).

    Arrays, because Python hands an array to compiled code a hundred times faster than a record.
    """

    state: np.ndarray
    parameters: np.ndarray
    settings: np.ndarray
    memory: np.ndarray
    state_matrix: np.ndarray
    parameters_matrix: np.ndarray
    settings_matrix: np.ndarray
    memory_matrix: np.ndarray


class Plan(NamedTuple):
    """What to run: tables of cars, settings and scenarios, and one row of indices a run.

    Attributes
    ----------
    cars, settings, scenarios : numpy.ndarray
        Two-dimensional tables in the order of their fields.
    car, setting, scenario, seed : numpy.ndarray
        Shape (runs,), whole numbers: rows of the tables; shape (runs,): whole numbers below 2**31, held in
        float64.
    base_error_steps, rpm_offset : numpy.ndarray
        Shape (runs,): error of the base curve, the part of a step in it as air past the valve; speed at the
        start above target [steps, rpm].
    """

    cars: np.ndarray
    settings: np.ndarray
    scenarios: np.ndarray
    car: np.ndarray
    setting: np.ndarray
    scenario: np.ndarray
    seed: np.ndarray
    base_error_steps: np.ndarray
    rpm_offset: np.ndarray


def new_blocks() -> Blocks:
    """Make the working memory of one thread; a single run uses its first lane."""
    arrays = [
        np.zeros(1, dtype=block_dtype(fields, LANES))
        for fields in (STATE_FIELDS, RUN_FIELDS, SETTINGS_FIELDS, MEMORY_FIELDS)
    ]
    matrices = [array.view(np.float64).reshape(-1, LANES) for array in arrays]
    return Blocks(*arrays, *matrices)


@relation
def load_lane(block: np.ndarray, lane: int, row: np.ndarray) -> None:
    """Copy a row of numbers into one lane of a block."""
    for field in range(len(row)):
        block[field, lane] = row[field]


@routine
def load_run(blocks: Blocks, lane: int, run: int, plan: Plan, tables: Tables) -> None:
    """Put one run of a plan into a lane and make its first state."""
    blocks.state_matrix[:, lane] = 0.0
    blocks.memory_matrix[:, lane] = 0.0
    car = plan.car[run]
    scenario = plan.scenario[run]
    load_lane(blocks.parameters_matrix, lane, plan.cars[car])
    load_lane(blocks.settings_matrix, lane, plan.settings[plan.setting[run]])
    p = blocks.parameters[0]
    p.seed[lane] = plan.seed[run]
    p.base_error_steps[lane] = plan.base_error_steps[run]
    p.row_car[lane] = car
    p.row_scenario[lane] = scenario
    begin(
        blocks.state[0], p, blocks.settings[0], blocks.memory[0], lane, tables,
        plan.scenarios[scenario], plan.rpm_offset[run],
    )  # fmt: skip


@routine
def write_counters(blocks: Blocks, lane: int, out: np.ndarray) -> None:
    """Write what a run counted into its row."""
    s = blocks.state[0]
    k = blocks.memory[0]
    out[0] = k.moves[lane]
    out[1] = k.reversals[lane]
    out[2] = s.valve_steps[lane]
    out[3] = k.limited_updates[lane]
    out[4] = s.lowest_rad_s[lane] * RPM_PER_rad_s
    out[5] = s.stalled_tick[lane] / TICKS_PER_s if s.stalled_tick[lane] < NEVER else np.nan
    out[6] = k.target_rpm[lane]
    out[7] = k.trim_steps[lane]
    out[8] = s.shaft_steps[lane] - s.believed_steps[lane]
    out[9] = s.first_start_tick[lane] / TICKS_PER_s if s.first_start_tick[lane] < NEVER else np.nan
    out[10] = s.raced_tick[lane] / TICKS_PER_s if s.raced_tick[lane] < NEVER else np.nan
