"""Whether a fit is to be trusted: what speaks for it and what against, each with its number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at
from sim import Car
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


def prediction_check(held: Sequence[HeldBack], fitted_rms_rpm: float) -> FitCheck:
    """Ask whether holds that the fit had not seen are predicted."""
    if len(held) < 2:
        return FitCheck("prediction", False, Note("identification.too_few_holds"))
    rms = float(np.sqrt(np.mean([one.rms_rpm**2 for one in held])))
    measured = np.array([one.measured_rpm for one in held])
    missed = measured - np.array([one.predicted_rpm for one in held])
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


def gain_check(value: float, low: float, high: float) -> FitCheck:
    """Ask whether what a step is worth is known well enough."""
    share = 0.5 * (high - low) / max(abs(value), 1.0e-9)
    passed = value > 0.0 and share <= WIDEST_GAIN
    told = {"worth_rpm": value, "low_rpm": low, "high_rpm": high}
    known, unknown = Note("identification.worth", **told), Note("identification.worth_unknown", **told)
    return FitCheck("worth of a step", passed, known if passed else unknown)


def direction_check(logs: Sequence[Log], stretches: Sequence[Stretch]) -> FitCheck:
    """Ask whether speed rises when more steps are commanded."""
    steps, speed = [], []
    for one in stretches:
        commanded = logs[one.log].valve_steps
        if commanded is None:
            continue
        averaged = one.averaged(commanded[one.rows])
        for hold in np.unique(one.hold[one.used]):
            at = np.flatnonzero((one.hold == hold) & one.used)
            steps.append(float(np.mean(averaged[at[at.size // 2 :]])))
            speed.append(float(np.mean(one.measured[at[at.size // 2 :], 0])))
    if len(steps) < 3 or np.ptp(steps) == 0.0 or np.ptp(speed) == 0.0:
        return FitCheck("direction", True, Note("identification.stood_still"))
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
FEEDBACK_LIKENESS = 0.35
"""Likeness of the valve's moves and the error before them at which feedback is suspected [-]."""


def moves_follow_speed(log: Log, car: Car) -> bool:
    """Whether many small moves of the valve open below and close above the target: feedback was on.

    Source: likeness (Pearson) of error and direction of move (our limit).
    """
    if log.valve_steps is None:
        return False
    rows = np.flatnonzero(np.diff(log.valve_steps) != 0.0)
    rows = rows[idle_rows(log)[rows]]
    if rows.size < 12 or rows.size / max(np.ptp(log.time_s), 1.0) < 0.15:
        return False
    told = [curve_at(car.curves.target_rpm, 90.0)] if log.target_rpm is None else log.target_rpm
    moves = np.sign(np.diff(log.valve_steps)[rows])
    error = np.median(told) - np.interp(log.time_s[rows] - 0.1, log.time_s, log.rpm)
    if np.std(error) * np.std(moves) == 0.0:
        return False
    return bool(np.corrcoef(error, moves)[0, 1] > FEEDBACK_LIKENESS)


def moved_by_hand(log: Log) -> bool:
    """Whether the valve moves seldom and by unequal steps, as a hand moves it and no feedback that hunts."""
    moves = np.diff(np.zeros(1) if log.valve_steps is None else log.valve_steps)
    sizes = np.abs(moves[moves != 0.0])
    seldom = 0 < 60.0 * sizes.size <= BY_HAND_per_min * float(np.ptp(log.time_s))
    return seldom and bool(np.std(sizes) > ALIKE * np.mean(sizes))


def notes_on(
    logs: Sequence[Log], car: Car, spark: SparkFound | None, loads_W: NDArray[np.float64]
) -> list[Note]:
    """Remark on what the logs are like."""
    notes = []
    for log in logs:
        if log.map_kPa is None:
            notes.append(Note("identification.no_pressure", file=log.file))
        if log.coolant_degC is not None and float(np.median(log.coolant_degC)) < WARM_degC:
            coolant = float(np.median(log.coolant_degC))
            notes.append(Note("identification.cold", file=log.file, coolant_degC=coolant))
        if moves_follow_speed(log, car):
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
