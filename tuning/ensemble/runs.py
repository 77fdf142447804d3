"""What candidate settings did on plausible cars, what the score is made of, and a few runs to be drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import COUNTERS, Fleet, Plan, SAMPLE_s, run_plan
from tuning.ensemble import drives
from tuning.measures import COLUMN, answer_terms, below_target_rpm, rest_terms, score_terms

LOADS = len(drives.LOADS_AT_s)
ROW = 3 + 2 * LOADS + 1  # Numbers kept of a run for the score: at rest three, two a load, one of the blip.
COUNTER = {name: place for place, name in enumerate(COUNTERS)}  # Places of what each run counts.


@dataclass(frozen=True)
class Runs:
    """What candidates did on cars; all arrays begin (candidates, cars, drives, seeds) unless told otherwise.

    Attributes
    ----------
    rows, values : numpy.ndarray
        Shape (..., ``ROW``): what the score is made of, nan where a drive has no part in it, or a seed none
        in the drive; (..., measures), as in ``measures.COLUMN``, all nan where they were not asked for.
    stalled, limited, floor, held_swing, target_rpm : numpy.ndarray
        1 where it stalled; share of the run spent at a trim limit [-]; shapes (cars,), (cars, seeds) and
        (cars, drives): ``hunting_rpm`` and swing of the score with the valve held, warm; target [rpm].
    """

    rows: np.ndarray
    values: np.ndarray
    stalled: np.ndarray
    limited: np.ndarray
    floor: np.ndarray
    held_swing: np.ndarray
    target_rpm: np.ndarray

    def of(self, name: str) -> np.ndarray:
        """One measure of all runs, shape (candidates, cars, drives, seeds).

        It is nan where a drive has no window for it.
        """
        column: np.ndarray = self.values[..., COLUMN[name]]
        return column

    @property
    def at_rest(self) -> np.ndarray:
        """Swing [rpm], mean error [rpm] and moves a minute: (candidates, cars, too high or low, seeds, 3)."""
        return np.asarray(self.rows[:, :, [drives.HIGH, drives.LOW], :, :3])

    @property
    def answers(self) -> np.ndarray:
        """Excursion [rpm] and settling [s] at each load: (candidates, cars, seeds, 2, loads)."""
        some = self.rows[:, :, drives.ANSWER, :, 3 : 3 + 2 * LOADS]
        return np.asarray(some.reshape(*some.shape[:-1], 2, LOADS))

    @property
    def below_rpm(self) -> np.ndarray:
        """How far the speed falls below target after a blip: (candidates, cars, seeds) [rpm]."""
        return np.asarray(self.rows[:, :, drives.ANSWER, :, -1])

    def terms(self) -> np.ndarray:
        """The terms of the score of each engine and seed, not weighed.

        Shape (candidates, cars, seeds, terms), in the order of ``measures.TERMS``.
        """
        rest = self.at_rest
        return score_terms(
            rest[:, :, 0], rest[:, :, 1], self.held_swing[None], self.answers, self.below_rpm,
            self.stalled[:, :, [drives.HIGH, drives.LOW, drives.ANSWER]].sum(axis=2),
        )  # fmt: skip


def row_of(
    drive: int, shift_s: float, rpm: np.ndarray, steps: np.ndarray, counters: np.ndarray, near_rpm: np.ndarray
) -> np.ndarray:
    """What the score is made of, of some runs of one drive, all in it so much later: (runs, ``ROW``)."""
    out = np.full((len(rpm), ROW), np.nan)
    target = counters[:, COUNTER["target_rpm"]]
    running = still_running(rpm, counters)
    if drive in (drives.HIGH, drives.LOW):
        out[:, :3] = rest_terms(
            running, steps, (drives.REST_FROM_s + shift_s, drives.REST_s + shift_s), target
        )
    elif drive == drives.ANSWER:
        begins = [at_s + shift_s for at_s in drives.LOADS_AT_s]
        out[:, 3:-1] = answer_terms(running, begins, drives.LOAD_SPAN_s, target, near_rpm).reshape(
            len(rpm), -1
        )
        window = (drives.BLIP_AT_s + drives.BLIP_OPEN_s + shift_s, drives.ANSWER_s + shift_s)
        out[:, -1] = below_target_rpm(running, window, target)
    return out


def still_running(rpm: np.ndarray, counters: np.ndarray) -> np.ndarray:
    """Samples of speed, 0 from a stall on; the same array where none stalls."""
    stalled_s = counters[:, COUNTER["stalled_s"]]
    if not np.isfinite(stalled_s).any():
        return rpm
    time_s = (np.arange(rpm.shape[1]) + 1.0) * SAMPLE_s
    return np.where(time_s[None] > stalled_s[:, None], 0.0, rpm).astype(np.float32)


def known_mean(values: np.ndarray, axis: int) -> np.ndarray:
    """Mean of what is not nan, over an axis.

    Parameters
    ----------
    values, axis : numpy.ndarray, int

    Returns
    -------
    numpy.ndarray, nan where nothing is known
    """
    known = ~np.isnan(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


@dataclass(frozen=True, eq=False)
class Samples:
    """One run to be drawn: what was measured and commanded every 50 ms."""

    time_s: np.ndarray
    rpm: np.ndarray  # measured, as at each ``time_s``
    valve_steps: np.ndarray  # commanded
    target_rpm: float  # of the idle, at the end of the run

    def until(self, end_s: float) -> Samples:
        """The same up to a time."""
        count = round(end_s / SAMPLE_s)
        return Samples(self.time_s[:count], self.rpm[:count], self.valve_steps[:count], self.target_rpm)


def kept_samples(fleet: Fleet, plan: Plan) -> list[Samples]:
    """Run a short plan and keep its samples, in its order, as long as the longest scenario."""
    kept: dict[int, Samples] = {}

    def keep(rows: np.ndarray, rpm: np.ndarray, steps: np.ndarray, counted: np.ndarray) -> None:
        for place, row in enumerate(rows.tolist()):
            time_s = (np.arange(rpm.shape[1]) + 1.0) * SAMPLE_s
            target = float(counted[place, COUNTER["target_rpm"]])
            kept[row] = Samples(time_s, rpm[place].copy(), steps[place].copy(), target)

    run_plan(fleet, plan, keep)
    return [kept[row] for row in range(len(plan.car))]


def picked(plan: Plan, which: np.ndarray) -> Plan:
    """Some runs of a plan.

    Parameters
    ----------
    plan, which : Plan, numpy.ndarray
        Shape (runs,) of bool, or rows in order.

    Returns
    -------
    Plan
    """
    columns = ("car", "setting", "scenario", "seed", "base_error_steps", "rpm_offset")
    return plan._replace(**{name: getattr(plan, name)[which] for name in columns})
