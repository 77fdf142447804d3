"""What the controller sees: speed from the time between firings, lagged coolant temperature."""

from __future__ import annotations

import math

import numpy as np

from controllers import TICKS_PER_s, pick, relation
from sim.records import Block

RPM_PER_rad_s = 30.0 / math.pi


@relation
def measured_speed(s: Block, p: Block, lane: int, full: bool) -> float:
    """Speed the sensor makes of the time since the last firing.

    Source: speed over one firing interval; smoothing and rounding: common practice, no source.

    Parameters
    ----------
    s, p : Block
    lane : int [-]
    full : bool
        With sensor noise.

    Returns
    -------
    float [rpm]
    """
    ticks = s.tick[lane] - s.fired_tick[lane]
    ticks = pick(ticks > 1.0, ticks, 1.0)
    fresh = p.firing_rad[lane] * (RPM_PER_rad_s * TICKS_PER_s) / ticks
    if full:
        fresh += s.rpm_noise[lane] * s.sensor_gauss[lane]
    keep = p.rpm_keep[lane]
    speed = keep * s.measured_rpm[lane] + (1.0 - keep) * fresh
    if full:
        step = p.rpm_resolution[lane]
        rounded = np.rint(speed / pick(step > 0.0, step, 1.0)) * step
        speed = pick(step > 0.0, rounded, speed)
    return pick(speed > 0.0, speed, 0.0)


@relation
def followed_degC(sensed_degC: float, coolant_degC: float, lag_s: float, elapsed_s: float) -> float:
    """Reading of a temperature sensor that follows with a lag.

    Source: first-order lag, implicit Euler; common practice, no source.

    Parameters
    ----------
    sensed_degC, coolant_degC, lag_s, elapsed_s : float
        Reading before, and the temperature it follows [degC]; time constant, 0 or more, and time since the
        reading before [s].

    Returns
    -------
    float [degC]
    """
    return sensed_degC + (coolant_degC - sensed_degC) * elapsed_s / (lag_s + elapsed_s)
