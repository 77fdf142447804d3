"""The whole way on an engine of another structure: log, fit, tune, then what the settings do there.

The score is the product's own, of measured runs of the foreign engine.  Beside it stands the best
that a search on that very engine finds: what its valve and law can do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import Bounds, differential_evolution

from controllers import Feedback
from sim import Car
from tests.foreign_drive import WINDOWS, DURATION_s, drive
from tests.foreign_engine import ForeignEngine, make_engine
from tests.idle_records import foreign_log, guessed_car
from tuning.ensemble.drives import SHIFT_s, starting_phases
from tuning.ensemble.runs import Runs
from tuning.identification.fitting import Fit, fit
from tuning.identification.recording_guide import recording_plan
from tuning.measures.measuring import measure_runs
from tuning.search.objective import Score, score
from tuning.search.searching import tune
from tuning.search.space import make_space
from tuning.search.weights import Weights

STALLED_rpm = 300.0
"""A true speed below this counts as a stall [rpm]."""
WEIGHTS = Weights()


class ForeignJudge:
    """An engine and some runs on it, each with its seed, starting phase and shift of the drive."""

    def __init__(self, engine: ForeignEngine, car: Car, count: int, seed: int) -> None:
        self.engine, self.car = engine, car
        self._seeds = [1000 * seed + place for place in range(count)]
        self._errors = starting_phases(count)[0][0]
        self._shifts = SHIFT_s * np.modf(np.arange(count) * 0.6180339887498949)[0]
        held = car.feedback.model_copy(update={"law": "none"})
        self.floor_rpm = 0.0
        still = self._runs([held], np.zeros(count)).of("hunting_rpm")
        self.floor_rpm = float(np.mean(still))

    def _one(self, feedback: Feedback, seed: int, error: float, shift_s: float) -> np.ndarray:
        car = self.car.model_copy(update={"feedback": feedback})
        run = drive(self.engine, car, seed, error, DURATION_s, float(shift_s))
        stalled = -1
        if run.lowest_rpm < STALLED_rpm:
            stalled = int(np.argmin(run.rpm))
        windows = [(what, low + shift_s, high + shift_s) for what, low, high in WINDOWS]
        rpm, steps = (one[None].astype(np.float32) for one in (run.rpm, run.steps))
        found = measure_runs(
            rpm, steps, windows, self.engine.target_rpm, stalled, self.floor_rpm
        )  # fmt: skip
        return np.asarray(found[0])

    def _runs(self, candidates: list[Feedback], errors: np.ndarray) -> Runs:
        values = np.array([
            [[[
                self._one(one, *run)
                for run in zip(self._seeds, errors, self._shifts, strict=True)
            ]]]
            for one in candidates
        ])  # fmt: skip
        return Runs(
            values, np.zeros(values.shape[:4]), np.full((1, 1), self.floor_rpm),
            np.array([STALLED_rpm]), np.array([[self.engine.target_rpm]]),
        )  # fmt: skip

    def runs(self, candidates: list[Feedback]) -> Runs:
        """Measured runs of settings on the engine."""
        return self._runs(candidates, self._errors)

    def scores(self, candidates: list[Feedback]) -> list[Score]:
        """Scores of settings on the engine."""
        return score(self.runs(candidates), WEIGHTS)


def fitted_to(engine: ForeignEngine, seed: int) -> Fit:
    """A log as the guide asks, without loads in watts, and the fit to it."""
    guess = guessed_car(engine)
    log = foreign_log(engine, recording_plan(guess), seed)
    return fit(guess, replace(log, load_W=None))


def best_there(
    engine: ForeignEngine, car: Car, law: str, known: Sequence[Feedback], most: int = 200
) -> Feedback:
    """Search on the engine itself, from known settings and over the whole space.

    The few that did best are compared on other runs, known settings among them.
    """
    space, people = make_space(car, (law,)), 20
    judge, start = ForeignJudge(engine, car, 4, 11), np.random.default_rng(5).random((20, 7))
    near = space.to_unit(known[0])
    start[:8] = np.clip(near + 0.3 * (start[:8] - 0.5), 0.0, 1.0)
    for place, one in enumerate(known):
        start[place] = space.to_unit(one)
    scored: dict[Feedback, float] = {}

    def worth(places: np.ndarray) -> float:
        one = space.from_unit(law, places)
        if one not in scored:
            scored[one] = judge.scores([one])[0].total
        return scored[one]

    differential_evolution(
        worth, Bounds(np.zeros(near.size), np.ones(near.size)), init=start,
        maxiter=max(1, most // people - 1), seed=3, polish=False, tol=0.0,
        mutation=(0.3, 0.8), recombination=0.7,
    )  # fmt: skip
    few = [*known, *sorted(scored, key=lambda one: scored[one])[:6]]
    again = ForeignJudge(engine, car, 8, 12).scores(few)
    return few[int(np.argmin([one.total for one in again]))]


@dataclass(frozen=True)
class TrialResult:
    """What came of one engine: scores and swings on it, and what was told before."""

    seed: int
    settings: Feedback
    score_rpm: float
    best_rpm: float
    hunting_rpm: float
    told_hunting_rpm: float
    lowest_rpm: float

    @property
    def ratio(self) -> float:
        """Score over that of the best found on the engine itself [-]."""
        return self.score_rpm / self.best_rpm

    @property
    def hunting_ratio(self) -> float:
        """Measured swing over what was told [-]."""
        return self.hunting_rpm / self.told_hunting_rpm

    def line(self) -> str:
        """A row of the table."""
        one = self.settings
        return (
            f"{self.seed:6d} {self.score_rpm:6.1f} {self.best_rpm:6.1f} {self.ratio:6.3f}"
            f" {self.told_hunting_rpm:6.1f} {self.hunting_rpm:6.1f} {self.hunting_ratio:5.2f}"
            f" {self.lowest_rpm:5.0f}   {one.gain_steps_per_100rpm:g}"
            f" {one.integral_steps_per_100rpm_s:g} {one.deadband_rpm:g} {one.min_move_steps}"
            f" {one.update_period_ms:g} {one.trim_limit_steps[0]:g} {one.trim_limit_steps[1]:g}"
        )


HEADING = (
    "engine  score   best  ratio   told  swing ratio lowest"
    "  gain, integral, deadband, move, period, trim"
)


def tried(
    seed: int, law: str = "pi", budget: str = "quick", runs: int = 12, most: int = 200
) -> TrialResult:
    """Log, fit and tune an engine, drive it with what was found, and search on it directly."""
    engine = make_engine(seed)
    found = tune(fitted_to(engine, seed).car, law=law, budget=budget, seed=1)
    best = best_there(engine, found.car, law, [found.settings], most)
    judge = ForeignJudge(engine, found.car, runs, 7)
    measured = judge.runs([found.settings, best])
    its, there = score(measured, WEIGHTS)
    return TrialResult(
        seed, found.settings, its.total, there.total,
        float(np.mean(measured.of("hunting_rpm")[0])), found.predicted.hunting_rpm,
        float(np.nanmin(measured.of("lowest_rpm")[0])),
    )  # fmt: skip
