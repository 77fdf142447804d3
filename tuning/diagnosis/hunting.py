"""Whether the idle hunts: the rule of hunting, and whether the valve can have made the swing."""

from __future__ import annotations

import numpy as np

from sim import Car
from tuning.diagnosis.findings import NO, OPEN, YES, Finding
from tuning.log_events import QUICK_ENOUGH_s, Swing, rpm_per_step_in, still_stretches
from tuning.logs import Log
from tuning.measures import ABOVE_FLOOR
from tuning.notes import Note

NAME = "hunting"
SMALLEST_SWING_rpm = 20.0
FEWEST_REVERSALS_per_min = 4.0
KEEPS_TIME = (1.5, 2.5)
"""A valve that keeps time with a swing turns back twice in each [-]."""
ENOUGH_SHARE = 0.5
"""Share of the swing that the valve's moves must be able to make [-]."""
ENGINE_s = 0.8
"""Usual lag of speed behind the valve at idle; common practice, no source [s]."""
MOST_rpm_per_step = 60.0
"""No valve of this kind is worth more a step at idle; common practice, no source."""
SLOW_s = 8.0
"""In a slower swing speed goes with the valve, if the valve makes it [s]."""
LOADED = -0.3
"""Likeness of pressure and speed below which torque or a load swings speed, not air [-]."""


def hunting_finding(log: Log, swing: Swing | None, cycling: bool, car: Car | None) -> Finding:
    """Ask whether the idle feedback hunts."""
    refresh_s = max(log.refresh_s.get("rpm", 0.0), 1.0 / max(log.rate_Hz, 1e-9))
    if swing is None:
        if refresh_s > QUICK_ENOUGH_s:
            return _slow_log(log, refresh_s, cycling)
        return Finding(NAME, OPEN, Note("diagnosis.hunting.no_stretch"))
    values = _values(swing)
    if log.valve_steps is None:
        return _speed_alone(swing, cycling, values)
    return _with_valve(log, swing, car, values)


def _values(swing: Swing) -> dict[str, float]:
    m = swing.measures
    names = ("hunting_rpm", "hunting_period_s", "regularity", "repeat_share", "half_swings",
             "valve_swing_rpm")  # fmt: skip
    return {name: float(getattr(m, name)) for name in names} | {
        "floor_rpm": swing.floor_rpm,
        "valve_share": swing.valve_share,
        "valve_lead_s": swing.valve_lead_s,
        "moves_per_min": swing.moves_per_min,
        "reversals_per_min": swing.reversals_per_min,
        "judged_from_s": swing.from_s,
        "judged_to_s": swing.to_s,
    }


def _speed_alone(swing: Swing, cycling: bool, values: dict[str, float]) -> Finding:
    """Speed alone tells a regular swing, and never whether the valve made it or stood still."""
    m = swing.measures
    size = {"swing_rpm": m.hunting_rpm, "period_s": m.hunting_period_s}
    if swing.regular and m.hunting_rpm > SMALLEST_SWING_rpm:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.valve_unseen", **size), values)
    if cycling:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.load_or_slow"), values)
    spread = {"spread_rpm": m.scatter_rms_rpm}
    return Finding(NAME, OPEN, Note("diagnosis.hunting.no_swing_seen", **spread), values)


