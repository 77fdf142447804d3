"""The verdict: what was found, in plain sentences, the headline first."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tuning.explanation.bound import BoundRow, deepest
from tuning.explanation.causes import AT_LIMIT_SHARE, CAUSES, Cause, named_by_theory
from tuning.explanation.cycle import SeenCycle
from tuning.explanation.findings import Findings
from tuning.loop import Cycle

TICKS_per_min = 12.0
"""Moves a minute from which a valve that does not hunt is said never to rest [1/min]."""
RESTING_SCATTERS = 3.5
"""A deadband below this many standard deviations of scatter makes it tick [-]."""
BASE_OFF_steps = 3.0
"""A base curve this far from the need is told [steps]."""
NOTHING_LEFT = 0.02
"""A swing is said to end when less than this share of it is left [-]."""
ALIKE = 1.25
"""A predicted cycle whose swing and period are within this factor is the one seen [-]."""
SELDOM_STALLS = 0.01
"""From this share of runs stalls are told [-]."""
MOST_STALLS = 0.5
"""An engine that stalls from this share of places has no dips to speak of [-]."""


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
    ended = "it ends" if cause.left_share < NOTHING_LEFT else left
    return f"{cause.name.capitalize()}: {cause.number}. Switched off in simulation, {ended}."


def _theory(f: Findings) -> list[str]:
    cycle = f.cycle
    if not f.table.hunts or not f.linear.here.engine_stable:
        return []
    told = []
    if cycle.predicted is not None and cycle.seen is not None:
        told.append(_compared((cycle.predicted, *cycle.all_predicted), cycle.seen))
    if cycle.phases_with_two_ends > 0.0:
        share = 100.0 * cycle.phases_with_two_ends
        told.append(
            f"Rest and hunting exist side by side in {share:.0f} of 100 cases: which one comes"
            " depends on the speed it starts from."
        )
    return told


def _compared(predicted: Sequence[Cycle], seen: SeenCycle) -> str:
    """The predicted cycle nearest to the simulated one, and whether it is that one."""
    seen_s, seen_rpm = seen.period_s, seen.swing_rpm
    near = min(predicted, key=lambda one: abs(math.log(one.period_s / seen_s)))
    both = (
        f"{near.peak_to_peak_rpm:.0f} rpm every {near.period_s:.1f} s; simulated"
        f" {seen_rpm:.0f} rpm every {seen_s:.1f} s"
    )
    off = max(
        abs(math.log(near.period_s / seen_s)), abs(math.log(near.peak_to_peak_rpm / seen_rpm))
    )
    if off <= math.log(ALIKE):
        return f"Theory predicts this cycle: {both}."
    return f"Theory's own cycle is another one and does not describe it: {both}."


def _stalls(f: Findings) -> list[str]:
    share = f.table.as_is.stalled_share
    if share < SELDOM_STALLS:
        return []
    return [f"From {100.0 * share:.0f} of 100 places it stalls."]


def _at_a_limit(f: Findings) -> list[str]:
    share = f.table.as_is.limited_share
    if f.table.hunts or f.car.feedback.law == "none" or share <= AT_LIMIT_SHARE:
        return []
    low, high = f.car.feedback.trim_limit_steps
    return [
        (
            f"Yet the trim stands at a limit ({low:g} or {high:g} steps) {100.0 * share:.0f} % of"
            f" the time, and the idle {f.table.as_is.error_rpm:.0f} rpm off target: mend the base"
            " curve first, then widen the limits."
        )
    ]


def _notes(f: Findings) -> list[str]:
    row, view, told = f.table.as_is, f.resolution, _at_a_limit(f)
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
    if worst is not None and row.stalled_share < MOST_STALLS:
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
            f"Settings that should rest: law {s['law']}, gain {s['gain_steps_per_100rpm']:g},"
            f" integral {s['integral_steps_per_100rpm_s']:g}, deadband {s['deadband_rpm']:g} rpm,"
            f" minimum move {s['min_move_steps']}: simulated, {100.0 * row.chance:.0f} of 100"
            " places hunt. They are by rule; a search finds better ones."
        )
    ]


def sentences(findings: Findings, causes: tuple[Cause, ...]) -> tuple[str, ...]:
    """The verdict in plain sentences.

    Gives the headline first.
    """
    told = [_headline(findings, causes), *_stalls(findings)]
    for cause in causes:
        if cause.key != "not_feedback":
            told.append(_proof(cause))
        told.append(f"Remedy: {cause.remedy}. Cost: {cause.cost}.")
    first = named_by_theory(findings.car, findings.linear, findings.resolution, findings.table)
    if causes and causes[0].key != first:
        told.append(f"Theory alone would have named {CAUSES[first]} first; the switch-off decides.")
    told += _theory(findings) + _suggestion(findings) + _notes(findings)
    return tuple(told)
