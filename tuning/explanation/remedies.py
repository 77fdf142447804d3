"""Each cause in words: its number, the change that removes it, and what that will cost."""

from __future__ import annotations

import math
from collections.abc import Callable

from tuning.explanation.causes import CAUSES, Cause, best_row, named_by_theory, ranked
from tuning.explanation.findings import Findings


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
        cost += f"; valve moves a minute as suggested below: {new.with_scatter_moves_per_min:.0f}"
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
        number = "with the valve held still the engine does not hold this speed but runs off"
    elif f.car.feedback.law == "none":
        number = "feedback is off, so the valve stands still"
    elif f.table.held_stalled > f.table.held_chance:
        held = 100.0 * f.table.held_stalled
        number = f"with the valve held {held:.0f} of 100 runs stall"
    else:
        held = 100.0 * f.table.held_chance
        number = f"with the valve held {held:.0f} of 100 runs swing regularly,"
        number += f" by {f.table.floor_rpm:.0f} rpm"
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

    Gives empty where nothing hunts and feedback is on.
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
