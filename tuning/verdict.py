"""The verdict: causes with their numbers, remedies and costs, and all of it in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sim import Car
from tuning.explain_ablation import Ablation
from tuning.explain_bound import BoundRow, deepest
from tuning.explain_causes import CAUSES, Cause, best_row, named_by_theory, ranked
from tuning.explain_cycle import CycleView
from tuning.explain_linear import LinearView
from tuning.explain_point import IdlePoint
from tuning.explain_resolution import ResolutionView

TICKS_per_min = 12.0
"""Moves a minute from which a valve that does not hunt is said never to rest [1/min]."""
RESTING_SCATTERS = 3.5
"""A deadband below this many standard deviations of scatter makes it tick [-]."""
BASE_OFF_steps = 3.0
"""A base curve this far from the need is told [steps]."""
RETARD_WORSE = 1.25
"""A spark table that makes a step worth more by this factor is told [-]."""


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything a verdict is drawn from.

    Attributes
    ----------
    car : Car
        The car.
    point : IdlePoint
        Its warm idle.
    linear : LinearView
        Margins.
    resolution : ResolutionView
        Steps against deadband.
    cycle : CycleView
        Predicted and simulated cycle.
    table : Ablation
        With and without.
    bound : tuple of BoundRow
        Unbeatable dips, may be empty.
    suggested : dict
        Suggested settings, may be empty.
    """

    car: Car
    point: IdlePoint
    linear: LinearView
    resolution: ResolutionView
    cycle: CycleView
    table: Ablation
    bound: tuple[BoundRow, ...]
    suggested: dict[str, Any]


def _resolution(f: Findings) -> tuple[str, str, str]:
    view = f.resolution
    wide = view.smallest_deadband_rpm * 1.1
    steps = "1 step" if view.move_steps == 1 else f"{view.move_steps} steps"
    number = (
        f"one move of {steps} is worth {view.move_rpm:.0f} rpm, the deadband is"
        f" {2.0 * view.deadband_rpm:.0f} rpm wide (r = {view.ratio:.2f}); "
    )
    if view.chance > 0.0:
        number += f"from {100.0 * view.chance:.0f} of 100 places no position satisfies it"
    else:
        number += "a position to rest exists, but moves this coarse keep a cycle up beside it"
    own = 0.55 * view.move_rpm / view.move_steps
    finer = "a valve of smaller steps"
    if view.move_steps > 1:
        finer = f"minimum move 1 with at least {own:.0f} rpm of deadband either side"
        finer += _so_that_it_rests(f, own)
    wider = f", or a deadband of at least {wide:.0f} rpm either side"
    remedy = finer + (wider if wide > view.deadband_rpm else ", or lower gains")
    cost = f"idle may stand {max(wide, view.deadband_rpm):.0f} rpm off target"
    new = f.table.row("suggested")
    if new is not None:
        cost += f"; {new.with_scatter_moves_per_min:.0f} moves a minute as suggested below"
        cost += f", now {f.table.as_is.with_scatter_moves_per_min:.0f}"
    return number, remedy, cost


def _so_that_it_rests(f: Findings, least_rpm: float) -> str:
    """What the deadband should be for scatter to move the valve seldom."""
    wanted = float(f.suggested.get("deadband_rpm", 0.0))
    return f" ({wanted:.0f} so that scatter seldom moves it)" if wanted > least_rpm else ""


def _gains(f: Findings) -> tuple[str, str, str]:
    here, feedback = f.linear.here, f.car.feedback
    times = here.border_multiplier
    if times < 1.0:
        number = f"without any steps it would swing by itself: gains are {1.0 / times:.1f} times"
        number += f" those at the border, where it swings every {here.border_period_s:.1f} s"
    else:
        number = f"gains are only {times:.2f} times below those at which it swings by itself"
    if feedback.law == "nudge":
        slower = feedback.update_period_ms / (0.35 * times)
        return number, f"a nudge every {slower:.0f} ms or more", "a load is corrected more slowly"
    share = min(1.0, 0.35 * times)
    gain = feedback.gain_steps_per_100rpm * share
    integral = feedback.integral_steps_per_100rpm_s * share
    remedy = f"gain {gain:.1f} steps per 100 rpm and integral {integral:.1f} per second"
    return number, remedy, _slower(f, integral)


def _slower(f: Findings, integral: float) -> str:
    worth = f.point.rpm_per_step
    now = f.car.feedback.integral_steps_per_100rpm_s
    if integral <= 0.0 or now <= 0.0:
        return "a load is corrected more slowly"
    return (
        f"the integral alone then takes {100.0 / (integral * worth):.1f} s to correct most of an"
        f" error, now {100.0 / (now * worth):.1f} s"
    )


