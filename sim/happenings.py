"""Scenario events: what can be set while the engine runs, and what follows from it."""

from __future__ import annotations

import math

from controllers import read_coolant, relation
from sim.combustion import cold_share, mixture_efficiency, spark_efficiency
from sim.records import Block, Tables
from sim.starting import KEY_OFF, turn_key
from sim.thermal import cold_friction_factor, manifold_K
from sim.valve import follow_shaft
from sim.valve_moves import begin_move, go_home, set_opening

SETTABLE = (
    "lamps", "fan", "screen", "steering", "aircon", "gearbox", "clutch", "electrical_W",
    "torque_Nm", "throttle_share", "vacuum_leak_mm2", "coolant_degC", "regulated_V", "lost_steps",
    "valve_sticks", "backlash_steps", "weak_cylinder_share", "rpm_noise_rpm",
    "advance_deg_per_100rpm", "wired_reversed", "key", "home", "battery_V", "fuel_cut",
    "count_from_here",
)  # fmt: skip
"""Names a scenario may set, in the order of their codes."""

(
    LAMPS, FAN, SCREEN, STEERING, AIRCON, GEARBOX, CLUTCH, ELECTRICAL, TORQUE, THROTTLE,
    VACUUM_LEAK, COOLANT, REGULATED, LOST_STEPS, VALVE_STICKS, BACKLASH, WEAK_CYLINDER, RPM_NOISE,
    ADVANCE, REVERSED, KEY, HOME, BATTERY, FUEL_CUT, COUNT,
) = range(len(SETTABLE))  # fmt: skip


@relation
def set_loads(s: Block, p: Block, k: Block, lane: int) -> None:
    """Put the loads switched on into force: electric power, and the resisting parabola.

    An automatic gearbox held by the brake drags with the square of speed. Source: torque converter at stall,
    any textbook on drive lines.
    """
    switched = (
        p.lamps_W[lane] * s.lamps[lane]
        + p.fan_W[lane] * s.fan[lane]
        + p.screen_W[lane] * s.screen[lane]
        + s.electrical_W[lane]
    )
    s.load_W[lane] = p.base_W[lane] + switched
    k.load_W[lane] = switched
    k.aircon_on[lane] = 1.0 if s.aircon[lane] > 0.0 else 0.0
    steady = (
        p.steering_Nm[lane] * s.steering[lane]
        + p.aircon_Nm[lane] * s.aircon[lane]
        + p.clutch_Nm[lane] * s.clutch[lane]
        + s.torque_load_Nm[lane]
    )
    converter = p.gearbox_Nm[lane] * s.gearbox[lane] / p.gearbox_rad_s[lane] ** 2
    cold = s.friction_factor[lane]
    s.resist0[lane] = p.friction0[lane] * cold + steady
    s.resist1[lane] = p.friction1[lane] * cold
    s.resist2[lane] = p.friction2[lane] * cold + converter


@relation
def set_gas(s: Block, p: Block, lane: int) -> None:
    """Let the air in the manifold be as warm as the engine makes it; none is lost (ideal gas)."""
    warm_K = p.warm_gas_K[lane]
    denser = warm_K / manifold_K(s.coolant_degC[lane], p.ambient_K[lane], warm_K)
    gas_Pa_per_kg = p.warm_gas_Pa_per_kg[lane] / denser
    s.map_Pa[lane] *= gas_Pa_per_kg / p.gas_Pa_per_kg[lane]
    p.gas_Pa_per_kg[lane] = gas_Pa_per_kg
    p.pump0[lane] = p.warm_pump0[lane] * denser
    p.pump1[lane] = p.warm_pump1[lane] * denser
    p.pump2[lane] = p.warm_pump2[lane] * denser
    p.pump3[lane] = p.warm_pump3[lane] * denser


@relation
def set_tables(s: Block, p: Block, lane: int) -> None:
    """Let the spark and mixture that the idle tables ask for follow the temperature sensed."""
    cold = cold_share(s.coolant_sensed_degC[lane])
    spark = p.spark_base_deg[lane] + cold * p.spark_cold_deg[lane]
    lambda_ = p.lambda_base[lane] + cold * p.lambda_cold[lane]
    s.spark_wanted_deg[lane] = spark
    s.lambda_wanted[lane] = lambda_
    sparked = spark_efficiency(spark, p.spark_best_deg[lane], p.spark_loss_per_deg2[lane])
    burnt = mixture_efficiency(lambda_, p.lambda_best[lane], p.mixture_loss[lane])
    s.efficiency[lane] = sparked * burnt


@relation
def set_coolant(s: Block, p: Block, k: Block, lane: int, tables: Tables) -> None:
    """Let friction follow the oil, the manifold's air the engine, tables and curves the sensor."""
    s.friction_factor[lane] = cold_friction_factor(
        s.oil_degC[lane], p.oil_a[lane], p.oil_b[lane], p.oil_warm_mm2_s[lane], p.rubbing_share[lane]
    )
    set_gas(s, p, lane)
    set_tables(s, p, lane)
    set_loads(s, p, k, lane)
    curves = tables.curves[int(p.row_car[lane])]
    read_coolant(k, lane, curves, s.coolant_sensed_degC[lane], p.base_error_steps[lane])


