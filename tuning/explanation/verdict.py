"""The verdict: what was found, as notes, the headline first."""

from __future__ import annotations

import math

from tuning.explanation.bound import BoundRow
from tuning.explanation.causes import AT_LIMIT_SHARE, CAUSES, Cause, Findings, named_by_theory
from tuning.explanation.cycle import SeenCycle
from tuning.loop import Cycle
from tuning.notes import Note

TICKS_per_min = 12.0  # Moves a minute from which a valve that does not hunt is said never to rest [1/min].
RESTING_SCATTERS = 3.5  # A deadband below this many standard deviations of scatter makes it tick [-].
BASE_OFF_steps = 3.0  # A base curve this far from the need is told [steps].
ALIKE = 1.25  # A predicted cycle whose swing and period are within this factor is the one seen [-].
SELDOM_STALLS = 0.01  # From this share of runs stalls are told [-].
MOST_RACE = 0.5  # An engine that races from this share of places is told to race before all else [-].
MOST_STALLS = 0.5  # An engine that stalls from this share of places has no dips to speak of [-].


def _headline(f: Findings, causes: tuple[Cause, ...]) -> Note:
    row = f.ablation.as_is
    if row.racing_share >= MOST_RACE:
        return Note(
            "explanation.headline.races", racing=round(row.racing_share * row.runs), runs=row.runs,
            off_rpm=row.error_rpm, base_steps=f.point.base_steps, travel_steps=f.car.valve.travel_steps,
        )  # fmt: skip
    if causes and causes[0].key == "not_feedback":
        return Note("explanation.headline.not_feedback", number=causes[0].number)
    chance = f.ablation.chance.text
    quiet = quiet_note(row.chance, row.runs, row.hunting_swing_rpm, row.period_s)
    if not f.ablation.hunts:
        return Note("explanation.headline.chance", chance=chance, quiet=quiet)
    cause = Note("explanation.headline.no_cause")
    if causes:
        cause = Note("explanation.headline.first_cause", cause=causes[0].name)
    return Note(
        "explanation.headline.hunts", chance=chance, swing_rpm=row.with_scatter_swing_rpm,
        floor_rpm=f.ablation.floor_rpm, quiet=quiet, cause=cause,
    )  # fmt: skip


def quiet_note(chance: float, runs: int, swing_rpm: float, period_s: float) -> Note:
    """What it does with scatter taken out, as the explanation of what it does with it."""
    if chance == 0.0:
        return Note("explanation.quiet.rests")
    told = {"hunting": round(chance * runs), "runs": runs, "swing_rpm": swing_rpm, "period_s": period_s}
    return Note("explanation.quiet.hunts", **told)


def _theory(f: Findings) -> list[Note]:
    cycle = f.cycle
    if not f.ablation.hunts or not f.linear.here.engine_stable:
        return []
    told = []
    if cycle.predicted is not None and cycle.seen is not None:
        told.append(_compared(cycle.predicted, cycle.seen))
    if cycle.phases_with_two_ends > 0.0:
        told.append(Note("explanation.two_ends", share_percent=100.0 * cycle.phases_with_two_ends))
    return told


def _compared(predicted: Cycle, seen: SeenCycle) -> Note:
    """Whether the cycle that theory tells is the simulated one."""
    off = max(
        abs(math.log(predicted.period_s / seen.period_s)),
        abs(math.log(predicted.peak_to_peak_rpm / seen.swing_rpm)),
    )
    return Note(
        "explanation.theory", alike=off <= math.log(ALIKE), swing_rpm=predicted.peak_to_peak_rpm,
        period_s=predicted.period_s, seen_swing_rpm=seen.swing_rpm, seen_period_s=seen.period_s,
    )  # fmt: skip


def _at_a_limit(f: Findings) -> list[Note]:
    share = f.ablation.as_is.limited_share
    if f.ablation.hunts or not f.car.feedback.acts or share <= AT_LIMIT_SHARE:
        return []
    low, high = f.car.feedback.trim_limit_steps
    return [
        Note(
            "explanation.at_limit",
            low=low,
            high_steps=high,
            share_percent=100.0 * share,
            error_rpm=f.ablation.as_is.error_rpm,
        )
    ]


def _notes(f: Findings) -> list[Note]:
    row, told = f.ablation.as_is, _at_a_limit(f)
    if f.car.feedback.acts and not f.ablation.hunts and row.with_scatter_moves_per_min > TICKS_per_min:
        told += _ticks(f)
    off = f.point.needed_steps - f.point.base_steps
    if abs(off) > BASE_OFF_steps:
        told.append(Note("explanation.base_off", off_steps=-off))
    if f.car.spark.advance_deg_per_100rpm < 0.0 and f.linear.here.engine_stable:
        told.append(Note("explanation.retards", worth_rpm=f.linear.here.rpm_per_step))
    worst = max(f.bound, key=lambda row: row.own_rpm, default=None)
    if worst is not None and row.stalled_share < MOST_STALLS:
        told.append(_dip(worst))
    return told


def _ticks(f: Findings) -> list[Note]:
    """That the valve ticks, and settings by rule with which it would tick less."""
    ticks, row = f.ablation.as_is.with_scatter_moves_per_min, f.ablation.row("suggested")
    told = [
        Note(
            "explanation.ticks",
            moves=ticks,
            scatters=f.resolution.deadband_in_scatters,
            scatter_rpm=f.resolution.scatter_rpm,
            below=RESTING_SCATTERS,
        )
    ]
    if row is not None and row.with_scatter_moves_per_min < ticks:
        told.append(
            Note(
                "explanation.quieter",
                deadband_rpm=f.suggested["deadband_rpm"],
                min_move=f.suggested["min_move_steps"],
                moves=row.with_scatter_moves_per_min,
            )
        )
    return told


def _dip(row: BoundRow) -> Note:
    return Note(
        "explanation.dip", load=row.name, stalls=row.stalls, own_rpm=row.own_rpm, bound_rpm=row.bound_rpm,
        left_rpm=row.left_to_gain_rpm, forward_steps=row.forward_steps, forward_rpm=row.forward_rpm,
        spark_rpm=row.spark_rpm,
    )  # fmt: skip


def _suggestion(f: Findings) -> list[Note]:
    row = f.ablation.row("suggested")
    if row is None or not f.ablation.hunts:
        return []
    s = f.suggested
    return [
        Note(
            "explanation.suggestion", law=s["law"], gain=s["gain_steps_per_100rpm"],
            integral=s["integral_steps_per_100rpm_s"], deadband_rpm=s["deadband_rpm"],
            min_move=s["min_move_steps"], hunting=round(row.chance * row.runs), runs=row.runs,
        )
    ]  # fmt: skip


def verdict(findings: Findings, causes: tuple[Cause, ...]) -> tuple[Note, ...]:
    """What was found, the headline first."""
    told, stalls = [_headline(findings, causes)], findings.ablation.as_is.stalled_share
    if stalls >= SELDOM_STALLS:
        told.append(Note("explanation.stalls", share_percent=100.0 * stalls))
    for cause in causes:
        if cause.key != "not_feedback":
            left = 100.0 * cause.left_share
            told.append(Note("explanation.proof", cause=cause.name, number=cause.number, left_percent=left))
        told.append(Note("explanation.remedy", remedy=cause.remedy, cost=cause.cost))
    first = named_by_theory(findings.car, findings.linear, findings.resolution, findings.ablation)
    if causes and causes[0].key != first:
        told.append(Note("explanation.theory_alone", cause=CAUSES[first]))
    told += _theory(findings) + _suggestion(findings) + _notes(findings)
    return tuple(told)
