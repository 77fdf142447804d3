"""Whether a fit is to be trusted: what speaks for it and what against, each with its number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tuning.identification.parameters import Floats, Parameters
from tuning.identification.stretches import Stretch
from tuning.log_events import ALIKE, BY_HAND_per_min, SparkFound, idle_rows
from tuning.logs import Log
from tuning.notes import Note, Told

FEWEST_MOVES = 4
LEAST_MOVEMENT = 2.0  # Speed must move by this many times its scatter through the valve's moves [-].
MOST_OVER_FITTED = 1.6  # Error in held-back holds over that in fitted ones, with 4 rpm to spare [-].
LEAST_EXPLAINED = 0.8  # Share of the movement between held-back holds that must be predicted [-].
WIDEST_GAIN = 0.3  # Widest half of the 90 % interval of rpm per step, over its value [-].
MORE_HELD_s, MORE_rpm, MORE_steps = 10.0, 150.0, (3, 8)
"""What is to be held by hand beside logs with feedback on, whose equal moves hide the valve's play and whose
quick answers tell what is slow by the model alone: with it 19 instead of 9 of twenty foreign engines (131 to
169, odd) were within a tenth, and the one narrow interval without it missed [s, rpm, steps]."""
FAR_FROM_BELIEF = 3.5  # A parameter this many of its beliefs' deviations off makes the car file doubtful [-].
GUESSED = ("throttle.leak", "electrics.base_W", "electrics.alternator", "mixture.fuelling", "valve.area_mm2")
"""What an owner can only guess, by its begin: far off, it is remarked and no more."""
LOST_SHIFT_steps = 2.5
LOST_TIMES_SCATTER = 4.0


@dataclass(frozen=True)
class FitCheck(Told):
    """One question about a fit."""

    TOLD = ("name", "passed", "text")

    name: str  # what is asked
    passed: bool  # whether the answer lets the fit be trusted
    note: Note  # the answer, with numbers

    def _told(self) -> dict[str, Any]:
        return {"text": self.note}


@dataclass(frozen=True)
class HeldBack(Told):
    """Prediction of one stretch of holding still that the fit had not seen."""

    from_s: float  # in its log's time
    to_s: float
    log: int  # which log
    measured_rpm: float  # means over its later half
    predicted_rpm: float
    rms_rpm: float  # root mean square of the difference over all of it


def held_back_holds(stretches: Sequence[Stretch], modelled: Sequence[Floats]) -> list[HeldBack]:
    """Compare prediction and record in each hold kept back."""
    found = []
    for one, model in zip(stretches, modelled, strict=True):
        for hold in np.unique(one.hold[one.held_back & one.used]):
            at = np.flatnonzero((one.hold == hold) & one.used)
            if at.size < 5:
                continue
            late = at[at.size // 2 :]
            ends = float(one.time_s[at[0]]), float(one.time_s[at[-1]])
            means = float(np.mean(one.measured[late, 0])), float(np.mean(model[late, 0]))
            missed = model[at, 0] - one.measured[at, 0]
            found.append(HeldBack(*ends, one.log, *means, float(np.sqrt(np.mean(missed**2)))))
    return found


def excitation_check(logs: Sequence[Log], modelled: Sequence[Floats], rms_rpm: float) -> FitCheck:
    """Ask whether the valve was moved enough to learn from."""
    moves = sum(int(np.count_nonzero(np.diff(log.valve_steps))) for log in logs
                if log.valve_steps is not None)  # fmt: skip
    moved = float(np.std(np.concatenate([one[:, 0] for one in modelled])))
    enough = moves >= FEWEST_MOVES and moved >= LEAST_MOVEMENT * 0.5 * rms_rpm
    told = {"moves": moves, "moved_rpm": moved, "scatter_rpm": rms_rpm}
    if not enough:
        note = Note("identification.moved_too_little", **told, fewest=FEWEST_MOVES,
                    times=0.5 * LEAST_MOVEMENT)  # fmt: skip
        return FitCheck("excitation", False, note)
    return FitCheck("excitation", True, Note("identification.moved", **told))


def prediction_check(held: Sequence[HeldBack], fitted_rms_rpm: float, fed_back: Sequence[bool]) -> FitCheck:
    """Ask whether holds that the fit had not seen are predicted.

    Whether their levels are is not asked of one alone, nor with feedback on, as scatter then moves the valve.
    """
    if len(held) < 2:
        return FitCheck("prediction", False, Note("identification.too_few_holds"))
    rms = float(np.sqrt(np.mean([one.rms_rpm**2 for one in held])))
    levels = [(one.measured_rpm, one.predicted_rpm) for one in held if not fed_back[one.log]]
    measured, predicted = np.array(levels if len(levels) > 1 else [(0.0, 0.0)]).T
    missed = measured - predicted
    explained = 1.0 - float(np.mean(missed**2)) / max(float(np.var(measured)), 1.0e-9)
    levels_rpm = float(np.sqrt(np.mean(missed**2)))
    small = levels_rpm <= max(0.5 * fitted_rms_rpm, 6.0)
    passed = rms <= MOST_OVER_FITTED * fitted_rms_rpm + 4.0 and (explained >= LEAST_EXPLAINED or small)
    told = {"holds": len(held), "rms_rpm": rms, "fitted_rpm": fitted_rms_rpm, "levels_rpm": levels_rpm}
    return FitCheck("prediction", passed, Note("identification.holds_predicted", **told))


def belief_check(parameters: Parameters, departures: Floats) -> FitCheck:
    """Ask whether the car file had to be bent beyond belief."""
    far: list[Note] = []
    guessed: list[Note] = []
    for at, one in enumerate(parameters.each):
        if one.table and abs(departures[at]) > FAR_FROM_BELIEF * parameters.prior_sd[at]:
            which = guessed if one.name.startswith(GUESSED) else far
            if one.unit:
                which.append(Note("identification.added", name=one.name, unit=one.unit,
                                  added=float(departures[at])))  # fmt: skip
            else:
                factor = float(np.exp(departures[at]))
                which.append(Note("identification.factor", name=one.name, factor=factor))
    if far:
        return FitCheck("belief", False, Note("identification.beyond_belief", numbers=tuple(far)))
    if guessed:
        return FitCheck("belief", True, Note("identification.guesses_off", numbers=tuple(guessed)))
    return FitCheck("belief", True, Note("identification.believed"))


def gain_check(
    value: float, between: tuple[float, float], fed_back: bool, base_steps: float, limit_steps: float
) -> FitCheck:
    """Ask whether what a step is worth is known well enough; say what more to record beside feedback."""
    share = 0.5 * (between[1] - between[0]) / max(abs(value), 1.0e-9)
    passed = value > 0.0 and share <= WIDEST_GAIN
    told = {"worth_rpm": value, "low_rpm": between[0], "high_rpm": between[1]}
    if not fed_back:
        known, unknown = Note("identification.worth", **told), Note("identification.worth_unknown", **told)
        return FitCheck("worth of a step", passed, known if passed else unknown)
    opened = base_steps + np.clip(round(MORE_rpm / max(value, 1.0)), *MORE_steps)
    told |= {"base_steps": round(base_steps), "open_steps": round(min(opened, limit_steps))}
    return FitCheck("worth of a step", False, Note("identification.hold_more", **told, held_s=MORE_HELD_s))


def direction_check(logs: Sequence[Log], stretches: Sequence[Stretch], fed_back: Sequence[bool]) -> FitCheck:
    """Ask whether speed rises when more steps are commanded; feedback commands them because it fell."""
    steps, speed = [], []
    for one in stretches:
        commanded = logs[one.log].valve_steps
        if commanded is None or fed_back[one.log]:
            continue
        averaged = one.averaged(commanded[one.rows])
        for hold in np.unique(one.hold[one.used]):
            at = np.flatnonzero((one.hold == hold) & one.used)
            steps.append(float(np.mean(averaged[at[at.size // 2 :]])))
            speed.append(float(np.mean(one.measured[at[at.size // 2 :], 0])))
    if len(steps) < 3 or np.ptp(steps) == 0.0 or np.ptp(speed) == 0.0:
        fed, still = Note("identification.fed_back"), Note("identification.stood_still")
        return FitCheck("direction", True, fed if all(fed_back) else still)
    right = float(np.corrcoef(steps, speed)[0, 1]) >= -0.5
    told = Note("identification.right_way") if right else Note("identification.wrong_way")
    return FitCheck("direction", right, told)


def lost_position_check(
    stretches: Sequence[Stretch], modelled: Sequence[Floats], rms_rpm: float, rpm_per_step: float
) -> FitCheck:
    """Ask whether the level of speed shifts for good: a lost position, or a load not recorded.

    Source: largest difference of means before and after any hold (our limits).
    """
    worst, at_s = 0.0, 0.0
    for one, model in zip(stretches, modelled, strict=True):
        left = np.where(one.used, one.measured[:, 0] - model[:, 0], np.nan)
        levels = [
            (float(one.time_s[one.hold == hold][0]), float(np.nanmean(left[one.hold == hold])))
            for hold in np.unique(one.hold[one.used])
        ]
        for cut in range(3, len(levels) - 2):
            before = np.median([level for _, level in levels[:cut]])
            after = np.median([level for _, level in levels[cut:]])
            if abs(after - before) > abs(worst):
                worst, at_s = float(after - before), levels[cut][0]
    limit = max(LOST_SHIFT_steps * max(rpm_per_step, 0.0), LOST_TIMES_SCATTER * rms_rpm / np.sqrt(12.0))
    if abs(worst) > limit:
        steps = worst / max(rpm_per_step, 1.0e-9)
        note = Note("identification.position_lost", at_s=at_s, off_rpm=worst, off_steps=steps)
        return FitCheck("position", False, note)
    return FitCheck("position", True, Note("identification.position_kept"))


WARM_degC = 70.0
FEWEST_EQUAL, OFTEN_per_s, MOST_BY_HAND_per_s = 8, 0.15, 0.5
"""A recording plan squeezed into a minute moves the valve 20 times by unequal steps; no hand does oftener
than every two seconds. Fewer moves than the first are anybody's (our limits) [-, 1/s, 1/s]."""
LIKENESS, SELDOM_LIKENESS, AHEAD_s = 0.35, 0.8, 0.4
"""Likeness of equal moves, also of few, and the error at which feedback is suspected [-, -, s]: the error as
it would be so far ahead if it went on as it did, which a gain answers to, or its mean since the last move."""


