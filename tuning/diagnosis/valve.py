"""Findings about the valve and its air: position, leak, direction, limits, base curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at
from sim import Car
from tuning.diagnosis.air import (
    AirJump,
    air_against_steps,
    find_drift,
    find_jump,
    pressure_after_moves,
    read_air,
    warming_rows,
)
from tuning.diagnosis.hunting import NO, OPEN, YES, Finding
from tuning.log_events import Swing, driven_share, held_steps, idle_rows, rpm_per_step_in, target_of
from tuning.logs import Log
from tuning.notes import Note

LIMIT_SHARE = 0.2  # Share of the time at a limit, off target, that is a fault [-].
OFF_TARGET_rpm = 40.0
BASE_OFF_steps = 2.0
VALVE_LEADS = 0.6  # Share of the swing that moves by hand must make to show which way they work [-].
CLEAR_DIRECTION_T, AGAINST_T = 8.0, 4.0
"""Air goes clearly with or against the steps above this many standard errors; so much of air with them speaks
against pressure that falls after moves [-, -]."""
QUICK_Hz = 5.0  # Recorded more slowly, half a second after a move is not seen [Hz].
RUNS_AWAY_rpm, RUNS_steps = 100.0, 4.0
"""An error that grew beyond this while the valve went so far to cure it [rpm, steps]."""
BY_HAND_per_min = 3.0  # Fewer moves do not show what the valve does [1/min].
MUCH_DRIVEN = 0.1  # Share of driving beyond which the throttle is not known to have shut each time [-].


def position_findings(log: Log, car: Car | None, hunting: str, wrong_way: bool) -> tuple[Finding, Finding]:
    """Ask whether the valve lost its position, and whether air leaks in."""
    names = ("lost position", "leak")
    if wrong_way:
        note = Note("diagnosis.position.wrong_way")
        return Finding(names[0], OPEN, note), Finding(names[1], OPEN, note)
    if driven_share(log) > MUCH_DRIVEN:
        note = Note("diagnosis.position.driven")
        return Finding(names[0], OPEN, note), Finding(names[1], OPEN, note)
    if hunting != NO and log.rate_Hz < QUICK_Hz:
        note = Note("diagnosis.position.slow_log", rate_Hz=log.rate_Hz)
        return Finding(names[0], OPEN, note), Finding(names[1], OPEN, note)
    air = read_air(log, settled_only=hunting != NO)
    if air is None:
        return Finding(names[0], OPEN, _why_no_air(log)), _limit_leak(log, car, None)
    worth_of_step = _worth_of_step(car, log)
    jump = find_jump(air, worth_of_step)
    by_table = None if car is None else _by_table(car, air.steps)
    drift = None if jump is not None else find_drift(air, worth_of_step, by_table)
    if drift is not None:
        return _drift_findings(log, car, drift, float(np.ptp(air.time_s)))
    if jump is None:
        note = Note("diagnosis.position.kept")
        if warming_rows(log).any():
            note = Note("diagnosis.position.kept_hot")
        return Finding(names[0], NO, note), _limit_leak(log, car, None)
    values = {"at_s": jump.at_s, "air_share": jump.share, "steps": jump.steps}
    if jump.share > 0.0:
        none_lost = Finding(names[0], NO, Note("diagnosis.position.none_lost"))
        return none_lost, _limit_leak(log, car, jump)
    note = Note("diagnosis.position.lost", at_s=jump.at_s, air_percent=-100.0 * jump.share,
                worth_steps=-jump.steps)  # fmt: skip
    none_in = Finding(names[1], NO, Note("diagnosis.leak.air_went"))
    return Finding(names[0], YES, note, values), none_in


def _why_no_air(log: Log) -> Note:
    """What is missing to tell whether the same steps give the same air."""
    if log.map_kPa is None or log.valve_steps is None:
        return Note("diagnosis.position.unseen")
    if warming_rows(log).any():
        return Note("diagnosis.position.warming")
    return Note("diagnosis.position.never_settles")


def _drift_findings(log: Log, car: Car | None, drift: AirJump, duration_s: float) -> tuple[Finding, Finding]:
    """Air that goes, or comes, little by little at the same steps."""
    values = {"air_share": drift.share, "steps": drift.steps, "over_s": duration_s}
    told = {"over_s": duration_s, "air_percent": abs(100.0 * drift.share),
            "worth_steps": abs(drift.steps)}  # fmt: skip
    note = Note("diagnosis.position.comes", **told)
    if drift.share < 0.0:
        note = Note("diagnosis.position.goes", **told)
    return Finding("lost position", YES, note, values), _limit_leak(log, car, None)


def _worth_of_step(car: Car | None, log: Log) -> float:
    """Change of air a step over air, from the car's table."""
    if car is None or log.valve_steps is None:
        return float("nan")
    here = float(np.median(log.valve_steps))
    below, _, above = _by_table(car, np.array([here - 1.0, here, here + 1.0]))
    return float(0.5 * (above - below))


