"""Each cause told: its number, the change that removes it, and what that will cost."""

from __future__ import annotations

import math
from collections.abc import Callable

from controllers import GAIN, INTEGRAL
from tuning.explanation.causes import CAUSES, Cause, Findings, best_row, named_by_theory, ranked
from tuning.explanation.switches import eased_gains
from tuning.notes import Note

ROOM = 1.1
"""A deadband is asked to be this much wider than the geometry needs [-]."""

Told = tuple[Note, Note, Note]


def _resolution(f: Findings) -> Told:
    view, suggested = f.resolution, f.table.row("suggested")
    wide_rpm = ROOM * view.smallest_deadband_rpm
    number = Note(
        "explanation.resolution.number",
        move_steps=view.move_steps,
        move_rpm=view.move_rpm,
        deadband_rpm=2.0 * view.deadband_rpm,
        ratio=view.ratio,
        of_100=100.0 * view.chance,
    )
    remedy = Note(
        "explanation.resolution.remedy",
        move_steps=view.move_steps,
        least_rpm=0.5 * ROOM * view.move_rpm / view.move_steps,
        suggested_rpm=float(f.suggested.get("deadband_rpm", 0.0)),
        wide_rpm=wide_rpm,
        is_wider=wide_rpm > view.deadband_rpm,
    )
    cost = Note(
        "explanation.resolution.cost",
        off_rpm=max(wide_rpm, view.deadband_rpm),
        moves=math.nan if suggested is None else suggested.with_scatter_moves_per_min,
        moves_now=f.table.as_is.with_scatter_moves_per_min,
    )
    return number, remedy, cost


def _gains(f: Findings) -> Told:
    here, now, eased = f.linear.here, f.car.feedback, eased_gains(f.car, f.linear)
    number = Note("explanation.gains.number", times=here.border_multiplier, period_s=here.border_period_s)
    slower = Note("explanation.gains.slower")
    if GAIN not in eased:
        period_ms = float(eased["update_period_ms"])
        return number, Note("explanation.gains.seldom", update_period_ms=period_ms), slower
    gain, integral = eased[GAIN], eased[INTEGRAL]
    if integral > 0.0:
        worth = f.point.rpm_per_step
        slower = Note(
            "explanation.gains.slower_by",
            then_s=100.0 / (integral * worth),
            now_s=100.0 / (now.integral_steps_per_100rpm_s * worth),
        )
    remedy = Note("explanation.gains.lower", gain_steps_per_100rpm=gain, integral_steps_per_100rpm_s=integral)
    return number, remedy, slower


def _valve_speed(f: Findings) -> Told:
    number = Note(
        "explanation.valve_speed.number",
        step_ms=f.car.valve.step_ms,
        times_without=f.linear.border_without_valve_time,
        times=f.linear.here.border_multiplier,
    )
    remedy = Note("explanation.valve_speed.remedy", pull_in_ms=f.car.valve.pull_in_ms)
    return number, remedy, Note("explanation.valve_speed.cost")


def _updates(f: Findings) -> Told:
    row = best_row(f.table, "updates")
    quicker = row is None or row.key == "quicker_updates"
    number = Note(
        "explanation.updates.number",
        update_period_ms=f.car.feedback.update_period_ms,
        quicker=quicker,
        times_quick=f.linear.border_with_quick_updates,
        times=f.linear.here.border_multiplier,
    )
    remedy = Note("explanation.updates.more_often") if row is None else row.name
    cost = Note("explanation.updates.cost", quicker=quicker)
    return number, remedy, cost


def _limits(f: Findings) -> Told:
    low, high = f.car.feedback.trim_limit_steps
    number = Note(
        "explanation.limits.number",
        low=low,
        high_steps=high,
        share_percent=100.0 * f.table.as_is.limited_share,
        need_steps=f.point.needed_steps - f.point.base_steps,
    )
    return number, Note("explanation.limits.remedy"), Note("explanation.limits.cost")


def _backlash(f: Findings) -> Told:
    play = f.car.valve.backlash_steps
    worth = play * f.point.rpm_per_step
    number = Note("explanation.backlash.number", play_steps=play, worth_rpm=worth)
    remedy = Note("explanation.backlash.remedy", wider_rpm=0.5 * worth)
    return number, remedy, Note("explanation.backlash.cost")


def _not_feedback(f: Findings) -> Told:
    if not f.linear.here.engine_stable:
        number = Note("explanation.not_feedback.runs_off")
    elif not f.car.feedback.acts:
        number = Note("explanation.not_feedback.off")
    elif f.table.held_stalled > f.table.held_chance:
        number = Note("explanation.not_feedback.stalls", of_100=100.0 * f.table.held_stalled)
    else:
        number = Note(
            "explanation.not_feedback.swings", of_100=100.0 * f.table.held_chance, floor_rpm=f.table.floor_rpm
        )
    remedy, retards = Note("explanation.not_feedback.remedy"), -f.car.spark.advance_deg_per_100rpm
    if retards > 0.0:
        remedy = Note("explanation.not_feedback.spark", retards_deg_per_100rpm=retards)
    return number, remedy, Note("explanation.not_feedback.cost")


_TOLD: dict[str, Callable[[Findings], Told]] = {
    "resolution": _resolution,
    "gains": _gains,
    "valve_speed": _valve_speed,
    "updates": _updates,
    "limits": _limits,
    "backlash": _backlash,
    "not_feedback": _not_feedback,
}


def causes_of(findings: Findings) -> tuple[Cause, ...]:
    """Causes that take part, ranked and told; empty where nothing hunts and feedback is on."""
    f = findings
    first = named_by_theory(f.car, f.linear, f.resolution, f.table)
    if first != "not_feedback" and not f.table.hunts:
        return ()
    told = []
    for key, row in ranked(f.table, first):
        number, remedy, cost = _TOLD[key](f)
        told.append(
            Cause(
                key=key,
                name=CAUSES[key],
                named_first=key == first,
                left_share=math.nan if row is None else row.left_share,
                ends_it=row is not None and row.ends_it,
                number=number,
                remedy=remedy,
                cost=cost,
            )
        )
    return tuple(told)