def _valve_speed(f: Findings) -> tuple[str, str, str]:
    step_ms = f.car.valve.pulse_ms + f.car.valve.rest_ms
    number = (
        f"a step takes {step_ms:.0f} ms; with a valve that takes no time the border would be"
        f" {f.linear.border_without_valve_time:.1f} times the gains, with it"
        f" {f.linear.here.border_multiplier:.2f} times"
    )
    pull_in = f.car.valve.pull_in_ms
    remedy = f"a shorter pulse and rest (not below {pull_in:g} ms of pulse), or lower gains"
    return number, remedy, "steps may be lost when the battery is low if the pulse is too short"


def _updates(f: Findings) -> tuple[str, str, str]:
    period, row = f.car.feedback.update_period_ms, best_row(f.table, "updates")
    quicker = row is None or row.key == "quicker_updates"
    way = "too slow" if quicker else "too quick for the engine to answer between them"
    number = f"updates every {period:.0f} ms are {way}"
    if quicker:
        number += f"; at once, the border would be {f.linear.border_with_quick_updates:.1f} times"
        number += f" the gains instead of {f.linear.here.border_multiplier:.2f}"
    remedy = "updates " + (row.name.removeprefix("updates ") if row else "more often")
    return number, remedy, "more moves of the valve" if quicker else "loads are noticed later"


def _limits(f: Findings) -> tuple[str, str, str]:
    low, high = f.car.feedback.trim_limit_steps
    share = 100.0 * f.table.as_is.limited_share
    number = f"the trim stands at a limit ({low:g} or {high:g} steps) {share:.0f} % of the time"
    number += f"; the need is {f.point.needed_steps - f.point.base_steps:+.1f} steps from the base"
    remedy = "mend the base curve first, then widen the trim limits"
    return number, remedy, "wider limits let a fault of rpm reading race or stall the engine"


def _backlash(f: Findings) -> tuple[str, str, str]:
    play = f.car.valve.backlash_steps
    worth = play * f.point.rpm_per_step
    number = f"{play:g} steps of play, worth {worth:.0f} rpm at each reversal"
    remedy = f"a deadband wider by {0.5 * worth:.0f} rpm either side, or a tighter thread"
    return number, remedy, "idle stands further off target"


def _not_feedback(f: Findings) -> tuple[str, str, str]:
    if not f.linear.here.engine_stable:
        number = "the engine does not hold its speed with the valve held still"
    elif f.car.feedback.law == "none":
        number = "feedback is off: whatever swings, it is not the valve's feedback"
    else:
        number = (
            f"with the valve held {100.0 * f.table.held_chance:.0f} of 100 runs swing regularly"
        )
    remedy = "look at spark and fuel tables that swing with rpm, a vacuum leak, a misfire"
    if f.car.spark.advance_deg_per_100rpm < 0.0:
        remedy = "a spark table that advances, or does not change, when rpm falls; now it retards"
        remedy += f" {-f.car.spark.advance_deg_per_100rpm:g} deg per 100 rpm"
    return number, remedy, "none to the feedback: leave its settings alone until this is mended"


_TOLD: dict[str, Callable[[Findings], tuple[str, str, str]]] = {
    "resolution": _resolution,
    "gains": _gains,
    "valve_speed": _valve_speed,
    "updates": _updates,
    "limits": _limits,
    "backlash": _backlash,
    "not_feedback": _not_feedback,
}


def causes_of(findings: Findings) -> tuple[Cause, ...]:
    """Causes that take part, ranked, each with its number, remedy and cost.

    Parameters
    ----------
    findings : Findings
        What was found.

    Returns
    -------
    tuple of Cause
        Empty where nothing hunts and feedback is on.
    """
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


def _headline(f: Findings, causes: tuple[Cause, ...]) -> str:
    row = f.table.as_is
    if causes and causes[0].key == "not_feedback":
        return f"If it swings, it is not the idle feedback: {causes[0].number}."
    if not f.table.hunts:
        rests = 100.0 * (1.0 - row.chance)
        if row.chance > 0.0:
            return f"It hardly hunts: from {rests:.0f} of 100 places the valve comes to rest."
        return "It does not hunt: from every place the valve comes to rest."
    cause = f" First cause: {causes[0].name}." if causes else " No single cause was found."
    if row.chance < 0.05:
        swing = row.with_scatter_swing_rpm
        return (
            f"It hunts when scatter stirs it: {swing:.0f} rpm peak to peak, {f.table.floor_rpm:.0f}"
            f" with the valve held.{cause}"
        )
    every = "" if math.isnan(row.period_s) else f" every {row.period_s:.1f} s"
    return (
        f"It hunts from {100.0 * row.chance:.0f} of 100 places it may start in:"
        f" {row.hunting_swing_rpm:.0f} rpm peak to peak{every}.{cause}"
    )


