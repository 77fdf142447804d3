"""The first state of a run."""

from __future__ import annotations

import math

import numpy as np

from controllers import NEVER, TICKS_PER_s, open_loop_steps, relation, routine
from sim.air import CRITICAL_RATIO, choked_flow_per_area, series_area
from sim.happenings import set_coolant
from sim.noise import START_STREAM, uniform
from sim.records import Block, Tables
from sim.sensors import RPM_PER_rad_s
from sim.settle import mean_acceleration
from sim.starting import KEY_ON, power_on
from sim.valve import table_area
from sim.valve_moves import set_opening

SCENARIO_FIELDS = (
    "ambient_Pa",
    "ambient_K",
    "coolant_degC",
    "duration_ticks",
    "key_on",  # 1: the engine stands and is to be started
    "warm_up",  # 1: temperatures move; 0: they are held
)
"""Numbers of a scenario beside its events; one row a scenario."""

THERMAL_TICKS = 1.0 * TICKS_PER_s  # Time between thermal ticks.
LONG_AGO = -1.0e13  # A tick long before any run: the engine has been running and the throttle closed since.


@relation
def set_ambient(
    s: Block,  # noqa: ARG001 (every relation of a first state takes both records)
    p: Block,
    lane: int,
    ambient_Pa: float,
    ambient_K: float,
) -> None:
    """Put the surrounding air into force."""
    p.ambient_Pa[lane] = ambient_Pa
    p.ambient_K[lane] = ambient_K
    p.flow_scale[lane] = choked_flow_per_area(ambient_Pa, ambient_K)
    p.behind_Pa[lane] = p.exhaust_Pa[lane] if p.exhaust_Pa[lane] > 0.0 else ambient_Pa
    p.choked_below_Pa[lane] = CRITICAL_RATIO * ambient_Pa * (1.0 - 1.0e-12)


@relation
def set_rest(s: Block, p: Block, lane: int, coolant_degC: float) -> None:
    """Fill the state with what holds before anything happens."""
    s.due_valve[lane] = s.due_thermal[lane] = s.stalled_tick[lane] = s.raced_tick[lane] = NEVER
    s.first_start_tick[lane] = NEVER
    s.key[lane] = KEY_ON
    s.resting_V[lane] = p.resting_V[lane]
    s.direction[lane] = p.direction[lane]
    s.backlash_steps[lane] = p.backlash_steps[lane]
    s.regulated_V[lane] = p.regulated_V[lane]
    s.advance_deg_per_rpm[lane] = p.advance_deg_per_rpm[lane]
    s.rpm_noise[lane] = p.rpm_noise[lane]
    s.balance[lane] = s.ignition[lane] = 1.0
    s.coolant_degC[lane] = s.oil_degC[lane] = s.coolant_sensed_degC[lane] = coolant_degC
    s.live[lane] = s.scalar[lane] = 1.0


@relation
def set_valve(s: Block, p: Block, lane: int, tables: Tables, steps: float) -> None:
    """Place the valve, believed and true (within its stops), and add up the openings."""
    true = min(steps, p.travel_steps[lane])
    s.believed_steps[lane] = steps
    s.lost_steps[lane] = steps - true
    s.shaft_steps[lane] = s.pintle_steps[lane] = true
    set_opening(s, p, lane, tables.valve_m2)


@relation
def breathe_beside(p: Block, lane: int, tables: Tables, part: float, steps: float) -> None:
    """Let the engine have part of a step's worth of air more than its base curve supposes.

    A valve takes whole positions only; where they lie about what the engine needs is chance, and decides
    whether feedback can rest.
    """
    if part != 0.0:
        areas = tables.valve_m2[int(p.row_car[lane])]
        here = series_area(table_area(areas, steps), p.series_m2[lane])
        above = series_area(table_area(areas, steps + 1.0), p.series_m2[lane])
        p.leak_m2[lane] = max(p.leak_m2[lane] + part * (above - here), 0.0)


