"""Findings about the valve and its air: position, leak, direction, limits, base curve."""

from __future__ import annotations

import numpy as np

from sim import Car
from tuning.diagnosis.air import (
    AirJump,
    find_drift,
    find_jump,
    pressure_after_moves,
    read_air,
    warming_rows,
)
from tuning.diagnosis.findings import NO, OPEN, VALVE_LEADS, YES, Finding
from tuning.log_events import Swing, held_steps, idle_rows, target_of
from tuning.logs import Log

LIMIT_SHARE = 0.2
"""Share of the time at a limit, off target, that is a fault [-]."""
OFF_TARGET_rpm = 40.0
BASE_OFF_steps = 2.0
BY_HAND_per_min = 3.0
"""Fewer moves do not show what the valve does [1/min]."""


def position_findings(log: Log, car: Car | None) -> tuple[Finding, Finding]:
    """Ask whether the valve lost its position, and whether air leaks in.

    Gives lost position, leak.
    """
    names = ("lost position", "leak")
    air = read_air(log)
    if air is None and _only_warming(log):
        text = (
            "while an engine warms, air at the same steps changes by itself: record some minutes"
            " hot"
        )
        return Finding(names[0], OPEN, text), _limit_leak(log, car, None)
    if air is None:
        text = "needs valve steps and manifold pressure: without pressure a load and a lost"
        text += " position look alike; home the valve and see whether the same steps give the same"
        return Finding(names[0], OPEN, text + " speed"), _limit_leak(log, car, None)
    worth_of_step = _worth_of_step(car, log)
    jump = find_jump(air, worth_of_step)
    drift = None if jump is not None else find_drift(air, worth_of_step)
    if drift is not None:
        return _drift_findings(log, car, drift, float(np.ptp(air.time_s)))
    if jump is None:
        plain = "the same steps give the same air throughout"
        if warming_rows(log).any():
            plain += " once the engine is hot"
        return Finding(names[0], NO, plain), _limit_leak(log, car, None)
    values = {"at_s": jump.at_s, "air_share": jump.share, "steps": jump.steps}
    if jump.share > 0.0:
        return Finding(names[0], NO, "no air was lost at the same steps"), _limit_leak(
            log, car, jump
        )
    worth = f" (worth {-jump.steps:.0f} steps)" if np.isfinite(jump.steps) else ""
    text = (
        f"at {jump.at_s:.0f} s the engine lost {-100 * jump.share:.0f} % of its air at the same"
        f" steps{worth}: steps were lost toward the seat, or the hose was pinched. Home the valve"
    )
    return Finding(names[0], YES, text, values), Finding(names[1], NO, "air went, none came in")


def _only_warming(log: Log) -> bool:
    """Whether air could be read if the engine were hot for longer."""
    warming = warming_rows(log)
    return log.map_kPa is not None and log.valve_steps is not None and bool(warming.any())


def _drift_findings(
    log: Log, car: Car | None, drift: AirJump, duration_s: float
) -> tuple[Finding, Finding]:
    """Air that goes, or comes, little by little at the same steps."""
    worth = f" (worth {abs(drift.steps):.0f} steps)" if np.isfinite(drift.steps) else ""
    values = {"air_share": drift.share, "steps": drift.steps, "over_s": duration_s}
    went = drift.share < 0.0
    text = (
        f"over {duration_s:.0f} s the engine {'lost' if went else 'got'}"
        f" {abs(100 * drift.share):.0f} % {'of its air' if went else 'more air'} little by little"
        f" at the same steps{worth}: steps are lost toward {'the seat' if went else 'open'} now and"
        " then. Home the valve, and look at pulse, voltage and connector"
    )
    return Finding("lost position", YES, text, values), _limit_leak(log, car, None)


def _worth_of_step(car: Car | None, log: Log) -> float:
    """Change of air a step over air, from the car's table."""
    if car is None or log.valve_steps is None:
        return float("nan")
    points = np.asarray(car.valve.area_mm2, dtype=float)
    here = float(np.median(log.valve_steps))
    above, below = np.interp([here + 1.0, here - 1.0], points[:, 0], points[:, 1])
    area = float(np.interp(here, points[:, 0], points[:, 1])) + car.throttle.leak_mm2
    return float(0.5 * (above - below) / area) if area > 0.0 else float("nan")