@relation
def start_counting(s: Block, k: Block, lane: int) -> None:
    """Set the counters of moves and extremes to zero: what counts begins here."""
    k.moves[lane] = k.reversals[lane] = k.limited_updates[lane] = s.valve_steps[lane] = 0.0
    s.lowest_rad_s[lane] = s.speed_rad_s[lane]


@relation
def move_throttle(s: Block, k: Block, lane: int, share: float) -> None:
    """Open or close the throttle; the controller sees only whether it is closed."""
    closed = 1.0 if share <= 0.0 else 0.0
    if closed > 0.5 and k.throttle_closed[lane] < 0.5:
        k.closed_tick[lane] = s.tick[lane]
    k.throttle_closed[lane] = closed
    s.throttle_share[lane] = share


@relation
def lose_steps(s: Block, p: Block, lane: int, steps: float) -> None:
    """Turn the shaft toward the seat without the controller knowing."""
    shaft = s.shaft_steps[lane] - steps
    shaft = shaft if shaft > 0.0 else 0.0
    shaft = shaft if shaft < p.travel_steps[lane] else p.travel_steps[lane]
    s.shaft_steps[lane] = shaft
    s.lost_steps[lane] += math.fabs(steps)
    s.pintle_steps[lane] = follow_shaft(shaft, s.pintle_steps[lane], s.backlash_steps[lane])


@relation
def set_condition(s: Block, p: Block, lane: int, code: int, value: float) -> None:
    """Set what only changes one field of the state: loads and faults."""
    if code == LAMPS:
        s.lamps[lane] = value
    elif code == FAN:
        s.fan[lane] = value
    elif code == SCREEN:
        s.screen[lane] = value
    elif code == STEERING:
        s.steering[lane] = value
    elif code == AIRCON:
        s.aircon[lane] = value
    elif code == GEARBOX:
        s.gearbox[lane] = value
    elif code == CLUTCH:
        s.clutch[lane] = value
    elif code == ELECTRICAL:
        s.electrical_W[lane] = value
    elif code == TORQUE:
        s.torque_load_Nm[lane] = value
    elif code == REGULATED:
        s.regulated_V[lane] = value
    elif code == BATTERY:
        s.resting_V[lane] = value
    elif code == FUEL_CUT:
        # Only an engine that runs has fuel to be cut: a start lights its own charges.
        if s.running[lane] > 0.5 and s.starting[lane] < 0.5 and s.key[lane] != KEY_OFF:
            s.ignition[lane] = 1.0 - value
    elif code == VALVE_STICKS:
        s.valve_sticks[lane] = value
    elif code == BACKLASH:
        s.backlash_steps[lane] = value
    elif code == WEAK_CYLINDER:
        s.weak_share[lane] = value
    elif code == RPM_NOISE:
        s.rpm_noise[lane] = value
    elif code == ADVANCE:
        s.advance_deg_per_rpm[lane] = value / 100.0
    elif code == REVERSED:
        s.direction[lane] = -p.direction[lane] if value > 0.5 else p.direction[lane]


@relation
def set_temperature(s: Block, p: Block, k: Block, lane: int, tables: Tables, new_degC: float) -> None:
    """Bring engine, oil and sensor to one temperature."""
    s.coolant_degC[lane] = s.oil_degC[lane] = s.coolant_sensed_degC[lane] = new_degC
    set_coolant(s, p, k, lane, tables)


@relation
def find_seat(s: Block, p: Block, k: Block, lane: int) -> None:
    """Home the valve again, where there is power to do it."""
    if s.key[lane] != KEY_OFF:
        go_home(s, p, lane)
        begin_move(s, p, lane, k.commanded_steps[lane])


@relation
def apply_event(s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables) -> None:
    """Handle the scenario event that is due, and note when the next one is."""
    events = tables.events[int(p.row_scenario[lane])]
    row = int(s.next_event[lane])
    code = int(events[row, 1])
    value = events[row, 2]
    if code < 0:
        s.live[lane] = 0.0
    elif code == COUNT:
        start_counting(s, k, lane)
    elif code == THROTTLE:
        move_throttle(s, k, lane, value)
    elif code == VACUUM_LEAK:
        s.vacuum_leak_m2[lane] = value * 1.0e-6
    elif code == COOLANT:
        set_temperature(s, p, k, lane, tables, value)
    elif code == LOST_STEPS:
        lose_steps(s, p, lane, value)
    elif code == KEY:
        turn_key(s, p, c, k, lane, tables, value)
    elif code == HOME:
        find_seat(s, p, k, lane)
    else:
        set_condition(s, p, lane, code, value)
    set_loads(s, p, k, lane)
    set_opening(s, p, lane, tables.valve_m2)
    # A wider opening may leave the choked range at once: look before the next step.
    s.scalar[lane] = 1.0
    s.next_event[lane] = row + 1.0
    if s.live[lane] > 0.5:
        s.due_event[lane] = events[row + 1, 0]
