"""Causes of hunting: which theory names, how the switch-off ranks them, their numbers, remedies and cost."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from controllers import GAIN, INTEGRAL
from sim import Car
from tuning.explanation.ablation import Ablation, AblationRow
from tuning.explanation.bound import BoundRow
from tuning.explanation.cycle import CycleView
from tuning.explanation.resolution import ResolutionView
from tuning.explanation.switches import eased_gains
from tuning.loop import IdlePoint, LinearView
from tuning.notes import Note, Told

CAUSES = {
    "resolution": Note("explanation.cause.resolution"), "gains": Note("explanation.cause.gains"),
    "valve_speed": Note("explanation.cause.valve_speed"), "updates": Note("explanation.cause.updates"),
    "limits": Note("explanation.cause.limits"), "backlash": Note("explanation.cause.backlash"),
    "not_feedback": Note("explanation.cause.not_feedback"),
}  # fmt: skip
"""Names of the causes."""
_SWITCHED_BY = {
    "resolution": ("resolution",), "gains": ("gains",), "valve_speed": ("valve_speed",),
    "updates": ("quicker_updates", "slower_updates"), "limits": ("limits",), "backlash": ("backlash",),
    "not_feedback": (),
}  # fmt: skip
AT_LIMIT_SHARE = 0.3  # A loop this long at a trim limit may be swinging because of it [-].
NO_PART_SHARE = 0.75  # A cause whose switch-off leaves more of the swing than this has no part in it [-].
NEAR_SHARE = 0.1
"""Where nothing ends it, theory's choice stands if the best switch-off is no better by this [-]."""
ROUNDING_GAIN = 4.0 / math.pi  # Largest gain of rounding to whole steps for a sine [-].
CLEAR_OF_BORDER = 1.5  # A loop this far from swinging by itself is taken not to [-].
HELD_CHANCE = 0.5
"""From this share of valve-held runs that swing regularly, or stall, it is not the feedback [-]."""


