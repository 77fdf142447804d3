"""Many runs in compiled code: eight side by side, spread over the cores.

Each lane runs on its own clock to its own next event. What nearly every event needs (one integration step, a
firing) is done for all lanes in loops that the compiler turns into vector instructions; the rest lane by lane
with the same handlers.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from controllers import compiled, relation, routine, update
from sim.advance import advance
from sim.firing import draw_noise, read_balance
from sim.handlers import fire_now, general_step, handle
from sim.records import END, FIRING, NO_EVENT, UPDATE, Block, Tables
from sim.runs import SAMPLE_TICKS, Blocks, Plan, load_run, write_counters
from sim.valve_moves import begin_move

MOST_SPENT = 200_000
"""Passes over all lanes and steps of single ones in one call: a tenth of a second or less."""


@relation
def vector_pass(s: Block, p: Block, c: Block, k: Block, lanes: int, balance: np.ndarray, full: bool) -> int:
    """Advance all lanes by one event each; gives how many still need something that is not a firing."""
    for lane in range(lanes):
        draw_noise(s, p, lane, full)
    for lane in range(lanes):
        read_balance(s, p, lane, balance)
    for lane in range(lanes):
        advance(s, p, lane, k.due_update[lane], full, False, True)
        fire_now(s, p, c, k, lane, s.event[lane] == FIRING, full)
    rare = 0
    for lane in range(lanes):
        event = s.event[lane]
        done = event == FIRING
        done |= event == END
        done |= event == NO_EVENT and s.scalar[lane] == 0.0
        rare += 0 if done else 1
    return rare


@routine
def vector_basic(s: Block, p: Block, c: Block, k: Block, lanes: int, balance: np.ndarray) -> int:
    """``vector_pass`` without the features that few cars need."""
    return vector_pass(s, p, c, k, lanes, balance, False)


@routine
def vector_full(s: Block, p: Block, c: Block, k: Block, lanes: int, balance: np.ndarray) -> int:
    """``vector_pass`` with every feature."""
    return vector_pass(s, p, c, k, lanes, balance, True)


@relation
def slot_of(s: Block, lane: int, samples: int) -> int:
    """Slot of the samples into which a lane's clock falls."""
    return min(int(s.tick[lane] * (1.0 / SAMPLE_TICKS)), samples - 1)


@relation
def update_now(s: Block, p: Block, c: Block, k: Block, lane: int, steps: np.ndarray) -> None:
    """Update the controller of a lane, start its valve, and note the command if it changed."""
    update(c, k, lane, s.measured_rpm[lane], s.tick[lane])
    begin_move(s, p, lane, k.commanded_steps[lane])
    steps[lane, slot_of(s, lane, steps.shape[1])] = k.commanded_steps[lane]


@routine
def take_general_path(
    s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables, rpm: np.ndarray,
    steps: np.ndarray, full: bool,
) -> int:  # fmt: skip
    """Handle what a lane has reached, go on alone until the common case holds again; gives steps taken."""
    samples = rpm.shape[1]
    if s.scalar[lane] == 0.0:
        handle(s, p, c, k, lane, tables)
    spent = 0
    while s.scalar[lane] != 0.0 and s.live[lane] > 0.5 and spent < MOST_SPENT:
        general_step(s, p, c, k, lane, tables, full)
        slot = slot_of(s, lane, samples)
        rpm[lane, slot] = s.measured_rpm[lane]
        steps[lane, slot] = k.commanded_steps[lane]
        spent += 1
    return spent


@relation
def rare_pass(
    s: Block, p: Block, c: Block, k: Block, lanes: int, tables: Tables, rpm: np.ndarray,
    steps: np.ndarray, full: bool,
) -> tuple[int, int]:  # fmt: skip
    """Handle, lane by lane, what is not a firing; gives lanes not ended, and steps they took alone."""
    live = 0
    spent = 0
    for lane in range(lanes):
        event = s.event[lane]
        if event == UPDATE and s.scalar[lane] == 0.0:
            update_now(s, p, c, k, lane, steps)
        elif event != FIRING and s.live[lane] > 0.5:
            spent += take_general_path(s, p, c, k, lane, tables, rpm, steps, full)
        live += 1 if s.live[lane] > 0.5 else 0
    return live, spent


