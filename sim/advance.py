"""From one event to the next: Runge-Kutta of fifth order, one step from event to event.

The next firing is predicted from speed and acceleration; after the step the small rest is covered along the
last slope, so that the crossing is located to the tick. The same source is the step of a single run and of
each lane: with ``choked_only`` it does nothing (and says so) where the common case does not hold, and the
general step is taken instead.
"""

from __future__ import annotations

import numpy as np

from controllers import TICKS_PER_s, pick, relation, s_PER_TICK
from sim.arriving import arrive, follow_pressure, judged, keep_books, settle_path
from sim.records import END, FIRING, NO_EVENT, SCENARIO, THERMAL, UPDATE, VALVE_STEP, Block
from sim.slopes import longest_step, runge_kutta, slopes

SLOWEST_rad_s = 1.0e-3  # Floor on speed in predictions; a stopped engine never fires.
NEAR_SHARE = 0.02  # A step that ends this far (share of its angle) before the crossing is not a firing.
NEAR_rad = 1.0e-6  # Angle that always counts as reached: more than any speed turns in half a tick.


@relation
def event_of(s: Block, lane: int, tick: float, next_update: float) -> float:
    """Code of the event due at a tick, the first in order where several are [-]."""
    event = pick(next_update <= tick, UPDATE, NO_EVENT)
    event = pick(s.due_thermal[lane] <= tick, THERMAL, event)
    event = pick(s.due_event[lane] <= tick, SCENARIO, event)
    return pick(s.due_valve[lane] <= tick, VALVE_STEP, event)


@relation
def first_due(s: Block, lane: int, next_update: float) -> float:
    """Tick of the next event that is not a firing [ticks]."""
    first = s.due_valve[lane]
    first = pick(s.due_event[lane] < first, s.due_event[lane], first)
    first = pick(s.due_thermal[lane] < first, s.due_thermal[lane], first)
    return pick(next_update < first, next_update, first)


@relation
def time_to_turn(angle_rad: float, speed: float, acceleration: float) -> float:
    """Time to turn an angle at constant acceleration [s]: series of x (sqrt(1 + 2 e) - 1)/e, e = dv/v."""
    inverse = 1.0 / pick(speed > SLOWEST_rad_s, speed, SLOWEST_rad_s)
    plain = angle_rad * inverse
    change = acceleration * plain * inverse
    change = pick(change > -0.3, change, -0.3)
    change = pick(change < 0.3, change, 0.3)
    return plain * (1.0 - change * (0.5 - change * (0.5 - 0.625 * change)))


@relation
def angle_ahead(s: Block, p: Block, lane: int) -> tuple[float, float]:
    """Crank angle to the next firing, and how much of it, 0 or more, one step may cover [rad]."""
    remaining = p.firing_rad[lane] - s.angle_rad[lane]
    cap = p.angle_cap_rad[lane]
    aim = pick(remaining < cap, remaining, cap)
    return remaining, pick(aim > 0.0, aim, 0.0)


@relation
def predicted_firing(s: Block, p: Block, lane: int) -> float:
    """Tick at which the crank is predicted to reach the next firing or integration limit [ticks].

    The narrated schedule sleeps until then; ``advance`` predicts by the same functions.
    """
    rates = slopes(s, p, lane, s.map_Pa[lane], s.speed_rad_s[lane], s.given_W[lane], False)
    _, aim = angle_ahead(s, p, lane)
    ahead = np.rint(time_to_turn(aim, s.speed_rad_s[lane], rates[1]) * TICKS_PER_s)
    cap = longest_step(s, p, lane, rates[0], False)
    return s.tick[lane] + pick(ahead < cap, ahead, cap)


@relation
def room_ahead(
    s: Block, p: Block, lane: int, next_update: float, rate_Pa_s: float, choked_only: bool
) -> tuple[float, float]:
    """Time to the next event that is no firing, and how much of it one step may cover, 0 or more [ticks]."""
    room = first_due(s, lane, next_update) - s.tick[lane]
    room = pick(room > 0.0, room, 0.0)
    longest = longest_step(s, p, lane, rate_Pa_s, choked_only)
    return room, pick(room < longest, room, longest)


@relation
def ticks_to_crossing(rest_rad: float, speed: float, step: float, room: float) -> float:
    """Time by which a step missed the crossing, covered along its last slope, either way [ticks]."""
    extra = np.rint(rest_rad / pick(speed > SLOWEST_rad_s, speed, SLOWEST_rad_s) * TICKS_PER_s)
    extra = pick(extra < room - step, extra, room - step)
    return pick(extra > -step, extra, -step)


@relation
def advance(
    s: Block, p: Block, lane: int, next_update: float, full: bool, books: bool, choked_only: bool
) -> None:
    """Take one lane from its present event to its next one."""
    tick = s.tick[lane]
    speed0 = s.speed_rad_s[lane]
    first = slopes(s, p, lane, s.map_Pa[lane], speed0, s.given_W[lane], choked_only)
    remaining, aim = angle_ahead(s, p, lane)
    ahead = np.rint(time_to_turn(aim, speed0, first[1]) * TICKS_PER_s)
    room, limit = room_ahead(s, p, lane, next_update, first[0], choked_only)
    step = pick(ahead < limit, ahead, limit)
    moved, last, highest = runge_kutta(s, p, lane, step * s_PER_TICK, first, choked_only)
    map1, speed1, given1, turned, air_in, air_out, resisted = moved
    rest = remaining - turned
    near = rest < NEAR_SHARE * aim + NEAR_rad
    fires = (ahead <= limit) & (remaining <= p.angle_cap_rad[lane]) & near
    extra = pick(fires, ticks_to_crossing(rest, speed1, step, room), 0.0)
    e = extra * s_PER_TICK
    map1 += e * last[0]
    final = speed1 + e * last[1]
    turned += e * speed1
    reached = tick + step + extra

    ok, ends, map1, final = judged(s, p, lane, first[0], highest, map1, final, choked_only)
    live = ok & (s.live[lane] > 0.5)
    if full:
        follow_pressure(s, p, lane, live, (step + extra) * s_PER_TICK, map1)
    if books:
        air = (air_in + e * last[3], air_out + e * last[4])
        work = (s.torque_Nm[lane] * turned, resisted + e * last[5] * speed1)
        keep_books(s, p, lane, live, (step + extra) * s_PER_TICK, map1, air, work)

    event = pick(fires, FIRING, event_of(s, lane, reached, next_update))
    event = pick(ends == NO_EVENT, event, ends)
    s.event[lane] = pick(live, event, pick(s.live[lane] > 0.5, NO_EVENT, END))
    s.angle_rad[lane] += pick(live, turned - pick(fires, p.firing_rad[lane], 0.0), 0.0)
    s.drawn_kg[lane] += pick(live, air_out + e * last[4], 0.0)
    arrive(s, lane, live, reached, map1, final, given1 + e * last[2])
    settle_path(s, p, lane, ok, ends, map1, choked_only)
