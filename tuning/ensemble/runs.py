"""Candidate settings on plausible cars: all runs of all candidates in one call, then measured.

Every candidate meets the same cars, the same scatter and the same starting phases (common random
numbers), so that two candidates differ by their settings alone.  Each car has scatter of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from controllers import Feedback, controller_row, matrix
from sim import (
    COUNTERS,
    Car,
    Fleet,
    Plan,
    SAMPLE_s,
    Scenario,
    full_plan,
    make_fleet,
    run_plan,
)
from tuning.ensemble.drives import SHIFT_s, centring_steps, shifted, starting_phases
from tuning.measures import COLUMN, MEASURES, measure_runs, stalled_at

_COUNTER = {name: place for place, name in enumerate(COUNTERS)}


@dataclass(frozen=True)
class Runs:
    """Measures of candidates on cars.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (candidates, cars, drives, seeds, measures), places as in ``measures.COLUMN``.
    limited : numpy.ndarray
        Shape (candidates, cars, drives, seeds): share of the run spent at a trim limit [-].
    floor : numpy.ndarray
        Shape (cars, drives): ``hunting_rpm`` with the valve held [rpm].
    stall_rpm, target_rpm : numpy.ndarray
        Shape (cars,) and (cars, drives) [rpm].
    """

    values: np.ndarray
    limited: np.ndarray
    floor: np.ndarray
    stall_rpm: np.ndarray
    target_rpm: np.ndarray

    def of(self, name: str) -> np.ndarray:
        """One measure of all runs.

        Parameters
        ----------
        name : str
            Name of a measure.

        Returns
        -------
        numpy.ndarray
            Shape (candidates, cars, drives, seeds); nan where a drive has no window for it.
        """
        column: np.ndarray = self.values[..., COLUMN[name]]
        return column


@dataclass(frozen=True, eq=False)
class Samples:
    """One run to be drawn: what was measured and commanded every 50 ms.

    Attributes
    ----------
    time_s, rpm, valve_steps : numpy.ndarray
        Shape (samples,) [s, rpm, steps].
    target_rpm : float
        Idle target at the end of the run [rpm].
    """

    time_s: np.ndarray
    rpm: np.ndarray
    valve_steps: np.ndarray
    target_rpm: float

    def until(self, end_s: float) -> Samples:
        """The same, cut off.

        Parameters
        ----------
        end_s : float
            Last time kept [s].

        Returns
        -------
        Samples
            Samples at or before that time.
        """
        count = round(end_s / SAMPLE_s)
        return Samples(
            self.time_s[:count], self.rpm[:count], self.valve_steps[:count], self.target_rpm
        )


def kept_samples(fleet: Fleet, plan: Plan) -> list[Samples]:
    """Run a short plan and keep its samples.

    Parameters
    ----------
    fleet : Fleet
        Cars and scenarios.
    plan : Plan
        A few runs.

    Returns
    -------
    list of Samples
        In the order of the plan, as long as the longest scenario.
    """
    kept: dict[int, Samples] = {}

    def keep(rows: np.ndarray, rpm: np.ndarray, steps: np.ndarray, counted: np.ndarray) -> None:
        for place, row in enumerate(rows.tolist()):
            time_s = (np.arange(rpm.shape[1]) + 1.0) * SAMPLE_s
            target = float(counted[place, _COUNTER["target_rpm"]])
            kept[row] = Samples(time_s, rpm[place].copy(), steps[place].copy(), target)

    run_plan(fleet, plan, keep)
    return [kept[row] for row in range(len(plan.car))]


class TrialRuns:
    """Cars, drives, seeds and phases on which candidates are run.

    Parameters
    ----------
    cars : sequence of Car
        Plausible cars, alike in all that feedback settings are read with.
    drives : sequence of Scenario
        What each car does.
    seeds : sequence of int
        Seeds of scatter; each goes with a starting phase, and with its own shift of all that
        happens by up to ``SHIFT_s``: a load that always came at the same moment between two
        updates would let a search find the period that suits that moment.
    cores : int, optional
        Threads; all cores when left out.  Results do not depend on it.
    """

    def __init__(
        self,
        cars: Sequence[Car],
        drives: Sequence[Scenario],
        seeds: Sequence[int],
        cores: int | None = None,
    ) -> None:
        self.cars = tuple(cars)
        self.drives = tuple(drives)
        self.seeds = tuple(seeds)
        self._cores = cores
        phase = np.modf(np.arange(len(self.seeds)) * 0.6180339887498949)[0]
        self._shifted = [
            shifted(drive, SHIFT_s * float(share), SHIFT_s)
            for drive in self.drives
            for share in phase
        ]
        self._fleet = make_fleet(self.cars, self._shifted)
        self._centring = np.array([centring_steps(self.cars[0], drive) for drive in self.drives])
        self.stall_rpm = np.array([car.engine.stall_rpm for car in self.cars])
        self.floor = np.zeros((len(self.cars), len(self.drives)))
        held = self.cars[0].feedback.model_copy(update={"law": "none"})
        swing = self.run([held], base_curve_wrong=False).of("hunting_rpm")[0]
        self.floor = np.nan_to_num(known_mean(swing, axis=-1))

    @property
    def runs_per_candidate(self) -> int:
        """Runs that one candidate costs."""
        return len(self.cars) * len(self.drives) * len(self.seeds)

    def run(
        self,
        candidates: Sequence[Feedback],
        *,
        base_curve_wrong: bool = True,
        on_progress: Callable[[float], None] | None = None,
    ) -> Runs:
        """Run and measure candidates.

        Parameters
        ----------
        candidates : sequence of Feedback
            Settings, at least one.
        base_curve_wrong : bool
            Whether the base curve is wrong by the starting phases.
        on_progress : callable, optional
            Told the share that is done.

        Returns
        -------
        Runs
            Measures of all runs.
        """
        plan = self._plan(candidates, base_curve_wrong)
        shape = (len(candidates), len(self.cars), len(self.drives), len(self.seeds))
        values = np.full((len(plan.car), len(MEASURES)), np.nan)
        counted = np.zeros((len(plan.car), len(COUNTERS)))
        done = 0

        def keep(
            rows: np.ndarray, rpm: np.ndarray, steps: np.ndarray, counters: np.ndarray
        ) -> None:
            counted[rows] = counters
            which = plan.scenario[rows]
            for place in np.unique(which).tolist():
                mine = which == place
                floor = self.floor[plan.car[rows[mine]], place // len(self.seeds)]
                values[rows[mine]] = measured(
                    self._shifted[place], rpm[mine], steps[mine], counters[mine], floor
                )

        def tell(runs: int) -> None:
            nonlocal done
            done += runs
            if on_progress is not None:
                on_progress(done / len(plan.car))

        run_plan(self._fleet, plan, keep, cores=self._cores, on_done=tell)
        return self._runs(values.reshape(*shape, -1), counted.reshape(*shape, -1), candidates)

    def samples(
        self, candidates: Sequence[Feedback], car: int = 0, drive: int = 0, seed: int = 0
    ) -> list[Samples]:
        """What candidates do on one car, to be looked at.

        Parameters
        ----------
        candidates : sequence of Feedback
            Settings, at least one.
        car, drive, seed : int
            Places among the cars, drives and seeds [-].

        Returns
        -------
        list of Samples
            One a candidate, of the very run that was measured.
        """
        plan = self._plan(candidates, base_curve_wrong=True)
        scenario = drive * len(self.seeds) + seed
        plan = picked(plan, (plan.car == car) & (plan.scenario == scenario))
        end_s = self._shifted[scenario].duration_s
        return [one.until(end_s) for one in kept_samples(self._fleet, plan)]

    def _plan(self, candidates: Sequence[Feedback], base_curve_wrong: bool) -> Plan:
        """Each candidate on each car, drive and seed, the seed with its own shift of the drive."""
        errors, offsets = starting_phases(len(self.seeds), len(self.cars))
        plan = full_plan(
            self._fleet,
            np.vstack([self._row(one) for one in candidates]),
            seeds=self.seeds,
            rpm_offset=offsets,
        )
        which = np.arange(len(plan.car)) % len(self.seeds)
        plan = picked(plan, plan.scenario % len(self.seeds) == which)
        wrong = errors[plan.car, plan.scenario % len(self.seeds)] if base_curve_wrong else 0.0
        centring = self._centring[plan.scenario // len(self.seeds)]
        return plan._replace(seed=own_seeds(plan.seed, plan.car), base_error_steps=wrong + centring)

    def _row(self, feedback: Feedback) -> np.ndarray:
        car = self.cars[0]
        return matrix(
            controller_row(
                feedback, car.curves.after_start_fade_s, float(car.valve.open_limit_steps)
            )
        )

    def _runs(
        self, values: np.ndarray, counted: np.ndarray, candidates: Sequence[Feedback]
    ) -> Runs:
        period_s = np.array([one.update_period_ms / 1000.0 for one in candidates])
        duration_s = np.array([drive.duration_s for drive in self.drives])
        limited = (
            counted[..., _COUNTER["limited_updates"]]
            * period_s[:, None, None, None]
            / duration_s[None, None, :, None]
        )
        target = counted[0, :, :, 0, _COUNTER["target_rpm"]]
        return Runs(values, limited, self.floor, self.stall_rpm, target)


def own_seeds(seeds: np.ndarray, cars: np.ndarray) -> np.ndarray:
    """Seeds of scatter that differ from car to car.

    Half a minute of scatter tells how far an engine swings to some 17 % only; with the same few
    seeds for all cars an ensemble would be as far off as one car is.

    Gives shape (runs,), 0 to 2**31 - 1, of any two cars all different in all likelihood [-].
    """
    return np.asarray((seeds + 0x9E3779B1 * cars.astype(float)) % 2.0**31)


def picked(plan: Plan, which: np.ndarray) -> Plan:
    """Some runs of a plan.

    Parameters
    ----------
    plan : Plan
        The plan.
    which : numpy.ndarray
        Shape (runs,) of bool, or rows in order.

    Returns
    -------
    Plan
        With the same tables.
    """
    columns = ("car", "setting", "scenario", "seed", "base_error_steps", "rpm_offset")
    return plan._replace(**{name: getattr(plan, name)[which] for name in columns})


def measured(
    drive: Scenario,
    rpm: np.ndarray,
    steps: np.ndarray,
    counters: np.ndarray,
    floor_rpm: np.ndarray,
) -> np.ndarray:
    """Measures of some runs of one scenario, from what a batch hands over.

    Parameters
    ----------
    drive : Scenario
        Its windows say what is measured.
    rpm, steps : numpy.ndarray
        Shape (runs, samples or more) [rpm, steps].
    counters : numpy.ndarray
        Shape (runs, len(COUNTERS)).
    floor_rpm : numpy.ndarray
        Shape (runs,): ``hunting_rpm`` with the valve held, 0 where not known [rpm].

    Returns
    -------
    numpy.ndarray
        Shape (runs, measures).
    """
    samples = round(drive.duration_s / SAMPLE_s)
    return measure_runs(
        rpm[:, :samples],
        steps[:, :samples],
        drive.measure,
        counters[:, _COUNTER["target_rpm"]],
        [stalled_at(one, 0.0) for one in counters[:, _COUNTER["stalled_s"]].tolist()],
        floor_rpm,
    )


def known_mean(values: np.ndarray, axis: int) -> np.ndarray:
    """Mean of what is not nan.

    Parameters
    ----------
    values : numpy.ndarray
        Any shape.
    axis : int
        Axis to average over.

    Returns
    -------
    numpy.ndarray
        One axis less; nan where nothing is known.
    """
    known = ~np.isnan(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