def moves_follow_speed(log: Log) -> bool:
    """Whether moves of the valve are too many for a hand, or equal and open below and close above the target.

    Source: likeness (Pearson) of error and direction of move (our limits).
    """
    steps = np.zeros(log.rpm.size) if log.valve_steps is None else log.valve_steps
    rows = np.flatnonzero((np.diff(steps) != 0.0) & idle_rows(log)[:-1])
    often_per_s = rows.size / max(float(np.ptp(log.time_s)), 1.0)
    if rows.size < FEWEST_EQUAL or often_per_s > MOST_BY_HAND_per_s:
        return rows.size >= FEWEST_EQUAL
    moves = np.diff(steps)[rows]
    if _unequal(moves) or np.std(moves) == 0.0:
        return False
    now, then = (np.interp(log.time_s[rows] - s, log.time_s, log.rpm) for s in (0.1, 0.1 + AHEAD_s))
    since = np.add.reduceat(log.rpm, np.append(0, rows))[:-1] / np.diff(rows, prepend=0).clip(1)
    alike = [np.corrcoef(-speed, moves)[0, 1] for speed in (2.0 * now - then, since) if np.std(speed) > 0.0]
    return bool(max(alike, default=0.0) > (LIKENESS if often_per_s >= OFTEN_per_s else SELDOM_LIKENESS))


