"""Findings about the swing of an idle: each answered yes, no, or with what would decide it."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from tuning.log_events import Swing, find_shifts, spark_in
from tuning.logs import Log
from tuning.measures import ABOVE_FLOOR

YES, NO, OPEN = "yes", "no", "cannot tell"
VALVE_LEADS = 0.6
"""Share of the swing that the valve must make to be its cause [-]."""
SMALLEST_SWING_rpm = 20.0
FEWEST_REVERSALS_per_min = 4.0
KEEPS_TIME = (1.5, 2.5)
"""A valve that keeps time with a swing turns back twice in each [-]."""
REPEATS = 0.4
"""Share of the swing that comes back after a period where the valve leads it [-]."""
EQUAL_MOVES = 0.35
"""Moves whose sizes spread less than this about their mean are alike [-]."""
TICKS_per_min = 10.0
"""A valve that moves so often though nothing hunts chases scatter [1/min]."""
FIGHTS_deg_per_100rpm = -1.0
"""Spark that retards by this below target unsettles idle [deg per 100 rpm]."""
FEWEST_SHIFTS = 4


@dataclass(frozen=True)
class Finding:
    """One question and its answer.

    Attributes
    ----------
    name : str
        What is asked.
    answer : str
        ``yes``, ``no`` or ``cannot tell``.
    text : str
        The answer in words; where it cannot be told, what would decide.
    values : dict
        Numbers behind it, names with units.
    """

    name: str
    answer: str
    text: str
    values: dict[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Give the finding as plain values.

        Gives by attribute, numbers that are not known as None.
        """
        values = {k: (v if np.isfinite(v) else None) for k, v in self.values.items()}
        return {"name": self.name, "answer": self.answer, "text": self.text, "values": values}


def load_finding(log: Log) -> Finding:
    """Ask whether a load comes and goes again and again.

    Gives the answer.
    """
    shifts = find_shifts(log)
    turns = sum(a.comes_on != b.comes_on for a, b in pairwise(shifts))
    if turns + 1 < FEWEST_SHIFTS:
        text = "no load that comes and goes again and again"
        return Finding("load cycling", NO, text, {"shifts": float(len(shifts))})
    down = [one.at_s for one in shifts if one.comes_on]
    period = float(np.median(np.diff(down))) if len(down) > 1 else np.nan
    size = float(np.median([abs(one.rpm) for one in shifts]))
    text = (
        f"something switches: {turns + 1} lasting shifts of about {size:.0f} rpm with the valve"
        f" still, every {period:.0f} s. A load (air conditioning, fan) coming and going, not"
        " hunting"
    )
    values = {"shifts": float(len(shifts)), "size_rpm": size, "period_s": period}
    return Finding("load cycling", YES, text, values)


def hunting_finding(log: Log, swing: Swing | None, cycling: bool) -> Finding:
    """Ask whether the idle feedback hunts.

    Gives the answer.
    """
    if swing is None:
        if cycling:
            return Finding("hunting", NO, "the swings are a load's")
        refresh_s = log.refresh_s.get("rpm", 0.0)
        if refresh_s > 0.0:
            return _slow_hunting(log, refresh_s)
        text = "no undisturbed idling of 15 s: record a minute with nothing changed"
        return Finding("hunting", OPEN, text)
    m = swing.measures
    values = {
        "hunting_rpm": m.hunting_rpm,
        "hunting_period_s": m.hunting_period_s,
        "regularity": m.regularity,
        "repeat_share": m.repeat_share,
        "floor_rpm": swing.floor_rpm,
        "valve_share": swing.valve_share,
        "valve_lead_s": swing.valve_lead_s,
        "moves_per_min": swing.moves_per_min,
        "reversals_per_min": swing.reversals_per_min,
    }
    size = f"{m.hunting_rpm:.0f} rpm every {m.hunting_period_s:.1f} s"
    least = max(SMALLEST_SWING_rpm, ABOVE_FLOOR * (swing.floor or 0.0))
    if _valve_hunts(swing) and m.hunting_rpm > least:
        text = f"it hunts: {size}. The valve goes to and fro in time with speed"
        if np.isfinite(swing.valve_lead_s):
            text = (
                f"it hunts: {size}. The valve leads: its moves make"
                f" {100 * swing.valve_share:.0f} % of the swing, speed answers"
                f" {swing.valve_lead_s:.1f} s after"
            )
        return Finding("hunting", YES, text, values)
    if swing.mostly_still:
        text = "it does not hunt: the valve rests between moves and speed settles"
        return Finding("hunting", NO, text, values)
    if not swing.regular:
        text = f"it does not hunt: swings of {size} are irregular or no larger than scatter"
        return Finding("hunting", NO, text, values)
    if log.valve_steps is None:
        text = f"a regular swing of {size}; whether the valve makes it is not in this log: record"
        text += " valve steps, or hold the valve still: if speed still swings, it is not the"
        return Finding("hunting", OPEN, text + " idle feedback", values)
    text = f"a regular swing of {size} that the valve does not lead: not the idle feedback"
    return Finding("hunting", NO, text, values)


