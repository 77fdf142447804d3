"""A few runs kept to be drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim import COUNTERS, Fleet, Plan, SAMPLE_s, run_plan

COUNTER = {name: place for place, name in enumerate(COUNTERS)}
"""Places of what each run counts."""


@dataclass(frozen=True, eq=False)
class Samples:
    """One run to be drawn: what was measured and commanded every 50 ms.

    Attributes
    ----------
    time_s, rpm, valve_steps : numpy.ndarray
        [s, rpm, steps].
    target_rpm : float
        Idle target at the end of the run [rpm].
    """

    time_s: np.ndarray
    rpm: np.ndarray
    valve_steps: np.ndarray
    target_rpm: float

    def until(self, end_s: float) -> Samples:
        """The same up to a time.

        Parameters
        ----------
        end_s : float [s]

        Returns
        -------
        Samples
        """
        count = round(end_s / SAMPLE_s)
        return Samples(self.time_s[:count], self.rpm[:count], self.valve_steps[:count], self.target_rpm)


def kept_samples(fleet: Fleet, plan: Plan) -> list[Samples]:
    """Run a short plan and keep its samples.

    Parameters
    ----------
    fleet, plan : Fleet, Plan

    Returns
    -------
    list of Samples
        In the order of the plan, as long as the longest scenario.
    """
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
    plan : Plan
    which : numpy.ndarray
        Shape (runs,) of bool, or rows in order.

    Returns
    -------
    Plan
    """
    columns = ("car", "setting", "scenario", "seed", "base_error_steps", "rpm_offset")
    return plan._replace(**{name: getattr(plan, name)[which] for name in columns})