def _unequal(moves: Floats) -> bool:
    return bool(np.std(np.abs(moves)) > ALIKE * np.mean(np.abs(moves)))


def moved_by_hand(log: Log) -> bool:
    """Whether the valve moves seldom and by unequal steps, as a hand moves it and no feedback that hunts."""
    moves = np.diff(np.zeros(1) if log.valve_steps is None else log.valve_steps)
    moves = moves[moves != 0.0]
    seldom = 0 < 60.0 * moves.size <= BY_HAND_per_min * float(np.ptp(log.time_s))
    return seldom and _unequal(moves)


def notes_on(logs: Sequence[Log], spark: SparkFound | None, loads_W: NDArray[np.float64]) -> list[Note]:
    """Remark on what the logs are like."""
    notes = []
    for log in logs:
        if log.map_kPa is None:
            notes.append(Note("identification.no_pressure", file=log.file))
        if log.coolant_degC is not None and float(np.median(log.coolant_degC)) < WARM_degC:
            coolant = float(np.median(log.coolant_degC))
            notes.append(Note("identification.cold", file=log.file, coolant_degC=coolant))
        if moves_follow_speed(log):
            notes.append(Note("identification.feedback_on", file=log.file))
    if len(loads_W):
        sizes = tuple(Note("identification.load", size_W=float(watts)) for watts in loads_W)
        notes.append(Note("identification.loads_found", loads=sizes))
    if spark is not None and spark.follows_speed:
        slope = spark.advance_deg_per_100rpm
        steadies = Note("identification.spark_steadies", slope_deg_per_100rpm=slope)
        unsteadies = Note("identification.spark_unsteadies", slope_deg_per_100rpm=slope)
        notes.append(unsteadies if slope < 0.0 else steadies)
    elif spark is not None and spark.spread_deg > 1.0:
        notes.append(Note("identification.spark_varies", spread_deg=spark.spread_deg))
    return notes