@dataclass(frozen=True)
class Cause(Told):
    """One cause of the hunting."""

    key: str  # of ``CAUSES``
    name: Note
    named_first: bool  # whether theory named it first, before anything was switched off
    left_share: float  # share of the swing left when it is switched off, nan where that cannot be
    ends_it: bool  # whether switching it off ends the hunting
    number: Note
    remedy: Note  # the change that removes it
    cost: Note  # what that will cost


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything a verdict is drawn from."""

    car: Car
    point: IdlePoint  # its warm idle
    linear: LinearView  # margins
    resolution: ResolutionView  # steps against deadband
    cycle: CycleView  # predicted and simulated cycle
    ablation: Ablation  # with and without
    bound: tuple[BoundRow, ...]  # unbeatable dips, may be empty
    suggested: dict[str, Any]  # suggested settings, may be empty


def named_by_theory(car: Car, linear: LinearView, resolution: ResolutionView, table: Ablation) -> str:
    """Key of the cause that the numbers of theory point to, before anything is switched off.

    In this order: swings or stalls with the valve still; unstable without steps, or so near that
    rounding, which answers a small swing with up to 4/pi of it, can make it so, and why; no position to
    rest; long at a limit. What is left hunts though stable and with a place to rest: a cycle that the
    moves' coarseness keeps up, which smaller steps end. Source: describing function of the mid-tread
    quantiser (Gelb & Vander Velde 1968, from memory); the order is our own.
    """
    here = linear.here
    restless = table.held_chance + table.held_stalled >= HELD_CHANCE
    if not car.feedback.acts or not here.engine_stable or restless:
        return "not_feedback"
    rests = resolution.chance == 0.0
    if here.border_multiplier < (ROUNDING_GAIN if rests else 1.0):
        if linear.border_without_valve_time >= CLEAR_OF_BORDER:
            return "valve_speed"
        if rests and linear.border_with_quick_updates >= CLEAR_OF_BORDER:
            return "updates"
        return "gains"
    if rests and table.as_is.limited_share > AT_LIMIT_SHARE:
        return "limits"
    return "resolution"


def best_row(table: Ablation, key: str) -> AblationRow | None:
    """The switch-off of a cause that leaves least, none if it was not switched off."""
    tried = [row for switch in _SWITCHED_BY[key] if (row := table.row(switch)) is not None]
    return min(tried, key=lambda row: row.left_share) if tried else None


def ranked(table: Ablation, first: str) -> list[tuple[str, AblationRow | None]]:
    """Causes that have a part in the hunting, the first cause first."""
    if first == "not_feedback":
        return [(first, table.row("feedback"))]
    rows = {key: best_row(table, key) for key in _SWITCHED_BY}
    tried = {key: row for key, row in rows.items() if row is not None}
    least = min((row.left_share for row in tried.values()), default=1.0)

    def order(key: str) -> tuple[bool, bool, float]:
        row = tried[key]
        stands = row.ends_it or row.left_share <= least + NEAR_SHARE
        return (not row.ends_it, not (key == first and stands), row.left_share)

    told = [key for key in sorted(tried, key=order) if tried[key].left_share <= NO_PART_SHARE]
    return [(key, tried[key]) for key in told]


def agrees(table: Ablation, first: str) -> bool:
    """Whether the switch-off bears out the cause that theory named first."""
    if first == "not_feedback":
        held = table.row("feedback")
        return held is None or held.left_share > 1.0 - NO_PART_SHARE or table.held_chance > 0.0
    told = ranked(table, first)
    return bool(told) and told[0][0] == first


ROOM = 1.1  # A deadband is asked to be this much wider than the geometry needs [-].

Telling = tuple[Note, Note, Note]


def _resolution(f: Findings) -> Telling:
    view, suggested = f.resolution, f.ablation.row("suggested")
    wide_rpm, suggested_rpm = ROOM * view.smallest_deadband_rpm, float(f.suggested.get("deadband_rpm", 0.0))
    number = Note(
        "explanation.resolution.number", move_steps=view.move_steps, move_rpm=view.move_rpm,
        deadband_rpm=2.0 * view.deadband_rpm, ratio=view.ratio, none_percent=100.0 * view.chance,
    )  # fmt: skip
    remedy = Note(
        "explanation.resolution.remedy", move_steps=view.move_steps,
        least_rpm=0.5 * ROOM * view.move_rpm / view.move_steps,
        suggested_rpm=suggested_rpm, wide_rpm=wide_rpm, is_wider=wide_rpm > view.deadband_rpm,
    )  # fmt: skip
    cost = Note(
        "explanation.resolution.cost",
        off_rpm=max(wide_rpm, view.deadband_rpm, suggested_rpm),
        moves=math.nan if suggested is None else suggested.with_scatter_moves_per_min,
        moves_now=f.ablation.as_is.with_scatter_moves_per_min,
    )
    return number, remedy, cost


def _gains(f: Findings) -> Telling:
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


def _valve_speed(f: Findings) -> Telling:
    number = Note(
        "explanation.valve_speed.number", step_ms=f.car.valve.step_ms,
        times_without=f.linear.border_without_valve_time, times=f.linear.here.border_multiplier,
    )  # fmt: skip
    remedy = Note("explanation.valve_speed.remedy", pull_in_ms=f.car.valve.pull_in_ms)
    return number, remedy, Note("explanation.valve_speed.cost")


def _updates(f: Findings) -> Telling:
    row = best_row(f.ablation, "updates")
    quicker = row is None or row.key == "quicker_updates"
    number = Note(
        "explanation.updates.number", update_period_ms=f.car.feedback.update_period_ms, quicker=quicker,
        times_quick=f.linear.border_with_quick_updates, times=f.linear.here.border_multiplier,
    )  # fmt: skip
    remedy = Note("explanation.updates.more_often") if row is None else row.name
    cost = Note("explanation.updates.cost", quicker=quicker)
    return number, remedy, cost


def _limits(f: Findings) -> Telling:
    low, high = f.car.feedback.trim_limit_steps
    number = Note(
        "explanation.limits.number", low=low, high_steps=high,
        share_percent=100.0 * f.ablation.as_is.limited_share,
        need_steps=f.point.needed_steps - f.point.base_steps,
    )  # fmt: skip
    return number, Note("explanation.limits.remedy"), Note("explanation.limits.cost")


def _backlash(f: Findings) -> Telling:
    play = f.car.valve.backlash_steps
    worth = play * f.point.rpm_per_step
    number = Note("explanation.backlash.number", play_steps=play, worth_rpm=worth)
    remedy = Note("explanation.backlash.remedy", wider_rpm=0.5 * worth)
    return number, remedy, Note("explanation.backlash.cost")


def _not_feedback(f: Findings) -> Telling:
    if not f.linear.here.engine_stable:
        number = Note("explanation.not_feedback.runs_off")
    elif not f.car.feedback.acts:
        number = Note("explanation.not_feedback.off")
    elif f.ablation.held_stalled > f.ablation.held_chance:
        number = Note("explanation.not_feedback.stalls", share_percent=100.0 * f.ablation.held_stalled)
    else:
        swings, floor_rpm = 100.0 * f.ablation.held_chance, f.ablation.floor_rpm
        number = Note("explanation.not_feedback.swings", share_percent=swings, floor_rpm=floor_rpm)
    remedy, retards = Note("explanation.not_feedback.remedy"), -f.car.spark.advance_deg_per_100rpm
    if retards > 0.0:
        remedy = Note("explanation.not_feedback.spark", retards_deg_per_100rpm=retards)
    return number, remedy, Note("explanation.not_feedback.cost")


_TOLD: dict[str, Callable[[Findings], Telling]] = {
    "resolution": _resolution, "gains": _gains, "valve_speed": _valve_speed, "updates": _updates,
    "limits": _limits, "backlash": _backlash, "not_feedback": _not_feedback,
}  # fmt: skip


def causes_of(findings: Findings) -> tuple[Cause, ...]:
    """Causes that take part, ranked and told; empty where nothing hunts and feedback is on."""
    f = findings
    first = named_by_theory(f.car, f.linear, f.resolution, f.ablation)
    if first != "not_feedback" and not f.ablation.hunts:
        return ()
    told = []
    for key, row in ranked(f.ablation, first):
        number, remedy, cost = _TOLD[key](f)
        told.append(
            Cause(
                key=key, name=CAUSES[key], named_first=key == first,
                left_share=math.nan if row is None else row.left_share,
                ends_it=row is not None and row.ends_it, number=number, remedy=remedy, cost=cost,
            )
        )  # fmt: skip
    return tuple(told)
