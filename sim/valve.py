"""The bypass valve: counted steps, turned steps, opening, and the ways in which they part."""

from __future__ import annotations

import math

import numpy as np

from controllers import NEVER, relation
from sim.air import series_area
from sim.noise import VALVE_STREAM, uniform
from sim.records import VALVE_TABLE_STEPS, Block

PULL_IN_VOLTS = 12.0
"""Voltage at which the car file states the shortest safe pulse [V]."""
COPPER_PER_K = 0.0039
"""Rise of copper's resistance [1/K]; from memory, any handbook of electrical engineering."""
ALL_LOST_SHARE = 0.5
"""At this share of the needed pulse every step is lost [-]."""


@relation
def table_area(areas_m2: np.ndarray, steps: float) -> float:
    """Valve area at a position: straight lines between whole steps of the fine table.

    Source: the table is a monotone cubic (``sim.monotone``) of the car file's points, see ``sim.car_record``.

    Parameters
    ----------
    areas_m2 : numpy.ndarray
        Area at whole steps [m2].
    steps : float
        Opening from the seat [steps].

    Returns
    -------
    float [m2]
    """
    held = steps if steps > 0.0 else 0.0
    below = min(int(held), VALVE_TABLE_STEPS - 2)
    share = held - below
    share = share if share < 1.0 else 1.0
    return areas_m2[below] + share * (areas_m2[below + 1] - areas_m2[below])


@relation
def needed_pulse_s(pull_in_s: float, volts: float, coil_degC: float) -> float:
    """Shortest coil pulse that never skips, at a voltage and coil temperature.

    Source: pull-in torque follows coil current, so voltage over resistance (Acarnley, Stepping Motors, 4th
    ed., ch. 4); that the pulse scales inversely is assumed.

    Parameters
    ----------
    pull_in_s : float
        Shortest safe pulse at 12 V and 20 degC [s].
    volts, coil_degC : float
        Battery voltage, above 0, and coil temperature [V, degC].

    Returns
    -------
    float [s]
    """
    return pull_in_s * PULL_IN_VOLTS / volts * (1.0 + COPPER_PER_K * (coil_degC - 20.0))


@relation
def step_is_lost(pulse_s: float, needed_s: float, seed: float, count: float) -> bool:
    """Whether one step is lost for want of pulse.

    Source: assumed; that a pulse below about 3 ms may skip is common practice, no source.

    Parameters
    ----------
    pulse_s, needed_s : float
        Pulse given and needed [s].
    seed, count : float
        Seed of the run and number of the step [-].

    Returns
    -------
    bool
        Never at or above the needed pulse, always at half of it, by chance between.
    """
    share = (needed_s - pulse_s) / ((1.0 - ALL_LOST_SHARE) * needed_s)
    if share <= 0.0:
        return False
    return uniform(seed, VALVE_STREAM, count) < share


@relation
def follow_shaft(shaft_steps: float, pintle_steps: float, backlash_steps: float) -> float:
    """Opening after the shaft has turned: thread backlash, taken up on reversal.

    Source: the play operator, Gelb and Vander Velde (1968); when closing the shaft carries the pintle, when
    opening it lags by the play.

    Parameters
    ----------
    shaft_steps, pintle_steps, backlash_steps : float
        Shaft now, opening before, and lost motion, 0 or more [steps].

    Returns
    -------
    float
        Opening now [steps].
    """
    pintle = pintle_steps if pintle_steps < shaft_steps else shaft_steps
    lowest = shaft_steps - backlash_steps
    return pintle if pintle > lowest else lowest


@relation
def turn_shaft(s: Block, p: Block, lane: int, direction: float) -> None:
    """Turn the shaft by one step within its hard stops, and let the pintle follow.

    Source: at a stop the motor stalls and the step is lost (Acarnley, ch. 4).

    Parameters
    ----------
    s, p : Block
    lane : int [-]
    direction : float
        +1 turns toward open where wired right, -1 toward the seat [-].
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
    """Add up all openings into the manifold.

    Source: openings in parallel add.

    Parameters
    ----------
    s, p : Block
    lane : int [-]
    valve_m2 : numpy.ndarray
        Shape (cars, VALVE_TABLE_STEPS): valve area [m2].
    """
    area = table_area(valve_m2[int(p.row_car[lane])], s.pintle_steps[lane])
    bypass = series_area(area, p.series_m2[lane])
    throttle = p.leak_m2[lane] + s.throttle_share[lane] * p.open_m2[lane]
    s.opening_m2[lane] = bypass + throttle + s.vacuum_leak_m2[lane]


@relation
def go_home(s: Block, p: Block, lane: int) -> None:
    """Begin homing: count as if wide open, and count down to the seat.

    Source: driving past the longest possible travel ends at the seat, whatever the position before: common
    practice, no source.

    Parameters
    ----------
    s, p : Block
    lane : int [-]
    """
    s.believed_steps[lane] = p.homing_steps[lane]
    s.homing[lane] = 1.0 if p.homing_steps[lane] > 0.0 else 0.0


@relation
def aim_steps(s: Block, lane: int, commanded_steps: float) -> float:
    """Position the motor is heading for, in counted steps: the seat while it homes.

    Source: homing comes before all moves; common practice, no source.

    Parameters
    ----------
    s : Block
    lane : int [-]
    commanded_steps : float
        Where the controller told the valve to be [steps].

    Returns
    -------
    float [steps]
    """
    return 0.0 if s.homing[lane] > 0.5 else commanded_steps


@relation
def valve_step(
    s: Block, p: Block, lane: int, commanded_steps: float, volts: float, valve_m2: np.ndarray
) -> None:
    """Complete one valve step and begin the next if the valve is not where it was told.

    Source: step = pulse + rest; common practice, no source.

    Parameters
    ----------
    s, p : Block
    lane : int [-]
    commanded_steps, volts : float
        Where the controller told the valve to be, and battery voltage [steps, V].
    valve_m2 : numpy.ndarray
        Shape (cars, VALVE_TABLE_STEPS): valve area [m2].
    """
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
    """Start the valve if it was told to be elsewhere and is at rest.

    Source: step = pulse + rest; common practice, no source.

    Parameters
    ----------
    s, p : Block
    lane : int [-]
    commanded_steps : float
        Where the controller told the valve to be [steps].
    """
    aim = aim_steps(s, lane, commanded_steps)
    if s.moving[lane] == 0.0 and aim != s.believed_steps[lane]:
        s.moving[lane] = 1.0
        s.due_valve[lane] = s.tick[lane] + p.step_ticks[lane]