@relation
def run_lanes(
    s: Block, p: Block, c: Block, k: Block, lanes: int, tables: Tables, rpm: np.ndarray,
    steps: np.ndarray, full: bool, spent: int,
) -> int:  # fmt: skip
    """Run all lanes of a block to their ends or for a while, keeping samples; gives all that was spent."""
    live = 0
    for lane in range(lanes):
        live += 1 if s.live[lane] > 0.5 else 0
    samples = rpm.shape[1]
    while live > 0 and spent < MOST_SPENT:
        spent += 1
        if full:
            rare = vector_full(s, p, c, k, lanes, tables.balance)
        else:
            rare = vector_basic(s, p, c, k, lanes, tables.balance)
        if rare > 0:
            live, alone = rare_pass(s, p, c, k, lanes, tables, rpm, steps, full)
            spent += alone
        for lane in range(lanes):
            rpm[lane, slot_of(s, lane, samples)] = s.measured_rpm[lane]
    return spent


@relation
def run_scalar(
    s: Block, p: Block, c: Block, k: Block, tables: Tables, rpm: np.ndarray, steps: np.ndarray,
    full: bool, spent: int,
) -> int:  # fmt: skip
    """Run one lane on the general path only, to its end or for a while: the plain event loop."""
    samples = rpm.shape[1]
    while s.live[0] > 0.5 and spent < MOST_SPENT:
        spent += 1
        general_step(s, p, c, k, 0, tables, full)
        slot = slot_of(s, 0, samples)
        rpm[0, slot] = s.measured_rpm[0]
        steps[0, slot] = k.commanded_steps[0]
    return spent


@relation
def fill_gaps(samples: np.ndarray) -> None:
    """Let empty slots hold the value before them."""
    held = samples[0]
    for slot in range(len(samples)):
        value = samples[slot]
        held = value if value == value else held
        samples[slot] = held


@relation
def load_block(
    blocks: Blocks, plan: Plan, tables: Tables, start: int, last: int, rpm: np.ndarray, steps: np.ndarray
) -> None:
    """Put the runs from one row of a plan on into the lanes; the last run fills the rest."""
    rpm[:] = np.nan
    steps[:] = np.nan
    for lane in range(len(rpm)):
        load_run(blocks, lane, min(start + lane, last - 1), plan, tables)
        rpm[lane, 0] = blocks.state[0].measured_rpm[lane]
        steps[lane, 0] = blocks.memory[0].commanded_steps[lane]


@compiled
def run_range(
    blocks: Blocks, plan: Plan, tables: Tables, first: int, last: int, rpm: np.ndarray,
    steps: np.ndarray, counters: np.ndarray, full: bool, side_by_side: bool, reached: np.ndarray,
) -> bool:  # fmt: skip
    """Run rows of a plan, block after block, for about a tenth of a second; tells whether all is done.

    ``reached`` keeps the row reached and whether its block is under way: called again with it, and with all
    else as it was left, it goes on. So whoever waits can be interrupted.
    """
    lanes = blocks.state_matrix.shape[1] if side_by_side else 1
    spent = 0
    while reached[0] < last:
        row = reached[0] - first
        here_rpm = rpm[row : row + lanes]
        here_steps = steps[row : row + lanes]
        if reached[1] == 0:
            load_block(blocks, plan, tables, reached[0], last, here_rpm, here_steps)
            reached[1] = 1
        s = blocks.state[0]
        p = blocks.parameters[0]
        c = blocks.settings[0]
        k = blocks.memory[0]
        if not side_by_side:
            spent = run_scalar(s, p, c, k, tables, here_rpm, here_steps, full, spent)
        else:
            spent = run_lanes(s, p, c, k, lanes, tables, here_rpm, here_steps, full, spent)
        if spent >= MOST_SPENT:
            return False
        for lane in range(lanes):
            fill_gaps(rpm[row + lane])
            fill_gaps(steps[row + lane])
            write_counters(blocks, lane, counters[row + lane])
        reached[0] += lanes
        reached[1] = 0
    return True


def run_rows(
    blocks: Blocks, plan: Plan, tables: Tables, first: int, last: int, rpm: np.ndarray,
    steps: np.ndarray, counters: np.ndarray, full: bool, side_by_side: bool,
) -> Iterator[None]:  # fmt: skip
    """Call ``run_range`` until all is done; between two calls whoever waits may stop."""
    reached = np.array([first, 0])
    while not run_range(blocks, plan, tables, first, last, rpm, steps, counters, full, side_by_side, reached):
        yield
