"""The state an engine settles to, by halving on the model's own slopes."""

from __future__ import annotations

from controllers import relation, routine
from sim.records import Block
from sim.slopes import alternator_heading, slopes

HALVINGS = 60


@relation
def settled_map(s: Block, p: Block, lane: int, speed_rad_s: float) -> float:
    """Manifold pressure at which as much air flows in as is drawn, at a held speed; bisection [Pa]."""
    low = 100.0
    high = 1.05 * p.ambient_Pa[lane]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if slopes(s, p, lane, middle, speed_rad_s, s.given_W[lane], False)[0] > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@routine
def mean_acceleration(s: Block, p: Block, lane: int, speed_rad_s: float) -> float:
    """Acceleration of the crank at a held speed with manifold and torque settled [rad/s2].

    Mean torque is work per air times air per radian.
    """
    s.given_W[lane] = alternator_heading(s, p, lane, speed_rad_s)
    map_Pa = settled_map(s, p, lane, speed_rad_s)
    air_out = slopes(s, p, lane, map_Pa, speed_rad_s, s.given_W[lane], False)[4]
    work = p.work_J_per_kg[lane] * s.efficiency[lane]
    s.torque_Nm[lane] = work * air_out / speed_rad_s
    s.map_Pa[lane] = map_Pa
    return slopes(s, p, lane, map_Pa, speed_rad_s, s.given_W[lane], False)[1]


@routine
def settled_speed(s: Block, p: Block, lane: int) -> float:
    """Speed to which the engine settles with its openings and loads, 0 where it cannot run [rad/s].

    Bisection between stall and 700 rad/s, from above: the highest speed at which torque balances.
    """
    low = p.stall_rad_s[lane]
    high = 700.0
    if mean_acceleration(s, p, lane, high) > 0.0:
        return high
    # Walk down to the first speed that still accelerates, then halve the gap.
    speed = high
    while speed > low and mean_acceleration(s, p, lane, speed) <= 0.0:
        high = speed
        speed *= 0.93
    if speed <= low:
        return 0.0
    low = speed
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if mean_acceleration(s, p, lane, middle) > 0.0:
            low = middle
        else:
            high = middle
    mean_acceleration(s, p, lane, 0.5 * (low + high))
    return 0.5 * (low + high)
