"""What happens at each event: one place that every schedule calls."""

from __future__ import annotations

from controllers import NEVER, TICKS_PER_s, idle_spark_trim, relation, routine, update
from sim.advance import advance
from sim.begin import THERMAL_TICKS
from sim.crank import battery_volts, cranking_volts, starter_torque
from sim.firing import draw_noise, fire, read_balance
from sim.happenings import apply_event, set_coolant
from sim.records import FIRING, RACE, SCENARIO, STALL, THERMAL, UPDATE, VALVE_STEP, Block, Tables
from sim.sensors import followed_degC
from sim.slopes import drawn_at
from sim.starting import KEY_OFF, light_charge, run_up
from sim.thermal import STANDING_SHARE, TURNING_rad_s, coolant_rate, cooling_W_per_K, oil_rate
from sim.valve_moves import begin_move, valve_step

THERMAL_s = THERMAL_TICKS / TICKS_PER_s
SILENT_TICKS = 0.7 * TICKS_PER_s
"""Without a firing for this long the reading of speed is nothing; common practice, no source [ticks]."""


@relation
def battery_now(s: Block, p: Block, lane: int) -> float:
    """Voltage of a lane's alternator, or of its battery while the engine is started [V]."""
    if s.running[lane] > 0.5:
        return battery_volts(
            s.regulated_V[lane], s.resting_V[lane], p.battery_ohm[lane], s.load_W[lane], s.given_W[lane]
        )
    starter = starter_torque(s.speed_rad_s[lane], s.starter0_Nm[lane], s.starter1_Nms[lane])
    return cranking_volts(
        s.resting_V[lane], p.sag_V_per_Nm[lane], starter, p.battery_ohm[lane], s.load_W[lane]
    )


@relation
def fire_now(s: Block, p: Block, c: Block, k: Block, lane: int, on: bool, full: bool) -> None:
    """Handle a firing of a lane, with the controller's spark trim where there is one."""
    trim_deg = 0.0
    if full:
        trim_deg = idle_spark_trim(c, k, lane, s.measured_rpm[lane])
        k.spark_trim_deg[lane] = trim_deg
    fire(s, p, lane, on, full, k.target_rpm[lane], trim_deg)


@relation
def fire_alone(s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables, full: bool) -> None:
    """Handle a firing of one lane by itself, of an engine that runs or is being started."""
    draw_noise(s, p, lane, full)
    read_balance(s, p, lane, tables.balance)
    starting = s.starting[lane] > 0.5
    if starting:
        light_charge(s, p, lane, full)
    fire_now(s, p, c, k, lane, True, full)
    if starting:
        run_up(s, p, k, lane, tables)


@relation
def stop_engine(s: Block, k: Block, lane: int) -> None:
    """Handle a stall: no more torque, the sensor reads nothing; one switched off has not stalled."""
    s.running[lane] = 0.0
    if s.stalled_tick[lane] >= NEVER and s.key[lane] != KEY_OFF:
        s.stalled_tick[lane] = s.tick[lane]
    s.starting[lane] = s.torque_Nm[lane] = s.work0[lane] = s.work1[lane] = s.work2[lane] = s.work3[lane] = 0.0
    s.measured_rpm[lane] = s.ignition[lane] = 0.0
    k.started_tick[lane] = NEVER
    k.integral_steps[lane] = 0.0


@relation
def end_racing(s: Block, lane: int) -> None:
    """End a run whose engine turns faster than any stands: nothing after it tells anything."""
    s.raced_tick[lane] = s.tick[lane]
    s.live[lane] = 0.0


@relation
def warm(s: Block, p: Block, lane: int) -> None:
    """Let engine and oil warm or cool over one thermal tick, for all of which the air drawn now stands."""
    speed = s.speed_rad_s[lane]
    coolant, oil = s.coolant_degC[lane], s.oil_degC[lane]
    ambient = p.ambient_K[lane] - 273.15
    burnt = drawn_at(p, lane, s.map_Pa[lane], speed) * speed * s.ignition[lane]
    heat = p.heat_J_per_kg[lane] * burnt
    rubbing = p.friction0[lane] + speed * (p.friction1[lane] + speed * p.friction2[lane])
    friction = rubbing * s.friction_factor[lane] * speed
    loss, opens = p.loss_W_per_K[lane], p.thermostat_degC[lane]
    cooling = cooling_W_per_K(coolant, speed, loss, opens, p.air_cooled[lane])
    coolant_K_s = coolant_rate(
        heat, coolant, oil, ambient, cooling, p.oil_J_per_K[lane], p.coolant_J_per_K[lane]
    )
    still = STANDING_SHARE if speed < TURNING_rad_s else 1.0
    oil_K_s = oil_rate(friction, coolant, oil, ambient, p.oil_J_per_K[lane], still * p.oil_loss_share[lane])
    s.coolant_degC[lane] = coolant + THERMAL_s * coolant_K_s
    s.oil_degC[lane] = oil + THERMAL_s * oil_K_s
    felt = s.oil_degC[lane] if p.senses_oil[lane] > 0.5 else s.coolant_degC[lane]
    s.coolant_sensed_degC[lane] = followed_degC(
        s.coolant_sensed_degC[lane], felt, p.coolant_lag_s[lane], THERMAL_s
    )


@relation
def thermal_tick(s: Block, p: Block, k: Block, lane: int, tables: Tables) -> None:
    """Handle a thermal tick: temperatures move, friction and curves follow them."""
    warm(s, p, lane)
    set_coolant(s, p, k, lane, tables)
    s.due_thermal[lane] = s.tick[lane] + THERMAL_TICKS


@routine
def handle(s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables) -> None:
    """Handle the event that the last step reached, firings excepted."""
    event = s.event[lane]
    if s.running[lane] < 0.5 and s.tick[lane] - s.fired_tick[lane] > SILENT_TICKS:
        s.measured_rpm[lane] = 0.0
    if event == UPDATE:
        update(c, k, lane, s.measured_rpm[lane], s.tick[lane])
        begin_move(s, p, lane, k.commanded_steps[lane])
    elif event == VALVE_STEP:
        valve_step(s, p, lane, k.commanded_steps[lane], battery_now(s, p, lane), tables.valve_m2)
    elif event == SCENARIO:
        apply_event(s, p, c, k, lane, tables)
    elif event == THERMAL:
        thermal_tick(s, p, k, lane, tables)
    elif event == STALL:
        stop_engine(s, k, lane)
    elif event == RACE:
        end_racing(s, lane)


@relation
def advance_alone(s: Block, p: Block, lane: int, next_update: float, full: bool) -> None:
    """Take one run by itself to its next event, on the common path, the quicker, where that holds."""
    if s.scalar[lane] == 0.0:
        advance(s, p, lane, next_update, full, full, True)
    if s.scalar[lane] != 0.0:
        advance(s, p, lane, next_update, full, full, False)


@routine
def general_step(s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables, full: bool) -> None:
    """Advance one lane to its next event, whatever it is, and handle it."""
    advance_alone(s, p, lane, k.due_update[lane], full)
    if s.event[lane] == FIRING:
        fire_alone(s, p, c, k, lane, tables, full)
    else:
        handle(s, p, c, k, lane, tables)
