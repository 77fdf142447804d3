"""Settings to dare: searched on plausible cars, chosen on others, judged on fresh ones.

The best of the verdict is proposed; only what is told there is called predicted.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from controllers import Feedback
from sim import Car, with_values
from sim.files import one_problem
from tuning.ensemble import SEARCH, SELECTION, VERDICT, is_acceptable
from tuning.search.choice import Choice, choose
from tuning.search.compared import (
    FOUND,
    OPEN_LOOP,
    PRESENT,
    Compared,
    acceptance_notes,
    base_notes,
    better,
    known_settings,
    start_points,
)
from tuning.search.judge import Budget, Judge, budget_of
from tuning.search.lacking import lacking
from tuning.search.objective import Weights, favoured, score, total_of, weights_of
from tuning.search.predicted import predict
from tuning.search.proposals import Search, improvement_chance
from tuning.search.reasons import Reason, parameter_importance, reasons
from tuning.search.space import LAW_KEYS, SEARCHED_LAWS, Space, make_space
from tuning.search.tuned import Front, Gap, Point, Tuning, pareto_front, point
from tuning.studies import Study, open_study

SAMPLER = "tpe"
"""Of the first trials, over the whole space; ``tuning.search.next_places`` takes over from it."""
OBJECTIVE_VERSION = 10
"""Changed whenever the same settings would score otherwise: old studies are then not joined."""

OnProgress = Callable[[float, str], None]


def _laws(car: Car, law: str | None) -> tuple[str, ...]:
    """Laws to choose from."""
    if law is None:
        own = car.feedback.law
        fits = own in SEARCHED_LAWS or not car.feedback.acts
        return SEARCHED_LAWS if fits else (*SEARCHED_LAWS, own)
    if law not in LAW_KEYS:
        message = f"cannot be tuned ({law}), allowed: {', '.join(LAW_KEYS)}"
        raise one_problem("command line", 1, "law", message)
    return (law,)


def tune(
    car: Car, *, law: str | None = None, budget: str = "normal", seed: int = 0,
    storage: str | Path | None = None, resume: bool = False, preset: str = "balanced",
    favour: Sequence[str] = (), keep: Sequence[str] = (), cores: int | None = None,
    on_progress: OnProgress | None = None,
) -> Tuning:  # fmt: skip
    """Search settings that hold on all cars this car could be; the base curve stays.

    Parameters
    ----------
    car, law, budget, seed : Car, str, str, int
        Its ``[uncertainty]`` says how well it is known; without a law ``pi``, ``pid``, ``nudge`` and its own;
        "quick", "normal" or "deep"; seed of everything random, 0 or more.
    storage, resume : str or Path, bool
        Where the study is kept, see ``studies.open_study``; continue or join one that is there.
    preset, favour, keep : str, sequence of str, sequence of str
        Weights: "balanced", "quiet", "quick" or "gentle"; wishes such as "quick:2" take another one tried;
        settings that stay as the car has them, by their keys.
    cores, on_progress : int, callable, optional
        Threads, without influence on the result, else all cores; told the share done, and what goes on.

    Returns
    -------
    Tuning

    Raises
    ------
    InputError
        If something asked for cannot be used.
    """
    begun = time.monotonic()
    space, weights = make_space(car, _laws(car, law), keep), weights_of(preset)
    wanted = _Wanted(space, weights, favoured(weights, favour), preset, budget_of(budget), seed, cores)
    name, inputs = f"tune {car.name}", wanted.inputs
    with open_study(storage, name, seed=seed, resume=resume, inputs=inputs, sampler=SAMPLER) as study:
        found = _found(study, wanted, on_progress or (lambda _share, _text: None))
    return replace(found, seconds=time.monotonic() - begun)


@dataclass(frozen=True)
class _Wanted:
    """What is searched, by which weights, by which one is chosen, and how much is spent."""

    space: Space
    weights: Weights
    choosing: Weights
    preset: str
    size: Budget
    seed: int
    cores: int | None

    @property
    def inputs(self) -> dict[str, str | int]:
        """What a study's scores depend on: another is not joined."""
        space = self.space
        text = space.car.model_dump_json(exclude={"car"})  # name and note take no part
        return {
            "car": hashlib.sha256(text.encode()).hexdigest()[:16], "laws": ",".join(space.laws),
            "weights": self.preset, "budget": self.size.name, "objective": OBJECTIVE_VERSION,
            "kept": ",".join(sorted(space.kept)),
        }  # fmt: skip

    def judge(self, purpose: int, weights: Weights) -> Judge:
        """Plausible cars to search on, to choose on, or for the verdict."""
        size = self.size
        cars, seeds = {
            SEARCH: (size.cars, size.seeds),
            SELECTION: (size.selection_cars, size.selection_seeds),
            VERDICT: (size.verdict_cars, size.verdict_seeds),
        }[purpose]
        return Judge(
            self.space.car, weights, cars=cars, seeds=seeds, seed=self.seed, purpose=purpose,
            cores=self.cores, measures=purpose == VERDICT,
        )  # fmt: skip


