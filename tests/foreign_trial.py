"""The whole way on an engine of another structure: log, fit, tune, then what the settings do there.

The score is the product's own, by the same functions, of runs of the foreign engine.  Beside it
stand the plain set, no feedback, and the best that a search on that very engine finds: what its
valve and law can do.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from zlib import crc32

import numpy as np
from scipy.optimize import Bounds, differential_evolution

from controllers import Feedback
from sim import Car
from tests.foreign_drive import drive, rest
from tests.foreign_engine import ForeignEngine, make_engine
from tests.idle_records import foreign_log, guessed_car
from tuning.ensemble import VERDICT
from tuning.ensemble.drives import (
    ANSWER_s,
    BASE_ERROR_steps,
    BLIP_AT_s,
    BLIP_OPEN_s,
    LOAD_SPAN_s,
    LOADS_AT_s,
    REST_FROM_s,
    REST_s,
    SHIFT_s,
)
from tuning.identification.fitting import fit
from tuning.identification.recording_guide import recording_plan
from tuning.identification.result import Fit
from tuning.measures import TERMS, answer_terms, below_target_rpm, rest_terms, score_terms
from tuning.search.compared import PLAIN_SET
from tuning.search.judge import BUDGETS, Judge
from tuning.search.objective import Weights
from tuning.search.searching import tune
from tuning.search.space import make_space

BENCH = ("foreign_engine.py", "foreign_drive.py", "foreign_trial.py", "idle_records.py")
"""Sources of the bench: what was found by another one is searched anew."""
STALLED_rpm = 300.0
"""A true speed below this counts as a stall [rpm]."""
WEIGHTS = Weights()
RESTING = (REST_FROM_s, REST_s)


class ForeignJudge:
    """An engine and seeds of its scatter, each with its own shift of all that happens.

    A load that came at the same moment between two updates each time would let a search find the period that
    suits it: sets of updates 700 to 1,000 ms apart, found so, lost a fifth once the moments were shifted.
    By seed the engine needs up to half a step more or less than its base curve, too. Where it idled on a
    whole step, moves of three steps landed on the target from a base curve that is three steps off.
    """

    def __init__(self, engine: ForeignEngine, car: Car, count: int, seed: int) -> None:
        self.engine, self.car = engine, car
        self._seeds = [1000 * seed + place for place in range(count)]
        self._shift_s = SHIFT_s * np.random.default_rng([seed, 8]).random(count)
        drawn = np.random.default_rng([seed, 9])
        parts = (drawn.permutation(count) + drawn.random(count)) / count - 0.5
        self._engines = [engine.needing(part) for part in parts.tolist()]
        runs = zip(self._engines, self._seeds, strict=True)
        self.held_swing_rpm = np.array([self._held(*one) for one in runs])

    def _with(self, feedback: Feedback) -> Car:
        return self.car.model_copy(update={"feedback": feedback})

    def _held(self, engine: ForeignEngine, seed: int) -> float:
        held = self._with(self.car.feedback.model_copy(update={"law": "none"}))
        run = rest(engine, held, seed, 0.0)
        return float(self._rest(run.rpm, run.steps)[0, 0])

    def _rest(self, rpm: np.ndarray, steps: np.ndarray) -> np.ndarray:
        target = np.array([self.engine.target_rpm])
        return rest_terms(rpm[None].astype(np.float32), steps[None].astype(np.float32), RESTING, target)

    def terms(self, feedback: Feedback) -> np.ndarray:
        """Terms of settings by seed, shape (seeds, terms), not weighed."""
        car, target = self._with(feedback), np.array([self.engine.target_rpm])
        found = []
        runs = zip(self._engines, self._seeds, self._shift_s.tolist(), self.held_swing_rpm, strict=True)
        for engine, seed, shift_s, held_rpm in runs:
            high, low = (rest(engine, car, seed, error) for error in (BASE_ERROR_steps, -BASE_ERROR_steps))
            answer = drive(engine, car, seed, shift_s=shift_s)
            rpm = answer.rpm[None].astype(np.float32)
            loads_at_s = tuple(at_s + shift_s for at_s in LOADS_AT_s)
            answers = answer_terms(rpm, loads_at_s, LOAD_SPAN_s, target, np.array([held_rpm]))
            seen = (shift_s + BLIP_AT_s + BLIP_OPEN_s, shift_s + ANSWER_s)
            below = below_target_rpm(rpm, seen, target)
            stalls = sum(run.lowest_rpm < STALLED_rpm for run in (high, low, answer))
            found.append(
                score_terms(
                    self._rest(high.rpm, high.steps), self._rest(low.rpm, low.steps),
                    np.array([held_rpm]), answers, below, np.array([float(stalls)]),
                )[0]
            )  # fmt: skip
        return np.array(found)

    def score(self, feedback: Feedback) -> float:
        """Score of settings on the engine, mean over seeds [rpm]."""
        return float((self.terms(feedback) @ WEIGHTS.in_order()).mean())


def fitted_to(engine: ForeignEngine, seed: int, with_loads: bool = True) -> Fit:
    """A log as the guide asks, with or without loads in watts, and the fit to it."""
    guess = guessed_car(engine)
    log = foreign_log(engine, recording_plan(guess), seed)
    return fit(guess, log if with_loads else replace(log, load_W=None))


def best_there(
    engine: ForeignEngine, car: Car, law: str, known: Sequence[Feedback], most: int = 2000
) -> Feedback:
    """Search on the engine itself, from known settings and over the whole space.

    Differential evolution (Storn & Price 1997, scipy's) on two seeds; the ten that did best are
    compared on four others, known settings among them.
    """
    space, people = make_space(car, (law,)), 25
    size = len(space.keys(law))
    judge, start = ForeignJudge(engine, car, 2, 11), np.random.default_rng(5).random((people, size))
    for place, one in enumerate(known):
        start[place] = space.to_unit(one)
    scored: dict[Feedback, float] = {}

    def worth(places: np.ndarray) -> float:
        one = space.from_unit(law, places)
        if one not in scored:
            scored[one] = judge.score(one)
        return scored[one]

    differential_evolution(
        worth, Bounds(np.zeros(size), np.ones(size)), init=start,
        maxiter=max(1, most // people - 1), seed=3, polish=False, tol=0.0,
        mutation=(0.3, 0.8), recombination=0.7,
    )  # fmt: skip
    few = [*known, *sorted(scored, key=lambda one: scored[one])[:10]]
    again = ForeignJudge(engine, car, 4, 12)
    return min(few, key=again.score)


def known_best(seed: int, engine: ForeignEngine, law: str, most: int, folder: Path) -> Feedback:
    """The best there, from a file of an earlier search of the same bench, or searched now."""
    sources = b"".join((Path(__file__).parent / name).read_bytes() for name in BENCH)
    file = folder / f"best_{law}_{seed}_{most}_{crc32(sources):08x}.json"
    if file.is_file():
        return Feedback.model_validate(json.loads(file.read_text()), strict=False)
    guess = guessed_car(engine)
    plain = guess.feedback.model_copy(update=dict(PLAIN_SET))
    best = best_there(engine, guess, law, [plain, guess.feedback], most)
    folder.mkdir(parents=True, exist_ok=True)
    file.write_text(best.model_dump_json())
    return best


TOLD_BETWEEN = (10.0, 90.0)
LEAST_OFF = 1e-6 + 0.5 * np.array([name == "moves" for name in TERMS])
"""What nobody minds: half a move a minute."""


def told_within(car: Car, settings: Feedback, true: np.ndarray) -> dict[str, float]:
    """Share of runs of the engine, (runs, terms), between the points told of each term on fresh cars."""
    size = BUDGETS["quick"]
    judge = Judge(
        car, WEIGHTS, cars=size.verdict_cars, seeds=size.verdict_seeds, seed=1, purpose=VERDICT
    )  # fmt: skip
    told = judge.runs.run([settings]).terms()[0].reshape(-1, len(TERMS))
    low, high = np.percentile(told, TOLD_BETWEEN, axis=0)
    inside = (true >= low - LEAST_OFF) & (true <= high + LEAST_OFF)
    return dict(zip(TERMS, inside.mean(axis=0).tolist(), strict=True))


@dataclass(frozen=True)
class TrialResult:
    """What came of one engine: scores on it, and what was told before."""

    seed: int
    settings: Feedback
    proposed: str
    scores: dict[str, float]
    told: dict[str, float]
    true: dict[str, float]
    plain_terms: dict[str, float]
    best_terms: dict[str, float]
    within: dict[str, float]

    @property
    def ratio(self) -> float:
        """Score over that of the best found on the engine itself [-]."""
        return self.scores["found"] / self.scores["best"]

    @property
    def plain_ratio(self) -> float:
        """Score of the plain set over that of the settings found [-]."""
        return self.scores["plain"] / self.scores["found"]

    def line(self) -> str:
        """A row of the table."""
        one = self.settings
        numbers = " ".join(
            f"{self.scores[k]:6.1f}" for k in ("open_loop", "present", "plain", "found", "best")
        )
        return (
            f"{self.seed:6d} {numbers} {self.ratio:6.3f}   {self.proposed:8s}"
            f" {one.gain_steps_per_100rpm:g} {one.integral_steps_per_100rpm_s:g}"
            f" {one.deadband_rpm:g} {one.min_move_steps} {one.update_period_ms:g}"
            f" {one.trim_limit_steps[0]:g} {one.trim_limit_steps[1]:g}"
            f" {one.enable_above_target_rpm:g}"
        )

    def to_json(self) -> str:
        """Everything, for a later look."""
        return json.dumps({**asdict(self), "settings": self.settings.model_dump(mode="json")})


HEADING = (
    "engine   open  present plain  found   best  ratio   proposed"
    " gain, integral, deadband, move, period, trim, acts below target +"
)


def tried(
    seed: int,
    law: str = "pi",
    budget: str = "quick",
    runs: int = 8,
    most: int = 2000,
    folder: Path = Path("/tmp/foreign_best"),
    with_loads: bool = True,
) -> TrialResult:
    """Log, fit and tune an engine, drive it with what was found, and search on it directly."""
    engine = make_engine(seed)
    best = known_best(seed, engine, law, most, folder)
    car = fitted_to(engine, seed, with_loads).car
    found = tune(car, law=law, budget=budget, seed=1)
    judge = ForeignJudge(engine, car, runs, 7)
    sets = {
        "open_loop": car.feedback.model_copy(update={"law": "none"}),
        "present": car.feedback,
        "plain": car.feedback.model_copy(update=dict(PLAIN_SET)),
        "found": found.settings,
        "best": best,
    }
    runs_of = {name: judge.terms(one) for name, one in sets.items()}
    terms = {name: one.mean(axis=0) for name, one in runs_of.items()}

    def named(name: str) -> dict[str, float]:
        return dict(zip(TERMS, terms[name].tolist(), strict=True))

    return TrialResult(
        seed, found.settings, found.proposed,
        {name: float(one @ WEIGHTS.in_order()) for name, one in terms.items()},
        dict(found.predicted_score.measured), named("found"), named("plain"), named("best"),
        told_within(car, found.settings, runs_of["found"]),
    )  # fmt: skip