def _with_valve(log: Log, swing: Swing, car: Car | None, values: dict[str, float]) -> Finding:
    m = swing.measures
    size = {"swing_rpm": m.hunting_rpm, "period_s": m.hunting_period_s}
    least = max(SMALLEST_SWING_rpm, ABOVE_FLOOR * (swing.floor or 0.0))
    if swing.goes_with_valve and m.valve_swing_rpm > SMALLEST_SWING_rpm and not swing.by_hand:
        told = {"between_rpm": m.valve_swing_rpm, "move_steps": swing.move_size_steps}
        if swing.regular:
            return Finding(NAME, YES, Note("diagnosis.hunting.leads", **told, **size), values)
        return Finding(NAME, YES, Note("diagnosis.hunting.to_and_fro", **told), values)
    if swing.by_hand:
        return Finding(NAME, NO, Note("diagnosis.hunting.settles"), values)
    if not swing.regular or min(m.hunting_rpm, *swing.halves_rpm) <= least:
        if swing.went_over_once:
            told = {"between_rpm": m.valve_swing_rpm}
            return Finding(NAME, OPEN, Note("diagnosis.hunting.once", **told), values)
        return Finding(NAME, NO, Note("diagnosis.hunting.irregular", **size), values)
    if not _keeps_time(swing):
        return Finding(NAME, NO, Note("diagnosis.hunting.not_in_time", **size), values)
    made = share_made(log, swing, car)
    values["can_make_share"] = made
    if made < ENOUGH_SHARE:
        told = {"made_percent": 100.0 * made}
        return Finding(NAME, OPEN, Note("diagnosis.hunting.from_outside", **size, **told), values)
    return Finding(NAME, YES, Note("diagnosis.hunting.in_time", **size), values)


def _keeps_time(swing: Swing) -> bool:
    """Whether the valve turns back twice in each swing."""
    per_swing = swing.reversals_per_min * swing.measures.hunting_period_s / 60.0
    turns = swing.reversals_per_min >= FEWEST_REVERSALS_per_min
    return turns and KEEPS_TIME[0] <= per_swing <= KEEPS_TIME[1]


def share_made(log: Log, swing: Swing, car: Car | None) -> float:
    """Share of the swing that the valve's moves can make, by its worth at that period [-].

    Gives 0 where manifold pressure goes against speed, as under torque or a load, or where a
    slow swing does not go with the valve; 1 at the most; of a valve whose worth is not known,
    1 unless no valve of this kind could do it [-].

    Source: first-order lag of the usual engine; our limits.
    """
    m = swing.measures
    if swing.pressure_likeness < LOADED or m.hunting_period_s > SLOW_s:
        return 0.0
    turn = 2.0 * np.pi / max(m.hunting_period_s, 1e-3)
    passed = 1.0 / np.sqrt(1.0 + (ENGINE_s * turn) ** 2)
    worth = rpm_per_step_in(log)
    if not np.isfinite(worth):
        worth = _worth_of(car, log)
    if not np.isfinite(worth):
        needed = m.hunting_rpm / max(swing.range_steps * passed, 1e-9)
        return 1.0 if needed <= MOST_rpm_per_step else 0.0
    return float(min(worth * swing.range_steps * passed / max(m.hunting_rpm, 1e-9), 1.0))


def _worth_of(car: Car | None, log: Log) -> float:
    """What the car file says that a step is worth where the valve is, nan without one."""
    if car is None or log.valve_steps is None:
        return float("nan")
    from tuning.loop import idle_point

    warm = 90.0 if log.coolant_degC is None else float(np.median(log.coolant_degC))
    point = idle_point(car, float(np.clip(warm, -40.0, 130.0)))
    return float("nan") if point is None else float(point.rpm_per_step)


def _slow_log(log: Log, refresh_s: float, cycling: bool) -> Finding:
    """What a log with seldom refreshed speed can say: how much speed moves at all."""
    told = {"refresh_s": refresh_s, "rate_Hz": 1.0 / max(refresh_s, 1e-9)}
    parts = still_stretches(log, 20.0)
    if cycling:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.load_or_slow"), told)
    if not parts:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.slow_log", **told), told)
    last = parts[-1]
    rows = slice(max(last.start, last.stop - 400), last.stop)
    line = np.polynomial.Polynomial.fit(log.time_s[rows], log.rpm[rows], 1)
    spread = float(np.std(log.rpm[rows] - line(log.time_s[rows])))
    values = {"spread_rpm": spread, "refresh_s": refresh_s}
    if spread * 2.0 * np.sqrt(2.0) >= SMALLEST_SWING_rpm:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.slow_varies", **values), values)
    if log.valve_steps is None:
        return Finding(NAME, OPEN, Note("diagnosis.hunting.slow_steady", **values), values)
    return Finding(NAME, NO, Note("diagnosis.hunting.slow_quiet", **values), values)
