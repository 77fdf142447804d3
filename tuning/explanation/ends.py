"""How runs end: at rest, hunting or stalled, how far and how fast they swing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim import SAMPLE_s
from tuning.explanation.runs import Reals, RUN_s, Samples
from tuning.measures import COLUMN, measure_runs, races

Truths = NDArray[np.bool_]

TAIL_s = 60.0
"""Its end, over which it is judged: what repeats more slowly is nothing anybody hears [s]."""
STILL_rpm = 5.0
"""A swing below this is none, whatever the valve does [rpm]."""


@dataclass(frozen=True, eq=False)
class Ends:
    """How runs without scatter end, a run an entry."""

    hunting: Truths  # not at rest: speed swings while the valve moves again and again, or stands still
    swing_rpm: Reals  # mean a period, peak to peak, and mean period; at rest 0 and nan, nan below two periods
    period_s: Reals
    low_steps: Reals  # lowest and highest position visited
    high_steps: Reals
    largest_move_steps: Reals  # largest single move, 0 at rest
    moves_per_min: Reals  # moves of the valve
    error_rpm: Reals  # mean of target less speed
    limited_share: Reals  # share of the whole run at a trim limit
    stalled: Truths  # whether it stalled; whether it races
    racing: Truths

    @property
    def chance(self) -> float:
        """Share of runs that hunt [-]."""
        return float(np.mean(self.hunting))

    @property
    def mean_swing_rpm(self) -> float:
        """Mean swing of those that hunt, 0 if none does [rpm]."""
        return float(self.swing_rpm[self.hunting].mean()) if self.hunting.any() else 0.0

    @property
    def usual_period_s(self) -> float:
        """Median period of those that hunt, nan if none has one [s]."""
        known = self.period_s[self.hunting & np.isfinite(self.period_s)]
        return float(np.median(known)) if known.size else float("nan")


@dataclass(frozen=True, eq=False)
class Measured:
    """Measures of runs with scatter, a run a row."""

    values: Reals  # shape (runs, measures), places as in ``measures.COLUMN``

    def of(self, name: str) -> Reals:
        """One measure of all runs, shape (runs,) [any]."""
        return np.asarray(self.values[:, COLUMN[name]])

    def mean(self, name: str) -> float:
        """Mean of one measure over the runs that have it, nan if none has it [any]."""
        column = self.of(name)
        known = column[np.isfinite(column)]
        return float(known.mean()) if known.size else float("nan")


def rises(steps: NDArray[Any], middle: float) -> NDArray[np.int64]:
    """Samples at which the valve rises through the middle of its swing: beginnings of periods."""
    return np.flatnonzero((steps[1:] > middle) & (steps[:-1] <= middle)) + 1


def _swing(rpm: NDArray[np.float32], steps: NDArray[np.float32]) -> tuple[float, float]:
    """Mean swing and period of a run that hunts [rpm, s]."""
    begins = rises(steps, 0.5 * (float(steps.min()) + float(steps.max())))
    if begins.size < 2:
        return float(np.ptp(rpm)), float("nan")
    swings = [np.ptp(rpm[a:b]) for a, b in pairwise(begins)]
    period = (begins[-1] - begins[0]) / (begins.size - 1) * SAMPLE_s
    return float(np.mean(swings)), float(period)


def ends_of(samples: Samples) -> Ends:
    """Judge how runs without scatter end, from their last minute.

    Hunting: a swing of more than 5 rpm in the last minute, with two moves or more, or without any; a
    single move is a last step on the way to rest. Source: our definition.
    """
    tail = round(TAIL_s / SAMPLE_s)
    rpm, steps = samples.rpm[:, -tail:], samples.steps[:, -tail:]
    changes = np.diff(steps, axis=1)
    moves = np.count_nonzero(changes, axis=1)
    swings = np.ptp(rpm, axis=1).astype(float)
    stalled = np.isfinite(samples.counted("stalled_s"))
    hunting = (moves != 1) & (swings > STILL_rpm) & ~stalled
    swing, period = np.zeros(moves.size), np.full(moves.size, np.nan)
    for row in np.flatnonzero(hunting):
        swing[row], period[row] = _swing(rpm[row], steps[row])
    updates = RUN_s / samples.period_s
    target_rpm = samples.counted("target_rpm")
    error_rpm = target_rpm - rpm.mean(axis=1, dtype=float)
    return Ends(
        hunting=hunting,
        swing_rpm=swing,
        period_s=period,
        low_steps=steps.min(axis=1).astype(float),
        high_steps=steps.max(axis=1).astype(float),
        largest_move_steps=np.abs(changes).max(axis=1).astype(float),
        moves_per_min=moves * 60.0 / (tail * SAMPLE_s),
        error_rpm=error_rpm,
        limited_share=samples.counted("limited_updates") / updates,
        stalled=stalled,
        racing=races(error_rpm, target_rpm),
    )


def measured(samples: Samples) -> Measured:
    """Measure runs with scatter over all but their first 20 s."""
    stalled_s = samples.counted("stalled_s")
    first = np.where(np.isfinite(stalled_s), np.ceil(stalled_s / SAMPLE_s) - 1.0, -1.0)
    values = measure_runs(
        samples.rpm,
        samples.steps,
        [("hunting", 20.0, RUN_s)],
        samples.counted("target_rpm"),
        first.astype(np.int64),
    )
    return Measured(values)


def part(ends: Ends, rows: slice) -> Ends:
    """Some of the runs."""
    return Ends(**{name: values[rows] for name, values in vars(ends).items()})