def _valve_hunts(swing: Swing) -> bool:
    """Whether the valve leads the swing and keeps it up.

    A valve that leads goes to and fro in coarse moves, or the swing is regular.  Where speed
    settles between moves, only equal moves to and fro are hunting: others are made by hand.
    """
    leads = swing.valve_share >= VALVE_LEADS
    if np.isnan(swing.valve_share) and swing.regular:
        # So regular that cause and answer cannot be told apart: does the valve keep time with it?
        per_swing = swing.reversals_per_min * swing.measures.hunting_period_s / 60.0
        leads = swing.alternates and KEEPS_TIME[0] <= per_swing <= KEEPS_TIME[1]
    turns = swing.reversals_per_min >= FEWEST_REVERSALS_per_min
    keeps_up = swing.alternates or swing.regular or swing.measures.repeat_share >= REPEATS
    if swing.mostly_still:
        keeps_up = swing.alternates and swing.move_size_spread <= EQUAL_MOVES
    return leads and turns and keeps_up


def _slow_hunting(log: Log, refresh_s: float) -> Finding:
    """What a log with seldom refreshed speed can say: how much speed moves at all."""
    from tuning.log_events import still_stretches

    parts = still_stretches(log, 20.0)
    if not parts:
        text = f"speed is refreshed every {refresh_s:.0f} s, too slowly to see hunting"
        return Finding("hunting", OPEN, text)
    last = parts[-1]
    rows = slice(max(last.start, last.stop - 400), last.stop)
    line = np.polynomial.Polynomial.fit(log.time_s[rows], log.rpm[rows], 1)
    spread = float(np.std(log.rpm[rows] - line(log.time_s[rows])))
    values = {"spread_rpm": spread, "refresh_s": refresh_s}
    if spread * 2.0 * np.sqrt(2.0) < SMALLEST_SWING_rpm:
        text = (
            f"it does not hunt: speed stays within {spread:.1f} rpm rms (it is refreshed only"
            f" every {refresh_s:.0f} s, which hides fast swings' shape but not their size)"
        )
        return Finding("hunting", NO, text, values)
    text = (
        f"speed varies by {spread:.0f} rpm rms, refreshed every {refresh_s:.0f} s: too slowly to"
        " tell hunting from scatter; record at 5 rows a second or more"
    )
    return Finding("hunting", OPEN, text, values)


def still_finding(log: Log, swing: Swing | None) -> Finding:
    """Ask whether speed swings with the valve standing still.

    Gives the answer.
    """
    name = "swings with the valve still"
    if log.valve_steps is None:
        return Finding(name, OPEN, "valve steps were not recorded: record them, or hold it still")
    if swing is None or swing.still_measures is None:
        text = "the valve never stands still for 10 s here: hold it still for 20 s and record"
        return Finding(name, OPEN, text)
    m = swing.still_measures
    values = {"hunting_rpm": m.hunting_rpm, "hunting_period_s": m.hunting_period_s}
    if swing.still_swings:
        text = (
            f"with the valve still, speed swings by {m.hunting_rpm:.0f} rpm every"
            f" {m.hunting_period_s:.1f} s: look at fuel, spark and leaks, not at the feedback"
        )
        return Finding(name, YES, text, values)
    text = f"with the valve still, speed scatters by {m.hunting_rpm:.0f} rpm, irregularly"
    return Finding(name, NO, text, values)


def scatter_finding(swing: Swing | None, hunts: bool) -> Finding:
    """Ask whether the valve chases scatter.

    Gives the answer.
    """
    name = "valve chases scatter"
    if swing is None or np.isnan(swing.moves_per_min):
        return Finding(name, OPEN, "valve steps or a quick record of speed are missing")
    values = {
        "moves_per_min": swing.moves_per_min,
        "scatter_rms_rpm": swing.measures.scatter_rms_rpm,
    }
    if not hunts and not swing.regular and swing.moves_per_min >= TICKS_per_min:
        band = 3.5 * swing.measures.scatter_rms_rpm
        text = (
            f"the valve moves {swing.moves_per_min:.0f} times a minute though nothing hunts:"
            f" scatter is {swing.measures.scatter_rms_rpm:.0f} rpm, a deadband of about"
            f" {band:.0f} rpm (3 to 4 times that) would let it rest"
        )
        return Finding(name, YES, text, values)
    return Finding(name, NO, f"{swing.moves_per_min:.0f} moves a minute", values)


def spark_finding(log: Log) -> Finding:
    """Ask whether the spark works against the idle.

    Gives the answer.
    """
    found = spark_in(log)
    if found is None:
        text = "spark was not recorded, or speed not quickly enough: record both at 5 rows a"
        text += " second to see whether spark steadies or unsettles idle"
        return Finding("spark fights", OPEN, text)
    slope = found.advance_deg_per_100rpm
    values = {"advance_deg_per_100rpm": slope, "explained": found.explained}
    if found.follows_speed and slope <= FIGHTS_deg_per_100rpm:
        text = (
            f"spark retards by {-slope:.1f} deg for each 100 rpm that speed falls: it pulls speed"
            " further down each time. Make the table flat or advancing below target"
        )
        return Finding("spark fights", YES, text, values)
    if found.follows_speed and slope > 0.0:
        text = f"spark advances by {slope:.1f} deg per 100 rpm as speed falls: it steadies idle"
        return Finding("spark fights", NO, text, values)
    return Finding("spark fights", NO, "spark does not follow speed", values)
