"""What a fit remarks on its logs, beside its verdict."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from controllers import curve_at
from sim import Car
from tuning.log_events import SparkFound, idle_rows
from tuning.logs import Log
from tuning.notes import Note

WARM_degC = 70.0
FEEDBACK_LIKENESS = 0.35
"""Likeness of the valve's moves and the error before them at which feedback is suspected [-]."""
BEFORE_s = 0.6


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
    target = float(np.median(log.rpm))
    if log.target_rpm is not None:
        target = float(np.median(log.target_rpm))
    elif car is not None:
        target = curve_at(car.curves.target_rpm, 90.0)
    moves = np.sign(np.diff(log.valve_steps)[rows])
    before = np.interp(log.time_s[rows] - 0.1, log.time_s, log.rpm)
    error = target - before
    if np.std(error) == 0.0 or np.std(moves) == 0.0:
        return False
    return bool(np.corrcoef(error, moves)[0, 1] > FEEDBACK_LIKENESS)


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
        if slope < 0.0:
            notes.append(Note("identification.spark_unsteadies", slope_deg_per_100rpm=slope))
        else:
            notes.append(Note("identification.spark_steadies", slope_deg_per_100rpm=slope))
    elif spark is not None and spark.spread_deg > 1.0:
        notes.append(Note("identification.spark_varies", spread_deg=spark.spread_deg))
    return notes
