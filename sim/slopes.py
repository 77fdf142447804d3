"""The plant's differential equations, and the one integration step that all schedules take."""

from __future__ import annotations

import math

from controllers import TICKS_PER_s, pick, relation, s_PER_TICK
from sim.air import CHOKED_FLOW, flow_parameter, flow_slope_bound
from sim.crank import alternator_target, alternator_torque, pumping_torque, resisting_torque, starter_torque
from sim.manifold import drawn_per_rad, pressure_rate
from sim.records import Block

SURELY_CHOKED = 0.5  # Pressure ratio below which a step is taken as choked throughout [-].
STABLE_SHARE = 0.7  # Largest product of step and fastest rate of the filling equation [-].
SEVENTH, NINETIETH = 1.0 / 7.0, 1.0 / 90.0
Slopes = tuple[float, float, float, float, float, float]
"""Rates of pressure, speed and alternator power; air in and out; torque against rotation."""
Moved = tuple[float, float, float, float, float, float, float]
"""Pressure, speed and power reached; angle turned, air in and out, work resisted."""


@relation
def drawn_at(p: Block, lane: int, map_Pa: float, speed: float) -> float:
    """Air the cylinders of a lane draw for each radian [kg/rad]."""
    pump0, pump1 = p.pump0[lane], p.pump1[lane]
    pump2, pump3 = p.pump2[lane], p.pump3[lane]
    return drawn_per_rad(map_Pa, speed, pump0, pump1, pump2, pump3, p.fill0[lane], p.fill1[lane])


@relation
def alternator_heading(s: Block, p: Block, lane: int, speed: float) -> float:
    """Electric power the alternator of a lane is heading for [W]."""
    cut_in, endless = p.cut_in_rad_s[lane], p.alternator_endless_W[lane]
    return alternator_target(s.load_W[lane], speed, cut_in, endless, p.alternator_max_W[lane])


@relation
def slopes(
    s: Block, p: Block, lane: int, map_Pa: float, speed: float, given_W: float, choked_only: bool
) -> Slopes:
    """Right-hand side of the plant's differential equations.

    Gives rates of pressure [Pa/s], speed [rad/s2], alternator power [W/s]; air in [kg/s], air out [kg/s],
    torque against rotation [Nm].
    """
    ratio_flow = CHOKED_FLOW
    if not choked_only:
        ratio_flow = flow_parameter(map_Pa / p.ambient_Pa[lane])
        speed = speed if speed > 0.0 else 0.0
    air_in = s.opening_m2[lane] * p.flow_scale[lane] * ratio_flow
    air_out = drawn_at(p, lane, map_Pa, speed) * speed
    against = resisting_torque(speed, s.resist0[lane], s.resist1[lane], s.resist2[lane])
    against += pumping_torque(p.behind_Pa[lane], map_Pa, p.pumping_m3_per_rad[lane])
    against += alternator_torque(given_W, speed, p.inverse_efficiency[lane])
    driving = s.torque_Nm[lane]
    if not choked_only:
        driving += starter_torque(speed, s.starter0_Nm[lane], s.starter1_Nms[lane])
        # Friction holds an engine that stands, it does not turn it back.
        against = driving if speed == 0.0 and against > driving else against
    heading_W = alternator_heading(s, p, lane, speed)
    return (
        pressure_rate(p.gas_Pa_per_kg[lane], air_in, air_out),
        (driving - against) * p.inverse_inertia[lane],
        (heading_W - given_W) * p.inverse_lag_per_s[lane],
        air_in,
        air_out,
        against,
    )


@relation
def highest_reach(s: Block, p: Block, lane: int, rate_Pa_s: float) -> float:
    """Manifold pressure that the present rate would reach within the longest step, not below now's [Pa]."""
    rising = pick(rate_Pa_s > 0.0, rate_Pa_s, 0.0)
    return s.map_Pa[lane] + rising * (p.step_cap_ticks[lane] * s_PER_TICK)


@relation
def longest_step(s: Block, p: Block, lane: int, rate_Pa_s: float, choked_only: bool) -> float:
    """Longest step the integrator may take from here, however far the next event is [ticks]."""
    cap = p.step_cap_ticks[lane]
    if choked_only:
        return cap
    reach_Pa = highest_reach(s, p, lane, rate_Pa_s)
    if reach_Pa <= SURELY_CHOKED * p.ambient_Pa[lane]:
        return cap
    slope = flow_slope_bound(reach_Pa / p.ambient_Pa[lane])
    per_Pa = s.opening_m2[lane] * p.flow_scale[lane] * slope / p.ambient_Pa[lane]
    fastest = p.gas_Pa_per_kg[lane] * per_Pa
    own = math.floor(STABLE_SHARE / (fastest + 1.0e-9) * TICKS_PER_s) + 1.0
    return own if own < cap else cap