def _proof(cause: Cause) -> str:
    left = f"{100.0 * cause.left_share:.0f} % of the swing is left"
    ended = "it ends" if cause.ends_it else left
    return f"{cause.name.capitalize()}: {cause.number}. Switched off in simulation, {ended}."


def _theory(f: Findings) -> list[str]:
    cycle, told = f.cycle, []
    if not f.table.hunts or not f.linear.here.engine_stable:
        return []
    if cycle.predicted is not None and cycle.seen is not None:
        told.append(
            f"Theory predicts this cycle: {cycle.predicted.peak_to_peak_rpm:.0f} rpm every"
            f" {cycle.predicted.period_s:.1f} s; simulated {cycle.seen.swing_rpm:.0f} rpm every"
            f" {cycle.seen.period_s:.1f} s."
        )
    if cycle.phases_with_two_ends > 0.0:
        share = 100.0 * cycle.phases_with_two_ends
        told.append(
            f"Rest and hunting exist side by side in {share:.0f} of 100 cases: which one comes"
            " depends on the speed it starts from."
        )
    return told


def _notes(f: Findings) -> list[str]:
    row, view, told = f.table.as_is, f.resolution, []
    ticks = row.with_scatter_moves_per_min
    if f.car.feedback.law != "none" and not f.table.hunts and ticks > TICKS_per_min:
        told.append(
            f"Yet the valve never rests: {ticks:.0f} moves a minute, because the deadband is only"
            f" {view.deadband_in_scatters:.1f} standard deviations of the speed's scatter"
            f" ({view.scatter_rpm:.0f} rpm); below {RESTING_SCATTERS:g} it ticks."
        )
        told += _quieter(f)
    off = f.point.needed_steps - f.point.base_steps
    if abs(off) > BASE_OFF_steps:
        told.append(f"The base curve is {-off:+.1f} steps off what the warm idle needs.")
    if f.car.spark.advance_deg_per_100rpm < 0.0 and f.linear.here.engine_stable:
        told.append(
            "The spark table retards when rpm falls, which makes every step worth more rpm"
            f" ({f.linear.here.rpm_per_step:.0f}) and the engine easier to swing."
        )
    worst = deepest(f.bound)
    if worst is not None:
        told.append(_dip(worst))
    return told


def _quieter(f: Findings) -> list[str]:
    """Settings by rule with which a valve that ticks would tick less."""
    row = f.table.row("suggested")
    if row is None or row.with_scatter_moves_per_min >= f.table.as_is.with_scatter_moves_per_min:
        return []
    told = f"With deadband {f.suggested['deadband_rpm']:g} rpm, minimum move"
    told += f" {f.suggested['min_move_steps']} and gains by rule it would move"
    return [f"{told} {row.with_scatter_moves_per_min:.0f} times a minute."]


def _dip(row: BoundRow) -> str:
    own = "stalls it" if row.stalls else f"dips {row.own_rpm:.0f} rpm"
    return (
        f"Load: {row.name} {own}; opening the valve at full speed with the load would dip"
        f" {row.bound_rpm:.0f} rpm, so {row.left_to_gain_rpm:.0f} rpm are left to gain, by"
        f" feed-forward ({row.forward_steps} steps: {row.forward_rpm:.0f} rpm) or fast spark"
        f" ({row.spark_rpm:.0f} rpm)."
    )


def _suggestion(f: Findings) -> list[str]:
    row = f.table.row("suggested")
    if row is None or not f.table.hunts:
        return []
    s = f.suggested
    return [
        (
            f"Settings that should rest: gain {s['gain_steps_per_100rpm']:g}, integral"
            f" {s['integral_steps_per_100rpm_s']:g}, deadband {s['deadband_rpm']:g} rpm,"
            f" minimum move {s['min_move_steps']}: simulated, {100.0 * row.chance:.0f} of 100"
            " places hunt. They are by rule; a search finds better ones."
        )
    ]


def sentences(findings: Findings, causes: tuple[Cause, ...]) -> tuple[str, ...]:
    """The verdict in plain sentences.

    Parameters
    ----------
    findings : Findings
        What was found.
    causes : tuple of Cause
        Of ``causes_of``.

    Returns
    -------
    tuple of str
        The headline first.
    """
    told = [_headline(findings, causes)]
    for cause in causes:
        if cause.key != "not_feedback":
            told.append(_proof(cause))
        told.append(f"Remedy: {cause.remedy}. Cost: {cause.cost}.")
    first = named_by_theory(findings.car, findings.linear, findings.resolution, findings.table)
    if causes and causes[0].key != first:
        told.append(f"Theory alone would have named {CAUSES[first]} first; the switch-off decides.")
    told += _theory(findings) + _suggestion(findings) + _notes(findings)
    return tuple(told)
