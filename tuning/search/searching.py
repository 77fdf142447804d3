"""Settings to dare: searched on plausible cars, chosen on others, judged on fresh ones.

1. The study: candidates on one ensemble (``tuning.search.proposals``).
2. The choice: the best few and their neighbours one entry step away, on another ensemble; a
   candidate whose neighbours are much worse is passed over, a simpler law is preferred where it
   does nearly as well, and trim limits are drawn as close as they may without loss.
3. The verdict: present and chosen settings on a third ensemble.  Only that is called predicted.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from controllers import Feedback
from sim import Car, with_values
from sim.files import one_problem
from tuning.ensemble import SEARCH, SELECTION, VERDICT, known_mean
from tuning.search.budgets import Budget, budget_of
from tuning.search.choice import Choice, choose
from tuning.search.importance import parameter_importance
from tuning.search.judge import Judge
from tuning.search.objective import STRICT, Limits, Score
from tuning.search.pareto import Front, Point, pareto_front, point
from tuning.search.proposals import Search, improvement_chance
from tuning.search.space import LAW_KEYS, SEARCHED_LAWS, Space, make_space
from tuning.search.start_points import start_points
from tuning.search.tuned import Gap, Tuning, predict
from tuning.search.weights import Weights, weights_of
from tuning.studies import Study, open_study

SAMPLER = "tpe"
"""Of the first trials, over the whole space; ``tuning.search.next_places`` takes over from it."""
OBJECTIVE_VERSION = 6
"""Changed whenever the same settings would score otherwise: old studies are then not joined."""

OnProgress = Callable[[float, str], None]


def _laws(car: Car, law: str | None) -> tuple[str, ...]:
    """Laws to choose from."""
    if law is None:
        own = car.feedback.law
        return SEARCHED_LAWS if own in (*SEARCHED_LAWS, "none") else (*SEARCHED_LAWS, own)
    if law not in LAW_KEYS:
        message = f"cannot be tuned ({law}), allowed: {', '.join(LAW_KEYS)}"
        raise one_problem("command line", 1, "law", message)
    return (law,)


def car_digest(car: Car) -> str:
    """Digest of all that a score depends on in a car file.

    Gives sixteen hexadecimal digits; the car's name and note take no part.
    """
    text = car.model_dump_json(exclude={"car"})
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def tune(
    car: Car,
    *,
    law: str | None = None,
    budget: str = "normal",
    seed: int = 0,
    storage: str | Path | None = None,
    resume: bool = False,
    preset: str = "balanced",
    cores: int | None = None,
    on_progress: OnProgress | None = None,
) -> Tuning:
    """Search settings that hold on all cars this car could be; the base curve stays.

    Parameters
    ----------
    car : Car
        The car as known; its ``[uncertainty]`` says how well.
    law : str, optional
        Only this law; without it the laws ``pi``, ``pid`` and ``nudge``, and the car's own.
    budget : str
        "quick", "normal" or "deep".
    seed : int
        Seed of everything random, 0 or more.
    storage : str or Path, optional
        Where the study is kept, see ``studies.open_study``; in memory when left out.
    resume : bool
        Continue or join a study that is there.
    preset : str
        Weights: "balanced", "quiet", "quick" or "gentle".
    cores : int, optional
        Threads, without influence on the result; all cores when left out.
    on_progress : callable, optional
        Told the share done, and what goes on.

    Returns
    -------
    Tuning
        Settings, prediction and reasons.

    Raises
    ------
    InputError
        If law, budget, weights or storage cannot be used.
    KeyboardInterrupt
        After Ctrl-C; trials finished so far are kept.
    """
    begun = time.monotonic()
    size, weights, laws = budget_of(budget), weights_of(preset), _laws(car, law)
    ensembles, tell = _Ensembles(car, weights, size, seed, cores), on_progress or _silent
    made_for = {
        "car": car_digest(car), "laws": ",".join(laws), "weights": preset, "budget": budget,
        "objective": OBJECTIVE_VERSION,
    }  # fmt: skip
    with open_study(
        storage, f"tune {car.name}", seed=seed, resume=resume, inputs=made_for, sampler=SAMPLER
    ) as study:
        found = _found(study, ensembles, make_space(car, laws), tell)
    tell(1.0, "done")
    return replace(found, weights=weights, preset=preset, seconds=time.monotonic() - begun)


def _silent(_share: float, _text: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class _Ensembles:
    """The three groups of plausible cars: to search on, to choose on, and for the verdict."""

    car: Car
    weights: Weights
    size: Budget
    seed: int
    cores: int | None

    def judge(self, purpose: int) -> Judge:
        size = self.size
        cars, seeds = {
            SEARCH: (size.cars, size.seeds),
            SELECTION: (size.selection_cars, size.selection_seeds),
            VERDICT: (size.verdict_cars, size.verdict_seeds),
        }[purpose]
        return Judge(
            self.car, self.weights, cars=cars, seeds=seeds, seed=self.seed, purpose=purpose,
            limits=Limits() if purpose == VERDICT else STRICT, cores=self.cores,
        )  # fmt: skip


def _found(study: Study, ensembles: _Ensembles, space: Space, tell: OnProgress) -> Tuning:
    """Search, choose, judge."""
    size, first = ensembles.size, ensembles.judge(SEARCH)
    search = Search(
        study, space, first, size, ensembles.seed, lambda share, text: tell(0.75 * share, text)
    )
    search.run(start_points(space, held_scatter_rpm(first)))
    tell(0.76, "comparing the best few and their neighbours on other cars")
    chosen = choose(search, ensembles.judge(SELECTION), size)
    tell(0.92, "judging on fresh cars")
    return _verdict(ensembles.car, size, search, chosen, ensembles.judge(VERDICT))


def held_scatter_rpm(judge: Judge) -> float:
    """Standard deviation of measured speed with the valve held, warm, mean over cars.

    Gives scatter [rpm].
    """
    held = judge.runs.cars[0].feedback.model_copy(update={"law": "none"})
    runs = judge.runs.run([held], base_curve_wrong=False)
    return float(known_mean(runs.of("scatter_rms_rpm")[0, :, 0, :].ravel(), 0))


def _verdict(car: Car, size: Budget, search: Search, chosen: Choice, judge: Judge) -> Tuning:
    """Present and chosen settings on fresh cars; the better of the two is what is given back."""
    runs = judge.runs.run([car.feedback, chosen.settings])
    now_score, found_score = judge.scores([car.feedback, chosen.settings])
    kept = not _beats(found_score, now_score)
    settings = car.feedback if kept else chosen.settings
    search_score = search.judge.scores([settings])[0]
    values = search.values()
    return Tuning(
        car=with_values(car, {"feedback": settings.model_dump()}),
        settings=settings,
        now=predict(runs, 0),
        predicted=predict(runs, 0 if kept else 1),
        now_score=now_score,
        predicted_score=now_score if kept else found_score,
        weights=weights_of("balanced"),
        preset="balanced",
        budget=size.name,
        trials=len(values),
        engines=size.engines,
        seconds=0.0,
        front=_front(search, settings, kept, chosen),
        importance=parameter_importance(search.study.finished(), settings.law),
        plateau=chosen.plateau,
        gap=Gap(search_score.total, (now_score if kept else found_score).total, now_score.total),
        improvement_chance=improvement_chance(values),
        kept=kept,
        samples=tuple(judge.runs.samples([car.feedback, settings])),
    )


def _beats(found: Score, now: Score) -> bool:
    """Whether settings beat the present ones: fewer stalls, or as few and a lower score."""
    stalls, present = found.measured["stalls"], now.measured["stalls"]
    return stalls < present or (stalls == present and found.total < now.total)


def _front(search: Search, settings: Feedback, kept: bool, chosen: Choice) -> Front:
    """Quiet against quick against wear, on the cars of the search."""
    points: list[Point] = []
    for trial in search.study.finished():
        notes = trial.user_attrs.get("notes", {})
        if trial.value is None or notes.get("broken") or "measured" not in notes:
            continue
        measured = notes["measured"]
        points.append(
            Point(
                search.settings(trial.params),
                measured["hunting"],
                measured["settling"],
                measured["moves"],
                notes["total"],
            )
        )
    its = point(settings, search.judge.scores([settings])[0])
    reason = "nothing tried was better than the present settings" if kept else chosen.reason
    return pareto_front(points, its, reason)
