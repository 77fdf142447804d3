"""Checks of the room to move: rpm per step and authority along the base curve, by the model."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from controllers import curve_at
from sim import Car
from tuning.checks.cold_room import COLDEST_degC, Passing, STUCK_rpm, WARMED_degC, passings
from tuning.checks.lines import CheckLine, judged

LEAST_steps = 2.0
LEAST_rpm = 100.0
"""Closing or opening as far as allowed should change speed by this much."""
BASE_OFF_rpm = 100.0
WORTH_SHARE = 0.5
"""A move smaller than this share of the scatter does nothing that can be heard; our judgement."""
HIGHER_steps = 4.0
"""Least base curve that leaves room to close; our judgement [steps]."""
WARM_degC = 90.0
APART_degC, FARTHEST_degC, FROST_APART_K = 12.0, 30.0, 10.0
"""Temperatures closer than this to the one before are left out, farther ones filled in, and a
frosty morning is looked at where the curve begins this much warmer [K]."""


class Spot(NamedTuple):
    """The base curve at one temperature, in the model.

    Below `WARMED_degC` it is that of an engine on its way through, with its oil behind and with
    what after-start air is left; warmer, or where no start passes, that of one that has settled.

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
    needed_steps : float
        Position that holds the target: minus infinity where even the seat is too much, infinity
        where even the open limit is too little [steps].
    close_steps, open_steps : float
        Room to close and to open, within trim limits and travel [steps].
    close_rpm, open_rpm : float
        What that room is worth [rpm].
    passing : bool
        Whether it is that of an engine on its way through.
    """

    coolant_degC: float
    base_steps: float
    target_rpm: float
    settled_rpm: float
    rpm_per_step: float
    needed_steps: float
    close_steps: float
    close_rpm: float
    open_steps: float
    open_rpm: float
    passing: bool


def room_checks(car: Car) -> list[CheckLine]:
    """Check speed on the base curve, worth of a step, and authority, at each temperature.

    Gives three for each temperature of the base curve and one on resolution.
    """
    spots = base_spots(car)
    lines = [_resolution(car, spots), _worth_taking(car, spots[-1])]
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
    places = temperatures(car)
    passed = passings(car, [degC for degC in places if degC < WARMED_degC])
    return [_spot(car, degC, passed.get(degC)) for degC in places]


def temperatures(car: Car) -> list[float]:
    """Temperatures at which the curves are looked at.

    Gives those of the base curve that are not too close together, others where they are far apart,
    a frosty morning and warm, rising [degC].
    """
    given = sorted(degC for degC, _ in car.curves.base_steps if degC < WARM_degC - APART_degC)
    kept: list[float] = []
    for here in (max(degC, COLDEST_degC) for degC in given):
        if not kept or here - kept[-1] >= APART_degC:
            kept.append(here)
    if not kept or kept[0] - COLDEST_degC >= FROST_APART_K:
        kept.insert(0, COLDEST_degC)
    kept.append(WARM_degC)
    filled: list[float] = []
    for low, high in pairwise(kept):
        parts = int(np.ceil((high - low) / FARTHEST_degC))
        filled += [float(np.rint(low + (high - low) * part / parts)) for part in range(parts)]
    return [*filled, kept[-1]]


def _spot(car: Car, coolant_degC: float, passing: Passing | None) -> Spot:
    from sim.linearise import settled_rpm

    valve = car.valve
    limit = float(valve.open_limit_steps)
    base = min(curve_at(car.curves.base_steps, coolant_degC), limit)
    low_trim, high_trim = car.feedback.trim_limit_steps
    top = float(min(valve.open_limit_steps, valve.useful_travel_steps))
    lowest = max(base + low_trim, 0.0)
    highest = max(min(base + high_trim, top), base)
    below, above = max(base - 1.0, 0.0), min(base + 1.0, float(valve.travel_steps))
    target = curve_at(car.curves.target_rpm, coolant_degC)
    needed = needed_steps(car, target, coolant_degC)
    shift = 0.0
    if passing is not None:
        # An engine that has settled so cold would want this much more than one on its way.
        reach = passing.reach
        if needed == -np.inf and passing.over_rpm > STUCK_rpm:
            reach = -1.0  # it was still on its way to the seat
        alike = needed_steps(car, target + passing.over_rpm, coolant_degC) if reach else needed
        shift = min(max(alike, 0.0), limit) - base - passing.lacks_steps
        needed = reach * np.inf if reach else base + passing.lacks_steps
    positions = [max(one + shift, 0.0) for one in (base, lowest, highest, below, above)]
    speeds = settled_rpm(car, positions, coolant_degC)
    settled, closed, opened, less, more = (float(speed) for speed in speeds)
    return Spot(
        coolant_degC,
        base,
        target,
        settled,
        (more - less) / (above - below),
        needed,
        base - lowest,
        settled - closed,
        highest - base,
        opened - settled,
        passing is not None,
    )


def needed_steps(car: Car, target_rpm: float, coolant_degC: float) -> float:
    """Position at which the engine settles at a speed, by the model.

    Gives between whole positions as far as need be; minus infinity where even the seat is too much,
    infinity where even the open limit is too little [steps].
    """
    from sim.linearise import settled_rpm

    limit = car.valve.open_limit_steps
    speeds = settled_rpm(car, np.arange(limit + 1.0), coolant_degC)
    if speeds[0] > target_rpm:
        return -np.inf
    if speeds[limit] < target_rpm:
        return np.inf
    above = int(np.argmax(speeds >= target_rpm))
    if above == 0 or speeds[above - 1] <= 0.0:
        return float(above)
    part = (target_rpm - speeds[above - 1]) / (speeds[above] - speeds[above - 1])
    return float(above - 1 + part)


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


def _worth_taking(car: Car, warm: Spot) -> CheckLine:
    from tuning.ensemble import held_swing_rpm

    start_rpm = warm.settled_rpm or warm.target_rpm
    swing_rpm = held_swing_rpm(car, float(np.rint(warm.base_steps)), start_rpm)
    known = np.isfinite(swing_rpm)
    least = WORTH_SHARE * swing_rpm if known else 0.0
    moves = int(np.ceil(least / warm.rpm_per_step)) if warm.rpm_per_step > 0.0 else 1
    scatter = f"{swing_rpm:.0f} rpm" if known else "not known, as it stalls"
    worth = warm.rpm_per_step * car.feedback.min_move_steps
    return CheckLine(
        "a minimum move is worth taking",
        judged(False, 0.0 < worth < least),
        worth,
        "rpm",
        f"{worth:.0f} rpm warm, {warm.rpm_per_step:.0f} rpm per step; scatter with the valve held"
        f" {scatter}",
        "a move far smaller than the scatter wears the valve and nobody hears it",
        f"take a minimum move of {moves} steps",
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
        Positive: more are wanted.  Infinite, with its sign, where no position holds the target
        [steps].
    """
    return spot.needed_steps - spot.base_steps


