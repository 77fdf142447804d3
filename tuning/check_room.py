"""Checks of the room to move: rpm per step and authority along the base curve, by the model."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sim import Car
from tuning.check import CheckLine, judged

LEAST_steps = 2.0
LEAST_rpm = 100.0
"""Closing or opening as far as allowed should change speed by this much."""
BASE_OFF_rpm = 100.0
WARM_degC = 90.0
APART_degC = 12.0
"""Temperatures closer than this to the one before are left out."""


class Spot(NamedTuple):
    """The base curve at one temperature, in the model.

    Attributes
    ----------
    coolant_degC : float
        Coolant temperature [degC].
    base_steps : float
        Base curve there [steps].
    target_rpm, settled_rpm : float
        Speed wanted, and where the engine settles on the base curve; 0: it cannot run [rpm].
    rpm_per_step : float
        What one step is worth there [rpm per step].
    close_steps, open_steps : float
        Room to close and to open, within trim limits and travel [steps].
    close_rpm, open_rpm : float
        What that room is worth [rpm].
    """

    coolant_degC: float
    base_steps: float
    target_rpm: float
    settled_rpm: float
    rpm_per_step: float
    close_steps: float
    close_rpm: float
    open_steps: float
    open_rpm: float


def room_checks(car: Car) -> list[CheckLine]:
    """Check speed on the base curve, worth of a step, and authority, at each temperature.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    list of CheckLine
        Three for each temperature of the base curve and one on resolution.
    """
    spots = base_spots(car)
    lines = [_resolution(car, spots)]
    for spot in spots:
        lines += [_speed(spot), _close(car, spot), _open(spot)]
    return lines


def base_spots(car: Car) -> list[Spot]:
    """Look at the base curve in the model, at each of `temperatures`.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    list of Spot
        Rising in temperature.
    """
    return [_spot(car, degC) for degC in temperatures(car)]


def temperatures(car: Car) -> list[float]:
    """Temperatures at which the curves are looked at.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    list of float
        Those of the base curve that are not too close together, and warm, rising [degC].
    """
    given = sorted(degC for degC, _ in car.curves.base_steps if degC < WARM_degC - APART_degC)
    kept: list[float] = []
    for here in given:
        if not kept or here - kept[-1] >= APART_degC:
            kept.append(here)
    return [*kept, WARM_degC]


def curve_at(points: tuple[tuple[float, float], ...], coolant_degC: float) -> float:
    """Read a curve of the car file.

    Parameters
    ----------
    points : tuple of (float, float)
        Temperatures, rising, and values.
    coolant_degC : float
        Where to read it [degC].

    Returns
    -------
    float
        Value there; end values hold outside.
    """
    return float(np.interp(coolant_degC, *np.asarray(points, dtype=float).T))


def _spot(car: Car, coolant_degC: float) -> Spot:
    from sim.linearise import settled_rpm

    valve = car.valve
    base = curve_at(car.curves.base_steps, coolant_degC)
    low_trim, high_trim = car.feedback.trim_limit_steps
    top = float(min(valve.open_limit_steps, valve.useful_travel_steps))
    lowest = max(base + low_trim, 0.0)
    highest = max(min(base + high_trim, top), base)
    below, above = max(base - 1.0, 0.0), min(base + 1.0, float(valve.travel_steps))
    positions = [base, lowest, highest, below, above]
    speeds = settled_rpm(car, positions, coolant_degC)
    settled, closed, opened, less, more = (float(speed) for speed in speeds)
    return Spot(
        coolant_degC,
        base,
        curve_at(car.curves.target_rpm, coolant_degC),
        settled,
        (more - less) / (above - below),
        base - lowest,
        settled - closed,
        highest - base,
        opened - settled,
    )


def _resolution(car: Car, spots: list[Spot]) -> CheckLine:
    feedback = car.feedback
    coarsest = max(spots, key=lambda spot: spot.rpm_per_step)
    move_rpm = coarsest.rpm_per_step * feedback.min_move_steps
    ratio = 2.0 * feedback.deadband_rpm / move_rpm if move_rpm > 0.0 else float("inf")
    hunts = feedback.law not in ("none", "pi_park") and ratio < 1.0
    width = 2.0 * feedback.deadband_rpm
    finite = ratio if np.isfinite(ratio) else None
    wide = int(np.ceil(move_rpm / 2.0))
    return CheckLine(
        "deadband holds a minimum move",
        judged(False, hunts),
        finite,
        "-",
        f"deadband {width:.0f} rpm wide, one move {move_rpm:.0f} rpm"
        f" at {coarsest.coolant_degC:.0f} degC",
        "where no position lies within the deadband an integrating law must hunt",
        f"take a smaller minimum move, or a deadband half-width of {wide} rpm or more",
    )


def base_error_steps(spot: Spot) -> float:
    """Steps that the base curve lacks at a temperature, by the model.

    Parameters
    ----------
    spot : Spot
        The base curve there.

    Returns
    -------
    float
        Positive: more are wanted; 0 where a step is worth too little to tell [steps].
    """
    if spot.rpm_per_step <= 0.5:
        return 0.0
    return (spot.target_rpm - spot.settled_rpm) / spot.rpm_per_step


def _speed(spot: Spot) -> CheckLine:
    off = spot.settled_rpm - spot.target_rpm
    steps = base_error_steps(spot)
    advice = f"{abs(steps):.0f} steps {'more' if steps > 0 else 'fewer'} at this temperature"
    settled = f"settles at {spot.settled_rpm:.0f}" if spot.settled_rpm > 0.0 else "cannot run"
    return CheckLine(
        f"base curve at {spot.coolant_degC:.0f} degC",
        judged(spot.settled_rpm <= 0.0, abs(off) > BASE_OFF_rpm),
        spot.rpm_per_step,
        "rpm per step",
        f"{settled} on {spot.base_steps:.0f} steps, target {spot.target_rpm:.0f} rpm;"
        f" {spot.rpm_per_step:.0f} rpm per step",
        "feedback corrects small errors; a base curve far off leaves it at its trim limit",
        f"in the model: {advice}; see evenidle base",
    )


def _close(car: Car, spot: Spot) -> CheckLine:
    at_seat = spot.base_steps < -car.feedback.trim_limit_steps[0]
    remedy = "close the throttle stop a little, so that the base curve can be higher"
    if not at_seat:
        remedy = "lower the low trim limit once the valve is known to be sound"
    return CheckLine(
        f"room to close at {spot.coolant_degC:.0f} degC",
        judged(spot.close_steps < LEAST_steps, spot.close_rpm < LEAST_rpm),
        spot.close_steps,
        "steps",
        f"{spot.close_steps:.0f} steps, worth {spot.close_rpm:.0f} rpm",
        "a base curve near the seat leaves feedback nothing to close",
        remedy,
    )


def _open(spot: Spot) -> CheckLine:
    return CheckLine(
        f"room to open at {spot.coolant_degC:.0f} degC",
        judged(spot.open_steps < LEAST_steps, spot.open_rpm < LEAST_rpm),
        spot.open_steps,
        "steps",
        f"{spot.open_steps:.0f} steps, worth {spot.open_rpm:.0f} rpm",
        "a load must be answered by opening; at the end of useful travel nothing is left",
        "raise the high trim limit or the open limit; near the end of useful travel open the"
        " throttle stop a little and lower the base curve",
    )
