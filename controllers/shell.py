"""The one shell around all laws: from a measurement to the steps the valve is told to take.

``wanted = base + after-start + idle entry + load feed-forward + trim``, rounded half up and clamped to 0 and
the open limit; the valve is told to move only if that differs from where it was last told to be by at least
the minimum move.
"""

from __future__ import annotations

import math

from controllers.compiling import relation
from controllers.law_nudge import CODE as NUDGE
from controllers.law_nudge import nudge_steps as plain_nudge_steps
from controllers.law_pi import proportional_trim as plain_proportional_trim
from controllers.law_pi_park import CODE as PI_PARK
from controllers.law_pi_park import resting_band_rpm as plain_resting_band_rpm
from controllers.law_pid import CODE as PID
from controllers.law_pid import derivative_trim as plain_derivative_trim
from controllers.records import NEVER, Block

# The files of the laws stay free of the compiler, for their descriptions to be read without it.
nudge_steps = relation(plain_nudge_steps)
proportional_trim = relation(plain_proportional_trim)
resting_band_rpm = relation(plain_resting_band_rpm)
derivative_trim = relation(plain_derivative_trim)


@relation
def clamp(value: float, low: float, high: float) -> float:
    """Limit a value to a range, low at most high [any]."""
    value = value if value > low else low
    return value if value < high else high


@relation
def fading(amount: float, since_ticks: float, fade_ticks: float) -> float:
    """What is left of an amount that fades in a straight line, 0 before the beginning [any]."""
    left = 1.0 - since_ticks / fade_ticks
    left = left if left > 0.0 else 0.0
    return amount * left if since_ticks >= 0.0 else 0.0


@relation
def open_loop_steps(c: Block, k: Block, lane: int, tick: float) -> float:
    """Steps wanted before any trim: base curve, after-start, idle entry, known loads; not yet rounded.

    Parameters
    ----------
    c, k, lane : Block, int
    tick : float
        Now [ticks].

    Returns
    -------
    float [steps]
    """
    started = k.started_tick[lane]
    running = k.base_steps[lane] + fading(k.after_steps[lane], tick - started, c.after_fade_ticks[lane])
    entry = fading(c.entry_extra_steps[lane], tick - k.closed_tick[lane], c.entry_fade_ticks[lane])
    entry = entry if k.throttle_closed[lane] > 0.5 else c.entry_extra_steps[lane]
    known = c.load_steps_per_W[lane] * k.load_W[lane] + c.aircon_steps[lane] * k.aircon_on[lane]
    return (running if started < NEVER else k.cranking_steps[lane]) + entry + known


@relation
def feedback_trim(c: Block, k: Block, lane: int, rpm: float) -> float:
    """One feedback update: error, deadband, integral, law, limits [steps]. Changes the memory."""
    law = c.law[lane]
    low = c.trim_low_steps[lane]
    high = c.trim_high_steps[lane]
    band = c.deadband_rpm[lane]
    if law == PI_PARK:
        band = resting_band_rpm(band, c.min_move_steps[lane], c.rpm_per_step[lane])
    error = k.target_rpm[lane] - rpm
    error = error if abs(error) > band else 0.0
    if law == NUDGE:
        growth = nudge_steps(error, c.nudge_steps[lane])
    else:
        growth = c.integral_steps_per_rpm_s[lane] * error * c.period_s[lane]
    integral = clamp(k.integral_steps[lane] + growth, low, high)
    k.integral_steps[lane] = integral
    trim = integral
    if law != NUDGE:
        trim = proportional_trim(error, c.gain_steps_per_rpm[lane], integral)
    if law == PID:
        trim += derivative_trim(
            error, rpm - k.last_rpm[lane], c.derivative_steps_s_per_rpm[lane], c.period_s[lane]
        )
    return clamp(trim, low, high)


@relation
def tell_valve(c: Block, k: Block, lane: int, wanted_steps: float) -> None:
    """Round, limit, compare with the last command and count the move if one is made."""
    wanted = clamp(math.floor(wanted_steps + 0.5), 0.0, c.open_limit_steps[lane])
    k.wanted_steps[lane] = wanted
    change = wanted - k.commanded_steps[lane]
    if abs(change) >= c.min_move_steps[lane] and change != 0.0:
        direction = 1.0 if change > 0.0 else -1.0
        k.commanded_steps[lane] = wanted
        k.moves[lane] += 1.0
        if direction * k.last_direction[lane] < 0.0:
            k.reversals[lane] += 1.0
        k.last_direction[lane] = direction


@relation
def update(c: Block, k: Block, lane: int, rpm: float, tick: float) -> None:
    """One controller update: everything the controller does at k times its period.

    Feedback acts when a law is chosen, the engine has run for the enable delay, the throttle is closed and
    rpm is below target + enable_above (common practice, no source). Otherwise the integral is held (the trim
    is the integral alone), so that a returning engine is not starved.

    Parameters
    ----------
    c, k, lane : Block, int
    rpm, tick : float
        Measured speed, and now [rpm, ticks].
    """
    target = k.target_rpm[lane]
    since = tick - k.started_tick[lane]
    act = (
        c.law[lane] > 0.0
        and k.throttle_closed[lane] > 0.5
        and rpm < target + c.enable_above_rpm[lane]
        and since >= c.enable_delay_ticks[lane]
    )
    trim = feedback_trim(c, k, lane, rpm) if act else k.integral_steps[lane]
    k.enabled[lane] = 1.0 if act else 0.0
    k.trim_steps[lane] = trim
    if act and (trim <= c.trim_low_steps[lane] or trim >= c.trim_high_steps[lane]):
        k.limited_updates[lane] += 1.0
    k.last_rpm[lane] = rpm
    tell_valve(c, k, lane, open_loop_steps(c, k, lane, tick) + trim)
    k.updates[lane] += 1.0
    k.due_update[lane] = k.updates[lane] * c.period_ticks[lane]


@relation
def idle_spark_trim(c: Block, k: Block, lane: int, rpm: float) -> float:
    """Fast spark trim at a firing: advance when slow, retard when fast.

    Source: the fast stabiliser of idle; common practice, no source.

    Parameters
    ----------
    c, k, lane : Block, int
    rpm : float
        Measured speed [rpm].

    Returns
    -------
    float, degrees to add to the advance, within the limit; 0 while the throttle is open [deg]
    """
    limit = c.spark_limit_deg[lane]
    wanted = c.spark_deg_per_rpm[lane] * (k.target_rpm[lane] - rpm)
    trim = clamp(wanted, -limit, limit)
    return trim if k.throttle_closed[lane] > 0.5 else 0.0