def _limit_leak(log: Log, car: Car | None, jump: AirJump | None) -> Finding:
    """A leak that came, or too much air with the valve as far closed as it goes."""
    if jump is not None:
        worth = f" (worth {jump.steps:.0f} steps)" if np.isfinite(jump.steps) else ""
        text = (
            f"at {jump.at_s:.0f} s the engine got {100 * jump.share:.0f} % more air at the same"
            f" steps{worth}: a vacuum leak, a throttle that does not shut, or steps lost toward"
            " open"
        )
        values = {"at_s": jump.at_s, "air_share": jump.share, "steps": jump.steps}
        return Finding("leak", YES, text, values)
    target = target_of(log, car)
    idle = idle_rows(log)
    if log.valve_steps is None or target is None or not idle.any():
        text = "needs valve steps and target: spray the joints, or pinch the hose and watch speed"
        return Finding("leak", OPEN, text)
    lowest = float(np.min(log.valve_steps[idle]))
    closed = idle & (log.valve_steps <= lowest + 0.5)
    over = float(np.median((log.rpm - target)[closed]))
    share = float(np.mean(closed[idle]))
    values = {"lowest_steps": lowest, "over_target_rpm": over, "share": share}
    at_end = lowest <= 0.5 or (car is not None and lowest <= _limits(log, car)[0] + 0.5)
    if share > LIMIT_SHARE and over > OFF_TARGET_rpm and at_end:
        text = (
            f"speed is {over:.0f} rpm above target with the valve as far closed as it goes"
            f" ({lowest:.0f} steps): too much air comes in past it (vacuum leak, throttle stop)"
        )
        return Finding("leak", YES, text, values)
    return Finding("leak", NO, "no air that the valve does not account for is seen", values)


def direction_finding(log: Log, swing: Swing | None) -> Finding:
    """Ask whether more steps give more speed.

    Gives the answer.
    """
    name = "wrong direction"
    if log.valve_steps is None:
        return Finding(name, OPEN, "valve steps were not recorded")
    if log.map_kPa is not None:
        worth, clear = pressure_after_moves(log)
        values = {"kPa_per_step": worth}
        if clear and worth < 0.0:
            text = "manifold pressure falls as steps are added: the valve is wired the wrong way"
            return Finding(name, YES, text + " round", values)
        if clear:
            text = "manifold pressure rises at once as steps are added, as it should"
            return Finding(name, NO, text, values)
    by_hand = swing is not None and swing.mostly_still and swing.moves_per_min >= BY_HAND_per_min
    if (
        log.map_kPa is None
        and swing is not None
        and by_hand
        and (abs(swing.valve_share) >= VALVE_LEADS)
    ):
        if swing.valve_share < 0.0:
            return Finding(name, YES, "speed falls as steps are added: wired the wrong way round")
        return Finding(name, NO, "speed rises as steps are added")
    text = "too few clear moves: open the valve a few steps by hand and see speed rise"
    return Finding(name, OPEN, text)


def limit_finding(log: Log, car: Car | None) -> Finding:
    """Ask whether the valve stands at a limit while speed is off target.

    Gives the answer.
    """
    target, idle = target_of(log, car), idle_rows(log)
    if log.valve_steps is None or target is None or not idle.any():
        return Finding("at a limit", OPEN, "needs valve steps and the target speed")
    steps, error = log.valve_steps[idle], (target - log.rpm)[idle]
    low, high = (0.0, np.inf) if car is None else _limits(log, car)
    shares = {
        "closed": float(np.mean((steps <= low + 0.5) & (error < -OFF_TARGET_rpm))),
        "open": float(np.mean((steps >= high - 0.5) & (error > OFF_TARGET_rpm))),
    }
    values = {f"share_{end}": share for end, share in shares.items()}
    for end, share in shares.items():
        if share > LIMIT_SHARE:
            text = (
                f"for {100 * share:.0f} % of the time the valve stands at its {end} limit and"
                " speed is off target: the integral winds up there; move the base curve or the"
                " throttle stop"
            )
            return Finding("at a limit", YES, text, values)
    return Finding("at a limit", NO, "the valve does not stand at a limit", values)


def _limits(log: Log, car: Car) -> tuple[float, float]:
    warm = 90.0 if log.coolant_degC is None else float(np.median(log.coolant_degC))
    base = float(np.interp(warm, *np.asarray(car.curves.base_steps, dtype=float).T))
    low, high = car.feedback.trim_limit_steps
    return max(base + low, 0.0), min(base + high, float(car.valve.open_limit_steps))


def base_finding(log: Log, car: Car | None) -> Finding:
    """Ask how far the base curve is off at each temperature.

    Gives the answer.
    """
    held = held_steps(log, car)
    if not held:
        text = "needs valve steps, coolant temperature and the target (from log or car file)"
        return Finding("base curve off", OPEN, text)
    rows = ", ".join(
        f"{one.coolant_degC:.0f} degC {one.steps:.1f}"
        + (f" ({one.error_steps:+.1f})" if np.isfinite(one.error_steps) else "")
        for one in held
    )
    values = {f"steps_at_{one.coolant_degC:.0f}_degC": one.steps for one in held}
    if car is None:
        return Finding("base curve off", OPEN, f"steps that held target: {rows}; a car file tells"
                       " how far the base curve is off", values)  # fmt: skip
    worst = max(held, key=lambda one: abs(one.error_steps))
    answer = YES if abs(worst.error_steps) >= BASE_OFF_steps else NO
    return Finding("base curve off", answer, f"steps that held target (less base): {rows}", values)
