"""Candidate settings on plausible cars: all runs of all candidates in one call, then measured.

Every candidate meets the same cars, scatter and starting phases (common random numbers); each car has scatter
of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from controllers import Feedback
from sim import COUNTERS, Car, Plan, SAMPLE_s, Scenario, full_plan, make_fleet, run_plan, settings_of
from tuning.ensemble import drives
from tuning.ensemble.runs import COUNTER, ROW, Runs, Samples, kept_samples, known_mean, picked, row_of
from tuning.measures import MEASURES, measure_runs, stalled_at


class TrialRuns:
    """Cars, drives, seeds and phases on which candidates are run.

    Each seed goes with a starting phase, and with its own shift of all that happens by up to ``SHIFT_s``: a
    load that always came at the same moment between two updates would let a search find the period that suits
    it. The cars are alike in all that feedback settings are read with; ``measures`` says whether all measures
    are taken, beside what the score is made of. Results do not depend on the number of cores.
    """

    def __init__(
        self, cars: Sequence[Car], seeds: Sequence[int], cores: int | None = None, *, measures: bool = False
    ) -> None:
        self.cars = tuple(cars)
        self.drives: tuple[drives.Drive, ...] = drives.trial_drives(self.cars[0])
        self.seeds = tuple(seeds)
        self._cores, self._measures = cores, measures
        self._shift_s = drives.SHIFT_s * np.modf(np.arange(len(self.seeds)) * 0.6180339887498949)[0]
        self._shifted = [
            drives.shifted(drive.scenario, float(shift_s), drives.SHIFT_s)
            for drive in self.drives
            for shift_s in self._shift_s
        ]
        self._fleet = make_fleet(self.cars, self._shifted)
        first = self.cars[0]
        self._centring = np.array([drives.centring_steps(first, one.scenario) for one in self.drives])
        self.floor = np.zeros(len(self.cars))
        self.held_swing = np.zeros((len(self.cars), len(self.seeds)))
        self._find_floor()

    def _find_floor(self) -> None:
        """How far each car swings with the valve held on the base curve as it is."""
        held = self.cars[0].feedback.model_copy(update={"law": "none"})
        plan = self._plan([held])
        still = plan.scenario // len(self.seeds) == drives.HIGH
        plan = picked(plan._replace(base_error_steps=self._parts(plan)), still)
        runs = self._run(plan, [held], None, measures=True)
        self.floor = np.nan_to_num(known_mean(runs.of("hunting_rpm")[0, :, drives.HIGH], axis=-1))
        self.scatter_rpm = float(known_mean(runs.of("scatter_rms_rpm")[0, :, drives.HIGH].ravel(), axis=0))
        self.held_swing = runs.rows[0, :, drives.HIGH, :, 0]

    @property
    def runs_per_candidate(self) -> int:
        """Runs that one candidate costs."""
        each = [drive.seeds or len(self.seeds) for drive in self.drives]
        return len(self.cars) * sum(min(one, len(self.seeds)) for one in each)

    def run(
        self, candidates: Sequence[Feedback], *, on_progress: Callable[[float], None] | None = None
    ) -> Runs:
        """Run and measure candidates.

        Parameters
        ----------
        candidates : sequence of Feedback
        on_progress : callable, optional
            Told the share that is done.

        Returns
        -------
        Runs
        """
        return self._run(self._plan(candidates), candidates, on_progress, self._measures)

    def _run(
        self, plan: Plan, candidates: Sequence[Feedback], on_progress: Callable[[float], None] | None,
        measures: bool,
    ) -> Runs:  # fmt: skip
        total = len(plan.car)
        rows = np.full((total, ROW), np.nan)
        values = np.full((total, len(MEASURES)), np.nan)
        counted = np.full((total, len(COUNTERS)), np.nan)
        done = 0

        def keep(which: np.ndarray, rpm: np.ndarray, steps: np.ndarray, counters: np.ndarray) -> None:
            counted[which] = counters
            scenario = plan.scenario[which]
            for place in np.unique(scenario).tolist():
                mine = scenario == place
                some = which[mine]
                drive, seed = divmod(place, len(self.seeds))
                near, shift_s = self.held_swing[plan.car[some], seed], float(self._shift_s[seed])
                rows[some] = row_of(drive, shift_s, rpm[mine], steps[mine], counters[mine], near)
                if measures:
                    values[some] = measured(
                        self._shifted[place], rpm[mine], steps[mine], counters[mine],
                        self.floor[plan.car[some]],
                    )  # fmt: skip

        def tell(runs: int) -> None:
            nonlocal done
            done += runs
            if on_progress is not None:
                on_progress(done / total)

        run_plan(self._fleet, plan, keep, cores=self._cores, on_done=tell)
        return self._runs(plan, candidates, rows, values, counted)

    def samples(self, candidates: Sequence[Feedback]) -> list[Samples]:
        """What candidates do on the first car with loads and a blip, to be looked at.

        One a candidate, of the very run that was measured.
        """
        plan = self._plan(candidates)
        scenario = drives.ANSWER * len(self.seeds)
        plan = picked(plan, (plan.car == 0) & (plan.scenario == scenario))
        end_s = self._shifted[scenario].duration_s
        return [one.until(end_s) for one in kept_samples(self._fleet, plan)]

    def _parts(self, plan: Plan) -> np.ndarray:
        parts = drives.step_parts(len(self.seeds), len(self.cars))
        return np.asarray(parts[plan.car, plan.scenario % len(self.seeds)])

    def _plan(self, candidates: Sequence[Feedback]) -> Plan:
        """Each candidate on each car, drive and seed, the seed with its own shift of the drive."""
        count = len(self.seeds)
        settings = settings_of(self.cars[0], candidates)
        plan = full_plan(self._fleet, settings, seeds=self.seeds, rpm_offset=drives.starting_phases(count)[1])
        plan = picked(plan, plan.scenario % count == np.arange(len(plan.car)) % count)
        drive, seed = np.divmod(plan.scenario, count)
        most = np.array([one.seeds or count for one in self.drives])
        plan = picked(plan, seed < most[drive])
        drive, seed = np.divmod(plan.scenario, count)
        errors = np.array([np.resize(one.base_error_steps, count) for one in self.drives])
        wrong = errors[drive, seed] + self._centring[drive] + self._parts(plan)
        return plan._replace(seed=own_seeds(plan.seed, plan.car), base_error_steps=wrong)

    def _runs(
        self, plan: Plan, candidates: Sequence[Feedback], rows: np.ndarray, values: np.ndarray,
        counted: np.ndarray,
    ) -> Runs:  # fmt: skip
        """Put runs in their places; what was not run is nan."""
        drive, seed = np.divmod(plan.scenario, len(self.seeds))
        at = (plan.setting, plan.car, drive, seed)
        shape = (len(candidates), len(self.cars), len(self.drives), len(self.seeds))

        def placed(some: np.ndarray) -> np.ndarray:
            out = np.full((*shape, some.shape[-1]), np.nan)
            out[at] = some
            return out

        period_s = np.array([one.update_period_ms / 1000.0 for one in candidates])
        duration_s = np.array([one.scenario.duration_s + drives.SHIFT_s for one in self.drives])
        counters = placed(counted)
        limited = counters[..., COUNTER["limited_updates"]]
        limited = limited * period_s[:, None, None, None] / duration_s[None, None, :, None]
        with_stall = np.isfinite(counters[..., COUNTER["stalled_s"]]).astype(float)
        target = known_mean(counters[0, :, :, :, COUNTER["target_rpm"]], axis=-1)
        return Runs(placed(rows), placed(values), with_stall, limited, self.floor, self.held_swing, target)


def own_seeds(seeds: np.ndarray, cars: np.ndarray) -> np.ndarray:
    """Seeds of scatter that differ from car to car, 0 to 2**31 - 1.

    Half a minute of scatter tells how far an engine swings to some 17 % only; with the same few seeds for all
    cars an ensemble would be as far off as one car is.
    """
    return np.asarray((seeds + 0x9E3779B1 * cars.astype(float)) % 2.0**31)


def measured(
    drive: Scenario, rpm: np.ndarray, steps: np.ndarray, counters: np.ndarray, floor_rpm: np.ndarray
) -> np.ndarray:
    """Measures of some runs of one scenario, from what a batch hands over.

    Parameters
    ----------
    drive, rpm, steps, counters, floor_rpm : Scenario, numpy.ndarray
        Its windows say what is measured; shape (runs, samples or more), (runs, len(COUNTERS));
        ``hunting_rpm`` with the valve held [rpm, steps].

    Returns
    -------
    numpy.ndarray, shape (runs, measures)
    """
    samples = round(drive.duration_s / SAMPLE_s)
    stalled = [stalled_at(one, 0.0) for one in counters[:, COUNTER["stalled_s"]].tolist()]
    target_rpm = counters[:, COUNTER["target_rpm"]]
    return measure_runs(rpm[:, :samples], steps[:, :samples], drive.measure, target_rpm, stalled, floor_rpm)
