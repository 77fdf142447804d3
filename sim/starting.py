"""Power, key and starter: from an engine that stands to one that runs by itself."""

from __future__ import annotations

import math

from controllers import NEVER, begin_running, relation
from sim.combustion import STOICHIOMETRIC_AIR_TO_FUEL, start_burn, start_chance, start_firings
from sim.noise import START_STREAM, uniform
from sim.records import Block, Tables
from sim.sensors import RPM_PER_rad_s
from sim.slopes import drawn_at
from sim.valve_moves import begin_move, go_home

KEY_OFF, KEY_ON, KEY_CRANK = range(3)
BATTERY_FULL_degC, BATTERY_LOSS_per_K = 20.0, 0.003
"""A battery colder than this, which an engine's temperature at the start tells, gives so much less for each
kelvin; common practice, no source [degC], [1/K]."""
FEWEST_CAUGHT = 8.0  # Firings at least before an engine counts as running; assumed [-].
SETTLED_FIRINGS = 5.0  # After so many times its typical number of firings a start is over [-].


@relation
def power_on(s: Block, p: Block, c: Block, k: Block, lane: int) -> None:
    """Wake the controller: it does not know where the valve is (Acarnley, ch. 4), so it homes it."""
    s.key[lane] = KEY_ON
    period = c.period_ticks[lane]
    k.updates[lane] = 0.0
    if period > 0.0:
        k.updates[lane] = math.ceil(s.tick[lane] / period)
        if k.updates[lane] * period < s.tick[lane]:
            k.updates[lane] += 1.0
        k.due_update[lane] = k.updates[lane] * period
    go_home(s, p, lane)
    begin_move(s, p, lane, k.commanded_steps[lane])


@relation
def power_off(s: Block, k: Block, lane: int) -> None:
    """Cut all power: no spark, no fuel, no starter, and the valve stays where it is."""
    s.key[lane] = KEY_OFF
    s.ignition[lane] = s.starter0_Nm[lane] = s.starting[lane] = s.moving[lane] = s.homing[lane] = 0.0
    s.due_valve[lane] = k.due_update[lane] = k.started_tick[lane] = NEVER
    k.integral_steps[lane] = k.trim_steps[lane] = k.enabled[lane] = 0.0


@relation
def engage_starter(s: Block, p: Block, lane: int) -> None:
    """Let the starter turn the engine: a weak battery lowers its whole line.

    Source: torque at rest and speed without load both follow voltage (direct-current motor, any textbook of
    electrical machines); that a cold battery gives less is common practice, no source.
    """
    s.key[lane] = KEY_CRANK
    s.starting[lane] = 1.0
    s.cranked[lane] = s.caught[lane] = s.ignition[lane] = 0.0
    cold_K = BATTERY_FULL_degC - s.coolant_degC[lane]
    cold_K = cold_K if cold_K > 0.0 else 0.0
    left = 1.0 - BATTERY_LOSS_per_K * cold_K
    s.starter0_Nm[lane] = p.starter_Nm[lane] * left * s.resting_V[lane] / p.resting_V[lane]
    s.starter1_Nms[lane] = p.starter_Nms[lane]


@relation
def turn_key(s: Block, p: Block, c: Block, k: Block, lane: int, tables: Tables, position: float) -> None:
    """Turn the key; cranking a running engine does nothing."""
    if position == KEY_OFF:
        power_off(s, k, lane)
        return
    if s.key[lane] == KEY_OFF:
        power_on(s, p, c, k, lane)
        if s.running[lane] > 0.5:
            # Switched on again before the engine had run down: it lights at once.
            s.ignition[lane] = 1.0
            curves = tables.curves[int(p.row_car[lane])]
            begin_running(k, lane, curves, s.coolant_sensed_degC[lane], s.tick[lane])
    s.key[lane] = KEY_ON
    s.starter0_Nm[lane] = 0.0
    if position == KEY_CRANK and s.running[lane] < 0.5:
        engage_starter(s, p, lane)


@relation
def prime_film(s: Block, p: Block, lane: int) -> None:
    """Wet the port walls as much as they will be wetted, with the first fuel of a start."""
    speed = s.speed_rad_s[lane] if s.speed_rad_s[lane] > 1.0 else 1.0
    interval_s = p.firing_rad[lane] / speed
    drawn = p.firing_rad[lane] * drawn_at(p, lane, s.map_lagged_Pa[lane], speed)
    fuel = drawn / (STOICHIOMETRIC_AIR_TO_FUEL * s.lambda_wanted[lane])
    s.film_kg[lane] = p.wall_share[lane] * fuel * (p.wall_s[lane] + interval_s) / interval_s


@relation
def light_charge(s: Block, p: Block, lane: int, full: bool) -> None:
    """Say how well the charge burns that a starting engine traps now.

    The first engine cycle finds the crank position and is not lit; then charges light by chance and burn in
    part, better with each firing.
    """
    s.cranked[lane] += 1.0
    number = s.cranked[lane] - p.cylinders[lane]
    if number < 1.0:
        s.ignition[lane] = 0.0
        return
    if full and number == 1.0:
        prime_film(s, p, lane)
    coolant = s.coolant_degC[lane]
    if number > SETTLED_FIRINGS * start_firings(coolant) and s.running[lane] > 0.5:
        s.starting[lane] = 0.0
        s.ignition[lane] = 1.0
        return
    lit = uniform(p.seed[lane], START_STREAM, s.firings[lane]) < start_chance(coolant, number)
    s.ignition[lane] = start_burn(coolant, number) if lit else 0.0


@relation
def run_up(s: Block, p: Block, k: Block, lane: int, tables: Tables) -> None:
    """Note that a cranked engine runs: faster than the starter turns it for two engine cycles."""
    fast = s.measured_rpm[lane] >= p.start_rad_s[lane] * RPM_PER_rad_s
    s.caught[lane] = s.caught[lane] + 1.0 if fast else 0.0
    held = 2.0 * p.cylinders[lane]
    held = held if held > FEWEST_CAUGHT else FEWEST_CAUGHT
    if s.running[lane] > 0.5 or s.caught[lane] < held:
        return
    s.running[lane] = 1.0
    s.key[lane] = KEY_ON
    s.starter0_Nm[lane] = 0.0
    if s.first_start_tick[lane] >= NEVER:
        s.first_start_tick[lane] = s.tick[lane]
        if s.stalled_tick[lane] >= NEVER:
            s.lowest_rad_s[lane] = s.speed_rad_s[lane]
    curves = tables.curves[int(p.row_car[lane])]
    begin_running(k, lane, curves, s.coolant_sensed_degC[lane], s.tick[lane])
