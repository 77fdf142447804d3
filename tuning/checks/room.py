"""Checks of the room to move: rpm per step and authority along the base curve, by the model."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from controllers import curve_at
from sim import Car
from tuning.checks.cold_room import COLDEST_degC, Passing, STUCK_rpm, WARMED_degC, passings
from tuning.checks.lines import CheckLine, judged, line
from tuning.loop import (
    Treads,
    WARM_degC,
    engine_figures,
    needed_steps,
    resting_deadband_rpm,
    tread_steps,
    usual_idle,
)
from tuning.notes import Note
from tuning.starts import USUAL_FADE_s

LEAST_steps = 2.0
LEAST_rpm = 100.0  # Closing or opening as far as allowed should change speed by this much.
BASE_OFF_rpm, WARM_BASE_OFF_rpm = 100.0, 50.0
"""The base curve may be so far off, cold and warm: what the sheet's trial asks of it too [rpm]."""
WORTH_SHARE = 0.5
"""A move smaller than this share of the scatter does nothing that can be heard; our judgement."""
LEAST_WARM_SHARE, WARM_SHARE = 0.10, 0.15
"""A warm base curve stands at 10 to 15 % of travel: room to close; common practice, no source."""
APART_degC, FARTHEST_degC, FROST_APART_K = 12.0, 30.0, 10.0
"""Temperatures closer than this to the one before are left out, farther ones filled in, and a frosty morning
is looked at where the curve begins this much warmer [K]."""


class Spot(NamedTuple):
    """The base curve at one temperature, in the model.

    Below `WARMED_degC` it is that of an engine on its way through, with its oil behind and with what
    after-start air is left; warmer, or where no start passes, that of one that has settled.
    """

    coolant_degC: float
    base_steps: float
    target_rpm: float
    settled_rpm: float  # where the engine settles on the base curve; 0: it cannot run
    rpm_per_step: float
    needed_steps: float  # hold the target; -inf: even the seat is too much, inf: the open limit too little
    close_steps: float  # room to close and to open, within trim limits and travel
    close_rpm: float
    open_steps: float
    open_rpm: float
    passing: bool  # whether it is that of an engine on its way through
    oil_behind: bool  # short of air that a longer fade may give too


def room_checks(car: Car, spots: list[Spot] | None = None) -> list[CheckLine]:
    """Check speed on the base curve, worth of a step, and authority, at each temperature."""
    spots = spots or base_spots(car)
    lines = [_lets_go(car, spots[-1]), _resolution(car, spots), _worth_taking(car, spots[-1])]
    for spot in spots:
        lines += [_speed(spot), _close(car, spot), _open(car, spot)]
    return lines


def base_spots(car: Car) -> list[Spot]:
    """Look at the base curve in the model, at each of `temperatures`, from cold to warm."""
    places = temperatures(car)
    passed = passings(car, [degC for degC in places if degC < WARMED_degC])
    return [spot_at(car, degC, passed.get(degC)) for degC in places]


def temperatures(car: Car) -> list[float]:
    """Temperatures at which the curves are looked at."""
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


def spot_at(car: Car, coolant_degC: float, passing: Passing | None = None) -> Spot:
    """The base curve at one temperature, of an engine that has settled or is on its way."""
    from sim.linearise import settled_rpm

    valve = car.valve
    limit = float(valve.open_limit_steps)
    base = min(curve_at(car.curves.base_steps, coolant_degC), limit)
    low_trim, high_trim = car.feedback.trim_limit_steps
    top = float(min(valve.open_limit_steps, valve.useful_travel_steps))
    lowest = max(base + low_trim, 0.0)
    highest = max(min(base + high_trim, top), base)
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
    positions = [max(one + shift, 0.0) for one in (base, lowest, highest)]
    speeds = settled_rpm(car, positions, coolant_degC)
    settled, closed, opened = (float(speed) for speed in speeds)
    idle = usual_idle(car, coolant_degC) if passing is None else None
    here = engine_figures(car, positions[0], coolant_degC).rpm_per_step
    return Spot(
        coolant_degC, base, target, settled, here if idle is None else idle.rpm_per_step, needed,
        base - lowest, settled - closed, highest - base, opened - settled, passing is not None,
        passing is not None and needed > base and car.curves.after_start_fade_s < USUAL_FADE_s[1],
    )  # fmt: skip


def _lets_go(car: Car, warm: Spot) -> CheckLine:
    # A load that goes off with the trim wide open would leave speed where feedback never closes again.
    acts_rpm = car.feedback.enable_above_target_rpm
    return line(
        "lets_go", judged(False, car.feedback.acts and warm.open_rpm > acts_rpm), warm.open_rpm, "rpm",
        {"acts_rpm": acts_rpm, "adds_rpm": warm.open_rpm}, {"adds_rpm": warm.open_rpm},
    )  # fmt: skip


def _resolution(car: Car, spots: list[Spot]) -> CheckLine:
    feedback = car.feedback
    coarsest = max(spots, key=lambda spot: spot.rpm_per_step)
    band_rpm, move, worth = resting_deadband_rpm(car), tread_steps(car), coarsest.rpm_per_step
    ratio = Treads(move, worth).ratio(band_rpm) if worth > 0.0 else float("inf")
    hunts = feedback.acts and ratio < 1.0
    return line(
        "resolution", judged(False, hunts), ratio if np.isfinite(ratio) else None, "-",
        {"width_rpm": 2.0 * band_rpm, "move_rpm": worth * move, "at_degC": coarsest.coolant_degC},
        {"half_rpm": int(np.ceil(worth * move / 2.0)), "finer": move > 1,
         "cold": spots[-1].rpm_per_step * move <= 2.0 * band_rpm},
    )  # fmt: skip


