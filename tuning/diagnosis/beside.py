"""Findings beside the feedback: the valve still, scatter, spark, loads, and causes beyond it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from tuning.diagnosis.hunting import NO, OPEN, YES, Finding
from tuning.log_events import Swing, find_shifts, idle_rows, spark_in, switched
from tuning.logs import Log
from tuning.loop import WIDEST_DEADBAND_rpm
from tuning.notes import Note

TICKS_per_min = 10.0  # A valve that moves so often though nothing hunts chases scatter [1/min].
FIGHTS_deg_per_100rpm = -1.0  # Spark that retards by this below target unsettles idle [deg per 100 rpm].
FEWEST_SHIFTS = 4
SHORTEST_CYCLE_s = 12.0  # Levels that follow one another more quickly may be the sides of a swing [s].
EVEN = 0.35  # Loads that come at times spread by less of their mean come regularly [-].
FAST_IDLE_rpm = 150.0  # Idling so far above the target, speed may run into a fuel cut [rpm].
FLICKERS_per_min = 4.0
OPENED_percent = 1.0  # A throttle sensor that moves by this, up and down again, flickers [%].


def load_finding(log: Log) -> Finding:
    """Ask whether a load comes and goes again and again."""
    name, shifts = "load cycling", find_shifts(log)
    # Falls in two stages are one load: a cycle is from a fall after a rise to the next such.
    down = [
        one.at_s
        for place, one in enumerate(shifts)
        if one.comes_on and (place == 0 or not shifts[place - 1].comes_on)
    ]
    recorded = switched(log)
    if len(recorded) + 1 >= FEWEST_SHIFTS:
        period_s = _even_period_s([at_s for at_s, on in recorded if on])
        told = {"times": len(recorded), "period_s": period_s}
        return Finding(name, YES, Note("diagnosis.load.switched", **told), {"period_s": period_s})
    turns_s = [b.at_s - a.at_s for a, b in pairwise(shifts) if a.comes_on != b.comes_on]
    turns = len(turns_s)
    values = {"shifts": float(len(shifts))}
    if turns + 1 < FEWEST_SHIFTS:
        return Finding(name, NO, Note("diagnosis.load.none"), values)
    size = float(np.median([abs(one.rpm) for one in shifts]))
    told = {"shifts": turns + 1, "size_rpm": size}
    period_s = _even_period_s(down)
    values |= {"size_rpm": size, "period_s": period_s}
    if log.valve_steps is None:
        return Finding(name, OPEN, Note("diagnosis.load.or_slow", **told, period_s=period_s), values)
    short = min(turns_s) < 0.5 * SHORTEST_CYCLE_s
    if short or np.isnan(period_s) or np.min(np.diff(down)) < SHORTEST_CYCLE_s:
        return Finding(name, OPEN, Note("diagnosis.load.or_swing", **told), values)
    return Finding(name, YES, Note("diagnosis.load.cycles", **told, period_s=period_s), values)


def _even_period_s(times_s: list[float]) -> float:
    """Time from one to the next, nan where that is not even [s]."""
    gaps = np.diff(times_s)
    even = gaps.size >= 2 and float(np.std(gaps)) < EVEN * float(np.mean(gaps))
    return float(np.median(gaps)) if even else float("nan")


def still_finding(log: Log, swing: Swing | None) -> Finding:
    """Ask whether speed swings with the valve standing still."""
    name = "swings with the valve still"
    if log.valve_steps is None:
        return Finding(name, OPEN, Note("diagnosis.still.valve_unseen"))
    if swing is None or swing.still_measures is None:
        return Finding(name, OPEN, Note("diagnosis.still.never"))
    m = swing.still_measures
    values = {"hunting_rpm": m.hunting_rpm, "hunting_period_s": m.hunting_period_s}
    told = {"swing_rpm": m.hunting_rpm, "period_s": m.hunting_period_s}
    if swing.still_swings:
        return Finding(name, YES, Note("diagnosis.still.swings", **told), values)
    return Finding(name, NO, Note("diagnosis.still.scatters", **told), values)


def scatter_finding(log: Log, swing: Swing | None, hunting: Finding) -> Finding:
    """Ask whether the valve chases scatter."""
    name = "valve chases scatter"
    if log.valve_steps is None:
        return Finding(name, OPEN, Note("diagnosis.scatter.unseen"))
    if swing is None:
        return Finding(name, OPEN, hunting.note)
    scatter_rpm = swing.measures.scatter_rms_rpm
    values = {"moves_per_min": swing.moves_per_min, "scatter_rms_rpm": scatter_rpm}
    told = {"moves_per_min": swing.moves_per_min, "scatter_rpm": scatter_rpm}
    if hunting.answer == NO and not swing.regular and swing.moves_per_min >= TICKS_per_min:
        wanted_rpm = min(3.5 * scatter_rpm, WIDEST_DEADBAND_rpm)
        return Finding(name, YES, Note("diagnosis.scatter.chased", **told, deadband_rpm=wanted_rpm), values)
    return Finding(name, NO, Note("diagnosis.scatter.moves", **told), values)


def spark_finding(log: Log) -> Finding:
    """Ask whether the spark works against the idle."""
    name, found = "spark fights", spark_in(log)
    if found is None:
        return Finding(name, OPEN, Note("diagnosis.spark.unseen"))
    slope = found.advance_deg_per_100rpm
    values = {"advance_deg_per_100rpm": slope, "explained": found.explained}
    if found.follows_speed and slope <= FIGHTS_deg_per_100rpm:
        return Finding(name, YES, Note("diagnosis.spark.retards", slope_deg=-slope), values)
    if found.follows_speed and slope > 0.0:
        return Finding(name, NO, Note("diagnosis.spark.advances", slope_deg=slope), values)
    return Finding(name, NO, Note("diagnosis.spark.apart"), values)


def beyond_finding(log: Log, swing: Swing | None, hunting: Finding, still: Finding) -> Finding:
    """Ask what beyond the valve may swing speed, each with what speaks for it and a test."""
    name = "beyond the valve"
    causes = [*_flicker(log)]
    outside = hunting.note.code == "diagnosis.hunting.from_outside"
    if swing is not None and (outside or still.answer == YES):
        m = swing.measures
        target_rpm = log.rpm if log.target_rpm is None else log.target_rpm
        above_rpm = float(np.mean((log.rpm - target_rpm)[idle_rows(log)]))
        if above_rpm > FAST_IDLE_rpm:
            causes.append(Note("diagnosis.beyond.fuel_cut", above_rpm=above_rpm))
        if m.hunting_period_s > 1.5:
            causes.append(Note("diagnosis.beyond.mixture", period_s=m.hunting_period_s))
        if swing.skew < -1.0:
            causes.append(Note("diagnosis.beyond.misfire", skew=swing.skew))
        else:
            causes.append(Note("diagnosis.beyond.lean"))
    if not causes:
        return Finding(name, NO if log.valve_steps is not None else OPEN,
                       Note("diagnosis.beyond.nothing"))  # fmt: skip
    return Finding(name, YES, Note("diagnosis.beyond.may_be", causes=tuple(causes)))


def _flicker(log: Log) -> list[Note]:
    """A throttle sensor that opens and shuts while nobody works the throttle."""
    idle = idle_rows(log)
    if log.throttle_percent is None or idle.sum() < 20:
        return []
    reading = log.throttle_percent[idle]
    opened = reading > float(np.median(reading)) + OPENED_percent
    changes = int(np.count_nonzero(np.diff(opened.astype(int)) == 1))
    per_min = changes / max(float(np.ptp(log.time_s[idle])) / 60.0, 0.2)
    flickers = per_min >= FLICKERS_per_min and opened.mean() < 0.3
    return [Note("diagnosis.beyond.flicker", times_per_min=per_min)] if flickers else []
