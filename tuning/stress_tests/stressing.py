"""The stress matrix: settings against loads, driving, weather and faults, on plausible cars."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sim import COUNTERS, Car, Scenario, full_plan, make_fleet, run_plan, settings_of
from tuning.ensemble import (
    STRESS,
    Plausible,
    Samples,
    kept_samples,
    known_mean,
    measured,
    noise_seeds,
    picked,
    plausible_cars,
    starting_phases,
)
from tuning.measures import COLUMN, MEASURES, HuntingChance
from tuning.notes import Note, Told
from tuning.stress_tests.limits import FAIL, ORDER, PASS, WARN, CaseRuns, Check, checks_of, deciding
from tuning.stress_tests.suites import FAULTS, is_at_rest, is_fitted, suite_scenarios

CARS, SEEDS = 16, 3  # Plausible cars, and seeds with their starting phases, of each case.

_COUNTER = {name: place for place, name in enumerate(COUNTERS)}


@dataclass(frozen=True, eq=False)
class Case(Told):
    """One scenario of the matrix.

    Attributes
    ----------
    key, name, note, verdict : str
        Name of the scenario's file, its own name, what it shows; "pass", "warn" or "fail".
    hunting : HuntingChance or None
        How often it hunts, over all runs; None where nothing of it idles for long enough.
    decided_by, checks, fitted : Check, tuple of Check, bool
        The measure that decided, with its limit, and all; false where the car has nothing that this scenario
        switches: then nothing is judged, and ``verdict`` is "pass" without being counted as one.
    worst_car, worst_run : str, Samples
        Which plausible car it was, in words, and its run.
    """

    TOLD = ("key", "name", "verdict", "fitted", "hunting", "decided_by", "checks", "worst_car")

    key: str
    name: str
    note: str
    verdict: str
    hunting: HuntingChance | None
    decided_by: Check
    checks: tuple[Check, ...]
    fitted: bool
    worst_car: str
    worst_run: Samples

    @property
    def line(self) -> Note:
        """The case in a sentence."""
        if not self.fitted:
            return Note("stress.not_fitted", name=self.name)
        one = self.decided_by
        return Note(
            "stress.case", verdict=self.verdict, name=self.name, meaning=one.meaning,
            value=float(f"{one.value:.3g}"), of=one.unit, limit=float(f"{one.limit:.3g}"),
            at_least=one.lower_is_worse,
            failing=one.failing, cars=one.cars, car=self.worst_car,
            hunting=() if self.hunting is None else (self.hunting.text,),
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Stress(Told):
    """The whole matrix: a case fails where it does on more than a tenth of the plausible cars."""

    TOLD = ("car", "suite", "passed", "counts", "not_fitted", "cases", "engines", "runs")

    car: str
    suite: str
    cases: tuple[Case, ...]  # in the order of the suite
    engines: int  # plausible cars
    runs: int  # made

    @property
    def passed(self) -> bool:
        """Whether no case fails."""
        return all(case.verdict != FAIL for case in self.cases)

    @property
    def counts(self) -> dict[str, int]:
        """How many cases have each verdict; those that need what the car lacks have none."""
        met = [case.verdict for case in self.cases if case.fitted]
        return {one: met.count(one) for one in (PASS, WARN, FAIL)}

    @property
    def not_fitted(self) -> int:
        """Number of cases that need what this car does not have [-]."""
        return sum(not case.fitted for case in self.cases)

    def worst(self, count: int = 3) -> tuple[Case, ...]:
        """The cases that strain their limits most.

        Parameters
        ----------
        count : int

        Returns
        -------
        tuple of Case, worst first
        """
        fitted = [case for case in self.cases if case.fitted]
        fitted.sort(key=lambda case: (ORDER.index(case.verdict), case.decided_by.strain), reverse=True)
        return tuple(fitted[:count])

    def lines(self) -> list[Note]:
        """The matrix told, the verdict first, then one a case, worst first."""
        counts = self.counts
        first = Note(
            "stress.verdict", suite=self.suite, cases=len(self.cases), engines=self.engines,
            failed=counts[FAIL], warned=counts[WARN], passed=counts[PASS],
            not_fitted=self.not_fitted,
        )  # fmt: skip
        others = [case for case in self.cases if not case.fitted]
        return [first, *(case.line for case in (*self.worst(len(self.cases)), *others))]


def stress(
    car: Car, *, suite: str = "standard", seed: int = 0, cores: int | None = None,
    on_progress: Callable[[float, str], None] | None = None,
) -> Stress:  # fmt: skip
    """Run settings through the scenarios of a suite on cars that the car at hand could be.

    Parameters
    ----------
    car, suite, seed : Car, str, int
        With the settings to be judged; "standard", "loads", "weather" or "faults"; seed of the plausible cars
        and their scatter, 0 or more; no search met these.
    cores : int, optional
        Threads; all cores when left out. The result does not depend on it.
    on_progress : callable, optional
        Told the share done and what goes on.

    Returns
    -------
    Stress: a verdict a case, with the measure that decided it and the worst car

    Raises
    ------
    InputError
        If there is no such suite.
    """
    scenarios = suite_scenarios(suite)
    cars = plausible_cars(car, CARS, seed=seed, purpose=STRESS)
    tell = on_progress or (lambda _share, _text: None)
    matrix_of = _Matrix(car, cars, list(scenarios.values()), noise_seeds(seed, STRESS, SEEDS))
    matrix_of.run(cores, lambda share: tell(0.9 * share, "running the scenarios"))
    runs_of = [matrix_of.case(place) for place in range(len(scenarios))]
    judged = [
        checks_of(runs, key in FAULTS, is_at_rest(scenario))
        for runs, (key, scenario) in zip(runs_of, scenarios.items(), strict=True)
    ]
    decided = [deciding(checks) for checks in judged]
    tell(0.95, "the worst run of each case")
    worst = matrix_of.samples([(one.car, one.seed) for one in decided])
    cases = []
    for place, (key, scenario) in enumerate(scenarios.items()):
        one, fitted = decided[place], is_fitted(car, scenario)
        cases.append(
            Case(
                key, scenario.name, scenario.note, one.verdict if fitted else PASS,
                runs_of[place].hunting, one,
                tuple(judged[place]), fitted, cars.describe(one.car), worst[place],
            )
        )  # fmt: skip
    tell(1.0, "done")
    return Stress(car.name, suite, tuple(cases), len(cars.cars), matrix_of.runs)


class _Matrix:
    """All runs of a suite: the settings, and beside them the valve held still."""

    def __init__(
        self, car: Car, cars: Plausible, scenarios: Sequence[Scenario], seeds: Sequence[int]
    ) -> None:
        self._cars = cars.cars
        self._scenarios = list(scenarios)
        self._period_s = car.feedback.update_period_ms / 1000.0
        self._fleet = make_fleet(self._cars, self._scenarios)
        held = car.feedback.model_copy(update={"law": "none"})
        errors, offsets = starting_phases(len(seeds), len(self._cars))
        plan = full_plan(self._fleet, settings_of(car, (held, car.feedback)), seeds=seeds, rpm_offset=offsets)
        which = np.arange(len(plan.car)) % len(seeds)
        self._plan = plan._replace(base_error_steps=errors[plan.car, which])
        self.runs = len(self._plan.car)
        shape = (2, len(self._cars), len(self._scenarios), len(seeds))
        self._values = np.full((*shape, len(MEASURES)), np.nan)
        self._counted = np.zeros((*shape, len(COUNTERS)))

    def run(self, cores: int | None, on_share: Callable[[float], None]) -> None:
        """Run and measure everything: the held valves first, whose swing nobody need settle within."""
        half = self.runs // 2
        self._run_half(slice(0, half), np.zeros(half), cores, on_share)
        held = np.broadcast_to(self._held_swing()[..., None], self._counted.shape[1:-1])
        self._run_half(slice(half, self.runs), np.nan_to_num(held).ravel(), cores, on_share)

    def _held_swing(self) -> np.ndarray:
        """Swing with the valve held: shape (cars, scenarios), nan where it is not measured [rpm]."""
        return known_mean(self._values[0, ..., COLUMN["hunting_rpm"]], -1)

    def _run_half(
        self, half: slice, floor_rpm: np.ndarray, cores: int | None, on_share: Callable[[float], None]
    ) -> None:
        """Run the plan's rows of one half, each measured above its own floor [rpm]."""
        plan = picked(self._plan, np.arange(self.runs)[half])
        values = self._values.reshape(self.runs, -1)[half]
        counted = self._counted.reshape(self.runs, -1)[half]
        done = half.start

        def keep(rows: np.ndarray, rpm: np.ndarray, steps: np.ndarray, counters: np.ndarray) -> None:
            counted[rows] = counters
            for place, scenario in enumerate(self._scenarios):
                mine = plan.scenario[rows] == place
                if mine.any():
                    values[rows[mine]] = measured(
                        scenario, rpm[mine], steps[mine], counters[mine], floor_rpm[rows[mine]]
                    )

        def tell(runs: int) -> None:
            nonlocal done
            done += runs
            on_share(done / self.runs)

        run_plan(self._fleet, plan, keep, cores=cores, on_done=tell)

    def case(self, place: int) -> CaseRuns:
        """Runs of one scenario."""
        values, counted = self._values[1, :, place], self._counted[1, :, place]
        limited = counted[..., _COUNTER["limited_updates"]] * self._period_s
        return CaseRuns(
            values, self._held_swing()[:, place], limited / self._scenarios[place].duration_s,
            np.array([car.engine.stall_rpm for car in self._cars]), counted[:, 0, _COUNTER["target_rpm"]],
        )  # fmt: skip

    def samples(self, which: Sequence[tuple[int, int]]) -> list[Samples]:
        """The run of one car and seed in each scenario."""
        grid = np.arange(self.runs).reshape(self._counted.shape[:-1])
        rows = np.array([grid[1, car, place, seed] for place, (car, seed) in enumerate(which)])
        kept = kept_samples(self._fleet, picked(self._plan, rows))
        return [one.until(scenario.duration_s) for one, scenario in zip(kept, self._scenarios, strict=True)]