def _towards_target(spot: Spot) -> str:
    """What would bring the speed to its target, in words."""
    steps = base_error_steps(spot)
    if steps == np.inf:
        return (
            "the open limit does not reach the target: raise it if the valve has travel left, else"
            " open the throttle stop a little"
        )
    if steps == -np.inf:
        return "even at the seat it idles above the target: close the throttle stop a little"
    return f"{abs(steps):.0f} steps {'more' if steps > 0 else 'fewer'} at this temperature"


def _speed(spot: Spot) -> CheckLine:
    off = spot.settled_rpm - spot.target_rpm
    told = "idles on the way through at" if spot.passing else "settles at"
    settled = f"{told} {spot.settled_rpm:.0f}" if spot.settled_rpm > 0.0 else "cannot run"
    return CheckLine(
        f"base curve at {spot.coolant_degC:.0f} degC",
        judged(spot.settled_rpm <= 0.0, abs(off) > BASE_OFF_rpm),
        spot.rpm_per_step,
        "rpm per step",
        f"{settled} on {spot.base_steps:.0f} steps, target {spot.target_rpm:.0f} rpm;"
        f" {spot.rpm_per_step:.0f} rpm per step",
        "feedback corrects small errors; a base curve far off leaves it at its trim limit",
        f"in the model: {_towards_target(spot)}; see evenidle base",
    )


def _close(car: Car, spot: Spot) -> CheckLine:
    reach = -float(car.feedback.trim_limit_steps[0])
    remedy = "lower the low trim limit once the valve is known to be sound"
    if spot.base_steps <= reach:
        remedy = _closed_stop(car, spot)
        mended = min(spot.needed_steps, float(car.valve.open_limit_steps))
        # The base comes first: a stop closed for a base that is too low would keep it too slow.
        if mended > spot.base_steps + LEAST_steps and min(mended, reach) >= LEAST_steps:
            remedy = (
                f"raise the base curve here first, to {mended:.0f} steps in the model:"
                f" {min(mended, reach):.0f} steps can then be closed; only if it idles right as it"
                f" is, {remedy}"
            )
    return CheckLine(
        f"room to close at {spot.coolant_degC:.0f} degC",
        judged(spot.close_steps < LEAST_steps, spot.close_rpm < LEAST_rpm),
        spot.close_steps,
        "steps",
        f"{spot.close_steps:.0f} steps, worth {spot.close_rpm:.0f} rpm",
        "a base curve near the seat leaves feedback nothing to close",
        remedy,
    )


def _closed_stop(car: Car, spot: Spot) -> str:
    """How far to close the throttle stop for the base curve to leave room, in words."""
    from sim.air import series_area
    from sim.car_record import car_row, valve_areas_m2
    from sim.valve import table_area

    areas = valve_areas_m2(car)
    series_m2 = car_row(car)["series_m2"].item()

    def air_mm2(steps: float) -> float:
        return 1.0e6 * float(series_area(float(table_area(areas, steps)), series_m2))

    leak = car.throttle.leak_mm2
    higher = max(spot.base_steps, HIGHER_steps, -float(car.feedback.trim_limit_steps[0]))
    while higher > spot.base_steps and air_mm2(higher) - air_mm2(spot.base_steps) > leak:
        higher -= 1.0
    less = leak - (air_mm2(higher) - air_mm2(spot.base_steps))
    if higher <= spot.base_steps:
        return "too little air passes the throttle to give the valve more: look for another leak"
    return (
        f"close the throttle stop a little: in the model from {leak:.1f} to {less:.1f} mm2 of"
        f" opening; at {spot.coolant_degC:.0f} degC the base curve then becomes {higher:.0f} steps"
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