@relation
def weighted(first: float, third: float, fourth: float, fifth: float, last: float) -> float:
    """Ninety times the mean slope of a step [any]."""
    return 7.0 * (first + last) + 32.0 * (third + fifth) + 12.0 * fourth


@relation
def ahead_of_last(first: float, second: float, third: float, fourth: float, fifth: float) -> float:
    """Seven times the slope along which the last stage is reached [any]."""
    return 2.0 * second - 3.0 * first + 12.0 * (third - fourth) + 8.0 * fifth


@relation
def forwards(speed: float, choked_only: bool) -> float:
    """Speed of a stage; none is below zero where the engine may stand [rad/s]."""
    return speed if choked_only or speed > 0.0 else 0.0


@relation
def highest_of(first: float, second: float, third: float, fourth: float, fifth: float, last: float) -> float:
    """Highest of six pressures [Pa]."""
    highest = pick(second > first, second, first)
    highest = pick(third > highest, third, highest)
    highest = pick(fourth > highest, fourth, highest)
    highest = pick(fifth > highest, fifth, highest)
    return pick(last > highest, last, highest)


@relation
def runge_kutta(
    s: Block, p: Block, lane: int, h: float, first: Slopes, choked_only: bool
) -> tuple[Moved, Slopes, float]:
    """One step of fifth order: what was moved, slopes at its end, highest pressure of a stage [Pa].

    Source: Butcher (1964), J. Austral. Math. Soc. 4; from memory, so a test measures its order.
    """
    a, map0, speed0, given0 = 0.25 * h, s.map_Pa[lane], s.speed_rad_s[lane], s.given_W[lane]
    p1, w1, g1, in1, out1, r1 = first
    map2, speed2 = map0 + a * p1, forwards(speed0 + a * w1, choked_only)
    p2, w2, g2, _, _, _ = slopes(s, p, lane, map2, speed2, given0 + a * g1, choked_only)
    a = 0.125 * h
    map3, speed3 = map0 + a * (p1 + p2), forwards(speed0 + a * (w1 + w2), choked_only)
    third = slopes(s, p, lane, map3, speed3, given0 + a * (g1 + g2), choked_only)
    p3, w3, g3, in3, out3, r3 = third
    a = 0.5 * h
    map4, speed4 = map0 + a * (2.0 * p3 - p2), forwards(speed0 + a * (2.0 * w3 - w2), choked_only)
    fourth = slopes(s, p, lane, map4, speed4, given0 + a * (2.0 * g3 - g2), choked_only)
    p4, w4, g4, in4, out4, r4 = fourth
    a = 0.1875 * h
    map5, speed5 = map0 + a * (p1 + 3.0 * p4), forwards(speed0 + a * (w1 + 3.0 * w4), choked_only)
    fifth = slopes(s, p, lane, map5, speed5, given0 + a * (g1 + 3.0 * g4), choked_only)
    p5, w5, g5, in5, out5, r5 = fifth
    a = SEVENTH * h
    map6 = map0 + a * ahead_of_last(p1, p2, p3, p4, p5)
    speed6 = forwards(speed0 + a * ahead_of_last(w1, w2, w3, w4, w5), choked_only)
    given6 = given0 + a * ahead_of_last(g1, g2, g3, g4, g5)
    last = slopes(s, p, lane, map6, speed6, given6, choked_only)
    p6, w6, g6, in6, out6, r6 = last
    a = NINETIETH * h
    moved = (
        map0 + a * weighted(p1, p3, p4, p5, p6),
        speed0 + a * weighted(w1, w3, w4, w5, w6),
        given0 + a * weighted(g1, g3, g4, g5, g6),
        a * weighted(speed0, speed3, speed4, speed5, speed6),
        a * weighted(in1, in3, in4, in5, in6),
        a * weighted(out1, out3, out4, out5, out6),
        a * weighted(r1 * speed0, r3 * speed3, r4 * speed4, r5 * speed5, r6 * speed6),
    )
    return moved, last, highest_of(map0, map2, map3, map4, map5, map6)
