"""The valve moving: counted steps, turned steps, opening, and the ways in which they part."""

from __future__ import annotations

import math

import numpy as np

from controllers import NEVER, relation
from sim.air import series_area
from sim.records import Block
from sim.valve import follow_shaft, needed_pulse_s, step_is_lost, table_area


@relation
def turn_shaft(s: Block, p: Block, lane: int, direction: float) -> None:
    """Turn the shaft by one step within its hard stops (+1 opens where wired right); the pintle follows.

    Source: at a stop the motor stalls and the step is lost (Acarnley, ch. 4).
    """
    shaft = s.shaft_steps[lane] + direction * s.direction[lane]
    if shaft < 0.0 or shaft > p.travel_steps[lane]:
        s.lost_steps[lane] += 1.0
        return
    s.shaft_steps[lane] = shaft
    if s.valve_sticks[lane] < 0.5:
        s.pintle_steps[lane] = follow_shaft(shaft, s.pintle_steps[lane], s.backlash_steps[lane])


@relation
def set_opening(s: Block, p: Block, lane: int, valve_m2: np.ndarray) -> None:
    """Add up all openings into the manifold; ``valve_m2``: area by car and whole step [m2]."""
    area = table_area(valve_m2[int(p.row_car[lane])], s.pintle_steps[lane])
    bypass = series_area(area, p.series_m2[lane])
    throttle = p.leak_m2[lane] + s.throttle_share[lane] * p.open_m2[lane]
    s.opening_m2[lane] = bypass + throttle + s.vacuum_leak_m2[lane]


@relation
def go_home(s: Block, p: Block, lane: int) -> None:
    """Begin homing: count as if wide open, and count down to the seat.

    Source: driving past the longest possible travel ends at the seat, whatever the position before: common
    practice, no source.
    """
    s.believed_steps[lane] = p.homing_steps[lane]
    s.homing[lane] = 1.0 if p.homing_steps[lane] > 0.0 else 0.0


@relation
def aim_steps(s: Block, lane: int, commanded_steps: float) -> float:
    """Position the motor is heading for, in counted steps: the seat while it homes, before all moves."""
    return 0.0 if s.homing[lane] > 0.5 else commanded_steps


@relation
def valve_step(
    s: Block, p: Block, lane: int, commanded_steps: float, volts: float, valve_m2: np.ndarray
) -> None:
    """Complete one valve step, pulse and rest, and begin the next if the valve is not where it was told."""
    difference = aim_steps(s, lane, commanded_steps) - s.believed_steps[lane]
    if difference != 0.0:
        direction = math.copysign(1.0, difference)
        s.believed_steps[lane] += direction
        s.valve_steps[lane] += 1.0
        needed = needed_pulse_s(p.pull_in_s[lane], volts, s.coolant_degC[lane])
        if step_is_lost(p.pulse_s[lane], needed, p.seed[lane], s.valve_steps[lane]):
            s.lost_steps[lane] += 1.0
        else:
            turn_shaft(s, p, lane, direction)
            set_opening(s, p, lane, valve_m2)
    if s.homing[lane] > 0.5 and s.believed_steps[lane] == 0.0:
        s.homing[lane] = 0.0
    if s.believed_steps[lane] == aim_steps(s, lane, commanded_steps):
        s.moving[lane] = 0.0
        s.due_valve[lane] = NEVER
    else:
        s.due_valve[lane] = s.tick[lane] + p.step_ticks[lane]


@relation
def begin_move(s: Block, p: Block, lane: int, commanded_steps: float) -> None:
    """Start the valve if it was told to be elsewhere and is at rest."""
    aim = aim_steps(s, lane, commanded_steps)
    if s.moving[lane] == 0.0 and aim != s.believed_steps[lane]:
        s.moving[lane] = 1.0
        s.due_valve[lane] = s.tick[lane] + p.step_ticks[lane]
