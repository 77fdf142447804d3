"""From one event to the next: the one integration step of the plant.

Runge-Kutta of fourth order, one step from event to event.  The next firing is predicted from
speed and acceleration; after the step the small rest is covered along the last slope, so
that the crossing is located to the tick.  The same source is the step of a single run and
of each lane: with ``choked_only`` it does nothing (and says so) where the common case does
not hold, and the general step is taken instead.
"""

from __future__ import annotations

import math

import numpy as np

from controllers import TICKS_PER_s, pick, relation, s_PER_TICK
from sim.air import CHOKED_FLOW, flow_parameter, flow_slope_bound
from sim.crank import alternator_target, alternator_torque, pumping_torque, resisting_torque
from sim.manifold import drawn_per_rad, pressure_rate
from sim.records import (
    END,
    FIRING,
    NO_EVENT,
    SCENARIO,
    STALL,
    THERMAL,
    UPDATE,
    VALVE_STEP,
    Block,
)

SLOWEST_rad_s = 1.0e-3
"""Floor on speed in predictions; a stopped engine never fires."""
STABLE_SHARE = 0.7
"""Largest product of step and fastest rate of the filling equation [-]."""
SIXTH = 1.0 / 6.0
NEAR_SHARE = 0.02
"""A step that ends this far (share of its angle) before the crossing is not a firing."""
NEAR_rad = 1.0e-6
"""Angle that always counts as reached: more than any speed turns in half a tick."""

Slopes = tuple[float, float, float, float, float, float]
"""Rates of pressure, speed and alternator power; air in and out; torque against rotation."""
Moved = tuple[float, float, float, float, float, float, float]
"""Pressure, speed and power reached; angle turned, air in and out, work resisted."""


@relation
def slopes(
    s: Block, p: Block, lane: int, map_Pa: float, speed: float, given_W: float, choked_only: bool
) -> Slopes:
    """Right-hand side of the plant's differential equations.

    Parameters
    ----------
    s, p : Block
        State and parameters.
    lane : int
        Lane [-].
    map_Pa : float
        Manifold pressure [Pa].
    speed : float
        Crank speed [rad/s].
    given_W : float
        Electric power the alternator gives [W].
    choked_only : bool
        All openings are known to be choked and no starter turns [-].

    Returns
    -------
    tuple of float
        Rates of pressure [Pa/s], speed [rad/s2], alternator power [W/s]; air in [kg/s], air
        out [kg/s], torque against rotation [Nm].
    """
    ratio_flow = CHOKED_FLOW
    if not choked_only:
        ratio_flow = flow_parameter(map_Pa / p.ambient_Pa[lane])
    air_in = s.opening_m2[lane] * p.flow_scale[lane] * ratio_flow
    per_rad = drawn_per_rad(
        map_Pa,
        speed,
        p.pump0[lane],
        p.pump1[lane],
        p.pump2[lane],
        p.pump3[lane],
        p.fill0[lane],
        p.fill1[lane],
    )
    air_out = per_rad * speed
    against = resisting_torque(speed, s.resist0[lane], s.resist1[lane], s.resist2[lane])
    against += pumping_torque(p.behind_Pa[lane], map_Pa, p.pumping_m3_per_rad[lane])
    against += alternator_torque(given_W, speed, p.inverse_efficiency[lane])
    driving = s.torque_Nm[lane]
    if not choked_only:
        starter = s.starter0_Nm[lane] - s.starter1_Nms[lane] * speed
        driving += starter if starter > 0.0 else 0.0
    heading_W = alternator_target(
        s.load_W[lane],
        speed,
        p.cut_in_rad_s[lane],
        p.rise_W_s_per_rad[lane],
        p.alternator_max_W[lane],
    )
    return (
        pressure_rate(p.gas_Pa_per_kg[lane], air_in, air_out),
        (driving - against) * p.inverse_inertia[lane],
        (heading_W - given_W) * p.inverse_lag_per_s[lane],
        air_in,
        air_out,
        against,
    )