def _by_table(car: Car, steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Air that the car's area lets in at positions, over its mean [-]."""
    points = np.asarray(car.valve.area_mm2, dtype=float)
    area = np.interp(steps, points[:, 0], points[:, 1]) + car.throttle.leak_mm2
    mean = float(np.mean(area))
    return np.asarray(area / mean if mean > 0.0 else np.ones_like(area))


def _limit_leak(log: Log, car: Car | None, jump: AirJump | None) -> Finding:
    """A leak that came, or too much air with the valve as far closed as it goes."""
    if jump is not None:
        note = Note("diagnosis.leak.came", at_s=jump.at_s, air_percent=100.0 * jump.share,
                    worth_steps=jump.steps)  # fmt: skip
        values = {"at_s": jump.at_s, "air_share": jump.share, "steps": jump.steps}
        return Finding("leak", YES, note, values)
    target = target_of(log, car)
    idle = idle_rows(log)
    if log.valve_steps is None or target is None or not idle.any():
        return Finding("leak", OPEN, Note("diagnosis.leak.unseen"))
    lowest = float(np.min(log.valve_steps[idle]))
    closed = idle & (log.valve_steps <= lowest + 0.5)
    over = float(np.median((log.rpm - target)[closed]))
    share = float(np.mean(closed[idle]))
    values = {"lowest_steps": lowest, "over_target_rpm": over, "share": share}
    at_end = lowest <= 0.5 or (car is not None and lowest <= _limits(log, car)[0] + 0.5)
    if share > LIMIT_SHARE and over > OFF_TARGET_rpm and at_end:
        note = Note("diagnosis.leak.too_much", over_rpm=over, lowest_steps=lowest)
        return Finding("leak", YES, note, values)
    return Finding("leak", NO, Note("diagnosis.leak.none"), values)


def direction_finding(log: Log, swing: Swing | None, car: Car | None) -> Finding:
    """Ask whether more steps give more speed."""
    name = "wrong direction"
    if log.valve_steps is None:
        return Finding(name, OPEN, Note("diagnosis.direction.unseen"))
    if log.map_kPa is not None:
        worth, sure = pressure_after_moves(log) if log.rate_Hz >= QUICK_Hz else (0.0, False)
        values = {"kPa_per_step": worth}
        if sure and worth > 0.0:
            return Finding(name, NO, Note("diagnosis.direction.pressure_rises"), values)
        air = read_air(log)
        clear = 0.0 if air is None else air_against_steps(air)
        if sure and clear >= AGAINST_T:
            return Finding(name, OPEN, Note("diagnosis.direction.contradiction"), values)
        if sure:
            return Finding(name, YES, Note("diagnosis.direction.pressure_falls"), values)
        if clear <= -CLEAR_DIRECTION_T and log.rate_Hz >= QUICK_Hz:
            return Finding(name, YES, Note("diagnosis.direction.air_falls"), {"t_value": clear})
        if clear >= CLEAR_DIRECTION_T:
            return Finding(name, NO, Note("diagnosis.direction.air_rises"), {"t_value": clear})
    worth, quick = rpm_per_step_in(log), log.rate_Hz >= QUICK_Hz
    by_hand = swing is not None and swing.by_hand and swing.moves_per_min >= BY_HAND_per_min
    if swing is not None and by_hand and quick and abs(swing.valve_share) >= VALVE_LEADS:
        if swing.valve_share < 0.0:
            return Finding(name, YES, Note("diagnosis.direction.speed_falls"))
        return Finding(name, NO, Note("diagnosis.direction.speed_rises"))
    if np.isfinite(worth) and log.map_kPa is None:
        return Finding(name, NO, Note("diagnosis.direction.speed_rises"), {"rpm_per_step": worth})
    if _runs_away(log, car):
        return Finding(name, OPEN, Note("diagnosis.direction.runs_away"))
    if log.map_kPa is not None and log.rate_Hz < QUICK_Hz:
        return Finding(name, OPEN, Note("diagnosis.direction.slow_log", rate_Hz=log.rate_Hz))
    return Finding(name, OPEN, Note("diagnosis.direction.few_moves"))


def _runs_away(log: Log, car: Car | None) -> bool:
    """Whether the valve went a long way toward curing an error that only grew."""
    target, idle = target_of(log, car), idle_rows(log)
    if log.valve_steps is None or target is None or idle.sum() < 20:
        return False
    error, steps = (target - log.rpm)[idle], log.valve_steps[idle]
    tenth = max(idle.sum() // 10, 1)
    before, after = float(np.median(error[:tenth])), float(np.median(error[-tenth:]))
    went = float(np.median(steps[-tenth:]) - np.median(steps[:tenth]))
    return abs(after) > max(RUNS_AWAY_rpm, abs(before)) and went * after > RUNS_steps * abs(after)


def limit_finding(log: Log, car: Car | None) -> Finding:
    """Ask whether the valve stands at a limit while speed is off target."""
    target, idle = target_of(log, car), idle_rows(log)
    if log.valve_steps is None or target is None or not idle.any():
        return Finding("at a limit", OPEN, Note("diagnosis.limit.unseen"))
    steps, error = log.valve_steps[idle], (target - log.rpm)[idle]
    low, high = (0.0, np.inf) if car is None else _limits(log, car)
    shares = {
        "closed": float(np.mean((steps <= low + 0.5) & (error < -OFF_TARGET_rpm))),
        "open": float(np.mean((steps >= high - 0.5) & (error > OFF_TARGET_rpm))),
    }
    values = {f"share_{end}": share for end, share in shares.items()}
    for end, share in shares.items():
        if share > LIMIT_SHARE:
            told, shut = {"time_percent": 100.0 * share}, end == "closed"
            note = Note("diagnosis.limit.closed", **told) if shut else Note("diagnosis.limit.open", **told)
            return Finding("at a limit", YES, note, values)
    return Finding("at a limit", NO, Note("diagnosis.limit.none"), values)


def _limits(log: Log, car: Car) -> tuple[float, float]:
    warm = 90.0 if log.coolant_degC is None else float(np.median(log.coolant_degC))
    base = curve_at(car.curves.base_steps, warm)
    low, high = car.feedback.trim_limit_steps
    return max(base + low, 0.0), min(base + high, float(car.valve.open_limit_steps))


def base_finding(log: Log, car: Car | None) -> Finding:
    """Ask how far the base curve is off at each temperature."""
    held = held_steps(log, car)
    if not held:
        if log.valve_steps is None or log.coolant_degC is None or target_of(log, car) is None:
            return Finding("base curve off", OPEN, Note("diagnosis.base.unseen"))
        return Finding("base curve off", OPEN, Note("diagnosis.base.never_held"))
    rows = tuple(
        Note("diagnosis.base.held_off", coolant_degC=one.coolant_degC, steps=one.steps,
             off=one.error_steps)
        if np.isfinite(one.error_steps)
        else Note("diagnosis.base.held", coolant_degC=one.coolant_degC, steps=one.steps)
        for one in held
    )  # fmt: skip
    values = {f"steps_at_{one.coolant_degC:.0f}_degC": one.steps for one in held}
    if car is None:
        return Finding("base curve off", OPEN, Note("diagnosis.base.no_car", rows=rows), values)
    worst = max(held, key=lambda one: abs(one.error_steps))
    answer = YES if abs(worst.error_steps) >= BASE_OFF_steps else NO
    return Finding("base curve off", answer, Note("diagnosis.base.held_at", rows=rows), values)