def _worth_taking(car: Car, warm: Spot) -> CheckLine:
    from tuning.ensemble import held_swing_rpm

    start_rpm = warm.settled_rpm or warm.target_rpm
    swing_rpm = held_swing_rpm(car, float(np.rint(warm.base_steps)), start_rpm)
    known = bool(np.isfinite(swing_rpm))
    least = WORTH_SHARE * swing_rpm if known else 0.0
    moves = int(np.ceil(least / warm.rpm_per_step)) if warm.rpm_per_step > 0.0 else 1
    worth = warm.rpm_per_step * car.feedback.min_move_steps
    return line(
        "worth_taking", judged(False, 0.0 < worth < least), worth, "rpm",
        {"worth_rpm": worth, "step_rpm": warm.rpm_per_step, "known": known, "scatter_rpm": float(swing_rpm)},
        {"move_steps": moves},
    )  # fmt: skip


def base_error_steps(spot: Spot) -> float:
    """Steps that the base curve lacks at a temperature, by the model; positive: more are wanted [steps].

    Infinite, with its sign, where no position holds the target.
    """
    return spot.needed_steps - spot.base_steps


def _towards_target(spot: Spot) -> Note:
    """What would bring the speed to its target."""
    steps = base_error_steps(spot)
    if steps == np.inf:
        return _more_air(spot)
    if steps == -np.inf:
        return Note("checks.towards.seat_too_much")
    if spot.oil_behind:
        return Note("checks.towards.oil_behind", by=float(steps), fade_s=USUAL_FADE_s[1])
    return Note("checks.towards.steps", by=float(steps))


def _more_air(spot: Spot) -> Note:
    """How an engine gets more than the open limit gives: a stop cannot be open only while cold."""
    if spot.coolant_degC < WARMED_degC:
        return Note("checks.towards.cold_air")
    return Note("checks.towards.out_of_reach")


def _speed(spot: Spot) -> CheckLine:
    off = spot.settled_rpm - spot.target_rpm
    most = WARM_BASE_OFF_rpm if spot.coolant_degC >= WARM_degC else BASE_OFF_rpm
    return line(
        "base", judged(spot.settled_rpm <= 0.0, abs(off) > most), spot.rpm_per_step, "rpm per step",
        {"passing": spot.passing, "settled": spot.settled_rpm, "base_steps": spot.base_steps,
         "target_rpm": spot.target_rpm, "worth_rpm_per_step": spot.rpm_per_step},
        {"towards": _towards_target(spot)}, at_degC=spot.coolant_degC,
    )  # fmt: skip


def _close(car: Car, spot: Spot) -> CheckLine:
    least_steps = LEAST_WARM_SHARE * car.valve.travel_steps
    low = spot.coolant_degC >= WARM_degC and spot.base_steps < least_steps
    return line(
        "close", judged(spot.close_steps < LEAST_steps, low or spot.close_rpm < LEAST_rpm), spot.close_steps,
        "steps", {"close_steps": spot.close_steps, "close_rpm": spot.close_rpm}, _room_to_close(car, spot),
        at_degC=spot.coolant_degC,
    )  # fmt: skip


def _room_to_close(car: Car, spot: Spot) -> Note:
    """How feedback gets room to close."""
    reach = -float(car.feedback.trim_limit_steps[0])
    travel = car.valve.travel_steps
    if spot.base_steps > max(reach, LEAST_WARM_SHARE * travel):
        return Note("checks.close.wider_trim")
    stop = _closed_stop(car, spot)
    mended = min(spot.needed_steps, float(car.valve.open_limit_steps))
    # The base comes first: a stop closed for a base that is too low would keep it too slow.
    if mended > spot.base_steps + LEAST_steps and min(mended, reach) >= LEAST_steps:
        room = min(mended, reach)
        return Note("checks.close.base_first", mended_steps=mended, room_steps=room, stop=stop)
    return stop


def _closed_stop(car: Car, spot: Spot) -> Note:
    """How far to close the throttle stop for the base curve to leave room."""
    from sim.air import series_area
    from sim.car_record import car_row, valve_areas_m2
    from sim.valve import table_area

    areas = valve_areas_m2(car)
    series_m2 = car_row(car)["series_m2"].item()

    def air_mm2(steps: float) -> float:
        return 1.0e6 * float(series_area(float(table_area(areas, steps)), series_m2))

    leak, travel = car.throttle.leak_mm2, car.valve.travel_steps
    least, most = (float(round(share * travel)) for share in (LEAST_WARM_SHARE, WARM_SHARE))
    higher = max(spot.base_steps, most)
    while higher > spot.base_steps and air_mm2(higher) - air_mm2(spot.base_steps) > leak:
        higher -= 1.0
    less = leak - (air_mm2(higher) - air_mm2(spot.base_steps))
    if higher <= spot.base_steps:
        return Note("checks.stop.close_all", least=least, most_steps=most)
    return Note("checks.stop.close", now_mm2=leak, then_mm2=less, at_degC=spot.coolant_degC,
                higher_steps=higher, least=least, most_steps=most)  # fmt: skip


def _open(car: Car, spot: Spot) -> CheckLine:
    # Where travel ends before trim does, a higher trim limit gives nothing.
    trim = spot.open_steps >= car.feedback.trim_limit_steps[1] - 0.5
    return line(
        "open", judged(spot.open_steps < LEAST_steps, spot.open_rpm < LEAST_rpm), spot.open_steps, "steps",
        {"open_steps": spot.open_steps, "open_rpm": spot.open_rpm}, {"trim": trim, "more": _more_air(spot)},
        at_degC=spot.coolant_degC,
    )  # fmt: skip
