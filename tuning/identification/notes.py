"""What a fit remarks on its logs, beside its verdict."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sim import Car
from tuning.log_events import SparkFound, idle_rows
from tuning.logs import Log

WARM_degC = 70.0
FEEDBACK_LIKENESS = 0.35
"""Likeness of the valve's moves and the error before them at which feedback is suspected [-]."""
BEFORE_s = 0.6


def moves_follow_speed(log: Log, car: Car) -> bool:
    """Tell whether the valve's moves answer speed: feedback was on.

    Gives true if many small moves open below and close above the target.

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
        target = float(np.interp(90.0, *np.asarray(car.curves.target_rpm, dtype=float).T))
    moves = np.sign(np.diff(log.valve_steps)[rows])
    before = np.interp(log.time_s[rows] - 0.1, log.time_s, log.rpm)
    error = target - before
    if np.std(error) == 0.0 or np.std(moves) == 0.0:
        return False
    return bool(np.corrcoef(error, moves)[0, 1] > FEEDBACK_LIKENESS)


def notes_on(
    logs: Sequence[Log], car: Car, spark: SparkFound | None, loads_W: NDArray[np.float64]
) -> list[str]:
    """Remark on what the logs are like.

    Gives remarks for people.
    """
    notes = []
    for log in logs:
        if log.map_kPa is None:
            notes.append(f"{log.file}: without manifold pressure, friction, leak and manifold"
                         " volume are told less surely")  # fmt: skip
        if log.coolant_degC is not None and float(np.median(log.coolant_degC)) < WARM_degC:
            notes.append(f"{log.file}: recorded cold ({np.median(log.coolant_degC):.0f} degC);"
                         " warm friction follows from it by the oil's law")  # fmt: skip
        if moves_follow_speed(log, car):
            notes.append(f"{log.file}: the valve's moves follow speed: feedback was on, which"
                         " blurs what the valve does; record with feedback off")  # fmt: skip
    if len(loads_W):
        sizes = ", ".join(f"{watts:.0f} W" for watts in loads_W)
        notes.append(f"loads that were not recorded were found and taken into account: {sizes}")
    if spark is not None and spark.follows_speed:
        slope = spark.advance_deg_per_100rpm
        does = "retards as speed falls, which unsteadies" if slope < 0.0 else "steadies"
        notes.append(f"spark moves by {slope:+.1f} deg per 100 rpm below target and {does} idle")
    elif spark is not None and spark.spread_deg > 1.0:
        notes.append(f"spark varies by {spark.spread_deg:.1f} deg without following speed; the"
                     " fit takes it as constant")  # fmt: skip
    return notes
