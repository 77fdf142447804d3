"""What happens at each event: one place that every schedule calls."""

from __future__ import annotations

from controllers import NEVER, TICKS_PER_s, idle_spark_trim, relation, routine, update
from sim.advance import advance
from sim.crank import battery_volts
from sim.firing import draw_noise, fire, read_balance
from sim.happenings import apply_event, set_coolant
from sim.records import END, FIRING, SCENARIO, STALL, THERMAL, UPDATE, VALVE_STEP, Block, Tables
from sim.valve import begin_move, valve_step

THERMAL_TICKS = 1.0 * TICKS_PER_s
"""Time between thermal ticks."""


@relation
def battery_now(s: Block, p: Block, lane: int) -> float:
    """Battery voltage of a lane.

    Parameters
    ----------
    s, p : Block
        State and parameters.
    lane : int
        Lane [-].

    Returns
    -------
    float
        Voltage [V].
    """
    return battery_volts(
        s.regulated_V[lane], p.battery_ohm[lane], s.load_W[lane], s.given_W[lane]
    )


@relation
def fire_now(
    s: Block, p: Block, c: Block, k: Block, lane: int, on: bool, full: bool
) -> None:
    """Handle a firing of a lane, with the controller's spark trim where there is one.

    Parameters
    ----------
    s, p, c, k : Block
        State (changed), parameters, controller settings and memory (changed).
    lane : int
        Lane [-].
    on : bool
        Whether a firing happens [-].
    full : bool
        With every feature [-].
    """
    trim_deg = 0.0
    if full:
        trim_deg = idle_spark_trim(c, k, lane, s.measured_rpm[lane])
        k.spark_trim_deg[lane] = trim_deg
    fire(s, p, lane, on, full, k.target_rpm[lane], trim_deg)


@relation
def stop_engine(s: Block, k: Block, lane: int) -> None:
    """Handle a stall: no more torque, the sensor reads nothing, the run may go on.

    Parameters
    ----------
    s, k : Block
        State and controller memory (changed).
    lane : int
        Lane [-].
    """
    s.running[lane] = 0.0
    s.stalled_tick[lane] = s.tick[lane] if s.stalled_tick[lane] >= NEVER else s.stalled_tick[lane]
    s.torque_Nm[lane] = 0.0
    s.work0[lane] = 0.0
    s.work1[lane] = 0.0
    s.work2[lane] = 0.0
    s.work3[lane] = 0.0
    s.measured_rpm[lane] = 0.0
    s.ignition[lane] = 0.0
    k.started_tick[lane] = NEVER


@relation
def thermal_tick(s: Block, p: Block, k: Block, lane: int, tables: Tables) -> None:
    """Handle a thermal tick: the coolant follows, friction and curves follow it.

    Parameters
    ----------
    s, p, k : Block
        State (changed), parameters and controller memory (changed).
    lane : int
        Lane [-].
    tables : Tables
        Tables of all cars and scenarios.
    """
    set_coolant(s, p, k, lane, tables)
    s.due_thermal[lane] = s.tick[lane] + THERMAL_TICKS


@routine
def handle(
    s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables
) -> None:
    """Handle the event that the last step reached, firings excepted.

    Parameters
    ----------
    s, p, c, k : Block
        State, parameters, controller settings and memory.
    lane : int
        Lane [-].
    tables : Tables
        Tables of all cars and scenarios.
    """
    event = s.event[lane]
    if event == UPDATE:
        update(c, k, lane, s.measured_rpm[lane], s.tick[lane])
        begin_move(s, p, lane, k.commanded_steps[lane])
    elif event == VALVE_STEP:
        valve_step(
            s, p, lane, k.commanded_steps[lane], battery_now(s, p, lane), tables.valve_m2
        )
    elif event == SCENARIO:
        apply_event(s, p, k, lane, tables)
    elif event == THERMAL:
        thermal_tick(s, p, k, lane, tables)
    elif event == STALL:
        stop_engine(s, k, lane)


@routine
def general_step(
    s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables, full: bool
) -> None:
    """Advance one lane to its next event, whatever it is, and handle it.

    Parameters
    ----------
    s, p, c, k : Block
        State, parameters, controller settings and memory.
    lane : int
        Lane [-].
    tables : Tables
        Tables of all cars and scenarios.
    full : bool
        With every feature [-].
    """
    advance(s, p, lane, k.due_update[lane], full, False)
    if s.event[lane] == FIRING:
        draw_noise(s, p, lane, full)
        if full:
            read_balance(s, p, lane, tables.balance)
        fire_now(s, p, c, k, lane, True, full)
    else:
        handle(s, p, c, k, lane, tables)