@relation
def held_position(c: Block, lane: int, steps: float) -> float:
    """Whole position nearest within the controller's reach [steps]."""
    return min(max(math.floor(steps + 0.5), 0.0), c.open_limit_steps[lane])


@relation
def show_tables(s: Block, lane: int) -> None:
    """Let the last charge have had what the idle tables ask for, before the first one fires."""
    s.spark_deg[lane] = s.spark_wanted_deg[lane]
    s.lambda_[lane] = s.lambda_wanted[lane]


@relation
def start_idling(s: Block, p: Block, lane: int, speed_rad_s: float) -> None:
    """Let the engine idle at a speed, with pressure and torque as settled there."""
    mean_acceleration(s, p, lane, speed_rad_s)
    show_tables(s, lane)
    work = s.torque_Nm[lane] * p.firing_rad[lane]
    s.work0[lane] = s.work1[lane] = s.work2[lane] = s.work3[lane] = work
    s.speed_rad_s[lane] = s.lowest_rad_s[lane] = speed_rad_s
    s.measured_rpm[lane] = speed_rad_s * RPM_PER_rad_s
    s.map_lagged_Pa[lane] = s.map_sensed_Pa[lane] = s.map_Pa[lane]
    fuel = work / (14.7 * p.work_J_per_kg[lane] * s.efficiency[lane] * s.lambda_wanted[lane])
    interval_s = p.firing_rad[lane] / speed_rad_s
    share = p.wall_share[lane]
    s.film_kg[lane] = share * fuel * (p.wall_s[lane] + interval_s) / interval_s
    s.running[lane] = 1.0
    s.first_start_tick[lane] = 0.0


@relation
def start_standing(s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables) -> None:
    """Switch on an engine that stands, its valve wherever it was left: any position as likely as another."""
    s.ignition[lane] = 0.0
    show_tables(s, lane)
    s.map_Pa[lane] = s.map_lagged_Pa[lane] = s.map_sensed_Pa[lane] = p.ambient_Pa[lane]
    k.started_tick[lane] = NEVER
    left = math.floor(uniform(p.seed[lane], START_STREAM, 0.0) * (p.travel_steps[lane] + 1.0))
    set_valve(s, p, lane, tables, left)
    power_on(s, p, c, k, lane)


@routine
def begin(
    s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables, scenario: np.ndarray, rpm_offset: float
) -> None:
    """Make the first state of a run; blocks hold zeros, car, settings and run parameters.

    A running engine starts at the target speed plus an offset, the valve where the open loop puts it, no
    trim: what a car does at the moment feedback begins. An engine to be started stands, the key just turned
    on.
    """
    set_ambient(s, p, lane, scenario[0], scenario[1])
    p.end_tick[lane] = scenario[3]
    error_steps = p.base_error_steps[lane]
    p.base_error_steps[lane] = math.floor(error_steps + 0.5)
    set_rest(s, p, lane, scenario[2])
    k.throttle_closed[lane] = 1.0
    standing = scenario[4] > 0.5
    k.started_tick[lane] = NEVER if standing else LONG_AGO
    k.closed_tick[lane] = LONG_AGO
    s.due_event[lane] = tables.events[int(p.row_scenario[lane]), 0, 0]
    if scenario[5] > 0.5:
        s.due_thermal[lane] = THERMAL_TICKS
    set_coolant(s, p, k, lane, tables)
    wanted = held_position(c, lane, open_loop_steps(c, k, lane, 0.0))
    k.commanded_steps[lane] = k.wanted_steps[lane] = wanted
    # Also of an engine to be started, whose valve is wanted at its cranking position now.
    idling = held_position(c, lane, k.base_steps[lane])
    breathe_beside(p, lane, tables, error_steps - p.base_error_steps[lane], idling)
    if standing:
        start_standing(s, p, c, k, lane, tables)
        return
    set_valve(s, p, lane, tables, wanted)
    target = k.target_rpm[lane] + rpm_offset
    start_idling(s, p, lane, max(target / RPM_PER_rad_s, p.stall_rad_s[lane] * 1.05))
    k.last_rpm[lane] = s.measured_rpm[lane]