@relation
def time_to_turn(angle_rad: float, speed: float, acceleration: float) -> float:
    """Time to turn an angle at constant acceleration, as a short series.

    Parameters
    ----------
    angle_rad : float
        Angle to turn, 0 or more [rad].
    speed : float
        Speed now [rad/s].
    acceleration : float
        Acceleration now [rad/s2].

    Returns
    -------
    float
        Time [s].

    Notes
    -----
    Source: series of x (sqrt(1 + 2 e) - 1) / e, e = change of speed over speed.
    """
    inverse = 1.0 / pick(speed > SLOWEST_rad_s, speed, SLOWEST_rad_s)
    plain = angle_rad * inverse
    change = acceleration * plain * inverse
    change = pick(change > -0.3, change, -0.3)
    change = pick(change < 0.3, change, 0.3)
    return plain * (1.0 - change * (0.5 - change * (0.5 - 0.625 * change)))


@relation
def event_of(s: Block, lane: int, tick: float, next_update: float) -> float:
    """Code of the event due at a tick, the first in order where several are.

    Parameters
    ----------
    s : Block
        State.
    lane : int
        Lane [-].
    tick : float
        Now [ticks].
    next_update : float
        Tick of the next controller update [ticks].

    Returns
    -------
    float
        Code of the event [-].
    """
    event = pick(next_update <= tick, UPDATE, NO_EVENT)
    event = pick(s.due_thermal[lane] <= tick, THERMAL, event)
    event = pick(s.due_event[lane] <= tick, SCENARIO, event)
    return pick(s.due_valve[lane] <= tick, VALVE_STEP, event)


@relation
def first_due(s: Block, lane: int, next_update: float) -> float:
    """Tick of the next event that is not a firing.

    Parameters
    ----------
    s : Block
        State.
    lane : int
        Lane [-].
    next_update : float
        Tick of the next controller update [ticks].

    Returns
    -------
    float
        The earliest tick [ticks].
    """
    first = s.due_valve[lane]
    first = pick(s.due_event[lane] < first, s.due_event[lane], first)
    first = pick(s.due_thermal[lane] < first, s.due_thermal[lane], first)
    return pick(next_update < first, next_update, first)


@relation
def longest_step(s: Block, p: Block, lane: int, choked_only: bool) -> float:
    """Longest step the integrator may take from here, however far the next event is.

    Parameters
    ----------
    s, p : Block
        State and parameters.
    lane : int
        Lane [-].
    choked_only : bool
        All openings are known to be choked [-].

    Returns
    -------
    float
        Step [ticks].
    """
    cap = p.step_cap_ticks[lane]
    if choked_only:
        return cap
    ratio = s.map_Pa[lane] / p.ambient_Pa[lane]
    if ratio < 0.5:
        return cap
    per_Pa = s.opening_m2[lane] * p.flow_scale[lane] * flow_slope_bound(ratio) / p.ambient_Pa[lane]
    fastest = p.gas_Pa_per_kg[lane] * per_Pa
    own = math.floor(STABLE_SHARE / (fastest + 1.0e-9) * TICKS_PER_s) + 1.0
    return own if own < cap else cap


@relation
def angle_ahead(s: Block, p: Block, lane: int) -> tuple[float, float]:
    """Crank angle to the next firing, and how much of it one step may cover.

    Parameters
    ----------
    s, p : Block
        State and parameters.
    lane : int
        Lane [-].

    Returns
    -------
    tuple of float
        Angle to the firing and angle to aim for, the latter not negative [rad].
    """
    remaining = p.firing_rad[lane] - s.angle_rad[lane]
    cap = p.angle_cap_rad[lane]
    aim = pick(remaining < cap, remaining, cap)
    return remaining, pick(aim > 0.0, aim, 0.0)


@relation
def predicted_firing(s: Block, p: Block, lane: int) -> float:
    """Tick at which the crank is predicted to reach the next firing or integration limit.

    The narrated schedule sleeps until then; ``advance`` predicts by the same functions.

    Parameters
    ----------
    s, p : Block
        State and parameters.
    lane : int
        Lane [-].

    Returns
    -------
    float
        Tick [ticks].
    """
    rates = slopes(s, p, lane, s.map_Pa[lane], s.speed_rad_s[lane], s.given_W[lane], False)
    _, aim = angle_ahead(s, p, lane)
    ahead = np.rint(time_to_turn(aim, s.speed_rad_s[lane], rates[1]) * TICKS_PER_s)
    cap = longest_step(s, p, lane, False)
    return s.tick[lane] + pick(ahead < cap, ahead, cap)