def _found(study: Study, wanted: _Wanted, tell: OnProgress) -> Tuning:
    """Search, choose, judge."""
    size, space = wanted.size, wanted.space
    first = wanted.judge(SEARCH, wanted.weights)
    search = Search(study, space, first, size, wanted.seed, lambda share, text: tell(0.75 * share, text))
    scatter_rpm = first.runs.scatter_rpm
    known = known_settings(space, scatter_rpm)
    search.run(start_points(space, scatter_rpm, known))
    tell(0.76, "comparing the best few and their neighbours on other cars")
    selection = wanted.judge(SELECTION, wanted.choosing)
    chosen = choose(search, selection, size, list(known.values()))
    why = reasons(chosen.settings, space, selection)
    tell(0.92, "judging on fresh cars")
    judge = wanted.judge(VERDICT, wanted.choosing)
    found = _verdict(search, chosen, why, judge, known, wanted)
    tell(1.0, "done")
    return found


def _verdict(
    search: Search, chosen: Choice, why: tuple[Reason, ...], judge: Judge, known: Mapping[str, Feedback],
    wanted: _Wanted,
) -> Tuning:  # fmt: skip
    """All sets on fresh cars; the best of them is what is given back."""
    car, size = search.space.car, search.budget
    everyone = {**known, FOUND: chosen.settings}
    runs = judge.runs.run(list(everyone.values()))
    scores = dict(zip(everyone, score(runs, judge.weights), strict=True))
    proposed = better(scores)
    settings, names = everyone[proposed], list(everyone)
    search_score = search.judge.scores([settings])[0]
    values = search.values()
    fails = proposed != OPEN_LOOP and not scores[proposed].acceptance.is_met
    lacks = lacking(settings, scores[proposed], judge) if fails else ()
    notes = (*base_notes(car), *acceptance_notes(proposed, scores, lacks))
    return Tuning(
        car=with_values(car, {"feedback": settings.model_dump()}),
        settings=settings,
        now=predict(runs, names.index(PRESENT)),
        predicted=predict(runs, names.index(proposed)),
        now_score=scores[PRESENT],
        predicted_score=scores[proposed],
        weights=wanted.choosing,
        preset=wanted.preset,
        budget=size.name,
        trials=len(values),
        engines=size.engines,
        seconds=0.0,
        front=_front(search, settings, chosen, wanted.choosing),
        importance=parameter_importance(search.study.finished, settings.law),
        plateau=chosen.plateau,
        gap=Gap(
            total_of(search_score.by_car, wanted.choosing), scores[proposed].total,
            scores[PRESENT].total,
        ),
        improvement_chance=improvement_chance(values),
        compared=tuple(Compared(name, everyone[name], scores[name]) for name in names),
        proposed=proposed,
        reasons=why,
        notes=notes,
        samples=tuple(judge.runs.samples([car.feedback, settings])),
    )  # fmt: skip


def _front(search: Search, settings: Feedback, chosen: Choice, weights: Weights) -> Front:
    """Quiet against quick against wear, on the cars of the search."""
    points: list[Point] = []
    done = search.study.finished
    any_met = any(is_acceptable(one.user_attrs["notes"]["failing_share"]) for one in done if one.value)
    for trial in done:
        notes = trial.user_attrs.get("notes", {})
        if trial.value is None or (any_met and not is_acceptable(notes["failing_share"])):
            continue
        tried = search.space.settings(trial.params)
        points.append(point(tried, notes["measured"], total_of(notes["by_car"], weights)))
    its = search.judge.scores([settings])[0]
    own = point(settings, its.measured, total_of(its.by_car, weights))
    return pareto_front(points, own, chosen.reason)
