"""How fast a run may get, and what friction must do up to there so that every run has an end."""

from __future__ import annotations

OVERSPEED_rpm = 8000.0
"""An engine that turns so fast is racing and the run is over; assumed, older engines stand less."""
RISES_FROM_rpm = 1000.0
"""Below it friction may fall with speed, as bearings come to float on their oil; never above."""
LEAST_bar = 0.1
ROUNDING_bar = 1e-9


def least_rise_bar(slope: float, square: float) -> float:
    """Least rise of friction for 1000 rpm more, where it must not fall [bar]."""
    ends = (RISES_FROM_rpm / 1000.0, OVERSPEED_rpm / 1000.0)
    return min(slope + 2.0 * square * thousands for thousands in ends)


def friction_fault(constant: float, slope: float, square: float) -> str:
    """Say what is wrong with a friction that does not resist, the more the faster; empty if nothing."""
    low, high = RISES_FROM_rpm / 1000.0, OVERSPEED_rpm / 1000.0
    rise = least_rise_bar(slope, square)
    if rise < -ROUNDING_bar:
        return (
            f"falls with speed ({rise:.3g} bar per 1000 rpm), allowed: rises or stays"
            f" from {1000 * low:g} to {1000 * high:g} rpm"
        )
    turns = min(max(-slope / (2 * square), 0.0), low) if square > 0 else low
    least = min(constant + slope * n + square * n * n for n in (0.0, turns, low))
    if least < LEAST_bar - ROUNDING_bar:
        return f"too low ({least:.3g} bar), allowed: at least {LEAST_bar:g} bar up to {1000 * high:g} rpm"
    return ""