@relation
def runge_kutta(
    s: Block, p: Block, lane: int, h: float, first: Slopes, choked_only: bool
) -> tuple[Moved, Slopes, float]:
    """One classical step of fourth order.

    Parameters
    ----------
    s, p : Block
        State and parameters.
    lane : int
        Lane [-].
    h : float
        Step [s].
    first : Slopes
        Slopes at the beginning.
    choked_only : bool
        All openings are known to be choked [-].

    Returns
    -------
    tuple
        What was reached and moved, the slopes of the last stage, and the highest manifold
        pressure that any stage saw [Pa].

    Notes
    -----
    Source: classical fourth-order Runge-Kutta method, any textbook.
    """
    map0 = s.map_Pa[lane]
    speed0 = s.speed_rad_s[lane]
    given0 = s.given_W[lane]
    p1, w1, g1, in1, out1, against1 = first
    half = 0.5 * h
    map2 = map0 + half * p1
    speed2 = speed0 + half * w1
    p2, w2, g2, in2, out2, against2 = slopes(
        s, p, lane, map2, speed2, given0 + half * g1, choked_only
    )
    map3 = map0 + half * p2
    speed3 = speed0 + half * w2
    p3, w3, g3, in3, out3, against3 = slopes(
        s, p, lane, map3, speed3, given0 + half * g2, choked_only
    )
    map4 = map0 + h * p3
    speed4 = speed0 + h * w3
    last = slopes(s, p, lane, map4, speed4, given0 + h * g3, choked_only)
    p4, w4, g4, in4, out4, against4 = last
    sixth = h * SIXTH
    moved = (
        map0 + sixth * (p1 + 2.0 * (p2 + p3) + p4),
        speed0 + sixth * (w1 + 2.0 * (w2 + w3) + w4),
        given0 + sixth * (g1 + 2.0 * (g2 + g3) + g4),
        sixth * (speed0 + 2.0 * (speed2 + speed3) + speed4),
        sixth * (in1 + 2.0 * (in2 + in3) + in4),
        sixth * (out1 + 2.0 * (out2 + out3) + out4),
        sixth
        * (
            against1 * speed0
            + 2.0 * (against2 * speed2 + against3 * speed3)
            + against4 * speed4
        ),
    )
    highest = pick(map2 > map0, map2, map0)
    highest = pick(map3 > highest, map3, highest)
    return moved, last, pick(map4 > highest, map4, highest)


@relation
def keep_books(
    s: Block,
    p: Block,
    lane: int,
    live: bool,
    elapsed_s: float,
    map_Pa: float,
    air: tuple[float, float],
    work: tuple[float, float],
) -> None:
    """Add a step to the books, and let the lagged pressures follow (implicit Euler).

    Parameters
    ----------
    s, p : Block
        State (changed) and parameters.
    lane : int
        Lane [-].
    live : bool
        Whether the step counts [-].
    elapsed_s : float
        Length of the step [s].
    map_Pa : float
        Manifold pressure reached [Pa].
    air : tuple of float
        Air in and out [kg].
    work : tuple of float
        Work driven and resisted at the crank [J].
    """
    lagged = s.map_lagged_Pa[lane]
    followed = elapsed_s / (p.fuelling_lag_s[lane] + elapsed_s + 1.0e-12)
    sensed = s.map_sensed_Pa[lane]
    share = elapsed_s * p.inverse_map_lag_per_s[lane]
    s.map_lagged_Pa[lane] = pick(live, lagged + (map_Pa - lagged) * followed, lagged)
    s.map_sensed_Pa[lane] = pick(live, sensed + (map_Pa - sensed) * share / (1.0 + share), sensed)
    s.in_kg[lane] += pick(live, air[0], 0.0)
    s.out_kg[lane] += pick(live, air[1], 0.0)
    s.indicated_J[lane] += pick(live, work[0], 0.0)
    s.resisted_J[lane] += pick(live, work[1], 0.0)


