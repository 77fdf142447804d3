"""What a step that was tried leaves in the state, if it holds."""

from __future__ import annotations

from controllers import hold, pick, relation
from sim.records import NO_EVENT, RACE, STALL, Block
from sim.slopes import SURELY_CHOKED, highest_reach


@relation
def follow_pressure(s: Block, p: Block, lane: int, live: bool, elapsed_s: float, map_Pa: float) -> None:
    """Let the pressure that fuelling goes by follow a step (implicit Euler)."""
    lagged = s.map_lagged_Pa[lane]
    followed = elapsed_s / (p.fuelling_lag_s[lane] + elapsed_s + 1.0e-12)
    s.map_lagged_Pa[lane] = hold(live, lagged + (map_Pa - lagged) * followed, lagged)


@relation
def keep_books(
    s: Block, p: Block, lane: int, live: bool, elapsed_s: float, map_Pa: float,
    air: tuple[float, float], work: tuple[float, float],
) -> None:  # fmt: skip
    """Add a step to the books, and let the sensed pressure follow (implicit Euler).

    Only for runs that are told or recorded: in the lanes so many more arrays would keep the compiler from
    making vectors of the loop.
    """
    sensed = s.map_sensed_Pa[lane]
    share = elapsed_s * p.inverse_map_lag_per_s[lane]
    s.map_sensed_Pa[lane] = hold(live, sensed + (map_Pa - sensed) * share / (1.0 + share), sensed)
    s.in_kg[lane] += pick(live, air[0], 0.0)
    s.out_kg[lane] += pick(live, air[1], 0.0)
    s.indicated_J[lane] += pick(live, work[0], 0.0)
    s.resisted_J[lane] += pick(live, work[1], 0.0)


@relation
def stays_common(
    s: Block, p: Block, lane: int, rate_Pa_s: float, highest_Pa: float, map_Pa: float, speed: float
) -> bool:
    """Whether a step tried on the common path stays there: openings choked, no stall, no over-speed."""
    below = p.choked_below_Pa[lane]
    fast = (speed > p.stall_rad_s[lane]) & (speed < p.overspeed_rad_s[lane])
    steady = highest_reach(s, p, lane, rate_Pa_s) <= SURELY_CHOKED * p.ambient_Pa[lane]
    choked = (highest_Pa <= below) & (map_Pa <= below)
    return (s.scalar[lane] == 0.0) & steady & choked & fast


@relation
def judged(
    s: Block, p: Block, lane: int, rate_Pa_s: float, highest_Pa: float, map_Pa: float, speed: float,
    choked_only: bool,
) -> tuple[bool, float, float, float]:  # fmt: skip
    """Whether a step holds; STALL, RACE or NO_EVENT; pressure [Pa] and speed [rad/s], kept possible."""
    if choked_only:
        ok = stays_common(s, p, lane, rate_Pa_s, highest_Pa, map_Pa, speed)
        return ok, NO_EVENT, map_Pa, speed
    # Asked this way round, a speed that is no number ends the run too.
    races = not speed < p.overspeed_rad_s[lane]
    speed = pick(speed > 0.0, speed, 0.0)
    stops = (s.running[lane] > 0.5) & (speed <= p.stall_rad_s[lane])
    ends = pick(races, RACE, pick(stops, STALL, NO_EVENT))
    return True, ends, pick(map_Pa > 1.0, map_Pa, 1.0), speed


@relation
def settle_path(
    s: Block, p: Block, lane: int, ok: bool, ends: float, map_Pa: float, choked_only: bool
) -> None:
    """Note whether the next step of a lane must take the general path."""
    if choked_only:
        s.scalar[lane] = hold(not ok, 1.0, s.scalar[lane])
    else:
        common = (
            map_Pa <= p.choked_below_Pa[lane]
            and s.starting[lane] == 0.0
            and s.running[lane] > 0.5
            and ends == NO_EVENT
        )
        s.scalar[lane] = 0.0 if common else 1.0


@relation
def arrive(s: Block, lane: int, live: bool, tick: float, map_Pa: float, speed: float, given_W: float) -> None:
    """Take over what a step reached, where it counts."""
    s.map_Pa[lane] = hold(live, map_Pa, s.map_Pa[lane])
    s.speed_rad_s[lane] = hold(live, speed, s.speed_rad_s[lane])
    s.given_W[lane] = hold(live, given_W, s.given_W[lane])
    s.tick[lane] = hold(live, tick, s.tick[lane])
    lowest = s.lowest_rad_s[lane]
    s.lowest_rad_s[lane] = hold(live & (speed < lowest), speed, lowest)