@relation
def settle_path(
    s: Block, p: Block, lane: int, ok: bool, stops: bool, map_Pa: float, choked_only: bool
) -> None:
    """Note whether the next step of a lane must take the general path.

    Parameters
    ----------
    s, p : Block
        State (changed) and parameters.
    lane : int
        Lane [-].
    ok : bool
        Whether the step just tried holds in the common case [-].
    stops : bool
        Whether the engine stalls [-].
    map_Pa : float
        Manifold pressure reached [Pa].
    choked_only : bool
        Whether the step was tried on the common path [-].
    """
    if choked_only:
        s.scalar[lane] = pick(ok, s.scalar[lane], 1.0)
    else:
        common = (
            map_Pa <= p.choked_below_Pa[lane]
            and s.starter0_Nm[lane] == 0.0
            and s.running[lane] > 0.5
            and not stops
        )
        s.scalar[lane] = 0.0 if common else 1.0


@relation
def advance(
    s: Block, p: Block, lane: int, next_update: float, full: bool, choked_only: bool
) -> None:
    """Take one lane from its present event to its next one.

    Parameters
    ----------
    s, p : Block
        State (changed) and parameters.
    lane : int
        Lane [-].
    next_update : float
        Tick of the next controller update [ticks].
    full : bool
        Keep the books and the lagged pressures too [-].
    choked_only : bool
        Take the step only where the common case holds; else leave the lane unchanged and
        set ``scalar`` [-].
    """
    tick = s.tick[lane]
    speed0 = s.speed_rad_s[lane]
    first = slopes(s, p, lane, s.map_Pa[lane], speed0, s.given_W[lane], choked_only)
    remaining, aim = angle_ahead(s, p, lane)
    ahead = np.rint(time_to_turn(aim, speed0, first[1]) * TICKS_PER_s)
    room = first_due(s, lane, next_update) - tick
    room = pick(room > 0.0, room, 0.0)
    longest = longest_step(s, p, lane, choked_only)
    limit = pick(room < longest, room, longest)
    step = pick(ahead < limit, ahead, limit)
    moved, last, highest = runge_kutta(s, p, lane, step * s_PER_TICK, first, choked_only)
    map1, speed1, given1, turned, air_in, air_out, resisted = moved

    # Cover the rest of the angle to the crossing along the last slopes, either way.
    rest = remaining - turned
    fires = ahead <= limit and remaining <= p.angle_cap_rad[lane] and rest < NEAR_SHARE * aim + NEAR_rad
    extra = np.rint(rest / pick(speed1 > SLOWEST_rad_s, speed1, SLOWEST_rad_s) * TICKS_PER_s)
    extra = pick(extra < room - step, extra, room - step)
    extra = pick(fires, pick(extra > -step, extra, -step), 0.0)
    e = extra * s_PER_TICK
    map1 += e * last[0]
    final = speed1 + e * last[1]
    turned += e * speed1
    reached = tick + step + extra

    ok = True
    stops = False
    if choked_only:
        below = p.choked_below_Pa[lane]
        fast = final > p.stall_rad_s[lane]
        ok = s.scalar[lane] == 0.0 and highest <= below and map1 <= below and fast
    else:
        final = pick(final > 0.0, final, 0.0)
        map1 = pick(map1 > 1.0, map1, 1.0)
        stops = s.running[lane] > 0.5 and final <= p.stall_rad_s[lane]
    live = ok and s.live[lane] > 0.5
    if full:
        air = (air_in + e * last[3], air_out + e * last[4])
        work = (s.torque_Nm[lane] * turned, resisted + e * last[5] * speed1)
        keep_books(s, p, lane, live, (step + extra) * s_PER_TICK, map1, air, work)

    event = pick(fires, FIRING, event_of(s, lane, reached, next_update))
    event = pick(stops, STALL, event)
    s.event[lane] = pick(live, event, pick(s.live[lane] > 0.5, NO_EVENT, END))
    s.map_Pa[lane] = pick(live, map1, s.map_Pa[lane])
    s.speed_rad_s[lane] = pick(live, final, speed0)
    s.given_W[lane] = pick(live, given1 + e * last[2], s.given_W[lane])
    s.angle_rad[lane] += pick(live, turned - pick(fires, p.firing_rad[lane], 0.0), 0.0)
    s.drawn_kg[lane] += pick(live, air_out + e * last[4], 0.0)
    s.tick[lane] = pick(live, reached, tick)
    lowest = s.lowest_rad_s[lane]
    s.lowest_rad_s[lane] = pick(live and final < lowest, final, lowest)
    settle_path(s, p, lane, ok, stops, map1, choked_only)
